"""The mesh cycle: which teeth meet at which engagement, and the least sum of two tooth patterns over it.

Decided here: counting of teeth and the search for the tightest (or loosest) pair when backlash is the sum of
what the gear tooth and what the pinion tooth bring.  Not decided here: where those patterns come from.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class MeshCycle:
    """All engagements of a gear set until the same teeth meet again.

    At engagement ``k`` gear tooth ``k mod z2`` works with pinion tooth ``k mod z1``.  By the Chinese
    remainder theorem a gear tooth ``i`` and a pinion tooth ``j`` meet, once in a mesh cycle, exactly when
    ``i ≡ j`` modulo the greatest common divisor; in a hunting set every gear tooth meets every pinion tooth.

    Attributes:
        pinion_teeth: z1.
        gear_teeth: z2.
    """

    pinion_teeth: int
    gear_teeth: int

    @property
    def length(self) -> int:
        """Engagements in the cycle, lcm(z1, z2)."""
        return math.lcm(self.pinion_teeth, self.gear_teeth)

    @property
    def common(self) -> int:
        """Greatest common divisor of the tooth counts; 1 for a hunting set."""
        return math.gcd(self.pinion_teeth, self.gear_teeth)

    @property
    def engagements(self) -> Integers:
        """Every engagement once: 0 … length − 1."""
        return np.arange(self.length, dtype=np.int64)

    def teeth(self, engagements: Integers) -> tuple[Integers, Integers]:
        """Gear and pinion teeth that meet, each of the shape of `engagements` (any whole numbers)."""
        return engagements % self.gear_teeth, engagements % self.pinion_teeth

    def engagement_of(self, gear_tooth: Integers, pinion_tooth: Integers) -> Integers:
        """Engagement in 0 … length − 1 at which two teeth meet; they must meet (same residue)."""
        step = self.pinion_teeth // self.common
        inverse = pow(self.gear_teeth // self.common, -1, step) if step > 1 else 0
        turns = ((pinion_tooth - gear_tooth) // self.common * inverse) % step
        return gear_tooth + self.gear_teeth * turns

    def least(self, gear: Floats, pinion: Floats) -> tuple[Floats, Integers]:
        """Least backlash over the mesh cycle for many pattern pairs at once.

        Teeth meet within residue classes modulo the common divisor, so the least sum is the least, over the
        classes, of (least gear part + least pinion part): z1 + z2 comparisons instead of lcm(z1, z2).

        Args:
            gear: What each gear tooth brings, shape (m, z2).
            pinion: What each pinion tooth brings, shape (m, z1).

        Returns:
            The least sums, shape (m,), and the engagements where they occur, shape (m,).
        """
        sums = self._least_of_classes(gear, pinion)
        residue = sums.argmin(axis=1)
        rows = np.arange(len(gear))
        gear_tooth, pinion_tooth = (
            self._by_class(teeth)[rows, residue].argmin(axis=1) * self.common + residue
            for teeth in (gear, pinion)
        )
        return sums[rows, residue], self.engagement_of(gear_tooth, pinion_tooth)

    def least_sums(self, gear: Floats, pinion: Floats) -> Floats:
        """The least sums alone, as `least` gives them: half of its work."""
        return np.asarray(self._least_of_classes(gear, pinion).min(axis=1))

    def most(self, gear: Floats, pinion: Floats) -> tuple[Floats, Integers]:
        """Largest backlash over the mesh cycle; arguments and result as in `least`."""
        value, engagement = self.least(-gear, -pinion)
        return -value, engagement

    def _by_class(self, teeth: Floats) -> Floats:
        """The teeth by residue class, shape (m, common, teeth of a class)."""
        return teeth.reshape(len(teeth), -1, self.common).swapaxes(1, 2)

    def _least_of_classes(self, gear: Floats, pinion: Floats) -> Floats:
        return np.asarray(self._by_class(gear).min(axis=2) + self._by_class(pinion).min(axis=2))
