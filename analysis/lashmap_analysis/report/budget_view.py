"""The uncertainty budget as text, each line with its share of the combined variance."""

from __future__ import annotations

import math
from dataclasses import dataclass

from lashmap_analysis.assessment import Assessment
from lashmap_analysis.lengths import format_spread


@dataclass(frozen=True, kw_only=True)
class BudgetRow:
    """One contribution, as text; `share` is its part of the combined variance in per cent."""

    quantity: str
    value: str
    distribution: str
    uncertainty: str
    freedom: str
    source: str
    share: int


@dataclass(frozen=True, kw_only=True)
class BudgetTotals:
    """The last lines of the budget, as text."""

    combined: str
    freedom: str
    factor: str
    expanded: str


def budget_rows(assessment: Assessment) -> tuple[BudgetRow, ...]:
    """List the contributions."""
    budget, units = assessment.budget, assessment.record.units
    if budget is None:
        return ()
    total = sum(line.standard_uncertainty_mm**2 for line in budget.lines)
    return tuple(
        BudgetRow(
            quantity=line.quantity,
            value=line.value,
            distribution=line.distribution,
            uncertainty=format_spread(line.standard_uncertainty_mm, units, with_unit=False),
            freedom=freedom(line.degrees_of_freedom),
            source=line.source,
            share=round(100 * line.standard_uncertainty_mm**2 / total) if total > 0 else 0,
        )
        for line in budget.lines
    )


def budget_totals(assessment: Assessment) -> BudgetTotals | None:
    """Write the combined and the expanded uncertainty."""
    budget, units = assessment.budget, assessment.record.units
    if budget is None:
        return None
    return BudgetTotals(
        combined=format_spread(budget.combined_mm, units, with_unit=False),
        freedom=freedom(budget.degrees_of_freedom),
        factor=f"{budget.coverage_factor:.2f}",
        expanded=format_spread(budget.expanded_mm, units),
    )


def freedom(degrees: float) -> str:
    """Write degrees of freedom: whole below, cut off rather than rounded up (GUM G.4.1)."""
    if math.isnan(degrees):
        return "–"
    return "∞" if math.isinf(degrees) or degrees > 1e6 else str(math.floor(degrees))
