"""An export in one file: a workbook with a sheet for each table, or a MATLAB file with a struct for each.

In a workbook every text is written as a text, so that no cell becomes a formula. A sheet that has more rows
than a workbook can hold is refused: half a table would look like a whole one.

In a MATLAB file each column is one array: texts are cell arrays, missing numbers NaN, yes or no 1 or 0 (NaN
where missing). The table of samples, which would repeat a few texts millions of times, holds one struct for
each instrument instead: ``samples.indicator`` with ``time_s``, ``value``, ``unit``, ``position`` (0 outside
of a rock) and ``sweep`` (0 none, 1 gear, 2 pinion). It is put together in memory, 21 bytes a sample.
"""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import numpy as np
from lashmap_analysis.tables import SAMPLES, TABLES, Figure, Table
from numpy.typing import NDArray

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.exchange.arrow import missing_extra
from lashmap_daemon.exchange.frames import UNIT, Coded, Column, Columns, cells

# Of a sheet, the header included (Office Open XML as spreadsheets implement it, from memory).
MOST_ROWS = 1_048_576
MOST_LETTERS = 32_767  # of a cell (from memory)
RESULTS = "results"  # the sheet that a workbook opens on
# What XML 1.0 has no character for; written as \x07 is.
_UNWRITABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff\ud800-\udfff]")


class Workbook:
    """A workbook being written, row by row; ``name`` is how the user calls it, for messages.

    Raises:
        ConfigurationError: When the library is not installed.
    """

    def __init__(self, path: Path, name: str) -> None:
        try:
            import openpyxl  # noqa: PLC0415 - heavy, and not everybody has it
        except ImportError:
            raise missing_extra("xlsx", "openpyxl") from None
        self._path, self._name = path, name
        self._book = openpyxl.Workbook(write_only=True)
        self._sheets: dict[str, Any] = {}
        self._counts: dict[str, int] = {}
        self._blocks: list[Columns] = []
        self._describe()
        for table in TABLES.values():
            sheet = self._book.create_sheet(table.name)
            sheet.freeze_panes = "B2"
            # Before the first row: what comes later is not written.
            sheet.sheet_view.tabSelected = table.name == RESULTS
            sheet.append([self._cell(sheet, column.name) for column in table.columns])
            self._sheets[table.name], self._counts[table.name] = sheet, 1
        # Who opens the file looks for the results; the first sheet says what the columns mean.
        self._book.active = self._book.sheetnames.index(RESULTS)

    def write(self, table: Table, columns: Columns) -> None:
        """Append rows to the sheet of a table.

        Samples are written at the end, so that too many are refused before the slow part.

        Raises:
            ConfigurationError: When they are too many, or a text is too long for a cell.
        """
        self._count(table.name, len(columns[table.key[0]]))
        if table is SAMPLES:
            self._blocks.append(columns)
        else:
            self._append(table, columns)

    def close(self) -> None:
        """Write the file."""
        for block in self._blocks:
            self._append(SAMPLES, block)
        self._book.save(self._path)

    def abandon(self) -> None:
        """Close what was begun; the library's own temporary files go when the program ends."""
        for sheet in self._book.worksheets:
            sheet.close()

    def _count(self, name: str, more: int) -> None:
        self._counts[name] += more
        if self._counts[name] > MOST_ROWS:
            problem = (
                f"the table of {name} has more than the {MOST_ROWS - 1:,} rows that a sheet can hold; use "
                "--to parquet or csv, or leave samples out: --samples rocks or none"
            )
            raise ConfigurationError(self._name, [problem])

    def _append(self, table: Table, columns: Columns) -> None:
        sheet = self._sheets[table.name]
        for row in zip(*(cells(columns[column.name]) for column in table.columns), strict=True):
            sheet.append([self._cell(sheet, value) for value in row])

    def _describe(self) -> None:
        sheet = self._book.create_sheet("columns")
        sheet.append(["table", "column", "type", "unit", "meaning"])
        for table in TABLES.values():
            sheet.append([table.name, "", "", "", f"One row is {table.meaning}."])
            for column in table.columns:
                words = (table.name, column.name, column.kind, column.unit, column.meaning)
                sheet.append([self._cell(sheet, word) for word in words])

    def _cell(self, sheet: Any, value: Any) -> Any:  # noqa: ANN401 - openpyxl has no types
        """A number as it is; a text as a text whatever it begins with; nothing where a value is missing."""
        if isinstance(value, float) and not math.isfinite(value):
            return None
        if isinstance(value, float) and float(f"{value:.16g}") != value:
            return self._as(sheet, repr(value), "n")  # the library writes 16 digits, some numbers need 17
        if not isinstance(value, str):
            return value
        text = _UNWRITABLE.sub(lambda found: ascii(found.group())[1:-1], value)
        if len(text) > MOST_LETTERS:
            raise ConfigurationError(
                self._name,
                [f"a text of {len(text):,} letters does not fit a cell ({MOST_LETTERS:,}); use --to parquet"],
            )
        if not text.startswith(("=", "+", "-", "@")):
            return text or None
        cell = self._as(sheet, text, "s")  # it would be taken for a formula otherwise …
        cell.quotePrefix = True  # … and once more when somebody edits the cell
        return cell

    def _as(self, sheet: Any, text: str, kind: str) -> Any:  # noqa: ANN401 - as above
        from openpyxl.cell import WriteOnlyCell  # noqa: PLC0415 - as above

        cell = WriteOnlyCell(sheet, value=text)
        cell.data_type = kind
        return cell


# Of both instruments together: a variable of a level 5 file must stay below 2 GB (documentation of the
# format, from memory), and `samples` holds all of them at 23 bytes each.
MOST_SAMPLES = 90_000_000
_Kept = dict[str, NDArray[Any]]
_KINDS = {"time_s": np.float64, "value": np.float64, "position": np.int32, "sweep": np.int8, "pass": np.int16}


class MatlabFile:
    """A MATLAB file being gathered; ``name`` is how the user calls it, for messages.

    Raises:
        ConfigurationError: When the library is not installed.
    """

    def __init__(self, path: Path, name: str) -> None:
        try:
            from scipy.io import savemat  # noqa: PLC0415 - slow to import, and not everybody has it
        except ImportError:
            raise missing_extra("mat", "scipy", "matlab") from None
        self._save = savemat
        self._path, self._name = path, name
        self._tables: dict[str, Any] = {}
        self._blocks: dict[str, list[_Kept]] = {channel: [] for channel in UNIT}
        self._count = 0

    def write(self, table: Table, columns: Columns) -> None:
        """Take rows of a table: of the samples a block at a time, of each other table all at once.

        Raises:
            ConfigurationError: When there are more samples than such a file can hold.
        """
        if table is not SAMPLES:
            self._tables[table.name] = {
                column.name: _array(column, cells(columns[column.name])) for column in table.columns
            }
            return
        self._count += len(columns["time_s"])
        if self._count > MOST_SAMPLES:
            problem = (
                f"such a file holds no more than {MOST_SAMPLES:,} samples; use --to parquet or csv, "
                "which have no such limit, or leave samples out: --samples rocks or none"
            )
            raise ConfigurationError(self._name, [problem])
        channel = cells(columns["channel"])[0]
        kept = {name: _array_of(columns[name]).astype(kind) for name, kind in _KINDS.items()}
        self._blocks[channel].append(kept)

    def abandon(self) -> None:
        """Nothing was begun that needs closing."""

    def close(self) -> None:
        """Write the file."""
        samples = {channel: _samples(channel, kept) for channel, kept in self._blocks.items()}
        units = {
            table.name: {column.name: column.unit for column in table.columns if column.unit}
            for table in TABLES.values()
        }
        units = {name: named for name, named in units.items() if named}
        self._save(
            self._path,
            {**self._tables, "samples": samples, "units": units},
            long_field_names=True,
            oned_as="column",
            do_compression=True,
        )


def _samples(channel: str, blocks: list[_Kept]) -> dict[str, Any]:
    def joined(name: str) -> NDArray[Any]:
        return np.concatenate([np.empty(0, dtype=_KINDS[name]), *(block[name] for block in blocks)])

    return {
        figure.name: joined(figure.name) if figure.name in _KINDS else UNIT[channel]
        for figure in SAMPLES.columns
        if figure.name not in {"test", "channel"}
    }


def _array_of(column: Column) -> NDArray[Any]:
    filled: NDArray[Any] = column.codes if isinstance(column, Coded) else np.ma.filled(column, 0)
    return filled


def _array(column: Figure, cells: list[Any]) -> Any:  # noqa: ANN401 - an array of what the column holds
    if column.kind == "string":
        array = np.empty(len(cells), dtype=object)
        array[:] = cells
        return array
    missing = [cell is None or (isinstance(cell, float) and not math.isfinite(cell)) for cell in cells]
    return np.array(
        [math.nan if gone else float(cell) for gone, cell in zip(missing, cells, strict=True)],
        dtype=np.float64,
    )
