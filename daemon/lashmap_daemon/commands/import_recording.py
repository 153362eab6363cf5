"""The command that takes in a recording made elsewhere, so that it is analysed and reported like any test."""

from __future__ import annotations

from rich.console import Console

from lashmap_daemon.commands.options import ImportOptions
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.exchange.book import Measured, keep, measure, refuse_twice, start_record
from lashmap_daemon.exchange.rocks import find
from lashmap_daemon.exchange.source import read, read_source, signals_of, stand_of
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import hand_over
from lashmap_daemon.screens.summary import print_files, print_summary
from lashmap_daemon.screens.terminal import busy, say
from lashmap_daemon.story.recorded import Setup


def import_recording(options: ImportOptions, console: Console, *, operator: str) -> str:
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
    measured = measure(signals, found, Setup(box=source.box.recorded(), stand=stand.recorded()))
    _say_refused(measured, console)
    if all(result.normal_backlash_mm is None for _, result in measured.rocks):
        problem = (
            "none of the rocks above is usable, so nothing was imported; check the mapping, or record again"
        )
        raise ConfigurationError(str(source.path), [problem])
    if not options.logbook.parent.is_dir():
        raise ConfigurationError(
            str(options.logbook), [f"logbook: no such folder {options.logbook.parent}; make it first"]
        )
    with Logbook(options.logbook, create=True) as book, busy(console, f"Importing {source.path.name}"):
        known = refuse_twice(book, source)
        started = start_record(source, stand, found, known)
        keep(book, started, source, recording, found, measured=measured, operator=operator)
        output = options.output if options.output is not None else options.logbook.parent
        done = hand_over(book, started.test, output)
    print_summary(done.assessment, console, positions=False)
    print_files(options.logbook, done, console)
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
