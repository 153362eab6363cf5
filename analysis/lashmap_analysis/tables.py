"""The tables of an export: what stands in them, an assessment as their rows, and reading them back.

Sections bring their tables and their columns of the results (`facts/`); decided here is the order of the
tables, and which tables do not follow from an assessment: events and samples, added by whoever has them (the
daemon, from a logbook). Whoever fills the tables, writes them, describes them in a data package, or reads
them back goes by this. Every table is tidy: one row for one thing, and the columns of `Table.key` name that
thing. Numbers that are not finite are missing, texts are never missing (an empty text is none), lengths are
in mm and angles in degrees whatever the box's paperwork uses; the unit stands at the end of a column's name.

`load` reads what ``lashmap export --to parquet``, ``csv`` or ``json`` wrote and needs neither a logbook nor
the daemon. Every value comes back as it was: numbers to the last bit, texts without the apostrophe that
guards them.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from lashmap_analysis.facts.given import PRECONDITION
from lashmap_analysis.facts.result import SECTIONS, in_order
from lashmap_analysis.facts.section import TEST, Figure, Kind, Section, Table, number, text, whole
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.gears.indicator import CorrectionCurve, Indicator
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.record.conditions import Conditions
from lashmap_analysis.record.record import (
    Encoder,
    Identity,
    Limits,
    PassTrace,
    Precondition,
    RockTrace,
    RunoutTrace,
    TestRecord,
    TypedReadings,
)

if TYPE_CHECKING:
    import pandas as pd


__all__ = ["SAMPLES", "TABLES", "VERSION", "Figure", "Kind", "Table", "tables_of"]

VERSION = 6

SAMPLES = Table(
    name="samples",
    meaning="one sample of one instrument, as decoded from the raw bytes, in the order of its time",
    key=("test", "channel", "time_s"),
    columns=(
        TEST,
        text("channel", "'indicator', 'encoder', or 'pinion encoder' of a stand with two encoders"),
        number("time_s", "seconds since the test started, monotonic", required=True),
        number(
            "value",
            "indicator: as it reads, sign and zero included; encoder: angle of its shaft past matched teeth",
            required=True,
        ),
        text("unit", "unit of value: 'mm' (indicator) or 'deg' (encoders)"),
        whole("position", "position whose accepted rock this belongs to; missing outside", required=False),
        text("sweep", "'gear' or 'pinion': runout sweep this belongs to; empty outside"),
        whole("pass", "pass of a cycle run this belongs to; missing outside", required=False),
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


Columns = dict[str, list[Any]]
PANDAS = {"string": "str", "integer": "Int64", "number": "float64", "boolean": "boolean"}


def columns_of(assessment: Assessment, tables: Mapping[str, Table] = TABLES) -> dict[str, Columns]:
    """The rows of one test, as columns.

    Args:
        assessment: What was concluded.
        tables: Which tables.

    Returns:
        For every table but samples and events its columns, each a list with None where a cell is missing.
    """
    found = {name: list(table.rows(assessment)) for name, table in tables.items() if table.rows is not None}
    test = TEST.cell(assessment)
    return {
        name: {
            column.name: [test] * len(rows) if column is TEST else [column.cell(row) for row in rows]
            for column in tables[name].columns
        }
        for name, rows in found.items()
    }


def as_columns(table: Table, rows: Iterable[Mapping[str, Any]]) -> Columns:
    """Rows by name become the columns of a table."""
    kept = list(rows)
    return {column.name: [row[column.name] for row in kept] for column in table.columns}


def frame(table: Table, columns: Mapping[str, Any]) -> pd.DataFrame:
    """Columns as a pandas frame, with the types that `load` gives.

    Args:
        table: Which table they are of.
        columns: A list or an array for each of its columns.

    Returns:
        Texts as ``str``, whole numbers as ``Int64``, numbers as ``float64`` (NaN is missing), yes or no as
        ``boolean``.
    """
    import pandas as pd  # noqa: PLC0415  (290 ms that the start of the command line must not pay)

    return pd.DataFrame(
        {column.name: pd.Series(columns[column.name], dtype=PANDAS[column.kind]) for column in table.columns}
    )


# A spreadsheet that opens a CSV file evaluates a cell that begins with ``=``, ``+``, ``-``, ``@``, a tab or a
# carriage return, quoted or not; a remark typed at the stand could so run a command on a reviewer's machine
# (OWASP, "CSV Injection", from memory; line feeds and full-width forms of the signs are taken too). Such
# texts get an apostrophe in front, which a spreadsheet shows as plain text; those that look as if they had
# got one get one more, so that taking one away gives every text back. Numbers are never touched: ``-0.5``
# stays one. Workbooks and Parquet files carry the type of a cell, so nothing is put in front there.
_DANGEROUS = re.compile(r"'*\s*[=+\-@\t\r\n\uFF1D\uFF0B\uFF0D\uFF20]")
_GUARDED = re.compile(r"'" + _DANGEROUS.pattern)


def guarded(text: str) -> str:
    """The text as it stands in a CSV cell."""
    return f"'{text}" if _DANGEROUS.match(text) else text


def unguarded(cell: str) -> str:
    """The text of a CSV cell; for every text ``unguarded(guarded(text)) == text``."""
    return cell[1:] if _GUARDED.match(cell) else cell


DESCRIPTOR = "datapackage.json"


class LoadError(ValueError):
    """What was to be loaded is no whole export; the message says what and what to do next."""


@dataclass(frozen=True)
class Export(Mapping[str, "pd.DataFrame"]):
    """The tables of an export by name; `TABLES` says what is in them.

    Attributes:
        folder: Where they come from.
        tables: A frame for each table that was loaded.
    """

    folder: Path
    tables: dict[str, pd.DataFrame]

    def __getitem__(self, name: str) -> pd.DataFrame:
        return self.tables[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self.tables)

    def __len__(self) -> int:
        return len(self.tables)

    def __repr__(self) -> str:
        rows = ", ".join(f"{name}: {len(table):,}" for name, table in self.tables.items())
        return f"<export {self.folder}, rows of {rows}>"

    def record(self, test: str | None = None) -> TestRecord:
        """The record of a test, to be assessed again: ``assess(export.record())``.

        Args:
            test: Which; the last of the table of tests when None.

        Raises:
            LoadError: No such test, or it was exported without its samples.
        """
        return record_of(self.tables, self._named(test))

    def _named(self, test: str | None) -> str:
        known = self.tables["tests"]["test"].tolist() if "tests" in self.tables else []
        if not known:
            raise LoadError(f"{self.folder}: holds no test, or its table of tests was not loaded")
        if test is not None and test not in known:
            raise LoadError(f"{self.folder}: no test {test}; there are: {', '.join(known[-5:])}")
        return known[-1] if test is None else test


def load(path: str | Path, *, tables: tuple[str, ...] = tuple(TABLES)) -> Export:
    """Load an export.

    Args:
        path: The folder that ``lashmap export`` wrote, or the ``datapackage.json`` in it.
        tables: Which tables; all when left out. The table of samples is the large one.

    Returns:
        The frames. Texts are ``str`` and never missing, whole numbers ``Int64``, numbers ``float64`` with
        NaN where they are missing, yes or no ``boolean``.

    Raises:
        LoadError: The folder is no export, was written by a newer version, lacks a file, or a file has
            another size than the export wrote.
    """
    folder = Path(path).parent if Path(path).name == DESCRIPTOR else Path(path)
    resources = _resources(folder)
    found = {}
    for name in tables:
        if name not in TABLES:
            raise LoadError(f"{name}: no such table; there are: {', '.join(TABLES)}")
        if name not in resources:
            raise LoadError(f"{folder}: its {DESCRIPTOR} lists no table {name}; export again")
        found[name] = _read(TABLES[name], folder, resources[name])
    return Export(folder, found)


def _resources(folder: Path) -> dict[str, dict[str, Any]]:
    try:
        described = json.loads((folder / DESCRIPTOR).read_text(encoding="utf-8"))
        resources = {resource["name"]: resource for resource in described["resources"]}
        version = described["lashmap"]["tables"]
    except OSError as error:
        raise LoadError(
            f"{folder}: no {DESCRIPTOR} that can be read ({error.strerror}); "
            "name the folder that lashmap export wrote with --to parquet, csv or json"
        ) from error
    except (ValueError, KeyError, TypeError) as error:
        raise LoadError(f"{folder / DESCRIPTOR}: is not from lashmap export; export again") from error
    if version != VERSION:
        raise LoadError(
            f"{folder}: has tables of version {version}, this version reads {VERSION}; export again, or "
            "use the version that wrote it"
        )
    return resources


def _read(table: Table, folder: Path, resource: Mapping[str, Any]) -> pd.DataFrame:
    file = folder / Path(resource["path"]).name
    if not file.is_file():
        raise LoadError(f"{file}: is missing; export again")
    if file.stat().st_size != resource["bytes"]:
        raise LoadError(f"{file}: has another size than when it was exported; export again")
    match resource["format"]:
        case "parquet":
            return _read_parquet(table, file)
        case "csv":
            return _read_csv(table, file)
        case "json":
            rows = json.loads(file.read_text(encoding="utf-8"))
            names = [column.name for column in table.columns]
            return frame(table, {name: [row[name] for row in rows] for name in names})
    raise LoadError(f"{file}: unknown format {resource['format']}; export again")


def _read_parquet(table: Table, file: Path) -> pd.DataFrame:
    try:
        from pyarrow import parquet  # noqa: PLC0415 - heavy, and not everybody has it
    except ImportError:
        raise LoadError(
            f"{file}: reading Parquet needs the package pyarrow; install it with: "
            "pip install 'lashmap[export]'"
        ) from None
    import pandas as pd  # noqa: PLC0415 - slow to import

    # Whole numbers would come back as floating ones where one is missing.
    nullable = {"int64": pd.Int64Dtype(), "bool": pd.BooleanDtype()}
    read: pd.DataFrame = parquet.read_table(file).to_pandas(types_mapper=lambda kind: nullable.get(str(kind)))
    return read.astype({column.name: PANDAS[column.kind] for column in table.columns})


def _read_csv(table: Table, file: Path) -> pd.DataFrame:
    import pandas as pd  # noqa: PLC0415 - slow to import

    # Before version 3 only this keyword reads back every bit; since then it is the default.
    exact: dict[str, Any] = (
        {} if int(pd.__version__.split(".")[0]) >= 3 else {"float_precision": "round_trip"}
    )
    texts = [column.name for column in table.columns if column.kind == "string"]
    if table is SAMPLES:  # a few texts, repeated millions of times
        kinds: dict[str, Any] = {column.name: PANDAS[column.kind] for column in table.columns}
        read: pd.DataFrame = pd.read_csv(
            file,
            dtype=kinds | dict.fromkeys(texts, "category"),
            keep_default_na=False,
            na_values={column.name: [""] for column in table.columns if column.kind != "string"},
            **exact,
        )
        for name in texts:
            read[name] = read[name].cat.rename_categories(unguarded).astype("str")
        return read
    cells = pd.read_csv(file, dtype="str", keep_default_na=False)
    columns: dict[str, Any] = {}
    for column in table.columns:
        given = cells[column.name].tolist()
        columns[column.name] = [_value(column.kind, cell) for cell in given]
    return frame(table, columns)


def _value(kind: str, cell: str) -> Any:  # noqa: ANN401 - whatever the column holds
    match kind:
        case "string":
            return unguarded(cell)
        case "integer":
            return int(cell) if cell else None
        case "boolean":
            return cell == "true" if cell else None
    return float(cell) if cell else None


Row = dict[str, Any]
NEEDED = ("tests", "positions", "sweeps", "passes", "preconditions", "notes", "samples")


def record_of(tables: Mapping[str, pd.DataFrame], test: str) -> TestRecord:
    """Rebuild the record of a test.

    Args:
        tables: Frames as `load` gives them.
        test: Which test.

    Raises:
        LoadError: A table was not loaded, or the test's samples were not exported.
    """
    absent = [name for name in NEEDED if name not in tables]
    if absent:
        raise LoadError(f"{', '.join(absent)}: not loaded, but needed for a record; load all tables")
    (given,) = _rows(tables, "tests", test)
    told = _told(given)
    indicator, encoder, pinion = (
        _heard(tables["samples"], test, channel) for channel in ("indicator", "encoder", "pinion encoder")
    )
    heard = (indicator, encoder)
    passes = _rows(tables, "passes", test)
    without = heard[0].empty and not all(row["typed"] for row in _rows(tables, "positions", test))
    if without or (passes and pinion.empty):
        raise LoadError(
            f"test {test}: its samples were not exported; export again with --samples all or rocks"
        )
    return TestRecord(
        identity=Identity(**told["identity"]),
        gear_set=GearSet(**told["gear_set"]),
        indicator=Indicator(
            **told["indicator"], correction=CorrectionCurve.from_text(told["indicator.correction"]["as_text"])
        ),
        encoder=Encoder(**told["encoder"]) if told["encoder"]["shaft"] else None,
        limits=Limits(**told["limits"]),
        conditions=Conditions(**told["conditions"]),
        preconditions=tuple(
            Precondition(**{one.name: row[one.name] for one in PRECONDITION})
            for row in _rows(tables, "preconditions", test)
        ),
        traces=tuple(_trace(row, (*heard, pinion)) for row in _rows(tables, "positions", test)),
        units=told[""]["units"],
        closing=told[""]["closing"],
        notes=tuple((row["time_s"], row["text"]) for row in _rows(tables, "notes", test)),
        sweeps=tuple(_sweep(row, heard) for row in _rows(tables, "sweeps", test)),
        damage=tuple(told[""]["damage"].splitlines()),
        left_out=tuple(told[""]["left_out"].splitlines()),
        causes=tuple(told[""]["causes"].splitlines()),
        passes=tuple(_pass(row, pinion, encoder) for row in passes),
        pinion_encoder=Encoder(**told["pinion_encoder"]) if told["pinion_encoder"]["shaft"] else None,
    )


def _heard(samples: pd.DataFrame, test: str, channel: str) -> pd.DataFrame:
    """The samples of one instrument of one test."""
    one = samples[(samples["test"] == test) & (samples["channel"] == channel)]
    return one.assign(**{name: one[name].fillna(0).astype(np.int64) for name in ("position", "pass")})


def _rows(tables: Mapping[str, pd.DataFrame], name: str, test: str) -> list[Row]:
    """The rows of a test, plain values, None where one is missing."""
    table = tables[name]
    own = table[table["test"] == test]
    columns = {
        column.name: [
            None if missing else value for value, missing in zip(cells.tolist(), cells.isna(), strict=True)
        ]
        for column in TABLES[name].columns
        for cells in (own[column.name],)
    }
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def _told(given: Row) -> dict[str, Row]:
    """A row of the table of tests by the part of the record that each figure was taken from."""
    told: dict[str, Row] = {}
    for column in TABLES["tests"].columns:
        part, _, name = str(column.of).removeprefix("record.").rpartition(".")
        told.setdefault(part, {})[name] = given[column.name]
    return told


def _trace(row: Row, heard: Sequence[pd.DataFrame]) -> RockTrace:
    return RockTrace(
        **{name: row[name] for name in ("position", "engagement", "purpose", "attempt")},
        **_within(heard, "position", row["position"]),
        typed=TypedReadings.from_text(row["typed"]),
        times_apart_uncertainty_s=_or_nan(row["times_apart_standard_uncertainty_s"]),
    )


def _sweep(row: Row, heard: Sequence[pd.DataFrame]) -> RunoutTrace:
    return RunoutTrace(
        **{name: row[name] for name in ("member", "indicator_from_mesh_deg")},
        **_within(heard, "sweep", row["member"]),
        times_apart_uncertainty_s=_or_nan(row["times_apart_standard_uncertainty_s"]),
    )


def _pass(row: Row, pinion: pd.DataFrame, gear: pd.DataFrame) -> PassTrace:
    """A pass with its samples; where both counts were taken together, both have the very same times."""
    times, angles = zip(
        *(
            (mine["time_s"].to_numpy(np.float64), mine["value"].to_numpy(np.float64))
            for mine in (one[one["pass"] == row["pass"]] for one in (pinion, gear))
        ),
        strict=True,
    )
    return PassTrace(
        number=row["pass"],
        **{name: row[name] for name in ("direction", "attempt", "brake_nm")},
        pinion_time_s=times[0],
        pinion_deg=angles[0],
        gear_time_s=times[0] if row["taken_together"] else times[1],
        gear_deg=angles[1],
        pinion_time_uncertainty_s=_or_nan(row["pinion_time_standard_uncertainty_s"]),
        gear_time_uncertainty_s=_or_nan(row["gear_time_standard_uncertainty_s"]),
    )


# Of indicator, encoder and, in a rock, the second encoder.
_NAMES = (("time_s", "indicator_mm"), ("encoder_time_s", "encoder_deg"), ("pinion_time_s", "pinion_deg"))


def _within(heard: Sequence[pd.DataFrame], column: str, label: object) -> Row:
    """What each instrument said in one rock or sweep, in the order of `_NAMES`."""
    return {
        name: one.loc[one[column] == label, value].to_numpy(np.float64)
        for one, pair in zip(heard, _NAMES, strict=False)
        for name, value in zip(pair, ("time_s", "value"), strict=True)
    }


def _or_nan(value: float | None) -> float:
    return np.nan if value is None else value
