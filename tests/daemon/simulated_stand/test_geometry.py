"""The tip of the simulated indicator off the pitch cone, and set down anew: involute and brute force."""

from __future__ import annotations

from dataclasses import replace
from math import cos, radians, sqrt, tan
from statistics import mean, pstdev

import pytest
from daemon.simulated_stand.test_mesh import SPIRAL, STRAIGHT, pitch_angles
from lashmap_daemon.simulated_stand import SimulatedBox
from lashmap_daemon.simulated_stand.geometry import (
    Tip,
    Vector,
    combine,
    cross,
    dot,
    flank_under_tip,
    generated,
    mesh_frame,
    turned,
)

MITRE = replace(
    STRAIGHT, pinion_teeth=20, gear_teeth=20, shaft_angle_deg=90.0, face_width_mm=15.0, touch_radius_mm=38.0
)


def reading(box: SimulatedBox) -> float:
    return Tip(box, mesh_frame(box), seed=1).mm_per_rad


@pytest.mark.parametrize("height_mm", [-2.0, 1.0, 3.0])
def test_on_nearly_parallel_shafts_the_reading_is_the_base_radius(height_mm: float) -> None:
    # Involute: every flank normal is tangent to the base circle r cos α (DIN 3960; memory).
    spur = replace(STRAIGHT, shaft_angle_deg=0.5, face_width_mm=20.0)
    pitch_radius = 79.95
    box = replace(spur, touch_radius_mm=pitch_radius + height_mm, tip_height_mm=height_mm)
    assert reading(box) == pytest.approx(pitch_radius * cos(radians(22.5)), rel=1e-4)


@pytest.mark.parametrize("box", [SPIRAL, STRAIGHT, MITRE])
@pytest.mark.parametrize("height_mm", [-2.5, -0.5, 1.0, 3.0])
def test_the_flank_under_the_tip_is_where_it_should_be(box: SimulatedBox, height_mm: float) -> None:
    frame = mesh_frame(box)
    point, normal = flank_under_tip(box, frame, box.touch_radius_mm, height_mm)
    arm = cross(frame.gear_axis, point)
    assert sqrt(dot(arm, arm)) == pytest.approx(box.touch_radius_mm, abs=1e-9)
    # Distance from a cone: r cos δ - z sin δ (analytic geometry).
    delta = pitch_angles(box)[1]
    outside = sqrt(dot(arm, arm)) * cos(delta) - dot(point, frame.gear_axis) * sqrt(1.0 - cos(delta) ** 2)
    assert outside == pytest.approx(height_mm, abs=1e-9)
    assert dot(normal, normal) == pytest.approx(1.0)


@pytest.mark.parametrize("box", [SPIRAL, STRAIGHT, MITRE])
@pytest.mark.parametrize("up_mm", [-2.0, 0.0, 2.5])
def test_its_normal_is_that_of_the_generated_surface(box: SimulatedBox, up_mm: float) -> None:
    # Brute force: the surface as points of the turning gear, its normal by differences between neighbours.
    frame = mesh_frame(box)
    sense = dot(cross(frame.towards_pinion, frame.pitch_line), frame.tangent)
    per_roll = sense / dot(cross(frame.gear_axis, frame.pitch_line), frame.tangent)
    middle = sqrt(dot(frame.outer_point, frame.outer_point)) - box.face_width_mm / 2.0
    _point, normal, roll = generated(box, frame, middle, up_mm)
    # At the middle the spiral is the mean one; there the trace runs so far around for each mm outwards.
    around = sense * tan(radians(box.mean_spiral_angle_deg)) / middle

    def body(distance_mm: float, up: float) -> Vector:
        point, _normal, own = generated(box, frame, distance_mm, up)
        own -= around * (distance_mm - middle)
        return turned(point, frame.gear_axis, (roll - own) * per_roll)

    h = 1e-4
    along = combine((1.0, body(middle + h, up_mm)), (-1.0, body(middle - h, up_mm)))
    upwards = combine((1.0, body(middle, up_mm + h)), (-1.0, body(middle, up_mm - h)))
    for way in (along, upwards):
        assert abs(dot(way, normal)) / sqrt(dot(way, way)) < 1e-5


def test_half_a_module_off_the_cone_matters_as_the_radius_says() -> None:
    # The arm of the normal is that of the foot on the cone: r - h cos δ for a straight tooth (involute rule).
    for box in (MITRE, STRAIGHT):
        high = reading(replace(box, tip_height_error_mm=2.0)) / reading(box)
        expected = 1.0 - 2.0 * cos(pitch_angles(box)[1]) / box.touch_radius_mm
        assert high == pytest.approx(expected, abs=0.004)
    plane = replace(MITRE, direction="plane of rotation", tip_height_error_mm=2.0)
    assert reading(plane) == pytest.approx(38.0)


def test_each_setting_of_the_tip_is_a_little_off_the_mean_one() -> None:
    box = replace(STRAIGHT, setting_radius_mm=0.4)
    tip = Tip(box, mesh_frame(box), seed=1)
    settings = [tip.set_down() for _ in range(400)]
    # The reading goes with the radius; the standard error of a deviation is σ / √(2n) (textbook), 3.5 %.
    assert pstdev(settings) / mean(settings) == pytest.approx(0.4 / 76.0, rel=0.11)
    assert mean(settings) == pytest.approx(tip.mm_per_rad, rel=3.0 * 0.4 / 76.0 / 20.0)


def test_an_angle_that_differs_matters_most_in_the_plane_of_rotation_on_a_flank() -> None:
    normal = replace(STRAIGHT, setting_angle_deg=1.0)
    plane = replace(normal, direction="plane of rotation")
    scatter = {}
    for name, box in (("normal", normal), ("plane", plane)):
        tip = Tip(box, mesh_frame(box), seed=1)
        settings = [tip.set_down() for _ in range(200)]
        scatter[name] = pstdev(settings) / mean(settings)
    # Square to the surface a tilt is a cosine, second order in a degree; elsewhere it is of first order.
    assert scatter["normal"] < 5e-4
    assert scatter["plane"] > 2e-3
