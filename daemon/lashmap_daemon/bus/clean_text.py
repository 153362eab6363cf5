"""Text from the network as it may reach a terminal: bounded, without control or hidden characters."""

from __future__ import annotations

import unicodedata

MARK = "\N{REPLACEMENT CHARACTER}"
# Control (escape sequences), format (right-to-left overrides), surrogate, private, unassigned, line breaks.
_UNWANTED = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
_MOST_MARKS_ON_A_LETTER = 3


def clean(text: str, most: int = 300) -> str:
    """The text with every unwanted character replaced, cut to ``most`` characters."""
    kept: list[str] = []
    marks = 0
    for character in text[: most + 1]:
        category = unicodedata.category(character)
        marks = marks + 1 if category in {"Mn", "Me"} else 0
        unwanted = (
            category in _UNWANTED or marks > _MOST_MARKS_ON_A_LETTER
        )  # towers of accents hide other lines
        kept.append(MARK if unwanted else character)
    return "".join(kept[:most]) + ("…" if len(kept) > most else "")
