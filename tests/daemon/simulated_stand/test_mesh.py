"""The simulated teeth against the relations of the handbooks, written out here a second time."""

from __future__ import annotations

import json
from dataclasses import replace
from math import asin, atan2, cos, degrees, radians, sin, tau
from statistics import mean, pstdev

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lashmap_daemon.simulated_stand import SimulatedBox, StandError
from lashmap_daemon.simulated_stand.mesh import Mesh

SPIRAL = SimulatedBox(
    pinion_teeth=13,
    gear_teeth=40,
    outer_module_mm=4.0,
    face_width_mm=25.0,
    normal_pressure_angle_deg=20.0,
    mean_spiral_angle_deg=35.0,
    cutter_radius_mm=75.0,
    touch_radius_mm=76.0,
    mean_normal_backlash_mm=0.15,
)
STRAIGHT = replace(
    SPIRAL,
    pinion_teeth=20,
    mean_spiral_angle_deg=0.0,
    cutter_radius_mm=None,
    shaft_angle_deg=75.0,
    normal_pressure_angle_deg=22.5,
)


def pitch_angles(box: SimulatedBox) -> tuple[float, float]:
    # ISO 23509: δ1 = atan(sin Σ / (z2/z1 + cos Σ)), δ2 = Σ − δ1.
    shaft = radians(box.shaft_angle_deg)
    pinion = atan2(sin(shaft), box.gear_teeth / box.pinion_teeth + cos(shaft))
    return pinion, shaft - pinion


def spiral_angle(box: SimulatedBox, radius_mm: float) -> float:
    # ISO 23509:2016 eq. 193; radius_mm is measured from the gear axis.
    if box.cutter_radius_mm is None:
        return radians(box.mean_spiral_angle_deg)
    to_cone = 1.0 / sin(pitch_angles(box)[1])
    middle = box.outer_module_mm * box.gear_teeth / 2.0 * to_cone - box.face_width_mm / 2.0
    here, cutter = radius_mm * to_cone, box.cutter_radius_mm
    product = 2.0 * middle * cutter * sin(radians(box.mean_spiral_angle_deg))
    return asin((product - middle**2 + here**2) / (2.0 * here * cutter))


def backlash(box: SimulatedBox) -> list[float]:
    return list(Mesh(box, seed=1).truth().normal_backlash_mm)


@pytest.mark.parametrize("box", [SPIRAL, STRAIGHT])
def test_gear_turn_that_closes_the_backlash(box: SimulatedBox) -> None:
    # ISO 23509:2016 cl. 7.8: j_en = j_et cos α_n cos β_e, and j_et is an arc at the outer pitch radius.
    low, high = Mesh(box, seed=1).limits_rad(0)
    radius = box.outer_module_mm * box.gear_teeth / 2.0
    factor = cos(radians(box.normal_pressure_angle_deg)) * cos(spiral_angle(box, radius))
    assert (high - low) * radius * factor == pytest.approx(box.mean_normal_backlash_mm, rel=1e-9)


@pytest.mark.parametrize("box", [SPIRAL, STRAIGHT])
@pytest.mark.parametrize("touch_radius_mm", [62.0, 70.0, 80.0])
def test_tip_along_the_flank_normal(box: SimulatedBox, touch_radius_mm: float) -> None:
    # ISO 23509:2016 eq. 193 and the factor cos α_n cos β at the tip's own cone distance.
    rate = Mesh(replace(box, touch_radius_mm=touch_radius_mm), seed=1).tip_mm_per_rad
    factor = cos(radians(box.normal_pressure_angle_deg)) * cos(spiral_angle(box, touch_radius_mm))
    assert rate == pytest.approx(touch_radius_mm * factor, rel=1e-9)


@pytest.mark.parametrize(("off_deg", "lever_deg"), [(15.0, None), (0.0, 30.0), (-10.0, 20.0)])
def test_tip_off_the_normal_and_lever_read_too_large(off_deg: float, lever_deg: float | None) -> None:
    # Cosine error of inclined plungers and lever tips: reading times cosine (handbook; memory).
    straight = Mesh(SPIRAL, seed=1).tip_mm_per_rad
    tilted = Mesh(replace(SPIRAL, off_normal_deg=off_deg, lever_deg=lever_deg), seed=1).tip_mm_per_rad
    factor = cos(radians(off_deg)) * cos(radians(lever_deg or 0.0))
    assert tilted * factor == pytest.approx(straight, rel=1e-9)


@pytest.mark.parametrize("on_arm", [False, True])
def test_tip_in_the_plane_of_rotation_reads_the_arc(*, on_arm: bool) -> None:
    # Arc = radius times angle, whatever the tooth looks like (definition of the radian).
    rate = Mesh(replace(SPIRAL, direction="plane of rotation", on_arm=on_arm), seed=1).tip_mm_per_rad
    assert rate == pytest.approx(SPIRAL.touch_radius_mm, rel=1e-9)


def test_tilt_in_the_plane_of_rotation_matters_more_on_a_flank_than_on_an_arm() -> None:
    # On an arm only the cosine counts; on a flank the tilt counts to first order, to either side.
    box = replace(SPIRAL, direction="plane of rotation", off_normal_deg=3.0)
    on_arm = [Mesh(replace(box, on_arm=True), seed=seed).tip_mm_per_rad / 76.0 for seed in range(40)]
    on_flank = [Mesh(box, seed=seed).tip_mm_per_rad / 76.0 for seed in range(40)]
    assert on_arm == pytest.approx([1.0 / cos(radians(3.0))] * 40)
    assert min(on_flank) < 0.98
    assert max(on_flank) > 1.02


@pytest.mark.parametrize("box", [SPIRAL, STRAIGHT])
def test_mounting_distance_out_adds_backlash(box: SimulatedBox) -> None:
    # Handbook relation Δj_n = 2 ΔA sin α_n sin δ (memory).
    pinion_angle, gear_angle = pitch_angles(box)
    nominal, per_mm = backlash(box)[0], 2.0 * sin(radians(box.normal_pressure_angle_deg))
    gear_out = backlash(replace(box, gear_mounting_error_mm=0.05))[0]
    pinion_out = backlash(replace(box, pinion_mounting_error_mm=0.05))[0]
    assert gear_out - nominal == pytest.approx(0.05 * per_mm * sin(gear_angle), rel=0.03)
    assert pinion_out - nominal == pytest.approx(0.05 * per_mm * sin(pinion_angle), rel=0.03)
    # A gear's shim moves backlash z2/z1 times as strongly (common practice at a right angle, no source).
    if box.shaft_angle_deg == 90.0:
        ratio = box.gear_teeth / box.pinion_teeth
        assert (gear_out - nominal) / (pinion_out - nominal) == pytest.approx(ratio, rel=0.03)


@pytest.mark.parametrize("box", [SPIRAL, STRAIGHT])
@pytest.mark.parametrize("member", ["gear", "pinion"])
def test_eccentricity_and_high_point(box: SimulatedBox, member: str) -> None:
    # Peak to peak of j_n is 2 F sin α_n (handbook; memory), with F = 2 e cos δ square to the pitch cone.
    box = replace(box, gear_teeth=40, pinion_teeth=20)
    if member == "gear":
        box = replace(box, gear_eccentricity_mm=0.02, gear_high_point_deg=90.0)
    else:
        box = replace(box, pinion_eccentricity_mm=0.02, pinion_high_point_deg=90.0)
    values = backlash(box)
    angle = pitch_angles(box)[member == "gear"]
    runout = 2.0 * 0.02 * cos(angle)
    swing = 2.0 * runout * sin(radians(box.normal_pressure_angle_deg))
    assert max(values) - min(values) == pytest.approx(swing, rel=0.03)
    teeth = box.gear_teeth if member == "gear" else box.pinion_teeth
    assert values.index(min(values)) == teeth // 4
    truth = Mesh(box, seed=1).truth()
    found = truth.gear if member == "gear" else truth.pinion
    assert found.amplitude_mm == pytest.approx(swing / 2.0, rel=0.03)
    assert found.high_point_deg == pytest.approx(90.0, abs=0.01)
    assert mean(values) == pytest.approx(box.mean_normal_backlash_mm, rel=1e-9)


@pytest.mark.parametrize("box", [SPIRAL, STRAIGHT])
@pytest.mark.parametrize("member", ["gear", "pinion"])
def test_a_quarter_turn_past_the_high_point_the_gap_is_carried_along(box: SimulatedBox, member: str) -> None:
    box = replace(box, gear_teeth=40, pinion_teeth=20)
    if member == "gear":
        box = replace(box, gear_eccentricity_mm=0.02, gear_high_point_deg=0.0)
    else:
        box = replace(box, pinion_eccentricity_mm=0.02, pinion_high_point_deg=0.0)
    teeth = box.gear_teeth if member == "gear" else box.pinion_teeth
    low, high = Mesh(box, seed=1).limits_rad(teeth // 4)
    # Turning carries the eccentricity from the mesh on, the way both surfaces move there: the pinion's spaces
    # stand that much ahead of the gear's teeth, or the gear's teeth ahead of them (arc over radius).
    ahead = 0.02 / (box.outer_module_mm * box.gear_teeth / 2.0)
    assert (low + high) / 2.0 == pytest.approx(ahead if member == "pinion" else -ahead, rel=1e-9)


def test_face_wobble_works_like_a_moving_mounting_distance() -> None:
    # Handbook relation Δj_n = 2 ΔA sin α_n sin δ (memory), ΔA = ± wobble over a turn.
    values = backlash(replace(SPIRAL, gear_face_wobble_mm=0.01, gear_high_point_deg=0.0))
    swing = 2.0 * 0.02 * sin(radians(20.0)) * sin(pitch_angles(SPIRAL)[1])
    assert max(values) - min(values) == pytest.approx(swing, rel=0.03)
    assert values.index(min(values)) == 0


def test_out_of_round_comes_twice_a_turn() -> None:
    values = backlash(replace(SPIRAL, pinion_teeth=40, out_of_round_mm=0.01))
    # Second harmonic and nothing else: half a turn on, everything is the same again.
    assert values[:20] == pytest.approx(values[20:])
    assert max(values) - min(values) > 0.001
    truth = Mesh(replace(SPIRAL, pinion_teeth=40, out_of_round_mm=0.01), seed=1).truth()
    assert truth.gear.amplitude_mm < 1e-12


def test_tooth_errors_repeat_with_the_tooth_and_have_the_asked_size() -> None:
    box = replace(SPIRAL, pinion_teeth=41, gear_teeth=200, outer_module_mm=0.8, gear_tooth_error_mm=0.002)
    values = backlash(box)
    assert values[:200] == pytest.approx(values[200:400], abs=1e-12)
    # Standard error of a standard deviation of 200 values is 5 % (textbook σ / √(2n)); three of them allowed.
    assert pstdev(values[:200]) == pytest.approx(0.002, rel=0.15)
    assert mean(values) == pytest.approx(0.15, rel=1e-9)


def test_truth_names_the_tight_spot_of_its_own_list() -> None:
    truth = Mesh(
        replace(SPIRAL, gear_eccentricity_mm=0.02, pinion_eccentricity_mm=0.01, pinion_tooth_error_mm=0.001),
        seed=3,
    ).truth()
    document = json.loads(truth.to_json())
    values = document["normal_backlash_mm"]
    assert len(values) == document["mesh_cycle"] == 13 * 40
    assert document["tight_spot"]["engagement"] == values.index(min(values))
    assert document["tight_spot"]["normal_backlash_mm"] == min(values)
    assert 0.0 <= document["runout"]["gear"]["high_point_deg"] < 360.0


@given(
    teeth=st.tuples(st.integers(8, 60), st.integers(8, 60)).map(sorted),
    spiral_deg=st.floats(-40.0, 40.0),
    shaft_deg=st.floats(60.0, 95.0),
    high_deg=st.floats(0.0, 359.0),
)
def test_first_harmonics_add_up_to_the_backlash(
    teeth: list[int], spiral_deg: float, shaft_deg: float, high_deg: float
) -> None:
    box = replace(
        SPIRAL,
        pinion_teeth=teeth[0],
        gear_teeth=teeth[1],
        outer_module_mm=160.0 / teeth[1],
        face_width_mm=15.0,
        mean_spiral_angle_deg=spiral_deg,
        cutter_radius_mm=None,
        shaft_angle_deg=shaft_deg,
        gear_eccentricity_mm=0.02,
        pinion_eccentricity_mm=0.01,
        gear_high_point_deg=high_deg,
    )
    truth = Mesh(box, seed=5).truth()
    for k in (0, 7, teeth[1] + 3):
        expected = 0.15
        for found, count in ((truth.gear, teeth[1]), (truth.pinion, teeth[0])):
            expected -= found.amplitude_mm * cos(tau * k / count - radians(found.high_point_deg))
        index = k % len(truth.normal_backlash_mm)
        assert truth.normal_backlash_mm[index] == pytest.approx(expected, abs=1e-9)
    assert abs((truth.gear.high_point_deg - high_deg + 180.0) % 360.0 - 180.0) < 1e-6


def test_seed_fixes_the_box() -> None:
    box = replace(SPIRAL, gear_tooth_error_mm=0.001, touch_radius_uncertainty_mm=0.2)
    assert Mesh(box, seed=1).truth() == Mesh(box, seed=1).truth()
    assert Mesh(box, seed=1).truth() != Mesh(box, seed=2).truth()


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"pinion_teeth": 41}, "gear_teeth"),
        ({"outer_module_mm": 0.0}, "outer_module_mm"),
        ({"face_width_mm": 200.0}, "face_width_mm"),
        ({"cutter_radius_mm": 10.0}, "cutter_radius_mm"),
        ({"touch_radius_mm": 30.0}, "touch_radius_mm"),
        ({"gear_mounting_error_mm": -1.0}, "mean_normal_backlash_mm"),
        ({"mean_normal_backlash_mm": float("nan")}, "mean_normal_backlash_mm"),
        ({"on_arm": True}, "direction"),
        ({"shaft_angle_deg": 120.0}, "shaft_angle_deg"),
    ],
)
def test_impossible_boxes_are_refused_by_name(changes: dict[str, float], what: str) -> None:
    with pytest.raises(StandError) as caught:
        Mesh(replace(SPIRAL, **changes), seed=1)  # type: ignore[arg-type]  # one value per case
    assert caught.value.what == what
    assert what in str(caught.value)


def test_spiral_angle_at_the_heel_is_steeper_than_at_the_middle() -> None:
    # A face mill of about the mean cone distance cuts steeper spirals at the heel (common practice, no
    # source); the test's own formula must show it, or the comparisons above would prove nothing.
    assert degrees(spiral_angle(SPIRAL, 80.0)) > 38.0
