"""Sums over windows of a trace, the slope of levels on two flanks, and gaps in the samples.

Decided here: which gaps could hide a dwell, and which changes of flank they interrupt.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Booleans = NDArray[np.bool_]


def median_of(values: list[float]) -> float:
    """Median of a short list; numpy's takes longer to start than to finish."""
    ordered = sorted(values)
    middle = len(ordered) // 2
    return float(ordered[middle] if len(ordered) % 2 else 0.5 * (ordered[middle - 1] + ordered[middle]))


def mean_of(values: Floats) -> float:
    """Mean; numpy's takes longer to start than to finish."""
    return float(np.add.reduce(values)) / values.size


def drift_weights(time: Floats, sign: Floats) -> Floats:
    """Weights d with d·y = slope of the least squares fit of y on (1, time, sign), shape (m,)."""
    across, flank = time - mean_of(time), sign - mean_of(sign)
    power, least = float(flank.dot(flank)), 1e-12 * float(across.dot(across))
    if power > 0:
        across -= (float(across.dot(flank)) / power) * flank
    left = float(across.dot(across))
    # times that follow the flanks say nothing of a drift, whatever rounding leaves of them
    return across / left if left > least else np.zeros_like(across)


def window_sums(values: Floats, start: Integers, stop: Integers) -> Floats:
    """Sums over [start, stop), shape (m,); every window ends before the last sample of `values`."""
    bounds = np.empty(2 * start.size, dtype=np.int64)
    bounds[0::2], bounds[1::2] = start, stop
    sums: Floats = np.add.reduceat(values, bounds)[0::2]
    return sums


USUAL_PAUSES = 5.0
"""Sample times that a hand or a busy port may let pass."""

SHARE_OF_STAY = 0.5
"""Share of a typical stay that may be missing."""


@dataclass(frozen=True, kw_only=True)
class Gaps:
    """Gaps of one trace.

    Attributes:
        lengths_s: Shape (number of gaps,).
        broken: Shape (m,), true for a stay after which so much is missing that the next is no neighbour; None
            when there is no gap.
    """

    lengths_s: Floats
    broken: Booleans | None


def find_gaps(time_s: Floats, start: Integers, stop: Integers, typical_samples: float) -> Gaps:
    """Find gaps longer than half a typical stay and five sample times."""
    pause = time_s[1:] - time_s[:-1]
    mean = float(time_s[-1] - time_s[0]) / pause.size
    if float(pause.max()) <= (USUAL_PAUSES - 1) * mean:
        return Gaps(lengths_s=np.zeros(0), broken=None)
    least = max(USUAL_PAUSES, SHARE_OF_STAY * typical_samples) * float(np.median(pause))
    lengths = pause[pause > least]
    if not lengths.size:
        return Gaps(lengths_s=lengths, broken=None)
    broken = np.zeros(start.size, dtype=np.bool_)
    broken[:-1] = time_s[start[1:]] - time_s[stop[:-1] - 1] > least
    return Gaps(lengths_s=lengths, broken=broken)
