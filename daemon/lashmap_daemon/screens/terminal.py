"""The console of all commands: every text comes out visible, and none is read as markup.

It is the only console that a command gets. Beside it: a line of text, a long list, JSON, and a sign of life
for long work.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import AbstractContextManager, nullcontext

from rich.cells import cell_len, chop_cells
from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment
from rich.style import Style
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


_LEAST_FOLDED = 8  # cells that a folded column keeps


def natural_width(rows: Iterable[Sequence[str]]) -> int:
    """Cells across that `print_columns` needs for these rows without folding any."""
    widths = _widths(rows)
    return sum(widths) + len(widths) - 1


def print_columns(console: Console, rows: Sequence[Sequence[str]], folds: Sequence[bool]) -> None:
    """Print a list of any length in columns: a table of rich takes two seconds for 1,000 lines.

    Args:
        console: Where to; a pipe or a file has room for any line.
        rows: The heads, then the lines; of as many texts each.
        folds: Of each column, whether its texts go on below where a terminal is too narrow.
    """
    rows = [[visible(cell) for cell in row] for row in rows]
    widths = _widths(rows)
    while console.is_terminal and sum(widths) + len(widths) - 1 > console.width:
        wide = [at for at, fold in enumerate(folds) if fold and widths[at] > _LEAST_FOLDED]
        if not wide:
            break
        widths[max(wide, key=lambda at: widths[at])] -= 1
    lines = [line for row in rows for line in _lines(row, widths)]
    heads = len(list(_lines(rows[0], widths)))
    bold = Style(bold=True)
    console.print(_Lines([Segment(f"{line}\n", bold) for line in lines[:heads]]), soft_wrap=True, end="")
    console.print(_Lines([Segment(f"{line}\n") for line in lines[heads:]]), soft_wrap=True, end="")


class _Lines:
    """Lines that are laid out already."""

    def __init__(self, segments: list[Segment]) -> None:
        self._segments = segments

    def __rich_console__(self, _: Console, __: ConsoleOptions) -> Iterable[Segment]:
        return self._segments


def _widths(rows: Iterable[Sequence[str]]) -> list[int]:
    return [max(map(_cells, column)) for column in zip(*rows, strict=True)]


def _cells(text: str) -> int:
    return len(text) if text.isascii() else cell_len(text)


def _lines(row: Sequence[str], widths: Sequence[int]) -> Iterable[str]:
    """A row, on as many lines as its longest folded text takes."""
    if all(_cells(cell) <= width for cell, width in zip(row, widths, strict=True)):
        parts = [[cell] for cell in row]
    else:
        parts = [chop_cells(cell, width) or [""] for cell, width in zip(row, widths, strict=True)]
    for at in range(max(map(len, parts))):
        cells = [part[at] if at < len(part) else "" for part in parts]
        yield " ".join(cell + " " * (width - _cells(cell)) for cell, width in zip(cells, widths, strict=True))


def print_json(console: Console, text: str) -> None:
    """Print JSON as it is; what is not visible in its texts becomes an escape, which means the same."""
    console.file.write(escaped_json(text.rstrip("\n")) + "\n")


def busy(console: Console, words: str, *, quiet: bool = False) -> AbstractContextManager[object]:
    """Show a person that work goes on; a pipe or a file sees nothing of it."""
    if quiet or not console.file.isatty():  # a notebook claims to be a terminal, and shows the codes
        return nullcontext()
    return console.status(Text(words))  # a name with brackets is no markup
