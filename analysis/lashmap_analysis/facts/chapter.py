"""What a section says on paper: chapters of a few kinds of blocks, which HTML and PDF set alike.

A block holds words and pictures, never markup; how each kind looks is decided by the templates
(`report/templates/blocks.html.j2`, `blocks.typ`). The name of a kind is the template's name for it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from markupsafe import Markup

from lashmap_analysis.lengths import MISSING, format_length

if TYPE_CHECKING:
    from collections.abc import Iterable

    from lashmap_analysis.facts.figure import Figure
    from lashmap_analysis.record import Units

Rows = tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Words:
    """A paragraph; ``missing`` stands in the place of a part, a ``hint`` is for a screen alone."""

    words: str
    style: Literal["", "small", "caption", "missing", "strong", "hint"] = ""
    kind: str = field(default="words", init=False)


@dataclass(frozen=True)
class Points:
    """A list of sentences."""

    lines: tuple[str, ...]
    style: Literal["", "left-out"] = ""
    kind: str = field(default="points", init=False)


@dataclass(frozen=True)
class Facts:
    """Names with their words; `width` is the part of the line that names have on paper, in per cent."""

    rows: Rows
    style: Literal["", "words"] = ""
    width: int = 34
    kind: str = field(default="facts", init=False)


@dataclass(frozen=True)
class Heading:
    """A heading inside a chapter."""

    words: str
    kind: str = field(default="heading", init=False)


@dataclass(frozen=True)
class Picture:
    """A chart."""

    picture: Markup
    kind: str = field(default="picture", init=False)


@dataclass(frozen=True)
class Head:
    """Head of a column, figures to the `right`; `width` is its share on paper, 0 as wide as its words."""

    words: str
    width: float = 1.0
    right: bool = False
    on_paper: str = ""
    style: Literal["", "remarks"] = ""


@dataclass(frozen=True)
class Cell:
    """A cell with heavy words in front, a bar for a share in per cent, or several columns wide."""

    words: str = ""
    strong: str = ""
    share: int | None = None
    span: int = 1


@dataclass(frozen=True)
class Row:
    """A line of a table."""

    cells: tuple[str | Cell, ...]
    style: Literal["", "refused", "total first", "total"] = ""


@dataclass(frozen=True)
class Grid:
    """A table; `size` is that of its letters on paper."""

    caption: str
    heads: tuple[Head, ...]
    rows: tuple[Row, ...]
    style: str = ""
    size: float = 0.88
    caption_on_paper: bool = True
    kind: str = field(default="grid", init=False)


@dataclass(frozen=True)
class Side:
    """Blocks side by side."""

    left: tuple[Block, ...]
    right: tuple[Block, ...]
    style: Literal["", "sweep"] = ""
    kind: str = field(default="side", init=False)


@dataclass(frozen=True)
class Columns:
    """Titled lists of facts, one after the other in two columns."""

    parts: tuple[tuple[str, Facts], ...]
    kind: str = field(default="columns", init=False)


@dataclass(frozen=True, kw_only=True)
class FlagRow:
    """One refusal or warning with all positions that have it, as text."""

    name: str
    disabling: bool
    sentence: str
    positions: str
    numbers: str


@dataclass(frozen=True)
class Flags:
    """Refusals and warnings in words."""

    rows: tuple[FlagRow, ...]
    kind: str = field(default="flags", init=False)


@dataclass(frozen=True, kw_only=True)
class TraceFigure:
    """A small picture with its words."""

    heading: str
    reading: str
    detail: str
    reversals: str
    flags: tuple[str, ...]
    refused: bool
    picture: Markup


@dataclass(frozen=True)
class Traces:
    """Small pictures of rock traces."""

    figures: tuple[TraceFigure, ...]
    kind: str = field(default="traces", init=False)


Block = Words | Points | Facts | Heading | Picture | Grid | Side | Columns | Flags | Traces


@dataclass(frozen=True)
class Chapter:
    """A chapter of the evidence; `name` is unique on the page."""

    title: str
    name: str
    blocks: tuple[Block, ...]


def rows_of(cells: Iterable[Iterable[str]]) -> tuple[Row, ...]:
    """Plain lines of a table."""
    return tuple(Row(tuple(line)) for line in cells)


def facts_of(figures: Iterable[Figure], holder: object, units: Units, *, absent: str = MISSING) -> Rows:
    """Figures with their labels, lengths in the paper's unit; for a terminal as well."""
    return tuple((one.label or one.meaning, _shown(one, one.value(holder), units, absent)) for one in figures)


def _shown(figure: Figure, value: object, units: Units, absent: str) -> str:
    if value is None:
        return absent
    if figure.kind != "number" or not isinstance(value, float):
        return str(value)
    if figure.unit == "mm":
        return format_length(value, units)
    return f"{value:g}°" if figure.unit == "deg" else f"{value:g} {figure.unit}".rstrip()
