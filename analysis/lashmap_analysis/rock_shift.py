"""The lasting shift between two dwells that explains most of the scatter of the levels.

Decided here: where a shift fits best when level, drift and step are fitted beside it, its size and how well
that is known. Not decided: whether it is a slip (`rock_moved`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.rock_groups import ratio
from lashmap_analysis.rock_stack import drift_weights

if TYPE_CHECKING:
    from lashmap_analysis.rock_groups import Floats, Groups


def largest_shift(
    time: Floats, sign: Floats, residual: Floats, groups: Groups, level_error: Floats
) -> tuple[Floats, Floats]:
    """Look for a shift between every two neighbouring dwells.

    For the step function h of a shift after dwell k and residuals r of the fit on the columns of X, the size
    is r·h / |M h|² with M the projection off X; r·h is the sum of the later residuals, and |M h|² = |h|² less
    the squares of its parts along an orthogonal basis of X.

    Args:
        time: Shape (k,), of the dwells.
        sign: Shape (k,), flank.
        residual: Shape (k,), levels less (level, drift, step).
        groups: The dwells of each trace.
        level_error: Shape (g,), what a level may be wrong by noise and rounding alone.

    Returns:
        Size and standard error, shape (g,) each.
    """
    flank = sign - groups.spread(groups.mean(sign))
    after = groups.later(np.ones_like(residual))
    power = after - after * after / groups.spread(groups.size.astype(np.float64))
    for direction in (flank, drift_weights(time, sign, groups)):
        later = groups.later(direction)
        power -= (
            later
            * later
            * groups.spread(ratio(np.ones(groups.size.size), groups.total(direction * direction)))
        )
    # a shift that drift or step explain as well is not looked for
    power = np.maximum(power, 0.05)
    sum_after = groups.later(residual) * (after > 0)
    gain = sum_after * sum_after / power
    best = np.maximum.reduceat(gain, groups.first)
    candidates = np.flatnonzero(gain == groups.spread(best))
    at = candidates[np.searchsorted(candidates, groups.first)]
    freedom = np.maximum(groups.size - 4, 1)
    left = np.sqrt(np.maximum(groups.total(residual * residual) - best, 0.0) / freedom)
    # few levels happen to be alike once the best shift is taken out; the factor follows Student's t
    error = np.maximum(left, level_error) * (1 + 3.5 / freedom)
    return sum_after[at] / power[at], error / np.sqrt(power[at])
