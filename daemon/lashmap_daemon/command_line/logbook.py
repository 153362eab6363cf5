"""Commands about the logbook file itself: is it as it was written, save what is left, move what is old."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lashmap_daemon.command_line.app import reported
from lashmap_daemon.commands.options import LOGBOOK, LogbookOption

app = typer.Typer()


@app.command()
def verify(
    test: Annotated[
        str | None, typer.Argument(help="Test to check; all when left out.", show_default=False)
    ] = None,
    *,
    logbook: LogbookOption = LOGBOOK,
    expect: Annotated[
        str, typer.Option(help="Digest of a seal as printed on a report; 16 digits or more.")
    ] = "",
) -> None:
    """Check a logbook against its digests: what was changed, what is missing, what is not sealed."""
    with reported() as console:
        from lashmap_daemon.commands.logbook import verify as verify_logbook  # noqa: PLC0415

        raise typer.Exit(verify_logbook(logbook, test, expect, console))


@app.command()
def rescue(
    damaged: Annotated[Path, typer.Argument(help="Damaged logbook; it is only read.", show_default=False)],
    new: Annotated[Path, typer.Argument(help="New logbook to make.", show_default=False)],
) -> None:
    """Copy what can still be read of a damaged logbook into a new one."""
    with reported() as console:
        from lashmap_daemon.commands.logbook import rescue_logbook  # noqa: PLC0415

        raise typer.Exit(rescue_logbook(damaged, new, console))


@app.command()
def archive(
    to: Annotated[Path, typer.Argument(help="Archive; made, or added to.", show_default=False)],
    *,
    older_than: Annotated[
        float,
        typer.Option(
            "--older-than",
            min=0.0,
            max=36500.0,
            help="Days since the test was closed.",
            show_default=False,
        ),
    ],
    logbook: LogbookOption = LOGBOOK,
) -> None:
    """Move raw samples of old closed tests to an archive; events and seals stay, nothing is deleted."""
    with reported() as console:
        from lashmap_daemon.commands.logbook import archive_old  # noqa: PLC0415

        raise typer.Exit(archive_old(logbook, to, older_than, console))
