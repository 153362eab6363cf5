"""The settled part of every stay on a flank, its level, and how the gear came to it and left it.

Decided here: where ramp, contact bounce and departure end and the dwell begins, and the level of the dwell.
Not decided: whether the levels give a lash (`rock.steps`, `rock.checks`).

A stay lasts from the middle between the flanks to the middle again, so that a slow departure or a drive that
swings like a sine takes as much of it as the rest itself. The dwell is therefore looked for where the stay is
flattest, wherever that is, and grows from there to both ends by one rule: a sample belongs to it while it
stays within noise and resolution of the level seen there; a margin in proportion to what was trimmed guards
against the tail of a bounce. A trace read backwards has the same dwells.

With many samples a stay, means of neighbours stand for samples as far as noise asks for it. With few
(hand-polled traces) the flattest part is the half of the samples that lie closest together.
"""

from __future__ import annotations

import functools
import itertools
from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from lashmap_analysis.rock.flanks import bounds_of, median_of, spread_over

if TYPE_CHECKING:
    from lashmap_analysis.rock.flanks import Booleans, Floats, Integers, Kept, Stays


FEW_SAMPLES = 12.0
"""Typical samples a stay, on the flank that is left sooner, below which single samples are looked at."""

BLOCKS = 16
"""Parts of a stay, but not more than it has samples, of which the four neighbours that differ least are
taken for its flattest part.
"""

SMOOTHED = 16.0
"""Part of a stay over which samples are averaged, one in so many."""

LEAST_SHARE = 0.08
"""Settled part of a stay as a share of the typical stay on its flank; the rest is travel, bounce and
margin.
"""

LEAST_AT_ENDS = 0.25
"""The same for the first and the last stay, which the ends of the trace may cut within a bounce."""

ENOUGH_TO_DROP = 5
"""Samples in a hand-polled dwell that can spare the first and the last one: those are the doubtful ones."""

LEVELNESS = 0.005
"""Departure from the level that still belongs to the dwell, as a share of the step: no creep is linear."""

FEW_CODES = 1.5
"""Least movement in a dwell, in resolutions, with few samples: rounding makes one code of two samples alone,
and with it the smallest noise or drift a little more; their noise is not seen where most are alike.
"""

FINE = 0.01
"""Tolerance as a share of the step below which what is left of a bounce is no movement on the flank."""

LEAST_SAMPLES = 2
"""A dwell is settled when at least two samples agree: one sample alone cannot show that it does."""

ENOUGH = 256
"""Samples from which a median is taken, spread over the trace."""

NOISY = 0.05
"""Tolerance as a share of the step above which single stays do not show how the gear came and left."""

SHELF = 0.25
"""Share of the step below a level, up to which a gear that never rests lingers and one that leaves does
not.
"""


class Middles(NamedTuple):
    """The flattest parts of m stays.

    Attributes:
        reference_mm: Shape (m,), level there.
        at: Shape (m,), a sample in the midst of it.
        noise_mm: Standard deviation of a sample there, on the noisier flank.
        parts_mm: Shape (m, parts), means over equal parts of the stays; no parts with few samples a stay.
        typical_samples: Median number of samples in a stay, on the low and on the high flank.
        few: True when the smaller of them is few.
    """

    reference_mm: Floats
    at: Integers
    noise_mm: float
    parts_mm: Floats
    typical_samples: tuple[float, float]
    few: bool


@dataclass(frozen=True, kw_only=True)
class Settled:
    """What was found on m stays.

    Attributes:
        touch: Shape (m,), index of the first sample at the level after the bounce; a little after `start`
            where the tolerance is too coarse to tell them apart.
        start: Shape (m,), index of the first settled sample.
        stop: Shape (m,), one past the last settled sample.
        count: Shape (m,), number of settled samples, at least 1.
        offset_mm: Shape (m,), mean of the settled samples, mid level and drift removed.
        variance_mm2: Shape (m,), of the settled samples about their mean.
        time: Shape (m,), middle of the first and the last settled sample.
        extreme_mm: Shape (m,), farthest outward sample of the whole stay, as an outward offset.
        settled: Shape (m,), true where the settled part is long enough and flat.
        kept: Which of the stays these are.
        noise_mm: Standard deviation of a single sample within the dwells.
        jitter_mm: The same from neighbouring samples, blind to slow movement.
        middles: What was seen in the flattest parts.
        tolerance_mm: Distance from the level within which samples were taken for settled.
        lingering: On the low and on the high flank, time within `SHELF` of the level, or beyond it late in
            the stay, over the time at the level; 0 with few samples a stay or a `NOISY` tolerance.
        resolution_mm: As given.
    """

    touch: Integers
    start: Integers
    stop: Integers
    count: Integers
    offset_mm: Floats
    variance_mm2: Floats
    time: Floats
    extreme_mm: Floats
    settled: Booleans
    kept: Kept
    noise_mm: float
    jitter_mm: float
    middles: Middles
    tolerance_mm: float
    lingering: tuple[float, float]
    resolution_mm: float


def settle(padded_time: Floats, stays: Stays, resolution_mm: float) -> Settled:
    """Find the settled part of every stay."""
    offset, high = stays.padded_mm, stays.sign > 0
    squares = offset * offset
    middles = _find_middles(stays, high, squares)
    touch, start, stop, tolerance, lingering = _trim(stays, high, middles, resolution_mm)
    count = stop - start
    enough = count >= _least_counts(high, middles)
    count = np.maximum(count, 1)
    stop = start + count
    half = np.maximum(count // 2, 1)
    # whole numbers are turned into floats once
    samples, halves = count.astype(np.float64), half.astype(np.float64)
    edges = np.empty((count.size, 4), dtype=np.int64)
    edges[:, 0], edges[:, 1], edges[:, 2], edges[:, 3] = start, start + half, stop - half, stop
    first, between, second, _ = np.add.reduceat(offset, edges.ravel()).reshape(-1, 4).T
    # an even number of samples has none between its halves, and one alone has no halves
    mean = (first + second + between * (count & 1)) / samples
    single = count == 1
    if np.count_nonzero(single):
        mean[single] = first[single]
    trend = (second - first) / halves
    variance = np.add.reduceat(squares, bounds_of(start, stop))[0::2] / samples - mean * mean
    variance = np.maximum(variance, 0.0)
    codes = FEW_CODES if middles.few else 1.0
    least = max(codes * resolution_mm, 0.05 * stays.levels.step_mm)
    settled = enough & (np.abs(trend) <= np.maximum(5 * middles.noise_mm * np.sqrt(2 / halves), least))
    freedom = max(float(np.add.reduce(samples)) - count.size, 1.0)
    pooled = float(variance.dot(samples)) / freedom
    whole = bounds_of(stays.start, stays.stop)
    farthest = np.maximum.reduceat(offset, whole)[0::2]
    nearest = np.minimum.reduceat(offset, whole)[0::2]
    return Settled(
        touch=np.minimum(touch, start) if tolerance < FINE * stays.levels.step_mm else start + count // 6,
        start=start,
        stop=stop,
        count=count,
        offset_mm=mean,
        variance_mm2=variance,
        time=0.5 * (padded_time[start] + padded_time[stop - 1]),
        extreme_mm=np.where(high, farthest, -nearest),
        settled=settled,
        kept=_kept(settled),
        noise_mm=max(sqrt(pooled), 0.8 * middles.noise_mm),
        jitter_mm=middles.noise_mm if middles.few else _jitter(offset, start, stop, freedom),
        middles=middles,
        tolerance_mm=tolerance,
        lingering=lingering,
        resolution_mm=resolution_mm,
    )


def _kept(settled: Booleans) -> Kept:
    """Where the settled stays are: a slice where no other is between them, which copies nothing."""
    kept = settled.nonzero()[0]
    if not kept.size:
        return kept
    first, end = int(kept[0]), int(kept[-1]) + 1
    return slice(first, end) if kept.size == end - first else kept


def thirds_of(padded_mm: Floats, start: Integers, stop: Integers) -> tuple[Integers, Floats, Floats, Floats]:
    """Samples in an outer third of k windows; sums over the first third, what is between, and the last."""
    third = np.maximum((stop - start) // 3, 1)
    edges = np.empty((third.size, 4), dtype=np.int64)
    edges[:, 0], edges[:, 1], edges[:, 2], edges[:, 3] = start, start + third, stop - third, stop
    early, middle, late, _ = np.add.reduceat(padded_mm, edges.ravel()).reshape(-1, 4).T
    return third, early, middle, late


def _jitter(offset: Floats, start: Integers, stop: Integers, freedom: float) -> float:
    """Standard deviation of a sample, from neighbours within the windows."""
    change = np.empty_like(offset)
    np.subtract(offset[1:], offset[:-1], out=change[:-1])
    change[-1] = 0.0
    change *= change
    changes = np.add.reduceat(change, bounds_of(start, np.maximum(stop - 1, start + 1)))[0::2]
    return sqrt(0.5 * float(np.add.reduce(changes)) / freedom)


def _least_counts(high: Booleans, middles: Middles) -> Floats:
    """Samples that make a settled part, shape (m,)."""
    low_least, high_least = (
        max(LEAST_SHARE * usual, float(LEAST_SAMPLES)) for usual in middles.typical_samples
    )
    # the flanks alternate
    least, first_low = np.empty(high.size), int(high[0])
    least[first_low::2], least[1 - first_low :: 2] = low_least, high_least
    if not middles.few:
        for end in (0, -1):
            least[end] = max(LEAST_AT_ENDS * middles.typical_samples[int(high[end])], LEAST_SAMPLES)
    return least


def _find_middles(stays: Stays, high: Booleans, squares: Floats) -> Middles:
    """Look for the flattest part of every stay."""
    length = stays.stop - stays.start
    # the flanks alternate
    lengths, first_low = length.tolist(), int(high[0])
    typical = (median_of(lengths[first_low::2]), median_of(lengths[1 - first_low :: 2]))
    few = min(typical) < FEW_SAMPLES
    found = _of_few(stays) if few else _of_many(stays, length, squares, min(BLOCKS, int(min(typical))))
    reference, at, noise, parts = found
    return Middles(
        reference_mm=reference, at=at, noise_mm=noise, parts_mm=parts, typical_samples=typical, few=few
    )


def _of_many(
    stays: Stays, length: Integers, squares: Floats, blocks: int
) -> tuple[Floats, Integers, float, Floats]:
    """Level, place and noise of the four neighbouring parts of each stay that differ least, and all parts.

    For normal noise the median of |x_i−1 − 2 x_i + x_i+1| is 1.652 standard deviations.
    """
    offset = stays.padded_mm
    # rounded to nearest, so that a trace read backwards has the same parts
    edges = np.multiply.outer(length, _twice_each(blocks))
    edges += blocks
    edges //= 2 * blocks
    edges += stays.start[:, None]
    every = edges.ravel()
    sums = np.add.reduceat(offset, every).reshape(edges.shape)[:, :blocks]
    mean = sums / np.maximum(edges[:, 1:] - edges[:, :-1], 1)
    # one row a part: neighbouring parts are then compared a row at a time
    part = np.ascontiguousarray(mean.T)
    above, below = np.maximum(part[:-1], part[1:]), np.minimum(part[:-1], part[1:])
    apart = np.maximum(above[:-2], above[2:]) - np.minimum(below[:-2], below[2:])
    # of those that are nearly the flattest, the one nearest to the middle
    close = apart <= np.minimum.reduce(apart) + 0.507 * LEVELNESS * stays.levels.step_mm
    order = _from_the_middle(blocks)
    at = order[close[order].argmax(axis=0)] + np.arange(0, every.size, blocks + 1)
    start = every[at]
    stop = np.maximum(every[at + 4], start + 1)
    count = (stop - start).astype(np.float64)
    window = bounds_of(start, stop)
    level = np.add.reduceat(offset, window)[0::2] / count
    left = np.add.reduceat(squares, window)[0::2] - count * level * level
    variance = np.maximum(left / np.maximum(count - 1, 1), 0.0).tolist()
    # the flattest part looks quieter than it is where it has few samples
    some = spread_over(offset.size - 3, ENOUGH)
    second = np.abs(offset[2:-1][some] - 2 * offset[1:-2][some] + offset[:-3][some])
    second.sort()
    quiet = float(second[second.size // 2]) / 1.652
    noise = max(sqrt(max(median_of(variance[0::2]), median_of(variance[1::2]))), quiet)
    return level, (start + stop) // 2, noise, mean


@functools.cache
def _twice_each(blocks: int) -> Integers:
    """Twice the number of each edge between parts of a stay."""
    return 2 * np.arange(blocks + 1)


@functools.cache
def _from_the_middle(blocks: int) -> Integers:
    """Each four neighbouring parts of a stay by their first one, nearest to its middle first."""
    order: Integers = np.abs(np.arange(blocks - 3) - 0.5 * (blocks - 4)).argsort(kind="stable")
    return order


def _of_few(stays: Stays) -> tuple[Floats, Integers, float, Floats]:
    """Level and place of that half of each stay's samples that lie closest together, and the noise.

    The noise is from neighbours away from the ramps. For normal noise the median of |x_i−1 − 2 x_i + x_i+1|
    is 1.652 standard deviations (blind to a steady movement), that of |x_i+1 − x_i| 0.954, that of the
    smaller of two such differences about 0.55.
    """
    samples = stays.offset_mm.tolist()
    levels: list[float] = []
    places: list[int] = []
    noises: list[float] = []
    for start, stop in zip(stays.start.tolist(), stays.stop.tolist(), strict=True):
        stay = samples[start:stop]
        level, place = _closest_half(stay)
        levels.append(level)
        places.append(start + place)
        inner = stay[1:-1] if len(stay) > 3 else stay
        steps = [after - before for before, after in itertools.pairwise(inner)]
        if len(stay) >= 5:
            noises += [abs(after - before) / 1.652 for before, after in itertools.pairwise(steps)]
        elif len(stay) == 3:
            noises.append(min(map(abs, steps)) / 0.55)
        else:
            noises += [abs(step) / 0.954 for step in steps]
    noise = median_of(noises) if noises else 0.0
    return np.array(levels), np.array(places), noise, np.zeros((len(levels), 0))


def _closest_half(stay: list[float]) -> tuple[float, int]:
    """Median of the closest half of the samples (more than a half of an odd number), and where it is."""
    order = sorted(range(len(stay)), key=stay.__getitem__)
    size = len(stay) // 2 + 1
    widths = [stay[order[k + size - 1]] - stay[order[k]] for k in range(len(stay) - size + 1)]
    least = min(widths) * (1 + 1e-9)
    # equally close halves stand together: neither up nor down is preferred
    close = [k for k, width in enumerate(widths) if width <= least]
    chosen = order[close[0] : close[-1] + size]
    level = median_of([stay[k] for k in chosen])
    middle = median_of([float(k) for k in chosen])
    return level, min(chosen, key=lambda k: (abs(stay[k] - level) > 0, abs(k - middle)))


def _trim(
    stays: Stays, high: Booleans, middles: Middles, resolution_mm: float
) -> tuple[Integers, Integers, Integers, float, tuple[float, float]]:
    """Touch, start and stop of the dwells, what counts as level, and how long the gear lingers near it."""
    origin, end = int(stays.start[0]), int(stays.stop[-1])
    reach = 0 if middles.few else int(min(middles.typical_samples) / (2 * SMOOTHED))
    width, step = 2 * reach + 1, stays.levels.step_mm
    tolerance = max(4.5 * middles.noise_mm / sqrt(width), LEVELNESS * step, 1.05 * resolution_mm)
    spans = np.empty_like(stays.start)
    np.subtract(stays.start[1:], stays.start[:-1], out=spans[:-1])
    spans[-1] = end - stays.start[-1]
    away = _smoothed(stays.offset_mm, reach)[origin:end] - middles.reference_mm.repeat(spans)
    strays = (np.abs(away) > tolerance).nonzero()[0]
    far = None if tolerance > NOISY * step else away[strays]
    strays += origin
    place = strays.searchsorted(middles.at)
    walls = np.empty(strays.size + 2, dtype=np.int64)
    walls[0], walls[1:-1], walls[-1] = -1, strays, stays.padded_mm.size - 1
    start = np.maximum(stays.start, walls[place] + 1)
    stop = np.minimum(stays.stop, walls[place + 1])
    if middles.few:
        start, stop = _drop_edges(stays, middles, (start, stop), resolution_mm)
        return start, start, stop, tolerance, (0.0, 0.0)
    lingering = (0.0, 0.0) if far is None else _lingering(stays, high, (start, stop), strays, far)
    front, back, core = start - stays.start, stays.stop - stop, stop - start
    margin, most = core // 7, core // 5
    touch = start + np.minimum(front // 4, most)
    return touch, touch + margin, stop - np.minimum(back // 4, most) - margin, tolerance, lingering


def _smoothed(offset: Floats, reach: int) -> Floats:
    """Running mean over 2 · reach + 1 samples; the ends stay as they are."""
    if not reach:
        return offset
    width = 2 * reach + 1
    sums = np.add.accumulate(offset)
    smooth = offset.copy()
    smooth[reach] = sums[width - 1] / width
    smooth[reach + 1 : -reach] = (sums[width:] - sums[:-width]) / width
    return smooth


def _lingering(
    stays: Stays, high: Booleans, window: tuple[Integers, Integers], strays: Integers, far: Floats
) -> tuple[float, float]:
    """Time near a level but off it, over the time at it, on the low and on the high flank.

    Inward before and after, outward only after: a press at arrival may relax before the gear rests. The stays
    at the ends of the trace are not looked at.
    """
    if stays.start.size < 3:
        return 0.0, 0.0
    first, last = strays.searchsorted(stays.start[1]), strays.searchsorted(stays.stop[-2])
    strays, far = strays[first:last], far[first:last]
    own = stays.start.searchsorted(strays, side="right") - 1
    outward = far * stays.sign[own]
    step = stays.levels.step_mm
    near = (outward > -SHELF * step) & ((outward < 0) | (strays >= window[1][own]))
    both, up = int(np.count_nonzero(near)), int(np.count_nonzero(near & high[own]))
    # the flanks alternate
    rests, first_low = (window[1] - window[0])[1:-1].tolist(), int(high[1])
    return (both - up) / max(sum(rests[first_low::2]), 1), up / max(sum(rests[1 - first_low :: 2]), 1)


def _drop_edges(
    stays: Stays, middles: Middles, window: tuple[Integers, Integers], resolution_mm: float
) -> tuple[Integers, Integers]:
    """Drop a first or last sample that may belong to a ramp; both signs alike, not to bias the level."""
    start, stop = window
    offset, tolerance = stays.padded_mm, max(0.6 * resolution_mm, 1.5 * middles.noise_mm)
    plenty = (stop - start >= ENOUGH_TO_DROP).astype(np.int64)
    start, stop = start + plenty, stop - plenty
    for _ in range(2):
        room = stop - start > LEAST_SAMPLES
        first = np.abs(offset[start] - middles.reference_mm) > tolerance
        last = np.abs(offset[stop - 1] - middles.reference_mm) > tolerance
        start, stop = start + (first & room), stop - (last & room & (stop - start > LEAST_SAMPLES + 1))
    return start, stop
