"""The verdict and what it rests on in words. Nothing is judged here."""

from __future__ import annotations

from lashmap_analysis.facts.figure import Group, Section, text

OUTCOME = text("outcome", "'conforming', 'nonconforming' or 'not proven'")
VERDICT = (
    OUTCOME,
    text("reasons", "sentences, most important first"),
    text("would_settle", "what would settle a 'not proven'"),
    text("cautions", "what the verdict does not prove"),
)
VERSION = text("analysis_version", "version of the analysis that concluded this", "version")
SECTION = Section(
    figures=(VERSION, Group("verdict", "what may be signed", VERDICT)),
    results=(VERSION, OUTCOME.under("verdict", name="verdict")),
)
