"""The console of all commands: every text comes out visible, and none is read as markup.

It is the only console that a command gets. Beside it: a line of text, JSON, and a sign of life for long work.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import AbstractContextManager, nullcontext

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment
from rich.text import Text

from lashmap_daemon.clean_text import escaped_json, visible, visible_lines


class TerminalConsole(Console):
    """A console on standard output.

    Its own control sequences (colours, the cursor of a live screen) go beside the texts and are not touched.
    """

    def __init__(self) -> None:
        super().__init__(highlight=False, markup=False, emoji=False)

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """Render as ever; every text is made visible."""
        for segment in super().render(renderable, options):
            text = segment.text if segment.control else visible_lines(segment.text)
            yield segment if text is segment.text else Segment(text, segment.style)


def say(console: Console, text: str, style: str = "") -> None:
    """Print a line; a line break in its text cannot begin another.

    On a terminal it is wrapped between words; in a pipe or file it stays one line, so that tools can read it.
    """
    console.print(Text(visible(text), style=style), soft_wrap=not console.is_terminal)


def print_json(console: Console, text: str) -> None:
    """Print JSON as it is; what is not visible in its texts becomes an escape, which means the same."""
    console.file.write(escaped_json(text.rstrip("\n")) + "\n")


def busy(console: Console, words: str, *, quiet: bool = False) -> AbstractContextManager[object]:
    """Show a person that work goes on; a pipe or a file sees nothing of it."""
    if quiet or not console.file.isatty():  # a notebook claims to be a terminal, and shows the codes
        return nullcontext()
    return console.status(Text(words))  # a name with brackets is no markup
