"""The budget of a backlash: what the rocks leave open, what the set-up adds, and what the mesh's state adds.

Decided here: which lines the budget of a stated normal backlash has. How they combine is
`uncertainty/budget.py`, what each part of the set-up contributes is `uncertainty/set_up.py`, and
temperature, end play, torque and roll are `uncertainty/mesh_state.py`.
"""

from __future__ import annotations

from math import inf, isfinite
from typing import TYPE_CHECKING

from lashmap_analysis.record.conditions import NOTHING_RECORDED
from lashmap_analysis.record.lengths import format_length
from lashmap_analysis.uncertainty.budget import Budget, BudgetLine, combine
from lashmap_analysis.uncertainty.mesh_state import mesh_lines
from lashmap_analysis.uncertainty.set_up import set_up_lines

if TYPE_CHECKING:
    from lashmap_analysis.gears.gear_set import GearSet
    from lashmap_analysis.gears.indicator import Indicator
    from lashmap_analysis.record.conditions import Conditions
    from lashmap_analysis.record.record import Units


def budget(
    *,
    gear_set: GearSet,
    indicator: Indicator,
    conditions: Conditions = NOTHING_RECORDED,
    normal_backlash_mm: float,
    random_standard_uncertainty_mm: float,
    random_degrees_of_freedom: float = inf,
    units: Units = "mm",
    over_roll: bool = False,
) -> Budget:
    """Budget of a normal backlash at the outer pitch radius.

    Resolution has no line of its own: the standard uncertainty of a rock already holds it, and a second line
    would count it twice.

    Args:
        gear_set: The gear set under test.
        indicator: The indicator and its set-up.
        conditions: How the box was when it was tested.
        normal_backlash_mm: The stated backlash.
        random_standard_uncertainty_mm: What repeating the rocks would scatter, fit of the lash map and
            resolution included, as normal backlash.
        random_degrees_of_freedom: Of that; infinite when it is a posterior that has its own doubt inside.
        units: Unit the figures in the table are written in.
        over_roll: The backlash is the least of a cycle run, the roll within a pitch included.

    Returns:
        The combined budget at 95 %.

    Raises:
        ValueError: An uncertainty or degrees of freedom that is negative or not a number.
        IndicatorError: The tip touches no tooth.
    """
    line = random_line(
        normal_backlash_mm=normal_backlash_mm,
        standard_uncertainty_mm=random_standard_uncertainty_mm,
        degrees_of_freedom=random_degrees_of_freedom,
        units=units,
        over_roll=over_roll,
    )
    fixed = fixed_lines(gear_set, indicator, conditions, normal_backlash_mm, units=units, over_roll=over_roll)
    return combine((line, *fixed))


def fixed_lines(
    gear_set: GearSet,
    indicator: Indicator,
    conditions: Conditions,
    normal_backlash_mm: float,
    *,
    units: Units = "mm",
    over_roll: bool = False,
) -> tuple[BudgetLine, ...]:
    """List what sits in every reading alike: the indicator's set-up, then the state of the mesh.

    What scales with the backlash scales with the one that was rocked, before its corrections.

    Raises:
        IndicatorError: The tip touches no tooth.
    """
    of_mesh = mesh_lines(gear_set, indicator, conditions, units=units, over_roll=over_roll)
    rocked_mm = normal_backlash_mm - sum(line.correction_mm for line in of_mesh)
    return (*set_up_lines(gear_set, indicator, rocked_mm, units=units), *of_mesh)


def random_line(
    *,
    normal_backlash_mm: float,
    standard_uncertainty_mm: float,
    degrees_of_freedom: float,
    units: Units,
    over_roll: bool = False,
) -> BudgetLine:
    """The line for what repeating leaves open: rocks and the fit of the lash map, or a cycle run."""
    quantity, source, remedy = _OF_CYCLE if over_roll else _OF_ROCKS
    return BudgetLine(
        quantity=quantity,
        value=format_length(normal_backlash_mm, units),
        distribution="t" if isfinite(degrees_of_freedom) else "normal",
        standard_uncertainty_mm=standard_uncertainty_mm,
        degrees_of_freedom=degrees_of_freedom,
        source=source,
        remedy=remedy,
    )


_OF_ROCKS = (
    "rocks and fit of the lash map",
    (
        "scatter of the reversals, resolution of the indicator included, and of the tooth-to-tooth "
        "part of the lash map (type A)"
    ),
    "record more positions, and more reversals at each",
)
_OF_CYCLE = (
    "cycle run and the rocks that tie it",
    (
        "scatter of the passes, least over all engagements and the roll included, and of the rocks, "
        "setting of the tip included (type A)"
    ),
    "rock at more places, and run another pair of passes",
)
