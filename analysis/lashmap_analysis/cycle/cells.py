"""Advance over place becomes cells: some phases of each engagement, and what two teeth add up to in them.

Decided here: how samples are averaged, what is cut out as lost contact, and how much of a cell's value is
kept where the two teeth that meet do not explain it.  Not decided here: skew, torque and lash
(`cycle/cycle.py`).

A cell is one of `PHASES` equal parts of an engagement, the middle one centred on the place where a rock is
made.  In each phase, what a gear tooth and a pinion tooth bring is taken to add up, as on the lash map;
what is left over belongs to the pair.  Every tooth is met many times in a mesh cycle of a hunting set, so
that the sum is known far better than a single cell, and contact that was lost for a moment stands out
against it.

**Counts.** A mean over many counts loses the step of the count, as long as the samples fall anywhere within
a step. At a speed of one count for each sample, or any whole number, they all fall at the same place of it:
the mean is then off by up to half a step, and shows no scatter.  So a cell's variance is that of its mean,
and what its samples scatter less than a step's q²/12 is added to it (derived).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import pi, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from lashmap_analysis.cycle.passes import Advance
    from lashmap_analysis.gears.mesh_cycle import MeshCycle

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Booleans = NDArray[np.bool_]

FEW_VISITS = 3
PHASES = 15
"""Cells in an engagement; odd, so that one is centred on the place of a rock."""

SWEEPS = 25  # of fitting gear and pinion teeth in turn; an incomplete cycle needs some
SETTLED_MM = 1e-6
LEAST_VARIANCE_MM2 = 1e-9  # 0.03 µm: no cell counts more than that
ROBUST_ROUNDS = 6
LOST_SIGMAS = 6.0
LOST_LEAST_MM = 0.005  # beside other passes of the flank
LOST_OWN_MM = 0.012  # beside what two teeth add up to, of which pairs differ where contact passes on
THIRD = PHASES // 3  # of an engagement, an odd number of cells
THROWN_MM = 0.030  # more than any pair of teeth stands out of what both add up to
SAMPLE_SIGMAS = 8.0
TELLING_SAMPLES = 20_000  # tell a median as well as all do
NORMAL_PER_MAD = 1.4826


@dataclass(frozen=True, kw_only=True)
class Cells:
    """Means of one pass over cells, NaN where there is no sample; arrays have shape (m, PHASES).

    Attributes:
        advance_mm: Of the gear, at the outer pitch circle.
        speed_mm_per_s: Of the gear there.
        time_s: When.
        variance_mm2: Of the advance, by the step of both counts; infinite without samples.
        samples: How many went in.
        lost: Cells that had samples, all or most of which were cut out as lost contact.
        forward: Direction of the pass.
        brake_nm: As given for the pass.
    """

    advance_mm: Floats
    speed_mm_per_s: Floats
    time_s: Floats
    variance_mm2: Floats
    samples: Integers
    lost: Booleans
    forward: bool
    brake_nm: float | None

    @property
    def seen(self) -> Booleans:
        """Cells with samples."""
        return self.samples > 0

    @property
    def weight(self) -> Floats:
        """One over the variance, 1/mm²; 0 without samples."""
        return 1.0 / self.variance_mm2


class ToothSum:
    """Least squares of (gear tooth) + (pinion tooth) in each phase, over any of the cells.

    Attributes:
        parameters: How many figures are fitted to a whole cycle.
        gear_turn: Shape (m, PHASES), angle of the gear in the middle of each cell, in radians.
        visits: How often a gear tooth comes by in a mesh cycle; below `FEW_VISITS` two teeth explain too much
            for anything to stand out against them.
    """

    def __init__(self, cycle: MeshCycle) -> None:
        self._gear, self._pinion = cycle.teeth(cycle.engagements)
        self._teeth = (cycle.gear_teeth, cycle.pinion_teeth)
        self.parameters = PHASES * (cycle.gear_teeth + cycle.pinion_teeth - cycle.common)
        roll = (np.arange(PHASES) - PHASES // 2) / PHASES
        self.gear_turn = 2 * pi / cycle.gear_teeth * (cycle.engagements[:, np.newaxis] + roll)
        self.visits = cycle.length // cycle.gear_teeth

    def fit(self, values: Floats, weights: Floats) -> Floats:
        """What the two teeth explain, of the shape of `values`, cells of no weight included.

        Args:
            values: Shape (m, PHASES); not read where the weight is 0.
            weights: Of the same shape.
        """
        usable = np.where(weights > 0, values, 0.0)
        gear, pinion = (np.zeros((teeth, PHASES)) for teeth in self._teeth)
        sums = [np.maximum(self._sum(member, weights), 1e-300) for member in (0, 1)]
        for _ in range(SWEEPS):
            gear = self._sum(0, weights * self._less(1, usable, pinion)) / sums[0]
            before = pinion
            pinion = self._sum(1, weights * self._less(0, usable, gear)) / sums[1]
            if np.max(np.abs(pinion - before)) < SETTLED_MM:
                break
        both = np.empty(values.shape)
        self._by_turns(0, both)[:] = gear
        self._by_turns(1, both)[:] += pinion
        return both

    def fit_robustly(self, values: Floats, weights: Floats) -> Floats:
        """The same, with cells that stand far out counting less and less (Huber's weights)."""
        fitted = self.fit(values, weights)
        for _ in range(ROBUST_ROUNDS):
            off = np.where(weights > 0, values - fitted, 0.0)
            sigma = NORMAL_PER_MAD * float(np.median(np.abs(off[weights > 0])))
            if sigma == 0.0:
                break
            fitted = self.fit(values, weights / np.maximum((np.abs(off) / (1.5 * sigma)) ** 2, 1.0))
        return fitted

    def known(self, seen: Booleans) -> Booleans:
        """Cells both of whose teeth were seen at that phase."""
        counted = seen.astype(np.float64)
        gear = self._sum(0, counted) > 0
        pinion = self._sum(1, counted) > 0
        both: Booleans = gear[self._gear] & pinion[self._pinion]
        return both

    def _sum(self, member: int, values: Floats) -> Floats:
        """Sum over the engagements of each tooth of a member, shape (z, PHASES)."""
        return np.asarray(np.add.reduce(self._by_turns(member, values)))

    def _less(self, member: int, values: Floats, teeth: Floats) -> Floats:
        """Values less what each tooth of a member brings, shape (m, PHASES)."""
        return (self._by_turns(member, values) - teeth).reshape(values.shape)

    def _by_turns(self, member: int, values: Floats) -> Floats:
        """A member's teeth follow one another in every turn: shape (turns, z, PHASES), a view."""
        return values.reshape(-1, self._teeth[member], PHASES)


def cells_of(cycle: MeshCycle, advance: Advance) -> Cells:
    """Average a pass over cells, after single samples far from their neighbours were left out."""
    return _averaged(cycle, advance, np.ones(advance.place.size, dtype=np.bool_))


def closing_mm(cycle: MeshCycle, advance: Advance) -> tuple[float, float]:
    """How far the gear stands elsewhere when the same teeth meet again after a whole cycle.

    Returns:
        That, and its standard uncertainty; 0 and infinity where a pass is not longer than the cycle.
    """
    cell = np.floor(advance.place * PHASES).astype(np.int64)
    cell -= cell.min()
    samples = np.bincount(cell)
    again = samples.size - cycle.length * PHASES
    if again < PHASES:
        return 0.0, np.inf
    mean = np.bincount(cell, advance.advance_mm) / np.maximum(samples, 1)
    twice = (samples[:again] > 0) & (samples[-again:] > 0)
    off = (mean[-again:] - mean[:again])[twice]
    if off.size < PHASES:
        return 0.0, np.inf
    middle = float(np.median(off))
    # The standard deviation of a median is 1.25 times that of a mean.
    spread = 1.25 * NORMAL_PER_MAD * float(np.median(np.abs(off - middle))) / sqrt(off.size)
    return middle, spread


def thrown_off(teeth: ToothSum, cells: Cells) -> Booleans:
    """Cells in which the gear is so far ahead that it had left its flank, whatever other passes say.

    A drive that jerks at the same angle in every pass throws the gear off at the same teeth in all of them:
    no other pass then says where it should be. All neighbours that are ahead at all go with such a cell.

    Returns:
        Shape (m, PHASES); none where two teeth meet too rarely for anything to stand out.
    """
    if teeth.visits < FEW_VISITS:
        return np.zeros_like(cells.seen)
    ahead = cells.advance_mm - teeth.fit_robustly(cells.advance_mm, cells.weight)
    ahead = (ahead if cells.forward else -ahead).ravel()
    ahead = np.where(np.isfinite(ahead), ahead - np.nanmedian(ahead), 0.0)
    sigma = NORMAL_PER_MAD * float(np.median(np.abs(ahead)))
    at_all = ahead > max(2 * sigma, LOST_LEAST_MM)
    run = np.cumsum(at_all & ~np.roll(at_all, 1))
    run[run == 0] = run[-1]  # the cycle's end goes on at its beginning
    thrown: Booleans = at_all & np.isin(run, run[ahead > max(LOST_SIGMAS * sigma, THROWN_MM)])
    return thrown.reshape(cells.seen.shape)


def without_lost_contact(
    cycle: MeshCycle,
    advance: Advance,
    cells: Cells,
    expected: tuple[Floats, Floats],
    *,
    thrown: Booleans,
    least_mm: float,
) -> Cells:
    """Cells again without the samples at which the gear had left the flank.

    The flank that turns the gear is the one it cannot fall behind of: contact that is lost shows as a gear
    that runs ahead of what is expected there, in the direction of the pass.

    Args:
        cycle: The mesh cycle.
        advance: The pass.
        cells: What `cells_of` gave.
        expected: Shapes (m, PHASES), advance that the teeth or other passes give there, NaN where they give
            none; and its variance, mm².
        thrown: Shape (m, PHASES), cells that are lost in any case.
        least_mm: Less than this is left to the uncertainty.
    """
    ahead = (cells.advance_mm - expected[0]) * (1.0 if cells.forward else -1.0)
    seen = cells.seen & np.isfinite(ahead)
    ahead = ahead - float(np.median(ahead[seen]))
    # By phase: where contact passes from pair to pair, pairs differ by more than elsewhere.
    sigma = NORMAL_PER_MAD * np.nanmedian(np.where(seen, np.abs(ahead), np.nan), axis=0)
    limit = np.maximum(LOST_SIGMAS * np.maximum(sigma, np.sqrt(cells.variance_mm2 + expected[1])), least_mm)
    lost = thrown | (seen & (ahead > limit))
    # Scatter hides in a cell what a third of an engagement shows.
    beside = np.maximum(_around(seen, THIRD), 1.0)
    wide = _around(np.where(seen, ahead, 0.0), THIRD) / beside
    variance = _around(np.where(seen, cells.variance_mm2 + expected[1], 0.0), THIRD) / beside**2
    usual = NORMAL_PER_MAD * np.nanmedian(np.where(seen, np.abs(wide), np.nan), axis=0)
    limit = np.maximum(LOST_SIGMAS * np.maximum(usual, np.sqrt(variance)), least_mm)
    lost |= _around(seen & (wide > limit), THIRD) > 0.5  # sums of whole numbers
    # The moments before and after are doubtful too: the gear leaves and comes back within a cell.
    flat = lost.ravel()
    grown = flat | np.roll(flat, 1) | np.roll(flat, -1) if flat.any() else flat
    again = _averaged(cycle, advance, ~grown[_cell_index(cycle, advance.place)])
    return replace(again, lost=grown.reshape(lost.shape) & cells.seen)


def _averaged(cycle: MeshCycle, advance: Advance, keep: Booleans) -> Cells:
    index = _cell_index(cycle, advance.place)
    keep = keep & _near_its_cell(index, advance.advance_mm, keep, cycle.length * PHASES)
    used = index[keep]
    samples = np.bincount(used, minlength=cycle.length * PHASES)
    divisor = np.maximum(samples, 1)

    def mean(values: Floats) -> Floats:
        return np.asarray(np.bincount(used, values, samples.size) / divisor)

    values, time = advance.advance_mm[keep], advance.time_s[keep]
    level, when = mean(values), mean(time)
    # Scatter within a cell beside a straight line in time.
    off, later = values - level[used], time - when[used]
    along = mean(off * later) ** 2 / np.maximum(mean(later**2), 1e-300)
    # A few samples tell no scatter: that of an engagement's cells is put together.
    free = np.maximum(samples - 2, 0)
    squares = np.where(free > 0, (mean(off**2) - along) * samples, 0.0)
    scatter = _around(squares, PHASES) / np.maximum(_around(free, PHASES), 1.0)
    step = (advance.step_mm**2) / 12
    variance = np.maximum(step - scatter, 0.0) + np.maximum(step, scatter) / divisor
    shape = (cycle.length, PHASES)
    seen = samples > 0
    level, speed, when = (
        np.where(seen, one, np.nan).reshape(shape)
        for one in (level, mean(advance.speed_mm_per_s[keep]), when)
    )
    return Cells(
        advance_mm=level,
        speed_mm_per_s=speed,
        time_s=when,
        variance_mm2=np.where(seen, np.maximum(variance, LEAST_VARIANCE_MM2), np.inf).reshape(shape),
        samples=samples.reshape(shape),
        lost=np.zeros(shape, dtype=np.bool_),
        forward=advance.forward,
        brake_nm=advance.brake_nm,
    )


def _around(values: NDArray[Any], cells: int) -> Floats:
    """Sum over an odd number of cells about each, around the cycle; of the same shape."""
    half, flat = cells // 2, values.ravel()
    sums = np.concatenate([[0.0], flat[-half:], flat, flat[:half]]).cumsum()
    return np.asarray(sums[cells:] - sums[:-cells]).reshape(values.shape)


def _cell_index(cycle: MeshCycle, place: Floats) -> Integers:
    """Cell of each sample, counted over the whole mesh cycle."""
    cell = np.floor(place * PHASES + PHASES / 2).astype(np.int64)
    return cell % (cycle.length * PHASES)


def _near_its_cell(index: Integers, values: Floats, keep: Booleans, cells: int) -> Booleans:
    """Samples that are not far from the mean of their cell: an angle given twice, a bit gone wrong."""
    used = index[keep]
    samples = np.maximum(np.bincount(used, minlength=cells), 1)
    off = np.abs(values - (np.bincount(used, values[keep], cells) / samples)[index])
    thinned = off[keep][:: max(off.size // TELLING_SAMPLES, 1)]
    sigma = NORMAL_PER_MAD * float(np.median(thinned)) if thinned.size else 0.0
    near: Booleans = off <= SAMPLE_SIGMAS * sigma + 1e-9
    return near
