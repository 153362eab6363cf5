"""Commands that carry traces out of a logbook and into it."""

from __future__ import annotations

import typer

from lashmap_daemon.command_line.app import options_of, reported
from lashmap_daemon.commands.options import ExportOptions, ImportOptions, login_name
from lashmap_daemon.errors import EXIT_STAND

app = typer.Typer()


@app.command()
@options_of(ExportOptions)
def export(options: ExportOptions) -> None:
    """Export samples and results as documented tables."""
    with reported() as console:
        from lashmap_daemon.commands.export import export as export_tests  # noqa: PLC0415

        raise typer.Exit(EXIT_STAND if export_tests(options, console) else 0)


@app.command("import")
@options_of(ImportOptions)
def import_file(options: ImportOptions) -> None:
    """Take in a recording made elsewhere (CSV or Parquet): analyse, judge, report."""
    with reported() as console:
        from lashmap_daemon.commands.import_recording import import_recording  # noqa: PLC0415

        import_recording(options, console, operator=login_name())
