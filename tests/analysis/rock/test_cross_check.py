"""What encoders say about a rock: invented dwells and angles, whose figures follow by hand."""

from __future__ import annotations

from dataclasses import replace
from math import cos, hypot, inf, radians, sqrt

import numpy as np
import pytest
from analysis.made_record import GEAR_SET, INDICATOR, KNOWN
from analysis.rock_traces import Floats
from lashmap_analysis.gears.indicator import CorrectionCurve
from lashmap_analysis.record.record import Encoder, RockTrace
from lashmap_analysis.rock.cross_check import (
    EncoderView,
    above,
    as_rocked_mm,
    beside_encoders,
    disagreement,
    encoder_view,
    likely_causes,
    of_encoder,
    pinion_slip,
    seen_by_encoders,
    stated_mm,
    tip_height_mm,
)
from lashmap_analysis.rock.flags import Flag, FlagName
from lashmap_analysis.rock.rock import Dwell, RockReading
from lashmap_analysis.uncertainty.mesh_state import correction_mm
from lashmap_analysis.uncertainty.set_up import against_angle_mm

NORMAL = cos(radians(20.0))  # straight teeth: of an arc at the outer pitch radius, 54 mm on the gear
GEAR, PINION = 54.0 * NORMAL, 25.5 * NORMAL
FINE = Encoder(shaft="gear", resolution_deg=0.001, standard_uncertainty_deg=0.0005)
FLANKS = (True, False, False, True)  # so that drift, flank and what is left are orthogonal
LEFT = np.array([1.0, -3.0, 3.0, -1.0])  # of neither level, drift nor flank; its squares are 20
FINE_U_DEG = hypot(0.001 / sqrt(6), 0.0005)


def rock(high: tuple[bool, ...] = FLANKS) -> RockReading:
    """Dwells of half a second, one a second; the lash is 0.15 mm."""
    dwells = tuple(Dwell(float(k), k + 0.5, 0.5 + (0.075 if up else -0.075), up) for k, up in enumerate(high))
    return RockReading(
        reading_mm=0.15, standard_uncertainty_mm=0.001, degrees_of_freedom=9.0, peak_to_peak_mm=0.151,
        spread_mm=0.002, reversals=len(high) - 1, drift_mm_per_s=0.0, dwells=dwells, flags=(),
    )  # fmt: skip


def trace(angles: Floats, *, late_s: float = 0.0, apart_s: float = np.nan) -> RockTrace:
    """Each dwell at its angle in degrees from a quarter of a second before it, or so much later."""
    time = np.arange(-0.2, len(angles), 0.01)
    at = np.clip(np.round(time - 0.25 - late_s), 0, len(angles) - 1).astype(int)
    nothing = np.empty(0)
    return RockTrace(
        position=1, engagement=0, purpose="planned", time_s=nothing, indicator_mm=nothing,
        encoder_time_s=time, encoder_deg=angles[at], times_apart_uncertainty_s=apart_s,
    )  # fmt: skip


def angles(lash_deg: float, *, drift_deg: float = 0.0, left_deg: float = 0.0) -> Floats:
    """Around 40°, for the four dwells of `FLANKS`."""
    sides = np.where(FLANKS, 0.5, -0.5)
    return 40.0 + lash_deg * sides + drift_deg * (np.arange(4) - 1.5) + left_deg * LEFT


@pytest.mark.parametrize(("drift_deg", "left_deg"), [(0.0, 0.0), (0.02, 0.0), (0.02, 0.0004)])
def test_the_gear_s_encoder_gives_step_middle_and_their_uncertainty(
    drift_deg: float, left_deg: float
) -> None:
    # by hand: j_n = Δθ r_e2 cos α; one degree of freedom is left, so that s² is the 20 squares left over, and
    # (X'X)^-1 of the flank is 1 / (4 · 0.25); two counts by half each, rectangular (GUM F.2.2.1)
    for sign in (1.0, -1.0):
        view = encoder_view(
            trace(angles(sign * 0.17, drift_deg=drift_deg, left_deg=left_deg)), rock(), FINE, GEAR_SET
        )
        assert view.gear_angle_deg == pytest.approx(40.0)
        assert view.backlash_mm == pytest.approx(radians(0.17) * GEAR)
        uncertainty = radians(hypot(sqrt(20.0) * left_deg, FINE_U_DEG)) * GEAR
        assert view.standard_uncertainty_mm == pytest.approx(uncertainty)
        assert view.pinion_movement_deg is None


@pytest.mark.parametrize(
    ("high", "angle", "compared"),
    [
        ((True, False), 40.0, False),
        ((True, True), None, False),
        ((True, False, True), 40.0, False),
        ((True, False, True, False), 40.0, True),
    ],
)
def test_one_dwell_of_each_flank_gives_the_angle_and_two_the_backlash(
    high: tuple[bool, ...], angle: float | None, *, compared: bool
) -> None:
    seen = trace(40.0 + np.where(high, 0.1, -0.1))
    view = encoder_view(seen, rock(high), FINE, GEAR_SET)
    assert view.gear_angle_deg == (None if angle is None else pytest.approx(angle))
    assert (view.backlash_mm is not None) == compared
    nobody = replace(seen, encoder_time_s=np.empty(0), encoder_deg=np.empty(0))
    assert encoder_view(nobody, rock(high), FINE, GEAR_SET) == EncoderView()


def test_samples_that_may_be_of_the_ramps_are_left_out_where_others_are_left() -> None:
    # by hand: the first tenth of a second of a dwell is still at the angle before; twice 0.06 s goes
    late = trace(angles(0.17), late_s=0.35, apart_s=0.06)
    found = encoder_view(late, rock(), FINE, GEAR_SET).backlash_mm
    assert found == pytest.approx(radians(0.17) * GEAR)
    # FLANKS has two neighbours on the low flank: at one change of flank in two the angle is that of the other
    bold = encoder_view(replace(late, times_apart_uncertainty_s=0.0), rock(), FINE, GEAR_SET).backlash_mm
    assert bold is not None
    assert bold < 0.98 * radians(0.17) * GEAR
    # a dwell of half a second has nothing left between two edges of 0.3 s: it keeps what it has
    assert (
        encoder_view(replace(late, times_apart_uncertainty_s=0.15), rock(), FINE, GEAR_SET).backlash_mm
        == bold
    )


@pytest.mark.parametrize(
    ("step_deg", "movement_deg", "still_deg"),
    [
        (0.0044, 0.0044, 0.0030 + 3 * 0.0005),  # within three counts and its uncertainty: from flank to flank
        (0.0046, 0.0046, 0.0030 + 3 * 0.0005),
    ],
)
def test_a_pinion_that_moves_no_more_than_its_count_flickers_is_judged_by_its_dwells(
    step_deg: float, movement_deg: float, still_deg: float
) -> None:
    pinion = replace(FINE, shaft="pinion")
    view = encoder_view(trace(angles(step_deg)), rock(), pinion, GEAR_SET)
    assert view.gear_angle_deg == pytest.approx(40.0 * 17 / 36)
    assert view.backlash_mm is None
    assert view.pinion_movement_deg == pytest.approx(movement_deg)
    # three dwells leave nothing over to say how well a step is known
    three = encoder_view(
        trace(40.0 + step_deg * np.array([0.5, -0.5, 0.5])), rock((True, False, True)), pinion, GEAR_SET
    )
    assert three.pinion_movement_deg == pytest.approx(step_deg)
    assert three.pinion_still_deg == (inf if step_deg < still_deg else pytest.approx(still_deg))
    within = step_deg < still_deg
    assert view.pinion_still_deg == pytest.approx(3 * FINE_U_DEG if within else still_deg)


def test_what_each_encoder_is_asked_and_what_none_says() -> None:
    seen = trace(angles(0.17))
    both = replace(seen, pinion_time_s=seen.encoder_time_s, pinion_deg=seen.encoder_deg / 10)
    pinion = replace(FINE, shaft="pinion")

    def view(**changed: object) -> EncoderView:
        asked = {"encoder": FINE, "pinion_encoder": pinion, "indicator": INDICATOR} | changed
        return seen_by_encoders(both, rock(), gear_set=GEAR_SET, **asked)  # type: ignore[arg-type] # as named

    assert view().pinion_movement_deg == pytest.approx(0.017)
    assert view(pinion_encoder=None).pinion_movement_deg is None
    assert view(encoder=None) == EncoderView()
    by_angle = INDICATOR.of_angle(GEAR_SET, resolution_deg=0.001, standard_uncertainty_deg=None)
    alone = view(indicator=by_angle)
    assert alone.backlash_mm is None
    assert alone.gear_angle_deg == pytest.approx(40.0)
    assert alone.pinion_movement_deg == pytest.approx(0.017)


@pytest.mark.parametrize(
    ("spoiled", "uncertainty_mm", "says"),
    [
        (0.0199, 0.0, "warning"),
        (0.0201, 0.0, "refused"),
        (0.0299, 0.0015, "warning"),
        (0.0301, 0.0015, "refused"),
    ],
)
def test_a_pinion_may_spoil_a_fiftieth_or_what_is_uncertain_anyhow(
    spoiled: float, uncertainty_mm: float, says: str
) -> None:
    # by hand: Δφ r_e1 cos α as a share of 0.15 mm; three standard uncertainties of 1.5 µm are 3 % of it
    moved_deg = np.degrees(spoiled * 0.15 / PINION)
    view = EncoderView(pinion_movement_deg=moved_deg, pinion_still_deg=0.0)
    flag = pinion_slip(view, backlash_mm=0.15, standard_uncertainty_mm=uncertainty_mm, gear_set=GEAR_SET)
    assert flag is not None
    assert flag.disabling == (says == "refused")
    assert flag.numbers["backlash_effect_mm"] == pytest.approx(spoiled * 0.15)
    assert ("lock it" in flag.sentence) == flag.disabling
    still = replace(view, pinion_still_deg=moved_deg)
    assert pinion_slip(still, backlash_mm=0.15, standard_uncertainty_mm=0.0, gear_set=GEAR_SET) is None
    assert (
        pinion_slip(EncoderView(), backlash_mm=0.15, standard_uncertainty_mm=0.0, gear_set=GEAR_SET) is None
    )


def test_what_the_pinion_may_have_added_is_rectangular_on_one_side() -> None:
    # GUM 4.3.7: half-width over √3, beside the 1 µm of the rock
    moved = EncoderView(pinion_movement_deg=float(np.degrees(0.002 / PINION)))
    found = beside_encoders(moved, rock(), gear_set=GEAR_SET, indicator=INDICATOR)
    assert found.standard_uncertainty_mm == pytest.approx(hypot(0.001, 0.002 / sqrt(3)))
    assert [one.disabling for one in found.flags] == [False]
    farther = replace(moved, pinion_movement_deg=float(np.degrees(0.005 / PINION)))
    found = beside_encoders(farther, rock(), gear_set=GEAR_SET, indicator=INDICATOR)
    assert (found.standard_uncertainty_mm, [one.disabling for one in found.flags]) == (0.001, [True])


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_instruments_disagree_beyond_three_combined_standard_uncertainties(side: float) -> None:
    combined = hypot(0.001, against_angle_mm(GEAR_SET, INDICATOR, 0.15), 0.0005)

    def flag(times: float) -> Flag | None:
        view = EncoderView(backlash_mm=0.15 - side * times * combined, standard_uncertainty_mm=0.0005)
        return disagreement(
            view, backlash_mm=0.15, standard_uncertainty_mm=0.001, gear_set=GEAR_SET, indicator=INDICATOR
        )

    assert flag(2.99) is None
    found = flag(3.01)
    assert found is not None
    assert not found.disabling
    assert found.numbers["allowed_mm"] == pytest.approx(3 * combined)
    assert found.numbers["difference_mm"] == pytest.approx(3.01 * side * combined)
    assert found.sentence.startswith(
        f"The indicator gives {0.15 / (0.15 - side * 3.01 * combined):.3f} times"
    )


def test_the_likely_causes_are_in_order_of_what_would_fit() -> None:
    def causes(indicator_mm: float, encoder_mm: float, **changed: object) -> list[str]:
        tip = replace(INDICATOR, **changed)  # type: ignore[arg-type] # as named
        told = likely_causes(indicator_mm, encoder_mm, gear_set=GEAR_SET, indicator=tip)
        return told.removeprefix("Likely causes: ").split("; ")

    assert causes(0.15, 0.0)[0].startswith("The encoder saw no rock")
    # by hand: a tip in the plane of rotation reads 1 / cos 20° times the normal backlash, and the other way
    in_plane = "an indicator that looks in the plane of rotation"
    assert causes(0.15 / NORMAL, 0.15)[0] == in_plane
    assert causes(0.15 / NORMAL, 0.15, direction="plane of rotation")[1] == (
        "an indicator that looks along the flank normal"
    )
    assert causes(0.15 * NORMAL, 0.15, direction="plane of rotation")[0] == (
        "an indicator that looks along the flank normal"
    )
    assert causes(0.15 / NORMAL, 0.15, direction="plane of rotation", on_arm=True)[1].startswith(
        "an indicator"
    )
    radius = "a touch radius of 55.1 mm instead of 54.0 mm".replace(" mm", "\N{NO-BREAK SPACE}mm")
    found = causes(0.15 * 1.02, 0.15)
    assert found[:2] == [radius, in_plane]
    assert found[2].startswith("a tip that touches 2.")  # 1.02 is 1.06 mm of 54, and cos δ2 is 0.427
    assert found[2].endswith(" below the pitch cone")
    for times, named in ((1.04, True), (1 / 1.04, True), (1.06, False), (1 / 1.06, False)):
        assert ("inches" in causes(0.15 * 25.4 * times, 0.15)[0]) == named
        assert ("inches" in causes(0.15 / 25.4 * times, 0.15)[0]) == named


@pytest.mark.parametrize("height_mm", [0.4, -0.4])
def test_the_height_of_the_tip_is_the_one_whose_arm_explains_the_ratio(height_mm: float) -> None:
    # the ratio is that of the true arm to the one reckoned with; both as `Indicator` has them
    true = replace(INDICATOR, height_mm=height_mm)
    ratio = true.normal_arm_mm(GEAR_SET) / INDICATOR.normal_arm_mm(GEAR_SET)
    found = tip_height_mm(ratio, gear_set=GEAR_SET, indicator=INDICATOR)
    assert found == pytest.approx(height_mm, rel=0.02)
    assert above(height_mm, "mm") == f"0.4\N{NO-BREAK SPACE}mm {'above' if height_mm > 0 else 'below'}"
    # measured from where it was said to be, and no more than one and a half modules, 4.5 mm, off the cone
    on_it = replace(INDICATOR, height_mm=1.0)
    assert tip_height_mm(1.0, gear_set=GEAR_SET, indicator=on_it) == pytest.approx(1.0)
    slope = float(np.log(ratio)) / height_mm
    for off, explained in ((4.4, True), (-4.4, True), (4.6, False), (-4.6, False)):
        asked = tip_height_mm(float(np.exp(slope * off)), gear_set=GEAR_SET, indicator=INDICATOR)
        assert (asked is not None) == explained
    flat = replace(INDICATOR, direction="plane of rotation")
    assert tip_height_mm(ratio, gear_set=GEAR_SET, indicator=flat) is None
    assert above(0.0, "mm").endswith("above")
    assert above(-0.4, "in") == "0.016\N{NO-BREAK SPACE}in below"  # NIST SP 811: 25.4 mm


def test_the_correction_curve_belongs_to_the_reading_and_what_shifts_the_mesh_to_its_backlash() -> None:
    # by hand: levels 0.575 and 0.425 on a curve of -1 % of the reading take 1.5 µm off
    curve = CorrectionCurve(
        readings_mm=(-1.0, 1.0), corrections_mm=(0.01, -0.01), uncertainties_mm=(0.0, 0.0)
    )
    curved = replace(INDICATOR, correction=curve, calibration_uncertainty_mm=None)
    assert as_rocked_mm(rock(), GEAR_SET, INDICATOR) == pytest.approx(0.15)
    assert as_rocked_mm(rock(), GEAR_SET, curved) == pytest.approx(0.1485)
    assert as_rocked_mm(replace(rock(), dwells=()), GEAR_SET, curved) == pytest.approx(0.15)
    warm = replace(KNOWN, housing_c=40.0, gears_c=40.0, housing_expansion_um_per_m_k=23.0)
    shift = correction_mm(GEAR_SET, INDICATOR, warm)
    assert shift != 0.0
    assert stated_mm(rock(), GEAR_SET, INDICATOR, warm) == pytest.approx(0.15 + shift)


def test_a_rock_read_from_the_encoder_speaks_of_the_encoder() -> None:
    flags = tuple(
        Flag(name=name, disabling=True, sentence="Indicator: the indicator did that.")
        for name in (FlagName.STUCK, FlagName.OUT_OF_RANGE, FlagName.SLIP)
    )
    said = {one.name: one.sentence for one in of_encoder(replace(rock(), flags=flags)).flags}
    assert said == {
        FlagName.STUCK: (
            "The encoder repeated one count for longer than a dwell: check its coupling and cable."
        ),
        FlagName.SLIP: "Encoder: the encoder did that.",
    }
