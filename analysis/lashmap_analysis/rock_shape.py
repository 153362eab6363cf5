"""The mean shape of all stays on a flank: level for a gear at rest, arched or tilted for one that moves.

Decided here: how far the gear moves on each flank when all stays are laid over each other, from change of
flank to change of flank, and how well that is known. Not decided: what is too much (`rock_at_rest`).

With three to six samples a stay no single stay shows its shape, but ten stays are sampled at different places
and show it together. Samples on the way between the flanks lie inward of the shape near its ends, in some
stays only; they lose their weight as outliers (Tukey's bisquare, constant 4.7: 95 % efficient for normal
noise). The fit is outward = level + tilt · v + arch · (1 − v²) with v from −1 to +1 over the stay.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from lashmap_analysis.rock_evidence import Evidence
    from lashmap_analysis.rock_groups import Booleans, Floats, Integers

REACH = 0.76
"""Part of the stay that is looked at, about its middle: the rest is travel and bounce."""

BISQUARE = 4.7
"""Residuals beyond so many standard deviations have no weight."""

ROUNDS = 8
"""Most reweightings; the first two with weights that never vanish, so that the start does not matter."""

CONVERGED = 0.01
"""Change of the deviation, as a share of it, after which no more reweighting is done."""

MANY_SAMPLES = 40.0
"""Samples a stay from which on means of neighbours are taken, ..."""

PARTS = 16
"""... so many a stay."""

MOST_INFLATED = 1e4
"""Variance of an unknown over that of a sample from which on it is not determined."""

LEAST_SAMPLES = 5
"""Samples on a flank for three unknowns and what is left."""


@dataclass(frozen=True, kw_only=True)
class Shape:
    """Movement on the high flank, on the low flank, and on both taken together.

    Attributes:
        tilt_mm: Shape (3,), outward movement over the middle half of the stay.
        tilt_error_mm: Shape (3,), its standard error.
        arch_mm: Shape (3,), how far the middle stands out over the ends of the middle seven tenths.
        arch_error_mm: Shape (3,), its standard error.
        freedom: Degrees of freedom of these errors.
    """

    tilt_mm: Floats
    tilt_error_mm: Floats
    arch_mm: Floats
    arch_error_mm: Floats
    freedom: float


@dataclass(frozen=True, kw_only=True)
class Overlay:
    """All samples of the complete stays, those at the ends of the trace left out; shapes (k,).

    Attributes:
        index: Which sample of the trace.
        place: Where in its stay, from −1 to +1, 0 halfway from change to change of flank.
        high: True on the high flank.
    """

    index: Integers
    place: Floats
    high: Booleans


def measure_shape(evidence: Evidence, step_mm: float) -> Shape | None:
    """Lay all complete stays over each other; None when there are too few samples for a shape."""
    if evidence.stay_start.size < 4:
        return None
    place, outward, high = _middle_samples(evidence)
    if min(np.count_nonzero(high), np.count_nonzero(~high)) < LEAST_SAMPLES:
        return None
    columns = np.stack((np.ones_like(place), place, 1 - place * place), axis=1)
    design = np.concatenate((columns * high[:, None], columns * ~high[:, None]), axis=1)
    least = max(0.3 * evidence.resolution_mm, 0.004 * step_mm)
    fitted = _fit(design, outward, least)
    if fitted is None:
        return None
    solution, covariance, freedom = fitted
    value, error2 = solution.reshape(2, 3), np.diag(covariance).reshape(2, 3)
    weight = 1 / error2
    value = np.concatenate((value, [(weight * value).sum(axis=0) / weight.sum(axis=0)]))
    error = np.sqrt(np.concatenate((error2, [1 / weight.sum(axis=0)])))
    return Shape(
        tilt_mm=value[:, 1],
        tilt_error_mm=error[:, 1],
        arch_mm=0.5 * value[:, 2],
        arch_error_mm=0.5 * error[:, 2],
        freedom=freedom,
    )


def _middle_samples(evidence: Evidence) -> tuple[Floats, Floats, Booleans]:
    """Place, outward offset and flank of the samples away from the ends of the stays.

    With many samples a stay, the means of a few neighbours stand for them.
    """
    stays = overlay(evidence)
    value = np.where(stays.high, 1.0, -1.0) * evidence.offset_mm[stays.index]
    kept = np.abs(stays.place) < REACH
    place, outward, high = stays.place[kept], value[kept], stays.high[kept]
    if evidence.typical_samples < MANY_SAMPLES or place.size < 2:
        return place, outward, high
    part = np.floor((place + REACH) * (PARTS / (2 * REACH))).astype(np.int64)
    begin = np.concatenate(([0], np.flatnonzero((part[1:] != part[:-1]) | (high[1:] != high[:-1])) + 1))
    count = np.diff(np.append(begin, place.size))
    return np.add.reduceat(place, begin) / count, np.add.reduceat(outward, begin) / count, high[begin]


def overlay(evidence: Evidence) -> Overlay:
    """Place all samples of complete stays between the changes of flank before and after."""
    start, stop = evidence.stay_start, evidence.stay_stop
    time, offset = evidence.time_s, evidence.offset_mm
    last, first = stop[:-1] - 1, start[1:]
    before, after = np.abs(offset[last]), np.abs(offset[first])
    total = before + after
    share = np.divide(before, total, out=np.full_like(total, 0.5), where=total > 0)
    change = time[last] + (time[first] - time[last]) * share
    length = (stop - start)[1:-1]
    # stays are neighbours but for samples that belong to none
    skipped = start[1:-1] - np.cumsum(length) + length
    index = np.arange(int(length.sum())) + np.repeat(skipped, length)
    span = change[1:] - change[:-1]
    span = np.where(span > 0, span, 1.0)
    place = 2 * (time[index] - np.repeat(change[:-1], length)) / np.repeat(span, length) - 1
    return Overlay(index=index, place=place, high=np.repeat(evidence.high[1:-1], length))


def _fit(design: Floats, outward: Floats, least_mm: float) -> tuple[Floats, Floats, float] | None:
    """Robust least squares: solution, covariance, degrees of freedom; None when it is not determined."""
    unknowns = design.shape[1]
    spare = sqrt(outward.size / max(outward.size - unknowns, 1))
    weight, residual, solution = np.ones_like(outward), outward, np.zeros(unknowns)
    inverse, deviation = np.eye(unknowns), least_mm
    for number in range(ROUNDS + 1):
        weighted = design.T * weight
        try:
            inverse = np.asarray(np.linalg.inv(weighted @ design), dtype=np.float64)
        except np.linalg.LinAlgError:
            return None
        solution = inverse @ (weighted @ outward)
        residual = outward - design @ solution
        if number == ROUNDS:
            break
        size = np.abs(residual)
        middle = float(np.partition(size, size.size // 2)[size.size // 2])
        before, deviation = deviation, max(1.4826 * middle * spare, least_mm)
        if number > 3 and abs(deviation - before) < CONVERGED * deviation:
            break
        if number < 2:
            weight = 1 / np.maximum(1.0, size / (1.3 * deviation))
        else:
            weight = np.maximum(1 - (residual / (BISQUARE * deviation)) ** 2, 0.0) ** 2
    freedom = float(weight.sum()) - unknowns
    if freedom < 1 or not np.abs(inverse).max() < MOST_INFLATED:
        return None
    variance = max(float(weight @ (residual * residual)) / freedom, least_mm**2 / 2)
    return solution, inverse * variance, freedom
