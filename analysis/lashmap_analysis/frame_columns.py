"""The tables a test is handed over in, column by column: the one documentation of an export.

Decided here: names, types, units and meanings. Whoever fills the tables (`frames.py`), writes them, describes
them in a data package, or reads them back (`load.py`) goes by this. Every table is tidy: one row for one
thing, and the columns of `Table.key` name that thing.

Numbers that are not finite are missing, texts are never missing (an empty text is none), lengths are in mm
and angles in degrees whatever the box's paperwork uses; the unit stands at the end of a column's name.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from lashmap_analysis.result_keys import KEYS, TABLE_COLUMNS

Kind = Literal["string", "integer", "number", "boolean"]
VERSION = 1
UNITS = {"_mm_per_s": "mm/s", "_deg_per_s": "deg/s", "_mm": "mm", "_deg": "deg", "_s": "s"}


@dataclass(frozen=True, kw_only=True)
class Column:
    """One column.

    Attributes:
        name: Its unit is the end of it.
        kind: Type in the words of Table Schema.
        meaning: In one sentence.
        required: False when a cell may be missing.
    """

    name: str
    kind: Kind
    meaning: str
    required: bool = False

    @property
    def unit(self) -> str:
        """Unit, from the end of the name; empty when there is none."""
        return next((unit for end, unit in UNITS.items() if self.name.endswith(end)), "")


@dataclass(frozen=True, kw_only=True)
class Table:
    """One table.

    Attributes:
        name: Of its file or sheet.
        meaning: What one row is.
        key: Columns that name the row.
        columns: In order.
    """

    name: str
    meaning: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]

    def column(self, name: str) -> Column:
        """The column of that name.

        Raises:
            KeyError: When there is none.
        """
        return {column.name: column for column in self.columns}[name]


def _text(name: str, meaning: str) -> Column:
    return Column(name=name, kind="string", meaning=meaning, required=True)


def _number(name: str, meaning: str, *, required: bool = False) -> Column:
    return Column(name=name, kind="number", meaning=meaning, required=required)


def _whole(name: str, meaning: str, *, required: bool = True) -> Column:
    return Column(name=name, kind="integer", meaning=meaning, required=required)


def _yes_no(name: str, meaning: str, *, required: bool = True) -> Column:
    return Column(name=name, kind="boolean", meaning=meaning, required=required)


_TEST = _text("test", KEYS["test"])

SAMPLES = Table(
    name="samples",
    meaning="one sample of one instrument, as decoded from the raw bytes, in the order of its time",
    key=("test", "channel", "time_s"),
    columns=(
        _TEST,
        _text("channel", "'indicator' or 'encoder'"),
        _number("time_s", "seconds since the test started, monotonic", required=True),
        _number(
            "value",
            "indicator: as it reads, sign and zero included; encoder: angle of its shaft past matched teeth",
            required=True,
        ),
        _text("unit", "unit of value: 'mm' (indicator) or 'deg' (encoder)"),
        _whole("position", "position whose accepted rock this belongs to; missing outside", required=False),
        _text("sweep", "'gear' or 'pinion': runout sweep this belongs to; empty outside"),
    ),
)

# Columns of the table of tests and the key of the result document that means the same.
GIVEN: Mapping[str, tuple[Kind, str]] = {
    **{
        name: ("string", f"identity.{name}")
        for name in ("box", "serial", "set_number", "stand", "operator", "started_utc", "remark", "seal")
    },
    "closing": ("string", "closing"),
    "paperwork_units": ("string", "units.paperwork"),
    "pinion_teeth": ("integer", "gear_set.pinion_teeth"),
    "gear_teeth": ("integer", "gear_set.gear_teeth"),
    **{
        name: ("number", f"gear_set.{name}")
        for name in (
            "outer_module_mm",
            "face_width_mm",
            "normal_pressure_angle_deg",
            "mean_spiral_angle_deg",
            "shaft_angle_deg",
            "cutter_radius_mm",
        )
    },
    "indicator_resolution_mm": ("number", "indicator.resolution_mm"),
    "touch_radius_mm": ("number", "indicator.touch_radius_mm"),
    "touch_radius_standard_uncertainty_mm": ("number", "indicator.touch_radius_standard_uncertainty_mm"),
    "indicator_direction": ("string", "indicator.direction"),
    "off_normal_deg": ("number", "indicator.off_normal_deg"),
    "lever_deg": ("number", "indicator.lever_deg"),
    "angle_standard_uncertainty_deg": ("number", "indicator.angle_standard_uncertainty_deg"),
    "on_arm": ("boolean", "indicator.on_arm"),
    "calibration_expanded_uncertainty_mm": ("number", "indicator.calibration_expanded_uncertainty_mm"),
    "encoder_shaft": ("string", "encoder.shaft"),
    "encoder_resolution_deg": ("number", "encoder.resolution_deg"),
    "encoder_standard_uncertainty_deg": ("number", "encoder.standard_uncertainty_deg"),
    "limit_minimum_mm": ("number", "limits.minimum_mm"),
    "limit_maximum_mm": ("number", "limits.maximum_mm"),
    "limit_variation_mm": ("number", "limits.variation_mm"),
    "limit_kind": ("string", "limits.kind"),
    "limit_source": ("string", "limits.source"),
}

_SPOT = (
    "engagement",
    "gear_angle_deg",
    "normal_backlash_mm",
    "standard_uncertainty_mm",
    "expanded_uncertainty_mm",
    "interval_low_mm",
    "interval_high_mm",
)
_RUNOUT = ("amplitude_mm", "standard_uncertainty_mm", "high_point_deg", "fim_mm")
_WHOLE = {"engagement"}

FOUND: Mapping[str, tuple[Kind, str]] = {
    "analysis_version": ("string", "analysis_version"),
    "verdict": ("string", "verdict.outcome"),
    **{
        f"{way}_{name}": ("integer" if name in _WHOLE else "number", f"tight_spot.{way}.{name}")
        for way in ("stated", "predicted", "measured")
        for name in _SPOT
    },
    "confirmed": ("boolean", "tight_spot.confirmed"),
    "cause": ("string", "tight_spot.cause"),
    "mean_mm": ("number", "lash_map.mean_mm"),
    "mean_standard_uncertainty_mm": ("number", "lash_map.mean_standard_uncertainty_mm"),
    "loosest_mm": ("number", "lash_map.loosest_mm"),
    "variation_mm": ("number", "lash_map.variation_mm"),
    "variation_standard_uncertainty_mm": ("number", "lash_map.variation_standard_uncertainty_mm"),
    "tooth_scatter_mm": ("number", "lash_map.tooth_scatter_mm"),
    **{
        f"{member}_runout_{name}": ("number", f"runout.{member}.{name}")
        for member in ("gear", "pinion", "merged")
        for name in _RUNOUT
    },
}

_KINDS: Mapping[str, Kind] = {"int64": "integer", "float64": "number", "bool": "boolean", "object": "string"}
_SWEEP: Mapping[str, Kind] = {
    "refusal": "string",
    "turns": "integer",
    "fim_mm": "number",
    "fim_standard_uncertainty_mm": "number",
    "once_amplitude_mm": "number",
    "once_standard_uncertainty_mm": "number",
    "once_high_point_deg": "number",
    "once_high_point_standard_uncertainty_deg": "number",
    "turning_deg_per_s": "number",
    "times_apart_standard_uncertainty_s": "number",
    "twice_amplitude_mm": "number",
    "rest_mm": "number",
    "repeatability_mm": "number",
    "lash_amplitude_mm": "number",
    "lash_amplitude_standard_uncertainty_mm": "number",
    "mesh_high_point_deg": "number",
    "explains": "boolean",
    "tight_spot_part_mm": "number",
    "tight_spot_depth_mm": "number",
    "sentence": "string",
}


def _column(name: str, kind: Kind, path: str, *, required: bool = False) -> Column:
    return Column(name=name, kind=kind, meaning=KEYS[path], required=required or kind == "string")


def _spot_column(name: str, kind: Kind, path: str) -> Column:
    """A column of the results; those that several parts share say whose they are."""
    part = next(
        (one for one in ("tight_spot.", "runout.") if path.startswith(one) and path.count(".") > 1), ""
    )
    whose = f"{name.split('_', 1)[0]} {part[:-1].replace('_', ' ')}: " if part else ""
    return Column(name=name, kind=kind, meaning=whose + KEYS[path], required=kind == "string")


TABLES: Mapping[str, Table] = {
    table.name: table
    for table in (
        Table(
            name="tests",
            meaning="one test: who tested what, where, when and with what, nothing of it concluded",
            key=("test",),
            columns=(_TEST, *(_column(name, *given) for name, given in GIVEN.items())),
        ),
        Table(
            name="results",
            meaning="one test: what was concluded; missing where the test allows no conclusion",
            key=("test",),
            columns=(_TEST, *(_spot_column(name, *found) for name, found in FOUND.items())),
        ),
        Table(
            name="positions",
            meaning="one measured position",
            key=("test", "position"),
            columns=(
                _TEST,
                *(
                    _column(name, _KINDS[kind], f"positions[].{name}", required=kind != "float64")
                    for name, kind in TABLE_COLUMNS.items()
                ),
                _number(
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
                _whole("position", KEYS["positions[].position"]),
                _text("flag", KEYS["positions[].flag_details[].name"]),
                _yes_no("disabling", KEYS["positions[].flag_details[].disabling"]),
                _text("sentence", KEYS["positions[].flag_details[].sentence"]),
                _text("numbers", "the figures behind it as JSON; their units stand in the keys"),
            ),
        ),
        Table(
            name="lash_map",
            meaning="one engagement of the mesh cycle in the fitted lash map; no row without a fit",
            key=("test", "engagement"),
            columns=(
                _TEST,
                _whole("engagement", "gear teeth past the matched teeth, 0 to the mesh cycle less one"),
                _number("gear_angle_deg", "gear angle past the matched teeth, not wrapped", required=True),
                _number(
                    "backlash_mm", "normal backlash at the outer pitch radius, best estimate", required=True
                ),
                _number(
                    "standard_uncertainty_mm",
                    "of that, tooth-to-tooth scatter included, the set-up's part not",
                    required=True,
                ),
                _number("tightest_probability", "chance that this engagement is the tightest, 0 to 1"),
            ),
        ),
        Table(
            name="sweeps",
            meaning="one runout sweep",
            key=("test", "member"),
            columns=(
                _TEST,
                _text("member", KEYS["sweeps[].member"]),
                _number(
                    "indicator_from_mesh_deg",
                    "where the indicator sat: angle of the member from the mesh; missing when not recorded",
                ),
                *(_column(name, kind, f"sweeps[].{name}") for name, kind in _SWEEP.items()),
            ),
        ),
        Table(
            name="budget",
            meaning="one contribution to the uncertainty of the stated tight spot",
            key=("test", "line"),
            columns=(
                _TEST,
                _whole("line", "its place in the budget, from 1"),
                _text("quantity", KEYS["budget.lines[].quantity"]),
                _text("figure", KEYS["budget.lines[].value"]),
                _text("distribution", KEYS["budget.lines[].distribution"]),
                _number(
                    "standard_uncertainty_mm", KEYS["budget.lines[].standard_uncertainty_mm"], required=True
                ),
                _number("degrees_of_freedom", "of that contribution; missing when infinite"),
                _text("source", KEYS["budget.lines[].source"]),
            ),
        ),
        Table(
            name="preconditions",
            meaning="one thing that must be true before a backlash can prove a build",
            key=("test", "name"),
            columns=(
                _TEST,
                *(
                    _text(name, KEYS[f"preconditions[].{name}"])
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
                _whole("line", "its place among the notes, from 1"),
                _number("time_s", KEYS["notes[].time_s"], required=True),
                _text("text", KEYS["notes[].text"]),
            ),
        ),
        Table(
            name="events",
            meaning="one event of the test, as the logbook keeps it",
            key=("test", "number"),
            columns=(
                _TEST,
                _whole("number", "its place in the stream, from 1"),
                _number("time_s", "seconds since the test started, monotonic", required=True),
                _text("utc", "when it happened, ISO 8601, UTC"),
                _text("kind", "what happened"),
                _text("body", "its facts as JSON"),
            ),
        ),
        SAMPLES,
    )
}
