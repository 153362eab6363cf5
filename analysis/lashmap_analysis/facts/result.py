"""The result of a test: its sections in order, and the document that they make, ready for JSON.

A section says its own keys, units, meanings and values (`facts/`); decided here are which sections there are
and in which order their keys stand. Nothing is computed: figures pass from the assessment as they are.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from lashmap_analysis.facts import cycle, given, lash_map, positions, review, sweeps, tight_spot, verdict
from lashmap_analysis.facts.section import Figure, Section, document, keys
from lashmap_analysis.judge.assessment import Assessment

SCHEMA = 1
SECTIONS: tuple[Section, ...] = (
    verdict.SECTION,
    tight_spot.SECTION,
    lash_map.SECTION,
    cycle.SECTION,
    sweeps.SECTION,
    tight_spot.BUDGET_SECTION,
    positions.SECTION,
    review.SECTION,
    given.SECTION,
)
# Readers have seen the keys in this order; those of a new section follow.
_ORDER = (
    *("schema", "test", "analysis_version", "closing", "units", "identity", "verdict", "tight_spot"),
    *("runout", "sweeps", "lash_map", "positions", "budget", "review", "preconditions", "limits"),
    *("gear_set", "indicator", "encoder", "damage", "left_out", "notes", "conditions"),
    "conformance",
)
_SCHEMA = Figure(
    name="schema",
    kind="integer",
    meaning=f"version of this document's shape, {SCHEMA}",
    of=lambda _assessment: SCHEMA,
)


def to_document(assessment: Assessment, sections: Iterable[Section] = SECTIONS) -> dict[str, Any]:
    """Turn an assessment into nested dicts, lists and plain values that any JSON writer takes.

    Args:
        assessment: What was concluded.
        sections: What it is handed over in.

    Returns:
        The document described key by key in `KEYS`. Lengths are in mm, angles in degrees. NaN and infinities
        are None, since JSON (RFC 8259) has no word for them.
    """
    figures = (_SCHEMA, *(one for section in sections for one in section.figures))
    return dict(in_order(document(figures, assessment), _ORDER))


def key_meanings(sections: Iterable[Section] = SECTIONS) -> dict[str, str]:
    """Every key of the document with its meaning: what a reader of the JSON goes by.

    ``[]`` stands for the items of a list and ``*`` for free keys.
    """
    return dict(keys((_SCHEMA, *(one for section in sections for one in section.figures))))


def in_order(named: Mapping[str, Any], order: tuple[str, ...]) -> list[tuple[str, Any]]:
    """Names with their values in an order that was promised; names without a place in it follow."""
    places = {name: at for at, name in enumerate(order)}
    return sorted(named.items(), key=lambda one: places.get(one[0], len(places)))


KEYS: Mapping[str, str] = key_meanings()
