"""Where to measure: positions that make the lash map's worst prediction as good as it can be.

Decided here: the plan before anything is measured.  Where to go once readings exist is decided in
`lash_map/confirming.py` and offered here too; how a plan is improved, in `lash_map/positions.py`.  The first
position is always the matched teeth, the reference from which engagements are counted, and travel goes
forward to the last position, then back for the few that are measured again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.errors import FieldError, require_finite, require_whole
from lashmap_analysis.gears.mesh_cycle import MeshCycle
from lashmap_analysis.lash_map.confirming import confirming_positions, next_position, positions_to_settle
from lashmap_analysis.lash_map.lash_map import LEAST_POSITIONS
from lashmap_analysis.lash_map.model import PatternModel, Priors, turn_waves

if TYPE_CHECKING:
    from lashmap_analysis.gears.gear_set import GearSet


__all__ = [
    "PlanError",
    "confirming_positions",
    "equal_spacing",
    "every_tooth",
    "next_position",
    "plan_positions",
    "positions_to_settle",
    "positions_within",
    "with_repeats",
    "worst_deviation_mm",
]

Integers = NDArray[np.int64]


class PlanError(FieldError):
    """A plan that cannot be made; see `FieldError` for the attributes."""


def plan_positions(gear_set: GearSet, count: int, turns: float, *, repeats: int = 3) -> Integers:
    """Choose engagements that minimise the worst prediction variance over the mesh cycle.

    The variance is that of the lash map's own model for a set of ordinary quality (`ORDINARY`): runout,
    twice-per-turn terms, what neighbours share and own deviations of the teeth all count.  Where possible
    the worst variance of a plain least-squares fit of the once-per-turn terms is kept at or below that of
    the best equal spacing.
    Plans start from a lattice and from one grown where the prediction is worst, and are improved by
    exchanging one position at a time; the result is never worse than equal spacing over one turn or over all
    the turns allowed.

    Args:
        gear_set: The gear set.
        count: Number of positions, at least 4.
        turns: Turns of the gear allowed from the first to the last position, above zero.
        repeats: Engagements that are measured a second time, the tip set anew; see `with_repeats`.

    Returns:
        `count` different engagements in the order of travel, rising, the first 0, the last at most
        ``turns · z2`` and below the mesh cycle; then the repeats; shape (count + repeats,).

    Raises:
        PlanError: `count` is too small, not whole, or more than the engagements within reach; `turns` is not
            a finite number above zero; more repeats than other positions.
    """
    cycle = MeshCycle(pinion_teeth=gear_set.pinion_teeth, gear_teeth=gear_set.gear_teeth)
    return with_repeats(_best_plan(cycle, count, _reach(gear_set, count, turns)), repeats)


@lru_cache(maxsize=16)  # a service plans the test of the same box again and again
def _best_plan(cycle: MeshCycle, count: int, reach: int) -> Integers:
    """The plan without repeats; it is not to be written in."""
    model = PlanModel.of(cycle)
    equal = _equal_spacings(cycle, count, reach)
    to_beat = ToBeat(
        worst=min(map(model.worst_variance, equal), default=math.inf),
        plain=min(map(model.plain_variance, equal), default=math.inf),
    )
    even = lattice(model, count, reach, to_beat)
    plans = [
        *equal,
        even,
        improve(model, even, reach, to_beat, PENALTIES[-1:]),
        improve(model, grow(model, count, reach), reach, to_beat),
    ]
    if equal:
        firm = min(equal, key=model.worst_variance)
        plans.append(improve(model, firm, reach, to_beat, PENALTIES[-1:]))
        plans = [plan for plan in plans if model.worst_variance(plan) <= to_beat.worst]
    best = min(plans, key=lambda plan: model.score(plan, to_beat))
    best.flags.writeable = False
    return best


def every_tooth(gear_set: GearSet, turns: float, *, repeats: int = 3) -> Integers:
    """Touch every tooth of both members: one gear tooth on each time, over one turn of the gear.

    A gear has at least as many teeth as its pinion, so that z2 engagements in a row touch all of both.
    One turn is quick.  On a hunting set the same number of positions over several turns tells waves of the
    gear from those of the pinion better, but not once the tight spot is confirmed (analysis/README.md).

    Args:
        gear_set: The gear set.
        turns: Turns of the gear allowed, at least 1.
        repeats: As for `plan_positions`.

    Returns:
        Engagements in the order of travel, shape (z2 + repeats,).

    Raises:
        PlanError: Less than one turn is allowed; more repeats than other positions.
    """
    allowed = require_finite(PlanError, "turns", turns, "a number of turns of the gear, at least 1")
    if allowed < 1.0:
        raise PlanError("turns", turns, "at least 1 turn of the gear, to touch every tooth")
    return with_repeats(np.arange(gear_set.gear_teeth, dtype=np.int64), repeats)


def with_repeats(plan: Integers, repeats: int) -> Integers:
    """A plan and, on the way back, some of its engagements again.

    Only they show what setting the tip anew does.  They are spread evenly from the first position on and come
    last, in falling order: the gear turns back once, the earliest reading is repeated after the longest time,
    and the gear ends at the matched teeth.

    Raises:
        PlanError: `repeats` is not whole, below 0, or not below the number of positions.
    """
    require_whole(PlanError, "repeats", repeats, "a whole number of positions to measure again")
    if not 0 <= repeats < len(plan):
        expected = f"0 to {len(plan) - 1}: fewer than the {len(plan)} positions of the plan"
        raise PlanError("repeats", repeats, expected)
    again = np.arange(repeats) * (len(plan) - 1) // max(repeats, 1)
    return np.concatenate([plan, plan[again[::-1]]])


def positions_within(gear_set: GearSet, turns: float) -> int:
    """How many different engagements so many turns of the gear hold, one mesh cycle at most.

    Args:
        gear_set: The gear set.
        turns: Turns of the gear allowed, a finite number above zero.
    """
    return min(math.floor(turns * gear_set.gear_teeth + 1e-9), gear_set.mesh_cycle - 1) + 1


def equal_spacing(gear_set: GearSet, count: int, turns: float) -> Integers:
    """The plan to beat: `count` engagements spaced evenly over the turns allowed, shape (count,).

    Raises:
        PlanError: As for `plan_positions`.
    """
    cycle = MeshCycle(pinion_teeth=gear_set.pinion_teeth, gear_teeth=gear_set.gear_teeth)
    span = min(_reach(gear_set, count, turns) + 1, cycle.length, math.floor(turns * cycle.gear_teeth + 1e-9))
    return _spaced(count, max(span, count))


def worst_deviation_mm(gear_set: GearSet, engagements: Integers) -> float:
    """Worst standard deviation of prediction over the mesh cycle for an ordinary set, in mm."""
    cycle = MeshCycle(pinion_teeth=gear_set.pinion_teeth, gear_teeth=gear_set.gear_teeth)
    model = PlanModel.of(cycle)
    return 1e-3 * math.sqrt(model.variance(model.left(engagements)).max())


def _reach(gear_set: GearSet, count: int, turns: float) -> int:
    """Last engagement within reach."""
    require_whole(PlanError, "count", count, "a whole number of positions")
    allowed = require_finite(PlanError, "turns", turns, "a number of turns of the gear above zero")
    if allowed <= 0.0:
        raise PlanError("turns", turns, "a number of turns of the gear above zero")
    if count < LEAST_POSITIONS:
        expected = f"at least {LEAST_POSITIONS} positions: fewer do not make a lash map"
        raise PlanError("count", count, expected)
    reach = positions_within(gear_set, allowed) - 1
    if count > reach + 1:
        expected = f"at most {reach + 1} positions: {turns:g} turns of the gear hold no more engagements"
        raise PlanError("count", count, expected)
    return reach


def _spaced(count: int, span: int) -> Integers:
    return np.floor(np.arange(count) * span / count + 0.5).astype(np.int64)


def _equal_spacings(cycle: MeshCycle, count: int, reach: int) -> list[Integers]:
    """Equal spacings, over one turn of the gear and over all that is within reach, ends counted or not."""
    plans = [
        _spaced(count, span) for span in (cycle.gear_teeth, reach, reach + 1) if count <= span <= reach + 1
    ]
    plans.append(np.round(np.linspace(0, reach, count)).astype(np.int64))
    return [plan for plan in plans if len(np.unique(plan)) == count]


# Improving a plan: one position at a time is exchanged for a better one (Fedorov's exchange).
#
# Fedorov, Theory of Optimal Experiments, 1972 (*from memory*): remove a position, try every other in its
# place, keep the best, until nothing improves.  Plans are compared by three variances of prediction over
# the mesh cycle: the worst of the lash map's model (runout, twice-per-turn terms, deviations of the
# teeth), which is what a plan is for; the mean of the same, since the worst alone does not care how many
# teeth are never touched; and the worst of a plain least-squares fit of a constant and both once-per-turn
# terms, where equal spacing is hard to beat.  Decided here: the search.  Not decided here: what a plan must
# obey (`lash_map/positions.py`).


Floats = NDArray[np.float64]

READING_UM = 0.3  # standard uncertainty of a reading that a plan is made for
# What a plan is made for, scales at their medians: teeth differ by 1.5 µm (common practice, no source). The
# map believes less, so as not to make teeth of what settings scatter, but a plan has to visit them.
ORDINARY = Priors(tooth_um=(1.5, 1.0))
MOST_CANDIDATES = 1024  # tried for one exchange; a seeded choice where the reach holds more
MOST_ROWS = 256  # worst engagements watched while candidates are compared
ROWS_ABOVE = 0.6  # of the worst variance without the position: below it no engagement becomes the worst
MOST_STEPS = 300  # lattices tried; a seeded choice where the reach holds more
MOST_COMPARED = 32  # candidates for which both variances are computed
MEAN_WEIGHT = 3.0  # of the mean variance beside the worst
SEED = 7
# What exceeds a variance to beat weighs more from pass to pass: first a good plan, then one within bounds.
PENALTIES = (1.0, 5.0, 50.0)
SETTLED = 2.0**16  # steps that a score is rounded to: nearly five digits
RIDGE = 1e-7  # keeps the information of a plan that leaves a term open invertible; its variance is then huge


@dataclass(frozen=True, kw_only=True)
class ToBeat:
    """Variances that a plan should not exceed.

    Attributes:
        worst: Worst variance of the lash map's model, µm².
        plain: Worst variance of the plain fit, in units of the variance of one reading.
        penalty: What an excess of one (twice the variance to beat) adds to the score, as a factor.
    """

    worst: float = np.inf
    plain: float = np.inf
    penalty: float = PENALTIES[-1]

    def penalised(self, worst: Floats, mean: Floats, plain: Floats) -> Floats:
        """Score of plans, the lower the better; what exceeds the variances to beat weighs heavily."""
        excess = np.maximum(worst / self.worst - 1.0, 0.0) + np.maximum(plain / self.plain - 1.0, 0.0)
        return np.asarray((worst + MEAN_WEIGHT * mean) * (1.0 + self.penalty * excess))


@dataclass(frozen=True, kw_only=True)
class PlanModel:
    """The lash map's model with fixed scales, for comparing plans.

    Attributes:
        model: Patterns and their kernels.
        prior: Covariance of the stacked pattern before measuring, shape (m, m), µm².
        gear: Index into the pattern of the gear tooth at every engagement of the mesh cycle.
        pinion: The same for the pinion tooth.
        waves: Constant and once-per-turn terms at every engagement, shape (mesh cycle, 5).
        meetings: How often teeth meet, as a share of the mesh cycle, shape (m, m): the mean variance over the
            mesh cycle is the sum of its product with a covariance.
    """

    model: PatternModel
    prior: Floats
    gear: Integers
    pinion: Integers
    waves: Floats
    meetings: Floats

    @classmethod
    def of(cls, cycle: MeshCycle) -> PlanModel:
        """The model with the scales of an ordinary set."""
        teeth = (cycle.gear_teeth, cycle.pinion_teeth)
        model = PatternModel.of(cycle, ORDINARY.constant_um)
        prior = model.covariance(ORDINARY.typical(), np.zeros(len(model.features)))
        gear, pinion = model.pick(cycle.engagements)
        both = [
            turn_waves(cycle.gear_teeth, 1)[gear],
            turn_waves(cycle.pinion_teeth, 1)[pinion - cycle.gear_teeth],
        ]
        waves = np.concatenate([np.ones((cycle.length, 1)), *both], axis=1)
        meetings = np.diag(np.repeat([1.0 / cycle.gear_teeth, 1.0 / cycle.pinion_teeth], teeth))
        meetings[gear, pinion] = meetings[pinion, gear] = 1.0 / cycle.length
        return cls(
            model=model,
            prior=prior,
            gear=gear,
            pinion=pinion,
            waves=waves,
            meetings=meetings,
        )

    def left(self, plan: Integers) -> Floats:
        """Covariance of the pattern that a plan leaves, shape (m, m)."""
        gear, pinion = self.model.pick(plan)
        across = self.prior[:, gear] + self.prior[:, pinion]
        data = across[gear] + across[pinion]
        data[np.diag_indices(len(plan))] += READING_UM**2
        return np.asarray(self.prior - across @ np.linalg.solve(data, across.T))

    def added(self, left: Floats, engagement: int, sign: float = 1.0) -> Floats:
        """What is left after one more position; with sign −1, after taking one away again."""
        column = left[:, self.gear[engagement]] + left[:, self.pinion[engagement]]
        variance = column[self.gear[engagement]] + column[self.pinion[engagement]]
        return np.asarray(left - np.outer(column, column) / (variance + sign * READING_UM**2))

    def variance(self, left: Floats) -> Floats:
        """Variance of prediction at every engagement of the mesh cycle."""
        diagonal = np.diag(left)
        return np.asarray(diagonal[self.gear] + diagonal[self.pinion] + 2.0 * left[self.gear, self.pinion])

    def worst_variance(self, plan: Integers) -> float:
        """Largest variance of prediction that a plan leaves over the mesh cycle, µm², `settled`."""
        return float(settled(self.variance(self.left(plan)).max()))

    def plain_inverse(self, plan: Integers) -> Floats:
        """Inverse information of the plain once-per-turn fit, shape (5, 5)."""
        rows = self.waves[plan]
        return np.asarray(np.linalg.inv(rows.T @ rows + RIDGE * np.eye(rows.shape[1])))

    def plain_variance(self, plan: Integers) -> float:
        """Largest variance of the plain fit over the mesh cycle, in units of the variance of one reading."""
        return float(np.sum(self.waves @ self.plain_inverse(plan) * self.waves, axis=1).max())

    def score(self, plan: Integers, to_beat: ToBeat, left: Floats | None = None) -> float:
        """Score of a plan, the lower the better; `left` where it is known already."""
        left = self.left(plan) if left is None else left
        worst, mean = self.variance(left).max(), np.sum(self.meetings * left)
        return float(settled(to_beat.penalised(*np.array([worst, mean, self.plain_variance(plan)]))))


def settled(scores: Floats) -> Floats:
    """Scores without the digits in which processors differ, so that a plan is the same on every computer.

    A mesh cycle is symmetric: many plans are equally good but for rounding, and the mathematics library adds
    in another order on another processor.
    """
    mantissa, exponent = np.frexp(scores)
    return np.asarray(np.ldexp(np.round(mantissa * SETTLED) / SETTLED, exponent))


def grow(model: PlanModel, count: int, reach: int) -> Integers:
    """A plan grown from the matched teeth: the next position is where the prediction is worst."""
    plan = [0]
    left = model.left(np.array(plan))
    while len(plan) < count:
        variance = model.variance(left)[: reach + 1]
        variance[plan] = -1.0
        best = int(settled(variance).argmax())
        left = model.added(left, best)
        plan.append(best)
    return np.sort(np.array(plan, dtype=np.int64))


def lattice(model: PlanModel, count: int, reach: int, to_beat: ToBeat) -> Integers:
    """The best plan of the form i · s modulo the reach, s fixed: even over both members at once (Korobov).

    Every step s is tried with the plain fit, the best few with the model.
    """
    length = reach + 1
    steps = np.arange(1, length // 2 + 1)
    if len(steps) > MOST_STEPS:
        steps = np.append(np.random.default_rng(SEED).choice(steps, MOST_STEPS, replace=False), 1)
    plans = np.sort(np.arange(count) * steps[:, np.newaxis] % length, axis=1)
    plans = plans[np.all(np.diff(plans, axis=1) > 0, axis=1)]
    rows = model.waves[plans]
    information = rows.transpose(0, 2, 1) @ rows + RIDGE * np.eye(rows.shape[2])
    seen = model.waves[:: max(1, len(model.waves) // MOST_CANDIDATES)]
    variance = np.einsum("kj,dji,ki->dk", seen, np.linalg.inv(information), seen, optimize=True)
    order = np.argsort(settled(variance.max(axis=1)), kind="stable")[:MOST_COMPARED]
    return min((plans[index] for index in order), key=lambda plan: model.score(plan, to_beat))


def improve(
    model: PlanModel,
    start: Integers,
    reach: int,
    to_beat: ToBeat,
    penalties: tuple[float, ...] = PENALTIES,
) -> Integers:
    """Exchange positions, the first excepted, as long as the score falls; one pass for each penalty."""
    generator = np.random.default_rng(SEED)
    plan = start.copy()
    for penalty in penalties:
        target = replace(to_beat, penalty=penalty)
        left = model.left(plan)
        best = model.score(plan, target, left)
        for place in generator.permutation(np.arange(1, len(plan))):
            rest, left_by_rest = np.delete(plan, place), model.added(left, plan[place], -1.0)
            candidates = np.setdiff1d(np.arange(reach + 1), rest, assume_unique=True)
            if len(candidates) > MOST_CANDIDATES:
                candidates = generator.choice(candidates, MOST_CANDIDATES, replace=False)
            candidate = _best_addition(model, left_by_rest, rest, candidates, target)
            trial, left_by_trial = np.append(rest, candidate), model.added(left_by_rest, candidate)
            score = model.score(trial, target, left_by_trial)
            if score < best:
                plan, best, left = trial, score, left_by_trial
    return np.sort(plan)


def _best_addition(
    model: PlanModel, left: Floats, rest: Integers, candidates: Integers, to_beat: ToBeat
) -> int:
    """The candidate that, added to `rest`, which leaves `left`, gives the lowest score.

    Adding a position lowers every variance v_k by c_kx² / (u² + v_x); the worst is sought among engagements
    that are among the worst now, for those candidates only that lower one of the two mean variances most.
    """
    variance = model.variance(left)
    taken = model.variance(left @ model.meetings @ left)[candidates] / (variance[candidates] + READING_UM**2)
    projected = model.waves @ model.plain_inverse(rest)
    plain = np.sum(projected * model.waves, axis=1)
    chosen = projected[candidates]
    shared = model.waves.T @ model.waves
    plain_taken = np.sum(chosen @ shared * chosen, axis=1) / (1.0 + plain[candidates])
    keep = np.union1d(
        np.argsort(-settled(taken), kind="stable")[:MOST_COMPARED],
        np.argsort(-settled(plain_taken), kind="stable")[:MOST_COMPARED],
    )
    candidates, total = candidates[keep], variance[candidates[keep]] + READING_UM**2
    rows = _highest(variance, ROWS_ABOVE * variance.max())
    reached = left[:, model.gear[candidates]] + left[:, model.pinion[candidates]]
    shared = reached[model.gear[rows]] + reached[model.pinion[rows]]
    worst = _worst_after(variance[rows], shared, total)
    mean = np.sum(model.meetings * left) - taken[keep]

    rows = _highest(plain, min(to_beat.plain, plain.max()))
    shared = projected[rows] @ model.waves[candidates].T
    scores = to_beat.penalised(worst, mean, _worst_after(plain[rows], shared, plain[candidates] + 1.0))
    return int(candidates[settled(scores).argmin()])


def _highest(variance: Floats, above: float) -> Integers:
    """Where the variance is above a value, the highest at least and `MOST_ROWS` at most."""
    rows = np.flatnonzero(variance > above)
    if not len(rows):
        return np.array([settled(variance).argmax()])
    if len(rows) > MOST_ROWS:
        rows = rows[np.argpartition(variance[rows], -MOST_ROWS)[-MOST_ROWS:]]
    return rows


def _worst_after(variance: Floats, shared: Floats, total: Floats) -> Floats:
    return np.asarray((variance[:, np.newaxis] - np.square(shared) / total).max(axis=0))
