"""What a section is made of: figures, each with key, unit, meaning and how it is taken from an assessment.

A figure is said once. The result document, its keys, the tables of an export and their columns all loop over
figures; nothing else picks values out of an assessment for them. The unit stands at the end of a key, lengths
are in mm and angles in degrees whatever the box's paperwork uses, and what is not a finite number is none.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from lashmap_analysis.assessment import Assessment
    from lashmap_analysis.facts.chapter import Chapter

Kind = Literal["string", "integer", "number", "boolean"]
Of = str | Callable[[Any], object]
Json = dict[str, Any]
UNITS = {"_mm_per_s": "mm/s", "_deg_per_s": "deg/s", "_mm": "mm", "_deg": "deg", "_s": "s"}
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
