"""The command that takes in a recording made elsewhere, so that it is analysed and reported like any test."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from rich.console import Console

from lashmap_daemon.conclude import conclude, write_json, write_report
from lashmap_daemon.console.lines import say
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.import_book import Import, Measured, keep, measure, refuse_twice, start_record
from lashmap_daemon.import_rocks import find_rocks
from lashmap_daemon.import_source import read_source, signals_of, stand_of
from lashmap_daemon.import_table import read
from lashmap_daemon.logbook import Logbook
from lashmap_daemon.summary import print_summary


@dataclass(frozen=True, kw_only=True)
class ImportOptions:
    """What the command line said.

    Attributes:
        mapping: Mapping file.
        logbook: Logbook file; made when absent.
        output: Folder for report and JSON; None is the logbook's folder.
        operator: Who imports it.
    """

    mapping: Path
    logbook: Path
    output: Path | None
    operator: str


def import_recording(options: ImportOptions, console: Console) -> str:
    """Import a recording, judge it and write JSON and report; returns the name of its test.

    Raises:
        ConfigurationError: Mapping, box file or recording is wrong, or it has been imported before.
        LogbookError: The logbook cannot be used.
    """
    source = read_source(options.mapping)
    recording = read(source.path, source.mapping)
    stand = stand_of(source)
    signals = signals_of(source, recording, stand)
    found = find_rocks(source.path, source.mapping, source.box, recording, signals)
    imported = Import(
        source=source, recording=recording, signals=signals, found=found, operator=options.operator
    )
    measured = measure(imported, stand)
    _say_refused(measured, console)
    if all(result.normal_backlash_mm is None for _, result in measured):
        problem = (
            "none of the rocks above is usable, so nothing was imported; check the mapping, or record again"
        )
        raise ConfigurationError(str(source.path), [problem])
    if not options.logbook.parent.is_dir():
        raise ConfigurationError(
            str(options.logbook), [f"logbook: no such folder {options.logbook.parent}; make it first"]
        )
    with Logbook(options.logbook, create=True) as book:
        known = refuse_twice(book, source)
        started = start_record(source, stand, found, known)
        keep(book, started, imported, measured)
        assessment = conclude(book, started.test)
    output = options.output if options.output is not None else options.logbook.parent
    json_path, report_path = output / f"{started.test}.json", output / f"{started.test}.html"
    write_json(assessment, json_path)
    write_report(assessment, report_path)
    print_summary(assessment, console, positions=False)
    say(console, f"\nlogbook  {options.logbook}\nresult   {json_path}\nreport   {report_path}")
    return started.test


def _say_refused(measured: list[Measured], console: Console) -> None:
    for rock, result in measured:
        if result.normal_backlash_mm is None:
            why = " ".join(flag.sentence for flag in result.flags if flag.disabling)
            say(
                console,
                f"refused  engagement {rock.engagement}, {rock.start_s:.6g} to {rock.end_s:.6g} s after the "
                f"first row: {why}",
                "bold",
            )
    usable = sum(result.normal_backlash_mm is not None for _, result in measured)
    say(console, f"{len(measured)} rocks found, {usable} usable\n")
