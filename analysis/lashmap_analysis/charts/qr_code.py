"""A QR code (ISO/IEC 18004) as a picture of the page: words for a reader of codes, drawn as one path.

What the words are is decided by whoever asks; the code itself is made by segno.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from markupsafe import Markup

from lashmap_analysis.charts.svg import chart, rectangle

# ISO/IEC 18004, 6.3.8: four modules on every side stay light. They are drawn, whatever the page is set on.
QUIET = 4
_DARK = re.compile(rb"\x01+")


def code_chart(lines: Sequence[str], *, name: str, title: str) -> Markup:
    """Draw a code that holds lines of text.

    Args:
        lines: What it holds, at most some 2000 characters.
        name: Of the picture, unique in the page.
        title: What it is, for who does not see it; the lines are told as well.
    """
    import segno  # noqa: PLC0415 - 50 ms, and only who makes a page needs it

    matrix = segno.make_qr("\n".join(lines), error="m").matrix
    side = len(matrix) + 2 * QUIET
    ground = rectangle(0, 0, side, side, "code-ground")
    path = f'<path class="code" d="{"".join(_runs(matrix))}"/>'
    return chart(name, side, side, title, "It holds: " + "; ".join(lines), ground, path)


def _runs(matrix: Sequence[bytearray]) -> Iterator[str]:
    """A rectangle for every run of dark modules in a row."""
    for y, row in enumerate(matrix, QUIET):
        for run in _DARK.finditer(row):
            yield f"M{run.start() + QUIET} {y}h{run.end() - run.start()}v1H{run.start() + QUIET}z"
