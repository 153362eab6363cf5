"""Reviews made up for the tests; invented people and reasons."""

from __future__ import annotations

from dataclasses import replace

from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.judge.review import review, window_of
from lashmap_analysis.record.record import Exclusion, SignOff, StoredResult


def stored_of(assessment: Assessment, *, version: str | None = None) -> StoredResult:
    """What would have been stored for an assessment."""
    spot = assessment.stated
    return StoredResult(
        analysis_version=version or assessment.version,
        outcome=assessment.verdict.outcome,
        engagement=spot.engagement if spot else None,
        normal_backlash_mm=spot.normal_backlash_mm if spot else None,
        interval_mm=spot.interval_mm if spot else None,
        confirmed=assessment.confirmed,
        positions=len(assessment.positions),
        usable=sum(one.normal_backlash_mm is not None for one in assessment.positions),
        utc="2030-05-17T08:40:00Z",
    )


def exclusion(
    assessment: Assessment, number: int, position: int, reversal: int | None = None, *, undone: bool = False
) -> Exclusion:
    """An exclusion by an invented reviewer."""
    return Exclusion(
        number=number,
        position=position,
        reversal=reversal,
        window_s=window_of(assessment, position, reversal),
        reason=f"reason {number}",
        by="R. Nobody",
        utc="2030-05-18T09:00:00Z",
        undone=("R. Nobody", "2030-05-18T10:00:00Z", "second thoughts") if undone else None,
    )


def signed(outcome: str, *exclusions: int, version: str = "0.0.test") -> SignOff:
    """A signature by an invented reviewer."""
    return SignOff(
        by="S. Nobody",
        utc="2030-05-19T07:00:00Z",
        analysis_version=version,
        outcome=outcome,
        recorded_outcome="not proven",
        exclusions=exclusions,
        remark="looked at all traces",
    )


def reviewed(assessment: Assessment) -> Assessment:
    """An assessment with one exclusion that holds, one that was taken back, and a signature."""
    made = review(
        assessment,
        stored=stored_of(assessment, version="0.0.older"),
        exclusions=(exclusion(assessment, 1, 2), exclusion(assessment, 2, 3, 2, undone=True)),
        sign_offs=(signed("not proven", 1),),
    )
    return replace(assessment, review=made)
