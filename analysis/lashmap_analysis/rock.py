"""The rock: one indicator trace becomes a reading, its uncertainty, its dwells and its flags.

Decided here: what goes in, what comes out, and what happens to input that is no trace. The measurement is in
`rock_flanks` (which flank), `rock_dwells` (settled where), `rock_steps` (what the steps are worth) and
`rock_checks` (why it may not be believed).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lashmap_analysis.rock_checks import check, too_few, without_stays
from lashmap_analysis.rock_dwells import Settled, settle, straighten
from lashmap_analysis.rock_evidence import Evidence
from lashmap_analysis.rock_flanks import Stays, find_stays
from lashmap_analysis.rock_samples import out_of_range
from lashmap_analysis.rock_steps import NO_LASH, Lash, measure_steps

if TYPE_CHECKING:
    from lashmap_analysis.flags import Flag

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


def measure_rock(time_s: ArrayLike, indicator_mm: ArrayLike, *, resolution_mm: float) -> RockReading:
    """Measure the lash in one rock trace.

    Args:
        time_s: Shape (n,), seconds, finite, never decreasing; uneven steps and gaps are allowed.
        indicator_mm: Shape (n,), as the indicator gave it. NaN is a missing sample; infinite means that the
            indicator was out of its range.
        resolution_mm: Least step of the indicator.

    Returns:
        The reading. A trace that holds no lash has disabling flags and, where nothing can be computed, NaN.

    Raises:
        ValueError: Shapes differ or are not (n,); time not finite or decreasing; resolution not positive.
    """
    time, trace = np.asarray(time_s, dtype=np.float64), np.asarray(indicator_mm, dtype=np.float64)
    _refuse_nonsense(time, trace, resolution_mm)
    finite = np.isfinite(trace)
    infinite = 0
    if not finite.all():
        infinite = int(np.count_nonzero(np.isinf(trace)))
        time, trace = time[finite], trace[finite]
    return _measure(time, trace, resolution_mm, infinite)


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
    times = np.broadcast_to(time, traces.shape)
    return tuple(
        measure_rock(when, trace, resolution_mm=resolution_mm)
        for when, trace in zip(times, traces, strict=True)
    )


def _refuse_nonsense(time: Floats, trace: Floats, resolution_mm: float) -> None:
    if time.ndim != 1 or time.shape != trace.shape:
        raise ValueError(f"time_s and indicator_mm must both be (n,); got {time.shape} and {trace.shape}")
    if not (isfinite(resolution_mm) and resolution_mm > 0):
        raise ValueError(f"resolution_mm must be a positive length; got {resolution_mm}")
    # a NaN anywhere makes the comparison false
    if time.size and not ((time[1:] >= time[:-1]).all() and isfinite(time[0]) and isfinite(time[-1])):
        raise ValueError("time_s must be finite and must not decrease")


def _measure(time_s: Floats, trace: Floats, resolution_mm: float, infinite: int) -> RockReading:
    """Measure a finite trace."""
    flags = [out_of_range(infinite)] if infinite else []
    if trace.size < 2:
        return _reading(NO_LASH, 0.0, (), [*flags, too_few(0)])
    padded = np.zeros(time_s.size + 1)
    np.subtract(time_s, np.add.reduce(time_s) / time_s.size, out=padded[:-1])
    stays = find_stays(padded[:-1], trace)
    if stays.start.size < 2:
        return _reading(NO_LASH, 0.0, (), [*flags, *without_stays(trace, stays, resolution_mm)])
    stays = straighten(padded, stays)
    settled = settle(padded, stays, resolution_mm)
    gaps, broken = _gaps(time_s, stays, settled)
    lash = measure_steps(stays, settled, broken)
    evidence = Evidence(
        time_s=time_s,
        indicator_mm=trace,
        resolution_mm=resolution_mm,
        stays=stays,
        settled=settled,
        lash=lash,
        gaps_s=gaps,
    )
    flags += check(evidence)
    return _reading(lash, stays.levels.slope + lash.slope, _dwells(time_s, stays, settled), flags)


def _reading(lash: Lash, drift: float, dwells: tuple[Dwell, ...], flags: list[Flag]) -> RockReading:
    return RockReading(
        reading_mm=lash.mean_mm,
        standard_uncertainty_mm=lash.standard_uncertainty_mm,
        degrees_of_freedom=lash.degrees_of_freedom,
        peak_to_peak_mm=lash.peak_to_peak_mm,
        spread_mm=lash.spread_mm,
        reversals=lash.steps,
        drift_mm_per_s=drift,
        dwells=dwells,
        flags=tuple(flags),
    )


def _gaps(time_s: Floats, stays: Stays, settled: Settled) -> tuple[Floats, NDArray[np.bool_] | None]:
    """Gaps longer than half a typical dwell and five sample times, and the changes of flank they hide."""
    pause = time_s[1:] - time_s[:-1]
    mean = (time_s[-1] - time_s[0]) / pause.size
    if pause.max() <= 4 * mean:
        return np.zeros(0), None
    usual = float(np.median(pause))
    least = max(5.0, 0.5 * settled.typical_samples) * usual
    away = np.flatnonzero(pause > least)
    if not away.size:
        return np.zeros(0), None
    broken = time_s[stays.start[1:]] - time_s[stays.stop[:-1] - 1] > least
    return pause[away], broken


def _dwells(time_s: Floats, stays: Stays, settled: Settled) -> tuple[Dwell, ...]:
    kept = settled.settled
    level = settled.offset_mm + stays.levels.mid_mm + stays.levels.slope * settled.time
    columns = (
        time_s[settled.start[kept]].tolist(),
        time_s[settled.stop[kept] - 1].tolist(),
        level[kept].tolist(),
        (stays.sign[kept] > 0).tolist(),
    )
    return tuple(
        Dwell(start_s=start, end_s=end, level_mm=value, high=high)
        for start, end, value, high in zip(*columns, strict=True)
    )
