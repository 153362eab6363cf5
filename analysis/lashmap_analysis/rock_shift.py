"""The lasting shift between two dwells that explains most of the scatter of the levels.

Decided here: where a shift fits best when level, drift and step are fitted beside it, its size and how well
that is known. Not decided: whether it is a slip (`rock_moved`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.rock_groups import ratio

if TYPE_CHECKING:
    from lashmap_analysis.rock_groups import Floats, Groups

LEAST_DWELLS = 2
"""Dwells on either side of a shift: one alone may be wrong for other reasons."""

LEAST_POWER = 0.05
"""Squared length of a pattern once level, drift and step are taken off, below which it looks like these."""

STUDENT = 3.5
"""Widening of the error by few degrees of freedom: few levels happen to be alike without the best shift."""


def largest_shift(
    drift_weight: Floats, sign: Floats, residual: Floats, groups: Groups, level_error: Floats
) -> tuple[Floats, Floats]:
    """Look for a shift between every two neighbouring dwells and within every dwell.

    For the step function h of a shift after dwell k and residuals r of the fit on the columns of X, the size
    is r·h / |M h|² with M the projection off X; r·h is the sum of the later residuals, and |M h|² = |h|² less
    the squares of its parts along an orthogonal basis of X. Within dwell k, its own level may be anything:
    M h is taken off the pattern of that dwell alone as well.

    Args:
        drift_weight: Shape (k,), those of `drift_weights` on these dwells, orthogonal to level and step.
        sign: Shape (k,), flank.
        residual: Shape (k,), levels less (level, drift, step).
        groups: The dwells of each trace.
        level_error: Shape (g,), what a level may be wrong by noise and rounding alone.

    Returns:
        Size and standard error of the surer of the two, shape (g,) each.
    """
    ones = np.ones_like(residual)
    after = groups.later(ones)
    power, cross, own = after.copy(), np.zeros_like(after), ones.copy()
    flank = sign - groups.each(groups.mean(sign))
    for direction in (ones, flank, drift_weight):
        later = groups.later(direction)
        total = groups.total(direction * direction)
        scale = groups.each(ratio(np.ones_like(total), total))
        scaled = direction * scale
        power -= later * later * scale
        cross -= later * scaled
        own -= direction * scaled
    before = groups.each(groups.size.astype(np.float64)) - 1 - after
    later, own = groups.later(residual), np.maximum(own, LEAST_POWER)
    alone = residual * residual / own
    left = np.maximum(power, LEAST_POWER), np.maximum(power - cross * cross / own, LEAST_POWER)
    between = _best(
        later / left[0], left[0], 0 * alone, np.minimum(after, before + 1), residual, groups, level_error
    )
    within = _best(
        (later - cross / own * residual) / left[1],
        left[1],
        alone,
        np.minimum(after, before),
        residual,
        groups,
        level_error,
    )
    surer = np.abs(within[0]) * between[1] > np.abs(between[0]) * within[1]
    return np.where(surer, within[0], between[0]), np.where(surer, within[1], between[1])


def _best(  # noqa: PLR0917 - parallel arrays of one stage
    size: Floats,
    power: Floats,
    alone: Floats,
    sides: Floats,
    residual: Floats,
    groups: Groups,
    level_error: Floats,
) -> tuple[Floats, Floats]:
    """The shift that explains most of the squares, and its standard error."""
    gain = np.where(sides >= LEAST_DWELLS, size * size * power + alone, 0.0)
    best = np.maximum.reduceat(gain, groups.first)
    candidates = np.flatnonzero(gain == groups.each(best))
    at = candidates[np.searchsorted(candidates, groups.first)]
    freedom = np.maximum(groups.size - (5 if alone.any() else 4), 1)
    left = np.sqrt(np.maximum(groups.total(residual * residual) - best, 0.0) / freedom)
    error = np.maximum(left * (1 + STUDENT / freedom), level_error)
    return np.where(best > 0, size[at], 0.0), error / np.sqrt(power[at])
