"""Running a test by hand: box file, dial gauge, logbook and a person who types, put together."""

from __future__ import annotations

import datetime as dt
import re
import shlex
import sys
from contextlib import ExitStack
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path

from lashmap_analysis.record.record import Precondition
from pydantic import ValidationError
from rich.console import Console

from lashmap_daemon.builds.evidence import NO_BUILD, take
from lashmap_daemon.commands.options import RunOptions
from lashmap_daemon.errors import EXIT_STOPPED, ConfigurationError
from lashmap_daemon.logbook.guard import only_writer
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.schema import must_have_place
from lashmap_daemon.replay.conclude import hand_over
from lashmap_daemon.replay.preconditions import collect_by_hand
from lashmap_daemon.screens.next_step import print_next_step
from lashmap_daemon.screens.result import print_files, print_summary
from lashmap_daemon.screens.terminal import say
from lashmap_daemon.sequence.resume import find_unfinished, take_up
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.gauge_file import GaugeFile, GaugeTable
from lashmap_daemon.setup.toml_file import MOST_IN_LABEL, complaint
from lashmap_daemon.story import events
from lashmap_daemon.story.recorded import HandSetup
from lashmap_daemon.story.wording import sentence
from lashmap_daemon.testing.by_hand import HandOpening, HandTest
from lashmap_daemon.testing.opening import (
    ask_matched,
    complete_box,
    confirm_cautions,
    is_matched,
    lay_out,
    test_name,
    unused_name,
)

_DATE = "such as 2031-05-17"


@dataclass(frozen=True, kw_only=True)
class AtKeyboard:
    """Whoever types at standard input, a terminal or not."""

    console: Console

    def show(self, text: str) -> None:
        """Print a line."""
        say(self.console, text)

    def line(self, question: str) -> str | None:
        """Ask for a line; None at the end of input."""
        try:
            if sys.stdin.isatty():
                return self.console.input(f"{question}: ", markup=False)
            self.show(f"{question}:")
            return _from_pipe()
        except EOFError:
            return None

    def ask(self, question: str) -> str:
        """The same; end of input is no answer."""
        return self.line(question) or ""


def _from_pipe() -> str | None:
    return sys.stdin.readline() or None


def run_by_hand(options: RunOptions, box_path: Path, console: Console) -> int:
    """Run a test by hand, or go on with one; returns the exit status.

    Raises:
        ConfigurationError: Wrong file, key or argument; nothing was started.
        LogbookError: The logbook cannot be used.
        CautionsNotConfirmed: Nobody confirmed the lock-out.
        ResumeError: There is no test to go on with.
    """
    if wrong := complaint(options.operator, MOST_IN_LABEL):
        raise ConfigurationError("--operator", [wrong])
    if options.runout:
        raise ConfigurationError("--runout", ["a runout sweep needs instruments; leave it out by hand"])
    box = toml_file.load(box_path, BoxFile)
    gauge = None if options.gauge is None else toml_file.load(options.gauge, GaugeFile).gauge
    must_have_place(options.logbook)
    person = AtKeyboard(console=console)
    with ExitStack() as stack:
        if (options.resume or options.test is not None) and not options.logbook.is_file():
            raise ConfigurationError(
                str(options.logbook), ["no such logbook, so there is no test to go on with"]
            )
        stack.enter_context(only_writer(options.logbook))
        logbook = stack.enter_context(Logbook(options.logbook, create=True))
        if options.resume or options.test is not None:
            opening = _go_on(options, box, gauge, logbook, person)
        else:
            opening = _begin(options, box_path, gauge, logbook, person)
        recorded = opening.started.gauge
        if recorded is None:
            raise RuntimeError("a test by hand without a gauge")
        test = opening.started.test
        closed = HandTest(opening, recorded, logbook, person).run()
        files = ("--by-hand", str(box_path), *_gauge(options), "--logbook", str(options.logbook))
        again = shlex.join(("lashmap", "run", *files, "--resume", "--test", test))
        if closed.outcome != "completed":
            person.show(f"What was typed is kept. Go on: {again}")
        if closed.outcome == "interrupted":
            return EXIT_STOPPED
        output = options.output if options.output is not None else options.logbook.parent
        done = hand_over(logbook, test, output)
        print_summary(done.assessment, console, positions=False)
        print_files(options.logbook, done, console)
        print_next_step(done.assessment, options.logbook, console, go_on=again)
        return 0 if closed.outcome == "completed" else EXIT_STOPPED


def _gauge(options: RunOptions) -> tuple[str, ...]:
    return () if options.gauge is None else ("--gauge", str(options.gauge))


def _begin(
    options: RunOptions, box_path: Path, gauge: GaugeTable | None, logbook: Logbook, person: AtKeyboard
) -> HandOpening:
    """Everything before the first position of a new test."""
    box = toml_file.load(box_path, BoxFile)
    try:
        planned = tuple(int(one) for one in lay_out(box.recorded()))
    except ValueError as error:
        raise ConfigurationError(str(box_path), [f"plan: {error}"]) from error
    cautions = confirm_cautions(person, confirmed_before=options.locked_out)
    built = take(logbook, box, options.build)
    if built.named is not None:
        person.show(f"{sentence(built.named, box.box.units, None)}. Without it: --build {NO_BUILD}")
    box = complete_box(built.box, person, built.named)
    setup = HandSetup(box=box.recorded(), gauge=(gauge or ask_gauge(box.box.units, person)).recorded())
    now = dt.datetime.now(dt.UTC)
    started = events.TestStarted(
        test=unused_name(logbook, test_name(box.box.serial, now)),
        operator=options.operator,
        setup=setup,
        planned=planned,
        version=version("lashmap"),
    )
    matched = _matched("Bring the marked teeth together", person)
    return HandOpening(
        started=started,
        cautions=cautions,
        preconditions=_collected(setup, matched=matched, now=now, build=built.named),
        matched=matched,
        build=built.named,
    )


def _go_on(
    options: RunOptions, box: BoxFile, gauge: GaugeTable | None, logbook: Logbook, person: AtKeyboard
) -> HandOpening:
    """Everything before the next position of a test that ended early; without a file the gauge stays."""
    if options.build is not None:
        raise ConfigurationError("--build", ["a test goes on with the build it began with; leave it out"])
    name = find_unfinished(logbook, options.test, box.box.serial)
    began = next(one.event for one in logbook.events(name) if isinstance(one.event, events.TestStarted))
    if began.gauge is None:
        raise ConfigurationError(
            "--by-hand", [f"test {name} was made with instruments; go on with its stand file"]
        )
    setup = HandSetup(box=box.recorded(), gauge=began.gauge if gauge is None else gauge.recorded())
    unfinished = take_up(logbook, name, setup)
    person.show(f"Going on with test {unfinished.test}: {unfinished.state_text}.")
    cautions = confirm_cautions(person, confirmed_before=options.locked_out)
    matched = _matched("Bring the marked teeth together again", person)
    now = dt.datetime.now(dt.UTC)
    going = HandSetup(box=unfinished.started.box, gauge=setup.gauge)
    return HandOpening(
        started=unfinished.started,
        cautions=cautions,
        preconditions=_collected(going, matched=matched, now=now, build=unfinished.resumption.story.build),
        matched=matched,
        resumed=unfinished.resumed(
            operator=options.operator, version=version("lashmap"), now=now, encoder_moved_deg=None
        ),
        resumption=replace(unfinished.resumption, same_reference=False),
    )


def _matched(words: str, person: AtKeyboard) -> bool:
    question = f'{words}, then type "matched": teeth are counted by hand from there; Enter = not known'
    return is_matched(ask_matched(question, person))


def _collected(
    setup: HandSetup, *, matched: bool, now: dt.datetime, build: events.BuildNamed | None
) -> tuple[Precondition, ...]:
    today = now.astimezone().date()
    return collect_by_hand(setup.box, setup.gauge, matched=matched, today=today, locked_out=True, build=build)


_TIMES = 3  # that the scale is asked for


def ask_gauge(units: str, person: AtKeyboard) -> GaugeTable:
    """Ask for the dial gauge; what is not answered stays unproven, but its scale has to be known.

    Raises:
        ConfigurationError: When nobody says what one division is.
    """
    scale = 25.4 if units == "in" else 1.0
    question = f"One division of the dial gauge's scale, in {units}; a test cannot do without"
    asked = (_length(question, scale, person) for _ in range(_TIMES))
    division = next((one for one in asked if one is not None), None)
    if division is None:
        raise ConfigurationError(
            "--gauge", ["nobody said what one division of the dial gauge is; answer, or name a gauge file"]
        )
    figure = f"in {units}; Enter = not recorded"
    return GaugeTable(
        division_mm=division,
        serial=person.ask("Serial number of the gauge; Enter = not recorded").strip()[:MOST_IN_LABEL],
        calibration_due=_date(f"Its calibration is due on, {_DATE}; Enter = not recorded", person),
        calibration_uncertainty_mm=_length(
            f"Uncertainty of its certificate (k = 2), {figure}", scale, person
        ),
        hysteresis_mm=_length(f"Its hysteresis, {figure}", scale, person),
    )


def _length(question: str, scale: float, person: AtKeyboard) -> float | None:
    while answer := person.ask(question).strip():
        if re.fullmatch(r"\d*[.,]?\d+", answer) and (value := float(answer.replace(",", "."))) > 0:
            try:
                return GaugeTable(division_mm=scale * value).division_mm
            except ValidationError:
                pass
        person.show(f"{answer!r} is not a length; write for example 0.01")
    return None


def _date(question: str, person: AtKeyboard) -> dt.date | None:
    while answer := person.ask(question).strip():
        try:
            return dt.date.fromisoformat(answer)
        except ValueError:
            person.show(f"{answer!r} is not a date; write it {_DATE}")
    return None
