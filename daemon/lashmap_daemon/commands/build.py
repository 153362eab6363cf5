"""The command that keeps the sheet of a build."""

from __future__ import annotations

from rich.console import Console

from lashmap_daemon.builds.command import BuildRequest, keep_sheet
from lashmap_daemon.commands.options import BuildOptions
from lashmap_daemon.screens.plain import AtTerminal, person_at


def build(options: BuildOptions, console: Console) -> None:
    """Show the sheet and lead through its open steps.

    Raises:
        ConfigurationError: A wrong file, argument or answer.
        LogbookError: When the logbook cannot be used.
    """
    person = person_at(console)
    keep_sheet(BuildRequest(**vars(options)), person, console, answers_itself=isinstance(person, AtTerminal))
