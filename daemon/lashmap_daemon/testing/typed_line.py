"""What a person types in a test by hand: a rock, or a word; and what is answered to anything else.

A decimal comma is as good as a point. A rock is two readings, of the one flank and of the other, or the lash
itself. Nothing is guessed: what cannot be meant is answered with the reason, and asked for again.
"""

from __future__ import annotations

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
    word, _, rest = text.partition(" ")
    if word.casefold() == "note":
        return Note(text=rest) if rest else Wrong(answer="Nothing to note: type note and then the words.")
    if text.casefold() in _WORDS:
        return _WORDS[text.casefold()]
    pieces = [
        piece.removesuffix(units).strip(";") for piece in text.split() if piece not in {units, ";", "/"}
    ]
    values = [_number(piece) for piece in pieces if piece]
    if not values or None in values:
        return Wrong(
            answer=f"{text!r} is not a reading: type both flanks, as {_example(units)}, or the lash alone; "
            "or skip, again, stop, note and words."
        )
    if len(values) > 2:
        return Wrong(answer=f"{len(values)} numbers: type one rock a line, both flanks or the lash alone.")
    scale = MM_PER_INCH if units == "in" else 1.0
    lengths = [scale * value for value in values if value is not None]
    first, other = lengths if len(lengths) == 2 else (0.0, lengths[0])
    return _in_range(Rock(line=text, first_mm=first, other_mm=other), units, most_lash_mm)


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
