"""What a person types in a test by hand: a rock, or a word; and what is answered to anything else.

A decimal comma is as good as a point. A rock is two readings, of the one flank and of the other, or the lash
itself. A line of a sheet holds all rocks of a position; whether they are pairs or lashes is printed on the
sheet, since two numbers may be either. Nothing is guessed: what cannot be meant is answered with the reason,
and asked for again.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from typing import Literal

from lashmap_analysis.record.lengths import MM_PER_INCH, format_length
from lashmap_analysis.record.record import Units

_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)")
MOST_DIAL_MM = 100.0  # travel of the longest common dial gauges (common practice, no source)
Word = Literal["skip", "again", "stop", "enough"]
_WORDS: dict[str, Word] = {"skip": "skip", "again": "again", "stop": "stop", "": "enough"}


@dataclass(frozen=True, kw_only=True)
class Rock:
    """Both flanks as the dial showed them, in mm; a lash by itself is 0 and the lash."""

    line: str
    first_mm: float
    other_mm: float


@dataclass(frozen=True, kw_only=True)
class Note:
    """Something to write down."""

    text: str


@dataclass(frozen=True, kw_only=True)
class Wrong:
    """Nothing that could be taken; ``answer`` says why and what to type."""

    answer: str


def understood(line: str, *, units: Units, most_lash_mm: float) -> Rock | Word | Note | Wrong:
    """What a line means.

    Args:
        line: As typed.
        units: Of the scale: those of the paperwork.
        most_lash_mm: A larger lash is no backlash of this gear set.
    """
    text = " ".join(line.split())
    said = _word(text)
    if said is not None:
        return said
    lengths = _lengths(text, units)
    if not lengths:
        return Wrong(
            answer=f"{text!r} is not a reading: type both flanks, as {_example(units)}, or the lash alone; "
            "or skip, again, stop, note and words."
        )
    if len(lengths) > 2:
        return Wrong(answer=f"{len(lengths)} numbers: type one rock a line, both flanks or the lash alone.")
    first, other = lengths if len(lengths) == 2 else (0.0, lengths[0])
    return _in_range(Rock(line=text, first_mm=first, other_mm=other), units, most_lash_mm)


def understood_row(  # noqa: PLR0911 - an answer for each way of being wrong
    line: str, *, units: Units, most_lash_mm: float, both: bool, fewest: int, most: int
) -> tuple[Rock, ...] | Word | Note | Wrong:
    """What a line of a sheet means: every rock of a position, in the order of the boxes.

    Args:
        line: As typed; low and high may be joined by a slash.
        units: As of `understood`.
        most_lash_mm: As of `understood`.
        both: The sheet has boxes for low and high; otherwise for the lash of each rock.
        fewest: Rocks that a position needs.
        most: Rocks that the sheet has boxes for.
    """
    text = " ".join(line.split())
    said = _word(text)
    if said is not None:
        return said
    lengths = _lengths(text.replace("/", " "), units)
    pair = _example(units).replace(" ", "/")
    example = " ".join([pair if both else _lash(units)] * min(2, most))
    if not lengths:
        return Wrong(
            answer=f"{text!r} is no line of the sheet: type the boxes of the position from left to right, as "
            f"{example} …; or skip, again, stop, note and words."
        )
    if both and any(piece.count("/") != 1 for piece in text.split() if "/" in piece):
        return Wrong(answer=f"{text!r}: one slash between the low and the high of a rock, as {example}.")
    if both and len(lengths) % 2:
        return Wrong(answer=f"{len(lengths)} numbers: each rock of this sheet has two, low and high.")
    count = len(lengths) // 2 if both else len(lengths)
    if not fewest <= count <= most:
        return Wrong(
            answer=f"{count} {'rock' if count == 1 else 'rocks'}: the sheet has boxes for {most}, and "
            f"{fewest} or more are needed; skip leaves the position out."
        )
    pairs = zip(lengths[::2], lengths[1::2], strict=True) if both else ((0.0, one) for one in lengths)
    rocks = []
    for number, (first, other) in enumerate(pairs, start=1):
        rock = _in_range(Rock(line=text, first_mm=first, other_mm=other), units, most_lash_mm)
        if isinstance(rock, Wrong):
            return Wrong(answer=f"Rock {number}: {rock.answer}")
        rocks.append(rock)
    return tuple(rocks)


def moment_typed(text: str, *, now: dt.datetime) -> str | Wrong:
    """When something was measured, as somebody wrote it beside the clock of the bench.

    Args:
        text: Date and time, local unless an offset stands with it; empty means now.
        now: UTC.

    Returns:
        ISO 8601, UTC, to the minute where no seconds were typed.
    """
    words = " ".join(text.split())
    try:
        when = dt.datetime.fromisoformat(words) if words else now
        when = when.astimezone(dt.UTC)
    except (ValueError, OverflowError):
        return Wrong(answer=f"{words!r} is no date and time; write them such as 2031-05-17 14:30.")
    if words and ":" not in words:
        return Wrong(answer=f"{words!r} has no time of day; write both such as 2031-05-17 14:30.")
    if when > now:
        return Wrong(answer=f"{words!r} is still to come; write when it was measured.")
    return f"{when:%Y-%m-%dT%H:%M:%SZ}"


def _word(text: str) -> Word | Note | Wrong | None:
    """A word with a meaning; None where the line must hold numbers."""
    word, _, rest = text.partition(" ")
    if word.casefold() == "note":
        return Note(text=rest) if rest else Wrong(answer="Nothing to note: type note and then the words.")
    return _WORDS.get(text.casefold())


def _lengths(text: str, units: Units) -> list[float]:
    """The numbers of a line, in mm; none where anything in it is no number."""
    pieces = [
        piece.removesuffix(units).strip(";") for piece in text.split() if piece not in {units, ";", "/"}
    ]
    values = [_number(piece) for piece in pieces if piece]
    scale = MM_PER_INCH if units == "in" else 1.0
    return [] if None in values else [scale * value for value in values if value is not None]


def _in_range(rock: Rock, units: Units, most_lash_mm: float) -> Rock | Wrong:
    lash = abs(rock.other_mm - rock.first_mm)
    if max(abs(rock.first_mm), abs(rock.other_mm)) > MOST_DIAL_MM:
        return Wrong(answer=f"{rock.line!r} is out of range: no dial gauge goes that far. Type it again.")
    if lash == 0.0:
        return Wrong(answer=f"{rock.line!r} is no lash: both flanks read the same. Rock, and type both.")
    if lash > most_lash_mm:
        return Wrong(
            answer=f"{rock.line!r} is out of range: a lash of {format_length(lash, units)} is more than "
            "half a module. Count whole turns of the pointer with both readings, and mind the decimal point."
        )
    return rock


def _number(piece: str) -> float | None:
    if not _NUMBER.fullmatch(piece):
        piece = piece.removesuffix(",")  # between two readings
    return float(piece.replace(",", ".")) if _NUMBER.fullmatch(piece) else None


def _example(units: Units) -> str:
    return "0.0100 0.0160" if units == "in" else "0.25 0.40"


def _lash(units: Units) -> str:
    return "0.0060" if units == "in" else "0.15"
