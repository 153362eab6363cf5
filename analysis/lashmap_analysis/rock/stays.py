"""Sums, spreads and running sums over groups of neighbours in one flat array.

The dwells of many traces lie one behind the other in flat arrays, a group for each trace, so that a step of
the measurement is one operation for all traces; a single trace is a stack of one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lashmap_analysis.rock.flanks import Stays


Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Booleans = NDArray[np.bool_]
Scalar = TypeVar("Scalar", bound=np.generic)


@dataclass(frozen=True, kw_only=True)
class Groups:
    """Neighbours that belong together; no group is empty.

    Attributes:
        first: Shape (g,), index of the first member of each group.
        size: Shape (g,), number of members.
    """

    first: Integers
    size: Integers

    @classmethod
    def of_sizes(cls, size: Integers) -> Groups:
        """Groups of the given sizes, shape (g,), one behind the other."""
        first = np.zeros_like(size)
        np.cumsum(size[:-1], out=first[1:])
        return cls(first=first, size=size)

    def total(self, values: Floats) -> Floats:
        """Sum over each group, shape (g,)."""
        sums: Floats = np.add.reduceat(values, self.first)
        return sums

    def mean(self, values: Floats) -> Floats:
        """Mean over each group, shape (g,)."""
        return self.total(values) / self.size

    def spread(self, per_group: NDArray[Scalar]) -> NDArray[Scalar]:
        """The group's value for every member, shape (m,)."""
        return np.repeat(per_group, self.size)

    def each(self, per_group: NDArray[Scalar]) -> NDArray[Scalar]:
        """As `spread`, for arithmetic with (m,) only: where there is one group, its value stands as (1,)."""
        return per_group if self.size.size == 1 else np.repeat(per_group, self.size)

    def later(self, values: Floats) -> Floats:
        """Sum over the later members of the same group, shape (m,); 0 for the last of each."""
        running = np.cumsum(values)
        return self.each(running[self.first + self.size - 1]) - running

    def counts(self, mask: Booleans) -> Integers:
        """Number of members of each group for which the mask holds, shape (g,)."""
        counted: Integers = np.add.reduceat(mask.astype(np.int64), self.first)
        return counted


def ratio(numerator: Floats, denominator: Floats) -> Floats:
    """Quotient, 0 where the denominator is 0; both of one shape."""
    if numerator.size == 1 and numerator.ndim == 1:
        below = float(denominator[0])
        return numerator / below if below > 0 else np.zeros_like(numerator)
    quotient = np.zeros_like(numerator)
    np.divide(numerator, denominator, out=quotient, where=denominator > 0)
    return quotient


def median_of(values: list[float]) -> float:
    """Median of a short list; numpy's takes longer to start than to finish."""
    ordered = sorted(values)
    middle = len(ordered) // 2
    return float(ordered[middle] if len(ordered) % 2 else 0.5 * (ordered[middle - 1] + ordered[middle]))


# The stays of many traces, one trace behind the other; a single trace is a stack of one.


@dataclass(frozen=True, kw_only=True)
class StayStack:
    """Stays on the flanks: m stays of g traces with n samples in all, each trace followed by a zero.

    Attributes:
        start: Shape (m,), index of the first sample of each stay in the flat arrays.
        stop: Shape (m,), one past the last one.
        sign: Shape (m,), +1 on the high flank, −1 on the low one.
        groups: The stays of each trace.
        base: Shape (g,), index of the first sample of each trace.
        time: Shape (n + g,), centred on each trace.
        offset_mm: Shape (n + g,), the signal less mid level and drift of its trace.
        step_mm: Shape (g,), distance between the flanks, ramps included.
        slope: Shape (g,), drift that was taken off, mm over the unit of time.
    """

    start: Integers
    stop: Integers
    sign: Floats
    groups: Groups
    base: Integers
    time: Floats
    offset_mm: Floats
    step_mm: Floats
    slope: Floats


def stack_stays(padded_times: Sequence[Floats], stays: Sequence[Stays]) -> StayStack:
    """Lay traces with at least two stays each one behind the other, and refine their drift.

    The drift is refined from the middles of the stays, which ramps and bounces do not reach.

    Args:
        padded_times: For each trace, shape (n + 1,), centred, then a zero.
        stays: For each trace.
    """
    groups = Groups.of_sizes(np.array([one.start.size for one in stays]))
    samples = Groups.of_sizes(np.array([one.padded_mm.size for one in stays]))
    shift = np.repeat(samples.first, groups.size)
    start = np.concatenate([one.start for one in stays]) + shift
    stop = np.concatenate([one.stop for one in stays]) + shift
    sign = np.concatenate([one.sign for one in stays])
    time = np.concatenate(padded_times)
    offset = np.concatenate([one.padded_mm for one in stays])
    margin = (3 * (stop - start)) // 10
    inner_start, inner_stop = start + margin, stop - margin
    count = inner_stop - inner_start
    level = window_sums(offset, inner_start, inner_stop) / count
    when = window_sums(time, inner_start, inner_stop) / count
    extra = groups.total(drift_weights(when, sign, groups) * level)
    return StayStack(
        start=start,
        stop=stop,
        sign=sign,
        groups=groups,
        base=samples.first,
        time=time,
        offset_mm=offset - samples.each(extra) * time,
        step_mm=np.array([one.levels.step_mm for one in stays]),
        slope=np.array([one.levels.slope for one in stays]) + extra,
    )


def drift_weights(time: Floats, sign: Floats, groups: Groups) -> Floats:
    """Weights d with Σ d·y over a group = slope of the least squares fit on (1, time, sign), shape (m,)."""
    across = time - groups.each(groups.mean(time))
    flank = sign - groups.each(groups.mean(sign))
    across = across - flank * groups.each(ratio(groups.total(across * flank), groups.total(flank * flank)))
    left = groups.total(across * across)
    return across * groups.each(ratio(np.ones_like(left), left))


def window_sums(values: Floats, start: Integers, stop: Integers) -> Floats:
    """Sums over [start, stop), shape (m,); every window ends before the last sample of `values`."""
    bounds = np.empty(2 * start.size, dtype=np.int64)
    bounds[0::2], bounds[1::2] = start, stop
    sums: Floats = np.add.reduceat(values, bounds)[0::2]
    return sums


# Gaps in the samples of a rock trace that could hide a dwell, and the changes of flank they interrupt.


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


def find_gaps(time_s: Floats, stays: Stays, typical_samples: float) -> Gaps:
    """Find gaps longer than half a typical stay and five sample times."""
    pause = time_s[1:] - time_s[:-1]
    mean = float(time_s[-1] - time_s[0]) / pause.size
    if float(pause.max()) <= (USUAL_PAUSES - 1) * mean:
        return Gaps(lengths_s=np.zeros(0), broken=None)
    least = max(USUAL_PAUSES, SHARE_OF_STAY * typical_samples) * float(np.median(pause))
    lengths = pause[pause > least]
    if not lengths.size:
        return Gaps(lengths_s=lengths, broken=None)
    broken = np.zeros(stays.start.size, dtype=np.bool_)
    broken[:-1] = time_s[stays.start[1:]] - time_s[stays.stop[:-1] - 1] > least
    return Gaps(lengths_s=lengths, broken=broken)
