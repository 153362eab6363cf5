"""The evidence behind the first page: the chapters of all sections, and the report's standing words.

Nothing is concluded. Limits, torque values and acceptance come from the drawing; none of them is stated here.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from lashmap_analysis.charts.lash_map import BAND, LashView, lash_view
from lashmap_analysis.facts import verdict
from lashmap_analysis.facts.section import Chapter, Facts, Points, Section
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.record.record import DecisionRule
from lashmap_analysis.render.sheet import Sheet

CAUTIONS = (
    "Isolate and lock out the drive and release stored energy before hands go near the mesh.",
    "Keep clear of pinch points. Rock lightly, by hand or bar. Refit guards before power.",
    "lashmap is not a safety device: it never starts or stops a drive.",
    "Limits, torque values and acceptance come from the box's drawing and the people licensed to sign.",
    "Local codes and the maker's instructions come first.",
)

HOW_TO_READ = (
    "Backlash is normal backlash: play perpendicular to the flank, at the outer end of the teeth.",
    "An engagement counts gear teeth past the matched teeth. The same teeth meet again after one mesh cycle.",
    "The reading is the mean step between settled dwells, on the indicator's own line of action.",
    "Tip radius and direction turn the reading into normal backlash.",
    "u is a standard uncertainty, U an expanded one at 95 %. The interval judged is not value ± U.",
    "In the table of positions u holds the scatter of the rock and of setting the tip; the budget holds all.",
)
# What the outcomes mean (ISO 14253-1), by decision rule.
OUTCOMES: dict[DecisionRule, str] = {
    "two-sided": "Conforming: the whole 95 % interval lies inside the limits, with room for a bad tooth that "
    "no position touched, and every precondition is proven. Nonconforming: the whole interval lies outside. "
    "Between them: not proven.",
    "one-sided": "Conforming: 95 % lie to the allowed side of each limit, with room for a bad tooth that no "
    "position touched, and every precondition is proven. Nonconforming: 95 % lie to the other side. "
    "Between them: not proven.",
}
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
    outcomes = OUTCOMES[assessment.record.limits.decision_rule]
    how = (*HOW_TO_READ, outcomes, *(_map_notes(view) if view is not None else ()))
    return (
        Chapter("How to read this record", "reading", (Points(how),)),
        Chapter("Cautions", "cautions", (Points(CAUTIONS),)),
    )


def _map_notes(view: LashView) -> tuple[str, ...]:
    """Say what band and bars of the lash map mean."""
    turns = view.cycle // view.gear_teeth
    notes = [f"Bars in the lash map: ±{BAND} standard uncertainties of a position (95 %), as in that table."]
    if view.curve is not None:
        notes.append(
            f"Band: ±{BAND} standard uncertainties of the fitted curve (95 %), tooth scatter included."
        )
    if view.curve is not None and turns > 1:
        notes.append(
            "Around the gear, the curve is the turn with the tight spot, "
            f"and the band spans all {turns} turns of the mesh cycle."
        )
    return tuple(notes)
