"""The command that runs a test: files, person, ports, logbook and screen put together."""

from __future__ import annotations

import asyncio
import contextlib
import datetime as dt
import shlex
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lashmap_analysis.record.record import Shaft
from lashmap_drivers.errors import InstrumentError, InstrumentWaits
from lashmap_drivers.ports.source import Source
from rich.console import Console

from lashmap_daemon.bus.join import OnTheBus, join_bus
from lashmap_daemon.errors import (
    EXIT_STOPPED,
    ConfigurationError,
    LashmapError,
    LogbookFull,
    LogbookGone,
    ReferenceDisproved,
    StandError,
)
from lashmap_daemon.logbook.lock import only_writer
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.schema import must_be_writable
from lashmap_daemon.replay.conclude import hand_over
from lashmap_daemon.replay.preconditions import collect
from lashmap_daemon.screens.lines import say
from lashmap_daemon.screens.live import LiveScreen
from lashmap_daemon.screens.plain import PlainScreen
from lashmap_daemon.screens.prompts import PromptsFile
from lashmap_daemon.screens.summary import print_files, print_summary
from lashmap_daemon.sequence.resume import find_unfinished, take_up
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.free_text import MOST_IN_LABEL, complaint
from lashmap_daemon.setup.stand_file import ENCODER, Stand, load_stand
from lashmap_daemon.story.events import Listener, TestClosed
from lashmap_daemon.testing.channels import Channels
from lashmap_daemon.testing.hands_free import obeying
from lashmap_daemon.testing.live_test import LiveTest, Opening, Screen
from lashmap_daemon.testing.monitor import SILENT_S, open_ports
from lashmap_daemon.testing.opening import (
    Nobody,
    Person,
    complete_box,
    confirm_cautions,
    matched_teeth,
    start_record,
    unused_name,
)
from lashmap_daemon.testing.relay import Relay
from lashmap_daemon.testing.resume_opening import open_again, reference_of

if TYPE_CHECKING:
    from lashmap_daemon.bus.stand_bus import StandBus


_TICK_S = 0.02
_SAMPLES_TO_BELIEVE = 5  # good lines before an instrument counts as heard
_LISTEN_S = 1.0
_LAST_LINES_S = 2.0  # without a line going out, before a screen that is stuck is left behind


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
        resume: Go on with a test that ended early.
        test: Which one; the newest of this box that was not completed when None.
    """

    stand: Path
    box: Path
    logbook: Path
    output: Path | None
    operator: str
    locked_out: bool
    plain: bool
    runout: tuple[Shaft, ...] = ()
    resume: bool = False
    test: str | None = None


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
    if wrong := complaint(options.operator, MOST_IN_LABEL):
        raise ConfigurationError("--operator", [wrong])
    stand = load_stand(options.stand)
    box = toml_file.load(options.box, BoxFile)
    _check_place(options.logbook)
    terminal = AtTerminal(console=console)
    person: Person = terminal if sys.stdin.isatty() and console.is_terminal else Nobody(show=terminal.show)
    with ExitStack() as stack:
        if options.resume:
            begun = _go_on(options, box, stand, person, stack)
        else:
            begun = _begin(options, box, stand, person, stack)
        test = begun.opening.started.test
        bus = join_bus(stand, options.logbook, begun.opening.started, stack, terminal.show)
        try:
            closed = _lead(begun, options, console, bus=bus, go_on=_again(options, test, options.logbook))
        except (StandError, InstrumentError, LogbookFull, LogbookGone) as error:
            saved = error.saved if isinstance(error, LogbookGone) else options.logbook
            if saved is not None:
                with contextlib.suppress(OSError):  # the terminal may be gone as well
                    terminal.show(
                        f"The test was closed early; what it recorded is kept. Open it with: "
                        f"lashmap review {test} --logbook {saved}"
                    )
                    if not isinstance(error, ReferenceDisproved):
                        terminal.show(f"Go on with it: {_again(options, test, saved)}")
            raise
        if closed.outcome == "interrupted":  # whoever ends programs does not wait for a report
            with contextlib.suppress(OSError):  # the terminal may be what went away
                again = _again(options, test, options.logbook)
                print(f"lashmap: interrupted; what was recorded is kept. Go on: {again}", file=sys.stderr)  # noqa: T201
            return EXIT_STOPPED
        try:
            status = _hand_over(begun.logbook, closed, test, options, console, bus=bus)
            begun.logbook.must_be_there()
        except LashmapError:
            _save_if_gone(begun.logbook, test)
            raise
        return status


def _save_if_gone(logbook: Logbook, test: str) -> None:
    """See that the file of a closed test is still there.

    Raises:
        LogbookGone: When it is not; says where it was saved.
    """
    try:
        logbook.must_be_there()
    except LogbookGone as error:
        book, told = logbook.saved_elsewhere(test)
        book.close()
        told = f"the test itself is closed. {told}"
        raise LogbookGone(error.path, error.why, saved=book.path, how_saved=told) from error


def _again(options: RunOptions, test: str, logbook: Path) -> str:
    """The command that goes on with a test, as a shell takes it."""
    files = (str(options.stand), str(options.box), "--logbook", str(logbook))
    return shlex.join(("lashmap", "run", *files, "--resume", "--test", test))


@dataclass(frozen=True, kw_only=True)
class _Begun:
    opening: Opening
    ports: dict[str, Source]
    logbook: Logbook


def _begin(options: RunOptions, box: BoxFile, stand: Stand, person: Person, stack: ExitStack) -> _Begun:
    """Everything before the first position of a new test."""
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
    logbook = stack.enter_context(_open_logbook(options.logbook, stack))
    started = replace(started, box=box, test=unused_name(logbook, started.test))
    ports, rates_hz, encoder_deg = _listen(stand, box, stack)
    how, matched = matched_teeth(box, person, encoder_deg=encoder_deg)
    opening = Opening(
        started=started,
        cautions=cautions,
        preconditions=collect(box, stand, matched=how, today=now.astimezone().date(), locked_out=True),
        matched=matched,
        rates_hz=rates_hz,
    )
    return _Begun(opening=opening, ports=ports, logbook=logbook)


def _go_on(options: RunOptions, box: BoxFile, stand: Stand, person: Person, stack: ExitStack) -> _Begun:
    """Everything before the next position of a test that ended early."""
    if options.runout:
        raise ConfigurationError("--runout", ["a test goes on with the sweeps it began with; leave it out"])
    if not options.logbook.is_file():
        raise ConfigurationError(str(options.logbook), ["no such logbook, so there is no test to go on with"])
    logbook = stack.enter_context(_open_logbook(options.logbook, stack))
    test = find_unfinished(logbook, options.test, box)
    unfinished = take_up(logbook, test, box, stand)
    person.show(f"Going on with test {test}: {unfinished.state_text}.")
    cautions = confirm_cautions(person, confirmed_before=options.locked_out)
    ports, rates_hz, encoder_deg = _listen(stand, unfinished.started.box, stack)
    opening = open_again(
        unfinished,
        reference_of(unfinished, logbook),
        person=person,
        cautions=cautions,
        rates_hz=rates_hz,
        encoder_deg=encoder_deg,
        followed=True,
        operator=options.operator,
        version=version("lashmap"),
        now=dt.datetime.now(dt.UTC),
    )
    return _Begun(opening=opening, ports=ports, logbook=logbook)


def _listen(
    stand: Stand, box: BoxFile, stack: ExitStack
) -> tuple[dict[str, Source], dict[str, float], Callable[[], float]]:
    """Open both ports; also the rates heard, and how to read the encoder now."""
    ports = open_ports(stand, stack)
    channels = Channels(stand, box.gear_set.gear_set())
    rates_hz = listen(ports, channels)

    def encoder_deg() -> float:
        for name, port in ports.items():
            channels.feed(name, port.take())
        latest_s = channels.latest_s(ENCODER)
        if latest_s is None or time.monotonic() - latest_s > SILENT_S:
            raise StandError(
                f"encoder on {channels.port(ENCODER)}: has given no angle for {SILENT_S:.0f} s, so nobody "
                "knows where the marked teeth are. See to its cable and power, and run again."
            )
        return channels.latest_encoder_deg or 0.0

    return ports, rates_hz, encoder_deg


def listen(ports: dict[str, Source], channels: Channels) -> dict[str, float]:
    """Wait until both instruments speak; returns samples a second by channel.

    One that sends on its button speaks when somebody presses it, which may be later.

    Raises:
        StandError: Naming every instrument that is silent or not understood.
    """
    start_s = time.monotonic()
    for monitor in channels.monitors.values():
        monitor.start_over(start_s)
    while True:
        time.sleep(_TICK_S)
        now_s = time.monotonic()
        for name, port in ports.items():
            channels.feed(name, port.take())
        awaited = [one for one in channels.monitors.values() if not one.on_button]
        heard = all(one.parser.good_frames >= _SAMPLES_TO_BELIEVE for one in awaited)
        if now_s - start_s < _LISTEN_S:
            continue
        problems = [
            str(found)
            for name, one in channels.monitors.items()
            if (found := one.problem(now_s, lost=ports[name].lost))
            and not isinstance(found, InstrumentWaits)
            and not _may_come_back(ports[name], now_s)
        ]
        if problems:
            raise StandError(*problems)
        if heard and not any(port.lost for port in ports.values()):
            return {
                name: one.rate_hz(now_s) for name, one in channels.monitors.items() if one.parser.good_frames
            }


def _may_come_back(port: Source, now_s: float) -> bool:
    return port.lost is not None and now_s - port.lost.since_s < SILENT_S


def _check_place(path: Path) -> None:
    """Before anybody is asked anything."""
    if not path.parent.is_dir():
        raise ConfigurationError(str(path), [f"logbook: no such folder {path.parent}; make it first"])
    must_be_writable(path)


def _open_logbook(path: Path, stack: ExitStack) -> Logbook:
    stack.enter_context(only_writer(path))
    return Logbook(path, create=True)


def _lead(
    begun: _Begun, options: RunOptions, console: Console, *, bus: StandBus | None, go_on: str
) -> TestClosed:
    opening = begun.opening
    prompts = opening.started.stand.file.prompts
    listeners: tuple[Listener, ...] = (PromptsFile(Path(prompts.file)),) if prompts else ()
    with ExitStack() as stack:
        screen: Screen
        slow: Relay[Any]
        if console.is_terminal and sys.stdin.isatty() and not options.plain:
            title = f"{opening.started.box.box.serial} · test {opening.started.test}"
            screen = live_screen = stack.enter_context(LiveScreen(console, title))
            slow = live_screen.drawing
        else:
            slow = Relay("the screen", AtTerminal(console=console).show)
            screen = PlainScreen(opening.started.box.box.units, slow)
            stack.callback(slow.close, _LAST_LINES_S)
        for port in begun.ports.values():
            port.take()  # what came while questions were answered belongs to no test
        if bus is not None:
            screen = OnTheBus(screen, bus)
        screen = obeying(screen, opening.started.stand.file, opening.started.box.gear_set.gear_teeth)
        live = LiveTest(opening, begun.ports, begun.logbook, screen, listeners, slow=(slow,), go_on=go_on)
        return asyncio.run(live.run())


def _hand_over(
    logbook: Logbook,
    closed: TestClosed,
    test: str,
    options: RunOptions,
    console: Console,
    *,
    bus: StandBus | None,
) -> int:
    output = options.output if options.output is not None else options.logbook.parent
    done = hand_over(logbook, test, output)
    if bus is not None:
        bus.conclude(done.assessment)
    print_summary(done.assessment, console, positions=False)
    print_files(options.logbook, done, console)
    return 0 if closed.outcome == "completed" else EXIT_STOPPED
