"""Which samples lie on which flank: the trace is split into stays on the high and on the low flank.

Decided here: the two levels with the drift between them, and the instants at which the gear changes flank.
Not decided: which part of a stay is settled (`rock.dwells`), what the levels mean (`rock.steps`), and whether
the trace may be believed at all (`rock.checks`).

The split is the most probable path of a two-state chain with normal noise. For two states that path needs no
recursion over the samples: it changes state at those extremes of the running sum of (signal − mid level) that
tower over what follows by more than the price of a change, so that only the mid-level crossings are visited.
"""

from __future__ import annotations

import itertools
from math import isfinite, sqrt
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Booleans = NDArray[np.bool_]
Kept: TypeAlias = Integers | slice
"""Which of some stays: their indices, or a slice where they are neighbours, which copies nothing."""

LEAST_SWING = 1.5
"""Price of a change of flank, in samples of a full half step: one stray sample cannot pay it, two can."""

BOUNCE_SHARE = 0.2
"""A stay shorter than this share of the typical stay on the flank that is left sooner is a bounce or a burst
of noise, not a dwell.
"""

ENOUGH = 512
"""Samples from which the two levels are found, spread over the trace."""

SHORTEST_ROCK = 6
"""Samples from a flank to the other and back: no rock of fewer can be used (`rock.checks`)."""

UNEVEN = np.arange(1 << 10) * (sqrt(5) - 1) / 2 % 1
"""Multiples of the golden section, less whole numbers: as far from any period as can be."""

NO_DRIFT = 0.05
"""Drift over the trace, as a share of the step, that carries no sample to the other flank."""

LEAST_INNER = (4, 24)
"""Stays from which the drift is refined without the first and the last one, and their mean number of samples:
of fewer, none can be spared.
"""

COLLINEAR = 0.8
"""Share of the flank pattern that a line explains above which drift and step cannot be told apart."""


class Levels(NamedTuple):
    """Two levels with a common drift: x = mid + slope · time ± step / 2.

    Attributes:
        mid_mm: Middle between the flanks at the centre of the trace.
        slope: Drift, in mm over the length of the time axis given.
        step_mm: Distance between the two flanks, ramps included (so a little small).
    """

    mid_mm: float
    slope: float
    step_mm: float


class Stays(NamedTuple):
    """Stays on the flanks, in order of time, alternating; all arrays have shape (m,).

    Attributes:
        start: Index of the first sample of each stay.
        stop: One past the last sample.
        sign: +1 on the high flank, −1 on the low one.
        levels: The two levels and the drift.
        padded_mm: Shape (n + 1,), the signal less mid level and drift, then a zero.
    """

    start: Integers
    stop: Integers
    sign: Floats
    levels: Levels
    padded_mm: Floats

    @property
    def offset_mm(self) -> Floats:
        """The signal less mid level and drift, shape (n,)."""
        return self.padded_mm[:-1]


def find_stays(padded_time: Floats, signal_mm: Floats) -> Stays:
    """Split a trace into stays on the high and the low flank, and take its drift off.

    The drift is refined from the middles of the stays, which ramps and bounces do not reach.

    Args:
        padded_time: Shape (n + 1,), time with mean zero, any unit, then a zero.
        signal_mm: Shape (n,), finite.

    Returns:
        The stays; none when the signal has no two levels.
    """
    time = padded_time[:-1]
    levels = _two_levels(time, signal_mm)
    padded = np.zeros(signal_mm.size + 1)
    np.subtract(signal_mm, levels.mid_mm, out=padded[:-1])
    padded[:-1] -= levels.slope * time
    stays = _split(padded, levels)
    if stays.start.size < 2:
        return stays
    # the ends of the trace may cut the first and the last stay within a travel
    found, samples = stays.start.size, stays.stop[-1] - stays.start[0]
    spared = found - 2 >= LEAST_INNER[0] and samples >= LEAST_INNER[1] * found
    inner = slice(1, -1) if spared else slice(None)
    begin, end, sign = stays.start[inner], stays.stop[inner], stays.sign[inner]
    margin = (3 * (end - begin)) // 10
    start, stop = begin + margin, end - margin
    window, count = bounds_of(start, stop), (stop - start).astype(np.float64)
    level = np.add.reduceat(padded, window)[0::2] / count
    when = np.add.reduceat(padded_time, window)[0::2] / count
    extra = float(drift_weights(when, sign).dot(level))
    padded -= extra * padded_time
    levels = Levels(mid_mm=levels.mid_mm, slope=levels.slope + extra, step_mm=levels.step_mm)
    return Stays(start=stays.start, stop=stays.stop, sign=stays.sign, levels=levels, padded_mm=padded)


def _two_levels(time: Floats, signal: Floats) -> Levels:
    """Two-means on a three-point median (a single wild sample must not become a level), then with drift."""
    if signal.size >= 3:
        # a part of the samples will do: only the middle between the flanks and their distance are asked for
        some = spread_over(signal.size - 2, ENOUGH)
        before, here, after = signal[:-2][some], signal[1:-1][some], signal[2:][some]
        calm = np.maximum(np.minimum(before, here), np.minimum(np.maximum(before, here), after))
        time = time[1:-1][some]
        time = time - np.add.reduce(time) / time.size
    else:
        calm = signal.copy()
    mean = mean_of(calm)
    calm -= mean
    count, cut = calm.size, 0.0
    side = np.sign(calm)
    for _ in range(6):
        # side is −1, 0, +1: both flanks share a sample that lies exactly on the cut
        excess, moment = float(np.add.reduce(side)), float(calm.dot(side))
        above, below = 0.5 * (count + excess), 0.5 * (count - excess)
        if above <= 0 or below <= 0:
            break
        centre = 0.25 * moment * (1 / above - 1 / below)
        done = abs(centre - cut) <= 5e-3 * abs(moment) / count
        cut = centre
        if done:
            break
        side = np.sign(calm - cut)
    lasts = float(time[-1] - time[0])
    known = (mean_of(calm), float(time.dot(time)), float(time.dot(calm)))
    levels = _fit(time, calm, side, known)
    for _ in range(6):
        if abs(levels.slope) * lasts < NO_DRIFT * levels.step_mm:
            break
        new_side = np.sign(calm - levels.mid_mm - levels.slope * time)
        if not np.count_nonzero(new_side != side):
            break
        side = new_side
        levels = _fit(time, calm, side, known)
    return Levels(mid_mm=levels.mid_mm + mean, slope=levels.slope, step_mm=levels.step_mm)


def _fit(time: Floats, signal: Floats, side: Floats, known: tuple[float, float, float]) -> Levels:
    """Least squares of signal on (1, time, side), time having mean zero.

    Args:
        time: Shape (n,).
        signal: Shape (n,).
        side: Shape (n,), −1, 0 or +1.
        known: Mean of the signal, time · time and time · signal, the same for every `side`.
    """
    count = signal.size
    (mean, a, p), lean = known, mean_of(side)
    b, c = float(time.dot(side)), float(side.dot(side)) - count * lean * lean
    q = float(side.dot(signal)) - count * lean * mean
    if c <= 0:
        return Levels(mid_mm=mean, slope=0.0, step_mm=0.0)
    if a <= 0 or b * b > COLLINEAR * a * c:
        slope, half = 0.0, q / c
    else:
        determinant = a * c - b * b
        slope, half = (p * c - q * b) / determinant, (q * a - p * b) / determinant
    return Levels(mid_mm=mean - half * lean, slope=slope, step_mm=2 * half)


def _split(padded: Floats, levels: Levels) -> Stays:
    """Most probable stays for known levels."""
    offset = padded[:-1]
    half = 0.5 * levels.step_mm
    if not (half > 0 and isfinite(half)):
        return _nothing(padded, levels)
    # bounded, so that a wild sample weighs no more than an ordinary one
    signal = offset / half
    np.minimum(np.maximum(signal, -1.0, out=signal), 1.0, out=signal)
    placed = None
    if np.count_nonzero(signal == 0.0):
        placed = signal.nonzero()[0]
        signal = signal[placed]
    positive = signal > 0
    runs = [0, *((positive[1:] != positive[:-1]).nonzero()[0] + 1).tolist()]
    areas = np.add.reduceat(signal, runs).tolist() if signal.size else []
    pivots = _turning_points(areas, LEAST_SWING)
    if len(pivots) < 2:
        return _nothing(padded, levels)
    sums = [sum(areas[i + 1 : j + 1]) for i, j in itertools.pairwise(pivots)]
    # one flank may be held much longer than the other: a bounce is short beside the stays of its own flank
    sizes = list(map(abs, sums))
    usual = min(median_of(sizes[0::2]), median_of(sizes[1::2] or sizes))
    kept = _turning_points(sums, max(LEAST_SWING, BOUNCE_SHARE * usual))
    if len(kept) < 2:
        return _nothing(padded, levels)
    runs.append(signal.size)
    bounds = np.array([runs[pivots[k + 1] + 1] for k in kept])
    first, last = bounds[:-1], bounds[1:] - 1
    sign = np.where(positive[last], 1.0, -1.0)
    if placed is not None:
        first, last = placed[first], placed[last]
    return Stays(start=first, stop=last + 1, sign=sign, levels=levels, padded_mm=padded)


def _nothing(padded: Floats, levels: Levels) -> Stays:
    empty = np.zeros(0, dtype=np.int64)
    return Stays(start=empty, stop=empty, sign=np.zeros(0), levels=levels, padded_mm=padded)


def _turning_points(areas: list[float], price: float) -> list[int]:
    """Runs after which the running sum of `areas` turns by more than `price`.

    Args:
        areas: Increments of the running sum, up and down in turn.
        price: Least swing that counts.

    Returns:
        Indices k, −1 for the very beginning: successive extremes of the running sum, first and last included;
        what swings by less than `price` before the first and after the last belongs to no stay.
    """
    if areas and min(map(abs, areas)) > price:
        return list(range(-1, len(areas)))
    total, low, high = 0.0, 0.0, 0.0
    low_at = high_at = -1
    turns: list[int] = []
    up = down = True
    for k, area in enumerate(areas):
        total += area
        if up:
            if total > high:
                high, high_at = total, k
                if not down:
                    continue
            elif high - total > price:
                turns.append(high_at)
                up, down = False, True
                low, low_at = total, k
                continue
        if down:
            if total < low:
                low, low_at = total, k
            elif total - low > price:
                turns.append(low_at)
                up, down = True, False
                high, high_at = total, k
    if turns:
        turns.append(high_at if up else low_at)
    return turns


def spread_over(size: int, most: int) -> Kept:
    """Some of so many samples; where a rock may last from one to the next, one anywhere in each stretch.

    At even distances they would all lie on one flank where a drive rocks in step with them.

    Args:
        size: Of what is looked at.
        most: About how many are looked at, not more than there are in `UNEVEN`.
    """
    each = size // most + 1
    if each < SHORTEST_ROCK:
        return slice(None, None, each)
    count = size // each
    return ((np.arange(count) + UNEVEN[:count]) * each).astype(np.int64)


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


def bounds_of(start: Integers, stop: Integers) -> Integers:
    """Indices for `reduceat`, shape (2 m,); every second result is that of a window [start, stop).

    Every window ends before the last sample of what is reduced.
    """
    bounds = np.empty(2 * start.size, dtype=np.int64)
    bounds[0::2], bounds[1::2] = start, stop
    return bounds


USUAL_PAUSES = 5.0
"""Sample times that a hand or a busy port may let pass."""

SHARE_OF_STAY = 0.5
"""Share of a typical stay that may be missing."""


class Gaps(NamedTuple):
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
    if float(np.maximum.reduce(pause)) <= (USUAL_PAUSES - 1) * mean:
        return Gaps(lengths_s=np.zeros(0), broken=None)
    least = max(USUAL_PAUSES, SHARE_OF_STAY * typical_samples) * float(np.median(pause))
    lengths = pause[pause > least]
    if not lengths.size:
        return Gaps(lengths_s=lengths, broken=None)
    broken = np.zeros(start.size, dtype=np.bool_)
    broken[:-1] = time_s[start[1:]] - time_s[stop[:-1] - 1] > least
    return Gaps(lengths_s=lengths, broken=broken)
