"""The review as text: short on the first page when there is something to see, whole in the evidence."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from lashmap_analysis.assessment import Assessment, Review
from lashmap_analysis.report.brief import cut_to
from lashmap_analysis.report.budget_view import BudgetRow, BudgetTotals, budget_rows, budget_totals
from lashmap_analysis.report.charts_map import map_chart, whole_cycle
from lashmap_analysis.report.lash_view import lash_view
from lashmap_analysis.report.moment import moment
from lashmap_analysis.review_record import Exclusion, SignOff
from lashmap_analysis.review_table import review_columns

_LINES, _LINE = 3, 150  # of the first page


@dataclass(frozen=True, kw_only=True)
class ReviewView:
    """A review for the page.

    Attributes:
        headings: Of the results side by side.
        rows: Of their table: name, then a cell for each result.
        lines: Exclusions, changes and signatures in words.
        signed: What the last signature is worth; empty without one.
        reviewer: Name and date for the signature line; empty when no signature covers the result.
        picture: The lash map as reviewed; None on the first page and when nothing is left out.
        budget: Lines of the uncertainty budget of the result as reviewed; none on the first page.
        totals: Its last lines; None on the first page, when nothing is left out and when nothing is stated.
    """

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[str, ...]
    signed: str
    reviewer: str
    picture: Markup | None = None
    budget: tuple[BudgetRow, ...] = ()
    totals: BudgetTotals | None = None


def review_on_front(assessment: Assessment) -> ReviewView | None:
    """What the first page says of a review; None when nothing is left out, signed or changed."""
    review = assessment.review
    if review is None or not review.seen:
        return None
    whole = review_in_full(assessment)
    if whole is None:
        return None
    lines = [_exclusion(one) for one in review.holding]
    lines += [review.changes[0]] if len(review.changes) > 1 else []
    shown = lines if len(lines) <= _LINES else [*lines[: _LINES - 1], "And more, in full in the evidence."]
    return ReviewView(
        headings=whole.headings,
        rows=whole.rows[:4],
        lines=tuple(cut_to(line, _LINE) for line in shown),
        signed=cut_to(review.signed, _LINE),
        reviewer=cut_to(whole.reviewer, 44),
    )


def review_in_full(assessment: Assessment) -> ReviewView | None:
    """Everything that stands beside what was recorded; None when nobody has looked."""
    review = assessment.review
    if review is None:
        return None
    names, columns = review_columns(assessment)
    rows = tuple((name, *(column.cells[at] for column in columns)) for at, name in enumerate(names))
    last = review.sign_offs[-1] if review.sign_offs else None
    return ReviewView(
        headings=tuple(column.heading for column in columns),
        rows=rows,
        lines=(
            *review.changes,
            *(_exclusion(one) for one in review.exclusions),
            *(_sign_off(one) for one in review.sign_offs),
            *(f"As reviewed: {reason}" for reason in reviewed_reasons(review)),
        ),
        signed=review.signed,
        reviewer=f"{last.by}, {last.utc[:10]}" if last is not None and review.covers else "",
        picture=_picture(review.reviewed) if review.reviewed is not None else None,
        budget=budget_rows(review.reviewed) if review.reviewed is not None else (),
        totals=budget_totals(review.reviewed) if review.reviewed is not None else None,
    )


def reviewed_reasons(review: Review) -> tuple[str, ...]:
    """Reasons of the reviewed verdict; empty when nothing is left out."""
    return review.reviewed.verdict.reasons if review.reviewed is not None else ()


def marks_of(review: Review | None, position: int) -> list[str]:
    """What the table of positions says of exclusions that hold."""
    holding = review.holding if review is not None else ()
    return [
        "left out in review" if one.reversal is None else f"reversal {one.reversal} left out in review"
        for one in holding
        if one.position == position
    ]


def _picture(reviewed: Assessment) -> Markup | None:
    view = lash_view(reviewed)
    if view is None:
        return None
    return map_chart(
        view,
        whole_cycle(view),
        name="as-reviewed",
        title="Lash map as reviewed, over the mesh cycle",
        description="The lash map without what is left out in review.",
    )


def _exclusion(one: Exclusion) -> str:
    said = f"Exclusion {one.number}: {one.what}, left out by {one.by}, {moment(one.utc)}: {one.reason}"
    if one.undone is None:
        return said
    by, utc, reason = one.undone
    return f"{said} (taken back by {by}, {moment(utc)}: {reason})"


def _sign_off(one: SignOff) -> str:
    numbers = ", ".join(map(str, one.exclusions)) or "none"
    remark = f" {one.remark}" if one.remark else ""
    return (
        f"Signed off by {one.by}, {moment(one.utc)}, as {one.outcome} (as recorded: {one.recorded_outcome}), "
        f"exclusions: {numbers}, analysis {one.analysis_version}.{remark}"
    )
