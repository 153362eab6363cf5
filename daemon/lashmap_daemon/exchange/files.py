"""One file for each table in a folder: CSV, JSON or Parquet, written block by block.

Decided here: how a table becomes a file. CSV is RFC 4180 with UTF-8, a header, quoted texts, empty cells for
what is missing and as many digits as give every float back; texts are guarded against spreadsheets
(`lashmap_analysis.tables.load`). JSON is one array of objects a table. Parquet has row groups of one block.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable, Iterable, Mapping
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import IO, Any, Protocol

from lashmap_analysis.tables.columns import SAMPLES, TABLES, VERSION, Figure, Table
from lashmap_analysis.tables.load import guarded

from lashmap_daemon.exchange.arrow import arrow, arrow_rows, arrow_samples, missing_extra, schema_of
from lashmap_daemon.exchange.samples import SWEEPS, Block

Columns = Mapping[str, list[Any]]
SUFFIX = {"csv": ".csv", "json": ".json", "parquet": ".parquet"}


class TableFile(Protocol):
    """One table being written."""

    def rows(self, columns: Columns) -> None:
        """Append rows."""

    def samples(self, block: Block) -> None:
        """Append samples; of the table of samples only."""

    def close(self) -> None:
        """Finish the file."""


def open_table(table: Table, folder: Path, kind: str) -> TableFile:
    """Begin the file of a table.

    Raises:
        ConfigurationError: When the format needs what is not installed.
    """
    path = folder / f"{table.name}{SUFFIX[kind]}"
    if kind == "parquet":
        if arrow() is None:
            raise missing_extra(kind, "pyarrow")
        return _ParquetFile(table, path)
    if kind == "csv" and arrow() is not None:
        return _ArrowCsvFile(table, path)
    return _TextFile(table, path, csv=kind == "csv")


class _ParquetFile:
    def __init__(self, table: Table, path: Path) -> None:
        from pyarrow import parquet  # noqa: PLC0415 - heavy, and not everybody has it

        self._table, self._schema = table, schema_of(table, coded=True)
        texts = [column.name for column in table.columns if column.kind == "string"]
        # Splitting the bytes of doubles before packing is four times as quick as a dictionary of them, and
        # as small; differences of whole numbers, which repeat, save a quarter of all (measured,
        # `tests/benchmarks/bench_export.py`).
        coded = {"number": "BYTE_STREAM_SPLIT", "integer": "DELTA_BINARY_PACKED"}
        self._writer = parquet.ParquetWriter(
            path,
            self._schema,
            compression="zstd",
            compression_level=1,
            use_dictionary=texts,
            column_encoding={
                column.name: coded[column.kind] for column in table.columns if column.kind in coded
            },
        )

    def rows(self, columns: Columns) -> None:
        self._writer.write_table(arrow_rows(self._table, dict(columns), self._schema))

    def samples(self, block: Block) -> None:
        rows = arrow_samples(block, self._schema, (block.test, block.channel))
        self._writer.write_table(rows, row_group_size=len(block))

    def close(self) -> None:
        self._writer.close()


class _ArrowCsvFile:
    def __init__(self, table: Table, path: Path) -> None:
        from pyarrow import csv  # noqa: PLC0415 - heavy, and not everybody has it

        self._table, self._schema = table, schema_of(table, coded=False)
        options = csv.WriteOptions(quoting_style="needed")
        self._writer = csv.CSVWriter(path, self._schema, write_options=options)

    def rows(self, columns: Columns) -> None:
        safe = {name: [_safe(cell) for cell in cells] for name, cells in columns.items()}
        self._writer.write_table(arrow_rows(self._table, safe, self._schema))

    def samples(self, block: Block) -> None:
        self._writer.write_table(arrow_samples(block, self._schema, (guarded(block.test), block.channel)))

    def close(self) -> None:
        self._writer.close()


class _TextFile:
    """CSV or JSON as text, a block at a time."""

    def __init__(self, table: Table, path: Path, *, csv: bool) -> None:
        self._table, self._csv, self._started = table, csv, False
        self._file: IO[str] = path.open("w", encoding="utf-8", newline="")
        header = ",".join(_csv_cell(column.name) for column in table.columns) + "\n"
        self._file.write(header if csv else "[")

    def rows(self, columns: Columns) -> None:
        names = [column.name for column in self._table.columns]
        cell: Callable[[Any], str] = _csv_cell if self._csv else _json_cell
        keys = ["" if self._csv else f"{json.dumps(name)}: " for name in names]
        cells = [
            [key + cell(value) for value in columns[name]] for key, name in zip(keys, names, strict=True)
        ]
        self._append([", ".join(row) if not self._csv else ",".join(row) for row in zip(*cells, strict=True)])

    def samples(self, block: Block) -> None:
        if self._csv or arrow() is None:
            self.rows(block.columns())
        else:
            self._append(_json_samples(block))

    def close(self) -> None:
        self._file.write("" if self._csv else "\n]\n")
        self._file.close()

    def _append(self, rows: list[str]) -> None:
        if not rows:
            return
        if self._csv:
            self._file.write("\n".join(rows) + "\n")
            return
        self._file.write((",\n{" if self._started else "\n{") + "},\n{".join(rows) + "}")
        self._started = True


def _json_samples(block: Block) -> list[str]:
    """The rows of a block in one text, put together by Arrow: ten times as quick as in Python."""
    import pyarrow as pa  # noqa: PLC0415 - heavy, and not everybody has it
    from pyarrow import compute  # noqa: PLC0415 - as above

    size = len(block)
    columns = arrow_samples(block, schema_of(SAMPLES, coded=True), (block.test, block.channel))

    def shown(name: str) -> Any:  # noqa: ANN401 - pyarrow has no types
        return compute.fill_null(compute.cast(columns.column(name).combine_chunks(), pa.string()), "null")

    sweeps = pa.DictionaryArray.from_arrays(
        pa.array(block.sweep.astype("int8")), pa.array([json.dumps(one) for one in SWEEPS])
    ).dictionary_decode()
    fixed = {"test": block.test, "channel": block.channel}
    head = ", ".join(f'"{name}": {json.dumps(text)}' for name, text in fixed.items())
    joined = compute.binary_join_element_wise(
        pa.repeat(f'{head}, "time_s": ', size),
        shown("time_s"),
        pa.repeat(', "value": ', size),
        shown("value"),
        pa.repeat(f', "unit": {json.dumps(block.unit)}, "position": ', size),
        shown("position"),
        pa.repeat(', "sweep": ', size),
        sweeps,
        "",
    )
    together: str = compute.binary_join(pa.ListArray.from_arrays([0, size], joined), "},\n{")[0].as_py()
    return [together]


def _safe(cell: Any) -> Any:  # noqa: ANN401 - whatever the cell holds
    return guarded(cell) if isinstance(cell, str) else cell


def _csv_cell(cell: Any) -> str:  # noqa: ANN401 - whatever the cell holds
    if isinstance(cell, str):
        return '"' + guarded(cell).replace('"', '""') + '"'
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if cell is None or (isinstance(cell, float) and not math.isfinite(cell)):
        return ""
    return repr(cell)


def _json_cell(cell: Any) -> str:  # noqa: ANN401 - whatever the cell holds
    if isinstance(cell, float) and not math.isfinite(cell):
        return "null"
    return json.dumps(cell, ensure_ascii=False)


# ``datapackage.json``: what an export holds, column by column, for people and for programs.
#
# Follows the Data Package and Table Schema specifications of Frictionless Data, version 1; the columns come
# from `lashmap_analysis.tables.columns`, so that files, reader and descriptor cannot disagree.


Json = dict[str, Any]
NAME = "datapackage.json"
MEDIA = {"csv": "text/csv", "json": "application/json", "parquet": "application/vnd.apache.parquet"}
ABOUT = (
    "Backlash tests of right-angle gearboxes. Lengths are in mm and angles in degrees; the unit of a number "
    "stands at the end of its column's name. Times called time_s are monotonic seconds since the test "
    "started, those called utc are ISO 8601 in UTC. Numbers that are missing or not finite are empty."
)
ABOUT_CSV = (
    " In CSV a text that a spreadsheet would take for a formula has an apostrophe in front: take one away "
    "from texts that begin with an apostrophe and such a sign."
)


def descriptor(folder: Path, kind: str, created: str) -> Json:
    """Describe the files in a folder.

    Args:
        folder: Holds one file for each table.
        kind: ``csv``, ``json`` or ``parquet``.
        created: ISO 8601, UTC.
    """
    return {
        "profile": "tabular-data-package",
        "name": "lashmap-export",
        "title": "Backlash tests, exported by lashmap",
        "description": ABOUT + (ABOUT_CSV if kind == "csv" else ""),
        "created": created,
        "lashmap": {"tables": VERSION, "version": program_version()},
        "resources": [_resource(table, folder, kind) for table in TABLES.values()],
    }


def schema(table: Table) -> Json:
    """Table Schema of a table; the unit of a column is a property of its own."""
    described: Json = {
        "fields": [_field(column) for column in table.columns],
        "primaryKey": list(table.key),
        "missingValues": [""],
    }
    if table.name != "tests":
        described["foreignKeys"] = [
            {"fields": ["test"], "reference": {"resource": "tests", "fields": ["test"]}}
        ]
    return described


def program_version() -> str:
    """Version of this program."""
    try:
        return version("lashmap")
    except PackageNotFoundError:
        return "unknown (not installed)"


def _resource(table: Table, folder: Path, kind: str) -> Json:
    path = folder / f"{table.name}.{kind}"
    resource: Json = {
        "profile": "tabular-data-resource",
        "name": table.name,
        "description": f"One row is {table.meaning}.",
        "path": path.name,
        "format": kind,
        "mediatype": MEDIA[kind],
        "encoding": "utf-8",
        "bytes": path.stat().st_size,
        "hash": f"sha256:{digest([path])}",
        "schema": schema(table),
    }
    return resource


def _field(column: Figure) -> Json:
    field: Json = {"name": column.name, "type": column.kind, "description": column.meaning}
    if column.unit:
        field["unit"] = column.unit
    # An empty text stands for none, and in CSV an empty cell is a missing one: only numbers are required.
    if column.required and column.kind != "string":
        field["constraints"] = {"required": True}
    return field


def digest(paths: Iterable[Path]) -> str:
    """SHA-256 of the bytes of some files, one after the other, as hexadecimal digits."""
    summed = hashlib.sha256()
    for path in paths:
        with path.open("rb") as file:
            while piece := file.read(1 << 20):
                summed.update(piece)
    return summed.hexdigest()
