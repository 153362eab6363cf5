"""What a section is made of: figures, each with key, unit, meaning and how it is taken from an assessment.

A figure is said once. The result document, its keys, the tables of an export and their columns all loop over
figures; nothing else picks values out of an assessment for them. The unit stands at the end of a key, lengths
are in mm and angles in degrees whatever the box's paperwork uses, and what is not a finite number is none.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any, Literal

from markupsafe import Markup

from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.record.lengths import MISSING, RATES, format_given, format_length, format_rate
from lashmap_analysis.record.record import Units

Kind = Literal["string", "integer", "number", "boolean"]
Of = str | Callable[[Any], object]
Json = dict[str, Any]
UNITS = {
    "_mm_per_s": "mm/s",
    "_deg_per_s": "deg/s",
    "_um_per_m_k": "µm/(m K)",
    "_um_per_nm": "µm/(N m)",
    "_urad": "µrad",
    "_mm": "mm",
    "_deg": "deg",
    "_s": "s",
    "_c": "°C",
    "_nm": "N m",
}
WHOLE = ""  # path to the holder itself


@dataclass(frozen=True, kw_only=True)
class Figure:
    """One figure: a key of the result document, a column of a table, or both.

    Attributes:
        name: Its key; its unit is the end of it.
        kind: Type in the words of Table Schema.
        meaning: In one sentence.
        required: False when a cell of a table may be missing.
        of: Where it is: a path of attributes and places from what holds it, or a function of that; the name
            when None.
        joined: What stands between the items of a list in a cell of a table.
        label: Its name for people; the meaning when empty.
    """

    name: str
    kind: Kind
    meaning: str
    required: bool = False
    of: Of | None = None
    joined: str = "\n"
    label: str = ""

    @property
    def unit(self) -> str:
        """Unit, from the end of the name; empty when there is none."""
        return next((unit for end, unit in UNITS.items() if self.name.endswith(end)), "")

    def value(self, holder: object) -> Any:  # noqa: ANN401 - whatever JSON takes
        """The figure as plain values, None where there is none."""
        return plain(taken(self.name if self.of is None else self.of, holder))

    def cell(self, holder: object) -> Any:  # noqa: ANN401 - as above
        """The figure as one cell of a table; a text is never missing, an empty one is none."""
        value = self.value(holder)
        if self.kind != "string":
            return value
        if isinstance(value, list):
            return self.joined.join(map(str, value))
        return "" if value is None else value

    def under(self, of: Of, **changed: Any) -> Figure:  # noqa: ANN401 - as `dataclasses.replace`
        """The same figure for one who holds its holder at `of`, with another name or meaning if need be."""
        own = self.name if self.of is None else self.of
        if isinstance(own, str) and isinstance(of, str):
            return replace(self, of=f"{of}.{own}", **changed)
        return replace(self, of=lambda holder: taken(own, taken(of, holder)), **changed)


@dataclass(frozen=True)
class Group:
    """Figures under one key of the result document.

    Attributes:
        name: The key.
        meaning: In one sentence.
        figures: What stands under it; a figure named ``*`` documents free keys.
        of: As of a `Figure`; without what it leads to the key is null.
        many: One for each of what is found, as a list.
    """

    name: str
    meaning: str
    figures: tuple[Figure | Group, ...]
    of: Of | None = None
    many: bool = False

    def value(self, holder: object) -> Any:  # noqa: ANN401 - whatever JSON takes
        """The group as plain values."""
        found = taken(self.name if self.of is None else self.of, holder)
        if found is None or isinstance(found, Mapping):
            return plain(found)
        if self.many:
            return [document(self.figures, one) for one in found]
        return document(self.figures, found)


@dataclass(frozen=True, kw_only=True)
class Table:
    """One table of an export.

    Attributes:
        name: Of its file or sheet.
        meaning: What one row is.
        key: Columns that name the row.
        columns: In order.
        rows: What holds each row, from an assessment; None when the rows do not follow from one.
    """

    name: str
    meaning: str
    key: tuple[str, ...]
    columns: tuple[Figure, ...]
    rows: Callable[[Assessment], Iterable[object]] | None = None


@dataclass(frozen=True, kw_only=True)
class Section:
    """One section of what is handed over: every rendering loops over sections.

    Attributes:
        figures: Keys of the result document, taken from an assessment.
        results: Columns of the table of results, taken from an assessment.
        tables: Of an export, each with its own rows.
        terminal: Lines of the summary on a terminal: name and words.
        chapters: Of the evidence in HTML and PDF.
    """

    figures: tuple[Figure | Group, ...] = ()
    results: tuple[Figure, ...] = ()
    tables: tuple[Table, ...] = ()
    terminal: Callable[[Assessment], Iterable[tuple[str, str]]] = lambda _assessment: ()
    chapters: Callable[[Assessment], Iterable[Chapter]] = lambda _assessment: ()


def text(name: str, meaning: str, of: Of | None = None, *, joined: str = "\n") -> Figure:
    """A text; none is an empty one."""
    return Figure(name=name, kind="string", meaning=meaning, required=True, of=of, joined=joined)


def number(
    name: str, meaning: str, of: Of | None = None, *, required: bool = False, label: str = ""
) -> Figure:
    """A number."""
    return Figure(name=name, kind="number", meaning=meaning, required=required, of=of, label=label)


def whole(name: str, meaning: str, of: Of | None = None, *, required: bool = True) -> Figure:
    """A whole number."""
    return Figure(name=name, kind="integer", meaning=meaning, required=required, of=of)


def yes_no(name: str, meaning: str, of: Of | None = None, *, required: bool = True) -> Figure:
    """Yes or no."""
    return Figure(name=name, kind="boolean", meaning=meaning, required=required, of=of)


TEST = text("test", "identifier of the test", "record.identity.test")  # first column of every table


def place(meaning: str) -> Figure:
    """The place of a row among its like, from 1; the rows are numbered by `numbered`."""
    return whole("line", meaning, "0")


def numbered(rows: Iterable[object]) -> Iterator[tuple[int, object]]:
    """Rows with their places, from 1."""
    return enumerate(rows, 1)


def document(figures: Iterable[Figure | Group], holder: object) -> Json:
    """The figures of a holder as nested plain values."""
    return {one.name: one.value(holder) for one in figures}


def keys(figures: Iterable[Figure | Group], prefix: str = "") -> Iterator[tuple[str, str]]:
    """Every key with its meaning; ``[]`` stands for the items of a list and ``*`` for free keys."""
    for one in figures:
        yield f"{prefix}{one.name}", one.meaning
        if isinstance(one, Group):
            yield from keys(one.figures, f"{prefix}{one.name}{'[]' if one.many else ''}.")


def taken(of: Of, holder: Any) -> Any:  # noqa: ANN401 - whatever is there
    """What a path or a function finds in a holder; None as soon as something on the way is None."""
    if not isinstance(of, str):
        return None if holder is None else of(holder)
    for part in _parts(of):
        if holder is None:
            return None
        holder = getattr(holder, part) if isinstance(part, str) else holder[part]
    return holder


@cache
def _parts(path: str) -> tuple[str | int, ...]:
    """A path in its parts: attributes by name, places by number."""
    return tuple(int(part) if part.isdigit() else part for part in path.split(".") if part)


def plain(value: object) -> Any:  # noqa: ANN401 - whatever JSON takes
    """`value` with plain Python numbers in it and None for every number that is not finite.

    JSON (RFC 8259) has no word for NaN and infinities.
    """
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if value is None or isinstance(value, str | bool):
        return value
    if isinstance(value, int):
        return int(value)
    if isinstance(value, Mapping):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    # A numpy array, or a scalar that slipped through a field typed as a plain number.
    return plain(value.tolist()) if hasattr(value, "tolist") else None


# What a section says on paper: chapters of a few kinds of blocks, which HTML and PDF set alike.
#
# A block holds words and pictures, never markup; how each kind looks is decided by the templates
# (`report/templates/blocks.html.j2`, `blocks.typ`). The name of a kind is the template's name for it.


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


def facts_of(
    figures: Iterable[Figure], holder: object, units: Units, *, absent: str = MISSING, given: bool = False
) -> Rows:
    """Figures with their labels, lengths in the paper's unit; for a terminal as well.

    Args:
        figures: Which.
        holder: What they are taken from.
        units: Of the paper.
        absent: What stands for none.
        given: A person wrote these lengths down: they get no digit that nobody wrote.
    """
    write = format_given if given else format_length
    return tuple(
        (one.label or one.meaning, _shown(one, one.value(holder), units, write) or absent) for one in figures
    )


def _shown(figure: Figure, value: object, units: Units, write: Callable[[float, Units], str]) -> str:
    """The figure as text, empty when there is none."""
    if value is None:
        return ""
    if figure.kind != "number" or not isinstance(value, float):
        return str(value)
    if figure.unit == "mm":
        return write(value, units)
    if figure.unit in RATES:
        return format_rate(value, figure.unit, units)
    return f"{value:g}°" if figure.unit == "deg" else f"{value:g} {figure.unit}".rstrip()
