"""A sign of life for what takes more than a second; a pipe or a file sees nothing of it."""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext
from typing import TYPE_CHECKING

from rich.text import Text

if TYPE_CHECKING:
    from rich.console import Console


def busy(console: Console, words: str, *, quiet: bool = False) -> AbstractContextManager[object]:
    """Show a person that work goes on.

    Args:
        console: Where.
        words: What is being done.
        quiet: Show nothing, whoever looks.
    """
    if quiet or not console.file.isatty():  # a notebook claims to be a terminal, and shows the codes
        return nullcontext()
    return console.status(Text(words))  # a name with brackets is no markup
