"""The simulated teeth against the relations of the handbooks, written out here a second time."""

from __future__ import annotations

import json
from dataclasses import replace
from math import asin, atan2, cos, degrees, radians, sin, tan, tau
from statistics import mean, pstdev

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lashmap_daemon.simulated_stand import SimulatedBox, StandError
from lashmap_daemon.simulated_stand.mesh import Mesh, Seat

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
    rate = Mesh(replace(box, touch_radius_mm=touch_radius_mm), seed=1).tip.mm_per_rad
    factor = cos(radians(box.normal_pressure_angle_deg)) * cos(spiral_angle(box, touch_radius_mm))
    assert rate == pytest.approx(touch_radius_mm * factor, rel=1e-9)


@pytest.mark.parametrize(("off_deg", "lever_deg"), [(15.0, None), (0.0, 30.0), (-10.0, 20.0)])
def test_tip_off_the_normal_and_lever_read_too_large(off_deg: float, lever_deg: float | None) -> None:
    # Cosine error of inclined plungers and lever tips: reading times cosine (handbook; memory).
    straight = Mesh(SPIRAL, seed=1).tip.mm_per_rad
    tilted = Mesh(replace(SPIRAL, off_normal_deg=off_deg, lever_deg=lever_deg), seed=1).tip.mm_per_rad
    factor = cos(radians(off_deg)) * cos(radians(lever_deg or 0.0))
    assert tilted * factor == pytest.approx(straight, rel=1e-9)


@pytest.mark.parametrize("on_arm", [False, True])
def test_tip_in_the_plane_of_rotation_reads_the_arc(*, on_arm: bool) -> None:
    # Arc = radius times angle, whatever the tooth looks like (definition of the radian).
    rate = Mesh(replace(SPIRAL, direction="plane of rotation", on_arm=on_arm), seed=1).tip.mm_per_rad
    assert rate == pytest.approx(SPIRAL.touch_radius_mm, rel=1e-9)


def test_tilt_in_the_plane_of_rotation_matters_more_on_a_flank_than_on_an_arm() -> None:
    # On an arm only the cosine counts; on a flank the tilt counts to first order, to either side.
    box = replace(SPIRAL, direction="plane of rotation", off_normal_deg=3.0)
    on_arm = [Mesh(replace(box, on_arm=True), seed=seed).tip.mm_per_rad / 76.0 for seed in range(40)]
    on_flank = [Mesh(box, seed=seed).tip.mm_per_rad / 76.0 for seed in range(40)]
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
        ({"contact_face_fraction": 1.2}, "contact_face_fraction"),
        ({"roll_phase_at_marks": 0.7}, "roll_phase_at_marks"),
        ({"tip_height_error_mm": 5.5}, "tip_height_mm"),
        ({"bad_tooth": 40}, "bad_tooth"),
        ({"bad_tooth_mm": 0.2, "bad_tooth": 3}, "mean_normal_backlash_mm"),
        ({"oil_film_s": 0.0}, "oil_film_s"),
        ({"gears_temperature_c": 400.0}, "gears_temperature_c"),
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


def at_face(box: SimulatedBox, fraction: float) -> tuple[float, float]:
    """Radius from the gear axis and spiral angle there; fraction 0 is the toe, 1 the heel."""
    per_cone = sin(pitch_angles(box)[1])
    radius = box.outer_module_mm * box.gear_teeth / 2.0 - (1.0 - fraction) * box.face_width_mm * per_cone
    return radius, spiral_angle(box, radius)


def lash_of_crowned_pair(box: SimulatedBox, fraction: float, out_mm: float) -> float:
    """Angle through which one flank of a crowned pair can turn, when the gear was moved out: brute force.

    Both flanks as many thin slices along the face, each closing along its own normal; the crowning opens the
    slices away from the contact's place. The slice that touches first stops the gear.
    """
    alpha, lean = radians(box.normal_pressure_angle_deg), sin(pitch_angles(box)[1])
    angles = []
    for slice_ in range(1001):
        share = slice_ / 1000.0
        radius, spiral = at_face(box, share)
        closing = radius * cos(alpha) * cos(spiral)
        # A turn of one milliradian is free everywhere. The crowning is steep, so that the contact stays.
        open_mm = 1e-3 * closing + 2.0 * (share - fraction) ** 2
        # The normal's part along the gear axis, as the mean of both flanks: the spiral adds to one what it
        # takes from the other.
        open_mm += out_mm * sin(alpha) * lean
        angles.append(open_mm / closing)
    return min(angles)


@pytest.mark.parametrize("box", [SPIRAL, STRAIGHT])
@pytest.mark.parametrize("fraction", [0.0, 0.3, 0.5, 1.0])
def test_contact_nearer_the_toe_makes_a_mounting_error_matter_more(
    box: SimulatedBox, fraction: float
) -> None:
    here = replace(box, contact_face_fraction=fraction)
    change = backlash(replace(here, gear_mounting_error_mm=0.02))[0] - backlash(here)[0]
    outer_radius, outer_spiral = at_face(box, 1.0)
    outer = outer_radius * cos(radians(box.normal_pressure_angle_deg)) * cos(outer_spiral)
    brute = lash_of_crowned_pair(box, fraction, 0.02) - lash_of_crowned_pair(box, fraction, 0.0)
    assert change == pytest.approx(2.0 * brute * outer, rel=0.01)
    # At mid-face of usual proportions 1.1 to 1.2 times what it is at the heel (common practice, no source).
    at_heel = backlash(replace(box, gear_mounting_error_mm=0.02))[0] - backlash(box)[0]
    if fraction == 0.5:
        assert 1.08 < change / at_heel < 1.25


@pytest.mark.parametrize("fraction", [0.2, 0.6])
def test_runout_and_teeth_act_where_the_flanks_touch(fraction: float) -> None:
    errors = replace(SPIRAL, gear_eccentricity_mm=0.02, pinion_tooth_error_mm=0.001)
    heel = backlash(errors)
    here = backlash(replace(errors, contact_face_fraction=fraction))
    outer, place = at_face(SPIRAL, 1.0), at_face(SPIRAL, fraction)
    # The same way along the normal is a larger turn at a smaller arm (definition of the radian).
    factor = outer[0] * cos(outer[1]) / (place[0] * cos(place[1]))
    assert [value - 0.15 for value in here] == pytest.approx([factor * (value - 0.15) for value in heel])
    truth = Mesh(replace(errors, contact_face_fraction=fraction), seed=1).truth()
    assert truth.gear.amplitude_mm == pytest.approx(factor * Mesh(errors, seed=1).truth().gear.amplitude_mm)


def test_a_tilted_gear_moves_less_axially_inside_and_sideways_too() -> None:
    wobbling = replace(STRAIGHT, gear_face_wobble_mm=0.01, gear_high_point_deg=0.0)
    fraction = 0.4
    loss = 0.15 - backlash(replace(wobbling, contact_face_fraction=fraction))[0]
    # A rigid rotation about the axis's point level with the heel moves the contact square to the arm to it:
    # axially by its radius, radially by its depth; the normal leans α out of the pitch plane, which is δ off.
    outer, radius = at_face(STRAIGHT, 1.0)[0], at_face(STRAIGHT, fraction)[0]
    delta, alpha = pitch_angles(STRAIGHT)[1], radians(STRAIGHT.normal_pressure_angle_deg)
    depth = (outer - radius) / tan(delta)
    tilt = 0.01 / outer
    moved = tilt * (radius * sin(delta) - depth * cos(delta)) * sin(alpha)
    assert loss == pytest.approx(2.0 * moved * outer / radius, rel=1e-6)


def test_crowning_opens_the_gap_with_the_square_of_the_roll() -> None:
    mesh = Mesh(replace(SPIRAL, roll_crowning_mm=0.002, roll_phase_at_marks=0.2), seed=1)
    rolled = {roll: mesh.normal_backlash_mm(3, Seat(roll=roll)) for roll in (-0.2, 0.05, 0.3, 0.8)}
    # Parabola through the crests (motion error of crowned pairs; handbook, memory): a quarter at half way.
    assert rolled[-0.2] == pytest.approx(0.15, abs=1e-12)
    assert rolled[0.05] == pytest.approx(0.1505, abs=1e-12)
    assert rolled[0.3] == pytest.approx(0.152, abs=1e-12)
    # A whole pitch on, the next pair stands where this one did.
    assert rolled[0.8] == pytest.approx(rolled[-0.2], abs=1e-12)
    assert list(mesh.truth().normal_backlash_mm) == pytest.approx([0.15] * 520, abs=1e-12)


@pytest.mark.parametrize("fraction", [0.5, 1.0])
def test_of_all_pairs_the_one_that_leaves_least_stops_the_gear(fraction: float) -> None:
    box = replace(SPIRAL, roll_crowning_mm=0.002, gear_tooth_error_mm=0.003, contact_face_fraction=fraction)
    flat = Mesh(replace(box, roll_crowning_mm=0.0), seed=5)
    crowned = Mesh(replace(box, roll_phase_at_marks=0.0), seed=5)
    plain = [flat.gaps_mm(k) for k in range(40)]
    scale = flat.normal_backlash_mm(0) / sum(plain[0])
    for roll in (-0.45, -0.1, 0.0, 0.3, 0.49):
        # Brute force: many pairs, each flank falling away by half of 4 c x² from its own crest.
        expected = sum(
            min(plain[(7 + on) % 40][flank] + 2.0 * 0.002 / scale * (roll - on) ** 2 for on in range(-3, 4))
            for flank in (0, 1)
        )
        # Two pairs share a gap, and no further one comes near it: tooth errors are not as large as that.
        assert crowned.normal_backlash_mm(7, Seat(roll=roll)) == pytest.approx(scale * expected, abs=1e-9)


def test_truth_is_least_over_the_roll_of_a_box_that_runs_out() -> None:
    box = replace(
        SPIRAL, gear_eccentricity_mm=0.02, pinion_eccentricity_mm=0.02, roll_crowning_mm=0.003, gear_teeth=39
    )
    mesh = Mesh(box, seed=2)
    fine = [
        mesh.normal_backlash_mm(k, Seat(roll=number / 100.0 - 0.5 - mesh.roll_at_marks))
        for k in range(39)
        for number in range(101)
    ]
    assert mesh.truth().tight_spot_normal_backlash_mm == pytest.approx(min(fine), abs=2e-5)
    assert min(fine) <= mesh.truth().tight_spot_normal_backlash_mm + 1e-12


def test_a_bad_tooth_takes_its_metal_from_its_own_engagements() -> None:
    plain, bad = backlash(SPIRAL), backlash(replace(SPIRAL, bad_tooth_mm=0.01, bad_tooth=7))
    changed = [k for k, (a, b) in enumerate(zip(plain, bad, strict=True)) if abs(a - b) > 1e-12]
    assert changed == list(range(7, 520, 40))
    assert [plain[k] - bad[k] for k in changed] == pytest.approx([0.01] * 13)
    worn = backlash(replace(SPIRAL, bad_tooth_mm=-0.01, bad_tooth_member="pinion"))
    assert sum(a < b for a, b in zip(plain, worn, strict=True)) == 40


@pytest.mark.parametrize(
    ("housing_c", "gears_c", "housing", "gears", "out_share"),
    [
        (40.0, 40.0, 11.5, 11.5, 0.0),
        (40.0, 40.0, 23.0, 11.5, 20.0 * 11.5e-6),
        (20.0, 50.0, 11.5, 11.5, -30.0 * 11.5e-6),
    ],
)
def test_warm_bodies_move_out_by_what_the_housing_grows_more(
    housing_c: float, gears_c: float, housing: float, gears: float, out_share: float
) -> None:
    box = replace(
        SPIRAL,
        housing_temperature_c=housing_c,
        gears_temperature_c=gears_c,
        housing_expansion_um_per_m_k=housing,
        gears_expansion_um_per_m_k=gears,
        pinion_mounting_distance_mm=105.0,
        gear_mounting_distance_mm=62.0,
        temperature_drift_k_per_h=3.0,
    )
    mesh = Mesh(box, seed=1)
    # Linear expansion ΔL = α L ΔT (textbook), of both lengths that make each mounting distance.
    assert mesh.grown_out_mm(0.0) == pytest.approx((62.0 * out_share, 105.0 * out_share), abs=1e-12)
    later = out_share + 1e-6 * (housing - gears) * 3.0
    assert mesh.grown_out_mm(3600.0) == pytest.approx((62.0 * later, 105.0 * later), abs=1e-12)
    # It acts as a mounting distance does, and the truth at 20 °C does not know of it.
    gear_mm, pinion_mm = mesh.grown_out_mm(0.0)
    moved = replace(SPIRAL, gear_mounting_error_mm=gear_mm, pinion_mounting_error_mm=pinion_mm)
    seat = Seat(gear_out_mm=gear_mm, pinion_out_mm=pinion_mm)
    assert mesh.normal_backlash_mm(0, seat) == pytest.approx(backlash(moved)[0], abs=1e-12)
    assert mesh.truth().normal_backlash_mm[0] == pytest.approx(0.15)
