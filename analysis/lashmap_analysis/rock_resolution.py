"""The resolution that a trace shows, where that is coarser than the one stated for its indicator.

Decided here: what least step the values of a trace are made of, and when that is no accident. A profile that
promises a tenth of a micrometre for a dial that sends hundredths of a millimetre would make uncertainties far
too small; the coarser of both is used for everything.
"""

from __future__ import annotations

from math import log
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from lashmap_analysis.rock_groups import Floats

CLEARLY_COARSER = 1.5
"""Least ratio of shown and stated resolution; a scale in other units may make them differ by a little."""

LOG_CHANCE = 9.0
"""One in eight thousand: two values set the grid, each further one lies on it by chance once in the ratio."""

ON_GRID = 0.02
"""Distance from the grid, as a share of its step, that counts as on it."""


def shown_resolution(indicator_mm: Floats, stated_mm: float) -> float:
    """The coarser of the stated resolution and of the grid on which all values lie.

    Args:
        indicator_mm: Shape (n,), finite.
        stated_mm: As stated for the indicator.

    Returns:
        Resolution in mm; the stated one unless the values contradict it.
    """
    change = np.abs(indicator_mm[1:] - indicator_mm[:-1])
    change = change[change > 1e-6 * stated_mm]
    if not change.size or float(change.min()) < CLEARLY_COARSER * stated_mm:
        return stated_mm
    values = np.unique(indicator_mm)
    apart = np.diff(values)
    # one value, written in two ways
    values = values[np.append(True, apart > 1e-6 * stated_mm)]
    if values.size < 3:
        return stated_mm
    above = values[1:] - values[0]
    least = float(np.diff(values).min())
    for part in (1, 2, 3):
        grid = least / part
        steps = above / grid
        if float(np.abs(steps - np.round(steps)).max()) < ON_GRID:
            coarser = grid >= CLEARLY_COARSER * stated_mm
            sure = coarser and (values.size - 2) * log(grid / stated_mm) > LOG_CHANCE
            return grid if sure else stated_mm
    return stated_mm
