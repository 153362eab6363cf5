"""The command line. Commands import what they need when they run, so that ``--help`` stays quick."""

from __future__ import annotations

import io
import sys

from lashmap_daemon.clean_text import CleanStream
from lashmap_daemon.command_line import study, tell
from lashmap_daemon.command_line.commands import app

__all__ = ["app", "main"]

app.add_typer(tell.app, name="tell")
app.add_typer(study.app, name="study")


def main() -> None:
    """Entry point of the ``lashmap`` command."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # a terminal without our letters shows ? instead of failing
    if isinstance(sys.stderr, io.TextIOWrapper):
        sys.stderr = CleanStream.over(sys.stderr)
    app()
