"""The budget of a backlash: what the rocks leave open, and what the indicator's set-up adds.

Decided here: which lines the budget of a stated normal backlash has. How they combine is
`uncertainty/budget.py`, what each part of the set-up contributes is `uncertainty/set_up.py`.
"""

from __future__ import annotations

from math import inf, isfinite
from typing import TYPE_CHECKING

from lashmap_analysis.record.lengths import format_length
from lashmap_analysis.uncertainty.budget import Budget, BudgetLine, combine
from lashmap_analysis.uncertainty.set_up import set_up_lines

if TYPE_CHECKING:
    from lashmap_analysis.gears.gear_set import GearSet
    from lashmap_analysis.gears.indicator import Indicator
    from lashmap_analysis.record.record import Units


def budget(
    *,
    gear_set: GearSet,
    indicator: Indicator,
    normal_backlash_mm: float,
    random_standard_uncertainty_mm: float,
    random_degrees_of_freedom: float = inf,
    units: Units = "mm",
) -> Budget:
    """Budget of a normal backlash at the outer pitch radius.

    Resolution has no line of its own: the standard uncertainty of a rock already holds it, and a second line
    would count it twice.

    Args:
        gear_set: The gear set under test.
        indicator: The indicator and its set-up.
        normal_backlash_mm: The stated backlash.
        random_standard_uncertainty_mm: What repeating the rocks would scatter, fit of the lash map and
            resolution included, as normal backlash.
        random_degrees_of_freedom: Of that; infinite when it is a posterior that has its own doubt inside.
        units: Unit the figures in the table are written in.

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
    )
    return combine((line, *set_up_lines(gear_set, indicator, normal_backlash_mm, units=units)))


def random_line(
    *,
    normal_backlash_mm: float,
    standard_uncertainty_mm: float,
    degrees_of_freedom: float,
    units: Units,
) -> BudgetLine:
    """The line for what the rocks and the fit of the lash map leave open."""
    return BudgetLine(
        quantity="rocks and fit of the lash map",
        value=format_length(normal_backlash_mm, units),
        distribution="t" if isfinite(degrees_of_freedom) else "normal",
        standard_uncertainty_mm=standard_uncertainty_mm,
        degrees_of_freedom=degrees_of_freedom,
        source="scatter of the reversals, resolution of the indicator included, and of the tooth-to-tooth "
        "part of the lash map (type A)",
        remedy="record more positions, and more reversals at each",
    )
