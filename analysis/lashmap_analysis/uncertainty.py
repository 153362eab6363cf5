"""The uncertainty budget after the GUM (JCGM 100:2008)."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class BudgetLine:
    """One contribution.

    Attributes:
        quantity: What is uncertain, in the technician's words.
        value: Its figure as text with unit, for the table.
        distribution: ``normal``, ``rectangular`` or ``t``.
        standard_uncertainty_mm: Contribution to the stated normal backlash: |sensitivity| times the
            standard uncertainty of the quantity.
        degrees_of_freedom: Of that contribution; infinite for type B.
        source: Where the figure comes from.
    """

    quantity: str
    value: str
    distribution: str
    standard_uncertainty_mm: float
    degrees_of_freedom: float
    source: str


@dataclass(frozen=True, kw_only=True)
class Budget:
    """Combined uncertainty.

    Attributes:
        lines: In the order they are shown.
        combined_mm: Combined standard uncertainty.
        degrees_of_freedom: Effective (Welch–Satterthwaite).
        coverage_factor: k at 95 %.
        expanded_mm: Expanded uncertainty at 95 %.
    """

    lines: tuple[BudgetLine, ...]
    combined_mm: float
    degrees_of_freedom: float
    coverage_factor: float
    expanded_mm: float
