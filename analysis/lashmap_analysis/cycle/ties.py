"""Rocks tie the level of the lash curve: what is added to it, how sure that is, and which rocks lie off.

Decided here: how rocks at a few engagements and what passes know of their own level are put together.  Not
decided here: the curve that they tie (`cycle/cycle.py`), and how many rocks a run needs before it judges
(`judge/cycle_run.py`).

**Few rocks.** Settings of the tip scatter, and by how much is told by the rocks beside the curve and by the
belief that a lash map starts from (`lash_map/model.py`), together: each scale of the scatter has its chance,
and the level is the mixture over all of them.  Its tails are those of Student's t, longer with fewer rocks
(derived; with a flat belief in the logarithm of the scale and equal rocks it is Student's t of n - 1 degrees
of freedom).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import erfc, hypot, inf, nan, sqrt
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.cycle.checks import CycleFlag, not_tied_flag, rocks_flag
from lashmap_analysis.cycle.estimate import Estimate
from lashmap_analysis.lash_map.model import Priors

Floats = NDArray[np.float64]

DISAGREE = 3.0
LEAST_CHANCE = 1e-15
SCALES = np.linspace(-3.5, 3.5, 57)  # of what is believed, in standard deviations
MM_PER_UM = 1e-3


@dataclass(frozen=True, kw_only=True)
class TiedRock:
    """A rock made without the brake, to tie the level of the curve.

    Attributes:
        engagement: Of any size and sign.
        transverse_mm: Its lash as outer transverse backlash.
        standard_uncertainty_mm: Of that by itself, without the scatter between settings of the tip.
    """

    engagement: int
    transverse_mm: float
    standard_uncertainty_mm: float


@dataclass(frozen=True, kw_only=True)
class Level:
    """What is added to all cells: a mixture of normal distributions, one for each scatter of the settings.

    Attributes:
        chance: Shape (n,), of each; their sum is 1.
        mean_mm: Shape (n,).
        deviation_mm: Shape (n,).
    """

    chance: Floats
    mean_mm: Floats
    deviation_mm: Floats

    @property
    def estimate(self) -> Estimate:
        """Mean and standard deviation of the mixture."""
        mean = float(self.chance @ self.mean_mm)
        variance = float(self.chance @ (self.deviation_mm**2 + (self.mean_mm - mean) ** 2))
        return Estimate(value=mean, standard_uncertainty=sqrt(variance))

    def draws_about_mean(self, count: int, rng: np.random.Generator) -> Floats:
        """Equally likely deviations from the mean, shape (count,), spread evenly over the mixture."""
        even = (np.arange(count) + 0.5) / count
        upto = np.cumsum(self.chance)
        scale = np.searchsorted(upto / upto[-1], rng.permutation(even))
        normal = np.array([NormalDist().inv_cdf(float(one)) for one in even])
        drawn = self.mean_mm[scale] + self.deviation_mm[scale] * rng.permutation(normal)
        return np.asarray(drawn - self.estimate.value)


@dataclass(frozen=True, kw_only=True)
class Tied:
    """What the rocks make of the level.

    Attributes:
        level: What is added to all cells.
        flag: That no rock ties, or that rocks and passes disagree.
        setting_mm: Standard deviation between settings of the tip, root mean square of what may be.
        apart: Shape (rocks,), how far each lies from the others, in deviations of a normal distribution of
            the same chance; NaN where the curve says nothing, 0 without others.
    """

    level: Level
    flag: CycleFlag | None
    setting_mm: float = 0.0
    apart: Floats = field(default_factory=lambda: np.empty(0))


def tie(
    rocked_mm: Floats,
    level_mm: float,
    rocks: Sequence[TiedRock],
    *,
    share_mm: float,
    normal_per_transverse: float,
) -> Tied:
    """Move the level of the curve to agree with the rocks, each side weighed by its uncertainty.

    Args:
        rocked_mm: Shape (m,), transverse lash of the curve where rocks are made, NaN where it is not known.
        level_mm: Standard uncertainty of the level of the curve before any rock.
        rocks: The rocks.
        share_mm: What sits in all rocks alike, allowed for before they are said to disagree.
        normal_per_transverse: Of the gear set: scatter between settings is believed of normal backlash.
    """
    every = np.array([one.transverse_mm - rocked_mm[one.engagement % rocked_mm.size] for one in rocks])
    apart = np.full(every.size, nan)
    usable = np.flatnonzero(np.isfinite(every))
    if not usable.size:
        loose = Level(chance=np.ones(1), mean_mm=np.zeros(1), deviation_mm=np.array([level_mm]))
        return Tied(level=loose, flag=not_tied_flag(), apart=apart)
    off = every[usable]
    own = np.array([one.standard_uncertainty_mm for one in rocks])[usable]
    median, spread = Priors().setting_um
    believed = MM_PER_UM * median / normal_per_transverse * np.exp(spread * SCALES)
    scatter = _Scatter.of(off, own, believed)
    apart[usable] = _alone(off, own, believed)
    mean = scatter.mean
    far = abs(mean.value) > DISAGREE * hypot(level_mm, mean.standard_uncertainty, share_mm)
    worst = int(apart[usable].argmax())
    disagree = far or apart[usable][worst] > DISAGREE + 1
    return Tied(
        level=scatter.level(level_mm),
        flag=rocks_flag(mean.value, float(off[worst])) if disagree else None,
        setting_mm=scatter.root_mean_square_mm,
        apart=apart,
    )


@dataclass(frozen=True, kw_only=True)
class _Scatter:
    """What the scatter between settings may be, each with its chance and the mean of the rocks it gives.

    Weighed by how well it explains the rocks, the mean integrated out (as of a lash map,
    `lash_map/repeats.py`). All have shape (n,).
    """

    chance: Floats
    deviation_mm: Floats
    mean_mm: Floats
    mean_variance_mm2: Floats

    @classmethod
    def of(cls, off: Floats, own: Floats, believed: Floats) -> _Scatter:
        """From what rocks lie off, their own uncertainties, and the scales that are believed."""
        variance = own**2 + believed[:, np.newaxis] ** 2
        total = (1 / variance).sum(axis=1)
        means = (off / variance).sum(axis=1) / total
        left = ((off - means[:, np.newaxis]) ** 2 / variance).sum(axis=1)
        log = -0.5 * (SCALES**2 + np.log(variance).sum(axis=1) + np.log(total) + left)
        chance = np.exp(log - log.max())
        return cls(
            chance=chance / chance.sum(),
            deviation_mm=believed,
            mean_mm=means,
            mean_variance_mm2=1 / total,
        )

    @property
    def mean(self) -> Estimate:
        """Mean of the rocks."""
        return self.level(inf).estimate

    def level(self, level_mm: float) -> Level:
        """The rocks and a level that is known to `level_mm` by itself."""
        share = np.ones(self.chance.size)
        if level_mm < inf:
            share = level_mm**2 / (level_mm**2 + self.mean_variance_mm2)
        return Level(
            chance=self.chance,
            mean_mm=share * self.mean_mm,
            deviation_mm=np.sqrt(share * self.mean_variance_mm2),
        )

    @property
    def root_mean_square_mm(self) -> float:
        """Of the scatter."""
        return sqrt(float(self.chance @ self.deviation_mm**2))

    def apart(self, off: float, own: float) -> float:
        """How far one more rock lies away, in deviations of a normal distribution of the same chance."""
        spread = np.sqrt(own**2 + self.deviation_mm**2 + self.mean_variance_mm2)
        beyond = [erfc(float(one)) for one in np.abs(off - self.mean_mm) / spread / sqrt(2)]
        return -NormalDist().inv_cdf(max(float(self.chance @ beyond), LEAST_CHANCE) / 2)


def _alone(off: Floats, own: Floats, believed: Floats) -> Floats:
    """How far each rock lies from the others; 0 for one without others."""
    apart = np.zeros(off.size)
    for number in range(off.size if off.size > 1 else 0):
        others = np.arange(off.size) != number
        rest = _Scatter.of(off[others], own[others], believed)
        apart[number] = rest.apart(float(off[number]), float(own[number]))
    return apart
