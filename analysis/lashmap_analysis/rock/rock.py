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

from lashmap_analysis.rock.checks import check, out_of_range, spikes, too_few, without_stays
from lashmap_analysis.rock.dwells import settle
from lashmap_analysis.rock.evidence import Evidence, find_spikes, shown_resolution
from lashmap_analysis.rock.flanks import find_stays
from lashmap_analysis.rock.stays import find_gaps
from lashmap_analysis.rock.steps import NO_LASH, measure_steps

if TYPE_CHECKING:
    from lashmap_analysis.rock.flags import Flag
    from lashmap_analysis.rock.flanks import Stays
    from lashmap_analysis.rock.steps import Lash


Floats = NDArray[np.float64]


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
    # a NaN anywhere makes the comparison false
    if time.size and not ((time[1:] >= time[:-1]).all() and isfinite(time[0]) and isfinite(time[-1])):
        raise ValueError("time_s must be finite and must not decrease")


def _measure(
    time_s: Floats,
    indicator_mm: Floats,
    resolution_mm: float,
    left_out_s: tuple[tuple[float, float], ...] = (),
) -> RockReading:
    """Measure one trace; a reading without a value when there are fewer than two stays."""
    flags: tuple[Flag, ...] = ()
    finite = np.isfinite(indicator_mm)
    if not finite.all():
        infinite = int(np.count_nonzero(np.isinf(indicator_mm)))
        flags = (out_of_range(infinite),) if infinite else ()
        time_s, indicator_mm = time_s[finite], indicator_mm[finite]
    if indicator_mm.size < 2:
        return _reading(NO_LASH, 0.0, (), (*flags, too_few(0)))
    resolution_mm = shown_resolution(indicator_mm, resolution_mm)
    wild = find_spikes(indicator_mm, resolution_mm)
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
    kept = settled.settled
    level = settled.offset_mm + levels.mid_mm + levels.slope * settled.time
    columns = (
        evidence.time_s[settled.start[kept]].tolist(),
        evidence.time_s[settled.stop[kept] - 1].tolist(),
        level[kept].tolist(),
        evidence.high[kept].tolist(),
    )
    return tuple(
        Dwell(start_s=start, end_s=end, level_mm=value, high=high)
        for start, end, value, high in zip(*columns, strict=True)
    )
