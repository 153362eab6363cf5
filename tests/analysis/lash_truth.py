"""Invented lash maps with known truth, for tests and benchmarks; shares no code with the analysis."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from lashmap_analysis.gears.gear_set import GearSet

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]


def gear_set(pinion_teeth: int, gear_teeth: int) -> GearSet:
    """A set of those tooth counts; its other figures play no part in a lash map."""
    return GearSet(
        pinion_teeth=pinion_teeth,
        gear_teeth=gear_teeth,
        outer_module_mm=4.0,
        face_width_mm=20.0,
        normal_pressure_angle_deg=20.0,
        contact_from_toe=1.0,
    )


@dataclass(frozen=True, kw_only=True)
class Truth:
    """True backlash over a mesh cycle.

    Attributes:
        backlash_mm: At every engagement, shape (mesh cycle,).
        gear_mm: What each gear tooth takes part in it, without the constant.
        pinion_mm: The same for the pinion teeth.
    """

    backlash_mm: Floats
    gear_mm: Floats
    pinion_mm: Floats

    def read(
        self, engagements: Integers, standard_uncertainty_mm: float, generator: np.random.Generator
    ) -> Floats:
        """Readings with normal error at whole engagements."""
        true = self.backlash_mm[engagements % len(self.backlash_mm)]
        return true + standard_uncertainty_mm * generator.standard_normal(len(engagements))


def made_truth(
    pinion_teeth: int,
    gear_teeth: int,
    generator: np.random.Generator,
    *,
    gear_tooth_um: float = 1.0,
    pinion_tooth_um: float = 1.0,
    twice_um: float = 2.0,
    once_um: tuple[float, float] = (5.0, 30.0),
) -> Truth:
    """Once per turn 5–30 µm each, twice per turn up to `twice_um`, own deviation of every tooth."""
    members = []
    for teeth, tooth_um in ((gear_teeth, gear_tooth_um), (pinion_teeth, pinion_tooth_um)):
        angle = 2.0 * math.pi * np.arange(teeth) / teeth
        once, twice = generator.uniform(*once_um), generator.uniform(0.0, twice_um)
        phases = generator.uniform(0.0, 2.0 * math.pi, 2)
        wave = once * np.cos(angle - phases[0]) + twice * np.cos(2.0 * angle - phases[1])
        members.append(1e-3 * (wave + tooth_um * generator.standard_normal(teeth)))
    k = np.arange(math.lcm(pinion_teeth, gear_teeth))
    gear, pinion = members
    backlash = generator.uniform(0.1, 0.3) + gear[k % gear_teeth] + pinion[k % pinion_teeth]
    return Truth(backlash_mm=backlash, gear_mm=gear, pinion_mm=pinion)
