"""The uncertainty budget after the GUM (JCGM 100:2008).

Decided here: what a budget is, how contributions combine and with how many degrees of freedom. Not decided
here: which contributions a backlash has (`uncertainty/backlash.py`, `uncertainty/set_up.py`).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, sqrt
from typing import TYPE_CHECKING

from lashmap_analysis.uncertainty.students_t import freedom_of, quantile

if TYPE_CHECKING:
    from collections.abc import Iterable


LEVEL = 0.95


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
        remedy: What would make it smaller, as an instruction; empty when nothing on the stand would.
        correction_mm: What was added to the stated backlash on its account.
    """

    quantity: str
    value: str
    distribution: str
    standard_uncertainty_mm: float
    degrees_of_freedom: float
    source: str
    remedy: str = ""
    correction_mm: float = 0.0


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


def combine(lines: Iterable[BudgetLine]) -> Budget:
    """Combine uncorrelated contributions.

    u_c² = Σ u_i² (GUM 5.1.2) and ν_eff = u_c⁴ / Σ (u_i⁴ / ν_i) (GUM G.4.1, eq. G.2b); U = k u_c with k from
    Student's t at ν_eff, not rounded down (GUM G.4.1 allows interpolation).

    Args:
        lines: Contributions in mm of normal backlash.

    Returns:
        The combined budget at 95 %.

    Raises:
        ValueError: A contribution is negative or not a number, or has no positive degrees of freedom.
    """
    kept = tuple(lines)
    for line in kept:
        if not 0 <= line.standard_uncertainty_mm < inf:
            raise ValueError(f"{line.quantity}: expected an uncertainty of 0 mm or more, finite")
        if not line.degrees_of_freedom > 0:
            raise ValueError(f"{line.quantity}: expected degrees of freedom above 0")
    combined = sqrt(sum(line.standard_uncertainty_mm**2 for line in kept))
    weight = sum(line.standard_uncertainty_mm**4 / line.degrees_of_freedom for line in kept)
    freedom = combined**4 / weight if weight > 0 else inf
    factor = coverage_factor(freedom)
    return Budget(
        lines=kept,
        combined_mm=combined,
        degrees_of_freedom=freedom,
        coverage_factor=factor,
        expanded_mm=factor * combined,
    )


def coverage_factor(degrees_of_freedom: float, level: float = LEVEL) -> float:
    """Two-sided coverage factor k from Student's t (GUM table G.2), or from the normal when infinite."""
    return quantile((1 + level) / 2, degrees_of_freedom)


def degrees_of_freedom_of(coverage: float, level: float = LEVEL) -> float:
    """Degrees of freedom at which Student's t has this coverage factor; infinite at or below the normal's.

    So that a 95 % band that is wider than its standard uncertainty suggests keeps its width in a budget.
    Never below 1, where the coverage factor at 95 % is 12.7.
    """
    return freedom_of((1 + level) / 2, coverage)
