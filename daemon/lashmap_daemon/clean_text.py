"""Text that others wrote as it may reach a terminal: without control or hidden characters.

Names, remarks and reasons come from files, from the wire, from the bus. An escape sequence in one of them
could clear the screen, hide a verdict or write another; so could a line break, or a mark that turns the
direction of writing around. `visible` is the one place where such characters are replaced. Nobody has to
think of it: the console of the commands (`lashmap_daemon.screens.terminal`) and standard error
(`CleanStream`) call it.
"""

from __future__ import annotations

import io
import re
import unicodedata

MARK = "\N{REPLACEMENT CHARACTER}"
# Control (escape sequences), format (right-to-left overrides), surrogate, private, unassigned, line breaks.
_UNWANTED = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
_MOST_MARKS_ON_A_LETTER = 3
_LINES = re.compile("(\n)")
# What nearly all texts of a screen consist of: ASCII, the space of a unit, ° ± · –, arrows, frames, dots.
_PLAIN = " -~\N{NO-BREAK SPACE}°±·–←→─-⣿"
_PLAINLY_VISIBLE = re.compile(f"[{_PLAIN}]*")
_PLAINLY_VISIBLE_LINES = re.compile(f"[\n{_PLAIN}]*")
_NOT_PLAIN = re.compile(r"[^\n -~]")


def visible(text: str) -> str:
    """The text with every unwanted character replaced, line breaks too; its length stays."""
    if _PLAINLY_VISIBLE.fullmatch(text):
        return text
    kept: list[str] = []
    marks = 0
    for character in text:
        category = unicodedata.category(character)
        marks = marks + 1 if category in {"Mn", "Me"} else 0
        # Towers of accents hide other lines.
        kept.append(MARK if category in _UNWANTED or marks > _MOST_MARKS_ON_A_LETTER else character)
    return "".join(kept)


def visible_lines(text: str) -> str:
    """As `visible`, with line breaks left as they are: for text of several lines that is our own."""
    if _PLAINLY_VISIBLE_LINES.fullmatch(text):
        return text
    return "".join(part if part == "\n" else visible(part) for part in _LINES.split(text))


def clean(text: str, most: int = 300) -> str:
    """As `visible`, cut to ``most`` characters."""
    return visible(text[:most]) + ("…" if len(text) > most else "")


def escaped_json(text: str) -> str:
    """The same JSON with every character that is not visible written as an escape."""

    def escape(found: re.Match[str]) -> str:
        character = found[0]
        if visible(character) == character:
            return character
        units = character.encode("utf-16-be", "surrogatepass")
        return "".join(f"\\u{units[at]:02x}{units[at + 1]:02x}" for at in range(0, len(units), 2))

    return _NOT_PLAIN.sub(escape, text)


class CleanStream(io.TextIOWrapper):
    """A stream of text, such as standard error, on which nothing but lines of visible text comes out."""

    @classmethod
    def over(cls, stream: io.TextIOWrapper) -> CleanStream:
        """The same stream, made clean; the one before is of no further use."""
        encoding, buffered_by_line = stream.encoding, stream.line_buffering
        stream.flush()
        return cls(stream.detach(), encoding, "replace", line_buffering=buffered_by_line, write_through=True)

    def write(self, text: str) -> int:
        """Write the text with every unwanted character replaced; line breaks stay."""
        return super().write(visible_lines(text))
