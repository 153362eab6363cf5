"""Commands for a machine without a stand: the demo, the example files, a simulated stand."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lashmap_daemon.command_line.app import BoxArgument, reported

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
def simulate(
    box: BoxArgument,
    *,
    folder: Annotated[Path, typer.Option(help="Where the ports and the stand file appear.")] = Path(
        "simulated-stand"
    ),
    seed: Annotated[int, typer.Option(help="The same seed makes the same gearbox.")] = 1,
    truth: Annotated[
        Path | None, typer.Option(help="Write the true backlash of every engagement here.")
    ] = None,
    rate: Annotated[float, typer.Option(help="Indicator lines a second.")] = 1000.0,
    resolution_um: Annotated[float, typer.Option(help="Indicator resolution in micrometres.")] = 0.1,
    shaft: Annotated[str, typer.Option(help="Shaft that carries the encoder: gear or pinion.")] = "gear",
    fault: Annotated[
        str, typer.Option(help="What is wrong with the stand; 'list' names the choices.")
    ] = "none",
) -> None:
    """Stand in for a powered test stand: two pseudo-terminals that speak as instruments do."""
    with reported() as console:
        from lashmap_daemon.commands.simulate import SimulateOptions  # noqa: PLC0415
        from lashmap_daemon.commands.simulate import simulate as serve_stand  # noqa: PLC0415

        options = SimulateOptions(
            box=box,
            folder=folder,
            seed=seed,
            truth=truth,
            rate_hz=rate,
            resolution_mm=resolution_um / 1000.0,
            shaft=shaft,
            fault=fault,
        )
        serve_stand(options, console)
