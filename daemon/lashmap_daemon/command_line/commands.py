"""Commands of the command line, in the order of the help: each calls its function in `commands`.

A command that speaks to a running service is in `tell`. Imports stand inside the commands, so that ``--help``
stays quick.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lashmap_daemon.command_line.app import app, options_of, reported
from lashmap_daemon.commands.options import (
    LOGBOOK,
    BoxArgument,
    CompareOptions,
    ExportOptions,
    ImportOptions,
    LogbookOption,
    ReviewOptions,
    RunOptions,
    ServeOptions,
    SimulateOptions,
    StandArgument,
    TestArgument,
    WatchOptions,
    login_name,
)
from lashmap_daemon.errors import EXIT_STAND

__all__ = ["app"]


@app.command()
@options_of(RunOptions)
def run(options: RunOptions) -> None:
    """Run a test: lead through the positions, confirm the tight spot, judge, report; or go on with one."""
    with reported() as console:
        from lashmap_daemon.commands.run import run as run_test  # noqa: PLC0415

        raise typer.Exit(run_test(options, console))


@app.command()
def build(
    box: BoxArgument,
    *,
    logbook: LogbookOption = LOGBOOK,
    build: Annotated[
        str | None,
        typer.Option(help="Which build; the box's newest open one when left out.", show_default=False),
    ] = None,
    answers: Annotated[
        Path | None,
        typer.Option(help="File of answers, one a line in the order of the questions.", show_default=False),
    ] = None,
    show: Annotated[bool, typer.Option("--show", help="Only show the sheet.")] = False,
    plain: Annotated[bool, typer.Option("--plain", help="Plain lines instead of a table.")] = False,
) -> None:
    """Keep the sheet of a build: shims, distances, bearings, contact pattern; begun or gone on with."""
    with reported() as console:
        from lashmap_daemon.builds.command import BuildRequest, keep_sheet  # noqa: PLC0415
        from lashmap_daemon.screens.plain import AtTerminal, person_at  # noqa: PLC0415

        person = person_at(console)
        request = BuildRequest(box=box, logbook=logbook, build=build, answers=answers, show=show, plain=plain)
        keep_sheet(request, person, console, answers_itself=isinstance(person, AtTerminal))


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


@app.command("list")
def list_tests(
    *,
    logbook: LogbookOption = LOGBOOK,
    serial: Annotated[
        str | None,
        typer.Option(help="Only this serial number: its history, and first-pass yield.", show_default=False),
    ] = None,
) -> None:
    """List the tests in a logbook, and the builds, oldest first."""
    with reported() as console:
        from lashmap_daemon.builds.listing import print_history, print_list  # noqa: PLC0415
        from lashmap_daemon.logbook.logbook import Logbook  # noqa: PLC0415

        with Logbook(logbook, create=False) as book:
            if serial is None:
                print_list(book, console)
            else:
                print_history(book, serial, console)


@app.command()
@options_of(ReviewOptions)
def review(options: ReviewOptions) -> None:
    """Recompute a test from its raw samples, show what changed, and review it.

    What a reviewer leaves out is kept beside the record with its reason; both results are shown.
    """
    with reported() as console:
        from lashmap_daemon.commands.review import review as review_test  # noqa: PLC0415

        review_test(options, console)


@app.command()
@options_of(CompareOptions)
def compare(options: CompareOptions) -> None:
    """Set tests beside each other: what changed, how well that is known, and whether shims did their work."""
    with reported() as console:
        from lashmap_daemon.commands.compare import compare as compare_tests  # noqa: PLC0415

        compare_tests(options, console)


@app.command()
def shims(
    test: TestArgument = None,
    *,
    logbook: LogbookOption = LOGBOOK,
    box: Annotated[
        Path | None, typer.Option(help="Box file whose shims to use instead of the recorded ones.")
    ] = None,
) -> None:
    """Say which shims bring the tight spot into the limits, or what to measure first."""
    with reported() as console:
        from lashmap_daemon.commands.shims import advise  # noqa: PLC0415
        from lashmap_daemon.logbook.logbook import Logbook  # noqa: PLC0415
        from lashmap_daemon.setup import toml_file  # noqa: PLC0415
        from lashmap_daemon.setup.box_file import BoxFile  # noqa: PLC0415

        stock = None if box is None else toml_file.load(box, BoxFile)
        with Logbook(logbook, create=False) as book:
            advise(book, test, stock, console)


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
