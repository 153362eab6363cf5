"""The gear set: tooth counts and pitch geometry of a right-angle (bevel) pair.

Decided here: what a possible gear set is, its pitch geometry, and how transverse and normal backlash at the
outer pitch radius follow from each other. Not decided here: what an indicator reads (`gears/indicator.py`).
Hypoid sets, whose axes do not cross, are outside.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from math import atan2, cos, gcd, lcm, pi, radians, sin, sqrt
from typing import TypeVar, overload

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.errors import FieldError, require_finite, require_ranges, require_whole

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Length = TypeVar("Length", float, NDArray[np.float64])

# Fewer than 5 teeth is below any bevel pinion in use, more than 400 above any bevel gear: a slip of typing
# (common practice, no source). The upper bound also keeps the mesh cycle within what can be searched.
LEAST_TEETH = 5
MOST_TEETH = 400

# Half-width of the place of contact, as a part of the face width, where the contact pattern was looked at:
# its middle is judged by eye (from memory).
CONTACT_HALF_WIDTH = 0.15


class GearSetError(FieldError):
    """A gear set that cannot exist."""


@dataclass(frozen=True, kw_only=True)
class GearSet:
    """A bevel gear set with intersecting axes; index 1 is the pinion, 2 the gear.

    Angles are given in degrees and turned into radians where formulas need them (names end in ``_rad``).
    A derived quantity is a property when it needs no argument.

    Attributes:
        pinion_teeth: z1, from 5 and at most `gear_teeth`.
        gear_teeth: z2, at most 400.
        outer_module_mm: m_et, outer transverse module.
        face_width_mm: b, less than the outer cone distance.
        normal_pressure_angle_deg: α_n, between 0 and 45, both excluded; the same on both flanks.
        mean_spiral_angle_deg: β_m, less than 60 in size; 0 for straight teeth. Its sign (hand) is kept but
            has no influence on backlash.
        shaft_angle_deg: Σ, 10 to 170, and such that the gear's pitch angle stays below 90°.
        cutter_radius_mm: r_c0 of a face-milled set; None when unknown, the spiral angle is then taken as
            β_m along the whole face.
        contact_from_toe: Where the teeth touch along the face, from the contact pattern: 0 at the toe (inner
            end), 1 at the heel; None when nobody looked. It belongs to how the set is built in and not to its
            design, so that two sets that differ in it alone are equal.

    Raises:
        GearSetError: A field cannot be right; carries ``field``, ``got`` and ``expected``.
    """

    pinion_teeth: int
    gear_teeth: int
    outer_module_mm: float
    face_width_mm: float
    normal_pressure_angle_deg: float = 20.0
    mean_spiral_angle_deg: float = 0.0
    shaft_angle_deg: float = 90.0
    cutter_radius_mm: float | None = None
    contact_from_toe: float | None = field(default=None, compare=False)

    def __post_init__(self) -> None:
        for name, got, expected in _faults(self):
            raise GearSetError(name, got, expected)

    @property
    def ratio(self) -> float:
        """Gear ratio u = z2 / z1."""
        return self.gear_teeth / self.pinion_teeth

    @property
    def mesh_cycle(self) -> int:
        """Engagements after which the same teeth meet again: lcm(z1, z2)."""
        return lcm(self.pinion_teeth, self.gear_teeth)

    @property
    def hunting(self) -> bool:
        """True when every pinion tooth meets every gear tooth: gcd(z1, z2) = 1."""
        return gcd(self.pinion_teeth, self.gear_teeth) == 1

    @property
    def pinion_pitch_angle_rad(self) -> float:
        """δ1 = atan(sin Σ / (cos Σ + u)), ISO 23509:2016 method 0."""
        sigma = radians(self.shaft_angle_deg)
        return atan2(sin(sigma), self.ratio + cos(sigma))

    @property
    def gear_pitch_angle_rad(self) -> float:
        """δ2 = Σ − δ1."""
        return radians(self.shaft_angle_deg) - self.pinion_pitch_angle_rad

    @property
    def outer_pinion_pitch_radius_mm(self) -> float:
        """r_e1 = m_et z1 / 2."""
        return self.outer_module_mm * self.pinion_teeth / 2

    @property
    def outer_gear_pitch_radius_mm(self) -> float:
        """r_e2 = m_et z2 / 2."""
        return self.outer_module_mm * self.gear_teeth / 2

    @property
    def outer_cone_distance_mm(self) -> float:
        """R_e = d_e2 / (2 sin δ2)."""
        return self.outer_gear_pitch_radius_mm / sin(self.gear_pitch_angle_rad)

    @property
    def mean_cone_distance_mm(self) -> float:
        """R_m = R_e − b / 2."""
        return self.outer_cone_distance_mm - self.face_width_mm / 2

    @overload
    def spiral_angle_rad(self, cone_distance_mm: float) -> float: ...
    @overload
    def spiral_angle_rad(self, cone_distance_mm: Floats) -> Floats: ...
    def spiral_angle_rad(self, cone_distance_mm: float | Floats) -> float | Floats:
        """Spiral angle β(R), with the sign of β_m (positive when β_m is 0).

        With a cutter radius, ISO 23509:2016 eq. 193:
        sin β = (2 R_m r_c0 sin β_m − R_m² + R²) / (2 R r_c0); otherwise β_m everywhere.

        Args:
            cone_distance_mm: R, a number or an array of any shape.

        Returns:
            Angle in radians, of the shape of `cone_distance_mm`.

        Raises:
            GearSetError: The cutter's arc does not reach this cone distance.
        """
        distance = np.asarray(cone_distance_mm, dtype=np.float64)
        if self.cutter_radius_mm is None:
            angle = np.full(distance.shape, radians(self.mean_spiral_angle_deg))
        else:
            sine = sine_of_spiral_angle(self, distance, self.cutter_radius_mm)
            if not np.all(np.abs(sine) <= 1):
                expected = "a cutter arc that reaches the cone distance asked for"
                raise GearSetError("cutter_radius_mm", self.cutter_radius_mm, expected)
            angle = np.arcsin(sine) * (-1.0 if self.mean_spiral_angle_deg < 0 else 1.0)
        return angle if isinstance(cone_distance_mm, np.ndarray) else float(angle)

    @cached_property
    def outer_spiral_angle_rad(self) -> float:
        """β_e, the spiral angle at the outer cone distance."""
        return self.spiral_angle_rad(self.outer_cone_distance_mm)

    @property
    def normal_per_transverse(self) -> float:
        """j_en / j_et = cos α_n cos β_e (ISO 23509:2016 clause 7.8)."""
        return cos(radians(self.normal_pressure_angle_deg)) * cos(self.outer_spiral_angle_rad)

    def normal_from_transverse(self, transverse_backlash_mm: Length) -> Length:
        """Outer normal backlash j_en = j_et cos α_n cos β_e, in mm; number or array."""
        return transverse_backlash_mm * self.normal_per_transverse

    @cached_property
    def contact_factor(self) -> float:
        """K_c: change of the outer normal backlash with a move, over that with contact at the heel.

        A gap that opens square to the flanks by Δ at cone distance R_c lets the gear turn by
        Δ / (R_c sin δ2 cos α_n cos β_c); at the outer end that turn is worth R_e sin δ2 cos α_n cos β_e:
        K_c = R_e cos β_e / (R_c cos β_c) (derived). Where nobody saw the contact pattern, the middle of what
        is possible from toe to heel.
        """
        if self.contact_from_toe is not None:
            return float(self._contact_factor_at(np.array([self.contact_from_toe]))[0])
        return sum(self._contact_factor_ends) / 2

    @property
    def contact_factor_half_width(self) -> float:
        """Half-width of K_c: the whole face when nobody looked, else what an eye leaves."""
        return max(abs(end - self.contact_factor) for end in self._contact_factor_ends)

    @property
    def contact_factor_spread(self) -> float:
        """Relative standard uncertainty of K_c.

        Seen: rectangular. Not seen: U-shaped over the whole face (arcsine, GUM H.1.3.4), since contact at one
        of the two ends is what the interval has to hold too.
        """
        shape = 2.0 if self.contact_from_toe is None else 3.0
        return self.contact_factor_half_width / self.contact_factor / sqrt(shape)

    @property
    def contact_cone_distance_mm(self) -> float:
        """R_c, of the place of contact; of the middle of the face when nobody looked."""
        from_toe = 0.5 if self.contact_from_toe is None else self.contact_from_toe
        return self.outer_cone_distance_mm - self.face_width_mm * (1 - from_toe)

    @property
    def lash_per_runout(self) -> float:
        """Peak-to-peak of normal backlash for a runout F perpendicular to the pitch cone: 2 sin α_n K_c."""
        return 2 * sin(radians(self.normal_pressure_angle_deg)) * self.contact_factor

    @property
    def lash_per_pinion_move(self) -> float:
        """Change of normal backlash for a move of the pinion away from the apex: 2 sin α_n sin δ1 K_c."""
        return self.lash_per_runout * sin(self.pinion_pitch_angle_rad)

    @property
    def lash_per_gear_move(self) -> float:
        """The same for the gear: 2 sin α_n sin δ2 K_c."""
        return self.lash_per_runout * sin(self.gear_pitch_angle_rad)

    @cached_property
    def _contact_factor_ends(self) -> tuple[float, float]:
        low, high = 0.0, 1.0
        if self.contact_from_toe is not None:
            low = max(low, self.contact_from_toe - CONTACT_HALF_WIDTH)
            high = min(high, self.contact_from_toe + CONTACT_HALF_WIDTH)
        # K_c falls from toe to heel unless the spiral steepens fast: look along the way.
        factors = self._contact_factor_at(np.linspace(low, high, 11))
        return float(factors.min()), float(factors.max())

    def _contact_factor_at(self, from_toe: Floats) -> Floats:
        distance = self.outer_cone_distance_mm - self.face_width_mm * (1 - from_toe)
        outer = self.outer_cone_distance_mm * cos(self.outer_spiral_angle_rad)
        factor: Floats = outer / (distance * np.cos(self.spiral_angle_rad(distance)))
        return factor

    @overload
    def gear_angle_deg(self, engagement: int) -> float: ...
    @overload
    def gear_angle_deg(self, engagement: Integers) -> Floats: ...
    def gear_angle_deg(self, engagement: int | Integers) -> float | Floats:
        """Gear angle past the matched teeth at engagement k: 360 k / z2 degrees, not wrapped."""
        if isinstance(engagement, np.ndarray):
            return engagement.astype(np.float64) * (360.0 / self.gear_teeth)
        return engagement * (360.0 / self.gear_teeth)


def sine_of_spiral_angle(gear_set: GearSet, distance_mm: Floats, cutter_radius_mm: float) -> Floats:
    """Sine of β(R) for |β_m| and any cutter radius, shape of `distance_mm` (ISO 23509:2016 eq. 193)."""
    mean = gear_set.mean_cone_distance_mm
    sine_mean = sin(radians(abs(gear_set.mean_spiral_angle_deg)))
    sine: Floats = (2 * mean * cutter_radius_mm * sine_mean - mean**2 + distance_mm**2) / (
        2 * distance_mm * cutter_radius_mm
    )
    return sine


def _faults(gear_set: GearSet) -> Iterator[tuple[str, object, str]]:
    """Each impossible field as (field, got, expected); a later check may rely on the earlier ones."""
    yield from _tooth_faults(gear_set)
    require_ranges(GearSetError, gear_set, _RANGES)
    if gear_set.gear_pitch_angle_rad >= pi / 2 - 1e-9:
        limit = f"a shaft angle that keeps the gear's pitch angle below 90° at {gear_set.ratio:.3g}:1"
        yield "shaft_angle_deg", gear_set.shaft_angle_deg, limit
    reach = gear_set.outer_cone_distance_mm
    if not 0 < gear_set.face_width_mm < reach:
        limit = f"a face width above 0 and below the outer cone distance of {reach:.4g} mm"
        yield "face_width_mm", gear_set.face_width_mm, limit
    yield from _cutter_faults(gear_set)


def _tooth_faults(gear_set: GearSet) -> Iterator[tuple[str, object, str]]:
    expected = f"a whole number of teeth from {LEAST_TEETH} to {MOST_TEETH}"
    for name in ("pinion_teeth", "gear_teeth"):
        got = getattr(gear_set, name)
        require_whole(GearSetError, name, got, expected)
        if not LEAST_TEETH <= got <= MOST_TEETH:
            yield name, got, expected
    if gear_set.pinion_teeth > gear_set.gear_teeth:
        expected = f"at most the gear's {gear_set.gear_teeth} teeth: the pinion is the smaller member"
        yield "pinion_teeth", gear_set.pinion_teeth, expected


# Modules below 0.1 or above 100 mm are not cut: inches or a diametral pitch were meant (common practice).
_RANGES = (
    ("outer_module_mm", 0.1, 100.0, "an outer transverse module from 0.1 to 100 mm"),
    ("face_width_mm", 0.0, np.inf, "a face width in mm"),
    ("normal_pressure_angle_deg", 1e-3, 45 - 1e-3, "an angle above 0 and below 45 degrees"),
    ("mean_spiral_angle_deg", -60 + 1e-3, 60 - 1e-3, "an angle below 60 degrees in size"),
    ("shaft_angle_deg", 10.0, 170.0, "an angle from 10 to 170 degrees"),
    ("contact_from_toe", 0.0, 1.0, "a part of the face width from 0 (toe) to 1 (heel), or nothing"),
)


def _cutter_faults(gear_set: GearSet) -> Iterator[tuple[str, object, str]]:
    got = gear_set.cutter_radius_mm
    if got is None:
        return
    name = "cutter_radius_mm"
    radius = require_finite(GearSetError, name, got, "a radius in mm, or nothing")
    if radius <= 0:
        yield name, got, "a radius above 0 mm, or nothing"
    # sin β(R) is monotonic or has one minimum above zero: its extremes in size are at the ends of the face.
    outer = gear_set.outer_cone_distance_mm
    ends = np.array([outer - gear_set.face_width_mm, outer])
    if np.any(np.abs(sine_of_spiral_angle(gear_set, ends, radius)) > 1):
        yield name, got, "a cutter radius whose arc crosses the whole face width at this spiral angle"
