"""The console of all commands: what is printed on it comes out as visible text, and none is read as markup.

It is the only console that a command gets, so that no command has to think of it.
"""

from __future__ import annotations

from collections.abc import Iterable

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from lashmap_daemon.clean_text import escaped_json, visible_lines


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


def print_json(console: Console, text: str) -> None:
    """Print JSON as it is; what is not visible in its texts becomes an escape, which means the same."""
    console.file.write(escaped_json(text.rstrip("\n")) + "\n")
