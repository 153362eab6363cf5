"""Lash of the cells with less noise: what is smoothed along the roll, and what of it is put back.

Decided here: how cells are smoothed over their neighbours without flattening the profiles of the teeth, and
how much a pair of teeth may have of its own.  Not decided here: what the noise is (`cycle/cycle.py`).

Play is smooth where it is least, in the middle of a pair's contact, and a parabola over a few cells takes
most of the noise out.  It would take out what profiles wave by as well, and leave a trough beside a bad
tooth, where contact goes to the next pair within a cell.  Both come again with the teeth: what smoothing
takes away on the average of all engagements, and of single teeth, is put back as far as it is more than
noise.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.cycle.cells import FEW_VISITS, PHASES, ToothSum

Floats = NDArray[np.float64]

# Least squares of a parabola over eleven cells (Savitzky & Golay, Analytical Chemistry 36, 1964, 1627–1639).
SMOOTHING = np.array([-36.0, 9.0, 44.0, 69.0, 84.0, 89.0, 84.0, 69.0, 44.0, 9.0, -36.0]) / 429
# Deviations of the noise above which a cell is believed by itself: chance makes no such one among thousands.
STANDS_OUT = 5.0
TIMES_NOISE = 2.0  # what smoothing took away of a tooth has to have more power than noise by this
POWER_CELLS = 5  # over which that power is a mean


def bridged(cells: Floats, known: NDArray[np.bool_]) -> Floats:
    """Cells in the order of place, those that are not known on a straight line between those beside them."""
    if known.all() or not known.any():
        return cells
    every, at = np.arange(cells.size), np.flatnonzero(known.ravel())
    return np.interp(every, at, cells.ravel()[at], period=cells.size).reshape(cells.shape)


def smoothed(cells: Floats) -> Floats:
    """Cells in the order of place, smoothed around the cycle; of the same shape."""
    return _around(cells, SMOOTHING)


def smoothed_variance(variance: Floats) -> Floats:
    """Variance of cells after smoothing, from that of each by itself."""
    return _around(variance, SMOOTHING**2)


def _around(cells: Floats, by: Floats) -> Floats:
    half = by.size // 2
    around = np.concatenate([cells.ravel()[-half:], cells.ravel(), cells.ravel()[:half]])
    return np.convolve(around, by, mode="valid").reshape(cells.shape)


@dataclass(frozen=True, kw_only=True)
class Smoother:
    """Smoothing of one run, the same for its lash and for scatter that is drawn.

    Attributes:
        teeth: What two teeth add up to.
        weight: Shape (m, PHASES), of the cells.
        alike: Shape (PHASES,), what is put back of what smoothing takes away of all engagements.
        share: Shape (m, PHASES), the same of single teeth.
        hidden_mm2: Shape (m, PHASES), mean square of what is not put back and is no noise.
    """

    teeth: ToothSum
    weight: Floats
    alike: Floats
    share: Floats
    hidden_mm2: Floats

    @classmethod
    def of(cls, teeth: ToothSum, raw: Floats, weight: Floats, variance: Floats) -> Smoother:
        """Find how much is put back.

        Args:
            teeth: What two teeth add up to.
            raw: Shape (m, PHASES), lash of each cell.
            weight: Of the same shape.
            variance: Of the same shape, of each cell by itself.
        """
        none = np.zeros_like(raw)
        nothing = cls(teeth=teeth, weight=weight, alike=none[0], share=none, hidden_mm2=none)
        shape, own = nothing.taken_away(raw, smoothed(raw))
        known = max(int((weight > 0).sum()), 1)
        # A cell less its smoothed value has that part of the variance.
        rest = float(variance[weight > 0].sum()) / known * (1 - SMOOTHING[SMOOTHING.size // 2])
        alike, by_all = _more_than_noise(shape, rest * PHASES / known)
        if teeth.visits < FEW_VISITS:
            return cls(teeth=teeth, weight=weight, alike=alike, share=none, hidden_mm2=none + by_all)
        share, by_teeth = _more_than_noise(own, rest * teeth.parameters / raw.size)
        return cls(teeth=teeth, weight=weight, alike=alike, share=share, hidden_mm2=by_all + by_teeth)

    def apply(self, raw: Floats) -> Floats:
        """Smooth cells, shape (m, PHASES)."""
        smooth = smoothed(raw)
        shape, own = self.taken_away(raw, smooth)
        return np.asarray(smooth + self.alike * shape + self.share * own)

    def taken_away(self, raw: Floats, smooth: Floats) -> tuple[Floats, Floats]:
        """What smoothing takes away of all engagements, shape (PHASES,); and of single teeth beside it."""
        rest = raw - smooth
        total = np.maximum(self.weight.sum(axis=0), 1e-300)
        shape = (self.weight * rest).sum(axis=0) / total
        if self.teeth.visits < FEW_VISITS:
            return shape, np.zeros_like(raw)
        return shape, self.teeth.fit(rest - shape, self.weight)


def _more_than_noise(taken: Floats, noise: float) -> tuple[Floats, Floats]:
    """How far what was taken away has more power than noise; mean square of what stays away beside noise."""
    power = _around(taken**2, np.full(POWER_CELLS, 1 / POWER_CELLS))
    share = np.maximum(1 - TIMES_NOISE * noise / np.maximum(power, 1e-300), 0.0)
    return share, (1 - share) ** 2 * np.maximum(power - noise, 0.0)


def explained(teeth: ToothSum, lash: Floats, weight: Floats) -> Floats:
    """What the two teeth add up to; where they meet too rarely, an own level and a common shape of roll."""
    if teeth.visits >= FEW_VISITS:
        return teeth.fit(lash, weight)
    level = (weight * lash).sum(axis=1, keepdims=True)
    level = level / np.maximum(weight.sum(axis=1, keepdims=True), 1e-300)
    shape = (weight * (lash - level)).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-300)
    return np.asarray(level + shape)


@dataclass(frozen=True, kw_only=True)
class Kept:
    """Cells with what two teeth do not explain kept as far as it is more than noise.

    Attributes:
        values: Shape (m, PHASES).
        share: Of the same shape, how far it is kept.
        own_mm: Root mean square of what pairs have of their own, noise taken out; median over the phases.
        by_teeth_mm: The same of what two teeth add up to, about its mean.
    """

    values: Floats
    share: Floats
    own_mm: float
    by_teeth_mm: float


def kept(teeth: ToothSum, lash: Floats, weight: Floats, variance: Floats) -> Kept:
    """Keep of the unexplained part of each cell what is more than noise.

    How far is found for each phase: where contact passes from pair to pair, pairs have much of their own; in
    the middle of contact, where the least lies, hardly anything. A cell that stands out of the noise by
    itself is kept all the same.
    """
    by_teeth = explained(teeth, lash, weight)
    known = weight > 0
    left = np.where(known, lash - by_teeth, 0.0)
    parameters = teeth.parameters / PHASES if teeth.visits >= FEW_VISITS else len(lash) / PHASES + 1
    free = np.maximum(known.sum(axis=0) - parameters, 1.0)
    total = np.maximum(weight.sum(axis=0), 1e-300)
    seen = (weight * left**2).sum(axis=0) / total * known.sum(axis=0) / free
    usual = (weight * variance).sum(axis=0) / total
    own = np.maximum(seen - usual, 0.0)
    keep = own / np.maximum(own + variance, 1e-300)
    alone = 1.0 - STANDS_OUT**2 * variance / np.maximum(left**2, 1e-300)
    share = np.maximum(keep, alone)
    return Kept(
        values=by_teeth + share * left,
        share=share,
        own_mm=sqrt(float(np.median(own))),
        by_teeth_mm=float(np.median(by_teeth.std(axis=0))),
    )
