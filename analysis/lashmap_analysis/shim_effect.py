"""What moving a member along its axis does to backlash, and how well that is known.

Decided here: the relation and its uncertainty. Which move is wanted is `shims.py`.

A move ΔA out, away from the apex, shifts a flank by ΔA (sin α_n sin δ) along its normal when the teeth touch
at the pitch line; both sides together give Δj_n ≈ 2 ΔA sin α_n sin δ (handbook, from memory). Two involute
flanks built from first principles in the tests agree within 1 %.

The same model shows what the handbook leaves out: the member's teeth also slide along the pitch line by
ΔA cos δ, where they are thicker or thinner in proportion to the cone distance. A pinion tooth that stands
centred in its space gains by it what a gear tooth centred in its own loses: ± (π m_et / 2) cos α_n cos β_e
ΔA cos δ / R_e. Which of the two it is depends on how far the pair is rolled when the backlash is measured, so
it is an uncertainty: some 3 % of the change for the gear of a 3:1 set, 15 % at 1:1, 30 % for a 3:1 pinion.
"""

from __future__ import annotations

from math import cos, pi, radians, sin, sqrt

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.gear_set import GearSet
from lashmap_analysis.record import Shaft

Floats = NDArray[np.float64]

# Half-width of what is left, as a part of the change: the model's 1 %, and room for crowned and spiral teeth.
RELATION_HALF_WIDTH = 0.03


def backlash_per_move(gear_set: GearSet, member: Shaft) -> float:
    """Change of normal backlash for a move of a member out, dimensionless: 2 sin α_n sin δ."""
    return 2 * sin(radians(gear_set.normal_pressure_angle_deg)) * sin(_pitch_angle(gear_set, member))


def roll_per_move(gear_set: GearSet, member: Shaft) -> float:
    """Half-width of what the roll of the pair adds or takes, per move out, dimensionless (module text)."""
    tooth = pi * gear_set.outer_module_mm / 2 * gear_set.normal_per_transverse
    return tooth * cos(_pitch_angle(gear_set, member)) / gear_set.outer_cone_distance_mm


def shift_mm(gear_set: GearSet, gear_move_mm: Floats, pinion_move_mm: Floats) -> Floats:
    """Change of normal backlash for moves out of both members, in mm; shapes are broadcast."""
    gear, pinion = (backlash_per_move(gear_set, member) for member in ("gear", "pinion"))
    return np.asarray(gear * gear_move_mm + pinion * pinion_move_mm)


def shift_uncertainty_mm(
    gear_set: GearSet, moves_mm: tuple[Floats, Floats], thickness_mm: tuple[Floats, Floats]
) -> Floats:
    """Standard uncertainty of that change, in mm.

    Args:
        gear_set: The gear set under test.
        moves_mm: Moves out of gear and pinion.
        thickness_mm: Standard uncertainties of those moves, from the shims.

    Returns:
        Relation (rectangular), roll of the pair (one of two values, taken as U-shaped, a / √2: GUM 4.3.9) and
        shims (normal) in quadrature, in the shape the moves broadcast to. The roll counts with opposite signs
        for the two members, since both slide along the same line.
    """
    gear, pinion = (backlash_per_move(gear_set, member) for member in ("gear", "pinion"))
    relation = RELATION_HALF_WIDTH / sqrt(3) * (np.abs(gear * moves_mm[0]) + np.abs(pinion * moves_mm[1]))
    along = roll_per_move(gear_set, "gear") * moves_mm[0] - roll_per_move(gear_set, "pinion") * moves_mm[1]
    shims = np.hypot(gear * thickness_mm[0], pinion * thickness_mm[1])
    return np.asarray(np.sqrt(relation**2 + along**2 / 2 + shims**2))


def _pitch_angle(gear_set: GearSet, member: Shaft) -> float:
    return gear_set.gear_pitch_angle_rad if member == "gear" else gear_set.pinion_pitch_angle_rad
