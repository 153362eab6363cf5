"""The gear set against ISO 23509 by independent paths, and what it refuses."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lashmap_analysis.gears.gear_set import GearSet, GearSetError

SPIRAL = GearSet(
    pinion_teeth=13,
    gear_teeth=40,
    outer_module_mm=4.0,
    face_width_mm=25.0,
    mean_spiral_angle_deg=35.0,
    cutter_radius_mm=75.0,
)


@st.composite
def gear_sets(draw: st.DrawFn) -> GearSet:
    """Any possible set with a face width and a cutter as they are in use."""
    pinion = draw(st.integers(6, 30))
    gear = draw(st.integers(pinion, 80))
    values: dict[str, Any] = {
        "pinion_teeth": pinion,
        "gear_teeth": gear,
        "outer_module_mm": draw(st.floats(0.5, 20)),
        "face_width_mm": 0.1,
        "normal_pressure_angle_deg": draw(st.floats(14, 25)),
        "mean_spiral_angle_deg": draw(st.floats(0, 45)),
        "shaft_angle_deg": draw(st.floats(60, 92)),
    }
    outer = GearSet(**values).outer_cone_distance_mm
    values["face_width_mm"] = outer * draw(st.floats(0.05, 0.33))
    values["cutter_radius_mm"] = outer * draw(st.floats(0.7, 3)) if draw(st.booleans()) else None
    return GearSet(**values)


@given(gear_sets())
def test_pitch_cones_roll_on_each_other(gear_set: GearSet) -> None:
    # Two cones with a common apex roll without slip when their radii are as the tooth counts, and their
    # angles add up to the shaft angle (kinematics, not the standard's formula).
    first, second = gear_set.pinion_pitch_angle_rad, gear_set.gear_pitch_angle_rad
    assert math.isclose(first + second, math.radians(gear_set.shaft_angle_deg), rel_tol=1e-12)
    assert math.isclose(math.sin(second) / math.sin(first), gear_set.ratio, rel_tol=1e-9)
    reach = gear_set.outer_cone_distance_mm
    assert math.isclose(reach * math.sin(first), gear_set.outer_pinion_pitch_radius_mm, rel_tol=1e-9)
    assert math.isclose(reach * math.sin(second), gear_set.outer_gear_pitch_radius_mm, rel_tol=1e-9)


def test_right_angle_set_has_the_pitch_angle_of_a_right_triangle() -> None:
    # At Σ = 90° tan δ2 = z2 / z1 (ISO 23509, method 0, special case).
    assert math.isclose(math.tan(SPIRAL.gear_pitch_angle_rad), 40 / 13, rel_tol=1e-12)
    # R_e = m_et / 2 √(z1² + z2²), the hypotenuse.
    assert math.isclose(SPIRAL.outer_cone_distance_mm, 2 * math.hypot(13, 40), rel_tol=1e-12)
    assert math.isclose(SPIRAL.mean_cone_distance_mm, 2 * math.hypot(13, 40) - 12.5, rel_tol=1e-12)


def cutter_path_angle_rad(gear_set: GearSet, distance_mm: float) -> float:
    """Spiral angle from the cutter's circle itself, in the crown gear's plane, by vectors.

    The apex is the origin, the tooth's mean point lies at (R_m, 0). The cutter's centre stands square to the
    tooth trace there, so the trace makes β_m with the radius. Where the circle crosses the radius R, the
    angle between its tangent and the radius is β(R). Nothing of ISO 23509 eq. 193 is used.
    """
    assert gear_set.cutter_radius_mm is not None
    beta = math.radians(gear_set.mean_spiral_angle_deg)
    mean, radius = gear_set.mean_cone_distance_mm, gear_set.cutter_radius_mm
    centre = complex(mean, 0) + radius * complex(-math.sin(beta), math.cos(beta))
    # Intersection of two circles: distance from the origin `distance_mm`, from the centre `radius`.
    span = abs(centre)
    along = (distance_mm**2 - radius**2 + span**2) / (2 * span)
    across = math.sqrt(distance_mm**2 - along**2)
    points = [centre / span * complex(along, sign * across) for sign in (1, -1)]
    point = min(points, key=lambda one: abs(one - mean))
    tangent = (point - centre) * 1j / radius
    cosine = abs((tangent * point.conjugate()).real) / abs(point)
    return math.acos(min(cosine, 1.0))


@pytest.mark.parametrize("place", [0.0, 0.25, 0.5, 0.75, 1.0])
def test_spiral_angle_is_that_of_the_cutters_circle(place: float) -> None:
    outer = SPIRAL.outer_cone_distance_mm
    distance = outer - place * SPIRAL.face_width_mm
    assert math.isclose(
        SPIRAL.spiral_angle_rad(distance), cutter_path_angle_rad(SPIRAL, distance), rel_tol=1e-9
    )


@given(gear_sets())
def test_spiral_angle_inverts_to_the_mean_spiral_angle(gear_set: GearSet) -> None:
    # ISO 23509:2016 eq. 193 solved for β_m from β_e (inversion).
    radius = gear_set.cutter_radius_mm
    if radius is None:
        assert gear_set.outer_spiral_angle_rad == math.radians(gear_set.mean_spiral_angle_deg)
        return
    outer, mean = gear_set.outer_cone_distance_mm, gear_set.mean_cone_distance_mm
    sine = math.sin(gear_set.outer_spiral_angle_rad)
    back = (2 * outer * radius * sine - outer**2 + mean**2) / (2 * mean * radius)
    assert math.isclose(back, math.sin(math.radians(gear_set.mean_spiral_angle_deg)), abs_tol=1e-9)


def test_spiral_angle_takes_arrays() -> None:
    distances = np.linspace(60, 84, 7).reshape(1, 7)
    angles = SPIRAL.spiral_angle_rad(distances)
    assert angles.shape == (1, 7)
    assert np.allclose(angles[0], [SPIRAL.spiral_angle_rad(float(one)) for one in distances[0]])


def test_cone_distance_beyond_the_cutter_is_refused() -> None:
    with pytest.raises(GearSetError) as caught:
        SPIRAL.spiral_angle_rad(400.0)
    assert caught.value.field == "cutter_radius_mm"


@given(gear_sets(), st.floats(0.001, 2))
def test_the_same_lash_at_the_mean_and_at_the_outer_end(gear_set: GearSet, backlash: float) -> None:
    # ISO 23509:2016 eqs 202-211: the same lash at the mean and at the outer end, as the cone distances.
    at_mean = backlash * gear_set.mean_cone_distance_mm / gear_set.outer_cone_distance_mm
    angle = at_mean / (gear_set.mean_cone_distance_mm * math.sin(gear_set.gear_pitch_angle_rad))
    assert math.isclose(angle, backlash / gear_set.outer_gear_pitch_radius_mm, rel_tol=1e-9)


@pytest.mark.parametrize(
    ("pressure", "spiral", "excess"),
    [(20.0, 0.0, 0.064), (14.5, 0.0, 0.033), (20.0, 35.0, 0.299), (22.5, 40.0, 0.413), (14.5, 35.0, 0.261)],
)
def test_transverse_exceeds_normal_by_what_the_trade_knows(
    pressure: float, spiral: float, excess: float
) -> None:
    # 6 % for a straight 20° set and never more than about 40 % for the angles in use: common practice, no
    # source. The figures are 1 / (cos α cos β) − 1 by pocket calculator.
    gear_set = replace(
        SPIRAL,
        normal_pressure_angle_deg=pressure,
        mean_spiral_angle_deg=spiral,
        cutter_radius_mm=None,
    )
    seen = 1 / gear_set.normal_from_transverse(1.0) - 1
    assert math.isclose(seen, excess, abs_tol=0.001)
    assert seen < 0.42


def test_engagements_turn_the_gear() -> None:
    assert SPIRAL.mesh_cycle == 520
    assert SPIRAL.hunting
    assert SPIRAL.gear_angle_deg(40) == 360.0
    assert np.allclose(SPIRAL.gear_angle_deg(np.array([1, 2])), [9.0, 18.0])
    three_to_one = replace(SPIRAL, pinion_teeth=15, gear_teeth=45)
    assert three_to_one.mesh_cycle == 45
    assert not three_to_one.hunting


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("pinion_teeth", 4),
        ("pinion_teeth", 41),
        ("pinion_teeth", 13.0),
        ("pinion_teeth", True),
        ("gear_teeth", 401),
        ("outer_module_mm", 0.0),
        ("outer_module_mm", math.nan),
        ("outer_module_mm", "4"),
        ("face_width_mm", 0.0),
        ("face_width_mm", 85.0),
        ("normal_pressure_angle_deg", 0.0),
        ("normal_pressure_angle_deg", 45.0),
        ("mean_spiral_angle_deg", 60.0),
        ("mean_spiral_angle_deg", -60.0),
        ("shaft_angle_deg", 9.0),
        ("shaft_angle_deg", 150.0),
        ("cutter_radius_mm", 0.0),
        ("cutter_radius_mm", 20.0),
        ("cutter_radius_mm", math.inf),
    ],
)
def test_impossible_gear_sets_are_refused_with_the_field(field: str, value: object) -> None:
    values: dict[str, Any] = {**vars(SPIRAL), field: value}
    with pytest.raises(GearSetError) as caught:
        GearSet(**values)
    assert caught.value.field == field
    assert caught.value.got is value
    assert caught.value.expected in str(caught.value)
    assert str(caught.value).startswith(f"{field}: ")


def test_shaft_angle_is_refused_only_where_the_gear_would_turn_inside_out() -> None:
    # A 1:1 set at Σ = 150° has δ2 = 75°; a 3:1 set at 150° would have δ2 > 90°, an internal gear.
    assert math.isclose(
        replace(SPIRAL, pinion_teeth=40, shaft_angle_deg=150.0).gear_pitch_angle_rad, math.radians(75)
    )
