"""What a person types: a test by hand and its sheet, and the sheet of a build."""

from __future__ import annotations

import datetime as dt
import re
import shlex
import sys
from collections.abc import Callable, Iterable
from contextlib import ExitStack, suppress
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path

from lashmap_analysis.record.record import Precondition
from pydantic import ValidationError
from rich.console import Console

from lashmap_daemon.builds.command import BuildRequest, keep_sheet
from lashmap_daemon.builds.evidence import NO_BUILD, take
from lashmap_daemon.commands.options import BuildOptions, RunOptions, SheetOptions, login_name
from lashmap_daemon.errors import EXIT_STOPPED, ConfigurationError
from lashmap_daemon.logbook.guard import only_writer
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.schema import must_have_place
from lashmap_daemon.replay.conclude import hand_over
from lashmap_daemon.replay.preconditions import collect_by_hand
from lashmap_daemon.screens.next_step import decision_command, print_next_step
from lashmap_daemon.screens.plain import AtTerminal, person_at
from lashmap_daemon.screens.result import print_files, print_summary
from lashmap_daemon.screens.terminal import say
from lashmap_daemon.sequence.resume import Unfinished, find_unfinished, may_go_on, take_up
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.gauge_file import DEFAULT_ROCKS, GaugeFile, GaugeTable
from lashmap_daemon.setup.plausible import implausible_certificate, implausible_division
from lashmap_daemon.setup.toml_file import MOST_IN_LABEL, complaint
from lashmap_daemon.story import events
from lashmap_daemon.story.recorded import HandSetup
from lashmap_daemon.story.story import Story
from lashmap_daemon.story.wording import sentence
from lashmap_daemon.system import forget_typed
from lashmap_daemon.testing.bench_sheet import SheetCode, bench_sheet
from lashmap_daemon.testing.by_hand import FilledSheet, HandOpening, HandTest
from lashmap_daemon.testing.opening import (
    NotedPerson,
    Person,
    ask_matched,
    ask_name,
    ask_operator,
    ask_to_go_on,
    complete_box,
    confirm_cautions,
    is_matched,
    lay_out,
    local_time,
    test_name,
    unused_name,
)
from lashmap_daemon.testing.typed_line import Wrong, moment_typed
from lashmap_daemon.whole_file import write_whole

_DATE = "such as 2031-05-17"
_COLDEST_C, _WARMEST_C = -40.0, 120.0  # that the analysis takes


@dataclass(frozen=True, kw_only=True)
class AtKeyboard:
    """Whoever types at standard input, a terminal or not."""

    console: Console

    def show(self, text: str) -> None:
        """Print a line."""
        say(self.console, text)

    def line(self, question: str, *, fresh: bool = False) -> str | None:
        """Ask for a line; None at the end of input. With ``fresh`` what was typed before is no answer."""
        try:
            if sys.stdin.isatty():
                if fresh:
                    forget_typed()
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


@dataclass(frozen=True, kw_only=True)
class _Given:
    """What a test by hand is made of: options and files as they were given, the logbook, the person."""

    options: RunOptions
    box_path: Path
    box: BoxFile
    gauge: GaugeTable | None
    code: SheetCode | None
    logbook: Logbook
    person: AtKeyboard


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
    code = None if options.sheet is None else _code(options.sheet, box, box_path)
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
        given = _Given(
            options=options,
            box_path=box_path,
            box=box,
            gauge=gauge,
            code=code,
            logbook=logbook,
            person=person,
        )
        opening = _opening(given)
        recorded = opening.started.gauge
        if recorded is None:
            raise RuntimeError("a test by hand without a gauge")
        test = opening.started.test
        closed = HandTest(opening, recorded, logbook, person).run()
        again = _again(given, test) if may_go_on(options.logbook, test) else ""
        if closed.outcome != "completed":
            goes_on = f"Go on: {again}" if again else "It cannot go on."
            person.show(f"What was typed is kept. {goes_on}")
        if closed.outcome == "interrupted":
            return EXIT_STOPPED
        output = options.output if options.output is not None else options.logbook.parent
        done = hand_over(logbook, test, output)
        print_summary(done.assessment, console, positions=False)
        print_files(options.logbook, done, console)
        from lashmap_daemon.commands.compare import (  # noqa: PLC0415 - no test waits for it
            compare_after_move,
        )

        compare_after_move(logbook, test, console)
        decide = decision_command(logbook, test, box_path)
        print_next_step(done.assessment, options.logbook, console, go_on=again, decide=decide)
        return 0 if closed.outcome == "completed" else EXIT_STOPPED


def _opening(given: _Given) -> HandOpening:
    options, code = given.options, given.code
    if options.resume or options.test is not None:
        return _go_on(given)
    return _begin(given) if code is None else _begin_sheet(given, code)


def _again(given: _Given, test: str) -> str:
    """The command that goes on with a test."""
    sheet = () if given.code is None else ("--sheet", str(given.code))
    files = ("--by-hand", str(given.box_path), *_gauge(given.options.gauge), *sheet)
    book = ("--logbook", str(given.options.logbook))
    return shlex.join(("lashmap", "run", *files, *book, "--resume", "--test", test))


def _gauge(gauge: Path | None) -> tuple[str, ...]:
    return () if gauge is None else ("--gauge", str(gauge))


def _planned(box: BoxFile, box_path: Path) -> tuple[int, ...]:
    """The engagements of a box's plan.

    Raises:
        ConfigurationError: It cannot be laid out.
    """
    try:
        return tuple(int(one) for one in lay_out(box.recorded()))
    except ValueError as error:
        raise ConfigurationError(str(box_path), [f"plan: {error}"]) from error


def _begin(given: _Given) -> HandOpening:
    """Everything before the first position of a new test."""
    options, box, person = given.options, given.box, given.person
    planned = _planned(box, given.box_path)
    cautions = confirm_cautions(person, confirmed_before=options.locked_out)
    operator = ask_operator(person, options.operator, login_name())
    noted = NotedPerson(person=person)
    built = take(given.logbook, box, options.build)
    if built.named is not None:
        noted.show(f"{sentence(built.named, box.box.units, None)}. Without it: --build {NO_BUILD}")
    box = complete_box(built.box, noted, built.named)
    setup = HandSetup(box=box.recorded(), gauge=(given.gauge or ask_gauge(box.box.units, noted)).recorded())
    now = dt.datetime.now().astimezone()
    started = events.TestStarted(
        test=unused_name(given.logbook, test_name(box.box.serial, now)),
        operator=operator,
        setup=setup,
        planned=planned,
        version=version("lashmap"),
        local=local_time(now),
    )
    matched = _matched("Bring the marked teeth together", noted)
    preconditions = _collected(setup, matched=matched, now=now, build=built.named)
    ask_to_go_on(preconditions, noted)
    return HandOpening(
        started=started,
        cautions=cautions,
        preconditions=preconditions,
        matched=matched,
        build=built.named,
        notes=tuple(noted.notes),
    )


def _go_on(given: _Given) -> HandOpening:
    """Everything before the next position of a test that ended early; without a file the gauge stays."""
    options, box, gauge, logbook, person = given.options, given.box, given.gauge, given.logbook, given.person
    code = given.code
    if options.build is not None:
        raise ConfigurationError("--build", ["a test goes on with the build it began with; leave it out"])
    name = find_unfinished(logbook, options.test, box.box.serial)
    began = next(one.event for one in logbook.events(name) if isinstance(one.event, events.TestStarted))
    if began.gauge is None:
        raise ConfigurationError(
            "--by-hand", [f"test {name} was made with instruments; go on with its stand file"]
        )
    setup = HandSetup(box=box.recorded(), gauge=began.gauge if gauge is None else gauge.recorded())
    unfinished = take_up(logbook, name, setup, measured_now=code is None)
    _same_sheet(name, unfinished.resumption.story, code)
    person.show(f"Going on with test {unfinished.test}: {unfinished.state_text}.")
    if code is not None:
        return _go_on_sheet(options, unfinished, code)
    cautions = confirm_cautions(person, confirmed_before=options.locked_out)
    operator = ask_operator(person, options.operator, login_name())
    noted = NotedPerson(person=person)
    matched = _matched("Bring the marked teeth together again", noted)
    now = dt.datetime.now(dt.UTC)
    going = HandSetup(box=unfinished.started.box, gauge=setup.gauge)
    preconditions = _collected(going, matched=matched, now=now, build=unfinished.resumption.story.build)
    ask_to_go_on(preconditions, noted)
    return HandOpening(
        started=unfinished.started,
        cautions=cautions,
        preconditions=preconditions,
        matched=matched,
        notes=tuple(noted.notes),
        resumed=unfinished.resumed(
            operator=operator, version=version("lashmap"), now=now, encoder_moved_deg=None
        ),
        resumption=replace(unfinished.resumption, same_reference=False),
    )


# A sheet that was filled in at the bench --------------------------------------------------------------------


def sheet(options: SheetOptions, console: Console) -> int:
    """Write the sheet of a box; returns the exit status.

    Raises:
        ConfigurationError: A wrong file, or one that cannot be written.
    """
    from lashmap_analysis.render import PdfError  # noqa: PLC0415 - templates and typst load when asked for
    from lashmap_analysis.render.bench_sheet import render_bench_sheet  # noqa: PLC0415 - as above

    output = options.output or Path(f"{options.box.stem}-sheet.pdf")
    if output.suffix.lower() != ".pdf":
        raise ConfigurationError(str(output), ["a sheet is a PDF; name it .pdf"])
    box = toml_file.load(options.box, BoxFile)
    gauge = None if options.gauge is None else toml_file.load(options.gauge, GaugeFile).gauge
    planned = _planned(box, options.box)
    rocks = options.rocks or (gauge.rocks if gauge else DEFAULT_ROCKS)
    code = SheetCode.of(box.recorded(), planned, rocks=rocks, both=not options.lash)
    content = bench_sheet(
        box.recorded(),
        planned,
        code,
        gauge=None if gauge is None else gauge.recorded(),
        files=("--by-hand", str(options.box), *_gauge(options.gauge)),
        version=version("lashmap"),
    )
    try:
        write_whole(output, render_bench_sheet(content))
    except PdfError as error:
        raise ConfigurationError(str(output), [str(error)]) from error
    say(console, f"{output}: sheet {code}, {len(planned)} positions, {rocks} rocks each.")
    say(console, f"Type it in later with: {content.command} --logbook FILE")
    return 0


def _code(text: str, box: BoxFile, box_path: Path) -> SheetCode:
    """The code of a sheet, which must be of this box and plan.

    Raises:
        ConfigurationError: It is not.
    """
    code = SheetCode.read(text)
    if code is None:
        raise ConfigurationError("--sheet", [f"{text!r} is no code of a sheet; it stands in its frame"])
    today = SheetCode.of(box.recorded(), _planned(box, box_path), rocks=code.rocks, both=code.both)
    if code != today:
        raise ConfigurationError(
            "--sheet",
            [
                (
                    f"sheet {code} was printed for another box or plan than {box_path} is now ({today}), so "
                    "its lines are other teeth. Look at the code again, or give the box file as it was when "
                    "the sheet was printed (serial, set, teeth, units and plan)"
                )
            ],
        )
    return code


def _same_sheet(test: str, story: Story, code: SheetCode | None) -> None:
    """A test goes on as it was begun: from the same sheet, or from none.

    Raises:
        ConfigurationError: It does not.
    """
    began = story.sheets[0][1].sheet if story.sheets else ""
    if began == ("" if code is None else str(code)):
        return
    was = f"is typed in from sheet {began}" if began else "was not begun from a sheet"
    todo = f"give --sheet {began}" if began else "leave --sheet out"
    raise ConfigurationError("--sheet", [f"test {test} {was}; to go on with it, {todo}"])


def _begin_sheet(given: _Given, code: SheetCode) -> HandOpening:
    """Everything that stands on a sheet before its first line."""
    options, box, person = given.options, given.box, given.person
    now = dt.datetime.now(dt.UTC)
    person.show(f"Sheet {code}: type what stands on it. What it does not say is left open with Enter.")
    measured_by = ask_name(person, "Measured by", options.operator or login_name())
    measured_utc = _when("Begun: date and time of the bench's clock", now, person)
    built = take(given.logbook, box, options.build)
    if built.named is not None:
        person.show(f"{sentence(built.named, box.box.units, None)}. Without it: --build {NO_BUILD}")
    box = complete_box(_with_temperatures(built.box, person), person, built.named)
    made = (given.gauge or ask_gauge(box.box.units, person)).model_copy(update={"rocks": code.rocks})
    setup = HandSetup(box=box.recorded(), gauge=made.recorded())
    locked_out = _is_yes(person.ask('Is "cautions read, drive locked out" ticked? yes, Enter = no'))
    matched = _is_yes(person.ask('Is "marked teeth were together" ticked? yes, Enter = no'))
    measured = dt.datetime.fromisoformat(measured_utc)
    ticked = "ticked" if locked_out else "not ticked"
    return HandOpening(
        started=events.TestStarted(
            test=unused_name(given.logbook, test_name(box.box.serial, measured)),
            operator=measured_by,
            setup=setup,
            planned=_planned(given.box, given.box_path),
            version=version("lashmap"),
            local=local_time(measured.astimezone()),
        ),
        cautions=events.CautionsConfirmed(how=f"{ticked} on sheet {code}"),
        # What was due is judged on the day of measuring.
        preconditions=_collected(
            setup, matched=matched, now=measured, build=built.named, locked_out=locked_out
        ),
        matched=matched,
        build=built.named,
        sheet=FilledSheet(
            code=code,
            read=events.SheetRead(
                sheet=str(code),
                measured_utc=measured_utc,
                measured_by=measured_by,
                typed_by=options.operator or login_name(),
            ),
        ),
    )


def _go_on_sheet(options: RunOptions, unfinished: Unfinished, code: SheetCode) -> HandOpening:
    """The rest of a sheet: what was said of it holds."""
    story = unfinished.resumption.story
    read = replace(story.sheets[0][1], typed_by=options.operator or login_name())
    return HandOpening(
        started=unfinished.started,
        cautions=events.CautionsConfirmed(how=f"as said of sheet {code} before"),
        preconditions=tuple(story.preconditions.values()),
        matched=story.matched is not None and story.matched.how == "counted by hand",
        resumed=unfinished.resumed(
            operator=options.operator or login_name(),
            version=version("lashmap"),
            now=dt.datetime.now(dt.UTC),
            encoder_moved_deg=None,
        ),
        resumption=replace(unfinished.resumption, same_reference=False),
        sheet=FilledSheet(code=code, read=read),
    )


def _when(what: str, now: dt.datetime, person: Person) -> str:
    """When the sheet was begun, UTC; nobody may leave that open.

    Raises:
        ConfigurationError: Nobody says.
    """
    for _ in range(_TIMES):
        answer = person.ask(f"{what}, such as 2031-05-17 14:30")
        said = moment_typed(answer, now=now) if answer.strip() else Wrong(answer="A sheet needs its date.")
        if isinstance(said, str):
            return said
        person.show(said.answer)
    raise ConfigurationError(
        "--sheet", ["nobody said when it was measured; the time of typing is not the time of measuring"]
    )


def _with_temperatures(box: BoxFile, person: Person) -> BoxFile:
    """The box as warm as the sheet says; where it says nothing, as the box file says."""
    found: dict[str, float] = {}
    for key, words in (("housing_c", "Housing"), ("gears_c", "Gears")):
        known = getattr(box.temperature, key)
        otherwise = "not recorded" if known is None else f"{known:g}, as the box file says"
        while answer := person.ask(f"{words}, °C; Enter = {otherwise}").strip().removesuffix("°C").strip():
            if (
                re.fullmatch(r"[+-]?\d+(?:[.,]\d*)?", answer)
                and _COLDEST_C <= (value := float(answer.replace(",", "."))) <= _WARMEST_C
            ):
                found[key] = value
                break
            person.show(f"{answer!r} is no temperature of a gearbox; write for example 21.5")
    return box.model_copy(update={"temperature": box.temperature.model_copy(update=found)})


def _is_yes(answer: str) -> bool:
    return answer.strip().casefold() in {"yes", "y"}


# What is asked of either ------------------------------------------------------------------------------------


def _matched(words: str, person: Person) -> bool:
    question = f'{words}, then type "matched": teeth are counted by hand from there; Enter = not known'
    return is_matched(ask_matched(question, person))


def _collected(
    setup: HandSetup,
    *,
    matched: bool,
    now: dt.datetime,
    build: events.BuildNamed | None,
    locked_out: bool = True,
) -> tuple[Precondition, ...]:
    today = now.astimezone().date()
    return collect_by_hand(
        setup.box, setup.gauge, matched=matched, today=today, locked_out=locked_out, build=build
    )


_TIMES = 3  # that the scale is asked for


def ask_gauge(units: str, person: Person) -> GaugeTable:
    """Ask for the dial gauge; what is not answered stays unproven, but its scale has to be known.

    Raises:
        ConfigurationError: When nobody says what one division is.
    """
    scale = 25.4 if units == "in" else 1.0
    question = f"One division of the dial gauge's scale, in {units}; a test cannot do without"
    asked = (_length(question, scale, person, implausible_division) for _ in range(_TIMES))
    division = next((one for one in asked if one is not None), None)
    if division is None:
        raise ConfigurationError(
            "--gauge", ["nobody said what one division of the dial gauge is; answer, or name a gauge file"]
        )
    figure = f"in {units}; Enter = not recorded"

    def on_certificate(key: str) -> Callable[[float], Iterable[str]]:
        return lambda value_mm: implausible_certificate({f"gauge.{key}": value_mm})

    return GaugeTable(
        division_mm=division,
        serial=person.ask("Serial number of the gauge; Enter = not recorded").strip()[:MOST_IN_LABEL],
        calibration_due=_date(f"Its calibration is due on, {_DATE}; Enter = not recorded", person),
        calibration_uncertainty_mm=_length(
            f"Uncertainty of its certificate (k = 2), {figure}",
            scale,
            person,
            on_certificate("calibration_uncertainty"),
        ),
        hysteresis_mm=_length(f"Its hysteresis, {figure}", scale, person, on_certificate("hysteresis")),
    )


def _length(
    question: str, scale: float, person: Person, cannot_be: Callable[[float], Iterable[str]]
) -> float | None:
    """A length in mm; None without one. Why ``cannot_be`` refuses one is shown, and it is asked again."""
    while answer := person.ask(question).strip():
        if re.fullmatch(r"\d*[.,]?\d+", answer) and (value := float(answer.replace(",", "."))) > 0:
            with suppress(ValidationError):
                length_mm = GaugeTable(division_mm=scale * value).division_mm
                wrong = tuple(cannot_be(length_mm))
                if not wrong:
                    return length_mm
                person.show("\n".join(wrong))
                continue
        person.show(f"{answer!r} is not a length; write for example 0.01")
    return None


def _date(question: str, person: Person) -> dt.date | None:
    while answer := person.ask(question).strip():
        try:
            return dt.date.fromisoformat(answer)
        except ValueError:
            person.show(f"{answer!r} is not a date; write it {_DATE}")
    return None


def build(options: BuildOptions, console: Console) -> None:
    """Show the sheet of a build and lead through its open steps.

    Raises:
        ConfigurationError: A wrong file, argument or answer.
        LogbookError: When the logbook cannot be used.
    """
    person = person_at(console)
    keep_sheet(BuildRequest(**vars(options)), person, console, answers_itself=isinstance(person, AtTerminal))
