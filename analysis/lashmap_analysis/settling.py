"""What would settle an open verdict: what to confirm, and what would narrow the interval most.

Decided here: words and their order, by the share each line has in the budget. How many positions would do is
forecast in `confirming.py`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from lashmap_analysis.cause import place
from lashmap_analysis.confirming import positions_to_settle
from lashmap_analysis.tight_spot_result import set_up_mm

if TYPE_CHECKING:
    from lashmap_analysis.lash_map import LashMap
    from lashmap_analysis.record import TestRecord
    from lashmap_analysis.uncertainty import Budget
    from lashmap_analysis.verdict import Interval

# Below a tenth of the variance a remedy changes the interval by less than a twentieth: not worth an evening.
WORTH_WHILE = 0.1


def narrowing_steps(
    lash_map: LashMap, budget: Budget, interval_mm: Interval, record: TestRecord
) -> tuple[str, ...]:
    """List what would settle the tight spot against the limits.

    First how many more positions would do, if any number would; then what narrows the interval, the largest
    share of the variance first.

    Args:
        lash_map: The fitted map.
        budget: Of its tight spot.
        interval_mm: Of its tight spot, at 95 %.
        record: The test record, for limits and the indicator's resolution.

    Returns:
        Nothing when no limit on the tight spot lies within the interval.
    """
    total = budget.combined_mm**2
    least, most = normal_limits(record)
    low, high = interval_mm
    if total <= 0 or not any(low < limit < high for limit in (least, most) if limit is not None):
        return ()
    count = positions_to_settle(lash_map, least, most, set_up_mm(budget))
    steps = []
    if count:
        noun = "position" if count == 1 else "positions"
        steps.append(f"About {count} more well-chosen {noun} would do, if they read as predicted.")
    elif count is None:
        steps.append("More positions alone will not do.")
    for line in sorted(budget.lines, key=lambda one: -one.standard_uncertainty_mm):
        share = line.standard_uncertainty_mm**2 / total
        if line.remedy and share >= WORTH_WHILE:
            steps.append(
                f"{_capital(line.remedy)}: {line.quantity} makes {100 * share:.0f} % of the variance."
            )
            if line is budget.lines[0] and _is_coarse(lash_map, record):
                steps.append("Use an indicator with a finer resolution.")
    return tuple(steps)


def normal_limits(record: TestRecord) -> tuple[float | None, float | None]:
    """Least and most normal backlash allowed at the tight spot, in mm; None where the drawing has none."""
    scale = 1.0 if record.limits.kind == "normal" else record.gear_set.normal_per_transverse
    least, most = record.limits.minimum_mm, record.limits.maximum_mm
    return None if least is None else least * scale, None if most is None else most * scale


def confirm_step(lash_map: LashMap) -> str:
    """Say where to go to confirm the tight spot."""
    spot = lash_map.tight_spot.engagement
    where = place(lash_map.gear_set, spot)
    return f"Measure a confirming position at the tight spot, engagement {spot}: {where}."


def _is_coarse(lash_map: LashMap, record: TestRecord) -> bool:
    """The display step, rectangular, is most of the map's own standard uncertainty."""
    step = record.indicator.resolution_mm * record.indicator.normal_per_reading(record.gear_set)
    return step / 12**0.5 > lash_map.tight_spot.standard_uncertainty_mm / 2


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
