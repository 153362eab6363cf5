"""An uncertainty budget as plain values for the result document; `result_keys.py` documents its keys."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from lashmap_analysis.uncertainty import Budget

Json = dict[str, Any]


def budget_document(budget: Budget | None) -> Json | None:
    """Turn a budget into nested plain values; None when there is none."""
    if budget is None:
        return None
    return {
        "combined_standard_uncertainty_mm": budget.combined_mm,
        "degrees_of_freedom": budget.degrees_of_freedom,
        "coverage_factor": budget.coverage_factor,
        "expanded_uncertainty_mm": budget.expanded_mm,
        "lines": [
            {
                "quantity": line.quantity,
                "value": line.value,
                "distribution": line.distribution,
                "standard_uncertainty_mm": line.standard_uncertainty_mm,
                "degrees_of_freedom": line.degrees_of_freedom,
                "source": line.source,
            }
            for line in budget.lines
        ],
    }
