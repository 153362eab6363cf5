"""What a table of an export is made of: its columns, each with type, unit and meaning."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["string", "integer", "number", "boolean"]
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


def text(name: str, meaning: str) -> Column:
    """A column of texts; none is an empty one."""
    return Column(name=name, kind="string", meaning=meaning, required=True)


def number(name: str, meaning: str, *, required: bool = False) -> Column:
    """A column of numbers."""
    return Column(name=name, kind="number", meaning=meaning, required=required)


def whole(name: str, meaning: str, *, required: bool = True) -> Column:
    """A column of whole numbers."""
    return Column(name=name, kind="integer", meaning=meaning, required=required)


def yes_no(name: str, meaning: str, *, required: bool = True) -> Column:
    """A column of yes or no."""
    return Column(name=name, kind="boolean", meaning=meaning, required=required)
