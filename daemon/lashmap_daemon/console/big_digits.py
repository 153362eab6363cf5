"""A number three lines tall, readable from across the bench."""

from __future__ import annotations

_GLYPHS = {
    "0": ("┏━┓", "┃ ┃", "┗━┛"),
    "1": (" ╻ ", " ┃ ", " ╹ "),
    "2": ("╺━┓", "┏━┛", "┗━╸"),
    "3": ("╺━┓", " ━┫", "╺━┛"),
    "4": ("╻ ╻", "┗━┫", "  ╹"),
    "5": ("┏━╸", "┗━┓", "╺━┛"),
    "6": ("┏━╸", "┣━┓", "┗━┛"),
    "7": ("╺━┓", "  ┃", "  ╹"),
    "8": ("┏━┓", "┣━┫", "┗━┛"),
    "9": ("┏━┓", "┗━┫", "╺━┛"),
    "-": ("   ", "╺━╸", "   "),
    "+": ("   ", "╺╋╸", "   "),
    ".": (" ", " ", "•"),
    " ": ("   ", "   ", "   "),
    "–": ("   ", "╺━╸", "   "),
}


def big(text: str) -> str:
    """Three lines for a number text; characters without a tall form are left out."""
    glyphs = [_GLYPHS[character] for character in text if character in _GLYPHS]
    return "\n".join("".join(glyph[row] for glyph in glyphs) for row in range(3))
