"""The stays of many traces, one trace behind the other; a single trace is a stack of one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.rock_groups import Groups, ratio

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lashmap_analysis.rock_flanks import Stays
    from lashmap_analysis.rock_groups import Floats, Integers


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
