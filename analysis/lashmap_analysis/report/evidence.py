"""The evidence behind the first page: traces, table of positions, runout, budget, set-up.

Decided here: which figures a reviewer gets, and in which words. Nothing is concluded.
"""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from lashmap_analysis.assessment import Assessment, PositionResult
from lashmap_analysis.lengths import DECIMALS, MISSING, format_length, format_spread
from lashmap_analysis.record import Units
from lashmap_analysis.report.budget_view import BudgetRow, BudgetTotals, budget_rows, budget_totals
from lashmap_analysis.report.charts_map import around_spot, map_chart
from lashmap_analysis.report.flags_view import FlagRow, flag_rows
from lashmap_analysis.report.lash_view import LashView, lash_view
from lashmap_analysis.report.review_view import ReviewView, marks_of, review_in_full
from lashmap_analysis.report.runout_view import RunoutRow, map_facts, runout_rows, runout_words
from lashmap_analysis.report.set_up_view import Facts, provenance
from lashmap_analysis.report.sheet import map_notes
from lashmap_analysis.report.sweeps_view import SweepFigure, sweep_figures
from lashmap_analysis.report.traces_view import TraceFigure, trace_figures
from lashmap_analysis.report.words import CAUTIONS, HOW_TO_READ


@dataclass(frozen=True, kw_only=True)
class PositionRow:
    """One line of the table of positions, as text."""

    number: str
    engagement: str
    gear_angle: str
    reading: str
    backlash: str
    uncertainty: str
    reversals: str
    spread: str
    peak_to_peak: str
    encoder: str
    flags: tuple[str, ...]
    refused: bool


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """What follows the first page.

    Attributes:
        around_spot: The lash map over one gear turn with the tight spot in its middle; None when the first
            page shows that much already.
        positions: Table of positions.
        left_out: Positions without a rock, in words.
        flags: Every flag in words, equal ones together.
        traces: A small picture of each rock.
        map_facts: Figures of the lash map.
        runouts: Once-per-turn parts.
        runout_words: What can and cannot be told apart.
        sweeps: Runout sweeps.
        budget: Lines of the uncertainty budget.
        totals: Its last lines; None without a budget.
        review: What stands beside what was recorded; None when nobody has looked.
        notes: Operator's notes as (time, text).
        not_proven: What the verdict does not prove.
        provenance: Titled lists of facts.
        cautions: Standing cautions.
        how_to_read: Explanations.
    """

    around_spot: Markup | None
    positions: tuple[PositionRow, ...]
    left_out: tuple[str, ...]
    flags: tuple[FlagRow, ...]
    traces: tuple[TraceFigure, ...]
    map_facts: tuple[tuple[str, str], ...]
    runouts: tuple[RunoutRow, ...]
    runout_words: tuple[str, ...]
    sweeps: tuple[SweepFigure, ...]
    budget: tuple[BudgetRow, ...]
    totals: BudgetTotals | None
    review: ReviewView | None
    notes: tuple[tuple[str, str], ...]
    not_proven: tuple[str, ...]
    provenance: tuple[tuple[str, Facts], ...]
    cautions: tuple[str, ...]
    how_to_read: tuple[str, ...]


def evidence(assessment: Assessment) -> Evidence:
    """Gather everything after the first page."""
    record, view = assessment.record, lash_view(assessment)
    return Evidence(
        around_spot=_around_spot(view),
        positions=tuple(
            _row(p, record.units, marks_of(assessment.review, p.position)) for p in assessment.positions
        ),
        left_out=record.left_out,
        flags=flag_rows(assessment),
        traces=trace_figures(assessment),
        map_facts=map_facts(assessment),
        runouts=runout_rows(assessment),
        runout_words=runout_words(assessment),
        sweeps=sweep_figures(assessment),
        budget=budget_rows(assessment),
        totals=budget_totals(assessment),
        review=review_in_full(assessment),
        notes=tuple((f"{time_s:.0f} s", text) for time_s, text in record.notes),
        not_proven=assessment.verdict.cautions,
        provenance=provenance(assessment),
        cautions=CAUTIONS,
        how_to_read=HOW_TO_READ + (map_notes(view) if view is not None else ()),
    )


def _around_spot(view: LashView | None) -> Markup | None:
    if view is None or view.spot is None or view.cycle <= 1.5 * view.gear_teeth:
        return None
    return map_chart(
        view,
        around_spot(view, view.spot),
        name="around",
        title="Lash map over one gear turn around the tight spot",
        description=f"Engagement {view.spot.engagement} in the middle, one gear turn wide.",
        height=180.0,
    )


def _row(position: PositionResult, units: Units, more: list[str]) -> PositionRow:
    rock = position.rock
    marks = [flag.name.value for flag in position.flags]
    marks += ["outlier"] if position.outlier else []
    marks += ["confirming"] if position.purpose == "confirming" else []
    marks += [f"try {position.attempt}"] if position.attempt > 1 else []
    marks += more

    refused = position.normal_backlash_mm is None

    # What a refused rock would have read is no reading: its figures stand with its flags.
    def plain(length_mm: float | None) -> str:
        return MISSING if refused else format_length(length_mm, units, with_unit=False)

    def spread(length_mm: float | None, decimals: int) -> str:
        return MISSING if refused else format_spread(length_mm, units, decimals=decimals, with_unit=False)

    return PositionRow(
        number=str(position.position),
        engagement=str(position.engagement),
        gear_angle=f"{position.gear_angle_deg:.2f}",
        reading=plain(rock.reading_mm),
        backlash=plain(position.normal_backlash_mm),
        uncertainty=spread(position.standard_uncertainty_mm, DECIMALS[units] + 1),
        reversals=MISSING if refused else str(rock.reversals),
        spread=spread(rock.spread_mm, DECIMALS[units]),
        peak_to_peak=plain(rock.peak_to_peak_mm),
        encoder=plain(position.encoder_backlash_mm),
        flags=tuple(marks),
        refused=refused,
    )
