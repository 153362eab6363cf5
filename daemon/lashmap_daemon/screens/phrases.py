"""Words that a screen may show in another language: a key with figures, and the English text they make.

Decided here: how a text is found in a message file (``texts/en.json`` and its translations) and how figures
and the plural get into it. A phrase is its English text, so that a terminal and a record need not know of
keys; a page in a browser takes the key and reads the file of its reader's language. Sentences that go into a
record are no phrases: they stay as they were recorded (`story/wording.py`).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import Any, Self

TEXTS = Path(__file__).with_name("texts")
LANGUAGES = tuple(sorted(path.stem for path in TEXTS.glob("*.json")))
Texts = Mapping[str, "str | Mapping[str, str]"]


@cache
def texts_of(language: str) -> Texts:
    """The message file of a language: texts by key; where one has a plural, a text for ``one`` and ``other``.

    Raises:
        KeyError: There is none of that language.
    """
    if language not in LANGUAGES:
        raise KeyError(language)
    found: Texts = json.loads((TEXTS / f"{language}.json").read_text("utf-8"))
    return found


class Phrase(str):
    """An English text that knows its key and figures.

    Attributes:
        key: In the message files; empty where several phrases stand in a row.
        figures: What is put into the text by name; ``n`` decides about the plural.
        parts: The phrases in a row, divided by semicolons.
    """

    __slots__ = ("figures", "key", "parts")
    key: str
    figures: dict[str, str | int]
    parts: tuple[Phrase, ...]

    @classmethod
    def of(cls, key: str, **figures: str | int) -> Self:
        """A phrase by its key.

        Raises:
            KeyError: No text has this key, or a figure is lacking.
        """
        text = texts_of("en")[key]
        if not isinstance(text, str):
            text = text["one" if figures["n"] == 1 else "other"]
        made = cls(text.format(**figures))
        made.key, made.figures, made.parts = key, figures, ()
        return made

    @classmethod
    def row(cls, phrases: Iterable[Phrase]) -> Self:
        """Several in a row."""
        parts = tuple(phrases)
        made = cls("; ".join(parts))
        made.key, made.figures, made.parts = "", {}, parts
        return made


def as_keys(text: str) -> Any:  # noqa: ANN401 - JSON
    """A phrase as its key and figures, a list where several stand in a row; any other text as it is."""
    if not isinstance(text, Phrase):
        return text
    if text.parts:
        return [as_keys(part) for part in text.parts]
    said = {name: as_keys(one) if isinstance(one, str) else one for name, one in text.figures.items()}
    return {"key": text.key, **({"figures": said} if said else {})}
