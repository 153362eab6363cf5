"""Words as they are, for the eye: what would hide, or reorder the words around it, is shown by its number.

A record is read by people who were not there, so nothing in it may look like something else. Control
characters, direction overrides and the like become ``‹U+202E›``. Scripts that are written from right to left
are left alone. How words are cut is decided here, where they are cut or set is not.
"""

from __future__ import annotations

import re
import unicodedata
from functools import cache
from itertools import chain

# White space that ends no line and a line feed stay; joiners stay, since scripts and emoji need them.
_STAY = "\t\n\N{ZERO WIDTH JOINER}\N{ZERO WIDTH NON-JOINER}\N{SOFT HYPHEN}"
# General categories of the Unicode Standard, table 4-4: control, format, surrogate, private use, and the two
# separators that end lines and paragraphs. (Unassigned code points are left to the fonts.)
_HIDDEN = ("Cc", "Cf", "Cs", "Co", "Zl", "Zp")
_SPANS = (range(0x3000), range(0xD800, 0x10000), range(0xE0000, 0xE0200))
MORE = " …"


def visible(words: str) -> str:
    """Write hidden characters by their numbers.

    Args:
        words: Any text, as a person or a file gave it.

    Returns:
        The same words; a carriage return before a line feed is dropped.
    """
    return _hidden().sub(lambda found: code_name(found[0]), words.replace("\r\n", "\n"))


def code_name(character: str) -> str:
    """Write one character by its number, such as ``‹U+202E›``."""
    return f"‹U+{ord(character):04X}›"


def width(words: str) -> int:
    """Columns that words take: wide characters count twice (Unicode Standard Annex 11)."""
    return sum(2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in words)


def cut_to(words: str, most: int) -> str:
    """Cut words to `most` columns, at a space where one is near; the cut is marked by an ellipsis.

    White space is drawn together, and hidden characters are written by their numbers first.
    """
    whole = re.sub(r"[ \t\n]+", " ", visible(words)).strip(" ")
    if width(whole) <= most:
        return whole
    room, end = most - width(MORE), 0
    for end, character in enumerate(whole):  # noqa: B007 - the place where the room is used up is wanted
        room -= width(character)
        if room < 0:
            break
    space = whole.rfind(" ", max(0, end - 24), end)
    return whole[: space if space > 0 else end].rstrip() + MORE


@cache
def _hidden() -> re.Pattern[str]:
    """What hides, as a pattern: put together when it is first needed, which takes 10 ms."""
    codes = (
        re.escape(chr(code))
        for code in chain.from_iterable(_SPANS)
        if unicodedata.category(chr(code)) in _HIDDEN and chr(code) not in _STAY
    )
    return re.compile(f"[{''.join(codes)}\U000f0000-\U0010ffff]")
