"""Words as they are, for the eye: what would hide, or reorder the words around it, is shown by its number.

A record is read by people who were not there, so nothing in it may look like something else. Control
characters, direction overrides and the like become ``‹U+202E›``. Scripts that are written from right to left
are left alone. Where words are cut or set is not decided here.
"""

from __future__ import annotations

import re
import unicodedata
from itertools import chain

# White space that ends no line and a line feed stay; joiners stay, since scripts and emoji need them.
_STAY = "\t\n\N{ZERO WIDTH JOINER}\N{ZERO WIDTH NON-JOINER}\N{SOFT HYPHEN}"
# General categories of the Unicode Standard, table 4-4: control, format, surrogate, private use, and the two
# separators that end lines and paragraphs. (Unassigned code points are left to the fonts.)
_HIDDEN = ("Cc", "Cf", "Cs", "Co", "Zl", "Zp")
_SPANS = chain(range(0x3000), range(0xD800, 0x10000), range(0xE0000, 0xE0200))
_NAMED = re.compile(
    "["
    + "".join(
        re.escape(chr(code))
        for code in _SPANS
        if unicodedata.category(chr(code)) in _HIDDEN and chr(code) not in _STAY
    )
    + "\U000f0000-\U0010ffff]"
)


def visible(words: str) -> str:
    """Write hidden characters by their numbers.

    Args:
        words: Any text, as a person or a file gave it.

    Returns:
        The same words; a carriage return before a line feed is dropped.
    """
    return _NAMED.sub(lambda found: code_name(found[0]), words.replace("\r\n", "\n"))


def code_name(character: str) -> str:
    """Write one character by its number, such as ``‹U+202E›``."""
    return f"‹U+{ord(character):04X}›"


def width(words: str) -> int:
    """Columns that words take: wide characters count twice (Unicode Standard Annex 11)."""
    return sum(2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in words)
