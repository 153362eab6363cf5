"""The rock: one indicator trace becomes a reading, its uncertainty, its dwells and its flags.

Decided here: what goes in, what comes out, and what happens to input that is no trace. The measurement is in
`rock.flanks` (which flank), `rock.dwells` (settled where), `rock.steps` (what the steps are worth) and
`rock.checks` (why it may not be believed).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lashmap_analysis.rock.checks import check, out_of_range, too_few, without_stays
from lashmap_analysis.rock.dwells import settle
from lashmap_analysis.rock.evidence import gather, shown_resolution
from lashmap_analysis.rock.flanks import find_stays
from lashmap_analysis.rock.stays import find_gaps, stack_stays
from lashmap_analysis.rock.steps import NO_LASH, measure_steps

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from lashmap_analysis.rock.evidence import Evidence
    from lashmap_analysis.rock.flags import Flag
    from lashmap_analysis.rock.flanks import Stays
    from lashmap_analysis.rock.steps import Lash


Floats = NDArray[np.float64]

STACK = 64
"""Traces measured at once: enough to share the work between, few enough to stay in the processor's cache."""


@dataclass(frozen=True, kw_only=True)
class Dwell:
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
    return _measure([(time, trace)], resolution_mm, left_out_s)[0]


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
    return tuple(_measure(pairs, resolution_mm))


def _refuse_nonsense(time: Floats, trace: Floats, resolution_mm: float) -> None:
    if time.ndim != 1 or time.shape != trace.shape:
        raise ValueError(f"time_s and indicator_mm must both be (n,); got {time.shape} and {trace.shape}")
    if not (isfinite(resolution_mm) and resolution_mm > 0):
        raise ValueError(f"resolution_mm must be a positive length; got {resolution_mm}")
    # a NaN anywhere makes the comparison false
    if time.size and not ((time[1:] >= time[:-1]).all() and isfinite(time[0]) and isfinite(time[-1])):
        raise ValueError("time_s must be finite and must not decrease")


@dataclass(frozen=True, kw_only=True)
class _Trace:
    """One finite trace and what it was cut from."""

    number: int
    time_s: Floats
    indicator_mm: Floats
    padded_time: Floats
    stays: Stays
    resolution_mm: float
    flags: tuple[Flag, ...]

    def left_out(self, windows_s: tuple[tuple[float, float], ...]) -> NDArray[np.bool_]:
        """Stays whose way to the next one overlaps a window, shape (m,)."""
        leaves, arrives = self.time_s[self.stays.stop - 1], self.time_s[self.stays.start]
        out = np.zeros(self.stays.start.size, dtype=np.bool_)
        for start_s, end_s in windows_s:
            out[:-1] |= (leaves[:-1] < end_s) & (arrives[1:] > start_s)
        return out


def _measure(
    traces: Sequence[tuple[Floats, Floats]],
    resolution_mm: float,
    left_out_s: tuple[tuple[float, float], ...] = (),
) -> list[RockReading]:
    """Measure traces of any lengths, as stacks of moderate size."""
    readings: list[RockReading | None] = [None] * len(traces)
    waiting: dict[float, list[_Trace]] = {}
    for number, (time, indicator) in enumerate(traces):
        found = _find(number, time, indicator, resolution_mm)
        if isinstance(found, RockReading):
            readings[number] = found
        else:
            waiting.setdefault(found.resolution_mm, []).append(found)
    for shown_mm, alike in waiting.items():
        for first in range(0, len(alike), STACK):
            batch = alike[first : first + STACK]
            for trace, reading in zip(batch, _measure_stack(batch, shown_mm, left_out_s), strict=True):
                readings[trace.number] = reading
    return [reading for reading in readings if reading is not None]


def _find(number: int, time_s: Floats, indicator_mm: Floats, resolution_mm: float) -> _Trace | RockReading:
    """Find the stays of one trace; a reading without a value when there are fewer than two."""
    flags: tuple[Flag, ...] = ()
    finite = np.isfinite(indicator_mm)
    if not finite.all():
        infinite = int(np.count_nonzero(np.isinf(indicator_mm)))
        flags = (out_of_range(infinite),) if infinite else ()
        time_s, indicator_mm = time_s[finite], indicator_mm[finite]
    if indicator_mm.size < 2:
        return _reading(NO_LASH, 0.0, (), (*flags, too_few(0)))
    resolution_mm = shown_resolution(indicator_mm, resolution_mm)
    padded = np.zeros(time_s.size + 1)
    np.subtract(time_s, np.add.reduce(time_s) / time_s.size, out=padded[:-1])
    stays = find_stays(padded[:-1], indicator_mm)
    if stays.start.size < 2:
        return _reading(NO_LASH, 0.0, (), (*flags, *without_stays(indicator_mm, stays, resolution_mm)))
    return _Trace(
        number=number,
        time_s=time_s,
        indicator_mm=indicator_mm,
        padded_time=padded,
        stays=stays,
        resolution_mm=resolution_mm,
        flags=flags,
    )


def _measure_stack(
    traces: Sequence[_Trace], resolution_mm: float, left_out_s: tuple[tuple[float, float], ...]
) -> Iterator[RockReading]:
    """Measure traces that have stays on two levels."""
    stays = stack_stays([one.padded_time for one in traces], [one.stays for one in traces])
    settled = settle(stays, resolution_mm)
    gaps = [
        find_gaps(one.time_s, one.stays, typical)
        for one, typical in zip(traces, settled.middles.typical_samples.tolist(), strict=True)
    ]
    broken = None
    if any(gap.broken is not None for gap in gaps):
        broken = np.concatenate(
            [
                np.zeros(one.stays.start.size, dtype=np.bool_) if gap.broken is None else gap.broken
                for one, gap in zip(traces, gaps, strict=True)
            ]
        )
    if left_out_s:
        left_out = np.concatenate([one.left_out(left_out_s) for one in traces])
        broken = left_out if broken is None else broken | left_out
    lashes = measure_steps(stays, settled, broken)
    for number, (one, lash, gap) in enumerate(zip(traces, lashes, gaps, strict=True)):
        evidence = gather(one.time_s, one.indicator_mm, stays, settled, lash, gap.lengths_s, number)
        drift = evidence.slope_mm_per_s + lash.slope
        dwells = _dwells(evidence, one.stays.levels.mid_mm)
        yield _reading(lash, drift, dwells, (*one.flags, *check(evidence)))


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


def _dwells(evidence: Evidence, mid_mm: float) -> tuple[Dwell, ...]:
    kept = evidence.settled
    level = evidence.level_mm + mid_mm + evidence.slope_mm_per_s * evidence.level_time
    columns = (
        evidence.time_s[evidence.start[kept]].tolist(),
        evidence.time_s[evidence.stop[kept] - 1].tolist(),
        level[kept].tolist(),
        evidence.high[kept].tolist(),
    )
    return tuple(
        Dwell(start_s=start, end_s=end, level_mm=value, high=high)
        for start, end, value, high in zip(*columns, strict=True)
    )
