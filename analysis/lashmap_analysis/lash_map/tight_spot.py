"""The tight spot, read off the posterior of the tooth patterns, and what moved it there.

Decided here: which engagement is named, the band of the least backlash, and the rule for the cause.  The band
is that of the *least* backlash over the whole mesh cycle: the minimum is taken within every drawn pattern, so
that the many engagements that compete for being the tightest are paid for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.lash_map.model import at_engagements, turn_waves

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lashmap_analysis.lash_map.model import PatternModel
    from lashmap_analysis.lash_map.once_per_turn import Separability
    from lashmap_analysis.lash_map.posterior import PatternPosterior


Floats = NDArray[np.float64]

COVERAGE = 0.95
MM_PER_UM = 1e-3
UNEXPLAINED = "one reading that nothing else explains: measure there again"
LEAST_DIP_UM = 1.0  # below the resolution of common indicators no cause is worth naming (common practice)


@dataclass(frozen=True, kw_only=True)
class TightSpot:
    """The engagement with the least backlash.

    Attributes:
        engagement: In 0 … mesh cycle − 1: the one that is expected to have the least backlash, so that the
            expected excess over the true least is as small as it can be.
        backlash_mm: Best estimate of the least backlash over the mesh cycle.
        standard_uncertainty_mm: Of that least value.
        band_mm: (low, high) at 95 %, honest for a minimum over all engagements.
    """

    engagement: int
    backlash_mm: float
    standard_uncertainty_mm: float
    band_mm: tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class Standing:
    """A tight reading that the map cannot explain and nobody has measured again: it stands as it was read.

    Attributes:
        engagement: In 0 … mesh cycle − 1.
        value_um: The reading, about the readings' middle.
        uncertainty_um: Its standard uncertainty.
    """

    engagement: int
    value_um: float
    uncertainty_um: float


@dataclass(frozen=True, kw_only=True)
class Extremes:
    """Least and largest backlash over the mesh cycle.

    Attributes:
        tight_spot: The tightest engagement.
        loosest_mm: Best estimate of the largest backlash.
        variation_mm: Best estimate of largest minus least.
        variation_uncertainty_mm: Its standard uncertainty.
        tightest_probability: Chance of every engagement to be the tightest, shape (mesh cycle,).
        least_draws_mm: Least backlash in every drawn pattern, shape (d,).
        variation_draws_mm: Largest minus least in every drawn pattern, shape (d,).
    """

    tight_spot: TightSpot
    loosest_mm: float
    variation_mm: float
    variation_uncertainty_mm: float
    tightest_probability: Floats
    least_draws_mm: Floats
    variation_draws_mm: Floats


def extremes(
    model: PatternModel, posterior: PatternPosterior, middle_mm: float, standing: Sequence[Standing] = ()
) -> Extremes:
    """Search the whole mesh cycle in every drawn pattern, and among the readings that stand."""
    teeth = model.cycle.gear_teeth
    gear, pinion = posterior.draws_um[:, :teeth], posterior.draws_um[:, teeth:]
    least, where = model.cycle.least(gear, pinion)
    most, _ = model.cycle.most(gear, pinion)
    mean = posterior.mean_um[np.newaxis]
    expected, named = model.cycle.least(mean[:, :teeth], mean[:, teeth:])
    normal = np.random.default_rng(len(least)).standard_normal(len(least))
    for reading in standing:
        read = reading.value_um + reading.uncertainty_um * normal
        where = np.where(read < least, reading.engagement, where)
        least = np.minimum(least, read)
        named = np.where(reading.value_um < expected, reading.engagement, named)
        expected = np.minimum(expected, reading.value_um)
    low, high = np.quantile(least, [(1.0 - COVERAGE) / 2.0, (1.0 + COVERAGE) / 2.0])
    return Extremes(
        tight_spot=TightSpot(
            engagement=int(named[0]),
            backlash_mm=middle_mm + MM_PER_UM * float(least.mean()),
            standard_uncertainty_mm=MM_PER_UM * float(least.std()),
            band_mm=(middle_mm + MM_PER_UM * float(low), middle_mm + MM_PER_UM * float(high)),
        ),
        loosest_mm=middle_mm + MM_PER_UM * float(most.mean()),
        variation_mm=MM_PER_UM * float((most - least).mean()),
        variation_uncertainty_mm=MM_PER_UM * float((most - least).std()),
        tightest_probability=np.bincount(where, minlength=model.cycle.length) / len(where),
        least_draws_mm=middle_mm + MM_PER_UM * least,
        variation_draws_mm=MM_PER_UM * (most - least),
    )


NOT_SETTLED = "not settled by these positions"


def cause_of(
    model: PatternModel,
    posterior: PatternPosterior,
    engagement: int,
    separable: Separability,
    *,
    stand_out: bool,
) -> str:
    """What makes this engagement tight, as a short phrase.

    The dip, mean backlash minus backlash here, is the sum of four parts: waves (once and twice per turn) and
    own tooth deviations, of either member.  Rule: ``none`` when the dip is below 1 µm; ``not settled by these
    positions`` when it is below three times its standard uncertainty (it was picked as the deepest);
    ``tooth-to-tooth`` when own deviations make more than half of it; otherwise ``gear side`` or ``pinion
    side`` for the member that brings more than two thirds, else ``both members``, which is ``not settled``
    either unless both once-per-turn parts stand out from nothing (``stand_out``).  Where the once-per-turn
    terms are merged, ``not separable`` stands for all but ``tooth-to-tooth``.
    """
    teeth = (model.cycle.gear_teeth, model.cycle.pinion_teeth)
    here = (engagement % teeth[0], teeth[0] + engagement % teeth[1])
    functional = np.zeros(sum(teeth))
    shares = []
    own = 0.0
    for member, tooth in enumerate(here):
        first = member * teeth[0]
        part = np.zeros(sum(teeth))
        part[first : first + teeth[member]] = 1.0 / teeth[member]
        part[tooth] -= 1.0
        functional += part
        pattern = posterior.mean_um[first : first + teeth[member]]
        shares.append(float(part @ posterior.mean_um))
        own += shares[-1] + _waves(pattern)[tooth - first]
    dip = sum(shares)
    uncertainty = math.sqrt(max(float(functional @ posterior.covariance_um2 @ functional), 0.0))
    settled = dip >= max(3.0 * uncertainty, LEAST_DIP_UM)
    if settled and own > 0.5 * dip:
        return "tooth-to-tooth"
    if not (separable.gear and separable.pinion):
        return "not separable"
    if not settled:
        return "none" if dip < LEAST_DIP_UM else NOT_SETTLED
    if shares[0] > 2.0 / 3.0 * dip:
        return "gear side"
    if shares[1] > 2.0 / 3.0 * dip:
        return "pinion side"
    return "both members" if stand_out else NOT_SETTLED


def _waves(pattern: Floats) -> Floats:
    """Once- and twice-per-turn parts of a member's pattern at every tooth, without its mean."""
    waves = np.concatenate([turn_waves(len(pattern), order) for order in (1, 2)], axis=1)
    return np.asarray(waves @ (waves.T @ pattern) * 2.0 / len(pattern))


def predicted(model: PatternModel, posterior: PatternPosterior, engagements: NDArray[np.int64]) -> Floats:
    """Mean (row 0) and standard deviation (row 1) at engagements, µm: shape (2, n)."""
    gear, pinion = model.pick(engagements)
    covariance = posterior.covariance_um2
    variance = covariance[gear, gear] + covariance[pinion, pinion] + 2.0 * covariance[gear, pinion]
    mean = at_engagements(posterior.mean_um, gear, pinion)
    return np.stack([mean, np.sqrt(np.maximum(variance, 0.0))])
