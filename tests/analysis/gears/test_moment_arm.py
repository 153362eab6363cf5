"""The moment arm of a tip off the pitch cone, against flanks made from first principles.

Straight teeth: a spherical involute, drawn by a great circle that rolls on the base circle (textbook
construction); a plunger along its normal is followed while the gear turns a little. Spiral teeth: the flank
that a conical cutter's blade leaves when its crown gear rolls on the gear (the law of gearing: at a point of
contact the normal meets the pitch line); the arm is taken from the vectors there. Nothing of the program's
conversion is used.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.gears.indicator import Indicator, IndicatorError
from lashmap_analysis.uncertainty.set_up import height_sensitivity_per_mm, set_up_lines
from numpy.typing import NDArray
from scipy.optimize import brentq

Floats = NDArray[np.float64]
MITRE = GearSet(pinion_teeth=20, gear_teeth=20, outer_module_mm=3.5, face_width_mm=15.0)
LONG = GearSet(pinion_teeth=13, gear_teeth=40, outer_module_mm=4.0, face_width_mm=25.0)
SPIRAL = replace(LONG, mean_spiral_angle_deg=35.0, cutter_radius_mm=75.0)


@dataclass(frozen=True)
class StraightFlank:
    """A flank of straight teeth about the z axis, apex in the origin."""

    pitch_rad: float
    alpha_rad: float

    @property
    def base_rad(self) -> float:
        return math.asin(math.sin(self.pitch_rad) * math.cos(self.alpha_rad))

    def azimuth(self, polar_rad: float) -> float:
        """Closed form of the spherical involute: cos θ = cos δ_b cos(φ sin δ_b) at the unrolled angle φ."""
        sine = math.sin(self.base_rad)
        unrolled = math.acos(math.cos(polar_rad) / math.cos(self.base_rad))
        along = math.atan2(math.tan(unrolled), sine)
        return unrolled / sine - along

    def point(self, reach_mm: float, polar_rad: float) -> Floats:
        azimuth = self.azimuth(polar_rad)
        return reach_mm * np.array(
            [
                math.sin(polar_rad) * math.cos(azimuth),
                math.sin(polar_rad) * math.sin(azimuth),
                math.cos(polar_rad),
            ]
        )

    def normal(self, reach_mm: float, polar_rad: float) -> Floats:
        step = 1e-6
        along = self.point(reach_mm, polar_rad + step) - self.point(reach_mm, polar_rad - step)
        normal = np.cross(along, self.point(1.0, polar_rad))
        return np.asarray(normal / np.linalg.norm(normal))

    def travel(self, reach_mm: float, polar_rad: float, turn_rad: float) -> float:
        """How far a plunger along the normal moves while the flank turns."""
        start, aim = self.point(reach_mm, polar_rad), self.normal(reach_mm, polar_rad)

        def off_flank(path_mm: float) -> float:
            x, y, z = start + path_mm * aim
            polar = math.atan2(math.hypot(x, y), z)
            return math.atan2(y, x) - self.azimuth(polar) - turn_rad

        return float(brentq(off_flank, -1.0, 1.0, xtol=1e-13))


@pytest.mark.parametrize("gear_set", [MITRE, LONG])
@pytest.mark.parametrize("height_modules", [-0.5, -0.25, 0.0, 0.5, 0.9])
def test_reading_along_the_normal_is_the_turn_times_the_arm(gear_set: GearSet, height_modules: float) -> None:
    pitch = gear_set.gear_pitch_angle_rad
    reach, height = gear_set.mean_cone_distance_mm, height_modules * gear_set.outer_module_mm
    flank = StraightFlank(pitch, math.radians(20))
    polar = pitch + math.asin(height / reach)
    seen = abs(flank.travel(reach, polar, 1e-4)) / 1e-4
    tip = Indicator(resolution_mm=1e-4, touch_radius_mm=reach * math.sin(polar), height_mm=height)
    assert tip.normal_arm_mm(gear_set) == pytest.approx(seen, rel=(height / reach) ** 2 + 1e-5)
    lash_rad = 0.003
    transverse = tip.to_transverse_backlash(gear_set, lash_rad * seen)
    assert transverse == pytest.approx(lash_rad * gear_set.outer_gear_pitch_radius_mm, rel=3e-3)


@pytest.mark.parametrize(("gear_set", "percent"), [(LONG, 0.8), (MITRE, 3.5)])
def test_half_a_module_taken_for_none_makes_what_the_guide_says(gear_set: GearSet, percent: float) -> None:
    reach = gear_set.outer_cone_distance_mm
    if gear_set is LONG:
        reach = gear_set.mean_cone_distance_mm
    half = gear_set.outer_module_mm / 2
    at = reach * math.sin(gear_set.gear_pitch_angle_rad) + half * math.cos(gear_set.gear_pitch_angle_rad)
    known = Indicator(resolution_mm=1e-4, touch_radius_mm=at, height_mm=half)
    taken = replace(known, height_mm=None)
    error = 100 * (1 - taken.normal_per_reading(gear_set) / known.normal_per_reading(gear_set))
    assert error == pytest.approx(percent, rel=0.15)
    # And the line for a height that nobody gave covers it: half a module is the end of its rectangle.
    line = next(one for one in set_up_lines(gear_set, taken, 0.1) if one.quantity.startswith("tip height"))
    assert line.standard_uncertainty_mm * math.sqrt(3) == pytest.approx(0.1 * error / 100, rel=0.05)


def crown_contact(
    gear_set: GearSet, place: float, depth_mm: float, alpha_rad: float
) -> tuple[Floats, Floats]:
    """A point of contact of crown gear and gear, and the common normal; pitch line along x, crown axis z.

    The blade's cone has the cutter radius at the pitch plane and leans by the pressure angle; the cutter's
    centre follows from the spiral angle at the mean cone distance.
    """
    cutter, mean = gear_set.cutter_radius_mm or 0.0, gear_set.mean_cone_distance_mm
    spiral = math.radians(gear_set.mean_spiral_angle_deg)
    centre = np.array([mean - cutter * math.sin(spiral), cutter * math.cos(spiral), 0.0])
    radius = cutter + depth_mm * math.tan(alpha_rad)
    towards = math.atan2(-math.cos(spiral), math.sin(spiral)) + place
    ray = np.array([math.cos(towards), math.sin(towards), 0.0])
    point = centre + radius * ray + np.array([0.0, 0.0, depth_mm])
    normal = math.cos(alpha_rad) * ray - math.sin(alpha_rad) * np.array([0.0, 0.0, 1.0])

    def rolled(turn: float) -> tuple[Floats, Floats]:
        c, s = math.cos(turn), math.sin(turn)
        turned = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
        return turned @ point, turned @ normal

    def off_line(turn: float) -> float:
        at, n = rolled(turn)
        return float(np.cross(at, n)[0])

    here = -math.atan2(point[1], point[0])
    return rolled(float(brentq(off_line, here - 0.25, here + 0.25)))


@pytest.mark.parametrize("alpha_deg", [20.0, -20.0])
@pytest.mark.parametrize("place", [-0.08, 0.0, 0.08])
@pytest.mark.parametrize("depth_mm", [-2.0, 0.0, 2.0])
def test_spiral_flank_has_the_same_arm_along_its_height(
    alpha_deg: float, place: float, depth_mm: float
) -> None:
    pitch = SPIRAL.gear_pitch_angle_rad
    at, normal = crown_contact(SPIRAL, place, depth_mm, math.radians(alpha_deg))
    axis = np.array([math.cos(pitch), 0.0, -math.sin(pitch)])
    arm = abs(float(axis @ np.cross(at, normal)))
    polar = math.acos(float(axis @ at) / float(np.linalg.norm(at)))
    reach = float(np.linalg.norm(at))
    tip = Indicator(
        resolution_mm=1e-4,
        touch_radius_mm=reach * math.sin(polar),
        height_mm=reach * math.sin(polar - pitch),
    )
    assert abs(tip.height_mm or 0.0) <= 2.1
    # The blade leans: its circle is larger or smaller by h tan α off the pitch plane, which turns β by
    # h tan α (1/R − sin β / r_c0) / cos β. That is left out, up to 0.2 % of the arm per mm of height.
    assert tip.normal_arm_mm(SPIRAL) == pytest.approx(arm, rel=5e-4 if depth_mm == 0.0 else 5e-3)


def test_height_matters_along_the_normal_alone() -> None:
    tip = Indicator(resolution_mm=1e-4, touch_radius_mm=72.0, height_mm=1.0)
    flat = replace(tip, direction="plane of rotation")
    assert flat.normal_per_reading(SPIRAL) == replace(flat, height_mm=0.0).normal_per_reading(SPIRAL)
    assert not [one for one in set_up_lines(SPIRAL, flat, 0.1) if one.quantity.startswith("tip height")]
    step = 1e-4
    slope = math.log(
        replace(tip, height_mm=1.0 + step).normal_per_reading(SPIRAL) / tip.normal_per_reading(SPIRAL)
    )
    assert height_sensitivity_per_mm(SPIRAL, tip) == pytest.approx(slope / step, rel=1e-3)


def test_height_above_the_tooth_is_refused() -> None:
    with pytest.raises(IndicatorError) as caught:
        Indicator(resolution_mm=1e-4, touch_radius_mm=72.0, height_mm=10.0).check_on(SPIRAL)
    assert caught.value.field == "height_mm"
