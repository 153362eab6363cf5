"""Chunks of plain lines in one go: validated by one regular expression, split, and turned into floats.

This is the quick half of `lashmap_drivers.line_parser`, used only where it provably gives what the
line-by-line
half gives: patterns made of printable characters, digits, classes, groups and repeats, and a terminator of
control characters, so that no match can reach over the end of a line. Anything else is left to the other
half, and so is a chunk with anything odd in it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable

PlainReader = Callable[[bytes, list[bytes]], list[float] | None]

_VALUE = "(?P<value>"
# Only what matches printable bytes and looks at nothing around it: no dot, no negated class, no anchor, no
# look-around, no back-reference, no flag; and no underscore, which `float` would take for a digit mark.
_PLAIN_PATTERN = re.compile(
    r"""(?:
        \(\?P<value>|\(\?:|\((?!\?)|\)          # groups
      | [ !"#%&',/0-9:;<=>@A-Za-z~-]            # a character that stands for itself
      | \\[d.+*?()\[\]{}|\\/^$-]                # a digit, or an escaped sign
      | \[(?:[ !"\#$%&'()*+,./0-9:;<=>?@A-Za-z{|}~-]|\\[d.+*?()\[\]{}|\\/^$-])+\]
      | [?*+|]|\{\d+(?:,\d*)?\}                 # repeats and alternatives
    )*""",
    re.VERBOSE | re.ASCII,
)


def plain_reader(pattern: str, terminator: bytes, *, decimal: str) -> PlainReader | None:
    """A reader of whole chunks, or None when the pattern or terminator is not plain.

    The reader takes the lines both joined, each with its terminator, and split without it. It returns one
    number a line, or None when the chunk needs a closer look.
    """
    if _PLAIN_PATTERN.fullmatch(pattern) is None or _VALUE not in pattern:
        return None
    if max(terminator) >= 0x20 or len(set(terminator)) != len(terminator):
        return None
    if re.compile(pattern).groups != 1:
        return None
    body, ending = pattern.encode("ascii"), re.escape(terminator)
    # Possessive: a line that matched is never given back, so a hostile chunk costs no more than its lines.
    all_fit = re.compile(rb"(?:(?:%b)%b)*+" % (body, ending)).fullmatch
    value_is_all = _spans_all(pattern)
    values = re.compile(rb"(?:%b)%b" % (body, ending)).findall
    comma = decimal == ","

    def read(whole: bytes, lines: list[bytes]) -> list[float] | None:
        if all_fit(whole) is None:
            return None
        texts = lines if value_is_all else values(whole)
        if comma:
            if b"." in b"".join(texts):
                return None
            texts = b"\n".join(texts).replace(b",", b".").split(b"\n")
        try:
            numbers = list(map(float, texts))
        except (ValueError, TypeError):
            return None
        # One nan or infinity makes the sum so; a sum that overflows by itself only costs the closer look.
        return numbers if len(numbers) == len(lines) and math.isfinite(sum(numbers)) else None

    return read


def _spans_all(pattern: str) -> bool:
    """True when the group ``value`` is the whole pattern."""
    if not pattern.startswith(_VALUE):
        return False
    depth, in_class, escaped = 0, False, False
    for place, sign in enumerate(pattern):
        if escaped:
            escaped = False
        elif sign == "\\":
            escaped = True
        elif in_class:
            in_class = sign != "]"
        elif sign == "[":
            in_class = True
        elif sign == "(":
            depth += 1
        elif sign == ")":
            depth -= 1
            if depth == 0:
                return place == len(pattern) - 1
    return False
