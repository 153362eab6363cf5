"""The middle of every stay: its level, its noise and its shape, away from ramps and bounces.

Decided here: what is taken for the level around which a dwell is looked for, and for the noise of a sample.
With many samples a stay these are means over fifths of the stay. With few (hand-polled traces) a ramp reaches
into the stay by a sample, so medians stand in for means; the shape is left to `rock_shape`.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.rock_groups import median_of

if TYPE_CHECKING:
    from lashmap_analysis.rock_groups import Booleans, Floats, Integers
    from lashmap_analysis.rock_stack import StayStack

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
