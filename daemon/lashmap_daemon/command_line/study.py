"""Commands about the stand itself: a study of its repeatability, and whether it drifts."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lashmap_daemon.command_line.app import reported
from lashmap_daemon.commands.options import LOGBOOK, LogbookOption

app = typer.Typer(
    help="Study the stand itself: repeatability and reproducibility, and drift of a check standard.",
    no_args_is_help=True,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)
StudyArgument = Annotated[Path, typer.Argument(help="Study file (TOML).", show_default=False)]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the figures as JSON instead.")]


@app.command()
def plan(
    file: StudyArgument,
    *,
    part: Annotated[list[str], typer.Option(help="Serial number of a box; two or more.")],
    operator: Annotated[list[str], typer.Option(help="Who tests; two or more.")],
    repeats: Annotated[int, typer.Option(help="Tests of each box by each operator.", min=2, max=100)] = 3,
    seed: Annotated[int, typer.Option(help="The same seed draws the same order.")] = 1,
) -> None:
    """Write a study file: every operator tests every box several times, in an order of chance."""
    with reported() as console:
        from lashmap_daemon.commands import study  # noqa: PLC0415

        study.plan(file, parts=part, operators=operator, repeats=repeats, seed=seed, console=console)


@app.command("next")
def next_test(file: StudyArgument, *, logbook: LogbookOption = LOGBOOK) -> None:
    """Say which test of the study comes next."""
    with reported() as console:
        from lashmap_daemon.commands import study  # noqa: PLC0415

        study.next_test(file, logbook, console)


@app.command()
def report(
    file: StudyArgument,
    *,
    logbook: LogbookOption = LOGBOOK,
    tolerance_mm: Annotated[
        float | None,
        typer.Option(
            help="Tolerance to compare with; the boxes' own limits when left out.", show_default=False
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Analyse a complete study: what scatters, how much, and what that means for the stated uncertainty."""
    with reported() as console:
        from lashmap_daemon.commands import study  # noqa: PLC0415

        study.report(file, logbook, tolerance_mm=tolerance_mm, as_json=as_json, console=console)


@app.command()
def drift(
    serial: Annotated[str, typer.Argument(help="Serial number of the check standard.", show_default=False)],
    *,
    logbook: LogbookOption = LOGBOOK,
    stand: Annotated[
        str | None,
        typer.Option(help="Name of the stand; that of its newest test when left out.", show_default=False),
    ] = None,
    baseline: Annotated[
        int | None,
        typer.Option(
            help="How many of the first tests make the limits; up to 20 when left out.", show_default=False
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Say whether the tests of a check standard show that the stand has changed; status 3 when they do."""
    with reported() as console:
        from lashmap_daemon.commands import study  # noqa: PLC0415

        raise typer.Exit(
            study.drift(serial, logbook, stand=stand, baseline=baseline, as_json=as_json, console=console)
        )
