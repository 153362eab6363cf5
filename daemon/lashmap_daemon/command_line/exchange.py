"""Commands that carry traces out of a logbook and into it."""

from __future__ import annotations

from enum import Enum
from pathlib import Path
from typing import Annotated

import typer

from lashmap_daemon.command_line.app import (
    LOGBOOK,
    LogbookOption,
    OutputOption,
    TestArgument,
    login_name,
    reported,
)
from lashmap_daemon.errors import EXIT_STAND

app = typer.Typer()


class Format(Enum):
    """What an export is written as."""

    CSV = "csv"
    PARQUET = "parquet"
    JSON = "json"
    XLSX = "xlsx"
    MAT = "mat"


class Samples(Enum):
    """Which samples an export holds."""

    ALL = "all"
    ROCKS = "rocks"
    NONE = "none"


@app.command()
def export(
    test: TestArgument = None,
    *,
    to: Annotated[Format, typer.Option(help="Format.")],
    output: Annotated[Path, typer.Option(help="Folder (csv, parquet, json) or file (xlsx, mat).")],
    logbook: LogbookOption = LOGBOOK,
    every: Annotated[bool, typer.Option("--all", help="Every test of the logbook instead of one.")] = False,
    samples: Annotated[
        Samples, typer.Option(help="Every sample, those of accepted rocks and sweeps, or none.")
    ] = Samples.ALL,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace an export that is there.")] = False,
) -> None:
    """Export samples and results as documented tables."""
    with reported() as console:
        from lashmap_daemon.commands.export import ExportOptions  # noqa: PLC0415
        from lashmap_daemon.commands.export import export as export_tests  # noqa: PLC0415

        options = ExportOptions(
            test=test,
            logbook=logbook,
            every=every,
            to=to.value,
            output=output,
            samples=samples.value,
            overwrite=overwrite,
        )
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
