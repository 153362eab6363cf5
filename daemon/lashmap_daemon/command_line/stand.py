"""Commands that speak to a stand: run a test, see what the instruments say, keep it on, publish, watch it."""

from __future__ import annotations

from typing import Annotated

import typer

from lashmap_daemon.command_line.app import options_of, reported
from lashmap_daemon.commands.options import (
    LOGBOOK,
    LogbookOption,
    RunOptions,
    ServeOptions,
    StandArgument,
    WatchOptions,
)

app = typer.Typer()


@app.command()
@options_of(RunOptions)
def run(options: RunOptions) -> None:
    """Run a test: lead through the positions, confirm the tight spot, judge, report; or go on with one."""
    with reported() as console:
        from lashmap_daemon.commands.run import run as run_test  # noqa: PLC0415

        raise typer.Exit(run_test(options, console))


@app.command()
def check(
    stand: StandArgument,
    *,
    seconds: Annotated[float, typer.Option(min=0.0, help="How long; 0 goes on until Ctrl-C.")] = 0.0,
    profile_from_capture: Annotated[
        bool,
        typer.Option("--profile-from-capture", help="Propose profiles from a few seconds of ASCII traffic."),
    ] = False,
) -> None:
    """Talk to both instruments of a stand: readings beside raw bytes, rate, jitter, age, bad frames."""
    with reported() as console:
        from lashmap_daemon.commands.check import check as check_stand  # noqa: PLC0415
        from lashmap_daemon.commands.check import propose_profiles  # noqa: PLC0415

        if profile_from_capture:
            propose_profiles(stand, seconds, console)
        else:
            check_stand(stand, seconds, console)


@app.command()
@options_of(ServeOptions)
def serve(options: ServeOptions) -> None:
    """Keep a stand always on; tests begin and end by `lashmap tell`."""
    with reported():
        from lashmap_daemon.commands.serve import serve as serve_stand  # noqa: PLC0415

        raise typer.Exit(serve_stand(options))


@app.command()
def publish(
    stand: StandArgument,
    *,
    logbook: LogbookOption = LOGBOOK,
) -> None:
    """Send what waits in a logbook to the broker of the stand, without a test; once is enough."""
    with reported() as console:
        from lashmap_daemon.commands.publish import publish as publish_waiting  # noqa: PLC0415

        publish_waiting(stand, logbook, console)


@app.command()
@options_of(WatchOptions)
def watch(options: WatchOptions) -> None:
    """Watch stands over the bus: one as the person at it sees it, or many as a table. Read only."""
    with reported() as console:
        from lashmap_daemon.commands.watch import watch as watch_stands  # noqa: PLC0415

        watch_stands(options, console)
