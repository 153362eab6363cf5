"""Whether the readings so far settle the verdict, so that the rest of the plan need not be measured.

Decided here: when a test may stop early. Every accepted position is a look at the figures, and many looks
give chance many opportunities: therefore a look asks for 99 % where the verdict asks for 95 %, and the first
look waits until the map has enough positions to know its own scales. What that costs in wrong verdicts is
measured (`analysis/README.md`). The confirming position comes in any case, and the verdict is reached anew.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from lashmap_analysis.judge.tight_spot import (
    NORMAL_95,
    budget_against,
    from_lash_map,
    two_sided,
    variation_interval,
)
from lashmap_analysis.judge.untouched import tooth_allowance_mm, touched
from lashmap_analysis.judge.verdict import Evidence, settled

if TYPE_CHECKING:
    from lashmap_analysis.gears.indicator import Indicator
    from lashmap_analysis.judge.verdict import Interval
    from lashmap_analysis.lash_map.lash_map import LashMap
    from lashmap_analysis.record.conditions import Conditions
    from lashmap_analysis.record.record import Limits

FIRST_LOOK = 12  # positions
EACH_UNTIL, EVERY, LAST_LOOK = 48, 8, 120  # a map of many positions takes seconds to fit
NORMAL_99 = 2.575829  # normal distribution, two-sided 99 % (GUM table G.2, last row)


def looks(positions: int) -> bool:
    """Whether to look after so many accepted positions."""
    if not FIRST_LOOK <= positions <= LAST_LOOK:
        return False
    return positions <= EACH_UNTIL or positions % EVERY == 0


def may_stop(lash_map: LashMap, indicator: Indicator, conditions: Conditions, limits: Limits) -> bool:
    """Whether the verdict would be settled with the readings of this map.

    Args:
        lash_map: Of all positions accepted so far.
        indicator: The indicator and its set-up.
        conditions: How the box is while it is tested.
        limits: What the drawing allows.
    """
    if len(lash_map.engagements) < FIRST_LOOK or lash_map.outliers:  # an outlier is to be measured again
        return False
    stated, total = from_lash_map(lash_map, indicator, conditions)
    budget = budget_against(limits, total, lash_map, indicator)
    teeth = touched(lash_map.gear_set, lash_map.engagements.tolist())
    evidence = Evidence(
        interval_mm=_wider(stated.normal_backlash_mm, two_sided(lash_map, budget)),
        variation_interval_mm=_wider(lash_map.variation_mm, variation_interval(lash_map, budget)),
        untouched_mm=0.0 if teeth.every else tooth_allowance_mm(lash_map.gear_set, limits),
    )
    return settled(evidence, limits, lash_map.gear_set)


def _wider(middle_mm: float, interval_mm: Interval) -> Interval:
    """A 95 % interval as one of 99 %, each side as skewed as it was."""
    low, high = (middle_mm + NORMAL_99 / NORMAL_95 * (end - middle_mm) for end in interval_mm)
    return low, high
