"""The tables a test is handed over in: the one documentation of an export.

Sections bring their tables and their columns of the results (`facts/`); decided here is the order of the
tables, and which tables do not follow from an assessment: events and samples. Whoever fills the tables
(`tables/frames.py`), writes them, describes them in a data package, or reads them back (`tables/load.py`)
goes by this. Every table is tidy: one row for one thing, and the columns of `Table.key` name that thing.

Numbers that are not finite are missing, texts are never missing (an empty text is none), lengths are in mm
and angles in degrees whatever the box's paperwork uses; the unit stands at the end of a column's name.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from lashmap_analysis.facts.result import SECTIONS, in_order
from lashmap_analysis.facts.section import TEST, Figure, Kind, Section, Table, number, text, whole

__all__ = ["SAMPLES", "TABLES", "VERSION", "Figure", "Kind", "Table", "tables_of"]

VERSION = 4

SAMPLES = Table(
    name="samples",
    meaning="one sample of one instrument, as decoded from the raw bytes, in the order of its time",
    key=("test", "channel", "time_s"),
    columns=(
        TEST,
        text("channel", "'indicator' or 'encoder'"),
        number("time_s", "seconds since the test started, monotonic", required=True),
        number(
            "value",
            "indicator: as it reads, sign and zero included; encoder: angle of its shaft past matched teeth",
            required=True,
        ),
        text("unit", "unit of value: 'mm' (indicator) or 'deg' (encoder)"),
        whole("position", "position whose accepted rock this belongs to; missing outside", required=False),
        text("sweep", "'gear' or 'pinion': runout sweep this belongs to; empty outside"),
    ),
)
_EVENTS = Table(
    name="events",
    meaning="one event of the test, as the logbook keeps it",
    key=("test", "number"),
    columns=(
        TEST,
        whole("number", "its place in the stream, from 1"),
        number("time_s", "seconds since the test started, monotonic", required=True),
        text("utc", "when it happened, ISO 8601, UTC"),
        text("kind", "what happened"),
        text("body", "its facts as JSON"),
    ),
)
# Readers have seen tables and columns in these orders; those of a new section follow.
_ORDER = (
    *("tests", "results", "positions", "flags", "lash_map", "sweeps", "budget", "preconditions", "notes"),
    *("events", "reviewed_results", "exclusions", "signatures"),
)


def tables_of(sections: Iterable[Section] = SECTIONS) -> dict[str, Table]:
    """Every table of an export by name, in order; the samples are the last."""
    given = tuple(sections)
    results = Table(
        name="results",
        meaning="one test: what was concluded from all that was recorded, nothing excluded by a review; "
        "missing where the test allows no conclusion",
        key=("test",),
        columns=(TEST, *(column for section in given for column in section.results)),
        rows=lambda assessment: (assessment,),
    )
    found = [results, _EVENTS, *(table for section in given for table in section.tables)]
    return {**dict(in_order({table.name: table for table in found}, _ORDER)), SAMPLES.name: SAMPLES}


TABLES: Mapping[str, Table] = tables_of()
