"""Where to measure next, and how many more positions would prove the verdict.

Decided here: the worth of a further position is how much it is expected to narrow the least backlash over the
mesh cycle.  The drawn patterns of the map serve as an ensemble: a reading at engagement k lowers the variance
of the least backlash by cov² / (var_k + u²), and its effect on every tooth follows from the same covariances
(ensemble square-root filter; Whitaker & Hamill, Monthly Weather Review 130, 2002, 1913–1924; *from memory*).
Not decided here: the plan before anything is measured (`lash_map/positions.py`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.gears.mesh_cycle import MeshCycle
from lashmap_analysis.lash_map.lash_map import LashMapError
from lashmap_analysis.lash_map.model import at_engagements

if TYPE_CHECKING:
    from lashmap_analysis.lash_map.lash_map import LashMap


Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

COVERAGE_FACTOR = 1.959964  # 95 % of a normal distribution
MOST_ADDED = 60  # beyond this an answer in positions is no longer a plan for an evening
AS_GOOD = 0.95  # of the best gain: then the tighter engagement is preferred


def next_position(lash_map: LashMap, *, leave_out: int | None = None) -> int:
    """The engagement most worth measuring next to settle the least backlash, in 0 … mesh cycle − 1.

    Args:
        lash_map: The map so far.
        leave_out: Engagement at which the gear stands, of any size and sign: a second reading there would
            have the tip as it is already set, and would tell nothing of its scatter.

    Raises:
        LashMapError: The map was made by hand.
    """
    return _Ensemble.of(lash_map).worthiest(leave_out)


def confirming_positions(lash_map: LashMap, count: int) -> Integers:
    """Engagements to confirm, shape (count,): the named tight spot, then whatever settles the minimum most.

    Each further one assumes that those before it read as predicted; `next_position` after every new fit is
    better where the sequence can be revised.

    Raises:
        LashMapError: The map was made by hand, or `count` is below one.
    """
    if count < 1:
        raise LashMapError("count", count, "at least one confirming position")
    ensemble = _Ensemble.of(lash_map)
    chosen = [lash_map.tight_spot.engagement]
    while len(chosen) < count:
        ensemble = ensemble.measured_at(chosen[-1])
        chosen.append(ensemble.worthiest())
    return np.array(chosen, dtype=np.int64)


def positions_to_settle(
    lash_map: LashMap,
    minimum_mm: float | None = None,
    maximum_mm: float | None = None,
    systematic_uncertainty_mm: float = 0.0,
) -> int | None:
    """How many more well-chosen positions would prove the tight spot inside, or outside, its limits.

    Assumes that they read as predicted; a forecast, not a promise.

    Args:
        lash_map: The map so far.
        minimum_mm: Least backlash allowed at the tight spot, or None.
        maximum_mm: Largest backlash allowed there, or None.
        systematic_uncertainty_mm: Standard uncertainty that more positions do not lower (direction, tip
            radius, calibration).

    Returns:
        0 when it is proven already; None when no number of positions (up to 60) would prove it.

    Raises:
        LashMapError: The map was made by hand.
    """
    ensemble = _Ensemble.of(lash_map)
    centre = lash_map.tight_spot.backlash_mm
    low_limit = -math.inf if minimum_mm is None else minimum_mm
    high_limit = math.inf if maximum_mm is None else maximum_mm

    def settled(map_mm: float) -> bool:
        half = COVERAGE_FACTOR * math.hypot(map_mm, systematic_uncertainty_mm)
        inside = low_limit <= centre - half and centre + half <= high_limit
        return inside or centre + half < low_limit or centre - half > high_limit

    if not settled(0.0):
        return None
    for added in range(MOST_ADDED + 1):
        if settled(1e-3 * float(ensemble.least.std())):
            return added
        ensemble = ensemble.measured_at(ensemble.worthiest())
    return None


@dataclass(frozen=True, kw_only=True)
class _Ensemble:
    """Equally likely patterns, µm: mean (m,) and deviations from it (d, m); u of one more reading."""

    cycle: MeshCycle
    mean: Floats
    deviations: Floats
    uncertainty: float

    @classmethod
    def of(cls, lash_map: LashMap) -> _Ensemble:
        if lash_map.posterior is None:
            raise LashMapError("posterior", None, "a map made by fit_lash_map")
        gear_set = lash_map.gear_set
        draws = lash_map.posterior.draws_um
        mean = draws.mean(axis=0)
        return cls(
            cycle=MeshCycle(pinion_teeth=gear_set.pinion_teeth, gear_teeth=gear_set.gear_teeth),
            mean=mean,
            deviations=draws - mean,
            uncertainty=1e3
            * lash_map.reading_uncertainty_mm(float(np.median(lash_map.standard_uncertainty_mm))),
        )

    @cached_property
    def least(self) -> Floats:
        """Least backlash over the mesh cycle in every pattern, shape (d,)."""
        patterns = self.mean + self.deviations
        teeth = self.cycle.gear_teeth
        return self.cycle.least_sums(patterns[:, :teeth], patterns[:, teeth:])

    def worthiest(self, leave_out: int | None = None) -> int:
        """The engagement whose reading lowers the variance of the least backlash most."""
        least = self.least
        gear, pinion = self.cycle.teeth(self.cycle.engagements)
        pinion = pinion + self.cycle.gear_teeth
        with_least = at_engagements((least - least.mean()) @ self.deviations / len(least), gear, pinion)
        covariance = self.deviations.T @ self.deviations / len(least)
        variance = covariance[gear, gear] + covariance[pinion, pinion] + 2.0 * covariance[gear, pinion]
        gain = np.square(with_least) / (variance + self.uncertainty**2)
        if leave_out is not None:
            gain[leave_out % self.cycle.length] = -1.0
        good = np.flatnonzero(gain >= AS_GOOD * gain.max())
        return int(good[at_engagements(self.mean, gear[good], pinion[good]).argmin()])

    def measured_at(self, engagement: int) -> _Ensemble:
        """The ensemble after a reading there that finds what was predicted."""
        gear = engagement % self.cycle.gear_teeth
        pinion = self.cycle.gear_teeth + engagement % self.cycle.pinion_teeth
        here = self.deviations[:, gear] + self.deviations[:, pinion]
        variance, error = float(here @ here) / len(here), self.uncertainty**2
        gain = here @ self.deviations / len(here) / (variance + error)
        share = 1.0 / (1.0 + math.sqrt(error / (variance + error)))
        deviations = self.deviations - share * np.outer(here, gain)
        return _Ensemble(
            cycle=self.cycle, mean=self.mean, deviations=deviations, uncertainty=self.uncertainty
        )
