"""The results of a test side by side: stored, recomputed, reviewed. One table for terminal and report."""

from __future__ import annotations

from dataclasses import dataclass

from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.judge.review import interval_words, length_words, stated_words
from lashmap_analysis.record.record import Units
from lashmap_analysis.record.review_record import StoredResult

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
        from what was recorded, reviewed (when something is left out).
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
