"""How the box was when it was tested, as far as its backlash depends on it; nothing is computed.

What a value that nobody recorded is taken for, and what that costs, is decided in
`uncertainty/mesh_state.py`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from lashmap_analysis.errors import FieldError, require_ranges

Material = Literal["steel", "cast iron", "aluminium"]
# Coefficients of expansion in µm per metre and kelvin (from memory, handbook values; steel as in GUM
# H.1.3.3).
EXPANSION: dict[Material, float] = {"steel": 11.5, "cast iron": 10.5, "aluminium": 23.0}


@dataclass(frozen=True, kw_only=True)
class RollSeen:
    """What rocks at three phases of the roll say, normal backlash in mm (`uncertainty/roll.py`).

    Attributes:
        back_mm: A third of a pitch back, less what the lash map says of the whole engagement.
        forward_mm: The same a third of a pitch forward.
        correction_mm: From the whole engagement to the least within a pitch, 0 or less.
        standard_uncertainty_mm: Of the correction.
    """

    back_mm: float
    forward_mm: float
    correction_mm: float
    standard_uncertainty_mm: float


class ConditionsError(FieldError):
    """Conditions that cannot be."""


@dataclass(frozen=True, kw_only=True)
class Conditions:
    """Temperature, end play, torque and roll of the pair during the rocks; None where nobody recorded it.

    Attributes:
        housing_c: Temperature of the housing, in °C.
        gears_c: Temperature of pinion and gear, in °C.
        temperature_uncertainty_c: Standard uncertainty of either.
        housing_expansion_um_per_m_k: Coefficient of expansion of the housing; of named materials see
            `EXPANSION`.
        gears_expansion_um_per_m_k: The same of pinion and gear.
        pinion_distance_mm: Mounting distance of the pinion.
        gear_distance_mm: Mounting distance of the gear.
        pinion_end_play_mm: Axial play of the pinion in its bearings.
        gear_end_play_mm: Axial play of the gear in its bearings.
        has_end_play: True where the bearings are said to have end play, whether or not a figure was recorded.
        rock_nm: Torque about the gear axis with which each flank was pressed.
        rock_uncertainty_nm: Standard uncertainty of that.
        compliance_um_per_nm: What the reading grows by for each N m more, both flanks together.
        compliance_uncertainty_um_per_nm: Standard uncertainty of that.
        roll_variation_mm: Largest less smallest normal backlash while the pair rolls through one pitch.
        roll_seen: Found from rocks of the same test; `assess` fills it, nobody records it.

    Raises:
        ConditionsError: A field cannot be right; carries ``field``, ``got`` and ``expected``.
    """

    housing_c: float | None = None
    gears_c: float | None = None
    temperature_uncertainty_c: float = 1.0
    housing_expansion_um_per_m_k: float | None = None
    gears_expansion_um_per_m_k: float = EXPANSION["steel"]
    pinion_distance_mm: float | None = None
    gear_distance_mm: float | None = None
    pinion_end_play_mm: float | None = None
    gear_end_play_mm: float | None = None
    has_end_play: bool = False
    rock_nm: float | None = None
    rock_uncertainty_nm: float | None = None
    compliance_um_per_nm: float | None = None
    compliance_uncertainty_um_per_nm: float | None = None
    roll_variation_mm: float | None = None
    roll_seen: RollSeen | None = None

    def __post_init__(self) -> None:
        require_ranges(ConditionsError, self, _RANGES)


_RANGES = (
    # Where people measure backlash by hand (common practice, no source).
    ("housing_c", -40.0, 120.0, "a temperature from -40 to 120 °C, or nothing"),
    ("gears_c", -40.0, 120.0, "a temperature from -40 to 120 °C, or nothing"),
    ("temperature_uncertainty_c", 0.0, 50.0, "a standard uncertainty from 0 to 50 K"),
    (
        "housing_expansion_um_per_m_k",
        0.0,
        40.0,
        "a coefficient from 0 to 40 µm per metre and kelvin, or nothing",
    ),
    ("gears_expansion_um_per_m_k", 0.0, 40.0, "a coefficient from 0 to 40 µm per metre and kelvin"),
    ("pinion_distance_mm", 1e-3, 1e5, "a mounting distance above 0 mm, or nothing"),
    ("gear_distance_mm", 1e-3, 1e5, "a mounting distance above 0 mm, or nothing"),
    ("pinion_end_play_mm", 0.0, 5.0, "an end play from 0 to 5 mm, or nothing"),
    ("gear_end_play_mm", 0.0, 5.0, "an end play from 0 to 5 mm, or nothing"),
    ("rock_nm", 0.0, 1e6, "a torque of 0 N m or more, or nothing"),
    ("rock_uncertainty_nm", 0.0, 1e6, "a standard uncertainty of 0 N m or more, or nothing"),
    ("compliance_um_per_nm", 0.0, 1e6, "a compliance of 0 µm per N m or more, or nothing"),
    ("compliance_uncertainty_um_per_nm", 0.0, 1e6, "a standard uncertainty of 0 or more, or nothing"),
    ("roll_variation_mm", 0.0, 0.1, "a variation from 0 to 0.1 mm, or nothing"),
)

NOTHING_RECORDED = Conditions()
