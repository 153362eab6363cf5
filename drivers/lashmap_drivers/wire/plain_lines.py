"""Chunks of plain lines in one go: validated by one regular expression, split, and turned into floats.

Where all lines have digits and signs at the same places, and no digit and no sign is special to the pattern,
one line is validated for all of them.

This is the quick half of `lashmap_drivers.wire.ascii_line`, used only where it provably gives what the half
that goes line by line gives: a number between fixed words, patterns made of printable characters, digits,
classes, groups and repeats, and a terminator of control characters, so that no match can reach over the end
of a line. Anything else is left to the other half, and so is a chunk with anything odd in it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import re2
from numpy.typing import NDArray

from lashmap_drivers.readings import Floats
from lashmap_drivers.wire.patterns import Match, engine

PlainReader = Callable[[bytes, list[bytes]], list[float] | None]
FixedReader = Callable[[bytes], Floats | None]

_VALUE = "(?P<value>"
# Only what matches printable bytes and looks at nothing around it: no dot, no negated class, no anchor, no
# look-around, no back-reference, no flag; and no underscore, which `float` would take for a digit mark.
_PLAIN_PATTERN = re.compile(
    r"""(?:
        \(\?P<value>|\(\?:|\((?!\?)|\)          # groups
      | [ !"#%&',/0-9:;<=>@A-Za-z~-]            # a character that stands for itself
      | \\[d.+*?()\[\]{}|\\/^$-]                # a digit, or an escaped sign
      | \[-?(?:0-9|[A-Z]-[A-Z]|[a-z]-[a-z]    # a class: other ranges may hold an underscore, or a point
          |[ !"\#$%&'()*+,./0-9:;<=>?@A-Za-z{|}~]|\\[d.+*?()\[\]{}|\\/^$-])+-?\]
      | [?*+|]|\{\d+(?:,\d*)?\}                 # repeats and alternatives
    )*""",
    re.VERBOSE | re.ASCII,
)
# What takes every digit where it takes one, and both signs where it takes one: lines that differ in these
# alone match or fail together.
_ALIKE = re.compile(
    r"""(?:
        \(\?P<value>|\(\?:|\((?!\?)|\)
      | [ !"#%&',/:;<=>@A-Za-z~]
      | \\[d.*?()\[\]{}|\\/^$]
      | \[(?:\+-|-\+)\] | \[[ ,.]*(?:0-9|\\d)[ ,.]*\]
      | [?*+|]|\{\d+(?:,\d*)?\}
    )*""",
    re.VERBOSE | re.ASCII,
)
# Text that stands for itself: no repeat, no alternative, no class.
_WORD = r"""(?:[ !"#%&',/0-9:;<=>@A-Za-z~-]|\\[.+*?()\[\]{}|\\/^$-])*"""
_IN_WORDS = re.compile(rf"(?P<before>{_WORD})\(\?P<value>(?P<number>.*)\)(?P<after>{_WORD})", re.ASCII)


def fixed_reader(pattern: str, terminator: bytes, *, decimal: str) -> FixedReader | None:
    """A reader of long chunks of lines that are a number between fixed words; None as `plain_reader`.

    It takes whole lines, and gives one number a line, or None when the chunk needs a closer look.
    """
    words = _words_around(pattern) if _is_plain(pattern, terminator) else None
    if words is None or decimal != ".":
        return None
    before, after = words
    all_fit = _all_fit(pattern, terminator)
    one_speaks_for_all = _ALIKE.fullmatch(pattern) is not None

    def read(whole: bytes) -> Floats | None:
        numbers = fixed_numbers(whole, before, after + terminator)
        if numbers is None:
            return None
        doubtful = whole[: len(whole) // len(numbers)] if one_speaks_for_all else whole
        return numbers if all_fit(doubtful) is not None else None

    return read


def plain_reader(pattern: str, terminator: bytes, *, decimal: str) -> PlainReader | None:
    """A reader of whole chunks, or None when the pattern or terminator is not plain.

    The reader takes the lines both joined, each with its terminator, and split without it. It returns one
    number a line, or None when the chunk needs a closer look.
    """
    words = _words_around(pattern) if _is_plain(pattern, terminator) else None
    if words is None:
        return None
    all_fit = _all_fit(pattern, terminator)
    number = slice(len(words[0]), -len(words[1]) or None)
    value_is_all = words == (b"", b"")
    comma = decimal == ","

    def read(whole: bytes, lines: list[bytes]) -> list[float] | None:
        if all_fit(whole) is None:
            return None
        texts = lines if value_is_all else [line[number] for line in lines]
        if comma:
            if b"." in b"".join(texts):
                return None
            texts = b"\n".join(texts).replace(b",", b".").split(b"\n")
        try:
            numbers = list(map(float, texts))
        except ValueError:
            return None
        # One nan or infinity makes the sum so; a sum that overflows by itself only costs the closer look.
        return numbers if math.isfinite(sum(numbers)) else None

    return read


_WHOLE = r"(?:\[\+-\]\??|\[-\+\]\??|-\??)?\\d(?:\+|\{\d+\})"  # of a whole number
_TWO = re.compile(
    rf"\(\?P<(?P<first>\w+)>{_WHOLE}\)(?P<between>[ ,;:/])\(\?P<(?P<second>\w+)>{_WHOLE}\)", re.ASCII
)


def pair_reader(pattern: str, terminator: bytes, wanted: str, *, below: int | None) -> PlainReader | None:
    """A reader of whole chunks of lines that are two whole numbers with a sign between; None for others.

    It gives the number of the group ``wanted``, and None for a chunk in which any of either group is not
    ``below`` that in size; else as `plain_reader`.
    """
    found = _TWO.fullmatch(pattern)
    if found is None or max(terminator) >= 0x20 or wanted not in {found["first"], found["second"]}:
        return None
    all_fit = _all_fit(pattern, terminator)
    between = found["between"].encode("ascii")
    start = 0 if wanted == found["first"] else 1

    def read(whole: bytes, lines: list[bytes]) -> list[float] | None:
        if all_fit(whole) is None:
            return None
        numbers = list(map(float, between.join(lines).split(between)))
        if len(numbers) != 2 * len(lines):
            return None
        if below is not None and not (max(numbers) < below and min(numbers) > -below):
            return None
        own = numbers[start::2]
        return own if math.isfinite(sum(numbers)) else None

    return read


def _is_plain(pattern: str, terminator: bytes) -> bool:
    return (
        _PLAIN_PATTERN.fullmatch(pattern) is not None
        and _VALUE in pattern
        and max(terminator) < 0x20
        and len(set(terminator)) == len(terminator)
        and engine(pattern.encode("ascii")).groups == 1
    )


def _all_fit(pattern: str, terminator: bytes) -> Callable[[bytes], Match | None]:
    lines = rb"(?:(?:%b)%b)*" % (pattern.encode("ascii"), re.escape(terminator))
    return engine(lines, captures=False).fullmatch


def _words_around(pattern: str) -> tuple[bytes, bytes] | None:
    """Fixed text before and after the group ``value``; None when it is not fixed."""
    found = _IN_WORDS.fullmatch(pattern)
    if found is None:
        return None
    try:
        engine(found["number"].encode("ascii"))
    except re2.error:
        return None  # the group ends before: its text is no pattern by itself
    plain = (re.sub(r"\\(.)", r"\1", found[word]).encode("ascii") for word in ("before", "after"))
    return next(plain), next(plain)


# Long chunks of lines of one width and layout, turned into numbers by whole columns.
#
# Instruments pad their numbers, so mostly every line of a chunk has sign, point and digits at the same
# places. Then the digits are weighed as one matrix. The result is the same as that of `float`, to the last
# bit: up to fifteen digits make an exact whole number, a power of ten up to 10**15 is exact, and their
# quotient is rounded once, to the nearest (IEEE 754), as `float` rounds.


FEWEST_BYTES = 1024  # below, plain floats are quicker
_MOST_DIGITS = 15
_SHAPE = bytes.maketrans(b"123456789-", b"000000000+")  # every digit looks alike, and so do both signs


@dataclass(frozen=True)
class _Layout:
    """Where sign and digits of every line stand, and what the digits weigh."""

    digits: NDArray[np.intp]
    weights: Floats
    divisor: float
    sign: int | None


def fixed_numbers(whole: bytes, before: bytes, ending: bytes) -> Floats | None:
    """Numbers of lines that hold only an optional sign, digits and an optional point between fixed words.

    Args:
        whole: Whole lines, endings included.
        before: What stands before the number in every line.
        ending: What stands behind it, terminator included.

    Returns:
        Shape (lines,), or None when the lines differ in layout or hold anything else there. When they are
        given, all lines have digits and signs at the same places and the same bytes elsewhere; of what stands
        before the number only the length was looked at.
    """
    stride = whole.find(ending, len(before)) + len(ending)
    if stride < len(before) + len(ending) or len(whole) % stride:
        return None
    shape = whole.translate(_SHAPE)
    if shape != shape[:stride] * (len(whole) // stride):
        return None
    layout = _layout(shape[:stride], len(before), len(ending))
    if layout is None:
        return None
    table = np.frombuffer(whole, dtype=np.uint8).reshape(-1, stride)
    numbers: Floats = (table[:, layout.digits] - np.uint8(ord("0"))).astype(np.float64) @ layout.weights
    numbers /= layout.divisor
    if layout.sign is not None:
        numbers *= 44.0 - table[:, layout.sign]  # "+" is 43, "-" is 45
    return numbers


@lru_cache(maxsize=64)
def _layout(shape: bytes, before: int, ending: int) -> _Layout | None:
    """Layout of lines of this shape; None when more than sign, digits and point stand between the words."""
    text = shape[before : len(shape) - ending]
    signed = text.startswith(b"+")
    point = text.find(b".")
    digits = [place for place in range(int(signed), len(text)) if place != point]
    if not 1 <= len(digits) <= _MOST_DIGITS or any(text[place] != ord("0") for place in digits):
        return None
    return _Layout(
        digits=np.array(digits, dtype=np.intp) + before,
        weights=np.array([float(10**power) for power in range(len(digits) - 1, -1, -1)]),
        divisor=float(10 ** (len(text) - 1 - point)) if point >= 0 else 1.0,
        sign=before if signed else None,
    )
