"""All that the checks on one rock trace look at, gathered once."""

from __future__ import annotations

from dataclasses import dataclass
from math import log
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from lashmap_analysis.rock.dwells import Settled
    from lashmap_analysis.rock.stays import Booleans, Floats, Integers, StayStack
    from lashmap_analysis.rock.steps import Lash


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """A finite trace of n samples with m ≥ 2 stays on the flanks; indices count from its first sample.

    Attributes:
        time_s: Shape (n,).
        indicator_mm: Shape (n,).
        resolution_mm: Least step of the indicator.
        offset_mm: Shape (n,), the trace less mid level and drift.
        step_mm: Distance between the flanks, ramps included.
        slope_mm_per_s: Drift that was taken off.
        stay_start: Shape (m,), first sample of each stay.
        stay_stop: Shape (m,), one past the last.
        high: Shape (m,), true on the high flank.
        start: Shape (m,), first settled sample of each stay.
        stop: Shape (m,), one past the last.
        settled: Shape (m,), true where the gear came to rest.
        level_mm: Shape (m,), mean of the settled samples, of `offset_mm`.
        level_time: Shape (m,), when, in seconds from the middle of the trace.
        variance_mm2: Shape (m,), of the settled samples about their mean.
        extreme_mm: Shape (m,), farthest outward sample of each stay.
        shape_mm: Shape (m, 3), outward offset in the second, third and fourth fifth of each stay.
        noise_mm: Standard deviation of a single sample within the dwells.
        jitter_mm: The same from neighbouring samples, blind to slow movement.
        typical_samples: Median number of samples in a stay.
        few: True when that is few.
        lash: Mean step.
        gaps_s: Lengths of the gaps that could hide a dwell.
    """

    time_s: Floats
    indicator_mm: Floats
    resolution_mm: float
    offset_mm: Floats
    step_mm: float
    slope_mm_per_s: float
    stay_start: Integers
    stay_stop: Integers
    high: Booleans
    start: Integers
    stop: Integers
    settled: Booleans
    level_mm: Floats
    level_time: Floats
    variance_mm2: Floats
    extreme_mm: Floats
    shape_mm: Floats
    noise_mm: float
    jitter_mm: float
    typical_samples: float
    few: bool
    lash: Lash
    gaps_s: Floats


def gather(  # noqa: PLR0917 - everything known about one trace
    time_s: Floats,
    indicator_mm: Floats,
    stays: StayStack,
    settled: Settled,
    lash: Lash,
    gaps_s: Floats,
    trace: int,
) -> Evidence:
    """Cut one trace out of the stack."""
    first, base = int(stays.groups.first[trace]), int(stays.base[trace])
    own = slice(first, first + int(stays.groups.size[trace]))
    return Evidence(
        time_s=time_s,
        indicator_mm=indicator_mm,
        resolution_mm=settled.resolution_mm,
        offset_mm=stays.offset_mm[base : base + indicator_mm.size],
        step_mm=float(stays.step_mm[trace]),
        slope_mm_per_s=float(stays.slope[trace]),
        stay_start=stays.start[own] - base,
        stay_stop=stays.stop[own] - base,
        high=stays.sign[own] > 0,
        start=settled.start[own] - base,
        stop=settled.stop[own] - base,
        settled=settled.settled[own],
        level_mm=settled.offset_mm[own],
        level_time=settled.time[own],
        variance_mm2=settled.variance_mm2[own],
        extreme_mm=settled.extreme_mm[own],
        shape_mm=settled.middles.shape_mm[own],
        noise_mm=float(settled.noise_mm[trace]),
        jitter_mm=float(settled.middles.jitter_mm[trace]),
        typical_samples=float(settled.middles.typical_samples[trace]),
        few=bool(settled.middles.few[trace]),
        lash=lash,
        gaps_s=gaps_s,
    )


# The resolution that a trace shows, where that is coarser than the one stated for its indicator.
#
# Decided here: what least step the values of a trace are made of, and when that is no accident. A profile
# that promises a tenth of a micrometre for a dial that sends hundredths of a millimetre would make
# uncertainties far too small; the coarser of both is used for everything.


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
