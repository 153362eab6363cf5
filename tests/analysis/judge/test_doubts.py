"""When a finding becomes a doubt or a caution: its limit by hand, just below and just above it."""

from __future__ import annotations

from dataclasses import replace
from math import cos, hypot, radians, sqrt

import numpy as np
import pytest
from analysis.made_positions import made_map
from analysis.made_record import GEAR_SET, INDICATOR, Bench
from lashmap_analysis.gears.indicator import CorrectionCurve
from lashmap_analysis.judge.assessment import PositionResult, TightSpotResult
from lashmap_analysis.judge.doubts import (
    AGAIN,
    COUNTED_BY_HAND,
    ENCODER_ALONE,
    NOT_REPEATED,
    READ_BY_EYE,
    cautions_of,
    doubts_of,
    map_remarks,
)
from lashmap_analysis.judge.tight_spot import from_position
from lashmap_analysis.judge.verdict import MATCHED_AGAIN
from lashmap_analysis.lash_map.lash_map import fit_lash_map
from lashmap_analysis.lash_map.once_per_turn import Separability
from lashmap_analysis.lash_map.outliers import Finding, Suspect
from lashmap_analysis.record.record import Encoder, Precondition, RunoutTrace, Shaft, TestRecord
from lashmap_analysis.rock.flags import Flag, FlagName
from lashmap_analysis.rock.rock import Dwell, RockReading
from lashmap_analysis.uncertainty.mesh_state import correction_mm
from lashmap_analysis.uncertainty.set_up import against_angle_mm

COUNT_MM = radians(0.001 / sqrt(6)) * 54.0 * cos(radians(20.0))  # rounding at the outer pitch radius, twice
RECORD = replace(
    Bench().record(plan=()), encoder=Encoder(shaft="gear", resolution_deg=0.001), damage=(), left_out=()
)


def dwells(*, scatter_mm: float = 0.0, high: bool = True) -> tuple[Dwell, ...]:
    """Eight dwells; those of one flank stop short in turn by so much, about the middle of it."""
    found = []
    for number in range(8):
        up = number % 2 == 0
        off = scatter_mm * (1 if number % 4 < 2 else -1) if up == high else 0.0
        found.append(Dwell(float(number), number + 0.5, (0.15 if up else 0.0) + off, up))
    return tuple(found)


def position(number: int, **changed: object) -> PositionResult:
    rock = RockReading(
        reading_mm=0.15, standard_uncertainty_mm=0.0005, degrees_of_freedom=9.0, peak_to_peak_mm=0.15,
        spread_mm=0.0, reversals=7, drift_mm_per_s=0.0, dwells=dwells(), flags=(),
    )  # fmt: skip
    first = PositionResult(
        position=number, engagement=number, purpose="planned", attempt=1, gear_angle_deg=10.0 * number,
        rock=rock, normal_backlash_mm=0.15, standard_uncertainty_mm=0.0005, encoder_backlash_mm=None,
        flags=(),
    )  # fmt: skip
    return replace(first, **changed)  # type: ignore[arg-type] # as named


def sentences(
    *positions: PositionResult, record: TestRecord = RECORD, stated: TightSpotResult | None = None
) -> list[str]:
    return [one.sentence for one in doubts_of(record, positions, stated)]


def both(apart_mm: float, scatter_mm: float = 0.0, count: int = 4) -> list[PositionResult]:
    """Positions at which the indicator reads so much more than the encoder, in turn more and less."""
    return [
        position(n, encoder_backlash_mm=0.15 - apart_mm - scatter_mm * (1 if n % 2 else -1))
        for n in range(1, count + 1)
    ]


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("scatter_mm", [0.0, 0.0006])
def test_instruments_disagree_beyond_three_times_scatter_set_up_and_count(
    sign: float, scatter_mm: float
) -> None:
    # by hand: the mean of four differences that are 0.6 µm off in turn is known to 0.3 µm
    set_up = against_angle_mm(GEAR_SET, INDICATOR, 0.15)
    allowed = 3 * hypot(scatter_mm / sqrt(4), set_up, COUNT_MM)
    assert sentences(*both(sign * 0.98 * allowed, scatter_mm)) == []
    (told,) = sentences(*both(sign * 1.02 * allowed, scatter_mm))
    assert told.startswith("Indicator and encoder disagree over all positions: mean normal backlash 0.1500")
    # what the set-up explains is told as a moment arm, if more than what scatter and count leave
    floor = 3 * hypot(scatter_mm / sqrt(4), COUNT_MM)
    arms = [
        [
            one
            for one in cautions_of(RECORD, both(sign * apart, scatter_mm, count), None)
            if "moment arm" in one
        ]
        for apart, count in ((0.98 * floor, 4), (1.02 * floor, 4), (1.02 * floor, 3), (1.02 * allowed, 4))
    ]
    assert [len(one) for one in arms] == [0, 1, 0, 0]
    # r in proportion to the reading: 54 mm times what the indicator gives over what the encoder gives
    arm = 54.0 * cos(radians(20.0)) * 0.15 / (0.15 - sign * 1.02 * floor)
    assert f"at {arm:.1f}\N{NO-BREAK SPACE}mm (u = " in arms[1][0]
    spread = 54.0 * cos(radians(20.0)) * floor / 3 / (0.15 - sign * 1.02 * floor)
    assert f"(u = {spread:.1f}\N{NO-BREAK SPACE}mm) instead of 50.7\N{NO-BREAK SPACE}mm" in arms[1][0]


def test_causes_are_looked_for_in_what_was_rocked_and_not_in_what_the_temperature_adds() -> None:
    # by hand: both figures less the same shift; the touch radius goes as their ratio
    warm = replace(RECORD.conditions, housing_c=50.0, gears_c=50.0, housing_expansion_um_per_m_k=23.0)
    shift = correction_mm(GEAR_SET, INDICATOR, warm)
    assert abs(shift) > 0.01
    (told,) = sentences(*both(0.02), record=replace(RECORD, conditions=warm))
    radius = 54.0 * (0.15 - shift) / (0.13 - shift)
    assert f"a touch radius of {radius:.1f}\N{NO-BREAK SPACE}mm instead of 54.0" in told


@pytest.mark.parametrize(("residual_mm", "side"), [(0.03, "above"), (-0.03, "below")])
def test_an_outlier_is_told_with_its_side_and_what_it_is_taken_for(residual_mm: float, side: str) -> None:
    positions = tuple(position(n) for n in range(1, 6))
    made = made_map(GEAR_SET, positions)

    def told(suspect: Suspect, *, stands: bool = False) -> str:
        finding = Finding(index=3, residual_mm=residual_mm, suspect=suspect, stands=stands)
        return map_remarks(replace(made, outliers=(3,), findings=(finding,)), positions, RECORD)[0]

    start = "Position 4 at engagement 4 lies 0.0300\N{NO-BREAK SPACE}mm "
    start += f"{side} what all other positions predict. It"
    assert told("reading") == f"{start} is taken for a bad reading and does not shape the map: {AGAIN}"
    assert "but stands as it was read" in told("reading", stands=True)
    # the marked teeth are 1, so that the fifth ones meet at engagement 4
    tooth = f"tooth 5 itself (the marked one is 1): {AGAIN}"
    assert told("gear tooth") == f"{start} is taken for gear {tooth}"
    assert told("pinion tooth") == f"{start} is taken for pinion {tooth}"


def test_the_gear_s_angles_wander_by_half_a_tooth_when_teeth_were_miscounted() -> None:
    def wandering(share: float) -> list[PositionResult]:
        return [position(1), position(2, gear_angle_deg=20.0 + share * 10.0), position(3)]

    assert sentences(*wandering(0.49)) == []
    (told,) = sentences(*wandering(-0.51))
    assert "wander by 0.51 of a tooth" in told
    # where the pair was rolled on, or no rock is usable, the angle says nothing
    odd = position(2, gear_angle_deg=28.0)
    assert sentences(position(1), replace(odd, purpose="third forward")) == []
    assert sentences(position(1), replace(odd, normal_backlash_mm=None)) == []


def stated(**changed: object) -> TightSpotResult:
    found = from_position(position(3), GEAR_SET, INDICATOR, RECORD.conditions)
    assert found is not None
    return replace(found, **changed)  # type: ignore[arg-type] # as named


def test_a_position_that_is_surely_tighter_than_the_tight_spot_is_a_doubt() -> None:
    own = stated().expanded_uncertainty_mm
    for share, doubts in ((0.98, 0), (1.02, 1)):
        spot = stated(interval_mm=(0.15 + share * own, 0.2))
        assert len(sentences(position(1), stated=spot)) == doubts
    (told,) = sentences(position(7), stated=stated(interval_mm=(0.18, 0.2)))
    assert told.startswith("Position 7 reads 0.1500")
    unusable = position(7, normal_backlash_mm=None)
    assert sentences(unusable, stated=stated(interval_mm=(0.18, 0.2))) == []


@pytest.mark.parametrize(
    ("engagement", "usable", "doubts"),
    [(3, True, 1), (3 + 612, True, 1), (4, True, 0), (3, False, 0)],  # 17 : 36 has 612 engagements
)
def test_instruments_that_disagree_at_the_tight_spot_itself_are_a_doubt(
    engagement: int, *, usable: bool, doubts: int
) -> None:
    flag = Flag(name=FlagName.INSTRUMENTS_DISAGREE, disabling=False, sentence="They differ.")
    heavy = replace(flag, name=FlagName.HEAVY_ROCKING)
    odd = position(
        9, engagement=engagement, gear_angle_deg=10.0 * engagement, flags=(heavy, flag),
        normal_backlash_mm=0.15 if usable else None,
    )  # fmt: skip
    told = sentences(position(1), odd, stated=stated())
    assert told == ["At the tight spot itself, position 9: They differ."] * doubts
    assert sentences(replace(odd, flags=(heavy,)), stated=stated()) == []


@pytest.mark.parametrize("high", [True, False])
def test_stops_that_scatter_at_one_flank_are_a_doubt_where_they_are_worth_it(*, high: bool) -> None:
    # by hand: levels a, -a, a, -a leave 3.2 a² about their line, with two degrees of freedom; rounding leaves
    # q² / 12 of the other flank; evenly scattered stops reach √3 standard deviations. A quarter of the
    # interval's half-width is worth a doubt, and half a hundredth of the reading.
    def found(scatter_mm: float, half_mm: float, count: int = 8) -> list[str]:
        rock = replace(position(1).rock, dwells=dwells(scatter_mm=scatter_mm, high=high))
        spot = stated(interval_mm=(0.15 - half_mm, 0.15 + half_mm))
        return sentences(*(position(n, rock=rock) for n in range(1, count + 1)), stated=spot)

    (told,) = found(0.001, 0.002)
    which, other = ("larger", "smaller") if high else ("smaller", "larger")
    assert f"at scattered places at the {which} readings" in told
    assert f"at the {other} ones" in told
    assert found(0.0, 0.002) == []
    rounding2 = 0.0005**2 / 12
    short_mm = sqrt(3 * (1.6 * 0.001**2 - rounding2))
    assert f"too small by some {short_mm:.4f}" in told
    assert len(found(0.001, 3.98 * short_mm)) == 1
    assert found(0.001, 4.02 * short_mm) == []
    for times, doubts in ((0.98, 0), (1.02, 1)):
        scatter_mm = sqrt(((times * 0.005 * 0.15) ** 2 / 3 + rounding2) / 1.6)
        assert len(found(scatter_mm, 1e-6)) == doubts


def test_levels_beyond_the_correction_curve_are_counted_by_their_positions() -> None:
    curve = CorrectionCurve(readings_mm=(-0.1, 0.14), corrections_mm=(0.0, 0.0), uncertainties_mm=(0.0, 0.0))
    record = replace(RECORD, indicator=replace(INDICATOR, correction=curve, calibration_uncertainty_mm=None))
    (told,) = sentences(position(4), record=record)
    assert told.endswith("0.1400\N{NO-BREAK SPACE}mm, and position 4 was read outside it.")
    (told,) = sentences(position(4), position(5), position(6), record=record)
    assert told.endswith("and position 4 and 2 more was read outside it.")
    assert sentences(position(4, normal_backlash_mm=None), record=record) == []
    wide = replace(curve, readings_mm=(-0.1, 0.16))
    assert (
        sentences(position(4), record=replace(record, indicator=replace(record.indicator, correction=wide)))
        == []
    )


def test_what_else_a_reader_must_know() -> None:
    def told(**changed: object) -> tuple[str, ...]:
        return cautions_of(replace(RECORD, **changed), (position(1),), None)  # type: ignore[arg-type] # as named

    assert told() == ()
    left = tuple(f"position {n}" for n in range(1, 6))
    assert told(left_out=left[:4]) == left[:4]
    assert told(left_out=left) == (*left[:3], "And 2 more positions were left out.")
    assert told(closing="stopped") == ("The test ended early: stopped.",)
    assert told(encoder=None) == (COUNTED_BY_HAND,)
    by_eye = replace(INDICATOR, by_eye=True)
    assert told(encoder=None, indicator=by_eye) == (READ_BY_EYE,)
    assert told(indicator=by_eye) == ()
    by_angle = INDICATOR.of_angle(GEAR_SET, resolution_deg=0.001, standard_uncertainty_deg=None)
    assert told(indicator=by_angle) == (ENCODER_ALONE,)
    # 1 / cos 20° is 1.064
    plane = replace(INDICATOR, direction="plane of rotation")
    assert "raw reading is 6 % larger than normal backlash" in told(indicator=plane)[0]
    assert told(indicator=plane, limits=replace(RECORD.limits, kind="transverse")) == ()
    off = Precondition(name=MATCHED_AGAIN, state="failed", detail="2 teeth off", remedy="Again.")
    (other,) = doubts_of(replace(RECORD, preconditions=(*RECORD.preconditions, off)), (), None)
    assert (other.sentence, other.remedy) == ("The lash map is not proven: 2 teeth off.", "Again.")
    unproven = replace(off, state="unproven")
    assert sentences(record=replace(RECORD, preconditions=(unproven,))) == []
    (damaged,) = sentences(record=replace(RECORD, damage=("a is b",)))
    assert damaged == "The record is not as it was written: a is b."
    (damaged,) = sentences(record=replace(RECORD, damage=("a is b", "c", "d")))
    assert damaged == "The record is not as it was written: a is b, and 2 more."
    heavy = Flag(name=FlagName.HEAVY_ROCKING, disabling=False, sentence="x")
    flagged = cautions_of(RECORD, (position(1), *(position(n, flags=(heavy,)) for n in (2, 5))), None)
    assert flagged == ("Heavy rocking at position 2, 5.",)


def test_how_to_separate_runouts_is_told_until_the_sweep_that_does_was_made() -> None:
    positions = tuple(position(n) for n in range(1, 6))
    made = made_map(GEAR_SET, positions)
    apart = Separability(gear=True, pinion=False, sentence="Merged.", remedy="Sweep it.")
    nothing = np.empty(0)

    def told(*members: Shaft, one_to_one: bool = False, more: tuple[int, ...] = ()) -> tuple[str, ...]:
        sweeps = tuple(
            RunoutTrace(
                member=one, time_s=nothing, indicator_mm=nothing, encoder_time_s=nothing, encoder_deg=nothing
            )
            for one in members
        )
        merged = made.gear_runout if one_to_one else None
        lash_map = replace(made, separable=replace(apart, add_engagements=more), merged_runout=merged)
        return map_remarks(lash_map, positions, replace(RECORD, sweeps=sweeps))

    both = ("Merged.", "Sweep it.")
    assert (told(), told(one_to_one=True)) == (both, both)
    # in a 1:1 set either shaft does, elsewhere the pinion's alone
    assert (told("gear"), told("gear", one_to_one=True)) == (both, both[:1])
    assert (told("pinion"), told("pinion", one_to_one=True)) == (both[:1], both[:1])
    assert told("pinion", more=(3,)) == both  # positions would do it too
    assert map_remarks(replace(made, separable=Separability(gear=True, pinion=True)), positions, RECORD) == ()


def test_an_interval_that_was_never_tried_by_a_repeat_is_told() -> None:
    positions = tuple(position(n) for n in range(1, 6))
    once = fit_lash_map(
        GEAR_SET, *(np.array(one) for one in ([0, 7, 13, 22, 31, 40], [0.15] * 6, [0.001] * 6))
    )
    twice = fit_lash_map(
        GEAR_SET, *(np.array(one) for one in ([0, 7, 13, 22, 31, 0], [0.15] * 6, [0.001] * 6))
    )
    confirming = position(9, purpose="confirming")
    tries = [
        (once, positions, True),
        (twice, positions, False),
        (once, (*positions, confirming), False),
        (once, (*positions, replace(confirming, normal_backlash_mm=None)), True),
    ]
    for lash_map, some, said in tries:
        assert (NOT_REPEATED in cautions_of(RECORD, some, lash_map)) == said
