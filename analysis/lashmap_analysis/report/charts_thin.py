"""Fewer points for the same picture: a line of any length keeps the extremes of each column.

No spike is lost and the file stays small. Nothing is drawn here.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def extremes(columns: NDArray[np.int64], values: Floats) -> NDArray[np.int64]:
    """Thin samples to the least and the greatest of each column.

    Args:
        columns: Column of each sample, shape (n,), not decreasing.
        values: Shape (n,), finite.

    Returns:
        Indices of the samples to keep, increasing, shape (m,) with m at most twice the number of columns.
    """
    if values.size == 0:
        return np.zeros(0, dtype=np.int64)
    starts = np.flatnonzero(np.r_[True, np.diff(columns) > 0])
    order = np.lexsort((values, columns))
    ends = np.r_[starts[1:], values.size] - 1
    # Sorted by value within its column, a column begins with its least sample and ends with its greatest.
    return np.unique(np.concatenate((order[starts], order[ends]))).astype(np.int64)


def stretches(time_s: Floats, values: Floats) -> NDArray[np.int64]:
    """Number the unbroken stretches of a trace, so that a gap is drawn as a gap.

    Args:
        time_s: Shape (n,).
        values: Shape (n,), NaN or infinite where a sample is missing or out of range.

    Returns:
        Number of the stretch that each sample belongs to, shape (n,), not decreasing.
    """
    pauses = np.diff(time_s)
    usual = float(np.median(pauses)) if pauses.size else 0.0
    # Common practice, no source: five times the usual pause between samples is a gap to the eye.
    broken = (pauses > 5 * usual) | ~np.isfinite(values[:-1])
    return np.concatenate(([0], np.cumsum(broken))).astype(np.int64)
