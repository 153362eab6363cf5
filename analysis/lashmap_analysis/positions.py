"""Where to measure: positions that make the lash map's worst prediction as good as it can be.

Decided here: the plan before anything is measured.  Where to go once readings exist is decided in
`confirming.py` and offered here too; how a plan is improved, in `exchange.py`.  The first position is always
the matched teeth, the reference from which engagements are counted, and travel goes forward only, so that
the order of travel turns the gear no further than the last position.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.confirming import confirming_positions, next_position, positions_to_settle
from lashmap_analysis.errors import FieldError, require_finite, require_whole
from lashmap_analysis.exchange import PENALTIES, PlanModel, ToBeat, grow, improve, lattice
from lashmap_analysis.lash_map import LEAST_POSITIONS
from lashmap_analysis.mesh_cycle import MeshCycle

if TYPE_CHECKING:
    from lashmap_analysis.gear_set import GearSet

__all__ = [
    "PlanError",
    "confirming_positions",
    "equal_spacing",
    "next_position",
    "plan_positions",
    "positions_to_settle",
    "worst_deviation_mm",
]

Integers = NDArray[np.int64]


class PlanError(FieldError):
    """A plan that cannot be made; see `FieldError` for the attributes."""


def plan_positions(gear_set: GearSet, count: int, turns: float) -> Integers:
    """Choose engagements that minimise the worst prediction variance over the mesh cycle.

    The variance is that of the lash map's own model, with its scales at the medians of their priors: runout,
    twice-per-turn terms and own deviations of the teeth all count.  Where possible the worst variance of a
    plain least-squares fit of the once-per-turn terms is kept at or below that of the best equal spacing.
    Plans start from a lattice and from one grown where the prediction is worst, and are improved by
    exchanging one position at a time; the result is never worse than equal spacing over one turn or over all
    the turns allowed.

    Args:
        gear_set: The gear set.
        count: Number of positions, at least 4.
        turns: Turns of the gear allowed from the first to the last position, above zero.

    Returns:
        `count` different engagements in the order of travel, rising, the first 0, the last at most
        ``turns · z2`` and below the mesh cycle; shape (count,).

    Raises:
        PlanError: `count` is too small, not whole, or more than the engagements within reach; `turns` is not
            a finite number above zero.
    """
    cycle = MeshCycle(pinion_teeth=gear_set.pinion_teeth, gear_teeth=gear_set.gear_teeth)
    reach = _reach(cycle, count, turns)
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
    return min(plans, key=lambda plan: model.score(plan, to_beat))


def equal_spacing(gear_set: GearSet, count: int, turns: float) -> Integers:
    """The plan to beat: `count` engagements spaced evenly over the turns allowed, shape (count,).

    Raises:
        PlanError: As for `plan_positions`.
    """
    cycle = MeshCycle(pinion_teeth=gear_set.pinion_teeth, gear_teeth=gear_set.gear_teeth)
    span = min(_reach(cycle, count, turns) + 1, cycle.length, math.floor(turns * cycle.gear_teeth + 1e-9))
    return _spaced(count, max(span, count))


def worst_deviation_mm(gear_set: GearSet, engagements: Integers) -> float:
    """Worst standard deviation of prediction over the mesh cycle, scales at their prior medians, in mm."""
    cycle = MeshCycle(pinion_teeth=gear_set.pinion_teeth, gear_teeth=gear_set.gear_teeth)
    model = PlanModel.of(cycle)
    return 1e-3 * math.sqrt(model.variance(model.left(engagements)).max())


def _reach(cycle: MeshCycle, count: int, turns: float) -> int:
    """Last engagement within reach."""
    require_whole(PlanError, "count", count, "a whole number of positions")
    allowed = require_finite(PlanError, "turns", turns, "a number of turns of the gear above zero")
    if allowed <= 0.0:
        raise PlanError("turns", turns, "a number of turns of the gear above zero")
    if count < LEAST_POSITIONS:
        expected = f"at least {LEAST_POSITIONS} positions: fewer do not make a lash map"
        raise PlanError("count", count, expected)
    reach = min(math.floor(allowed * cycle.gear_teeth + 1e-9), cycle.length - 1)
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
