"""The rock: one indicator trace becomes a reading, its uncertainty, its dwells and its flags.

Decided here: what goes in, what comes out, and what happens to input that is no trace or not quite one
(spikes, a resolution coarser than stated). The measurement is in
`rock.flanks` (which flank), `rock.dwells` (settled where), `rock.steps` (what the steps are worth) and
`rock.checks` (why it may not be believed).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, log
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lashmap_analysis.rock.checks import check, out_of_range, spikes, too_few, without_stays
from lashmap_analysis.rock.dwells import settle
from lashmap_analysis.rock.flags import Evidence
from lashmap_analysis.rock.flanks import find_gaps, find_stays, spread_over
from lashmap_analysis.rock.steps import NO_LASH, measure_steps
from lashmap_analysis.rock.unseen import allow_for_unseen

if TYPE_CHECKING:
    from lashmap_analysis.rock.flags import Flag
    from lashmap_analysis.rock.flanks import Booleans, Stays
    from lashmap_analysis.rock.steps import Lash


Floats = NDArray[np.float64]


class Dwell(NamedTuple):
    """One settled stay on a flank.

    Attributes:
        start_s: First settled sample, on the trace's own time axis.
        end_s: Last settled sample.
        level_mm: Indicator value of the dwell, drift not removed.
        high: True on the flank with the larger indicator value.
    """

    start_s: float
    end_s: float
    level_mm: float
    high: bool


@dataclass(frozen=True, kw_only=True)
class RockReading:
    """The lash that one rock gives, on the indicator's own line of action.

    Attributes:
        reading_mm: Mean step between neighbouring settled dwells, linear drift removed; NaN when none.
        standard_uncertainty_mm: Of `reading_mm`: repeatability and resolution; NaN when there is none.
        degrees_of_freedom: Effective, of that uncertainty.
        peak_to_peak_mm: The trade's reading: mean over rocks of extreme to extreme; NaN when there is none.
        spread_mm: Largest minus smallest step.
        reversals: Number of steps that entered the mean.
        drift_mm_per_s: Slope that was removed.
        dwells: Settled dwells in order of time.
        flags: Refusals and warnings.
    """

    reading_mm: float
    standard_uncertainty_mm: float
    degrees_of_freedom: float
    peak_to_peak_mm: float
    spread_mm: float
    reversals: int
    drift_mm_per_s: float
    dwells: tuple[Dwell, ...]
    flags: tuple[Flag, ...]

    @property
    def usable(self) -> bool:
        """True when no flag disables the reading."""
        return not any(flag.disabling for flag in self.flags)


def measure_rock(
    time_s: ArrayLike,
    indicator_mm: ArrayLike,
    *,
    resolution_mm: float,
    left_out_s: tuple[tuple[float, float], ...] = (),
) -> RockReading:
    """Measure the lash in one rock trace.

    Args:
        time_s: Shape (n,), seconds, finite, never decreasing; uneven steps and gaps are allowed.
        indicator_mm: Shape (n,), as the indicator gave it. NaN is a missing sample; infinite means that the
            indicator was out of its range.
        resolution_mm: Least step of the indicator. Where the values lie on a coarser grid, its step is used.
        left_out_s: Reversals that do not enter the reading, each as a (start, end) that overlaps the time
            between its two dwells. The dwells stay: they still say how well a level repeats.

    Returns:
        The reading. A trace that holds no lash has disabling flags and, where nothing can be computed, NaN.

    Raises:
        ValueError: Shapes differ or are not (n,); time not finite or decreasing; resolution not positive.
    """
    time, trace = np.asarray(time_s, dtype=np.float64), np.asarray(indicator_mm, dtype=np.float64)
    _refuse_nonsense(time, trace, resolution_mm)
    return _measure(time, trace, resolution_mm, left_out_s)


def measure_rocks(
    time_s: ArrayLike, indicator_mm: ArrayLike, *, resolution_mm: float
) -> tuple[RockReading, ...]:
    """Measure the lash in a stack of rock traces.

    Args:
        time_s: Shape (n_samples,) when common to all traces, else (n_traces, n_samples).
        indicator_mm: Shape (n_traces, n_samples); pad shorter traces with NaN.
        resolution_mm: Least step of the indicator.

    Returns:
        One reading a trace, as `measure_rock` gives it.

    Raises:
        ValueError: As `measure_rock`, or the shapes do not fit.
    """
    time, traces = np.asarray(time_s, dtype=np.float64), np.asarray(indicator_mm, dtype=np.float64)
    if traces.ndim != 2 or time.shape not in (traces.shape, traces.shape[1:]):
        raise ValueError(
            f"indicator_mm must be (n_traces, n_samples) and time_s the same or (n_samples,); "
            f"got {traces.shape} and {time.shape}"
        )
    pairs = list(zip(np.broadcast_to(time, traces.shape), traces, strict=True))
    # a common time axis is checked once
    for when, trace in pairs if time.ndim == 2 else pairs[:1]:
        _refuse_nonsense(when, trace, resolution_mm)
    return tuple(_measure(when, trace, resolution_mm) for when, trace in pairs)


def _refuse_nonsense(time: Floats, trace: Floats, resolution_mm: float) -> None:
    if time.ndim != 1 or time.shape != trace.shape:
        raise ValueError(f"time_s and indicator_mm must both be (n,); got {time.shape} and {trace.shape}")
    if not (isfinite(resolution_mm) and resolution_mm > 0):
        raise ValueError(f"resolution_mm must be a positive length; got {resolution_mm}")
    if not time.size:
        return
    # a NaN anywhere makes the comparison false
    in_order = np.count_nonzero(time[1:] >= time[:-1]) == time.size - 1
    if not (in_order and isfinite(time[0]) and isfinite(time[-1])):
        raise ValueError("time_s must be finite and must not decrease")


def _measure(
    time_s: Floats,
    indicator_mm: Floats,
    resolution_mm: float,
    left_out_s: tuple[tuple[float, float], ...] = (),
) -> RockReading:
    """Measure one trace; a reading without a value when there are fewer than two stays."""
    flags: tuple[Flag, ...] = ()
    # No dot product here: from 10,000 samples on it wakes a thread for each core, which cost 8 ms a rock.
    if not np.logical_and.reduce(np.isfinite(indicator_mm)):
        finite = np.isfinite(indicator_mm)
        infinite = int(np.count_nonzero(np.isinf(indicator_mm)))
        flags = (out_of_range(infinite),) if infinite else ()
        time_s, indicator_mm = time_s[finite], indicator_mm[finite]
    if indicator_mm.size < 2:
        return _reading(NO_LASH, 0.0, (), (*flags, too_few(0)))
    change = indicator_mm[1:] - indicator_mm[:-1]
    size = np.abs(change)
    resolution_mm = shown_resolution(indicator_mm, size, resolution_mm)
    wild = find_spikes(indicator_mm, change, size, resolution_mm)
    if wild is not None:
        flags = (*flags, spikes(int(np.count_nonzero(wild)), indicator_mm.size))
        time_s, indicator_mm = time_s[~wild], indicator_mm[~wild]
    padded_time = np.zeros(time_s.size + 1)
    np.subtract(time_s, np.add.reduce(time_s) / time_s.size, out=padded_time[:-1])
    stays = find_stays(padded_time, indicator_mm)
    if stays.start.size < 2:
        return _reading(NO_LASH, 0.0, (), (*flags, *without_stays(indicator_mm, stays, resolution_mm)))
    settled = settle(padded_time, stays, resolution_mm)
    gaps = find_gaps(time_s, stays.start, stays.stop, min(settled.middles.typical_samples))
    broken = gaps.broken
    if left_out_s:
        left_out = _left_out(time_s, stays, left_out_s)
        broken = left_out if broken is None else broken | left_out
    lash = measure_steps(padded_time, stays, settled, broken)
    evidence = Evidence(
        time_s=time_s,
        indicator_mm=indicator_mm,
        stays=stays,
        settled=settled,
        lash=lash,
        gaps_s=gaps.lengths_s,
        high=stays.sign > 0,
    )
    lash = allow_for_unseen(evidence)
    if lash.unseen_mm:
        evidence = evidence._replace(lash=lash)
    return _reading(lash, stays.levels.slope + lash.slope, _dwells(evidence), (*flags, *check(evidence)))


def _left_out(time_s: Floats, stays: Stays, windows_s: tuple[tuple[float, float], ...]) -> NDArray[np.bool_]:
    """Stays whose way to the next one overlaps a window, shape (m,)."""
    leaves, arrives = time_s[stays.stop - 1], time_s[stays.start]
    out = np.zeros(stays.start.size, dtype=np.bool_)
    for start_s, end_s in windows_s:
        out[:-1] |= (leaves[:-1] < end_s) & (arrives[1:] > start_s)
    return out


def _reading(lash: Lash, drift: float, dwells: tuple[Dwell, ...], flags: tuple[Flag, ...]) -> RockReading:
    return RockReading(
        reading_mm=lash.mean_mm,
        standard_uncertainty_mm=lash.standard_uncertainty_mm,
        degrees_of_freedom=lash.degrees_of_freedom,
        peak_to_peak_mm=lash.peak_to_peak_mm,
        spread_mm=lash.spread_mm,
        reversals=lash.steps,
        drift_mm_per_s=drift,
        dwells=dwells,
        flags=flags,
    )


def _dwells(evidence: Evidence) -> tuple[Dwell, ...]:
    settled, levels = evidence.settled, evidence.stays.levels
    kept = settled.kept
    level = settled.offset_mm + levels.mid_mm + levels.slope * settled.time
    columns = (
        evidence.time_s[settled.start[kept]].tolist(),
        evidence.time_s[settled.stop[kept] - 1].tolist(),
        level[kept].tolist(),
        evidence.high[kept].tolist(),
    )
    return tuple(map(Dwell, *columns))


SPIKE_NOISE = 10.37
"""Median change between samples; a spike leaves both its neighbours, on the same side, by more than so many.

No whole number, so that rounded values are not just on the limit.
"""

SPIKE_CODES = 3.37
"""The same in resolutions."""

SPIKE_SHARE = 0.25
"""The same as a share of what lies between the tenths of all samples, about the lash."""

MOST_SPIKES = (2, 0.04)
"""So many samples, or that share of all: where more stand alone, it is the gear that moves too fast to be
seen.
"""


ENOUGH = 256
"""Samples from which a median is taken, spread over the trace."""


def find_spikes(indicator_mm: Floats, change: Floats, size: Floats, resolution_mm: float) -> Booleans | None:
    """Samples that leave both their neighbours alike, shape (n,); None when there are none or too many.

    Args:
        indicator_mm: Shape (n,), finite.
        change: Shape (n - 1,), from each sample to the next.
        size: Shape (n - 1,), of that.
        resolution_mm: Least step of the indicator.
    """
    if size.size < 3:
        return None
    some = np.sort(size[spread_over(size.size, ENOUGH)])
    limit = max(SPIKE_NOISE * float(some[some.size // 2]), SPIKE_CODES * resolution_mm)
    if not np.maximum.reduce(size) > limit:
        return None
    # a rebound from the flank is no spike, however few samples see it
    spread = np.sort(indicator_mm[spread_over(indicator_mm.size, ENOUGH)])
    span = float(spread[-1 - spread.size // 10] - spread[spread.size // 10])
    limit = max(limit, SPIKE_SHARE * span)
    jumps = (size > limit).nonzero()[0]
    if jumps.size < 2:
        return None
    # a jump and at once one back
    pairs = jumps[:-1][(jumps[1:] == jumps[:-1] + 1) & (change[jumps[:-1]] * change[jumps[1:]] < 0)]
    if not pairs.size or pairs.size > max(MOST_SPIKES[0], MOST_SPIKES[1] * indicator_mm.size):
        return None
    # neighbours of a spike jump as well: the middle of each run is the spike, every second sample of a longer
    # one
    wild = np.zeros(indicator_mm.size, dtype=np.bool_)
    last = -2
    for at in pairs.tolist():
        if at > last + 1:
            wild[at + 1] = True
            last = at
    return wild


# The resolution that a trace shows, where that is coarser than the one stated for its indicator.
#
# Decided here: what least step the values of a trace are made of, and when that is no accident. A profile
# that promises a tenth of a micrometre for a dial that sends hundredths of a millimetre would make
# uncertainties far too small; the coarser of both is used for everything.


CLEARLY_COARSER = 1.5
"""Least ratio of shown and stated resolution; a scale in other units may make them differ by a little."""

LOG_CHANCE = 9.0
"""One in eight thousand: two values set the grid, each further one lies on it by chance once in the ratio."""

FIRST = 100
"""Samples that are looked at before all others are."""

ON_GRID = 0.02
"""Distance from the grid, as a share of its step, that counts as on it."""


def shown_resolution(indicator_mm: Floats, size: Floats, stated_mm: float) -> float:
    """The coarser of the stated resolution and of the grid on which all values lie.

    Args:
        indicator_mm: Shape (n,), finite.
        size: Shape (n - 1,), of the changes from sample to sample.
        stated_mm: As stated for the indicator.

    Returns:
        Resolution in mm; the stated one unless the values contradict it.
    """
    # a few samples of a lively trace show that it is as fine as stated
    for several in (size[: FIRST - 1], size):
        if np.count_nonzero((several > 1e-6 * stated_mm) & (several < CLEARLY_COARSER * stated_mm)):
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
