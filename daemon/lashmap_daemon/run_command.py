"""The command that runs a test: files, person, ports, logbook and screen put together."""

from __future__ import annotations

import asyncio
import datetime as dt
import sys
from contextlib import ExitStack
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path

from lashmap_analysis.record import Shaft
from lashmap_drivers.errors import InstrumentError
from lashmap_drivers.source import Source
from rich.console import Console

from lashmap_daemon import toml_file
from lashmap_daemon.box_file import BoxFile
from lashmap_daemon.channels import Channels
from lashmap_daemon.conclude import conclude, write_json, write_report
from lashmap_daemon.console.lines import say
from lashmap_daemon.console.live import LiveScreen
from lashmap_daemon.console.plain import PlainScreen
from lashmap_daemon.errors import EXIT_STOPPED, ConfigurationError, StandError
from lashmap_daemon.events import Listener, TestClosed
from lashmap_daemon.hands_free import obeying
from lashmap_daemon.live_test import LiveTest, Opening, Screen, listen, open_ports
from lashmap_daemon.logbook import Logbook
from lashmap_daemon.logbook_lock import only_writer
from lashmap_daemon.opening import (
    Nobody,
    Person,
    complete_box,
    confirm_cautions,
    matched_teeth,
    start_record,
)
from lashmap_daemon.preconditions import collect
from lashmap_daemon.prompts import PromptsFile
from lashmap_daemon.stand_file import load_stand
from lashmap_daemon.summary import print_summary


@dataclass(frozen=True, kw_only=True)
class RunOptions:
    """What the command line said.

    Attributes:
        stand: Stand file.
        box: Box file.
        logbook: Logbook file; made when absent.
        output: Folder for report and JSON; None is the logbook's folder.
        operator: Who runs the test.
        locked_out: The cautions are confirmed on the command line.
        plain: Plain lines also on a terminal.
        runout: Members to turn for their runout after the last position.
    """

    stand: Path
    box: Path
    logbook: Path
    output: Path | None
    operator: str
    locked_out: bool
    plain: bool
    runout: tuple[Shaft, ...] = ()


@dataclass(frozen=True, kw_only=True)
class AtTerminal:
    """The person at this terminal."""

    console: Console

    def show(self, text: str) -> None:
        """Print a line as it is."""
        say(self.console, text)

    def ask(self, question: str) -> str:
        """Ask for a line; end of input is no answer."""
        try:
            return self.console.input(f"{question}: ", markup=False)
        except EOFError:
            return ""


def run(options: RunOptions, console: Console) -> int:
    """Run a test from the files to the report; returns the exit status.

    Raises:
        ConfigurationError: Wrong file, key or argument; nothing was started.
        StandError: The stand failed; what was recorded is in the logbook.
        LogbookError: The logbook cannot be used.
        CautionsNotConfirmed: Nobody confirmed the lock-out.
    """
    stand = load_stand(options.stand)
    box = toml_file.load(options.box, BoxFile)
    terminal = AtTerminal(console=console)
    person: Person = terminal if sys.stdin.isatty() and console.is_terminal else Nobody(show=terminal.show)
    now = dt.datetime.now(dt.UTC)
    started = start_record(
        box,
        stand,
        operator=options.operator,
        now=now,
        version=version("lashmap"),
        box_name=str(options.box),
        sweeps=options.runout,
    )
    cautions = confirm_cautions(person, confirmed_before=options.locked_out)
    box = complete_box(box, person)
    with ExitStack() as stack:
        logbook = stack.enter_context(_open_logbook(options.logbook, stack))
        ports = open_ports(stand, stack)
        channels = Channels(stand, box.gear_set.gear_set())
        rates = listen(ports, channels)

        def encoder_deg() -> float:
            for name, port in ports.items():
                channels.feed(name, port.take())
            return channels.latest_encoder_deg or 0.0

        how, matched = matched_teeth(box, person, encoder_deg=encoder_deg)
        opening = Opening(
            started=replace(started, box=box),
            cautions=cautions,
            preconditions=collect(box, stand, matched=how, today=now.astimezone().date(), locked_out=True),
            matched=matched,
            rates_hz=rates,
        )
        try:
            closed = _lead(opening, ports, logbook, options, console)
        except (StandError, InstrumentError):
            terminal.show(
                f"The test was closed early; what it recorded is kept. Open it with: "
                f"lashmap review {started.test} --logbook {options.logbook}"
            )
            raise
        return _hand_over(logbook, started.test, closed, options, console)


def _open_logbook(path: Path, stack: ExitStack) -> Logbook:
    if not path.parent.is_dir():
        raise ConfigurationError(str(path), [f"logbook: no such folder {path.parent}; make it first"])
    stack.enter_context(only_writer(path))
    return Logbook(path, create=True)


def _lead(
    opening: Opening, ports: dict[str, Source], logbook: Logbook, options: RunOptions, console: Console
) -> TestClosed:
    prompts = opening.started.stand.file.prompts
    listeners: tuple[Listener, ...] = (PromptsFile(Path(prompts.file)),) if prompts else ()
    with ExitStack() as stack:
        screen: Screen
        if console.is_terminal and sys.stdin.isatty() and not options.plain:
            title = f"{opening.started.box.box.serial} · test {opening.started.test}"
            screen = stack.enter_context(LiveScreen(console, title))
        else:
            terminal = AtTerminal(console=console)
            screen = PlainScreen(opening.started.box.box.units, terminal.show)
        for port in ports.values():
            port.take()  # what came while questions were answered belongs to no test
        screen = obeying(screen, opening.started.stand.file, opening.started.box.gear_set.gear_teeth)
        live = LiveTest(opening, ports, logbook, screen, listeners)
        return asyncio.run(live.run())


def _hand_over(logbook: Logbook, test: str, closed: TestClosed, options: RunOptions, console: Console) -> int:
    output = options.output if options.output is not None else options.logbook.parent
    assessment = conclude(logbook, test)
    json_path, report_path = output / f"{test}.json", output / f"{test}.html"
    write_json(assessment, json_path)
    write_report(assessment, report_path)
    print_summary(assessment, console, positions=False)
    terminal = AtTerminal(console=console)
    terminal.show(f"\nlogbook  {options.logbook}\nresult   {json_path}\nreport   {report_path}")
    return 0 if closed.outcome == "completed" else EXIT_STOPPED
