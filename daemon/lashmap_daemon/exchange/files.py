"""Files of an export: one for each table in a folder (CSV, JSON or Parquet), and ``datapackage.json``.

CSV is RFC 4180 with UTF-8, a header, quoted texts, empty cells for what is missing and as many digits as give
every float back; texts are guarded against spreadsheets (`lashmap_analysis.tables`). JSON is one array
of objects a table. Parquet has row groups of one block. The descriptor follows the Data Package and Table
Schema specifications of Frictionless Data, version 1; its columns come from
`lashmap_analysis.tables`, so that files, reader and descriptor agree.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import math
from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import IO, Any, Protocol

from lashmap_analysis.tables import SAMPLES, TABLES, VERSION, Figure, Table, guarded

from lashmap_daemon.exchange.arrow import arrow, arrow_array, arrow_rows, missing_extra, schema_of
from lashmap_daemon.exchange.frames import Coded, Column, Columns, cells
from lashmap_daemon.whole_file import replace_whole

SUFFIX = {"csv": ".csv", "json": ".json", "parquet": ".parquet"}


class Writer(Protocol):
    """Tables on their way into a format: a folder of files, a workbook, a MATLAB file."""

    def write(self, table: Table, columns: Columns) -> None:
        """Append rows to a table.

        Raises:
            ConfigurationError: When the format cannot hold them.
        """

    def close(self) -> None:
        """Finish."""

    def abandon(self) -> None:
        """Give up what was begun; its files are removed afterwards."""


class Folder:
    """One file for each table in a folder that is there, and the descriptor.

    A block of samples is written while the next is decoded: writing is mostly done outside of Python.

    Raises:
        ConfigurationError: When the format needs what is not installed.
    """

    def __init__(self, folder: Path, kind: str) -> None:
        self._folder, self._kind = folder, kind
        if kind == "parquet" and arrow() is None:
            raise missing_extra(kind, "pyarrow")
        one_file = _TextFile if kind == "json" or arrow() is None else _ArrowFile
        self._beside = ThreadPoolExecutor(1)
        self._written: Future[None] | None = None
        self._files = {
            name: one_file(table, folder / f"{name}{SUFFIX[kind]}", kind) for name, table in TABLES.items()
        }

    def write(self, table: Table, columns: Columns) -> None:
        """Append rows to the file of a table."""
        if table is not SAMPLES:
            self._files[table.name].write(columns)
            return
        self._wait()
        self._written = self._beside.submit(self._files[table.name].write, columns)

    def abandon(self) -> None:
        """Close the files."""
        self._beside.shutdown()
        for file in self._files.values():
            with suppress(OSError, ValueError):  # of a full disk; or it was closed when something else failed
                file.close()

    def close(self) -> None:
        """Close the files and describe them."""
        self._wait()
        self._beside.shutdown()
        for file in self._files.values():
            file.close()
        now = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
        described = descriptor(self._folder, self._kind, now)
        text = json.dumps(described, indent=2, ensure_ascii=False) + "\n"
        replace_whole(self._folder / NAME, text)

    def _wait(self) -> None:
        """Until the block before is written; raises what writing it raised."""
        if self._written is not None:
            self._written.result()


class _ArrowFile:
    """Parquet or CSV, written by Arrow."""

    def __init__(self, table: Table, path: Path, kind: str) -> None:
        from pyarrow import csv  # noqa: PLC0415 - heavy, and not everybody has it

        self._table, self._csv = table, kind == "csv"
        self._schema = schema_of(table, coded=not self._csv)
        self._writer = (
            csv.CSVWriter(path, self._schema, write_options=csv.WriteOptions(quoting_style="needed"))
            if self._csv
            else _parquet_writer(table, path, self._schema)
        )

    def write(self, columns: Columns) -> None:
        if self._csv:
            columns = {name: _guarded(column) for name, column in columns.items()}
        self._writer.write_table(arrow_rows(self._table, columns, self._schema))

    def close(self) -> None:
        self._writer.close()


def _parquet_writer(table: Table, path: Path, schema: Any) -> Any:  # noqa: ANN401 - pyarrow has no types
    from pyarrow import parquet  # noqa: PLC0415 - heavy, and not everybody has it

    # Splitting the bytes of doubles before packing is four times as quick as a dictionary of them, and
    # as small; differences of whole numbers, which repeat, save a quarter of all (measured,
    # `tests/benchmarks/bench_export.py`).
    coded = {"number": "BYTE_STREAM_SPLIT", "integer": "DELTA_BINARY_PACKED"}
    return parquet.ParquetWriter(
        path,
        schema,
        compression="zstd",
        compression_level=1,
        use_dictionary=[column.name for column in table.columns if column.kind == "string"],
        column_encoding={column.name: coded[column.kind] for column in table.columns if column.kind in coded},
    )


class _TextFile:
    """CSV or JSON as text, a block at a time."""

    def __init__(self, table: Table, path: Path, kind: str) -> None:
        self._table, self._csv, self._started = table, kind == "csv", False
        self._file: IO[str] = path.open("w", encoding="utf-8", newline="")
        header = ",".join(_csv_cell(column.name) for column in table.columns) + "\n"
        self._file.write(header if self._csv else "[")

    def write(self, columns: Columns) -> None:
        if self._csv:
            self._file.writelines(f"{row}\n" for row in _rows(self._table, columns, _csv_cell, ","))
        elif rows := _json_rows(self._table, columns):
            self._file.write((",\n{" if self._started else "\n{") + "},\n{".join(rows) + "}")
            self._started = True

    def close(self) -> None:
        self._file.write("" if self._csv else "\n]\n")
        self._file.close()


def _rows(table: Table, columns: Columns, cell: Callable[[Any], str], between: str) -> list[str]:
    keys = [f"{json.dumps(column.name)}: " if cell is _json_cell else "" for column in table.columns]
    shown = (
        [key + cell(value) for value in cells(columns[column.name])]
        for key, column in zip(keys, table.columns, strict=True)
    )
    return [between.join(row) for row in zip(*shown, strict=True)]


def _json_rows(table: Table, columns: Columns) -> list[str]:
    """The rows as texts; of a block of arrays in one text, put together by Arrow: ten times as quick."""
    if arrow() is None or not isinstance(columns[table.key[0]], Coded):
        return _rows(table, columns, _json_cell, ", ")
    import pyarrow as pa  # noqa: PLC0415 - heavy, and not everybody has it
    from pyarrow import compute  # noqa: PLC0415 - as above

    parts: list[Any] = []
    words = ""
    for figure in table.columns:
        column = columns[figure.name]
        words += f"{', ' if parts or words else ''}{json.dumps(figure.name)}: "
        if isinstance(column, Coded):
            column = Coded(tuple(map(_json_cell, column.words)), column.codes)
            if len(column.words) == 1:
                words += column.words[0]
                continue
        shown = compute.cast(arrow_array(column, figure), pa.string())
        parts += [words, compute.fill_null(shown, "null")]
        words = ""
    joined = compute.binary_join_element_wise(*parts, words, "")
    together: str = compute.binary_join(pa.ListArray.from_arrays([0, len(joined)], joined), "},\n{")[
        0
    ].as_py()
    return [together]


def _guarded(column: Column) -> Column:
    if isinstance(column, Coded):
        return Coded(tuple(map(guarded, column.words)), column.codes)
    return [_safe(cell) for cell in column] if isinstance(column, list) else column


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
    """Describe the files in a folder, one for each table; ``created`` is ISO 8601, UTC."""
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
