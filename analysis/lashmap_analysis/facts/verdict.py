"""The verdict and what it rests on in words, with the chance that each limit is kept; nothing is judged."""

from __future__ import annotations

from collections.abc import Iterator

from lashmap_analysis.facts.section import WHOLE, Chapter, Group, Points, Section, number, text
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.judge.verdict import DECISION_RULES

OUTCOME = text("outcome", "'conforming', 'nonconforming' or 'not proven'")
VERDICT = (
    OUTCOME,
    text("reasons", "sentences, most important first"),
    text("would_settle", "what would settle a 'not proven'"),
    text("cautions", "what the verdict does not prove"),
)
PROBABILITY = tuple(
    number(
        f"{name}_probability",
        f"probability that {meaning} (JCGM 106:2012), 0 to 1; teeth that no position touched are not in it",
        f"conformance.{name}",
    )
    for name, meaning in (
        ("minimum", "the least backlash is not below the minimum"),
        ("maximum", "the backlash at the tight spot is not above the maximum"),
        ("variation", "the variation is not above the most allowed"),
    )
)
VERSION = text("analysis_version", "version of the analysis that concluded this", "version")


def _chapters(assessment: Assessment) -> Iterator[Chapter]:
    if assessment.verdict.cautions:
        yield Chapter("What the verdict does not prove", "limits-of", (Points(assessment.verdict.cautions),))


def _terminal(assessment: Assessment) -> Iterator[tuple[str, str]]:
    if words := probability_words(assessment):
        yield "conformance probability", words


def probability_words(assessment: Assessment) -> str:
    """Probability of each limit to be kept, in one line; empty when nothing is known."""
    found = assessment.conformance
    known = ", ".join(
        f"{name} {_percent(value)}"
        for name, value in (
            ("minimum", found.minimum),
            ("maximum", found.maximum),
            ("variation", found.variation),
        )
        if value is not None
    )
    return f"{known}; untouched teeth aside" if known and not assessment.touched.every else known


def judged_line(assessment: Assessment) -> str:
    """By which rule the limits are judged, and how probably they are kept; empty without limits."""
    limits = assessment.record.limits
    if not limits.given:
        return ""
    rule = f"Decision rule: {DECISION_RULES[limits.decision_rule]}."
    known = probability_words(assessment)
    return f"{rule} Conformance probability: {known}." if known else rule


def _percent(probability: float) -> str:
    """In percent; the ends are never certain."""
    if probability > 0.999:
        return "above 99.9 %"
    return "below 0.1 %" if probability < 0.001 else f"{100 * probability:.1f} %"


SECTION = Section(
    figures=(
        VERSION,
        Group("verdict", "what may be signed", VERDICT),
        Group("conformance", "probability of each limit to be kept", PROBABILITY, WHOLE),
    ),
    results=(VERSION, OUTCOME.under("verdict", name="verdict"), *PROBABILITY),
    terminal=_terminal,
    chapters=_chapters,
)
