"""The indicator on the gear: which way it looks, where its tip touches, how that becomes backlash."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Direction = Literal["normal", "plane of rotation"]


@dataclass(frozen=True, kw_only=True)
class Indicator:
    """One indicator and its set-up on the gear.

    Attributes:
        resolution_mm: Least step of the display.
        touch_radius_mm: Distance of the tip's point of contact from the gear axis (r_i).
        direction: Line of action: along the flank normal, or in the plane of rotation.
        off_normal_deg: γ, plunger's angle off that direction.
        lever_deg: ε, inclination of a lever tip to the flank; None for a plunger.
        on_arm: True when the tip bears on an arm clamped to the gear shaft (plane of rotation, any radius).
        touch_radius_uncertainty_mm: Standard uncertainty of the touch radius.
        angle_uncertainty_deg: Standard uncertainty of γ (and of ε).
        calibration_uncertainty_mm: Expanded (k = 2), from the certificate, for a difference of readings.
    """

    resolution_mm: float
    touch_radius_mm: float
    direction: Direction = "normal"
    off_normal_deg: float = 0.0
    lever_deg: float | None = None
    on_arm: bool = False
    touch_radius_uncertainty_mm: float = 0.2
    angle_uncertainty_deg: float = 2.0
    calibration_uncertainty_mm: float = 0.0
