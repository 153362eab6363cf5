"""Commands that speak to a stand: run a test, see what the instruments say, keep it on, publish, watch it."""

from __future__ import annotations

from enum import Enum
from typing import Annotated

import typer

from lashmap_daemon.command_line.app import login_name, reported, words_of
from lashmap_daemon.commands.options import (
    LOGBOOK,
    BoxArgument,
    LogbookOption,
    OutputOption,
    ServeOptions,
    StandArgument,
)

app = typer.Typer()


class Member(Enum):
    """A member of the gear set."""

    GEAR = "gear"
    PINION = "pinion"


@app.command()
def run(
    stand: StandArgument,
    box: BoxArgument,
    *,
    logbook: LogbookOption = LOGBOOK,
    output: OutputOption = None,
    operator: Annotated[str, typer.Option(help="Who runs the test; the login name when left out.")] = "",
    locked_out: Annotated[
        bool, typer.Option("--locked-out", help="I have read the cautions; the drive is locked out.")
    ] = False,
    plain: Annotated[bool, typer.Option("--plain", help="Plain lines instead of the live screen.")] = False,
    runout: Annotated[
        list[Member] | None,
        typer.Option(help="Also turn this member for its runout; may be given twice.", show_default=False),
    ] = None,
    resume: Annotated[
        bool,
        typer.Option("--resume", help="Go on with a test that was broken off, stopped or failed."),
    ] = False,
    test: Annotated[
        str | None,
        typer.Option(help="With --resume: which test; the box's newest unfinished one when left out."),
    ] = None,
) -> None:
    """Run a test: lead through the positions, confirm the tight spot, judge, report; or go on with one."""
    with reported() as console:
        from lashmap_daemon.commands.run import RunOptions  # noqa: PLC0415
        from lashmap_daemon.commands.run import run as run_test  # noqa: PLC0415

        options = RunOptions(
            stand=stand,
            box=box,
            logbook=logbook,
            output=output,
            operator=operator or login_name(),
            locked_out=locked_out,
            plain=plain,
            runout=tuple(member.value for member in runout or ()),
            resume=resume or test is not None,
            test=test,
        )
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
@words_of(ServeOptions)
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
def watch(
    stands: Annotated[
        list[str] | None,
        typer.Argument(help="Stand files or names on the bus; all when left out.", show_default=False),
    ] = None,
    *,
    broker: Annotated[
        str | None, typer.Option(help="mqtt://host:port or mqtts://host:port.", envvar="LASHMAP_BROKER")
    ] = None,
    user: Annotated[str | None, typer.Option(help="User at the broker.")] = None,
    password_file: Annotated[
        str | None, typer.Option(help="File with the password; or set LASHMAP_BUS_PASSWORD.")
    ] = None,
    ca_file: Annotated[
        str | None, typer.Option(help="Authority that signed the broker's certificate.")
    ] = None,
    once: Annotated[bool, typer.Option("--once", help="Print what is known now and end.")] = False,
) -> None:
    """Watch stands over the bus: one as the person at it sees it, or many as a table. Read only."""
    with reported() as console:
        from lashmap_daemon.commands.watch import WatchOptions  # noqa: PLC0415
        from lashmap_daemon.commands.watch import watch as watch_stands  # noqa: PLC0415

        others = {"broker": broker, "user": user, "password_file": password_file, "ca_file": ca_file}
        watch_stands(WatchOptions(stands=tuple(stands or ()), once=once, others=others), console)
