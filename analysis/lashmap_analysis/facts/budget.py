"""The uncertainty budget of the stated tight spot, line by line."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from lashmap_analysis.facts.section import (
    TEST,
    Block,
    Cell,
    Chapter,
    Grid,
    Group,
    Head,
    Row,
    Section,
    Table,
    Words,
    number,
    numbered,
    place,
    text,
)
from lashmap_analysis.record.lengths import format_spread

if TYPE_CHECKING:
    from collections.abc import Iterator

    from lashmap_analysis.judge.assessment import Assessment


QUANTITY = text("quantity", "what is uncertain")
VALUE = text("value", "its figure as text with unit")
DISTRIBUTION = text("distribution", "'normal', 'rectangular' or 't'")
CORRECTION = number("correction_mm", "what was added to the stated backlash on its account", required=True)
CONTRIBUTION = number("standard_uncertainty_mm", "contribution to the stated backlash", required=True)
FREEDOM = number("degrees_of_freedom", "of that contribution; null when infinite")
SOURCE = text("source", "where the figure comes from")
REMEDY = text("remedy", "what would make it smaller; empty when nothing on the stand would")
BUDGET = (
    number("combined_standard_uncertainty_mm", "root sum of squares of the lines", "combined_mm"),
    number("degrees_of_freedom", "effective (Welch-Satterthwaite); null when infinite"),
    number("coverage_factor", "k at 95 %"),
    number("expanded_uncertainty_mm", "expanded uncertainty at 95 %", "expanded_mm"),
    Group(
        "lines",
        "contributions in the order they are shown",
        (QUANTITY, VALUE, CORRECTION, DISTRIBUTION, CONTRIBUTION, FREEDOM, SOURCE, REMEDY),
        many=True,
    ),
)
_HEADS = (
    Head("quantity", 1.8),
    Head("value", 1.7),
    Head("distribution", 0.9),
    Head("u", 0.8, right=True),
    Head("deg. of freedom", 0, right=True),
    Head("share of variance", 0),
    Head("source", 2.8),
)


def budget_blocks(assessment: Assessment) -> tuple[Block, ...]:
    """The budget as a table, each line with its share of the combined variance; nothing without one."""
    budget, units = assessment.budget, assessment.record.units
    if budget is None:
        return ()
    total = sum(line.standard_uncertainty_mm**2 for line in budget.lines)
    rows = [
        Row(
            (
                line.quantity,
                line.value,
                line.distribution,
                format_spread(line.standard_uncertainty_mm, units, with_unit=False),
                _freedom(line.degrees_of_freedom),
                _share(line.standard_uncertainty_mm**2 / total if total > 0 else 0.0),
                line.source,
            )
        )
        for line in budget.lines
    ]
    combined = format_spread(budget.combined_mm, units, with_unit=False)
    freedom, name = _freedom(budget.degrees_of_freedom), Cell("combined standard uncertainty", span=3)
    rows.append(Row((name, combined, freedom, Cell(span=2)), "total first"))
    name = Cell(f"expanded uncertainty U at 95 %, k = {budget.coverage_factor:.2f}", span=3)
    rows.append(Row((name, Cell(format_spread(budget.expanded_mm, units), span=2), Cell(span=2)), "total"))
    caption = f"Contributions to the standard uncertainty of the stated backlash, {units}"
    return (Grid(caption, _HEADS, tuple(rows), "wide whole"),)


def _share(part: float) -> Cell:
    return Cell(f"{round(100 * part)} %", share=round(100 * part))


def _freedom(degrees: float) -> str:
    """Write degrees of freedom: whole below, cut off rather than rounded up (GUM G.4.1)."""
    if math.isnan(degrees):
        return "–"
    return "∞" if math.isinf(degrees) or degrees > 1e6 else str(math.floor(degrees))


def _chapters(assessment: Assessment) -> Iterator[Chapter]:
    none = Words("No tight spot is stated, so there is no uncertainty to account for.", "missing")
    yield Chapter("Uncertainty of the tight spot", "budget", budget_blocks(assessment) or (none,))


SECTION = Section(
    figures=(Group("budget", "uncertainty of tight_spot.stated; null when nothing is stated", BUDGET),),
    tables=(
        Table(
            name="budget",
            meaning="one contribution to the uncertainty of the stated tight spot",
            key=("test", "line"),
            columns=(
                TEST,
                place("its place in the budget, from 1"),
                QUANTITY.under("1"),
                VALUE.under("1", name="figure"),
                CORRECTION.under("1"),
                DISTRIBUTION.under("1"),
                CONTRIBUTION.under("1"),
                FREEDOM.under("1", meaning="of that contribution; missing when infinite"),
                SOURCE.under("1"),
                REMEDY.under("1"),
            ),
            rows=lambda assessment: numbered(assessment.budget.lines if assessment.budget else ()),
        ),
    ),
    chapters=_chapters,
)
