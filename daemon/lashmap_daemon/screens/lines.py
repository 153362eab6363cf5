"""A line of text on a console: never read as markup, wrapped between words where a person reads it."""

from __future__ import annotations

from rich.console import Console
from rich.text import Text

from lashmap_daemon.clean_text import visible


def say(console: Console, text: str, style: str = "") -> None:
    """Print a line; a line break in its text cannot begin another.

    On a terminal it is wrapped between words; in a pipe or file it stays one line, so that tools can read it.
    """
    console.print(Text(visible(text), style=style), soft_wrap=not console.is_terminal)
