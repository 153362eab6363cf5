"""The uncertainty budget of the stated tight spot, line by line."""

from __future__ import annotations

from lashmap_analysis.facts.figure import TEST, Group, Section, Table, number, numbered, place, text

QUANTITY = text("quantity", "what is uncertain")
VALUE = text("value", "its figure as text with unit")
DISTRIBUTION = text("distribution", "'normal', 'rectangular' or 't'")
CONTRIBUTION = number("standard_uncertainty_mm", "contribution to the stated backlash", required=True)
FREEDOM = number("degrees_of_freedom", "of that contribution; null when infinite")
SOURCE = text("source", "where the figure comes from")
BUDGET = (
    number("combined_standard_uncertainty_mm", "root sum of squares of the lines", "combined_mm"),
    number("degrees_of_freedom", "effective (Welch-Satterthwaite); null when infinite"),
    number("coverage_factor", "k at 95 %"),
    number("expanded_uncertainty_mm", "expanded uncertainty at 95 %", "expanded_mm"),
    Group(
        "lines",
        "contributions in the order they are shown",
        (QUANTITY, VALUE, DISTRIBUTION, CONTRIBUTION, FREEDOM, SOURCE),
        many=True,
    ),
)
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
                DISTRIBUTION.under("1"),
                CONTRIBUTION.under("1"),
                FREEDOM.under("1", meaning="of that contribution; missing when infinite"),
                SOURCE.under("1"),
            ),
            rows=lambda assessment: numbered(assessment.budget.lines if assessment.budget else ()),
        ),
    ),
)
