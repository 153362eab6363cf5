"""Teeth that no position touched, and what they may take from the stated least backlash.

A sample of positions says nothing of a tooth that it did not touch: one bad tooth is then found by chance.
Decided here: how many teeth of both members were touched, and what a *conforming* against a least backlash or
a largest variation allows for the others.  It is zero where every tooth was touched.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, radians, sqrt
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Iterable

    from lashmap_analysis.gears.gear_set import GearSet
    from lashmap_analysis.record.record import Limits


Integers = NDArray[np.int64]

CAUTIOUS_MM = 0.016
"""Normal backlash that a tooth nobody touched may take where the box gives no tooth accuracy: a nick, a burr
or a bad pitch of a ground or lapped set (from memory, no source)."""
MOST_NAMED = 12  # teeth named in a sentence
ROOM = 0.25  # of the tolerance: a tooth of given accuracy may take that for a sample to do (common practice)


@dataclass(frozen=True, kw_only=True)
class Touched:
    """Teeth that usable positions touched, counted from the matched teeth.

    Attributes:
        gear_teeth: z2.
        pinion_teeth: z1.
        gear_left: Gear teeth that no position touched, rising.
        pinion_left: The same for the pinion.
    """

    gear_teeth: int
    pinion_teeth: int
    gear_left: tuple[int, ...]
    pinion_left: tuple[int, ...]

    @property
    def every(self) -> bool:
        """Every tooth of both members was touched."""
        return not (self.gear_left or self.pinion_left)

    @property
    def gear(self) -> int:
        """Number of gear teeth touched."""
        return self.gear_teeth - len(self.gear_left)

    @property
    def pinion(self) -> int:
        """Number of pinion teeth touched."""
        return self.pinion_teeth - len(self.pinion_left)

    @property
    def words(self) -> str:
        """How many of how many, of both members."""
        return (
            f"{self.gear} of {self.gear_teeth} gear teeth, {self.pinion} of {self.pinion_teeth} pinion teeth"
        )

    @property
    def left(self) -> str:
        """What was not touched, in words; empty when everything was."""
        return " and ".join(
            f"{len(teeth)} {member} {'tooth' if len(teeth) == 1 else 'teeth'}"
            for member, teeth in (("gear", self.gear_left), ("pinion", self.pinion_left))
            if teeth
        )

    @property
    def remedy(self) -> str:
        """What would settle it; empty when every tooth was touched."""
        named = [
            f"{member} {'tooth' if len(teeth) == 1 else 'teeth'} {', '.join(map(str, teeth[:MOST_NAMED]))}"
            f"{', …' if len(teeth) > MOST_NAMED else ''}"
            for member, teeth in (("gear", self.gear_left), ("pinion", self.pinion_left))
            if teeth
        ]
        if not named:
            return ""
        return (
            f'Plan every tooth (teeth = "every"), or measure the {self.left} that no position has touched, '
            f"counted from the matched teeth: {'; '.join(named)}."
        )


def touched(gear_set: GearSet, engagements: Iterable[int]) -> Touched:
    """Count the teeth that positions at these engagements touch."""
    places = np.array(list(engagements), dtype=np.int64)

    def left(teeth: int) -> tuple[int, ...]:
        return tuple(np.setdiff1d(np.arange(teeth), places % teeth).tolist())

    return Touched(
        gear_teeth=gear_set.gear_teeth,
        pinion_teeth=gear_set.pinion_teeth,
        gear_left=left(gear_set.gear_teeth),
        pinion_left=left(gear_set.pinion_teeth),
    )


def tooth_allowance_mm(gear_set: GearSet, limits: Limits) -> float:
    """Normal backlash that one tooth of unknown state may take at the outer end.

    From `Limits.untouched_tooth_mm`; else from the tooth accuracy grade: each of its two flanks off by the
    single pitch tolerance, independently, √2 f_pt, as normal backlash at the outer end; else `CAUTIOUS_MM`.
    """
    if limits.untouched_tooth_mm is not None:
        return limits.untouched_tooth_mm
    if limits.tooth_accuracy_grade is None:
        return CAUTIOUS_MM
    outward = gear_set.outer_cone_distance_mm / gear_set.mean_cone_distance_mm
    tolerance_um = single_pitch_tolerance_um(
        limits.tooth_accuracy_grade,
        tolerance_diameter_mm=2.0 * gear_set.outer_gear_pitch_radius_mm / outward,
        mean_normal_module_mm=gear_set.outer_module_mm
        / outward
        * cos(radians(gear_set.mean_spiral_angle_deg)),
    )
    return 1e-3 * sqrt(2.0) * tolerance_um * outward * gear_set.normal_per_transverse


def single_pitch_tolerance_um(
    grade: int, *, tolerance_diameter_mm: float, mean_normal_module_mm: float
) -> float:
    """Single pitch tolerance f_pt of a bevel gear, µm.

    ISO 17485:2006, f_pt = (0.003 d_T + 0.3 m_mn + 5) (√2)^(B − 4), *from memory*.  For 100 mm and 3 mm it
    gives 6.2 µm at grade 4; the cylindrical gears' ISO 1328-1:1995 gives 6 µm there at grade 5 (also from
    memory): the two agree to one grade.
    """
    return (0.003 * tolerance_diameter_mm + 0.3 * mean_normal_module_mm + 5.0) * sqrt(2.0) ** (grade - 4)


def needs_every_tooth(gear_set: GearSet, limits: Limits) -> bool:
    """Whether one bad tooth could decide, by what is known before the test.

    Only against a least backlash or a largest variation.  A sample may do where the box gives its tooth
    accuracy, and a tooth of that accuracy takes no more than a quarter of the tolerance and of the variation.
    """
    least, most, variation = limits.minimum_mm, limits.maximum_mm, limits.variation_mm
    if least is None and variation is None:
        return False
    known = limits.untouched_tooth_mm is not None or limits.tooth_accuracy_grade is not None
    if not known or (least is not None and most is None):
        return True
    spans = [] if least is None or most is None else [most - least]
    spans += [] if variation is None else [variation]
    scale = 1.0 if limits.kind == "normal" else gear_set.normal_per_transverse
    return tooth_allowance_mm(gear_set, limits) > ROOM * scale * min(spans)
