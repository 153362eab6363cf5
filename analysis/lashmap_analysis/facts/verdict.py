"""The verdict and what it rests on in words. Nothing is judged here."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lashmap_analysis.facts.section import Chapter, Group, Points, Section, text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from lashmap_analysis.judge.assessment import Assessment


OUTCOME = text("outcome", "'conforming', 'nonconforming' or 'not proven'")
VERDICT = (
    OUTCOME,
    text("reasons", "sentences, most important first"),
    text("would_settle", "what would settle a 'not proven'"),
    text("cautions", "what the verdict does not prove"),
)
VERSION = text("analysis_version", "version of the analysis that concluded this", "version")


def _chapters(assessment: Assessment) -> Iterator[Chapter]:
    if assessment.verdict.cautions:
        yield Chapter("What the verdict does not prove", "limits-of", (Points(assessment.verdict.cautions),))


SECTION = Section(
    figures=(VERSION, Group("verdict", "what may be signed", VERDICT)),
    results=(VERSION, OUTCOME.under("verdict", name="verdict")),
    chapters=_chapters,
)
