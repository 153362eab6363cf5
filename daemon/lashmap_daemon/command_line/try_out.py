"""Commands for a machine without a stand: the demo, the example files, a simulated stand."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lashmap_daemon.command_line.app import options_of, reported
from lashmap_daemon.commands.options import SimulateOptions

app = typer.Typer()


@app.command()
def demo(
    box: Annotated[Path | None, typer.Argument(help="Another box file.", show_default=False)] = None,
    *,
    folder: Annotated[Path, typer.Option(help="Where logbook, JSON and report are left.")] = Path(
        "demo-output"
    ),
    seed: Annotated[int, typer.Option(help="The same seed makes the same gearbox.")] = 1,
    plain: Annotated[bool, typer.Option("--plain", help="Plain lines instead of the live screen.")] = False,
    short: Annotated[
        bool, typer.Option("--short", help="Few positions, in half a minute; the interval is wider.")
    ] = False,
) -> None:
    """Run the whole job on a simulated stand and compare the result with its truth."""
    with reported() as console:
        from lashmap_daemon.commands.demo import demo as run_demo  # noqa: PLC0415

        raise typer.Exit(run_demo(box, folder, seed, console, plain=plain, short=short))


@app.command()
def examples() -> None:
    """Say where the example files are, to copy: cp -r "$(lashmap examples)" configs."""
    with reported():
        from lashmap_daemon.setup.shipped import shipped  # noqa: PLC0415

        typer.echo(shipped("configs"))


@app.command()
@options_of(SimulateOptions)
def simulate(options: SimulateOptions) -> None:
    """Stand in for a powered test stand: two pseudo-terminals that speak as instruments do."""
    with reported() as console:
        from lashmap_daemon.commands.simulate import simulate as serve_stand  # noqa: PLC0415

        serve_stand(options, console)
