"""The tables a test is handed over in, column by column: the one documentation of an export.

Decided here: names, types, units and meanings. Whoever fills the tables (`frames.py`), writes them, describes
them in a data package, or reads them back (`load.py`) goes by this. Every table is tidy: one row for one
thing, and the columns of `Table.key` name that thing.

Numbers that are not finite are missing, texts are never missing (an empty text is none), lengths are in mm
and angles in degrees whatever the box's paperwork uses; the unit stands at the end of a column's name.
"""

from __future__ import annotations

from collections.abc import Mapping

from lashmap_analysis.frame_from_result import FOUND, GIVEN, KINDS, SWEEP, column, spot_column
from lashmap_analysis.frame_table import Column, Kind, Table, number, text, whole, yes_no
from lashmap_analysis.result_keys import KEYS, TABLE_COLUMNS

__all__ = ["FOUND", "GIVEN", "SAMPLES", "TABLES", "VERSION", "Column", "Kind", "Table"]

VERSION = 3
_TEST = text("test", KEYS["test"])

SAMPLES = Table(
    name="samples",
    meaning="one sample of one instrument, as decoded from the raw bytes, in the order of its time",
    key=("test", "channel", "time_s"),
    columns=(
        _TEST,
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

TABLES: Mapping[str, Table] = {
    table.name: table
    for table in (
        Table(
            name="tests",
            meaning="one test: who tested what, where, when and with what, nothing of it concluded",
            key=("test",),
            columns=(_TEST, *(column(name, *given) for name, given in GIVEN.items())),
        ),
        Table(
            name="results",
            meaning="one test: what was concluded from all that was recorded; in the columns that begin with "
            "reviewed_, without what reviewers left out",
            key=("test",),
            columns=(_TEST, *(spot_column(name, *found) for name, found in FOUND.items())),
        ),
        Table(
            name="positions",
            meaning="one measured position",
            key=("test", "position"),
            columns=(
                _TEST,
                *(
                    column(name, KINDS[kind], f"positions[].{name}", required=kind != "float64")
                    for name, kind in TABLE_COLUMNS.items()
                ),
                number(
                    "times_apart_standard_uncertainty_s",
                    "of the indicator's times against the encoder's; missing when nobody stated it",
                ),
            ),
        ),
        Table(
            name="flags",
            meaning="one refusal or warning about a position",
            key=("test", "position", "flag"),
            columns=(
                _TEST,
                whole("position", KEYS["positions[].position"]),
                text("flag", KEYS["positions[].flag_details[].name"]),
                yes_no("disabling", KEYS["positions[].flag_details[].disabling"]),
                text("sentence", KEYS["positions[].flag_details[].sentence"]),
                text("numbers", "the figures behind it as JSON; their units stand in the keys"),
            ),
        ),
        Table(
            name="lash_map",
            meaning="one engagement of the mesh cycle in the fitted lash map; no row without a fit",
            key=("test", "engagement"),
            columns=(
                _TEST,
                whole("engagement", "gear teeth past the matched teeth, 0 to the mesh cycle less one"),
                number("gear_angle_deg", "gear angle past the matched teeth, not wrapped", required=True),
                number(
                    "backlash_mm", "normal backlash at the outer pitch radius, best estimate", required=True
                ),
                number(
                    "standard_uncertainty_mm",
                    "of that, tooth-to-tooth scatter included, the set-up's part not",
                    required=True,
                ),
                number("tightest_probability", "chance that this engagement is the tightest, 0 to 1"),
            ),
        ),
        Table(
            name="sweeps",
            meaning="one runout sweep",
            key=("test", "member"),
            columns=(
                _TEST,
                text("member", KEYS["sweeps[].member"]),
                number(
                    "indicator_from_mesh_deg",
                    "where the indicator sat: angle of the member from the mesh; missing when not recorded",
                ),
                *(column(name, kind, f"sweeps[].{name}") for name, kind in SWEEP.items()),
            ),
        ),
        Table(
            name="budget",
            meaning="one contribution to the uncertainty of the stated tight spot",
            key=("test", "line"),
            columns=(
                _TEST,
                whole("line", "its place in the budget, from 1"),
                text("quantity", KEYS["budget.lines[].quantity"]),
                text("figure", KEYS["budget.lines[].value"]),
                text("distribution", KEYS["budget.lines[].distribution"]),
                number(
                    "standard_uncertainty_mm", KEYS["budget.lines[].standard_uncertainty_mm"], required=True
                ),
                number("degrees_of_freedom", "of that contribution; missing when infinite"),
                text("source", KEYS["budget.lines[].source"]),
            ),
        ),
        Table(
            name="preconditions",
            meaning="one thing that must be true before a backlash can prove a build",
            key=("test", "name"),
            columns=(
                _TEST,
                *(
                    text(name, KEYS[f"preconditions[].{name}"])
                    for name in ("name", "state", "detail", "remedy")
                ),
            ),
        ),
        Table(
            name="notes",
            meaning="one note of the operator",
            key=("test", "line"),
            columns=(
                _TEST,
                whole("line", "its place among the notes, from 1"),
                number("time_s", KEYS["notes[].time_s"], required=True),
                text("text", KEYS["notes[].text"]),
            ),
        ),
        Table(
            name="events",
            meaning="one event of the test, as the logbook keeps it",
            key=("test", "number"),
            columns=(
                _TEST,
                whole("number", "its place in the stream, from 1"),
                number("time_s", "seconds since the test started, monotonic", required=True),
                text("utc", "when it happened, ISO 8601, UTC"),
                text("kind", "what happened"),
                text("body", "its facts as JSON"),
            ),
        ),
        SAMPLES,
    )
}
