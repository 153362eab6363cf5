"""An export as one workbook, a sheet for each table, for people who work in a spreadsheet.

Every text is written as a text, so that no cell becomes a formula. A sheet that has more rows than a workbook
can hold is refused: half a table would look like a whole one.
"""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

from lashmap_analysis.tables import SAMPLES, TABLES, Table

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.exchange.arrow import missing_extra
from lashmap_daemon.exchange.samples import Columns, cells

MOST_ROWS = (
    1_048_576  # of a sheet, the header included (Office Open XML as spreadsheets implement it, from memory)
)
MOST_LETTERS = 32_767  # of a cell (from memory)
# What XML 1.0 has no character for; written as \x07 is.
_UNWRITABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff\ud800-\udfff]")


class Workbook:
    """A workbook being written, row by row.

    Args:
        path: Where it goes.
        name: How the user calls it, for messages.

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
            sheet.append([self._cell(sheet, column.name) for column in table.columns])
            self._sheets[table.name], self._counts[table.name] = sheet, 1

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
