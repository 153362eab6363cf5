"""Probability that a limit is kept (JCGM 106:2012), from the map's posterior and the set-up's uncertainty.

Decided here: how that probability comes about.  It is a figure beside the verdict and decides nothing; teeth
that no position touched are not in it (`judge/untouched.py`).
"""

from __future__ import annotations

from math import erf, sqrt
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.judge.assessment import Conformance
from lashmap_analysis.judge.settling import normal_limits
from lashmap_analysis.judge.tight_spot import relative_scaling, set_up_mm

if TYPE_CHECKING:
    from lashmap_analysis.lash_map.lash_map import LashMap
    from lashmap_analysis.record.record import TestRecord
    from lashmap_analysis.uncertainty.budget import Budget


Floats = NDArray[np.float64]


def conformance(lash_map: LashMap, budget: Budget, record: TestRecord) -> Conformance:
    """Work it out for a map; `budget` is that of its tight spot as it is held against the limits."""
    least, most = normal_limits(record)
    set_up = set_up_mm(budget)
    draws, variation = lash_map.least_draws_mm, lash_map.variation_draws_mm
    if not len(draws):
        return Conformance()
    scale = 1.0 if record.limits.kind == "normal" else record.gear_set.normal_per_transverse
    widest = None if record.limits.variation_mm is None else record.limits.variation_mm * scale
    # What scales every reading scales the variation with them; what shifts them all alike does not.
    relative = relative_scaling(lash_map, budget)
    return Conformance(
        minimum=None if least is None else kept(draws, set_up, low=least),
        maximum=None if most is None else kept(draws, set_up, high=most),
        variation=None
        if widest is None
        else kept(variation, relative * abs(lash_map.variation_mm), high=widest),
    )


def kept(draws: Floats, deviation: float, *, low: float | None = None, high: float | None = None) -> float:
    """Probability that a quantity lies within a tolerance.

    JCGM 106:2012, 7.2 to 7.4: the integral of its density over the tolerance interval, Φ((T_U − y) / u) −
    Φ((T_L − y) / u) for a normal one; here its mean over equally likely values, each with a normal deviation.

    Args:
        draws: Equally likely values, shape (d,).
        deviation: Standard deviation of an independent normal error that all share; may be 0.
        low: Lower limit, or None.
        high: Upper limit, or None.
    """
    above = 1.0 if high is None else _mean_below(high - draws, deviation)
    return above - (0.0 if low is None else _mean_below(low - draws, deviation))


def _mean_below(room: Floats, deviation: float) -> float:
    if deviation <= 0.0:
        return float(np.mean(room >= 0.0))
    return float(np.mean([0.5 * (1.0 + erf(one / deviation / sqrt(2.0))) for one in room.tolist()]))
