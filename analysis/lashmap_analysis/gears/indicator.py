"""The indicator on the gear: which way it looks, where its tip touches, how that becomes backlash.

Decided here: the relation between a reading and backlash at the outer pitch radius. Not decided here: how a
reading is taken from a trace (`rock/rock.py`), and what the set-up's uncertainty amounts to
(`uncertainty/budget.py`).

One relation lies under all cases. A tip that can move along the unit vector u only, pressed on a surface with
unit normal n, moves by p = (d·n) / (u·n) when the surface moves by d. Here d is the arc s along the direction
of motion t, so d·n = s (t·n). On an arm's face, set square to the motion, t·n = 1. On a tooth flank t·n is
the moment arm of the flank's normal about the gear axis over the touch radius r_i.

That arm is the one of the base tangent and does not change along the height of a tooth. On a sphere about the
apex the spherical involute's normal lies in the plane that rolls on the base cone, whose inclination to the
axis is the base cone's angle δ_b, sin δ_b = sin δ2 cos α: the arm is R sin δ2 cos α at any height. With
spiral teeth, cut by the plane flanks of a crown gear, the law of gearing makes it R sin δ2 cos α_n cos β(R).
A tip at height h above the pitch cone (perpendicular to it) touches at r_i = R sin δ2 + h cos δ2, R being the
cone distance of the foot on the pitch cone (derived; left out are terms of (h / R)² / 2, and the leaning
blade of a face-milled set, which turns β along the height by up to 0.2 % of the arm per mm). A tip half a
module off the pitch cone that is taken for one on it makes 0.8 % at 13:40 and 3.5 % at 20:20.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import cos, isfinite, radians, sin, sqrt
from typing import Literal, get_args

import numpy as np

from lashmap_analysis.errors import FieldError, require_ranges
from lashmap_analysis.gears.gear_set import GearSet, Length

Direction = Literal["normal", "plane of rotation", "gear angle"]

# A height that nobody gave is taken as 0 and lies within half a module of that: rectangular (from memory: the
# working flank reaches a module to either side, and a tip is set by eye near its middle).
UNKNOWN_HEIGHT_MODULES = 0.5
# Standard uncertainty of a height that was given without one: read off with a rule (from memory).
GIVEN_HEIGHT_UNCERTAINTY_MM = 0.3
# Above the pitch cone there is one module of tooth, below it little more (ISO 23509: addendum, dedendum).
MOST_HEIGHT_MODULES = 1.5


class IndicatorError(FieldError):
    """An indicator or a set-up that cannot be."""


# No indicator is off by a tenth of its way; corrections in µm are (common practice, no source).
STEEPEST = 0.1


@dataclass(frozen=True, kw_only=True)
class CorrectionCurve:
    """The correction curve of an indicator's certificate, in the sense in which its readings are recorded.

    Attributes:
        readings_mm: What the indicator shows, increasing; two or more.
        corrections_mm: What is to be added there.
        uncertainties_mm: Expanded uncertainty (k = 2) of each correction.

    Raises:
        IndicatorError: The three do not fit together.
    """

    readings_mm: tuple[float, ...]
    corrections_mm: tuple[float, ...]
    uncertainties_mm: tuple[float, ...]

    def __post_init__(self) -> None:
        readings, sizes = self.readings_mm, (len(self.corrections_mm), len(self.uncertainties_mm))
        if len(readings) < 2 or sizes != (len(readings), len(readings)):
            got = f"{len(readings)} readings, {sizes[0]} corrections and {sizes[1]} uncertainties"
            raise IndicatorError("correction", got, "two or more of each, and as many of one as of another")
        if not all(isfinite(one) for one in (*readings, *self.corrections_mm, *self.uncertainties_mm)):
            raise IndicatorError("correction", self, "finite figures")
        if not all(low < high for low, high in pairwise(readings)):
            raise IndicatorError("correction.readings_mm", readings, "readings that increase")
        steps = zip(pairwise(readings), pairwise(self.corrections_mm), strict=True)
        if any(abs(after - before) > STEEPEST * (high - low) for (low, high), (before, after) in steps):
            expected = f"corrections in mm that change by no more than {STEEPEST:g} mm in each mm of reading"
            raise IndicatorError("correction.corrections_mm", self.corrections_mm, expected)
        if min(self.uncertainties_mm) < 0:
            raise IndicatorError("correction.uncertainties_mm", self.uncertainties_mm, "0 mm or more")

    @classmethod
    def from_text(cls, points: str) -> CorrectionCurve | None:
        """What `as_text` wrote; None from an empty text.

        Raises:
            IndicatorError: The text is not one of `as_text`.
        """
        if not points:
            return None
        try:
            columns = zip(
                *([float(one) for one in line.split()] for line in points.splitlines()), strict=True
            )
            readings, corrections, uncertainties = (tuple(column) for column in columns)
        except ValueError as error:
            expected = "a reading, a correction and an uncertainty in each line"
            raise IndicatorError("correction", points, expected) from error
        return cls(readings_mm=readings, corrections_mm=corrections, uncertainties_mm=uncertainties)

    @property
    def as_text(self) -> str:
        """Reading, correction and uncertainty in mm, one point a line, to the last digit."""
        points = zip(self.readings_mm, self.corrections_mm, self.uncertainties_mm, strict=True)
        return "\n".join(" ".join(repr(one) for one in point) for point in points)

    def between_mm(self, high_mm: float, low_mm: float) -> float:
        """Correction of the difference of two readings: that of the high one less that of the low one."""
        at = np.interp([high_mm, low_mm], self.readings_mm, self.corrections_mm)
        return float(at[0] - at[1])

    def covers(self, reading_mm: float) -> bool:
        """Whether the curve says anything about a reading."""
        return self.readings_mm[0] <= reading_mm <= self.readings_mm[-1]


@dataclass(frozen=True, kw_only=True)
class Indicator:
    """One indicator and its set-up on the gear.

    Attributes:
        resolution_mm: Least step of the display; of a scale that is read by eye, the step it is read to.
        touch_radius_mm: Distance of the tip's point of contact from the gear axis (r_i).
        direction: Line of action: along the flank normal, or in the plane of rotation; ``gear angle`` where
            there is no indicator and readings are the encoder's angle as an arc of the outer pitch circle,
            s = Δθ r_e2 (`of_angle`).
        off_normal_deg: γ, plunger's angle off that direction.
        lever_deg: ε, inclination of a lever tip to the flank; None for a plunger.
        on_arm: True when the tip bears on an arm clamped to the gear shaft (plane of rotation, any radius).
        touch_radius_uncertainty_mm: Standard uncertainty of the touch radius.
        height_mm: h, point of contact above the pitch cone, perpendicular to it; negative towards the root.
            None when nobody measured it: taken as 0 with an uncertainty that covers half a module.
        height_uncertainty_mm: Standard uncertainty of the height; None for the default.
        by_eye: A person reads its scale and types what it shows.
        rounded_alike: Of a scale that is read by eye: all positions may be rounded alike.
        angle_uncertainty_deg: Standard uncertainty of γ (and of ε).
        calibration_uncertainty_mm: Expanded (k = 2), from the certificate, for a difference of readings; None
            when there is no figure.
        hysteresis_mm: Largest difference of two readings of one length, approached from either side; None
            when the certificate has none.
        correction: The certificate's correction curve; None when there is none.

    Raises:
        IndicatorError: A field cannot be right; carries ``field``, ``got`` and ``expected``.
    """

    resolution_mm: float
    touch_radius_mm: float
    direction: Direction = "normal"
    off_normal_deg: float = 0.0
    lever_deg: float | None = None
    on_arm: bool = False
    touch_radius_uncertainty_mm: float = 0.2
    angle_uncertainty_deg: float = 2.0
    calibration_uncertainty_mm: float | None = None
    hysteresis_mm: float | None = None
    correction: CorrectionCurve | None = None
    height_mm: float | None = None
    height_uncertainty_mm: float | None = None
    by_eye: bool = False
    rounded_alike: bool = True

    def __post_init__(self) -> None:
        if self.direction not in get_args(Direction):
            raise IndicatorError("direction", self.direction, "'normal' or 'plane of rotation'")
        require_ranges(IndicatorError, self, _RANGES)
        if not self.touch_radius_uncertainty_mm < self.touch_radius_mm / 3:
            expected = f"less than a third of the touch radius of {self.touch_radius_mm:g} mm"
            raise IndicatorError("touch_radius_uncertainty_mm", self.touch_radius_uncertainty_mm, expected)
        if self.on_arm and self.direction == "normal":
            expected = "'plane of rotation' for a tip on an arm: an arm has no flank"
            raise IndicatorError("direction", self.direction, expected)

    @classmethod
    def of_angle(
        cls, gear_set: GearSet, *, resolution_deg: float, standard_uncertainty_deg: float | None
    ) -> Indicator:
        """An encoder on the gear's shaft in the place of an indicator: its angle, as an arc at r_e2.

        The arc of the outer pitch circle is the transverse backlash itself, j_et = Δθ r_e2 (DESIGN §3): no
        radius, direction or height of a tip has to be known.

        Args:
            gear_set: The gear set under test.
            resolution_deg: One count.
            standard_uncertainty_deg: Of a difference of two angles a rock apart, other than resolution; None
                when nobody stated one.
        """
        radius = gear_set.outer_gear_pitch_radius_mm
        graduation = (
            None if standard_uncertainty_deg is None else 2 * radians(standard_uncertainty_deg) * radius
        )
        return cls(
            resolution_mm=radians(resolution_deg) * radius,
            touch_radius_mm=radius,
            touch_radius_uncertainty_mm=0.0,
            direction="gear angle",
            angle_uncertainty_deg=0.0,
            on_arm=True,
            calibration_uncertainty_mm=graduation,
        )

    @property
    def is_encoder(self) -> bool:
        """There is no indicator: readings are the encoder's angle."""
        return self.direction == "gear angle"

    def check_on(self, gear_set: GearSet) -> None:
        """Refuse a touch radius that is not on the gear's teeth.

        The pitch cone's face runs from r_e2 − b sin δ2 to r_e2; a tip above or below the pitch cone may lie
        up to about one module outside that. An arm may have any radius.

        Raises:
            IndicatorError: The tip would touch no tooth, so the radius, the height or its unit is wrong.
        """
        if self.on_arm:
            return
        outer = gear_set.outer_gear_pitch_radius_mm
        inner = outer - gear_set.face_width_mm * sin(gear_set.gear_pitch_angle_rad)
        module = gear_set.outer_module_mm
        if not inner - module <= self.touch_radius_mm <= outer + module:
            expected = (
                f"a radius on the gear's teeth, {inner:.4g} to {outer:.4g} mm at the pitch cone, "
                f"give or take one module of {module:g} mm; or a tip on an arm"
            )
            raise IndicatorError("touch_radius_mm", self.touch_radius_mm, expected)
        most = MOST_HEIGHT_MODULES * module
        if self.height_mm is not None and abs(self.height_mm) > most:
            expected = f"a height above the pitch cone from {-most:g} to {most:g} mm, or nothing"
            raise IndicatorError("height_mm", self.height_mm, expected)

    def height_spread_mm(self, gear_set: GearSet) -> float:
        """Standard uncertainty of the tip's height above the pitch cone, in mm."""
        if self.height_uncertainty_mm is not None:
            return self.height_uncertainty_mm
        if self.height_mm is not None:
            return GIVEN_HEIGHT_UNCERTAINTY_MM
        return UNKNOWN_HEIGHT_MODULES * gear_set.outer_module_mm / sqrt(3)

    def cone_distance_mm(self, gear_set: GearSet) -> float:
        """Cone distance of the tip's foot on the pitch cone: R = (r_i − h cos δ2) / sin δ2."""
        pitch = gear_set.gear_pitch_angle_rad
        return (self.touch_radius_mm - (self.height_mm or 0.0) * cos(pitch)) / sin(pitch)

    def normal_arm_mm(self, gear_set: GearSet) -> float:
        """Moment arm of the flank's normal about the gear axis: R sin δ2 cos α_n cos β(R).

        Raises:
            GearSetError: The cutter's arc does not reach the tip.
        """
        distance = self.cone_distance_mm(gear_set)
        alpha = radians(gear_set.normal_pressure_angle_deg)
        return (
            distance
            * sin(gear_set.gear_pitch_angle_rad)
            * cos(alpha)
            * cos(gear_set.spiral_angle_rad(distance))
        )

    def motion_on_normal(self, gear_set: GearSet) -> float:
        """t·n on the flank at the tip: moment arm of its normal over the touch radius."""
        return self.normal_arm_mm(gear_set) / self.touch_radius_mm

    def arc_per_reading(self, gear_set: GearSet) -> float:
        """Arc s moved at the touch radius for one unit of reading, dimensionless.

        Plunger along the flank normal: reading = s (t·n), the gear's turn times the moment arm of the flank's
        normal (module text, u = n). In the plane of rotation: reading = s, on the flank (u = t, the factors
        cancel) as on an arm; the arm is r_i itself.

        A plunger γ off the flank normal has u·n = cos γ and reads too large by 1 / cos γ; a lever tip moves
        square to its lever, so at an inclination ε to the flank it is ε off the normal and reads too large by
        1 / cos ε. Both are multiplied back.

        A plunger γ off the plane-of-rotation tangent has on a *flank* u·n = cos γ (t·n) + sin γ (w·n), w
        being the way it is tilted: s / reading = cos γ + sin γ (w·n) / (t·n), and (w·n) / (t·n) lies anywhere
        within ± tan of the angle between t and n. The record does not say which way the plunger is tilted,
        so the even part cos γ is corrected and the odd part, which is of first order in γ, is left to the
        budget (`uncertainty/budget.py`). On an arm n = t, the odd part is zero and cos γ is exact.

        Raises:
            IndicatorError: See `check_on`.
            GearSetError: The cutter's arc does not reach the touch radius.
        """
        self.check_on(gear_set)
        factor = cos(radians(self.off_normal_deg))
        if self.lever_deg is not None:
            factor *= cos(radians(self.lever_deg))
        if self.direction == "normal":
            factor /= self.motion_on_normal(gear_set)
        return factor

    def to_transverse_backlash(self, gear_set: GearSet, reading_mm: Length) -> Length:
        """Transverse backlash j_et at the outer pitch radius, in mm: j_et = s r_e2 / r_i.

        Args:
            gear_set: The gear set under test.
            reading_mm: Lash on the indicator's own line of action; number or array.

        Raises:
            IndicatorError: See `check_on`.
            GearSetError: The cutter's arc does not reach the touch radius.
        """
        outer = gear_set.outer_gear_pitch_radius_mm
        return reading_mm * (self.arc_per_reading(gear_set) * outer / self.touch_radius_mm)

    def to_normal_backlash(self, gear_set: GearSet, reading_mm: Length) -> Length:
        """Normal backlash j_en at the outer pitch radius, in mm: j_et cos α_n cos β_e.

        Args:
            gear_set: The gear set under test.
            reading_mm: Lash on the indicator's own line of action; number or array.

        Raises:
            IndicatorError: See `check_on`.
            GearSetError: The cutter's arc does not reach the touch radius.
        """
        return gear_set.normal_from_transverse(self.to_transverse_backlash(gear_set, reading_mm))

    def normal_per_reading(self, gear_set: GearSet) -> float:
        """Normal backlash j_en for one unit of reading, dimensionless."""
        return self.to_normal_backlash(gear_set, 1.0)


# A display step of a millimetre measures no backlash; an angle of 45° or a lever of 60° (where the common
# tables of the cosine error end) is no longer "off" a direction but another direction (common practice).
_RANGES = (
    ("resolution_mm", 1e-7, 1.0, "a display step above 0 and up to 1 mm"),
    ("touch_radius_mm", 1e-3, 1e5, "a radius above 0 mm"),
    ("off_normal_deg", -45.0, 45.0, "an angle of at most 45 degrees"),
    ("lever_deg", -60.0, 60.0, "an angle of at most 60 degrees, or nothing for a plunger"),
    ("touch_radius_uncertainty_mm", 0.0, 1e5, "a standard uncertainty of 0 mm or more"),
    ("angle_uncertainty_deg", 0.0, 45.0, "a standard uncertainty from 0 to 45 degrees"),
    ("calibration_uncertainty_mm", 0.0, 1e3, "an expanded uncertainty of 0 mm or more, or nothing"),
    ("hysteresis_mm", 0.0, 1.0, "a hysteresis from 0 to 1 mm, or nothing"),
    ("height_mm", -1e3, 1e3, "a height above the pitch cone in mm, or nothing"),
    ("height_uncertainty_mm", 0.0, 1e3, "a standard uncertainty of 0 mm or more, or nothing"),
)
