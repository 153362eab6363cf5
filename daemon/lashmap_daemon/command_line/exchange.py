"""Commands that carry traces out of a logbook and into it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lashmap_daemon.command_line.app import login_name, reported, words_of
from lashmap_daemon.commands.options import LOGBOOK, ExportOptions, LogbookOption, OutputOption
from lashmap_daemon.errors import EXIT_STAND

app = typer.Typer()


@app.command()
@words_of(ExportOptions)
def export(options: ExportOptions) -> None:
    """Export samples and results as documented tables."""
    with reported() as console:
        from lashmap_daemon.commands.export import export as export_tests  # noqa: PLC0415

        raise typer.Exit(EXIT_STAND if export_tests(options, console) else 0)


@app.command("import")
def import_file(
    mapping: Annotated[Path, typer.Argument(help="Mapping file (TOML).", show_default=False)],
    *,
    logbook: LogbookOption = LOGBOOK,
    output: OutputOption = None,
) -> None:
    """Take in a recording made elsewhere (CSV or Parquet): analyse, judge, report."""
    with reported() as console:
        from lashmap_daemon.commands.import_recording import ImportOptions, import_recording  # noqa: PLC0415

        options = ImportOptions(mapping=mapping, logbook=logbook, output=output, operator=login_name())
        import_recording(options, console)
