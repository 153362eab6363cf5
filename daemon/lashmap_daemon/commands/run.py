"""The command that runs a test: files, person, ports, logbook and screen put together."""

from __future__ import annotations

import asyncio
import contextlib
import shlex
import sys
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lashmap_drivers.errors import InstrumentError
from rich.console import Console

from lashmap_daemon.bus.join import OnTheBus, join_bus
from lashmap_daemon.commands.options import RunOptions
from lashmap_daemon.errors import (
    EXIT_STOPPED,
    ConfigurationError,
    LashmapError,
    LogbookFull,
    LogbookGone,
    ReferenceDisproved,
    StandError,
)
from lashmap_daemon.logbook.guard import only_writer
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.schema import must_be_writable
from lashmap_daemon.replay.conclude import hand_over
from lashmap_daemon.screens.live import LiveScreen
from lashmap_daemon.screens.plain import PlainScreen, person_at
from lashmap_daemon.screens.prompts import PromptsFile
from lashmap_daemon.screens.summary import print_files, print_summary
from lashmap_daemon.sequence.resume import Unfinished
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.stand_file import Stand, load_stand
from lashmap_daemon.setup.toml_file import MOST_IN_LABEL, complaint
from lashmap_daemon.story.events import CautionsConfirmed, Listener, TestClosed
from lashmap_daemon.system import HAS_KEYS
from lashmap_daemon.testing.channels import Channels
from lashmap_daemon.testing.engine import Engine, Prepared, prepare_again
from lashmap_daemon.testing.live_test import Opening, Screen
from lashmap_daemon.testing.monitor import StandPorts
from lashmap_daemon.testing.opening import (
    Person,
    check_plan,
    complete_box,
    confirm_cautions,
)
from lashmap_daemon.testing.relay import Relay

if TYPE_CHECKING:
    from lashmap_daemon.bus.stand_bus import StandBus


_LAST_LINES_S = 2.0  # without a line going out, before a screen that is stuck is left behind


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
    person = person_at(console)
    with ExitStack() as stack:
        if options.resume or options.test is not None:
            begun = _go_on(options, box, stand, person, stack)
        else:
            begun = _begin(options, box, stand, person, stack)
        test = begun.opening.started.test
        bus = join_bus(stand, options.logbook, begun.opening.started, stack, person.show)
        try:
            closed = _lead(begun, options, console, bus=bus, go_on=_again(options, test, options.logbook))
        except (StandError, InstrumentError, LogbookFull, LogbookGone) as error:
            saved = error.saved if isinstance(error, LogbookGone) else options.logbook
            if saved is not None:
                with contextlib.suppress(OSError):  # the terminal may be gone as well
                    person.show(
                        f"The test was closed early; what it recorded is kept. Open it with: "
                        f"lashmap review {test} --logbook {saved}"
                    )
                    if not isinstance(error, ReferenceDisproved):
                        person.show(f"Go on with it: {_again(options, test, saved)}")
            raise
        if closed.outcome == "interrupted":  # whoever ends programs does not wait for a report
            with contextlib.suppress(OSError):  # the terminal may be what went away
                again = _again(options, test, options.logbook)
                print(f"lashmap: interrupted; what was recorded is kept. Go on: {again}", file=sys.stderr)  # noqa: T201
            return EXIT_STOPPED
        try:
            status = _hand_over(begun.engine.logbook, closed, test, options, console, bus=bus)
            begun.engine.logbook.must_be_there()
        except LashmapError:
            _save_if_gone(begun.engine.logbook, test)
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
        book, how = logbook.saved_elsewhere(test)
        book.close()
        how = f"the test itself is closed. {how}"
        raise LogbookGone(error.path, error.why, saved=book.path, how_saved=how) from error


def _again(options: RunOptions, test: str, logbook: Path) -> str:
    """The command that goes on with a test, as a shell takes it."""
    files = (str(options.stand), str(options.box), "--logbook", str(logbook))
    return shlex.join(("lashmap", "run", *files, "--resume", "--test", test))


@dataclass(frozen=True, kw_only=True)
class _Begun:
    opening: Opening
    engine: Engine
    stand: Stand


def _begin(options: RunOptions, box: BoxFile, stand: Stand, person: Person, stack: ExitStack) -> _Begun:
    """Everything before the first position of a new test."""
    # A plan that cannot be made is refused before any question.
    check_plan(box, stand, box_name=str(options.box), sweeps=options.sweeps)
    cautions = confirm_cautions(person, confirmed_before=options.locked_out)
    box = complete_box(box, person)
    engine = Engine(_ports(stand, stack), stack.enter_context(_open_logbook(options.logbook, stack)))
    prepared = engine.prepare(
        box,
        stand,
        box_name=str(options.box),
        operator=options.operator,
        cautions=cautions,
        sweeps=options.sweeps,
    )
    return _matched(engine, prepared, person)


def _go_on(options: RunOptions, box: BoxFile, stand: Stand, person: Person, stack: ExitStack) -> _Begun:
    """Everything before the next position of a test that ended early."""
    if options.runout:
        raise ConfigurationError("--runout", ["a test goes on with the sweeps it began with; leave it out"])
    if not options.logbook.is_file():
        raise ConfigurationError(str(options.logbook), ["no such logbook, so there is no test to go on with"])
    logbook = stack.enter_context(_open_logbook(options.logbook, stack))

    def cautions(unfinished: Unfinished) -> CautionsConfirmed:
        person.show(f"Going on with test {unfinished.test}: {unfinished.state_text}.")
        return confirm_cautions(person, confirmed_before=options.locked_out)

    prepared = prepare_again(logbook, options.test, box, stand, operator=options.operator, cautions=cautions)
    return _matched(Engine(_ports(prepared.stand, stack), logbook), prepared, person)


def _ports(stand: Stand, stack: ExitStack) -> StandPorts:
    ports = StandPorts(stand)
    stack.callback(ports.close)
    return ports


def _matched(engine: Engine, prepared: Prepared, person: Person) -> _Begun:
    """Open both ports, wait for readings of both instruments, and have the marked teeth brought together."""
    engine.ports.open_both()
    channels = Channels(prepared.stand.recorded(), prepared.box.gear_set.gear_set())
    with engine.tapped(channels):
        asyncio.run(engine.wait_for_readings())

        def encoder_deg() -> float:
            return asyncio.run(engine.still_encoder_deg(prepared, channels))

        opening = engine.opening(prepared, person, encoder_deg=encoder_deg, followed=True)
    return _Begun(opening=opening, engine=engine, stand=prepared.stand)


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
    prompts = begun.stand.file.prompts
    listeners: tuple[Listener, ...] = (PromptsFile(Path(prompts.file)),) if prompts else ()
    with ExitStack() as stack:
        screen: Screen
        slow: Relay[Any]
        if console.is_terminal and sys.stdin.isatty() and HAS_KEYS and not options.plain:
            title = f"{opening.started.box.box.serial} · test {opening.started.test}"
            screen = live_screen = stack.enter_context(LiveScreen(console, title))
            slow = live_screen.drawing
        else:
            slow = Relay("the screen", person_at(console).show)
            screen = PlainScreen(opening.started.box.box.units, slow)
            stack.callback(slow.close, _LAST_LINES_S)
        if bus is not None:
            screen = OnTheBus(screen, bus)
        live = begun.engine.live_test(
            opening, begun.stand, screen, listeners, go_on=go_on, handle_signals=True, slow=(slow,)
        )
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
