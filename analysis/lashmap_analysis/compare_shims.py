"""Did the shims do what was predicted? The recorded move of the members against the change that was found.

The mean over the mesh cycle is compared, since a move shifts every engagement alike and the mean is known
best.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, sqrt
from typing import TYPE_CHECKING, Literal

import numpy as np

from lashmap_analysis.shim_effect import shift_mm, shift_uncertainty_mm
from lashmap_analysis.tight_spot_result import NORMAL_95

if TYPE_CHECKING:
    from lashmap_analysis.compare import Build, Difference

Answer = Literal["came true", "did not come true", "settles nothing", "not moved", "not recorded"]

# A mounting distance is recorded to a hundredth of a millimetre, and a move is a difference of two of them:
# rectangular, twice (GUM F.2.2.1; the hundredth is common practice, no source).
MOVE_UNCERTAINTY_MM = 0.01 / sqrt(12) * sqrt(2)
SAME_MOVE_MM = 2 * MOVE_UNCERTAINTY_MM
LEAST_MOVE_MM = 1e-4


@dataclass(frozen=True, kw_only=True)
class ShimCheck:
    """Prediction against finding.

    Attributes:
        answer: ``settles nothing`` where no change at all would agree as well.
        gear_move_mm: Move of the gear away from the apex between the tests; None when not recorded.
        pinion_move_mm: That of the pinion.
        predicted_mm: Change of normal backlash that these moves should make; None when not recorded.
        predicted_uncertainty_mm: Its standard uncertainty.
        found_mm: Change of the mean backlash that was found.
        found_uncertainty_mm: Its standard uncertainty.
        advised: True when the first test's advice was a move, and the recorded move is that one; False when
            it is another; None when there was no such advice.
    """

    answer: Answer
    gear_move_mm: float | None
    pinion_move_mm: float | None
    predicted_mm: float | None = None
    predicted_uncertainty_mm: float | None = None
    found_mm: float | None = None
    found_uncertainty_mm: float | None = None
    advised: bool | None = None


def shim_check(first: Build, second: Build, mean: Difference | None) -> ShimCheck:
    """Compare the change that the recorded moves predict with the one found."""
    gear, pinion = _move(first.gear_at_mm, second.gear_at_mm), _move(first.pinion_at_mm, second.pinion_at_mm)
    if mean is None or (gear is None and pinion is None):
        return ShimCheck(answer="not recorded", gear_move_mm=gear, pinion_move_mm=pinion)
    moves = np.array([gear or 0.0]), np.array([pinion or 0.0])
    spread = tuple(np.where(np.abs(one) > LEAST_MOVE_MM, MOVE_UNCERTAINTY_MM, 0.0) for one in moves)
    gear_set = second.assessment.record.gear_set
    predicted = float(shift_mm(gear_set, *moves)[0])
    uncertainty = float(shift_uncertainty_mm(gear_set, moves, (spread[0], spread[1]))[0])
    allowed = NORMAL_95 * hypot(uncertainty, mean.standard_uncertainty_mm)
    agrees = abs(mean.value_mm - predicted) <= allowed
    answer: Answer = "came true" if agrees else "did not come true"
    if max(abs(float(one[0])) for one in moves) <= LEAST_MOVE_MM:
        answer = "not moved"
    elif agrees and not mean.shown:
        answer = "settles nothing"
    return ShimCheck(
        answer=answer,
        gear_move_mm=gear,
        pinion_move_mm=pinion,
        predicted_mm=predicted,
        predicted_uncertainty_mm=uncertainty,
        found_mm=mean.value_mm,
        found_uncertainty_mm=mean.standard_uncertainty_mm,
        advised=_as_advised(first, gear, pinion),
    )


def _move(before: float | None, after: float | None) -> float | None:
    return None if before is None or after is None else after - before


def _as_advised(first: Build, gear: float | None, pinion: float | None) -> bool | None:
    if first.advice is None or first.advice.answer != "move":
        return None
    wanted = {move.member: move.move_mm for move in first.advice.moves}
    made = {"gear": gear or 0.0, "pinion": pinion or 0.0}
    return all(abs(wanted.get(member, 0.0) - made[member]) <= SAME_MOVE_MM for member in ("gear", "pinion"))
