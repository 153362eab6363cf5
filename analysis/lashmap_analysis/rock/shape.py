"""The mean shape of all stays on a flank, laid over each other from change to change of flank.

Decided here: where in its stay a sample lies, and how far the gear moves on each flank on the mean of all
stays, and how well that is known. Not decided: what of it speaks against rest (`rock.at_rest`), or adds to
the uncertainty (`rock.creep`).

With three to six samples a stay no single stay shows its shape, but ten stays are sampled at different places
and show it together: from change to change of flank. With many samples and much noise the dwells are laid
over each other. Samples on the way between the flanks lie inward of the shape near its ends, in some
stays only; they lose their weight as outliers (Tukey's bisquare, constant 4.7: 95 % efficient for normal
noise). The fit is outward = level + tilt · v + arch · (1 − v²) with v from −1 to +1 over the stay.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from lashmap_analysis.rock.flanks import Booleans, Floats, Integers, Stays


REACH = 0.76
"""Part of the stay that is looked at, about its middle: the rest is travel and bounce."""

PLENTY = 26.0
"""Samples a stay with which single stays tell all."""

BISQUARE = 4.7
"""Residuals beyond so many standard deviations have no weight."""

ROUNDS = 8
"""Most reweightings; the first two with weights that never vanish, so that the start does not matter."""

CONVERGED = 0.03
"""Change of the deviation, as a share of it, after which no more reweighting is done."""

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

    @property
    def wide(self) -> float:
        """Student's factor, roughly: the errors come from few samples themselves."""
        return 1 + 2 / self.freedom


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


def measure_shape(
    time_s: Floats,
    stays: Stays,
    resolution_mm: float,
    step_mm: float,
    *,
    least_mm: Floats | None = None,
    until: float = REACH,
) -> Shape | None:
    """Lay all complete stays over each other.

    Args:
        time_s: Shape (n,), time of the samples.
        stays: The stays on the flanks.
        resolution_mm: Least step of the indicator.
        step_mm: Mean step.
        least_mm: Shape (m,), outward offset below which a sample of a stay is not on the flank; all samples
            are looked at when None.
        until: Place in the stay up to which it is looked at; the shape is then that of this part.

    Returns:
        The shape; None when there are too few samples for one.
    """
    if stays.start.size < 4:
        return None
    laid = overlay(time_s, stays)
    outward = np.where(laid.high, 1.0, -1.0) * stays.offset_mm[laid.index]
    kept = np.abs(laid.place) < REACH
    if until < REACH:
        kept &= laid.place < until
    if least_mm is not None:
        kept &= outward >= np.repeat(least_mm[1:-1], (stays.stop - stays.start)[1:-1])
    place, outward, high = laid.place[kept], outward[kept], laid.high[kept]
    if until < REACH:
        place = (2 * place + REACH - until) * (REACH / (REACH + until))
    if min(np.count_nonzero(high), np.count_nonzero(~high)) < LEAST_SAMPLES:
        return None
    columns = np.stack((np.ones_like(place), place, 1 - place * place), axis=1)
    design = np.concatenate((columns * high[:, None], columns * ~high[:, None]), axis=1)
    fitted = _fit(design, outward, max(0.3 * resolution_mm, 0.004 * step_mm))
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


def overlay(time_s: Floats, stays: Stays) -> Overlay:
    """Place all samples of complete stays between the changes of flank before and after."""
    start, stop, offset = stays.start, stays.stop, stays.offset_mm
    last, first = stop[:-1] - 1, start[1:]
    before, after = np.abs(offset[last]), np.abs(offset[first])
    total = before + after
    share = np.divide(before, total, out=np.full_like(total, 0.5), where=total > 0)
    change = time_s[last] + (time_s[first] - time_s[last]) * share
    length = (stop - start)[1:-1]
    # stays are neighbours but for samples that belong to none
    index = np.arange(int(length.sum())) + np.repeat(start[1:-1] - np.cumsum(length) + length, length)
    span = change[1:] - change[:-1]
    span = np.where(span > 0, span, 1.0)
    place = 2 * (time_s[index] - np.repeat(change[:-1], length)) / np.repeat(span, length) - 1
    return Overlay(index=index, place=place, high=np.repeat(stays.sign[1:-1] > 0, length))


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
