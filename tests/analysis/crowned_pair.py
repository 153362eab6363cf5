"""A bevel pair with lengthwise crowned flanks, straight or spiral, from first principles, for the tests.

Nothing of `lashmap_analysis` is used. On every sphere about the apex both flanks are spherical involutes of
one transverse pressure angle, tan α_t = tan α_n / cos β; from sphere to sphere they are twisted by angles
that roll on each other, so that the pair is conjugate. The gear's flank is then relieved by a parabola along
the face, so that the pair touches where the parabola has its top. The pinion is held, a member may be
shifted, and how far the gear can turn is found point by point over both flanks of the pinion's tooth.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import asin, atan, cos, hypot, radians, sin, tan

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class CrownedPair:
    """A right-angle pair.

    Attributes:
        pinion_teeth, gear_teeth: z1, z2.
        contact_from_toe: Where along the face the flanks touch, 0 at the toe and 1 at the heel.
        module_mm: Outer transverse module.
        face_mm: Face width.
        pressure_deg: Normal pressure angle.
        spiral_deg: Spiral angle, the same along the face.
        crown_mm: Relief half a face width from the place of contact, square to the flank.
        play_mm: Transverse play at the outer pitch radius with both apexes together.
    """

    pinion_teeth: int
    gear_teeth: int
    contact_from_toe: float
    module_mm: float = 4.0
    face_mm: float = 20.0
    pressure_deg: float = 20.0
    spiral_deg: float = 0.0
    crown_mm: float = 0.1
    play_mm: float = 0.2

    @property
    def outer_mm(self) -> float:
        """Outer cone distance."""
        return self.module_mm / 2 * hypot(self.pinion_teeth, self.gear_teeth)

    @property
    def contact_mm(self) -> float:
        """Cone distance of the place of contact."""
        return self.outer_mm - self.face_mm * (1 - self.contact_from_toe)

    def normal_mm(self, *, pinion_mm: Floats, gear_mm: Floats) -> float:
        """Normal backlash at the outer end from the angle the gear can turn, members shifted.

        Args:
            pinion_mm: Shift of the pinion, shape (3,): pinion axis along z, gear axis along x.
            gear_mm: Shift of the gear.
        """
        shift = tuple((pinion_mm - gear_mm).tolist())
        turn = self._gap(shift, 1.0) + self._gap(shift, -1.0)
        outer_arc = turn * self.module_mm * self.gear_teeth / 2
        return outer_arc * cos(radians(self.pressure_deg)) * cos(radians(self.spiral_deg))

    def moved_out_mm(self, member: str, move_mm: float) -> float:
        """Normal backlash with one member moved out along its axis."""
        out = np.array([0.0, 0.0, move_mm]) if member == "pinion" else np.array([move_mm, 0.0, 0.0])
        nothing = np.zeros(3)
        pinion, gear = (out, nothing) if member == "pinion" else (nothing, out)
        return self.normal_mm(pinion_mm=pinion, gear_mm=gear)

    def floating_mm(self, member: str, play_mm: float) -> float:
        """Normal backlash with a member that each flank pushes to another end of its axial play.

        Of the two ways in which that can be, the one that reads more.
        """
        axis = np.array([0.0, 0.0, 0.5]) if member == "pinion" else np.array([-0.5, 0.0, 0.0])
        ends = play_mm * axis
        one, other = tuple(ends.tolist()), tuple((-ends).tolist())
        turns = [
            self._gap(here, 1.0) + self._gap(there, -1.0) for here, there in ((one, other), (other, one))
        ]
        outer_arc = max(turns) * self.module_mm * self.gear_teeth / 2
        return outer_arc * cos(radians(self.pressure_deg)) * cos(radians(self.spiral_deg))

    @cache  # noqa: B019 - of the few pairs of these tests, each asked for many times
    def _gap(self, shift_mm: tuple[float, ...], side: float) -> float:
        """Angle that the gear may turn before this side of the pinion's tooth touches."""
        pitch_1, pitch_2 = (
            asin(one * self.module_mm / 2 / self.outer_mm) for one in (self.pinion_teeth, self.gear_teeth)
        )
        reach = np.linspace(self.outer_mm - self.face_mm, self.outer_mm, 301)[:, np.newaxis]
        module = self.module_mm / self.outer_mm
        low = max(self._base(pitch_1) + 1e-6, pitch_1 - module)
        polar = np.linspace(low, pitch_1 + module, 301)[np.newaxis, :]
        azimuth = -side * (self._involute(pitch_1, polar) - self._involute(pitch_1, np.array(pitch_1)))
        azimuth = azimuth + self._twist(pitch_1, reach)
        points = reach[..., np.newaxis] * np.stack(
            [np.sin(polar) * np.cos(azimuth), np.sin(polar) * np.sin(azimuth), np.cos(polar) + 0 * azimuth],
            axis=-1,
        )
        seen = points + shift_mm
        far = np.linalg.norm(seen, axis=-1)
        polar_2 = np.arccos(seen[..., 0] / far)
        relief = self.crown_mm * ((far - self.contact_mm) / (self.face_mm / 2)) ** 2
        arm = far * sin(pitch_2) * cos(radians(self.pressure_deg)) * cos(radians(self.spiral_deg))
        flank = self._involute(pitch_2, polar_2) - self._involute(pitch_2, np.array(pitch_2)) + relief / arm
        flank = side * (flank + self.play_mm / self.module_mm / self.gear_teeth)
        gap = side * (flank + self._twist(pitch_2, far) - np.arctan2(seen[..., 1], seen[..., 2]))
        low_2 = max(self._base(pitch_2) + 1e-6, pitch_2 - module)
        on_gear = (polar_2 >= low_2) & (polar_2 <= pitch_2 + module)
        on_gear &= (far <= self.outer_mm) & (far >= self.outer_mm - self.face_mm)
        return float(gap[on_gear].min())

    def _base(self, pitch: float) -> float:
        across = atan(tan(radians(self.pressure_deg)) / cos(radians(self.spiral_deg)))
        return asin(sin(pitch) * cos(across))

    def _involute(self, pitch: float, polar: Floats) -> Floats:
        """Azimuth of the spherical involute past its start on the base circle."""
        base = self._base(pitch)
        unrolled = np.arccos(np.clip(np.cos(polar) / cos(base), -1.0, 1.0))
        return np.asarray(unrolled / sin(base) - np.arctan2(np.tan(unrolled), sin(base)))

    def _twist(self, pitch: float, reach: Floats) -> Floats:
        """Turn of a sphere's section against that at the contact: the sum of tan β dR / (R sin δ)."""
        return np.asarray(tan(radians(self.spiral_deg)) * np.log(reach / self.contact_mm) / sin(pitch))
