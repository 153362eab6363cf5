"""The gear set: tooth counts and pitch geometry of a right-angle (bevel) pair."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class GearSet:
    """A bevel gear set.  See the interface note for derived quantities."""

    pinion_teeth: int
    gear_teeth: int
    outer_module_mm: float
    face_width_mm: float
    normal_pressure_angle_deg: float = 20.0
    mean_spiral_angle_deg: float = 0.0
    shaft_angle_deg: float = 90.0
    cutter_radius_mm: float | None = None
