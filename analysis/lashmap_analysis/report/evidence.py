"""The evidence behind the first page: the chapters of all sections, in order. Nothing is concluded."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from lashmap_analysis.assessment import Assessment
from lashmap_analysis.facts import verdict
from lashmap_analysis.facts.chapter import Chapter, Facts, Points
from lashmap_analysis.facts.figure import Section
from lashmap_analysis.report.lash_view import lash_view
from lashmap_analysis.report.sheet import Sheet, map_notes
from lashmap_analysis.report.words import CAUTIONS, HOW_TO_READ

# Where the PDF shows the lash map over the mesh cycle when the page to sign had no room for it.
STRAIGHT = Chapter("", "straight", ())


def evidence(assessment: Assessment, front: Sheet, sections: Iterable[Section]) -> Iterator[Chapter]:
    """Everything after the first page; what that shortens stands in full behind the verdict."""
    for section in sections:
        yield from section.chapters(assessment)
        if section is verdict.SECTION:
            if front.in_full:
                shortened = Facts(front.in_full, "words", 22)
                yield Chapter("In full: what the first page shortens", "in-full", (shortened,))
            yield STRAIGHT


def closing_words(assessment: Assessment) -> tuple[Chapter, Chapter]:
    """What stands side by side at the end: how to read the record, and cautions."""
    view = lash_view(assessment)
    how = HOW_TO_READ + (map_notes(view) if view is not None else ())
    return (
        Chapter("How to read this record", "reading", (Points(how),)),
        Chapter("Cautions", "cautions", (Points(CAUTIONS),)),
    )
