"""Improving a plan: one position at a time is exchanged for a better one (Fedorov's exchange).

Fedorov, Theory of Optimal Experiments, 1972 (*from memory*): remove a position, try every other in its place,
keep the best, until nothing improves.  Plans are compared by two worst variances: that of the lash map's
model (runout, twice-per-turn terms, own deviations of the teeth), and that of a plain least-squares fit of a
constant and both once-per-turn terms, where equal spacing is hard to beat.  Decided here: the search.  Not
decided here: what a plan must obey (`positions.py`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.lash_model import PatternModel, Priors, turn_waves
from lashmap_analysis.mesh_cycle import MeshCycle

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

READING_UM = 0.3  # standard uncertainty of a reading that a plan is made for
MOST_CANDIDATES = 1024  # tried for one exchange; a seeded choice where the reach holds more
MOST_ROWS = 2048  # worst engagements watched while candidates are compared
MOST_COMPARED = 128  # candidates for which both variances are computed
MOST_PASSES = 4
SEED = 7
PENALTY = (
    50.0  # a plain-fit variance 1 % above the one to beat counts like a model variance half as large again
)
RIDGE = 1e-7  # keeps the information of a plan that leaves a term open invertible; its variance is then huge


@dataclass(frozen=True, kw_only=True)
class PlanModel:
    """The lash map's model with fixed scales, for comparing plans.

    Attributes:
        model: Patterns and their kernels.
        prior: Covariance of the stacked pattern before measuring, shape (m, m), µm².
        gear: Index into the pattern of the gear tooth at every engagement of the mesh cycle.
        pinion: The same for the pinion tooth.
        waves: Constant and once-per-turn terms at every engagement, shape (mesh cycle, 5).
    """

    model: PatternModel
    prior: Floats
    gear: Integers
    pinion: Integers
    waves: Floats

    @classmethod
    def of(cls, cycle: MeshCycle) -> PlanModel:
        """The model with all scales at the medians of their priors."""
        priors = Priors()
        model = PatternModel.of(cycle, priors.constant_um)
        prior = model.covariance(np.exp(priors.log_scales()[0])[np.newaxis], np.zeros(len(model.features)))
        gear, pinion = model.pick(cycle.engagements)
        both = [
            turn_waves(cycle.gear_teeth, 1)[gear],
            turn_waves(cycle.pinion_teeth, 1)[pinion - cycle.gear_teeth],
        ]
        waves = np.concatenate([np.ones((cycle.length, 1)), *both], axis=1)
        return cls(model=model, prior=prior, gear=gear, pinion=pinion, waves=waves)

    def left(self, plan: Integers) -> Floats:
        """Covariance of the pattern that a plan leaves, shape (m, m)."""
        gear, pinion = self.model.pick(plan)
        across = self.prior[:, gear] + self.prior[:, pinion]
        data = across[gear] + across[pinion]
        data[np.diag_indices(len(plan))] += READING_UM**2
        return np.asarray(self.prior - across @ np.linalg.solve(data, across.T))

    def variance(self, left: Floats) -> Floats:
        """Variance of prediction at every engagement of the mesh cycle."""
        diagonal = np.diag(left)
        return np.asarray(diagonal[self.gear] + diagonal[self.pinion] + 2.0 * left[self.gear, self.pinion])

    def worst_variance(self, plan: Integers) -> float:
        """Largest variance of prediction that a plan leaves over the mesh cycle, µm²."""
        return float(self.variance(self.left(plan)).max())

    def plain_inverse(self, plan: Integers) -> Floats:
        """Inverse information of the plain once-per-turn fit, shape (5, 5)."""
        rows = self.waves[plan]
        return np.asarray(np.linalg.inv(rows.T @ rows + RIDGE * np.eye(rows.shape[1])))

    def plain_variance(self, plan: Integers) -> float:
        """Largest variance of the plain fit over the mesh cycle, in units of the variance of one reading."""
        return float(np.einsum("ki,ij,kj->k", self.waves, self.plain_inverse(plan), self.waves).max())

    def score(self, plan: Integers, plain_to_beat: float) -> float:
        """Worst variance, raised when the plain fit's worst variance is above the one to beat."""
        worst, plain = np.array(self.worst_variance(plan)), np.array(self.plain_variance(plan))
        return float(_penalised(worst, plain, plain_to_beat))


def grow(model: PlanModel, count: int, reach: int) -> Integers:
    """A plan grown from the matched teeth: the next position is where the prediction is worst."""
    plan = [0]
    left = model.left(np.array(plan))
    while len(plan) < count:
        variance = model.variance(left)[: reach + 1]
        variance[plan] = -1.0
        best = int(variance.argmax())
        column = left[:, model.gear[best]] + left[:, model.pinion[best]]
        left = left - np.outer(column, column) / (variance[best] + READING_UM**2)
        plan.append(best)
    return np.sort(np.array(plan, dtype=np.int64))


def improve(model: PlanModel, start: Integers, reach: int, plain_to_beat: float) -> Integers:
    """Exchange positions, the first excepted, as long as the score falls."""
    generator = np.random.default_rng(SEED)
    plan = start.copy()
    best = model.score(plan, plain_to_beat)
    for _ in range(MOST_PASSES):
        before = best
        for place in generator.permutation(np.arange(1, len(plan))):
            rest = np.delete(plan, place)
            candidates = np.setdiff1d(np.arange(reach + 1), rest, assume_unique=True)
            if len(candidates) > MOST_CANDIDATES:
                candidates = generator.choice(candidates, MOST_CANDIDATES, replace=False)
            candidate, score = _best_addition(model, rest, candidates, best, plain_to_beat)
            if score < best * (1.0 - 1e-9):
                trial = np.append(rest, candidate)
                score = model.score(trial, plain_to_beat)
                if score < best:
                    plan, best = trial, score
        if best > before * 0.999:
            break
    return np.sort(plan)


def _best_addition(
    model: PlanModel, rest: Integers, candidates: Integers, best: float, plain_to_beat: float
) -> tuple[int, float]:
    """The candidate that, added to `rest`, gives the lowest score, and that score.

    Adding a position lowers every variance v_k by c_kx² / (u² + v_x); only engagements now above what is to
    beat can decide.  The score is never below the worst variance, so that candidates whose worst variance is
    not below the score to beat are left out.
    """
    left = model.left(rest)
    variance = model.variance(left)
    rows = _highest(variance, best)
    seen = left[model.gear[rows]] + left[model.pinion[rows]]
    shared = seen[:, model.gear[candidates]] + seen[:, model.pinion[candidates]]
    worst = _worst_after(variance[rows], shared, variance[candidates] + READING_UM**2)
    keep = np.argsort(worst, kind="stable")[:MOST_COMPARED]
    keep = keep[worst[keep] < best]
    if not len(keep):
        return int(candidates[0]), np.inf
    candidates, worst = candidates[keep], worst[keep]
    projected = model.waves @ model.plain_inverse(rest)
    plain = np.einsum("ki,ki->k", projected, model.waves)
    rows = _highest(plain, plain_to_beat)
    shared = projected[rows] @ model.waves[candidates].T
    scores = _penalised(worst, _worst_after(plain[rows], shared, plain[candidates] + 1.0), plain_to_beat)
    chosen = int(scores.argmin())
    return int(candidates[chosen]), float(scores[chosen])


def _highest(variance: Floats, above: float) -> Integers:
    """Where the variance is above a value, the highest at least and `MOST_ROWS` at most."""
    rows = np.flatnonzero(variance > above)
    if not len(rows):
        return np.array([variance.argmax()])
    if len(rows) > MOST_ROWS:
        rows = rows[np.argpartition(variance[rows], -MOST_ROWS)[-MOST_ROWS:]]
    return rows


def _worst_after(variance: Floats, shared: Floats, total: Floats) -> Floats:
    return np.asarray((variance[:, np.newaxis] - np.square(shared) / total).max(axis=0))


def _penalised(worst: Floats, plain: Floats, plain_to_beat: float) -> Floats:
    return np.asarray(worst * (1.0 + PENALTY * np.maximum(plain / plain_to_beat - 1.0, 0.0)))
