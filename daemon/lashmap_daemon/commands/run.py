"""Running a test: files, person, ports, logbook and screen put together; and the demonstration.

A demonstration does the whole job on a simulated stand and sets the result beside the truth.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import shlex
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lashmap_analysis.record.lengths import format_length
from lashmap_analysis.record.record import Units
from lashmap_drivers.errors import InstrumentError
from rich.console import Console

from lashmap_daemon.builds.evidence import NO_BUILD, take_from
from lashmap_daemon.bus.join import OnTheBus, join_bus
from lashmap_daemon.commands.options import STAND_FILE, DemoOptions, RunOptions, login_name
from lashmap_daemon.errors import (
    EXIT_STOPPED,
    ConfigurationError,
    LashmapError,
    LogbookFull,
    LogbookGone,
    StandError,
)
from lashmap_daemon.logbook.guard import only_writer
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.schema import must_have_place
from lashmap_daemon.page.health import BusHealth
from lashmap_daemon.page.join import open_page
from lashmap_daemon.page.on_page import OnThePage
from lashmap_daemon.page.picture import of_no_test, preparing
from lashmap_daemon.replay.conclude import hand_over
from lashmap_daemon.screens.live import LiveScreen
from lashmap_daemon.screens.next_step import decision_command, print_next_step
from lashmap_daemon.screens.plain import PlainScreen, person_at
from lashmap_daemon.screens.prompts import PromptsFile
from lashmap_daemon.screens.result import print_files, print_summary
from lashmap_daemon.screens.terminal import say
from lashmap_daemon.sequence.resume import Unfinished, may_go_on
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.page_table import PageTable
from lashmap_daemon.setup.shipped import shipped
from lashmap_daemon.setup.stand_file import Stand, load_stand
from lashmap_daemon.setup.toml_file import MOST_IN_LABEL, complaint
from lashmap_daemon.story.events import CautionsConfirmed, Listener, TestClosed
from lashmap_daemon.story.wording import sentence
from lashmap_daemon.system import HAS_KEYS, need_pseudo_terminals
from lashmap_daemon.testing.channels import Channels
from lashmap_daemon.testing.engine import Engine, Prepared, prepare_again
from lashmap_daemon.testing.live_test import Opening, Screen
from lashmap_daemon.testing.monitor import StandPorts
from lashmap_daemon.testing.opening import (
    Nobody,
    NotedPerson,
    Person,
    ask_operator,
    ask_to_go_on,
    check_plan,
    complete_box,
    confirm_cautions,
)
from lashmap_daemon.testing.passes import method_of, planned_passes
from lashmap_daemon.testing.relay import Relay

if TYPE_CHECKING:
    from lashmap_daemon.bus.stand_bus import StandBus
    from lashmap_daemon.page.stand_page import StandPage


_CLEAR = "on the command line (--clear-to-turn)"
_LAST_LINES_S = 2.0  # without a line going out, before a screen that is stuck is left behind


def run(options: RunOptions, console: Console, *, stays: bool = True) -> int:
    """Run a test from the files to the report; returns the exit status.

    ``stays`` is False for a stand that is gone afterwards, with which no test can go on.

    Raises:
        ConfigurationError: Wrong file, key or argument; nothing was started.
        StandError: The stand failed; what was recorded is in the logbook.
        LogbookError: The logbook cannot be used.
        CautionsNotConfirmed: Nobody confirmed the lock-out.
    """
    if options.by_hand is not None:
        return _by_hand(options, options.by_hand, console)
    stand_path, box_path = _files(options)
    if wrong := complaint(options.operator, MOST_IN_LABEL):
        raise ConfigurationError("--operator", [wrong])
    stand = load_stand(stand_path)
    box = toml_file.load(box_path, BoxFile)
    must_have_place(options.logbook)
    person = person_at(console)
    _need_a_person(stand, stand_path, person)
    with ExitStack() as stack:
        page = _page(options, stand, stack, person)
        if options.resume or options.test is not None:
            begun = _go_on(options, box, stand, person, stack)
        else:
            begun = _begin(options, box, stand, person, stack)
        test = begun.opening.started.test
        bus = join_bus(stand, options.logbook, begun.opening.started, stack, person.show)
        if page is not None:
            page.metrics.logbook, page.metrics.ports = options.logbook, begun.engine.ports.opened
            page.metrics.bus = lambda: None if bus is None else BusHealth.of(bus.report)
        go_on = _again(options, test, options.logbook)

        def offered(book: Path) -> str:
            """The command that goes on with it, from this logbook; empty where it cannot."""
            return _again(options, test, book) if stays and may_go_on(book, test) else ""

        try:
            closed = _lead(begun, options, console, bus=bus, page=page, go_on=go_on if stays else "")
        except (StandError, InstrumentError, LogbookFull, LogbookGone) as error:
            saved = error.saved if isinstance(error, LogbookGone) else options.logbook
            if saved is not None:
                with contextlib.suppress(OSError):  # the terminal may be gone as well
                    _say_kept(person, test, saved, offered(saved))
            raise
        if closed.outcome == "interrupted":  # whoever ends programs does not wait for a report
            _say_interrupted(offered(options.logbook))
            return EXIT_STOPPED
        try:
            again = "" if closed.outcome == "completed" else offered(options.logbook)
            status = _hand_over(begun.engine.logbook, closed, test, options, console, bus=bus, go_on=again)
            begun.engine.logbook.must_be_there()
        except LashmapError:
            _save_if_gone(begun.engine.logbook, test)
            raise
        return status


def _by_hand(options: RunOptions, box: Path, console: Console) -> int:
    """The other way of a test, in which a person types the readings."""
    if options.stand is not None:
        raise ConfigurationError("--by-hand", ["takes the box file alone; leave the stand file out"])
    if options.page or options.page_port is not None:
        raise ConfigurationError("--page", ["shows a test with instruments; leave it out with --by-hand"])
    from lashmap_daemon.commands.by_hand import run_by_hand  # noqa: PLC0415 - a test with a stand needs none of it

    return run_by_hand(options, box, console)


def _page(options: RunOptions, stand: Stand, stack: ExitStack, person: Person) -> StandPage | None:
    """The page of the stand where it is wanted, and how to get to it.

    Raises:
        ConfigurationError: When it cannot be served.
    """
    if not options.page and options.page_port is None:
        return None
    table = stand.file.page or PageTable()
    if options.page_port is not None:
        table = table.model_copy(update={"port": options.page_port})
    page = open_page(table, stand.file.stand.name, stack)
    for line in page.invitation():
        person.show(line)
    page.show(lambda: of_no_test(preparing(), (), ()))
    return page


def _say_interrupted(again: str) -> None:
    with contextlib.suppress(OSError):  # the terminal may be what went away
        words = f" Go on: {again}" if again else ""
        print(f"lashmap: interrupted; what was recorded is kept.{words}", file=sys.stderr)  # noqa: T201


def _say_kept(person: Person, test: str, book: Path, again: str) -> None:
    """Where to find a test that was closed early, and the command that goes on with it, if any does."""
    person.show(
        f"The test was closed early; what it recorded is kept. Open it with: "
        f"lashmap review {test} --logbook {book}"
    )
    if again:
        person.show(f"Go on with it: {again}")


def _files(options: RunOptions) -> tuple[Path, Path]:
    """Stand and box file.

    Raises:
        ConfigurationError: When one was not named, or an option belongs to a test by hand.
    """
    if options.gauge is not None:
        raise ConfigurationError("--gauge", ["belongs to --by-hand; a stand file names its indicator"])
    if options.sheet is not None:
        raise ConfigurationError("--sheet", ["belongs to --by-hand: a sheet is filled in without any cable"])
    if options.stand is None or options.box is None:
        lacking = "BOX" if options.stand is not None else "STAND and BOX"
        problem = f"{lacking} missing: name stand and box file, or --by-hand BOX for a test without any cable"
        raise ConfigurationError("run", [problem])
    return options.stand, options.box


def _need_a_person(stand: Stand, path: Path, person: Person) -> None:
    """Without an encoder nobody but a person knows where the gear is.

    Raises:
        ConfigurationError: There is nobody at a terminal.
    """
    if stand.file.encoder is None and isinstance(person, Nobody):
        problem = (
            "there is no [encoder], so a person counts the teeth and says where the gear is; run it at a "
            "terminal, or add the encoder"
        )
        raise ConfigurationError(str(path), [problem])


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
    files = (*map(str, _files(options)), "--logbook", str(logbook))
    return shlex.join(("lashmap", "run", *files, "--resume", "--test", test))


@dataclass(frozen=True, kw_only=True)
class _Begun:
    opening: Opening
    engine: Engine
    stand: Stand


def _begin(options: RunOptions, box: BoxFile, stand: Stand, person: Person, stack: ExitStack) -> _Begun:
    """Everything before the first position of a new test."""
    # A plan that cannot be made is refused before any question.
    method = method_of(options.method, stand)
    passes = planned_passes(method, brakes_nm=options.brake_nm or ())
    if passes and isinstance(person, Nobody) and not options.clear_to_turn:
        problem = (
            "before the box turns somebody must say that it may: run it at a terminal, or say it beforehand"
        )
        raise ConfigurationError("--clear-to-turn", [problem])
    check_plan(box, stand, box_name=str(_files(options)[1]), sweeps=options.sweeps, method=method)
    cautions = confirm_cautions(person, confirmed_before=options.locked_out)
    operator = ask_operator(person, options.operator, login_name())
    person = _noted(person)
    built = take_from(options.logbook, box, options.build)
    if built.named is not None:
        person.show(f"{sentence(built.named, box.box.units, None)}. Without it: --build {NO_BUILD}")
    box = complete_box(built.box, person, built.named)
    engine = Engine(_ports(stand, stack), stack.enter_context(_open_logbook(options.logbook, stack)))
    prepared = engine.prepare(
        box,
        stand,
        box_name=str(_files(options)[1]),
        operator=operator,
        cautions=cautions,
        sweeps=options.sweeps,
        build=built.named,
        method=method,
        passes=passes,
        ready_before=_CLEAR if options.clear_to_turn else "",
    )
    return _matched(engine, prepared, person)


def _go_on(options: RunOptions, box: BoxFile, stand: Stand, person: Person, stack: ExitStack) -> _Begun:
    """Everything before the next position of a test that ended early."""
    if options.runout:
        raise ConfigurationError("--runout", ["a test goes on with the sweeps it began with; leave it out"])
    if options.build is not None:
        raise ConfigurationError("--build", ["a test goes on with the build it began with; leave it out"])
    if options.method is not None or options.brake_nm:
        raise ConfigurationError("--method", ["a test goes on with the method it began with; leave it out"])
    if not options.logbook.is_file():
        raise ConfigurationError(str(options.logbook), ["no such logbook, so there is no test to go on with"])
    logbook = stack.enter_context(_open_logbook(options.logbook, stack))

    def cautions(unfinished: Unfinished) -> CautionsConfirmed:
        person.show(f"Going on with test {unfinished.test}: {unfinished.state_text}.")
        return confirm_cautions(person, confirmed_before=options.locked_out)

    operator = ask_operator(person, options.operator, login_name())
    prepared = prepare_again(logbook, options.test, box, stand, operator=operator, cautions=cautions)
    prepared = replace(prepared, ready_before=_CLEAR if options.clear_to_turn else "")
    return _matched(Engine(_ports(prepared.stand, stack), logbook), prepared, _noted(person))


def _noted(person: Person) -> Person:
    return person if isinstance(person, Nobody) else NotedPerson(person=person)


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
        notes = ask_to_go_on(opening.preconditions, person)
    if isinstance(person, NotedPerson):
        notes = (*person.notes, *notes)
    opening = replace(opening, notes=notes)
    return _Begun(opening=opening, engine=engine, stand=prepared.stand)


def _open_logbook(path: Path, stack: ExitStack) -> Logbook:
    stack.enter_context(only_writer(path))
    return Logbook(path, create=True)


def _lead(
    begun: _Begun,
    options: RunOptions,
    console: Console,
    *,
    bus: StandBus | None,
    page: StandPage | None,
    go_on: str,
) -> TestClosed:
    opening = begun.opening
    units, prompts = opening.started.box.box.units, begun.stand.file.prompts
    teeth = opening.started.box.gear_set
    listeners: tuple[Listener, ...] = (PromptsFile(Path(prompts.file), teeth),) if prompts else ()
    with ExitStack() as stack:
        screen: Screen
        slow: Relay[Any]
        if console.is_terminal and sys.stdin.isatty() and HAS_KEYS and not options.plain:
            title = f"{opening.started.box.box.serial} · test {opening.started.test}"
            screen = live_screen = stack.enter_context(
                LiveScreen(console, title, units, teeth, bell=options.bell)
            )
            slow = live_screen.drawing
        else:
            slow = Relay("the screen", person_at(console).show)
            screen = PlainScreen(units, teeth, slow, counted=opening.started.is_counted)
            stack.callback(slow.close, _LAST_LINES_S)
        if bus is not None:
            screen = OnTheBus(screen, bus)
        if page is not None:
            screen = OnThePage(screen, page, opening.started)
        live = begun.engine.live_test(
            opening,
            begun.stand,
            screen,
            listeners,
            go_on=go_on,
            handle_signals=True,
            slow=(slow,),
            beside=() if page is None else (page.relay,),
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
    go_on: str,
) -> int:
    output = options.output if options.output is not None else options.logbook.parent
    say(console, f"Test {test} {closed.outcome}: working out the result …")
    done = hand_over(logbook, test, output)
    if bus is not None:
        bus.conclude(done.assessment)
    print_summary(done.assessment, console, positions=False)
    print_files(options.logbook, done, console)
    from lashmap_daemon.commands.compare import compare_after_move  # noqa: PLC0415 - no test waits for it

    compare_after_move(logbook, test, console)
    decide = decision_command(logbook, test, _files(options)[1])
    print_next_step(done.assessment, options.logbook, console, go_on=go_on, decide=decide)
    return 0 if closed.outcome == "completed" else EXIT_STOPPED


BOX = "configs/boxes/spiral-13x40.toml"
SHORT_BOX = "configs/boxes/spiral-13x40-short.toml"
CYCLE_BOX = "configs/boxes/spiral-13x40-cycle.toml"
_READY_S = 15.0


def demo(options: DemoOptions, console: Console) -> int:
    """Run a test on a simulated stand and compare its result with the truth; the exit status is the run's.

    Raises:
        ConfigurationError: A wrong box file, or one to be measured in short.
        StandError: When the simulated stand does not come up.
    """
    box, folder, short = options.box, options.folder, options.short
    if options.hall:
        if short or options.cycle or box is not None:
            raise ConfigurationError("--hall", ["is a demonstration of its own; leave it out, or the others"])
        from lashmap_daemon.commands.fleet import demo_hall  # noqa: PLC0415 - needs packages of an extra

        return demo_hall(folder, options.seed, console)
    need_pseudo_terminals()
    if short and box is not None:
        raise ConfigurationError("--short", [f"has a box file of its own; leave it out, or {box}"])
    if short and options.cycle:
        raise ConfigurationError("--short", ["is a demonstration of its own; leave it out, or --cycle"])
    box = box or shipped(SHORT_BOX if short else CYCLE_BOX if options.cycle else BOX)
    units = toml_file.load(box, BoxFile).box.units
    say(console, "Demonstration on a simulated stand: the gearbox and everything about it is invented.")
    if short:
        say(console, "In short: fewer positions and reversals than a real test has, and a wider interval.")
    if options.cycle:
        say(
            console,
            "With an encoder on each shaft: every engagement is turned through, and rocks tie the curve.",
        )
    folder.mkdir(parents=True, exist_ok=True)
    stand_folder, truth_file = folder / "stand", folder / "truth.json"
    before = set(folder.glob("*.json"))
    encoders = "latched" if options.cycle else "one"
    with _simulated_stand(box, stand_folder, truth_file, options.seed, encoders):
        status = run(
            RunOptions(
                stand=stand_folder / STAND_FILE,
                box=box,
                logbook=folder / "demo.logbook",
                output=folder,
                operator="demonstration",
                locked_out=True,
                method="cycle" if options.cycle else None,
                clear_to_turn=options.cycle,
                plain=options.plain,
            ),
            console,
            stays=False,
        )
    results = sorted(set(folder.glob("*.json")) - before - {truth_file})
    result = json.loads(results[-1].read_text("utf-8"))
    truth = json.loads(truth_file.read_text("utf-8"))
    for line in comparison(truth, result, units).split("\n"):
        say(console, line)
    return status


def comparison(truth: dict[str, Any], result: dict[str, Any], units: Units) -> str:
    """Truth beside result, for the last lines of the demonstration."""
    lash, spot = truth["normal_backlash_mm"], truth["tight_spot"]
    stated = result["tight_spot"]["stated"]
    true = f"engagement {spot['engagement']}: {format_length(spot['normal_backlash_mm'], units)}"
    if stated is None:
        return f"\ntruth    tight spot at {true}\nresult   no tight spot was found"
    low, high = stated["interval_low_mm"], stated["interval_high_mm"]
    outside_um = 1000.0 * max(low - spot["normal_backlash_mm"], spot["normal_backlash_mm"] - high)
    judged = "holds the truth" if outside_um <= 0.0 else f"MISSES the truth by {outside_um:.2g} µm"
    there = format_length(lash[stated["engagement"] % len(lash)], units)
    found = format_length(stated["normal_backlash_mm"], units)
    interval = f"{format_length(low, units)} to {format_length(high, units)}"
    lines = (
        "",
        f"truth    tight spot at {true} normal backlash",
        f"result   tight spot at engagement {stated['engagement']}: {found} normal backlash, 95 % {interval}",
        f"         the interval {judged}",
        "         A right 95 % interval misses the truth in 1 of 20 tests; one test alone proves nothing.",
        f"         true backlash at the named engagement: {there}",
    )
    return "\n".join(lines)


@contextmanager
def _simulated_stand(box: Path, folder: Path, truth: Path, seed: int, encoders: str) -> Iterator[None]:
    """A simulated stand in a process of its own, gone when this is left."""
    stand_file = folder / STAND_FILE
    stand_file.unlink(missing_ok=True)
    command = [sys.executable, "-m", "lashmap_daemon", "simulate", str(box)]
    command += ["--folder", str(folder), "--truth", str(truth), "--seed", str(seed)]
    command += ["--encoders", encoders]
    # A session of its own: Ctrl-C is for the test, which closes its record while the stand still runs.
    process = subprocess.Popen(  # noqa: S603 - our own program
        command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    try:
        deadline_s = time.monotonic() + _READY_S
        while not stand_file.exists():
            if process.poll() is not None or time.monotonic() > deadline_s:
                process.kill()
                raise StandError(f"the simulated stand did not start: {process.communicate()[1].strip()}")
            time.sleep(0.02)
        yield
    finally:
        process.terminate()
        try:
            process.communicate(timeout=5.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()
