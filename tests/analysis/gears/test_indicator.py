"""The indicator's conversions against vectors, and what it refuses."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any, get_args

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.gears.indicator import Direction, Indicator, IndicatorError
from numpy.typing import NDArray

Floats = NDArray[np.float64]

GEAR_SET = GearSet(
    pinion_teeth=13,
    gear_teeth=40,
    outer_module_mm=4.0,
    face_width_mm=25.0,
    mean_spiral_angle_deg=35.0,
    cutter_radius_mm=75.0,
)
STRAIGHT = replace(GEAR_SET, mean_spiral_angle_deg=0.0, cutter_radius_mm=None)
INDICATOR = Indicator(resolution_mm=0.001, touch_radius_mm=72.0)


def flank_normal(gear_set: GearSet, spiral_rad: float) -> tuple[Floats, Floats]:
    """Direction of motion t and unit flank normal n at the pitch point, by turning vectors.

    t is along the circumference, the pitch cone's generator is the second axis, the third is square to both.
    A straight tooth with pressure angle 0 has its normal along t; it is tipped by α about the tooth's length,
    then the tooth is turned by β in the pitch plane.
    """
    alpha = math.radians(gear_set.normal_pressure_angle_deg)
    tipped = np.array([math.cos(alpha), 0.0, math.sin(alpha)])
    turn = np.array(
        [
            [math.cos(spiral_rad), -math.sin(spiral_rad), 0.0],
            [math.sin(spiral_rad), math.cos(spiral_rad), 0.0],
            [0.0, 0.0, 1.0],
        ]
    )
    return np.array([1.0, 0.0, 0.0]), np.asarray(turn @ tipped)


def reading_on(surface_normal: Floats, moved: Floats, aim: Floats) -> float:
    """Travel of a tip free along `aim` only, pressed on a plane that moves: it stays on the plane."""
    return float(moved @ surface_normal) / float(aim @ surface_normal)


def tilted(aim: Floats, towards: Floats, angle_rad: float) -> Floats:
    across = towards - (towards @ aim) * aim
    return np.asarray(math.cos(angle_rad) * aim + math.sin(angle_rad) * across / np.linalg.norm(across))


@pytest.mark.parametrize("off_deg", [0.0, 5.0, -10.0, 25.0])
@pytest.mark.parametrize("towards", [(0.0, 1.0, 0.0), (0.0, 0.0, 1.0), (1.0, 2.0, -1.0)])
def test_plunger_along_the_normal_gives_back_the_gears_angle(
    off_deg: float, towards: tuple[float, float, float]
) -> None:
    lash_rad = 0.003
    distance = INDICATOR.touch_radius_mm / math.sin(GEAR_SET.gear_pitch_angle_rad)
    t, n = flank_normal(GEAR_SET, GEAR_SET.spiral_angle_rad(distance))
    moved = lash_rad * INDICATOR.touch_radius_mm * t
    seen = reading_on(n, moved, tilted(n, np.array(towards), math.radians(off_deg)))
    given_off = replace(INDICATOR, off_normal_deg=off_deg)
    transverse = given_off.to_transverse_backlash(GEAR_SET, seen)
    # Δθ = j_et / r_e2 (DESIGN §3): the arc at the outer pitch radius.
    assert math.isclose(transverse, lash_rad * GEAR_SET.outer_gear_pitch_radius_mm, rel_tol=1e-12)
    assert math.isclose(
        given_off.to_normal_backlash(GEAR_SET, seen),
        transverse * math.cos(math.radians(20)) * math.cos(GEAR_SET.outer_spiral_angle_rad),
        rel_tol=1e-12,
    )


def test_plunger_in_the_plane_of_rotation_reads_the_arc_on_any_flank() -> None:
    in_plane = replace(INDICATOR, direction="plane of rotation")
    distance = INDICATOR.touch_radius_mm / math.sin(GEAR_SET.gear_pitch_angle_rad)
    t, n = flank_normal(GEAR_SET, GEAR_SET.spiral_angle_rad(distance))
    seen = reading_on(n, 0.2 * t, t)
    assert math.isclose(seen, 0.2, rel_tol=1e-12)
    assert math.isclose(in_plane.to_transverse_backlash(GEAR_SET, seen), 0.2 * 80 / 72, rel_tol=1e-12)


def test_tilt_out_of_the_plane_of_rotation_averages_to_its_cosine_only_over_all_ways() -> None:
    # The way of the tilt is not recorded: the conversion takes the even part, cos γ, and the odd part
    # averages out over tilts to opposite sides, s / reading = cos γ ± sin γ tan(angle between t and n).
    gamma = math.radians(4)
    t, n = flank_normal(STRAIGHT, 0.0)
    inverse = [1 / reading_on(n, t, tilted(t, way * n, gamma)) for way in (1.0, -1.0)]
    in_plane = replace(INDICATOR, direction="plane of rotation", off_normal_deg=4.0)
    assert math.isclose(sum(inverse) / 2, in_plane.arc_per_reading(STRAIGHT), rel_tol=1e-12)
    assert abs(inverse[0] - inverse[1]) / 2 == pytest.approx(math.sin(gamma) * math.tan(math.radians(20)))


def test_arm_at_any_radius_gives_the_same_backlash() -> None:
    for radius in (40.0, 72.0, 300.0):
        on_arm = replace(INDICATOR, direction="plane of rotation", on_arm=True, touch_radius_mm=radius)
        assert math.isclose(
            on_arm.to_transverse_backlash(GEAR_SET, 0.003 * radius), 0.003 * 80, rel_tol=1e-12
        )


@pytest.mark.parametrize(
    ("inclination", "correction"),
    [(10.0, 0.98), (20.0, 0.94), (30.0, 0.87), (40.0, 0.77), (50.0, 0.64), (60.0, 0.50)],
)
def test_lever_correction_is_the_handbooks(inclination: float, correction: float) -> None:
    # Correction factors of lever-type dial test indicators as makers' tables print them, to two decimals
    # (from memory). They are the cosine, rounded: a check of the table's angle and direction, not of the
    # relation, which the vectors above check.
    lever = replace(INDICATOR, lever_deg=inclination)
    ratio = lever.normal_per_reading(GEAR_SET) / INDICATOR.normal_per_reading(GEAR_SET)
    assert round(ratio, 2) == correction


def test_lever_along_the_flank_reads_as_a_plunger() -> None:
    lever = replace(INDICATOR, lever_deg=0.0)
    assert lever.to_normal_backlash(GEAR_SET, 0.1) == INDICATOR.to_normal_backlash(GEAR_SET, 0.1)


def test_straight_set_at_the_outer_radius_needs_no_conversion_along_the_normal() -> None:
    at_heel = replace(INDICATOR, touch_radius_mm=80.0)
    assert math.isclose(at_heel.to_normal_backlash(STRAIGHT, 0.137), 0.137, rel_tol=1e-12)


@given(st.floats(0.01, 1), st.floats(56, 80), st.sampled_from(get_args(Direction)))
def test_conversion_is_linear_and_takes_arrays(reading: float, radius: float, direction: Direction) -> None:
    one = replace(INDICATOR, touch_radius_mm=radius, direction=direction)
    both = one.to_normal_backlash(GEAR_SET, np.array([reading, 2 * reading]))
    assert both.shape == (2,)
    assert math.isclose(both[1], 2 * both[0], rel_tol=1e-12)
    assert math.isclose(both[0], one.to_normal_backlash(GEAR_SET, reading), rel_tol=1e-12)


@given(st.floats(1.01, 30))
def test_conversion_knows_no_unit_of_length(scale: float) -> None:
    # Gear set and radius in another unit: the ratio of backlash to reading stays.
    other = GearSet(
        pinion_teeth=13,
        gear_teeth=40,
        outer_module_mm=4.0 / scale,
        face_width_mm=25.0 / scale,
        mean_spiral_angle_deg=35.0,
        cutter_radius_mm=75.0 / scale,
    )
    small = replace(INDICATOR, touch_radius_mm=72.0 / scale, touch_radius_uncertainty_mm=0.0)
    assert math.isclose(small.normal_per_reading(other), INDICATOR.normal_per_reading(GEAR_SET), rel_tol=1e-9)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("resolution_mm", 0.0),
        ("resolution_mm", 2.0),
        ("touch_radius_mm", -1.0),
        ("touch_radius_mm", math.nan),
        ("direction", "tangent"),
        ("off_normal_deg", 50.0),
        ("lever_deg", 70.0),
        ("touch_radius_uncertainty_mm", -0.1),
        ("touch_radius_uncertainty_mm", 30.0),
        ("angle_uncertainty_deg", math.inf),
        ("calibration_uncertainty_mm", -0.001),
    ],
)
def test_impossible_indicators_are_refused_with_the_field(field: str, value: object) -> None:
    values: dict[str, Any] = {**vars(INDICATOR), field: value}
    with pytest.raises(IndicatorError) as caught:
        Indicator(**values)
    assert caught.value.field == field
    assert str(caught.value).startswith(f"{field}: ")


def test_arm_looks_in_the_plane_of_rotation_only() -> None:
    with pytest.raises(IndicatorError) as caught:
        replace(INDICATOR, on_arm=True)
    assert caught.value.field == "direction"


@pytest.mark.parametrize("radius", [7.2, 50.0, 85.0, 720.0])
def test_tip_that_touches_no_tooth_is_refused(radius: float) -> None:
    # The teeth reach from 56.2 to 80 mm at the pitch cone; a slip of the decimal point must not pass.
    off = replace(INDICATOR, touch_radius_mm=radius)
    with pytest.raises(IndicatorError) as caught:
        off.to_normal_backlash(GEAR_SET, 0.1)
    assert caught.value.field == "touch_radius_mm"
    assert caught.value.got == radius


@pytest.mark.parametrize("radius", [53.0, 56.3, 79.9, 83.0])
def test_tip_on_a_tooth_is_accepted_up_to_a_module_beyond_the_pitch_cone(radius: float) -> None:
    assert replace(INDICATOR, touch_radius_mm=radius).to_normal_backlash(GEAR_SET, 0.1) > 0
