"""The command line. Commands import what they need when they run, so that ``--help`` stays quick."""

from __future__ import annotations

import getpass
import sys
from contextlib import contextmanager
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from lashmap_drivers.errors import InstrumentError

from lashmap_daemon.errors import EXIT_STAND, EXIT_STOPPED, LashmapError
from lashmap_daemon.logbook_cli import LogbookOption, add_logbook_commands

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import Console

app = typer.Typer(
    help="Record the rock of a right-angle (bevel) gearbox at many positions, find its tight spot, judge it.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # the plain help starts in half the time
    context_settings={"help_option_names": ["-h", "--help"]},
)


class Member(Enum):
    """A member of the gear set."""

    GEAR = "gear"
    PINION = "pinion"


_LOGBOOK = Path("lashmap.logbook")
BoxArgument = Annotated[Path, typer.Argument(help="Box file (TOML).", show_default=False)]
StandArgument = Annotated[Path, typer.Argument(help="Stand file (TOML).", show_default=False)]
TestArgument = Annotated[
    str | None, typer.Argument(help="Test to open; the newest when left out.", show_default=False)
]


@app.command()
def run(
    stand: StandArgument,
    box: BoxArgument,
    *,
    logbook: LogbookOption = _LOGBOOK,
    output: Annotated[
        Path | None, typer.Option(help="Folder for report and JSON; the logbook's own when left out.")
    ] = None,
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
    with _reported() as console:
        from lashmap_daemon.run_command import RunOptions  # noqa: PLC0415
        from lashmap_daemon.run_command import run as run_test  # noqa: PLC0415

        options = RunOptions(
            stand=stand,
            box=box,
            logbook=logbook,
            output=output,
            operator=operator or _login_name(),
            locked_out=locked_out,
            plain=plain,
            runout=tuple(member.value for member in runout or ()),
            resume=resume or test is not None,
            test=test,
        )
        raise typer.Exit(run_test(options, console))


@app.command()
def review(
    test: TestArgument = None,
    *,
    logbook: LogbookOption = _LOGBOOK,
    as_json: Annotated[bool, typer.Option("--json", help="Print the result as JSON instead.")] = False,
    report: Annotated[Path | None, typer.Option(help="Also write the HTML report to this file.")] = None,
) -> None:
    """Recompute a test from its raw samples and show the result."""
    with _reported() as console:
        from lashmap_daemon.conclude import conclude, json_text, write_report  # noqa: PLC0415
        from lashmap_daemon.logbook import Logbook  # noqa: PLC0415
        from lashmap_daemon.summary import print_summary  # noqa: PLC0415

        with Logbook(logbook, create=False) as book:
            assessment = conclude(book, test)
            moved = book.moved_to(assessment.record.identity.test)
        if report is not None:
            write_report(assessment, report)
        if as_json:
            typer.echo(json_text(assessment), nl=False)
        else:
            print_summary(assessment, console, positions=True)
            if moved is not None:
                console.print(moved.sentence, markup=False, soft_wrap=True)


@app.command()
def shims(
    test: TestArgument = None,
    *,
    logbook: LogbookOption = _LOGBOOK,
    box: Annotated[
        Path | None, typer.Option(help="Box file whose shims to use instead of the recorded ones.")
    ] = None,
) -> None:
    """Say which shims bring the tight spot into the limits, or what to measure first."""
    with _reported() as console:
        from lashmap_daemon import toml_file  # noqa: PLC0415
        from lashmap_daemon.box_file import BoxFile  # noqa: PLC0415
        from lashmap_daemon.logbook import Logbook  # noqa: PLC0415
        from lashmap_daemon.shims_command import advise  # noqa: PLC0415

        stock = None if box is None else toml_file.load(box, BoxFile)
        with Logbook(logbook, create=False) as book:
            advise(book, test, stock, console)


@app.command("list")
def list_tests(*, logbook: LogbookOption = _LOGBOOK) -> None:
    """List the tests in a logbook, oldest first."""
    with _reported() as console:
        from rich.table import Table  # noqa: PLC0415
        from rich.text import Text  # noqa: PLC0415

        from lashmap_daemon.logbook import Logbook  # noqa: PLC0415

        with Logbook(logbook, create=False) as book:
            tests = book.tests()
        table = Table("test", "started (UTC)", "box", "serial", "positions", "closing")
        for one in tests:
            cells = (one.test, one.started_utc[:19], one.box, one.serial, str(one.positions), one.closing)
            table.add_row(*(Text(cell) for cell in cells))
        console.print(table)


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
    with _reported() as console:
        from lashmap_daemon.check_command import check as check_stand  # noqa: PLC0415
        from lashmap_daemon.check_command import propose_profiles  # noqa: PLC0415

        if profile_from_capture:
            propose_profiles(stand, seconds, console)
        else:
            check_stand(stand, seconds, console)


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
    with _reported() as console:
        from lashmap_daemon.simulate_command import SimulateOptions  # noqa: PLC0415
        from lashmap_daemon.simulate_command import simulate as serve_stand  # noqa: PLC0415

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


@app.command()
def demo(
    box: Annotated[Path | None, typer.Argument(help="Another box file.", show_default=False)] = None,
    *,
    folder: Annotated[Path, typer.Option(help="Where logbook, JSON and report are left.")] = Path(
        "demo-output"
    ),
    seed: Annotated[int, typer.Option(help="The same seed makes the same gearbox.")] = 1,
    plain: Annotated[bool, typer.Option("--plain", help="Plain lines instead of the live screen.")] = False,
) -> None:
    """Run the whole job on a simulated stand and compare the result with its truth."""
    with _reported() as console:
        from lashmap_daemon.demo_command import demo as run_demo  # noqa: PLC0415

        raise typer.Exit(run_demo(box, folder, seed, console, plain=plain))


def main() -> None:
    """Entry point of the ``lashmap`` command."""
    app()


@contextmanager
def _reported() -> Iterator[Console]:
    """A console, and every foreseen error as its message and exit status."""
    from rich.console import Console  # noqa: PLC0415

    try:
        yield Console(highlight=False)
    except LashmapError as error:
        _complain(str(error))
        raise typer.Exit(error.exit_status) from None
    except InstrumentError as error:
        _complain(str(error))
        raise typer.Exit(EXIT_STAND) from None
    except KeyboardInterrupt:
        _complain("stopped")
        raise typer.Exit(EXIT_STOPPED) from None
    except BrokenPipeError:
        # The reader of our output went away; whatever ran has closed its record already.
        sys.stderr.close()
        raise typer.Exit(EXIT_STAND) from None


def _complain(message: str) -> None:
    for line in message.splitlines():
        typer.echo(f"lashmap: {line}", err=True)


def _login_name() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):  # no such user in a container; ImportError on Windows
        return "not recorded"


add_logbook_commands(app, _reported, _LOGBOOK)
