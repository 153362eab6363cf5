"""Commands that exchange with other programs: tests exported, recordings taken in.

What an export is and where it is written is decided in `exchange.export`.
"""

from __future__ import annotations

from functools import partial

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeRemainingColumn

from lashmap_daemon.commands.options import ExportOptions, ImportOptions, login_name
from lashmap_daemon.errors import ConfigurationError, LogbookError
from lashmap_daemon.exchange.book import Measured, keep, measure, refuse_twice, start_record
from lashmap_daemon.exchange.export import FOLDERS, Place, write_test
from lashmap_daemon.exchange.files import Writer
from lashmap_daemon.exchange.rocks import find
from lashmap_daemon.exchange.source import read, read_source, signals_of, stand_of
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.schema import must_have_place
from lashmap_daemon.replay.conclude import hand_over
from lashmap_daemon.replay.replay import newest_test
from lashmap_daemon.screens.next_step import print_next_step
from lashmap_daemon.screens.result import print_files, print_summary
from lashmap_daemon.screens.terminal import busy, say
from lashmap_daemon.story.recorded import Setup


def export(options: ExportOptions, console: Console) -> tuple[str, ...]:
    """Export; returns the tests of a whole logbook that could not be read.

    Raises:
        ConfigurationError: A wrong argument, a place that cannot be written, or a format that cannot hold it.
        LogbookError: The test cannot be read.
    """
    if options.every and options.test is not None:
        raise ConfigurationError(
            "--all", [f"exports every test, but {options.test} is named; leave one away"]
        )
    if options.every and options.to not in FOLDERS:
        raise ConfigurationError(
            "--all", [f"is for {', '.join(FOLDERS)}; use --to parquet, or name one test"]
        )
    place = Place(output=options.output, to=options.to, overwrite=options.overwrite)
    place.check()
    with Logbook(options.logbook, create=False) as book:
        tests = [one.test for one in book.tests()] if options.every else [options.test or newest_test(book)]
        if not tests:
            raise LogbookError(f"{options.logbook}: holds no test yet; run one first")
        with place.writing() as (writer, finish):
            left_out = _write(book, tests, writer, options, console)
            finish()
    say(console, f"{len(tests) - len(left_out)} of {len(tests)} tests exported to {options.output}")
    return tuple(left_out)


def _write(
    book: Logbook, tests: list[str], writer: Writer, options: ExportOptions, console: Console
) -> dict[str, str]:
    left_out: dict[str, str] = {}
    reviewed: list[str] = []
    with _progress(console) as progress:
        for number, test in enumerate(tests, 1):
            bar = progress.add_task(f"{test} ({number} of {len(tests)})", total=None)
            try:
                if write_test(
                    book, test, writer, options.samples, partial(_show, progress, bar), among=options.every
                ):
                    reviewed.append(test)
            except LogbookError as error:
                if not options.every:
                    raise
                left_out[test] = str(error)
            progress.update(bar, total=1.0, completed=1.0, visible=False)
    for test, why in left_out.items():
        say(console, f"left out {test}: {why}", "bold")
    for test in reviewed:
        say(
            console,
            f"note: A reviewer took positions or reversals out of {test}; exported is the result as "
            "recorded, with all of them. The other is in the table reviewed_results.",
            "dim",
        )
    return left_out


def _show(progress: Progress, bar: TaskID, share: float) -> None:
    progress.update(bar, total=1.0, completed=share)


def _progress(console: Console) -> Progress:
    return Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TimeRemainingColumn(),
        console=console,
        transient=True,
        disable=not console.file.isatty(),  # a notebook claims to be a terminal, and shows the codes
    )


def import_recording(options: ImportOptions, console: Console, *, operator: str = "") -> str:
    """Import a recording, judge it and write JSON, HTML and PDF; returns the name of its test.

    Raises:
        ConfigurationError: Mapping, box file or recording is wrong, or it has been imported before.
        LogbookError: The logbook cannot be used.
    """
    source = read_source(options.mapping)
    with busy(console, f"Reading {source.path.name}"):
        recording = read(source.path, source.data, source.mapping)
        stand = stand_of(source)
        signals = signals_of(source, recording, stand)
        found = find(source, recording, signals)
    measured = measure(signals, found, Setup.of(source.box.recorded(), stand.recorded()))
    _say_refused(measured, console)
    if all(result.normal_backlash_mm is None for _, result in measured.rocks):
        problem = (
            "none of the rocks above is usable, so nothing was imported; check the mapping, or record again"
        )
        raise ConfigurationError(str(source.path), [problem])
    must_have_place(options.logbook)
    with Logbook(options.logbook, create=True) as book, busy(console, f"Importing {source.path.name}"):
        known = refuse_twice(book, source)
        started = start_record(source, stand, found, known)
        keep(
            book,
            started,
            source,
            recording,
            found,
            measured=measured,
            operator=operator or login_name(),
        )
        output = options.output if options.output is not None else options.logbook.parent
        done = hand_over(book, started.test, output)
    print_summary(done.assessment, console, positions=False)
    print_files(options.logbook, done, console)
    print_next_step(done.assessment, options.logbook, console)
    return started.test


def _say_refused(measured: Measured, console: Console) -> None:
    for rock, result in measured.rocks:
        if result.normal_backlash_mm is None:
            why = " ".join(flag.sentence for flag in result.flags if flag.disabling)
            say(
                console,
                f"refused  engagement {rock.engagement}, {rock.start_s:.6g} to {rock.end_s:.6g} s after the "
                f"first row: {why}",
                "bold",
            )
    for sweep, result_of in measured.sweeps:
        if result_of.sweep is None:
            say(console, f"refused  {sweep.member} sweep: {result_of.refusal}", "bold")
    usable = sum(result.normal_backlash_mm is not None for _, result in measured.rocks)
    good = sum(result.sweep is not None for _, result in measured.sweeps)
    swept = f"; {_many(len(measured.sweeps))}, {good} usable" if measured.sweeps else ""
    say(console, f"{len(measured.rocks)} rocks found, {usable} usable{swept}")
    console.print()


def _many(sweeps: int) -> str:
    return "1 runout sweep" if sweeps == 1 else f"{sweeps} runout sweeps"
