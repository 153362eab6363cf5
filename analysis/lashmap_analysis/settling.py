"""What would settle an open verdict: what to confirm, and what would narrow the interval most.

Decided here: words and their order, by the share each line has in the budget.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from lashmap_analysis.cause import place

if TYPE_CHECKING:
    from lashmap_analysis.lash_map import LashMap
    from lashmap_analysis.record import TestRecord
    from lashmap_analysis.uncertainty import Budget

# Below a tenth of the variance a remedy changes the interval by less than a twentieth: not worth an evening.
WORTH_WHILE = 0.1


def narrowing_steps(lash_map: LashMap, budget: Budget, record: TestRecord) -> tuple[str, ...]:
    """List what would narrow the interval, the largest share of the variance first.

    Args:
        lash_map: The fitted map.
        budget: Of its tight spot.
        record: The test record, for the indicator's resolution.
    """
    total = budget.combined_mm**2
    if total <= 0:
        return ()
    steps = []
    for line in sorted(budget.lines, key=lambda one: -one.standard_uncertainty_mm):
        share = line.standard_uncertainty_mm**2 / total
        if line.remedy and share >= WORTH_WHILE:
            steps.append(f"{_capital(line.remedy)}: it makes {100 * share:.0f} % of the variance.")
            if line is budget.lines[0] and _is_coarse(lash_map, record):
                steps.append("Use an indicator with a finer resolution.")
    return tuple(steps)


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
