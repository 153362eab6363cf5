"""The settled part of every stay on a flank, its level, and how the stay looks on the whole.

Decided here: where ramp, contact bounce and departure end and the dwell begins, and the level of the dwell.
Not decided: whether the levels give a lash (`rock_steps`, `rock_checks`).

Both ends of a stay are trimmed by the same rule, so that a trace read backwards has the same dwells. The rule
has no times in it: a sample belongs to the dwell while it stays within noise and resolution of the level seen
in the middle of the stay, and a margin in proportion to what was trimmed guards against the tail of a bounce.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from lashmap_analysis.rock_flanks import Floats, Integers, Stays

FEW_SAMPLES = 12.0
"""Typical samples per stay below which a median stands in for the mean of the middle (hand-polled traces)."""

LEAST_SHARE = 0.12
"""Settled part of a stay as a share of the typical stay; the rest may be travel, bounce and margin."""

ENOUGH_TO_DROP = 5
"""Samples in a hand-polled dwell that can spare the first and the last one: those are the doubtful ones."""

LEVELNESS = 0.005
"""Departure from the level that still belongs to the dwell, as a share of the step: no creep is linear."""

PLACES_OF_FEW = np.array([0.2, 0.4, 0.6, 0.8])
"""Where a stay of few samples is looked at, as shares of its length; the middle is the mean of two places."""

LEAST_SAMPLES = 2
"""A dwell is settled when at least two samples agree: one sample alone cannot show that it does."""


@dataclass(frozen=True, kw_only=True)
class Settled:
    """What was found on each stay; arrays have shape (m,) unless said otherwise.

    Attributes:
        start: Index of the first settled sample.
        stop: One past the last settled sample.
        offset_mm: Mean of the settled samples, mid level and drift removed.
        variance_mm2: Of the settled samples about their mean, shape (m,).
        time: Mean time of the settled samples, on the axis given.
        trend_mm: Outward travel from the first to the second half of the settled part.
        extreme_mm: Farthest outward sample of the whole stay, as an outward offset.
        settled: True where the settled part is long enough and flat.
        noise_mm: Standard deviation of a single sample within the dwells.
        jitter_mm: The same from differences of neighbouring samples, blind to slow movement.
        shape_mm: Shape (m, 3), outward offset before, in and after the middle of the stay.
        apart_time: Time between those three, on the time axis given.
        typical_samples: Median number of samples in a stay.
        resolution_mm: As given.
    """

    start: Integers
    stop: Integers
    offset_mm: Floats
    variance_mm2: Floats
    time: Floats
    trend_mm: Floats
    extreme_mm: Floats
    settled: NDArray[np.bool_]
    noise_mm: float
    jitter_mm: float
    shape_mm: Floats
    apart_time: Floats
    typical_samples: float
    resolution_mm: float


def settle(padded_time: Floats, stays: Stays, resolution_mm: float) -> Settled:
    """Find the settled part of every stay.

    Args:
        padded_time: Shape (n + 1,), time with mean zero, then a zero.
        stays: At least one.
        resolution_mm: Least step of the indicator.
    """
    length = stays.stop - stays.start
    typical = median_of(length.tolist())
    padded = stays.padded_mm
    if typical < FEW_SAMPLES:
        reference, noise = _middle_of_few(stays)
        jitter, shape = noise, _shape_of_few(padded, stays, length)
    else:
        middle = _middle_of_many(padded, stays, length)
        reference, noise = middle.reference_mm, middle.noise_mm
        jitter, shape = middle.jitter_mm, middle.shape_mm
    tolerance = max(1.05 * resolution_mm, 4.5 * noise, LEVELNESS * stays.levels.step_mm)
    start, stop = _trim(stays, reference, tolerance, many=typical >= FEW_SAMPLES)
    if typical < FEW_SAMPLES:
        start, stop = _drop_edges(stays, reference, start, stop, max(0.6 * resolution_mm, 1.5 * noise))
    count = stop - start
    enough = count >= np.maximum(LEAST_SAMPLES, LEAST_SHARE * typical)
    count = np.maximum(count, 1)
    stop = start + count
    offset = _sums(padded, start, stop) / count
    variance = np.maximum(_sums(padded * padded, start, stop) / count - offset * offset, 0.0)
    half = count // 2
    safe_half = np.maximum(half, 1)
    first = _sums(padded, start, start + safe_half)
    second = _sums(padded, stop - safe_half, stop)
    trend = stays.sign * (second - first) / safe_half
    pooled = float((variance * count).sum()) / max(float((count - 1).sum()), 1.0)
    calm = float(np.sqrt(pooled))
    step = stays.levels.step_mm
    flat = np.abs(trend) <= np.maximum(
        np.maximum(resolution_mm, 0.05 * step), 5 * noise * np.sqrt(2 / safe_half)
    )
    sign_of_sample = np.repeat(stays.sign, _spans(stays))
    outward = sign_of_sample * stays.offset_mm[stays.start[0] : stays.stop[-1]]
    return Settled(
        start=start,
        stop=stop,
        offset_mm=offset,
        variance_mm2=variance,
        time=_sums(padded_time, start, stop) / count,
        trend_mm=trend,
        extreme_mm=np.maximum.reduceat(outward, stays.start - stays.start[0]),
        settled=enough & flat,
        noise_mm=max(calm, 0.8 * noise),
        jitter_mm=jitter,
        shape_mm=shape,
        apart_time=(0.3 if typical < FEW_SAMPLES else 0.2)
        * (padded_time[stays.stop - 1] - padded_time[stays.start]),
        typical_samples=typical,
        resolution_mm=resolution_mm,
    )


def straighten(padded_time: Floats, stays: Stays) -> Stays:
    """Refine the drift from the middles of the stays, which ramps and bounces do not reach."""
    length = stays.stop - stays.start
    margin = (3 * length) // 10
    start, stop = stays.start + margin, stays.stop - margin
    count = stop - start
    level = _sums(stays.padded_mm, start, stop) / count
    time = _sums(padded_time, start, stop) / count
    slope = float(drift_weights(time, stays.sign).dot(level))
    levels = replace(stays.levels, slope=stays.levels.slope + slope)
    return replace(stays, levels=levels, padded_mm=stays.padded_mm - slope * padded_time)


def drift_weights(time: Floats, sign: Floats) -> Floats:
    """Weights d with d·y = slope of the least squares fit of y on (1, time, sign), shape (m,)."""
    across, flank = time - time.sum() / time.size, sign - sign.sum() / sign.size
    power = float(flank.dot(flank))
    if power > 0:
        across = across - flank * (float(across.dot(flank)) / power)
    left = float(across.dot(across))
    return across / left if left > 0 else np.zeros_like(across)


def _spans(stays: Stays) -> Integers:
    """Samples from the start of each stay to the start of the next, shape (m,)."""
    spans = np.empty_like(stays.start)
    np.subtract(stays.start[1:], stays.start[:-1], out=spans[:-1])
    spans[-1] = stays.stop[-1] - stays.start[-1]
    return spans


def _sums(padded: Floats, start: Integers, stop: Integers) -> Floats:
    """Sums over [start, stop) of an array that carries one sample of padding at its end."""
    bounds = np.empty(2 * start.size, dtype=np.int64)
    bounds[0::2], bounds[1::2] = start, stop
    sums: Floats = np.add.reduceat(padded, bounds)[0::2]
    return sums


def median_of(values: list[float]) -> float:
    """Median of a short list; numpy's takes longer to start than to finish."""
    ordered = sorted(values)
    middle = len(ordered) // 2
    return float(ordered[middle] if len(ordered) % 2 else 0.5 * (ordered[middle - 1] + ordered[middle]))


def _middle_of_few(stays: Stays) -> tuple[Floats, float]:
    """Median of each stay, and the noise from neighbours away from the ramps.

    For normal noise the median of |x_i−1 − 2 x_i + x_i+1| is 1.652 standard deviations (blind to a steady
    movement), that of |x_i+1 − x_i| 0.954, that of the smaller of two such differences about 0.55.
    """
    samples = stays.offset_mm.tolist()
    references: list[float] = []
    noises: list[float] = []
    for start, stop in zip(stays.start.tolist(), stays.stop.tolist(), strict=True):
        stay = samples[start:stop]
        references.append(median_of(stay))
        inner = stay[1:-1] if len(stay) > 3 else stay
        steps = [after - before for before, after in itertools.pairwise(inner)]
        if len(stay) >= 5:
            noises += [abs(after - before) / 1.652 for before, after in itertools.pairwise(steps)]
        elif len(stay) == 3:
            noises.append(min(map(abs, steps)) / 0.55)
        else:
            noises += [abs(step) / 0.954 for step in steps]
    return np.asarray(references), median_of(noises) if noises else 0.0


def _shape_of_few(padded: Floats, stays: Stays, length: Integers) -> Floats:
    """Outward offset near the beginning, the middle and the end of each stay, shape (m, 3)."""
    place = stays.start[:, None] - 0.5 + length[:, None] * PLACES_OF_FEW
    place = np.maximum(place, stays.start[:, None])
    left = place.astype(np.int64)
    part = place - left
    value = padded[left] * (1 - part) + padded[left + 1] * part
    value[:, 1] = 0.5 * (value[:, 1] + value[:, 2])
    shape: Floats = stays.sign[:, None] * value[:, [0, 1, 3]]
    return shape


@dataclass(frozen=True, kw_only=True)
class _Middle:
    """The second, third and fourth fifth of stays of many samples; see `Settled` for shapes and units."""

    reference_mm: Floats
    noise_mm: float
    jitter_mm: float
    shape_mm: Floats


def _middle_of_many(padded: Floats, stays: Stays, length: Integers) -> _Middle:
    """Level in the middle of each stay, noise there on the noisier flank, and the shape around it."""
    edges = np.empty((stays.start.size, 4), dtype=np.int64)
    # mirrored edges, so that a trace read backwards has the mirrored shape
    fifth = length // 5
    two_fifths = (2 * length) // 5
    edges[:, 0], edges[:, 1] = stays.start + fifth, stays.start + two_fifths
    edges[:, 2], edges[:, 3] = stays.stop - two_fifths, stays.stop - fifth
    flat = edges.ravel()
    count = np.maximum(edges[:, 1:] - edges[:, :-1], 1)
    mean = np.add.reduceat(padded, flat).reshape(edges.shape)[:, :3] / count
    middle = mean[:, 1]
    squares = np.add.reduceat(padded * padded, flat)[1::4]
    variance = (squares / count[:, 1] - middle * middle) * count[:, 1] / np.maximum(count[:, 1] - 1, 1)
    change = padded[1:] - padded[:-1]
    changes = np.add.reduceat(change * change, np.minimum(flat, change.size - 1)).reshape(edges.shape)[:, 1]
    high = stays.sign > 0
    flanks = [variance[high].tolist(), variance[~high].tolist()]
    noise = max(median_of(flank) for flank in flanks if flank)
    jitter = float(np.add.reduce(changes)) / float(np.add.reduce(count[:, 1]))
    return _Middle(
        reference_mm=middle,
        noise_mm=sqrt(max(noise, 0.0)),
        jitter_mm=sqrt(0.5 * jitter),
        shape_mm=stays.sign[:, None] * mean,
    )


def _trim(stays: Stays, reference: Floats, tolerance: float, *, many: bool) -> tuple[Integers, Integers]:
    """First and one past the last settled sample: what stays within tolerance around the middle."""
    origin = int(stays.start[0])
    distance = np.abs(stays.offset_mm[origin : stays.stop[-1]] - np.repeat(reference, _spans(stays)))
    strays = np.flatnonzero(distance > tolerance) + origin
    centre = (stays.start + stays.stop) // 2
    place = np.searchsorted(strays, centre)
    walls = np.concatenate(([-1], strays, [stays.offset_mm.size]))
    start = np.maximum(stays.start, walls[place] + 1)
    stop = np.minimum(stays.stop, walls[place + 1])
    if not many:
        return start, stop
    front, back, core = start - stays.start, stays.stop - stop, stop - start
    margin = core // 7
    front_margin = np.minimum(front // 4, core // 5) + margin
    back_margin = np.minimum(back // 4, core // 5) + margin
    return start + front_margin, stop - back_margin


def _drop_edges(
    stays: Stays, reference: Floats, start: Integers, stop: Integers, tolerance: float
) -> tuple[Integers, Integers]:
    """Drop a first or last sample that may belong to a ramp; both signs alike, not to bias the level."""
    plenty = (stop - start >= ENOUGH_TO_DROP).astype(np.int64)
    start, stop = start + plenty, stop - plenty
    for _ in range(2):
        room = stop - start > LEAST_SAMPLES
        first = np.abs(stays.offset_mm[np.minimum(start, stays.offset_mm.size - 1)] - reference) > tolerance
        last = np.abs(stays.offset_mm[stop - 1] - reference) > tolerance
        start, stop = start + (first & room), stop - (last & room & (stop - start > LEAST_SAMPLES + 1))
    return start, stop
