"""The settled part of every stay on a flank, its level, and how the stay looks on the whole.

Decided here: where ramp, contact bounce and departure end and the dwell begins, and the level of the dwell.
Not decided: whether the levels give a lash (`rock_steps`, `rock_checks`).

Both ends of a stay are trimmed by the same rule, so that a trace read backwards has the same dwells. The rule
has no times in it: a sample belongs to the dwell while it stays within noise and resolution of the level seen
in the middle of the stay, and a margin in proportion to what was trimmed guards against the tail of a bounce.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from lashmap_analysis.rock_flanks import Floats, Integers, Stays

FEW_SAMPLES = 12.0
"""Typical samples per stay below which a median stands in for the mean of the middle (hand-polled traces)."""

LEVELNESS = 0.005
"""Departure from the level that still belongs to the dwell, as a share of the step: creep is not quite linear."""

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
        profile_mm: Shape (m, 5), mean outward offset in each fifth of the stay; empty for few samples a stay.
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
    profile_mm: Floats
    typical_samples: float
    resolution_mm: float


def settle(centred_time: Floats, stays: Stays, resolution_mm: float) -> Settled:
    """Find the settled part of every stay.

    Args:
        centred_time: Shape (n,).
        stays: At least one.
        resolution_mm: Least step of the indicator.
    """
    length = stays.stop - stays.start
    typical = _median(length.tolist())
    padded = np.append(stays.offset_mm, 0.0)
    if typical < FEW_SAMPLES:
        reference, noise = _middle_of_few(stays)
        profile = np.zeros((0, 5))
    else:
        reference, noise = _middle_of_many(padded, stays, length)
        profile = _profile(padded, stays, length)
    tolerance = max(1.05 * resolution_mm, 4.5 * noise, LEVELNESS * stays.levels.step_mm)
    start, stop = _trim(stays, reference, tolerance, many=typical >= FEW_SAMPLES)
    if typical < FEW_SAMPLES:
        start, stop = _drop_edges(stays, reference, start, stop, max(0.6 * resolution_mm, 1.5 * noise))
    count = stop - start
    enough = count >= np.maximum(LEAST_SAMPLES, 0.25 * typical)
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
    sign_of_sample = np.repeat(stays.sign, np.diff(np.append(stays.start, stays.stop[-1])))
    outward = sign_of_sample * stays.offset_mm[stays.start[0] : stays.stop[-1]]
    return Settled(
        start=start,
        stop=stop,
        offset_mm=offset,
        variance_mm2=variance,
        time=_sums(np.append(centred_time, 0.0), start, stop) / count,
        trend_mm=trend,
        extreme_mm=np.maximum.reduceat(outward, stays.start - stays.start[0]),
        settled=enough & flat,
        noise_mm=calm,
        profile_mm=profile,
        typical_samples=typical,
        resolution_mm=resolution_mm,
    )


def _sums(padded: Floats, start: Integers, stop: Integers) -> Floats:
    """Sums over [start, stop) of an array that carries one sample of padding at its end."""
    bounds = np.empty(2 * start.size, dtype=np.int64)
    bounds[0::2], bounds[1::2] = start, stop
    sums: Floats = np.add.reduceat(padded, bounds)[0::2]
    return sums


def _median(values: list[float]) -> float:
    """Median of a short list; numpy's takes longer to start than to finish."""
    ordered = sorted(values)
    middle = len(ordered) // 2
    return float(ordered[middle] if len(ordered) % 2 else 0.5 * (ordered[middle - 1] + ordered[middle]))


def _middle_of_few(stays: Stays) -> tuple[Floats, float]:
    """Median of each stay, and the noise from the typical distance to it (1.4826: normal distribution)."""
    samples = stays.offset_mm.tolist()
    references: list[float] = []
    distances: list[float] = []
    for start, stop in zip(stays.start.tolist(), stays.stop.tolist(), strict=True):
        stay = samples[start:stop]
        reference = _median(stay)
        references.append(reference)
        away = sorted(abs(sample - reference) for sample in stay)
        distances += away[1:] if len(away) % 2 else away
    return np.asarray(references), 1.4826 * _median(distances) if distances else 0.0


def _middle_of_many(padded: Floats, stays: Stays, length: Integers) -> tuple[Floats, float]:
    """Mean of the middle 40 % of each stay, and the noise there on the noisier flank."""
    margin = (3 * length) // 10
    start, stop = stays.start + margin, stays.stop - margin
    count = stop - start
    mean = _sums(padded, start, stop) / count
    variance = (_sums(padded * padded, start, stop) / count - mean * mean) * count / np.maximum(count - 1, 1)
    high = stays.sign > 0
    flanks = [variance[high].tolist(), variance[~high].tolist()]
    noise = max(_median(flank) for flank in flanks if flank)
    return mean, max(noise, 0.0) ** 0.5


def _profile(padded: Floats, stays: Stays, length: Integers) -> Floats:
    """Mean outward offset in each fifth of each stay, shape (m, 5)."""
    edges = np.empty((stays.start.size, 6), dtype=np.int64)
    fifth = length // 5
    edges[:, 0], edges[:, 5] = stays.start, stays.stop
    edges[:, 1], edges[:, 4] = stays.start + fifth, stays.stop - fifth
    edges[:, 2], edges[:, 3] = stays.start + (2 * length) // 5, stays.stop - (2 * length) // 5
    edges[:, 2:4] = np.maximum(edges[:, 2:4], edges[:, 1:2])
    sums = np.add.reduceat(padded, edges.ravel()).reshape(edges.shape)[:, :5]
    profile: Floats = stays.sign[:, None] * sums / np.maximum(np.diff(edges, axis=1), 1)
    return profile


def _trim(stays: Stays, reference: Floats, tolerance: float, *, many: bool) -> tuple[Integers, Integers]:
    """First and one past the last settled sample: what stays within tolerance around the middle."""
    origin = int(stays.start[0])
    spans = np.diff(np.append(stays.start, stays.stop[-1]))
    distance = np.abs(stays.offset_mm[origin : stays.stop[-1]] - np.repeat(reference, spans))
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
    for _ in range(2):
        room = stop - start > LEAST_SAMPLES
        first = np.abs(stays.offset_mm[np.minimum(start, stays.offset_mm.size - 1)] - reference) > tolerance
        last = np.abs(stays.offset_mm[stop - 1] - reference) > tolerance
        start, stop = start + (first & room), stop - (last & room & (stop - start > LEAST_SAMPLES + 1))
    return start, stop
