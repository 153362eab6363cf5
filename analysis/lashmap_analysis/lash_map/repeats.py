"""Repeatability between settings of the tip: what no single rock sees.

Between two positions the tip is set anew, the torque is another, the teeth roll at another phase.  A rock
shows its own scatter only; engagements that come again in a test show the rest.  Decided here: how that is
stated, once from the map's posterior, in which every reading and the prior speak, and once in the classical
way from repeats alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.lash_map.model import SETTING, Priors

if TYPE_CHECKING:
    from lashmap_analysis.lash_map.posterior import PatternPosterior


Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
MM_PER_UM = 1e-3
BELIEVED_MM = MM_PER_UM * Priors().setting_um[0]
"""Standard deviation between settings where no map has told it."""


@dataclass(frozen=True, kw_only=True)
class SettingScatter:
    """Standard deviation from one setting of the tip to the next.

    Attributes:
        standard_deviation_mm: Median of the map's posterior.
        interval_mm: (low, high) at 95 % of that posterior.
        root_mean_square_mm: Of that posterior: what a reading's standard uncertainty contains.
        pooled_mm: Pooled standard deviation of the readings of engagements measured more than once, about
            each engagement's mean; contains the rocks' own scatter.  NaN without repeats.
        degrees_of_freedom: Of `pooled_mm`: repeats beyond the first of each engagement.
    """

    standard_deviation_mm: float
    interval_mm: tuple[float, float]
    root_mean_square_mm: float
    pooled_mm: float
    degrees_of_freedom: int

    def with_reading(self, standard_uncertainty_mm: float) -> float:
        """Standard uncertainty of a reading, setting included, from that of its rock."""
        return math.hypot(standard_uncertainty_mm, self.root_mean_square_mm)


def setting_scatter(posterior: PatternPosterior, places: Integers, backlash_mm: Floats) -> SettingScatter:
    """State it for a map.

    Args:
        posterior: The fitted map's.
        places: Engagements of the readings, within one mesh cycle, shape (n,).
        backlash_mm: The readings, shape (n,).
    """
    scale = MM_PER_UM * posterior.scales[:, SETTING]
    low, median, high = np.quantile(scale, [0.025, 0.5, 0.975])
    pooled, freedom = pooled_deviation(places, backlash_mm)
    return SettingScatter(
        standard_deviation_mm=float(median),
        interval_mm=(float(low), float(high)),
        root_mean_square_mm=float(np.sqrt(np.mean(np.square(scale)))),
        pooled_mm=pooled,
        degrees_of_freedom=freedom,
    )


def pooled_deviation(places: Integers, values: Floats) -> tuple[float, int]:
    """Pooled standard deviation within groups and its degrees of freedom.

    ISO 5725-2:2019, 7.4 (*from memory*): √(Σ (x − mean of its group)² / Σ (n_group − 1)); NaN and 0 when no
    group has two members.
    """
    _, group, count = np.unique(places, return_inverse=True, return_counts=True)
    freedom = len(values) - len(count)
    if freedom == 0:
        return math.nan, 0
    means = np.bincount(group, weights=values) / count
    return math.sqrt(float(np.sum(np.square(values - means[group]))) / freedom), freedom
