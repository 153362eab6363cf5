"""Corrections to 20 °C, no torque, least roll phase, seated members; and what they leave open.

Temperature is held against a box that grows: its corners are points, its flanks those of `crowned_pair.py`.
Budgets are held against Monte Carlo (JCGM 101:2008) and the end-gauge example of the GUM.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from analysis.crowned_pair import CrownedPair
from analysis.made_record import GEAR_SET, INDICATOR, KNOWN, Bench
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.record.conditions import NOTHING_RECORDED, Conditions, ConditionsError
from lashmap_analysis.record.record import Limits
from lashmap_analysis.uncertainty.backlash import fixed_lines
from lashmap_analysis.uncertainty.budget import BudgetLine
from lashmap_analysis.uncertainty.mesh_state import (
    END_PLAY,
    ROLL,
    SHIFTS,
    TEMPERATURE,
    TORQUE,
    correction_mm,
    mesh_lines,
    pushed_per_end_play,
)

PAIR = CrownedPair(pinion_teeth=13, gear_teeth=40, face_mm=25.0, contact_from_toe=0.5)
SET = GearSet(pinion_teeth=13, gear_teeth=40, outer_module_mm=4.0, face_width_mm=25.0, contact_from_toe=0.5)
STEEL, IRON, ALUMINIUM = 11.5e-6, 10.5e-6, 23e-6  # 1/K, handbooks (from memory)


def lines_of(conditions: Conditions, gear_set: GearSet = GEAR_SET) -> dict[str, BudgetLine]:
    return {one.quantity: one for one in mesh_lines(gear_set, INDICATOR, conditions)}


def grown_box_mm(housing_k: float, gears_k: float, housing: float, gears: float) -> float:
    """Normal backlash of a box that has grown, members 105 and 62.4 mm from the crossing of the axes.

    The crossing of the bores stays where it is; the seats move out with the housing, and each apex is found
    from its seat by the member's own length. The teeth are scaled with the gears.
    """
    warm = 1 + gears * gears_k
    pinion, gear = ((1 + housing * housing_k) * length - warm * length for length in (105.0, 62.4))
    scaled = replace(
        PAIR, module_mm=PAIR.module_mm * warm, face_mm=PAIR.face_mm * warm, play_mm=PAIR.play_mm * warm
    )
    return scaled.normal_mm(pinion_mm=np.array([0.0, 0.0, pinion]), gear_mm=np.array([gear, 0.0, 0.0]))


@pytest.mark.parametrize("housing", [ALUMINIUM, IRON, 17.3e-6])
@pytest.mark.parametrize(("housing_c", "gears_c"), [(35.0, 35.0), (12.0, 12.0), (20.0, 30.0), (28.0, 22.0)])
def test_correction_takes_a_grown_box_back_to_20_degrees(
    housing: float, housing_c: float, gears_c: float
) -> None:
    conditions = replace(
        KNOWN,
        housing_c=housing_c,
        gears_c=gears_c,
        housing_expansion_um_per_m_k=1e6 * housing,
        pinion_distance_mm=105.0,
        gear_distance_mm=62.4,
    )
    warm = grown_box_mm(housing_c - 20, gears_c - 20, housing, STEEL)
    cold = grown_box_mm(0.0, 0.0, housing, STEEL)
    # What the teeth grow by themselves is left out: 0.2 mm at 15 K is 0.03 µm.
    assert warm + correction_mm(SET, INDICATOR, conditions) == pytest.approx(cold, abs=5e-5)


@pytest.mark.parametrize(
    "conditions",
    [
        replace(
            KNOWN,
            housing_c=33.0,
            gears_c=29.0,
            temperature_uncertainty_c=1.0,
            housing_expansion_um_per_m_k=23.0,
        ),
        replace(
            KNOWN,
            housing_c=18.0,
            gears_c=18.0,
            temperature_uncertainty_c=0.5,
            housing_expansion_um_per_m_k=None,
        ),
        replace(KNOWN, housing_c=None, gears_c=None, housing_expansion_um_per_m_k=23.0),
        replace(KNOWN, housing_c=None, gears_c=None, housing_expansion_um_per_m_k=None),
    ],
    ids=["aluminium, given", "material unknown", "temperature unknown", "both unknown"],
)
def test_temperature_line_is_that_of_monte_carlo(conditions: Conditions) -> None:
    # Reference: JCGM 101, 400,000 draws of temperatures and coefficients through the relation itself.
    gear_set = replace(SET, contact_from_toe=1.0)
    conditions = replace(conditions, pinion_distance_mm=105.0, gear_distance_mm=62.4)
    rng, n = np.random.default_rng(7), 400_000
    if conditions.housing_c is None or conditions.gears_c is None:
        housing = rng.uniform(-5, 5, n)
        gears = housing + rng.uniform(-2, 2, n)
    else:
        own = conditions.temperature_uncertainty_c
        housing, gears = (c - 20 + rng.normal(0, own, n) for c in (conditions.housing_c, conditions.gears_c))
    alpha = ALUMINIUM + rng.uniform(-1e-6, 1e-6, n)
    if conditions.housing_expansion_um_per_m_k is None:
        alpha = rng.uniform(IRON, ALUMINIUM, n)
    steel = STEEL + rng.uniform(-1e-6, 1e-6, n)
    moved = alpha * housing - steel * gears
    sines = np.array([13.0, 40.0]) / math.hypot(13, 40)
    change = 2 * math.sin(math.radians(20)) * float(sines @ [105.0, 62.4]) * moved
    line = lines_of(conditions, gear_set)[TEMPERATURE]
    assert line.correction_mm == pytest.approx(-change.mean(), abs=4 * change.std() / math.sqrt(n) + 1e-6)
    # The place of contact, judged by eye, adds a little of the correction.
    expected = math.hypot(change.std(), 0.027 * line.correction_mm)
    assert line.standard_uncertainty_mm == pytest.approx(expected, rel=0.02)


def test_end_play_lets_a_member_sit_anywhere_within_it() -> None:
    # 10 µm of the gear at 17:36: 2 sin 20° sin 64.7° = 0.6185 (pencil), half of 10 µm to either side.
    played = lines_of(replace(KNOWN, gear_end_play_mm=0.010))[END_PLAY]
    assert played.standard_uncertainty_mm == pytest.approx(0.6185 * 0.005 / math.sqrt(3), rel=1e-3)
    assert END_PLAY not in lines_of(KNOWN)
    unknown = lines_of(replace(KNOWN, has_end_play=True))[END_PLAY]
    assert "not given" in unknown.value
    assert unknown.standard_uncertainty_mm > played.standard_uncertainty_mm


@pytest.mark.parametrize("spiral_deg", [0.0, 35.0])
@pytest.mark.parametrize("place", [0.1, 0.6])
def test_flanks_that_push_a_floating_member_read_too_much(spiral_deg: float, place: float) -> None:
    # Flanks from first principles, each touched with the member at the other end of 20 µm.
    pair = replace(PAIR, spiral_deg=spiral_deg, contact_from_toe=place)
    gear_set = replace(SET, mean_spiral_angle_deg=spiral_deg, contact_from_toe=place)
    for member, stated in zip(("pinion", "gear"), pushed_per_end_play(gear_set), strict=True):
        more = pair.floating_mm(member, 0.020) - pair.moved_out_mm(member, 0.0)
        assert more == pytest.approx(0.020 * stated, rel=0.02, abs=2e-5)


def test_two_torques_are_extrapolated_to_none() -> None:
    # A straight line through the readings at 1 and 3 N m, 1.2 µm apart, meets no torque 0.6 µm below the
    # first.
    conditions = replace(KNOWN, rock_nm=1.0, compliance_um_per_nm=1.2 / 2)
    line = lines_of(conditions)[TORQUE]
    per_reading = INDICATOR.normal_per_reading(GEAR_SET)
    assert line.correction_mm == pytest.approx(-0.0006 * per_reading, rel=1e-9)
    assert 0 < line.standard_uncertainty_mm < 0.0003


def test_corrections_are_in_the_stated_value_in_every_position_and_in_the_encoders() -> None:
    bench = Bench(seed=5)
    warm = replace(
        KNOWN,
        housing_c=30.0,
        gears_c=30.0,
        housing_expansion_um_per_m_k=23.0,
        roll_variation_mm=0.002,
        pinion_distance_mm=80.0,
        gear_distance_mm=50.0,
    )
    plain = assess(bench.record())
    corrected = assess(replace(bench.record(), conditions=warm))
    assert plain.stated is not None
    assert corrected.stated is not None
    assert corrected.budget is not None
    shift = sum(one.correction_mm for one in corrected.budget.lines)
    # 2 sin 20° (sin δ1 80 + sin δ2 50) 11.5e-6 × 10 = 6.2 µm more play when warm, and half of 2 µm for the
    # roll.
    assert shift == pytest.approx(-0.0062 - 0.001, abs=1e-4)
    assert corrected.stated.normal_backlash_mm - plain.stated.normal_backlash_mm == pytest.approx(
        shift, abs=1e-5
    )
    for one, other in zip(plain.positions, corrected.positions, strict=True):
        for field in ("normal_backlash_mm", "encoder_backlash_mm"):
            assert getattr(other, field) - getattr(one, field) == pytest.approx(shift, abs=1e-9)
    # A shift leaves the differences between engagements alone.
    assert plain.lash_map is not None
    assert corrected.lash_map is not None
    assert corrected.lash_map.variation_mm == pytest.approx(plain.lash_map.variation_mm, abs=2e-5)


def test_nothing_recorded_is_said_line_by_line_with_what_to_do() -> None:
    found = lines_of(NOTHING_RECORDED)
    assert set(found) == SHIFTS - {END_PLAY}
    for one in found.values():
        assert one.value.startswith("not given")
        assert "from memory" in one.source
        assert one.remedy
        assert one.correction_mm == 0.0
        assert one.standard_uncertainty_mm > 0
    # 1 to 3 µm within a pitch, read anywhere within it: the bias and the scatter of the least below the
    # reading.
    rng = np.random.default_rng(3)
    below = rng.uniform(0, 1, 200_000) * rng.uniform(0.001, 0.003, 200_000)
    assert found[ROLL].standard_uncertainty_mm == pytest.approx(float(np.sqrt(np.mean(below**2))), rel=0.05)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("housing_c", 293.15),
        ("temperature_uncertainty_c", -1.0),
        ("housing_expansion_um_per_m_k", "wood"),
        ("gears_expansion_um_per_m_k", 4000.0),
        ("gear_end_play_mm", -0.01),
        ("rock_nm", math.nan),
        ("roll_variation_mm", 2.0),
    ],
)
def test_impossible_conditions_are_refused_with_the_field(field: str, value: object) -> None:
    with pytest.raises(ConditionsError) as caught:
        Conditions(**{field: value})  # type: ignore[arg-type] # wrong on purpose
    assert caught.value.field == field


@pytest.mark.parametrize("shaft_angle_deg", [60.0, 90.0, 110.0])
def test_an_unrecorded_mounting_distance_is_reckoned_from_the_pitch_cone(shaft_angle_deg: float) -> None:
    # The outer pitch circle of a member lies R_e cos δ from the apex (a cone), at any shaft angle.
    some = GearSet(
        pinion_teeth=20,
        gear_teeth=24,
        outer_module_mm=4.0,
        face_width_mm=15.0,
        shaft_angle_deg=shaft_angle_deg,
    )
    hot = Conditions(housing_c=50.0, gears_c=50.0, housing_expansion_um_per_m_k=23.0)
    pinion, gear = (
        some.outer_cone_distance_mm * (math.cos(angle) + 0.35)
        for angle in (some.pinion_pitch_angle_rad, some.gear_pitch_angle_rad)
    )
    measured = replace(hot, pinion_distance_mm=pinion, gear_distance_mm=gear)
    assert correction_mm(some, INDICATOR, hot) == pytest.approx(correction_mm(some, INDICATOR, measured))


def test_the_set_up_scales_what_was_rocked_and_not_what_is_stated() -> None:
    # GUM 5.1.2: stated = reading times factor + shift; a relative error of the factor makes as much whatever
    # is taken away afterwards.
    hot = replace(KNOWN, housing_c=60.0, gears_c=60.0, housing_expansion_um_per_m_k=23.0)
    shift = correction_mm(GEAR_SET, INDICATOR, hot)
    assert shift < -0.02
    radius = {
        name: next(
            line.standard_uncertainty_mm
            for line in fixed_lines(GEAR_SET, INDICATOR, conditions, stated_mm)
            if line.quantity == "touch radius"
        )
        for name, conditions, stated_mm in (("cold", KNOWN, 0.150), ("hot", hot, 0.150 + shift))
    }
    assert radius["hot"] == pytest.approx(radius["cold"])
    # A radius known to 0.05 mm of 54 mm: 0.093 % of the 0.150 mm that were rocked.
    assert radius["hot"] == pytest.approx(0.150 * 0.05 / 54.0)
    record = Bench(seed=5).record(limits=Limits(variation_mm=0.0375))
    cold, warm = (assess(replace(record, conditions=one)).conformance.variation for one in (KNOWN, hot))
    assert cold == pytest.approx(warm, abs=1e-6)


def test_a_heavy_rock_without_a_compliance_is_no_light_one() -> None:
    light = lines_of(NOTHING_RECORDED)[TORQUE]
    heavy = lines_of(replace(NOTHING_RECORDED, rock_nm=50.0))[TORQUE]
    assert heavy.standard_uncertainty_mm > 10.0 * light.standard_uncertainty_mm
    assert "50 N m, compliance not given" in heavy.value
    least = lines_of(replace(NOTHING_RECORDED, rock_nm=0.2))[TORQUE]
    assert least.standard_uncertainty_mm == light.standard_uncertainty_mm


def test_end_play_of_one_member_says_nothing_of_the_other() -> None:
    none = replace(NOTHING_RECORDED, has_end_play=True)
    one = replace(none, gear_end_play_mm=0.0)
    both = replace(one, pinion_end_play_mm=0.0)
    assert lines_of(one)[END_PLAY].standard_uncertainty_mm > 0.0
    assert "not given of both" in lines_of(one)[END_PLAY].value
    assert END_PLAY not in lines_of(both)
