"""What stands beside what was recorded: the stored result, what reviewers left out, what they signed.

Beside it, never instead of it: the result itself is that of everything that was recorded.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from lashmap_analysis.facts.budget import BUDGET
from lashmap_analysis.facts.figure import (
    TEST,
    Group,
    Section,
    Table,
    number,
    numbered,
    place,
    text,
    whole,
    yes_no,
)

if TYPE_CHECKING:
    from lashmap_analysis.assessment import Assessment

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
    whole(
        "usable",
        "those of them that gave a reading",
        lambda one: sum(position.normal_backlash_mm is not None for position in one.positions),
    ),
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
SIGNED = text("signed", "what the last signature is worth now; empty without one")
_BUDGET = Group("budget", "uncertainty of that; null when nothing is stated", BUDGET)


def _reviewed(assessment: Assessment) -> tuple[Assessment, ...]:
    review = assessment.review
    return (review.reviewed,) if review is not None and review.reviewed is not None else ()


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
)
