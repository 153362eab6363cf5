"""The middle of every stay: its level, its noise and its shape, away from ramps and bounces.

Decided here: what is taken for the level around which a dwell is looked for, and for the noise of a sample.
With many samples a stay these are means over fifths of the stay. With few (hand-polled traces) a ramp reaches
into the stay by a sample, so medians stand in for means; the shape is left to `rock.at_rest`.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.rock.stays import median_of, window_sums

if TYPE_CHECKING:
    from lashmap_analysis.rock.stays import Booleans, Floats, Integers, StayStack


FEW_SAMPLES = 12.0
"""Typical samples a stay below which single samples are looked at."""


@dataclass(frozen=True, kw_only=True)
class Middles:
    """The middles of m stays of g traces.

    Attributes:
        reference_mm: Shape (m,), level in the middle.
        shape_mm: Shape (m, 3), outward offset before, in and after the middle; of use with many samples.
        apart_time: Shape (m,), time between the three of `shape_mm`.
        noise_mm: Shape (g,), standard deviation of a sample in the middle, on the noisier flank.
        jitter_mm: Shape (g,), the same from neighbouring samples, blind to slow movement.
        typical_samples: Shape (g,), median number of samples in a stay.
        few: Shape (g,), true for traces with few samples a stay.
    """

    reference_mm: Floats
    shape_mm: Floats
    apart_time: Floats
    noise_mm: Floats
    jitter_mm: Floats
    typical_samples: Floats
    few: Booleans


def find_middles(stays: StayStack) -> Middles:
    """Look at the middle of every stay."""
    groups = stays.groups
    length = stays.stop - stays.start
    lengths = length.tolist()
    bounds = list(itertools.pairwise([*groups.first.tolist(), length.size]))
    typical = np.array([median_of(lengths[i:j]) for i, j in bounds])
    few = typical < FEW_SAMPLES
    reference, shape, noise, jitter = _of_many(stays, length, bounds)
    if few.any():
        samples = stays.offset_mm.tolist()
        for trace in np.flatnonzero(few).tolist():
            i, j = bounds[trace]
            windows = zip(stays.start[i:j].tolist(), stays.stop[i:j].tolist(), strict=True)
            reference[i:j], noise[trace] = _of_few([samples[start:stop] for start, stop in windows])
            jitter[trace] = noise[trace]
    return Middles(
        reference_mm=reference,
        shape_mm=shape,
        apart_time=0.2 * (stays.time[stays.stop - 1] - stays.time[stays.start]),
        noise_mm=noise,
        jitter_mm=jitter,
        typical_samples=typical,
        few=few,
    )


def _of_many(
    stays: StayStack, length: Integers, bounds: list[tuple[int, int]]
) -> tuple[Floats, Floats, Floats, Floats]:
    """Level, shape, noise and jitter from the second, third and fourth fifth of each stay."""
    offset, groups = stays.offset_mm, stays.groups
    edges = np.empty((length.size, 4), dtype=np.int64)
    # mirrored edges, so that a trace read backwards has the mirrored shape
    one, two = length // 5, (2 * length) // 5
    edges[:, 0], edges[:, 1] = stays.start + one, stays.start + two
    edges[:, 2], edges[:, 3] = stays.stop - two, stays.stop - one
    flat = edges.ravel()
    count = np.maximum(edges[:, 1:] - edges[:, :-1], 1)
    mean = np.add.reduceat(offset, flat).reshape(edges.shape)[:, :3] / count
    level, inside = mean[:, 1], count[:, 1]
    squares = np.add.reduceat(offset * offset, flat)[1::4]
    variance = np.maximum((squares - inside * level * level) / np.maximum(inside - 1, 1), 0.0)
    change = np.empty_like(offset)
    np.subtract(offset[1:], offset[:-1], out=change[:-1])
    change[-1] = 0.0
    changes = np.add.reduceat(change * change, flat)[1::4]
    jitter = np.sqrt(0.5 * groups.total(changes) / groups.total(inside.astype(np.float64)))
    high, variances = (stays.sign > 0).tolist(), variance.tolist()
    noise = np.empty(len(bounds))
    for trace, (i, j) in enumerate(bounds):
        flanks = (
            [value for value, up in zip(variances[i:j], high[i:j], strict=True) if up == side]
            for side in (True, False)
        )
        noise[trace] = sqrt(max(median_of(flank) for flank in flanks if flank))
    return level.copy(), stays.sign[:, None] * mean, noise, jitter


def _of_few(windows: list[list[float]]) -> tuple[Floats, float]:
    """Median of each stay, and the noise from neighbours away from the ramps.

    For normal noise the median of |x_i−1 − 2 x_i + x_i+1| is 1.652 standard deviations (blind to a steady
    movement), that of |x_i+1 − x_i| 0.954, that of the smaller of two such differences about 0.55.
    """
    noises: list[float] = []
    for stay in windows:
        inner = stay[1:-1] if len(stay) > 3 else stay
        steps = [after - before for before, after in itertools.pairwise(inner)]
        if len(stay) >= 5:
            noises += [abs(after - before) / 1.652 for before, after in itertools.pairwise(steps)]
        elif len(stay) == 3:
            noises.append(min(map(abs, steps)) / 0.55)
        else:
            noises += [abs(step) / 0.954 for step in steps]
    return np.array([median_of(stay) for stay in windows]), median_of(noises) if noises else 0.0


# The settled part of every stay on a flank, its level, and how the stay looks on the whole.
#
# Decided here: where ramp, contact bounce and departure end and the dwell begins, and the level of the
# dwell. Not decided: whether the levels give a lash (`rock.steps`, `rock.checks`).
#
# Both ends of a stay are trimmed by the same rule, so that a trace read backwards has the same dwells. The
# rule has no times in it: a sample belongs to the dwell while it stays within noise and resolution of the
# level seen in the middle of the stay, and a margin in proportion to what was trimmed guards against the
# tail of a bounce. What is seen in the middle of the stays comes from `rock.dwells`.


LEAST_SHARE = 0.12
"""Settled part of a stay as a share of the typical stay; the rest may be travel, bounce and margin."""

ENOUGH_TO_DROP = 5
"""Samples in a hand-polled dwell that can spare the first and the last one: those are the doubtful ones."""

LEVELNESS = 0.005
"""Departure from the level that still belongs to the dwell, as a share of the step: no creep is linear."""

LEAST_SAMPLES = 2
"""A dwell is settled when at least two samples agree: one sample alone cannot show that it does."""


@dataclass(frozen=True, kw_only=True)
class Settled:
    """What was found on m stays of g traces.

    Attributes:
        start: Shape (m,), index of the first settled sample.
        stop: Shape (m,), one past the last settled sample.
        count: Shape (m,), number of settled samples, at least 1.
        offset_mm: Shape (m,), mean of the settled samples, mid level and drift removed.
        variance_mm2: Shape (m,), of the settled samples about their mean.
        time: Shape (m,), mean time of the settled samples.
        extreme_mm: Shape (m,), farthest outward sample of the whole stay, as an outward offset.
        settled: Shape (m,), true where the settled part is long enough and flat.
        noise_mm: Shape (g,), standard deviation of a single sample within the dwells.
        middles: What was seen in the middle of the stays.
        resolution_mm: As given.
    """

    start: Integers
    stop: Integers
    count: Integers
    offset_mm: Floats
    variance_mm2: Floats
    time: Floats
    extreme_mm: Floats
    settled: Booleans
    noise_mm: Floats
    middles: Middles
    resolution_mm: float


def settle(stays: StayStack, resolution_mm: float) -> Settled:
    """Find the settled part of every stay."""
    groups, offset = stays.groups, stays.offset_mm
    middles = find_middles(stays)
    tolerance = np.maximum(
        np.maximum(4.5 * middles.noise_mm, LEVELNESS * stays.step_mm), 1.05 * resolution_mm
    )
    start, stop = _trim(stays, middles, tolerance, resolution_mm)
    count = stop - start
    enough = count >= np.maximum(LEAST_SAMPLES, LEAST_SHARE * groups.each(middles.typical_samples))
    count = np.maximum(count, 1)
    stop = start + count
    mean = window_sums(offset, start, stop) / count
    variance = np.maximum(window_sums(offset * offset, start, stop) / count - mean * mean, 0.0)
    half = np.maximum(count // 2, 1)
    trend = (window_sums(offset, stop - half, stop) - window_sums(offset, start, start + half)) / half
    noise = groups.each(middles.noise_mm) * np.sqrt(2 / half)
    flat = np.abs(trend) <= np.maximum(
        5 * noise, np.maximum(resolution_mm, 0.05 * groups.each(stays.step_mm))
    )
    pooled = groups.total(variance * count) / np.maximum(groups.total(count - 1.0), 1.0)
    bounds = np.empty(2 * start.size, dtype=np.int64)
    bounds[0::2], bounds[1::2] = stays.start, stays.stop
    farthest = np.maximum.reduceat(offset, bounds)[0::2]
    nearest = np.minimum.reduceat(offset, bounds)[0::2]
    return Settled(
        start=start,
        stop=stop,
        count=count,
        offset_mm=mean,
        variance_mm2=variance,
        time=window_sums(stays.time, start, stop) / count,
        extreme_mm=np.where(stays.sign > 0, farthest, -nearest),
        settled=enough & flat,
        noise_mm=np.maximum(np.sqrt(pooled), 0.8 * middles.noise_mm),
        middles=middles,
        resolution_mm=resolution_mm,
    )


def _trim(
    stays: StayStack, middles: Middles, tolerance: Floats, resolution_mm: float
) -> tuple[Integers, Integers]:
    """First and one past the last settled sample: what stays within tolerance around the middle."""
    groups = stays.groups
    origin, end = int(stays.start[0]), int(stays.stop[-1])
    spans = np.empty_like(stays.start)
    np.subtract(stays.start[1:], stays.start[:-1], out=spans[:-1])
    spans[-1] = end - stays.start[-1]
    distance = np.abs(stays.offset_mm[origin:end] - np.repeat(middles.reference_mm, spans))
    strays = np.flatnonzero(distance > np.repeat(groups.spread(tolerance), spans)) + origin
    centre = (stays.start + stays.stop) // 2
    place = np.searchsorted(strays, centre)
    walls = np.empty(strays.size + 2, dtype=np.int64)
    walls[0], walls[1:-1], walls[-1] = -1, strays, stays.offset_mm.size
    start = np.maximum(stays.start, walls[place] + 1)
    stop = np.minimum(stays.stop, walls[place + 1])
    few = middles.few
    if few.all():
        return _drop_edges(stays, middles, (start, stop), resolution_mm)
    front, back, core = start - stays.start, stays.stop - stop, stop - start
    margin, most = core // 7, core // 5
    many_start = start + np.minimum(front // 4, most) + margin
    many_stop = stop - np.minimum(back // 4, most) - margin
    if not few.any():
        return many_start, many_stop
    few_start, few_stop = _drop_edges(stays, middles, (start, stop), resolution_mm)
    chosen = groups.each(few)
    return np.where(chosen, few_start, many_start), np.where(chosen, few_stop, many_stop)


def _drop_edges(
    stays: StayStack, middles: Middles, window: tuple[Integers, Integers], resolution_mm: float
) -> tuple[Integers, Integers]:
    """Drop a first or last sample that may belong to a ramp; both signs alike, not to bias the level."""
    start, stop = window
    tolerance = stays.groups.each(np.maximum(0.6 * resolution_mm, 1.5 * middles.noise_mm))
    plenty = (stop - start >= ENOUGH_TO_DROP).astype(np.int64)
    start, stop = start + plenty, stop - plenty
    for _ in range(2):
        room = stop - start > LEAST_SAMPLES
        first = np.abs(stays.offset_mm[start] - middles.reference_mm) > tolerance
        last = np.abs(stays.offset_mm[stop - 1] - middles.reference_mm) > tolerance
        start, stop = start + (first & room), stop - (last & room & (stop - start > LEAST_SAMPLES + 1))
    return start, stop
