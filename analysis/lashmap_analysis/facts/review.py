"""What stands beside what was recorded: the stored result, what reviewers left out, what they signed.

Beside it, never instead of it: the result itself is that of everything that was recorded.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from lashmap_analysis.charts.lash_map import lash_view, map_chart, whole_cycle
from lashmap_analysis.charts.svg import cut_to
from lashmap_analysis.facts.section import (
    TEST,
    Block,
    Chapter,
    Grid,
    Group,
    Head,
    Heading,
    Picture,
    Section,
    Table,
    Words,
    number,
    numbered,
    place,
    rows_of,
    text,
    whole,
    yes_no,
)
from lashmap_analysis.facts.tight_spot import BUDGET, SIGNED, budget_blocks
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.judge.review import interval_words, length_words, stated_words
from lashmap_analysis.record.record import Exclusion, SignOff, StoredResult, Units, moment

NAMES = (
    "verdict",
    "tightest normal backlash",
    "95 % interval",
    "at engagement",
    "confirmed",
    "usable positions",
    "analysis",
)


@dataclass(frozen=True, kw_only=True)
class ReviewColumn:
    """One result as text; `cells` follow `NAMES`."""

    heading: str
    cells: tuple[str, ...]


def review_columns(assessment: Assessment) -> tuple[tuple[str, ...], tuple[ReviewColumn, ...]]:
    """List the results of a test that was reviewed.

    Args:
        assessment: With its review; without one there is one column.

    Returns:
        Names of the rows, and a column for each result: stored when the test ran (when it was), recomputed
        from what was recorded, reviewed (when something is left out). One table for terminal and report.
    """
    review, units = assessment.review, assessment.record.units
    columns = []
    if review is not None and review.stored is not None:
        columns.append(ReviewColumn(heading="stored when run", cells=_stored(review.stored, units)))
    columns.append(ReviewColumn(heading="as recorded", cells=_found(assessment)))
    if review is not None and review.reviewed is not None:
        columns.append(ReviewColumn(heading="as reviewed", cells=_found(review.reviewed)))
    return NAMES, tuple(columns)


def _stored(stored: StoredResult, units: Units) -> tuple[str, ...]:
    return (
        stored.outcome,
        length_words(stored.normal_backlash_mm, units),
        interval_words(stored.interval_mm, units),
        "none" if stored.engagement is None else str(stored.engagement),
        "yes" if stored.confirmed else "no",
        f"{stored.usable} of {stored.positions}",
        stored.analysis_version,
    )


def _found(assessment: Assessment) -> tuple[str, ...]:
    return (
        assessment.verdict.outcome,
        *stated_words(assessment.stated, assessment.record.units),
        "yes" if assessment.confirmed else "no",
        f"{assessment.usable} of {len(assessment.positions)}",
        assessment.version,
    )


_LINES, _LINE = 3, 150  # of the first page

STORED = (
    text("analysis_version", "version that found it"),
    text("utc", "when it was stored"),
    text("outcome", "of its verdict"),
    whole("engagement", "of the stated tight spot; null when none was stated", required=False),
    number("normal_backlash_mm", "stated then"),
    number("interval_low_mm", "lower end of its interval at 95 %", "interval_mm.0"),
    number("interval_high_mm", "upper end", "interval_mm.1"),
    yes_no("confirmed", "true when the tight spot was confirmed"),
    whole("positions", "positions recorded"),
    whole("usable", "positions that gave a reading"),
)
EXCLUSION = (
    whole("number", "from 1"),
    whole("position", "number of the position"),
    whole(
        "reversal", "number of the reversal in the rock, from 1; null for the whole position", required=False
    ),
    number(
        "start_s", "end of the dwell before the reversal, seconds from the start of the test", "window_s.0"
    ),
    number("end_s", "start of the dwell after it", "window_s.1"),
    text("reason", "why"),
    text("by", "who"),
    text("utc", "when"),
    yes_no("holds", "false when it was taken back", lambda one: one.undone is None),
    text("undone_by", "who took it back; null while it holds", "undone.0"),
    text("undone_utc", "when", "undone.1"),
    text("undone_reason", "why", "undone.2"),
)
REVIEWED = (
    text("outcome", "outcome of the verdict without what reviewers excluded", "verdict.outcome"),
    text("reasons", "of its verdict", "verdict.reasons"),
    whole(
        "engagement",
        "of the tight spot without the excluded; null when none is stated",
        "stated.engagement",
        required=False,
    ),
    number("normal_backlash_mm", "stated without what reviewers excluded", "stated.normal_backlash_mm"),
    number(
        "standard_uncertainty_mm", "combined standard uncertainty of that", "stated.standard_uncertainty_mm"
    ),
    number(
        "expanded_uncertainty_mm", "expanded uncertainty of that at 95 %", "stated.expanded_uncertainty_mm"
    ),
    number("interval_low_mm", "lower end of the interval of that at 95 %", "stated.interval_mm.0"),
    number("interval_high_mm", "upper end", "stated.interval_mm.1"),
    yes_no("confirmed", "true when its tight spot is confirmed"),
    whole("positions", "positions that are not excluded", lambda one: len(one.positions)),
    whole("usable", "those of them that gave a reading"),
)
SIGN_OFF = (
    text("by", "who"),
    text("utc", "when"),
    text("analysis_version", "version that was looked at"),
    text("outcome", "reviewed outcome that was signed for"),
    text("recorded_outcome", "outcome of what was recorded, at that time"),
    text("exclusions", "numbers of the exclusions that held", joined="; "),
    text("remark", "what else was said"),
    whole("engagement", "of the tight spot that was signed for; null when none was kept", required=False),
    number("normal_backlash_mm", "signed for"),
    number("interval_low_mm", "lower end of its interval at 95 %", "interval_mm.0"),
    number("interval_high_mm", "upper end", "interval_mm.1"),
)
_BUDGET = Group("budget", "uncertainty of that; null when nothing is stated", BUDGET)


def _reviewed(assessment: Assessment) -> tuple[Assessment, ...]:
    review = assessment.review
    return (review.reviewed,) if review is not None and review.reviewed is not None else ()


@dataclass(frozen=True, kw_only=True)
class ReviewOnFront:
    """A review in short, for the page to sign.

    Attributes:
        beside: True when other results stand beside the one as recorded.
        otherwise: The outcome as reviewed where it is another than as recorded; else empty.
        blocks: What is said of it.
        reviewer: Name and date for the signature line; empty when no signature covers the result.
    """

    beside: bool
    otherwise: str
    blocks: tuple[Block, ...]
    reviewer: str


def review_on_front(assessment: Assessment) -> ReviewOnFront | None:
    """What the first page says of a review; None when nothing is left out, signed or changed."""
    review = assessment.review
    if review is None or not review.seen:
        return None
    lines = [_exclusion(one) for one in review.holding]
    lines += [review.changes[0]] if len(review.changes) > 1 else []
    shown = lines if len(lines) <= _LINES else [*lines[: _LINES - 1], "And more, in full in the evidence."]
    table = _results(assessment, 4)
    last = review.sign_offs[-1] if review.sign_offs and review.covers else None
    outcomes = [one.verdict.outcome for one in _reviewed(assessment)]
    return ReviewOnFront(
        beside=len(table.heads) > 2,
        otherwise=next((one for one in outcomes if one != assessment.verdict.outcome), ""),
        blocks=(
            table,
            *(Words(cut_to(line, _LINE), "small") for line in shown),
            *_signed(cut_to(review.signed, _LINE)),
        ),
        reviewer=cut_to(f"{last.by}, {last.utc[:10]}", 44) if last is not None else "",
    )


def _chapters(assessment: Assessment) -> Iterator[Chapter]:
    """Everything that stands beside what was recorded; nothing when nobody has looked."""
    review = assessment.review
    if review is None:
        return
    reviewed = review.reviewed
    lines = (
        *review.changes,
        *(_exclusion(one) for one in review.exclusions),
        *(_sign_off(one) for one in review.sign_offs),
        *(f"As reviewed: {reason}" for reason in (reviewed.verdict.reasons if reviewed else ())),
    )
    blocks: list[Block] = [_results(assessment), *(Words(line, "small") for line in lines)]
    if reviewed is not None and (view := lash_view(reviewed)) is not None:
        picture = map_chart(
            view,
            whole_cycle(view),
            name="as-reviewed",
            title="Lash map as reviewed, over the mesh cycle",
            description="The lash map without what is left out in review.",
        )
        blocks += [Heading("Lash map as reviewed"), Picture(picture)]
    if reviewed is not None and (budget := budget_blocks(reviewed)):
        blocks += [Heading("Uncertainty of the tight spot as reviewed"), *budget]
    yield Chapter("Stored result and review", "review-in-full", (*blocks, *_signed(review.signed)))


def _results(assessment: Assessment, most: int | None = None) -> Grid:
    """The results side by side."""
    names, columns = review_columns(assessment)
    return Grid(
        "Results side by side; what a reviewer leaves out stays in the record",
        (Head("", 1.2), *(Head(column.heading) for column in columns)),
        rows_of((name, *(column.cells[at] for column in columns)) for at, name in enumerate(names[:most])),
        "whole",
    )


def _signed(words: str) -> tuple[Words, ...]:
    return (Words(words, "strong"),) if words else ()


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


SECTION = Section(
    figures=(
        Group(
            "review",
            "what stands beside this result; null when it was assessed without a logbook",
            (
                Group("stored", "the result stored when the test ran; null when none was", STORED),
                text("changes", "what differs from the stored result and why, as sentences"),
                Group(
                    "exclusions",
                    "what reviewers left out, in order; also what was taken back",
                    EXCLUSION,
                    many=True,
                ),
                Group(
                    "reviewed",
                    "the result without what is excluded; null when nothing is",
                    (*REVIEWED, _BUDGET),
                ),
                Group("sign_offs", "signatures of reviewers, in order", SIGN_OFF, many=True),
                SIGNED,
            ),
        ),
    ),
    tables=(
        Table(
            name="reviewed_results",
            meaning="one test, when something is excluded: what is concluded without that",
            key=("test",),
            columns=(TEST, *REVIEWED),
            rows=_reviewed,
        ),
        Table(
            name="exclusions",
            meaning="one position or reversal that a reviewer left out; also what was taken back",
            key=("test", "number"),
            columns=(TEST, *EXCLUSION),
            rows=lambda assessment: assessment.review.exclusions if assessment.review else (),
        ),
        Table(
            name="signatures",
            meaning="one signature of a reviewer",
            key=("test", "line"),
            columns=(
                TEST,
                place("its place among the signatures, from 1"),
                *(one.under("1") for one in SIGN_OFF),
            ),
            rows=lambda assessment: numbered(assessment.review.sign_offs if assessment.review else ()),
        ),
    ),
    chapters=_chapters,
)
