"""A pair of straight bevel gears with spherical-involute flanks, from first principles, for the tests.

Nothing of `lashmap_analysis` is used. A great circle that rolls on the base circle of a cone, both on a
sphere about the apex, draws the spherical involute; the flank is the cone of rays from the apex through it.
The pinion is held, a member may be shifted along its axis, and how far the gear can turn is found point by
point over the pinion's flank.

Where the flanks touch depends on how far the pair is rolled: a crowned pair touches near the pitch line, and
which teeth touch there on either side changes from roll to roll. `phase` says so for both sides alike: 0 when
each side touches at the pitch line itself, 1 when one pinion tooth stands centred and touches with both its
flanks, -1 when one gear tooth does.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import acos, asin, cos, hypot, radians, sin

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class BevelPair:
    """A right-angle pair with straight teeth.

    Attributes:
        pinion_teeth, gear_teeth: z1, z2.
        module_mm: Outer transverse module.
        face_mm: Face width.
        pressure_deg: Pressure angle at the pitch cone.
        play_mm: Transverse play at the outer pitch radius with both apexes together.
    """

    pinion_teeth: int
    gear_teeth: int
    module_mm: float = 4.0
    face_mm: float = 20.0
    pressure_deg: float = 20.0
    play_mm: float = 0.2

    def play_rad(self, *, pinion_out_mm: float = 0.0, gear_out_mm: float = 0.0, phase: float = 0.0) -> float:
        """Angle by which the gear can turn, members shifted along their axes away from the apex."""
        points = self._pinion_flank(phase) + np.array([0.0, 0.0, pinion_out_mm])
        # Pinion axis along z, gear axis along x: the pitch line lies between them, y is the way of motion.
        seen = points - np.array([gear_out_mm, 0.0, 0.0])
        reach = np.linalg.norm(seen, axis=-1)
        polar = np.arccos(seen[..., 0] / reach)
        azimuth = np.arctan2(seen[..., 1], seen[..., 2])
        low, high = self._active(self.gear_teeth)
        on_gear = (polar >= low) & (polar <= high)
        on_gear &= (reach <= self.outer_mm) & (reach >= self.outer_mm - self.face_mm)
        gap = self._gear_flank(polar, phase) - azimuth
        # The other side is alike, mirrored in the plane of the axes.
        return 2 * float(gap[on_gear].min())

    @property
    def outer_mm(self) -> float:
        """Outer cone distance: hypotenuse over both outer pitch radii."""
        return self.module_mm / 2 * hypot(self.pinion_teeth, self.gear_teeth)

    @property
    def gear_radius_mm(self) -> float:
        """Outer pitch radius of the gear."""
        return self.module_mm * self.gear_teeth / 2

    def _pitch(self, teeth: int) -> float:
        return asin(teeth * self.module_mm / 2 / self.outer_mm)

    def _active(self, teeth: int) -> tuple[float, float]:
        """Polar angles from just outside the base cone or the root, to the tip: one module either way."""
        pitch, module = self._pitch(teeth), self.module_mm / self.outer_mm
        return max(self._base(teeth) + 1e-6, pitch - module), pitch + module

    def _base(self, teeth: int) -> float:
        """Base cone: the great circle through the pitch line, inclined by the pressure angle, touches it."""
        return asin(sin(self._pitch(teeth)) * cos(radians(self.pressure_deg)))

    def _involute(self, teeth: int, polar: Floats) -> Floats:
        """Azimuth of the spherical involute past its start on the base circle, shape of `polar`."""
        base = self._base(teeth)
        roll = np.linspace(0.0, 1.2 * acos(cos(self._active(teeth)[1]) / cos(base)) / sin(base), 20_001)
        unwound = roll * sin(base)
        foot = np.stack([sin(base) * np.cos(roll), sin(base) * np.sin(roll), np.full_like(roll, cos(base))])
        along = np.stack([-np.sin(roll), np.cos(roll), np.zeros_like(roll)])
        point = np.cos(unwound) * foot - np.sin(unwound) * along
        return np.asarray(np.interp(polar, np.arccos(point[2]), np.arctan2(point[1], point[0])))

    def _pinion_flank(self, phase: float) -> Floats:
        """Points on a pinion flank that faces +y, shape (profile, face, 3)."""
        low, high = self._active(self.pinion_teeth)
        polar = np.linspace(low, high, 800)
        pitch = self._pitch(self.pinion_teeth)
        half = phase * np.pi / 2 / self.pinion_teeth
        azimuth = half - (self._involute(self.pinion_teeth, polar) - self._at(self.pinion_teeth, pitch))
        ray = np.stack(
            [np.sin(polar) * np.cos(azimuth), np.sin(polar) * np.sin(azimuth), np.cos(polar)], axis=-1
        )
        reach = np.linspace(self.outer_mm - self.face_mm, self.outer_mm, 60)
        return np.asarray(ray[:, np.newaxis, :] * reach[np.newaxis, :, np.newaxis])

    def _gear_flank(self, polar: Floats, phase: float) -> Floats:
        """Azimuth of the gear flank that meets it, half the play away."""
        pitch = self._pitch(self.gear_teeth)
        half = phase * np.pi / 2 / self.gear_teeth + self.play_mm / 2 / self.gear_radius_mm
        return np.asarray(half + self._involute(self.gear_teeth, polar) - self._at(self.gear_teeth, pitch))

    def _at(self, teeth: int, polar: float) -> float:
        return float(self._involute(teeth, np.array([polar]))[0])
