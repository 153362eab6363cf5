"""Commands that ask for a box or a stand, question by question, and write its file.

Every answer is checked at once, as the file is when a test reads it. A file that is there is never touched.
"""

from __future__ import annotations

import datetime as dt
import os
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

from lashmap_drivers.ports.finding import PortNotFound, ports_here, resolve
from rich.console import Console

from lashmap_daemon.commands.options import ExplainOptions, NewBoxOptions, NewStandOptions
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.screens.explain import explain as explain_words
from lashmap_daemon.screens.terminal import say
from lashmap_daemon.setup import box_file, stand_file
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.bus_table import BusTable
from lashmap_daemon.setup.draft import Draft, Question, Units, fill_box, fill_stand, questions_of
from lashmap_daemon.setup.page_table import PageTable
from lashmap_daemon.setup.shipped import shipped
from lashmap_daemon.setup.stand_file import (
    ENCODER,
    GEAR_TABLE,
    INDICATOR,
    PINION_TABLE,
    StandFile,
    load_profile,
    stand_of,
)
from lashmap_daemon.setup.toml_file import Table, in_toml, parse
from lashmap_daemon.system import forget_typed
from lashmap_daemon.whole_file import create_new

Check = Callable[[str], object]
Fill = Callable[[Mapping[str, Mapping[str, Any]]], Mapping[str, Mapping[str, Any]]]
BACK = "<"
_BOX: dict[str, type[Table]] = {
    "box": box_file.BoxTable,
    "gear_set": box_file.GearSetTable,
    "tip": box_file.TipTable,
    "limits": box_file.LimitsTable,
    "mounting": box_file.MountingTable,
    "matched_teeth": box_file.MatchedTeethTable,
    "contact": box_file.ContactTable,
    "temperature": box_file.TemperatureTable,
    "torque": box_file.TorqueTable,
    "plan": box_file.PlanTable,
    "runout": box_file.RunoutTable,
    "shims.gear": box_file.ShimTable,
    "shims.pinion": box_file.ShimTable,
}
_STAND: dict[str, type[Table]] = {
    "stand": stand_file.NameTable,
    INDICATOR: stand_file.IndicatorTable,
    f"{INDICATOR}.correction": stand_file.CorrectionTable,
    GEAR_TABLE: stand_file.EncoderTable,
    PINION_TABLE: stand_file.EncoderTable,
    ENCODER: stand_file.EncoderTable,
    "prompts": stand_file.PromptsTable,
    "bus": BusTable,
    "page": PageTable,
    "hands_free": stand_file.HandsFreeTable,
    "check_standard": stand_file.CheckStandardTable,
}
# Tables that are asked for as a whole first, and what of them.
_GATES = {
    "contact": "Was the contact pattern looked at?",
    "temperature": "Are temperatures or materials known?",
    "torque": "Is the torque of the rocks known?",
    "plan": "Do you want to change how the test is run?",
    "runout": "Will the indicator be set for a runout sweep, and its place be known?",
    "shims.gear": "Are shims of the gear at hand, for lashmap shims?",
    "shims.pinion": "Are shims of the pinion at hand, for lashmap shims?",
    f"{INDICATOR}.correction": "Does the certificate of the indicator have a correction curve?",
    "prompts": "Shall a file repeat what the technician is shown?",
    "bus": "Is the stand on an MQTT bus?",
    "page": "Shall a browser, on a tablet at the stand for example, show the test?",
    "hands_free": "Shall the gear be able to say something while both hands are in the machine?",
    "check_standard": "Is there a box that does not change, to prove the stand with?",
}
_ENCODERS = frozenset({ENCODER, GEAR_TABLE, PINION_TABLE})
_SECOND = "Is there a second encoder, so that one is on the gear's shaft and one on the pinion's?"
_OTHER = f"[{PINION_TABLE}] The encoder on the pinion's shaft."
# Keys that say nothing in a table.
_NEVER = {
    ENCODER: {"number"},
    GEAR_TABLE: {"shaft"},
    PINION_TABLE: {"shaft", "absolute"},
}
_WHOLE = frozenset({*_GATES, INDICATOR, ENCODER}) - {"contact", "temperature", "torque", "plan", "runout"}
# Tables that a stand without one of its instruments does not have, and what such a stand asks of people.
_PARTS = {INDICATOR: (INDICATOR, f"{INDICATOR}.correction"), ENCODER: (*_ENCODERS, "hands_free")}
_CABLES = (
    "Which instruments does a cable connect: both, indicator or encoder?",
    "  indicator: nobody reads an angle; you count teeth from the marks and say where the gear stands",
    "  encoder: its angle alone is the lash; it sits on the gear's shaft, and no second instrument checks it",
    "  Without any cable no stand file is needed: lashmap run --by-hand BOX",
    "  Enter: both",
)
_UNASKED = ("Measured parts, for lashmap build, were not asked for: see lashmap explain parts.",)
_MODULE, _PITCH = "outer_module", "outer_diametral_pitch_per_inch"
_EARLY = {
    "on_arm": "touch_radius",  # a radius that no tooth has is right on an arm
    "number": "port",  # two encoders at one board have one port and one profile
}
_SPIRAL, _CUTTER = "mean_spiral_angle_deg", "cutter_radius"
_PROFILES = "configs/instruments"
_PORT = re.compile(r"$|/|\\\\|\./|COM\d|usb:|[a-z0-9+]+://", re.IGNORECASE)
_ON_THE_WIRE = re.compile(r"(?m)^# Example on the wire:\s*(.+)$")


def new_box(options: NewBoxOptions, console: Console) -> None:
    """Ask for a gearbox and write its box file.

    Raises:
        ConfigurationError: The file is there or cannot be made, or the answers ended too early.
    """
    path = _free(options.file)
    units = _begin(path, "box", console)
    draft = _draft(path, _BOX, units, check=lambda text: parse(text, str(path), BoxFile), fill=fill_box)
    draft.answers[_question(draft, "box", "units")] = in_toml(units)
    _converse(list(_box_steps(draft)), console)
    _write(path, draft.text())
    say(console, f"Written: {path}. It can be changed with any editor of plain text.", "bold")
    say(console, f"What it leads to, and what is missing for a verdict: lashmap check {path}")


def new_stand(options: NewStandOptions, console: Console) -> None:
    """Ask for a stand and write its stand file, the profiles of its instruments beside it.

    Raises:
        ConfigurationError: The file is there or cannot be made, or the answers ended too early.
    """
    path = _free(options.file)
    units = _begin(path, "stand", console)
    profiles = _Profiles(_profiles(INDICATOR), _profiles(ENCODER), _profiles(ENCODER, two=True))
    some = {role: str(known[-1].path) for role, known in vars(profiles).items()}

    def check(text: str) -> object:
        return stand_of(parse(text, str(path), StandFile), path)

    draft = _draft(path, _STAND, units, check=check, fill=lambda tree: fill_stand(tree, some))
    _converse([_cables_step(draft), *_stand_steps(draft, profiles)], console)
    _copy_profiles(draft, profiles, path.parent, console)
    _share_board(draft)
    _write(path, draft.text())
    say(console, f"Written: {path}. It can be changed with any editor of plain text.", "bold")
    say(console, f"Look whether what the instruments send is understood: lashmap check {path}")


def _copy_profiles(draft: Draft, profiles: _Profiles, folder: Path, console: Console) -> None:
    """Put a copy of each profile that was chosen by its number into ``folder``, and name that."""
    known = [one for some in vars(profiles).values() for one in some]
    for question in [one for one in draft.answers if one.key == "profile"]:
        chosen = next((one for one in known if draft.answers[question] == in_toml(str(one.path))), None)
        if chosen is not None:
            copy = _copied(chosen.path, folder)
            say(console, f"The profile of the {question.table} stands beside it: {copy}")
            draft.answers[question] = in_toml(copy.name)


def _share_board(draft: Draft) -> None:
    """What the second of two encoders at one board has from the first."""
    number = draft.answers.get(_question(draft, GEAR_TABLE, "number"))
    if number is not None:
        for key in ("port", "profile"):
            draft.answers[_question(draft, PINION_TABLE, key)] = draft.answers[
                _question(draft, GEAR_TABLE, key)
            ]
        draft.answers[_question(draft, PINION_TABLE, "number")] = str(3 - int(number))


def explain(options: ExplainOptions, console: Console) -> None:
    """Say what a word means, of these files or of a result; see `screens.explain`.

    Raises:
        ConfigurationError: Nothing is known of the word.
    """
    explain_words(options.word or (), console)


def _free(path: Path) -> Path:
    """The path, if a file can be made there.

    Raises:
        ConfigurationError: Something stands there, or its folder does not.
    """
    if os.path.lexists(path):
        raise ConfigurationError(str(path), ["is there already and was not touched; give another name"])
    if not path.parent.is_dir():
        raise ConfigurationError(str(path), [f"no such folder {path.parent}; make it first"])
    return path


def _begin(path: Path, what: str, console: Console) -> Units:
    say(console, f"A {what} file is made, {path}. Have drawing, data sheets and certificates in hand.")
    say(console, f"Enter leaves out what may be left out; {BACK} goes back to the question before.")
    say(console, "Ctrl-C ends without a file.")
    chosen: list[Units] = []

    def take(answer: str) -> list[str]:
        if answer.casefold() not in {"mm", "in"}:
            return [f"expected mm or in, got {answer!r}" if answer else "expected mm or in"]
        chosen.append("in" if answer.casefold() == "in" else "mm")
        return []

    words = ("Are lengths on your papers in mm or in inches?",)
    _converse([_Step(words=words, prompt="mm or in", take=take)], console)
    return chosen[-1]


def _draft(path: Path, tables: Mapping[str, type[Table]], units: Units, *, check: Check, fill: Fill) -> Draft:
    what = "box" if "box" in tables else "stand"
    other = "in" if units == "mm" else "mm"
    early = _EARLY | ({_PITCH: _MODULE} if units == "in" else {})
    questions = [
        one
        for name, model in tables.items()
        for one in _in_order(questions_of(name, model, units), early)
        if one.key not in _NEVER.get(name, set())
    ]
    return Draft(
        name=str(path),
        heading=(
            f"A {what} file, made by lashmap new {what} on {dt.datetime.now().astimezone().date()}.",
            f"Lengths: keys that end in _{units}; _{other} in its place is read too.",
            "A line that begins with # is left out; take the mark away and write a value behind the =.",
            *(_UNASKED if what == "box" else ()),
        ),
        questions=tuple(questions),
        titles={name: _title(model) for name, model in tables.items()},
        optional=_WHOLE,
        instead=_ENCODERS,
        check=check,
        fill=fill,
    )


def _in_order(questions: tuple[Question, ...], early: Mapping[str, str]) -> list[Question]:
    """Keys of one table, those in ``early`` before the key that they decide about."""
    found = list(questions)
    for key, before in early.items():
        stems = [_stem(one.key) for one in found]
        if key in stems:
            one = found.pop(stems.index(key))
            found.insert(stems.index(before), one)
    return found


def _title(model: type[Table]) -> str:
    """The first paragraph on a table, without what is meant for readers of the code."""
    return " ".join((model.__doc__ or "").split("\n\n")[0].split()).partition("; see `")[0].rstrip(".") + "."


def _question(draft: Draft, table: str, key: str) -> Question:
    return next(one for one in draft.questions if one.table == table and _stem(one.key) == key)


def _stem(key: str) -> str:
    return key.removesuffix("_mm").removesuffix("_in")


# The conversation -------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class _Step:
    """Something that is asked.

    Attributes:
        words: What is asked.
        prompt: Before the answer.
        take: Takes an answer; returns what is wrong with it.
        heading: Stands above it.
        applies: Whether it is asked at all, by what was answered.
        forget: Takes its answer back.
    """

    words: tuple[str, ...]
    prompt: str
    take: Callable[[str], list[str]]
    heading: str = ""
    applies: Callable[[], bool] = field(default=lambda: True)
    forget: Callable[[], None] = field(default=lambda: None)


def _converse(steps: list[_Step], console: Console) -> None:
    """Ask one after the other until each has an answer that holds."""
    asked: list[int] = []
    at, again = 0, False
    while at < len(steps):
        step = steps[at]
        if not step.applies():
            at += 1
            continue
        if step.heading and not again:
            console.print()
            say(console, step.heading, "bold")
        for line in step.words[:1] if again else step.words:
            say(console, line)
        answer = _read(step.prompt, console)
        if answer == BACK:
            at = asked.pop() if asked else at
            steps[at].forget()
            again = False
            continue
        if problems := step.take(answer):
            for problem in problems:
                say(console, f"  NOT TAKEN: {problem}", "bold")
            if asked:
                say(console, f"  Answer again, or type {BACK} to change the answer before.")
            again = True
            continue
        asked.append(at)
        at, again = at + 1, False


def _read(prompt: str, console: Console) -> str:
    """One answer; what was typed before the question was on the screen is none."""
    forget_typed()
    try:
        return console.input(f"  {prompt} = ", markup=False).strip()
    except EOFError:
        problem = "the answers ended before the last question, so no file was written; answer at a terminal"
        raise ConfigurationError("new", [problem]) from None


def _steps(draft: Draft, table: str, skip: Mapping[Question, Callable[[], bool]]) -> Iterator[_Step]:
    """A gate, where the table has one, and its questions."""
    mine = [one for one in draft.questions if one.table == table]
    heading, state = f"[{table}] {draft.titles[table]}", {"open": table not in _GATES}

    def gate(answer: str) -> list[str]:
        said = answer.casefold()
        if said not in {"", "n", "no", "y", "yes"}:
            return [f"expected yes or no, got {answer!r}"]
        state["open"] = said in {"y", "yes"}
        if not state["open"]:
            draft.answers.update(dict.fromkeys(mine))
        return []

    if table in _GATES:
        words = (_GATES[table], "  Enter: no; all of it is left out")
        forget = _forgets(draft, *mine)
        yield _Step(words=words, prompt="yes or no", take=gate, heading=heading, forget=forget)
        heading = ""
    for number, one in enumerate(mine):
        if one.key == "units":
            continue
        yield _Step(
            words=_words(one),
            prompt=one.key,
            take=_taker(draft, one),
            heading=heading if not number else "",
            applies=_both(lambda: state["open"], skip.get(one)),
            forget=_forgets(draft, one),
        )


def _both(opened: Callable[[], bool], unless: Callable[[], bool] | None) -> Callable[[], bool]:
    return lambda: opened() and not (unless is not None and unless())


def _words(question: Question) -> tuple[str, ...]:
    words = f"{question.meaning.what}."
    if question.words:
        number = ", or a number" if float in question.kinds else ""
        words += f" Type {question.choices}{number}."
    elif bool in question.kinds:
        words += " Type yes or no."
    without = "" if question.required else question.meaning.without
    return (words, *([f"  Enter: {without}"] if without else []))


def _taker(draft: Draft, question: Question) -> Callable[[str], list[str]]:
    def take(answer: str) -> list[str]:
        if not answer and question.required:
            return [f"{question.key} has to be given"]
        return draft.answer(question, answer)

    return take


def _forgets(draft: Draft, *questions: Question) -> Callable[[], None]:
    def forget() -> None:
        for one in questions:
            draft.answers.pop(one, None)

    return forget


def _box_steps(draft: Draft) -> Iterator[_Step]:
    """Of a box: module or diametral pitch, and a cutter only for spiral teeth."""
    module, pitch = _question(draft, "gear_set", _MODULE), _question(draft, "gear_set", _PITCH)
    first, second = sorted((module, pitch), key=draft.questions.index)
    spiral, cutter = _question(draft, "gear_set", _SPIRAL), _question(draft, "gear_set", _CUTTER)
    teeth = {"straight": False}

    def take_first(answer: str) -> list[str]:
        return draft.answer(first, answer) if answer else []

    def take_second(answer: str) -> list[str]:
        wanted = [f"give {first.key} or {second.key}; type {BACK} for the other"]
        return draft.answer(second, answer) if answer else wanted

    def take_teeth(answer: str) -> list[str]:
        if answer.casefold() not in {"straight", "spiral"}:
            return [f"expected straight or spiral, got {answer!r}"]
        teeth["straight"] = answer.casefold() == "straight"
        draft.answers.pop(spiral, None)
        return draft.answer(spiral, "0.0") if teeth["straight"] else []

    def take_spiral(answer: str) -> list[str]:
        problems = _taker(draft, spiral)(answer)
        if not problems and float(draft.answers[spiral] or 0.0) == 0.0:
            draft.answers.pop(spiral)
            return [f"0 is straight; type {BACK} if the teeth are"]
        return problems

    skip = {
        second: lambda: first in draft.answers,
        spiral: lambda: teeth["straight"],
        cutter: lambda: teeth["straight"],
    }
    own = {first: take_first, second: take_second, spiral: take_spiral}
    for table in _BOX:
        for step in _steps(draft, table, skip):
            question = next((one for one in own if one.key == step.prompt and one.table == table), None)
            if question is spiral:
                yield _Step(
                    words=("Are the teeth straight or spiral?",),
                    prompt="straight or spiral",
                    take=take_teeth,
                    forget=_forgets(draft, spiral),
                )
            if question is None:
                yield step
            else:
                yield replace(step, take=own[question])


# Of a stand -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class _Profile:
    """A profile that travels with the program, and what its instrument sends."""

    path: Path
    words: tuple[str, ...]


@dataclass(frozen=True)
class _Profiles:
    """Profiles to choose from: of an indicator, an encoder, and a board that has both encoders."""

    indicator: list[_Profile]
    encoder: list[_Profile]
    both: list[_Profile]


def _profiles(role: str, *, two: bool = False) -> list[_Profile]:
    """Profiles of instruments that a role may have, on a serial port; ``two``: of two encoders at one."""
    found = []
    for path in sorted(shipped(_PROFILES).glob("*.toml")):
        profile = load_profile(path)
        if profile.reads_file or profile.quantity != ("length" if role == INDICATOR else "angle"):
            continue
        if (profile.second() is not None) is not two:
            continue
        wire = _ON_THE_WIRE.search(path.read_text("utf-8"))
        sent = (f"     {wire[1].partition('   (')[0].rstrip(': ')}",) if wire else ()
        found.append(_Profile(path=path, words=(profile.description, *sent)))
    return found


def _stand_steps(draft: Draft, profiles: _Profiles) -> Iterator[_Step]:
    """Of a stand: one encoder or two; at one board the second has port and profile of the first."""
    here, state = ports_here(), {"two": False}
    number = _question(draft, GEAR_TABLE, "number")

    def one_board() -> bool:
        return draft.answers.get(number) is not None

    def gate(answer: str) -> list[str]:
        said = answer.casefold()
        if said not in {"", "n", "no", "y", "yes"}:
            return [f"expected yes or no, got {answer!r}"]
        state["two"] = said in {"y", "yes"}
        return []

    of_encoders = [one for one in draft.questions if one.table in _ENCODERS]
    skip: dict[Question, Callable[[], bool]] = {
        one: lambda: not state["two"] for one in of_encoders if one.table != ENCODER
    }
    skip |= {one: lambda: state["two"] for one in of_encoders if one.table == ENCODER}
    for table in _STAND:
        unless = partial(_is_left_out, draft, table)
        if table == GEAR_TABLE:
            yield _Step(
                words=(_SECOND, "  Enter: no, one encoder"),
                prompt="yes or no",
                take=gate,
                heading=f"[{PINION_TABLE}] A second encoder.",
                applies=_both(lambda: True, unless),
                forget=_forgets(draft, *of_encoders),
            )
        for step in _steps(draft, table, skip):
            asked = [step]
            if table == INDICATOR and step.prompt == "profile":
                asked = [_profile_step(step, profiles.indicator)]
            elif table == INDICATOR and step.prompt == "port":
                asked = [_port_step(step, here)]
            elif table in _ENCODERS:
                asked = list(_encoder_steps(step, table, profiles, here, one_board))
            yield from (replace(one, applies=_both(one.applies, unless)) for one in asked)


def _cables_step(draft: Draft) -> _Step:
    """Which of the two instruments there is; all that belongs to the other one is left out."""
    # Tables of a second encoder that nobody was asked for leave no trace in the file.
    named = {role: {*tables} - {GEAR_TABLE, PINION_TABLE} for role, tables in _PARTS.items()}
    mine = {role: [one for one in draft.questions if one.table in named[role]] for role in _PARTS}

    def take(answer: str) -> list[str]:
        said = answer.casefold() or "both"
        if said not in {"both", *_PARTS}:
            return [f"expected both, indicator or encoder, got {answer!r}"]
        for role, questions in mine.items():
            if said not in {"both", role}:
                draft.answers.update(dict.fromkeys(questions))
        return []

    forget = _forgets(draft, *(one for questions in mine.values() for one in questions))
    return _Step(words=_CABLES, prompt="instruments", take=take, forget=forget)


def _is_left_out(draft: Draft, table: str) -> bool:
    """Whether the table belongs to an instrument that the stand does not have: its port was left out."""
    role = next((role for role, tables in _PARTS.items() if table in tables), None)
    return role is not None and draft.answers.get(_question(draft, role, "port"), "") is None


def _encoder_steps(
    step: _Step, table: str, profiles: _Profiles, here: list[str], one_board: Callable[[], bool]
) -> Iterator[_Step]:
    """One question about an encoder, as it is asked of one with a port of its own and of one at a board."""
    applies, key = step.applies, step.prompt
    own = _Step(**{**vars(step), "applies": lambda: applies() and not one_board()})
    shared = _Step(**{**vars(step), "applies": lambda: applies() and one_board()})
    if key == "port" and table != PINION_TABLE:
        yield _port_step(step, here)
    elif key == "port":
        yield _port_step(_Step(**{**vars(own), "heading": _OTHER}), here)
    elif key == "profile":
        yield _profile_step(own, profiles.encoder)
        if table == GEAR_TABLE:
            yield _profile_step(shared, profiles.both)
    elif table == PINION_TABLE and key == "sense":  # the first that is asked of the second at a board
        yield own
        yield _Step(**{**vars(shared), "heading": _OTHER})
    elif not (table == PINION_TABLE and key == "number"):
        yield step


def _port_step(step: _Step, here: list[str]) -> _Step:
    """Ports of this machine to choose from."""
    lines = [f"  {number}  {line}" for number, line in enumerate(here, 1)]
    found = "Ports of this machine now; type a number, or another name:"
    found = found if here else "This machine has no serial port now."
    expected = f"expected 1 to {len(here)}, or the name of a port" if here else "expected the name of a port"

    def take(answer: str) -> list[str]:
        number = int(answer) if answer.isdecimal() else 0
        if answer.isdecimal() and not 1 <= number <= len(here):
            return [f"{expected}, got {answer}"]
        name = here[number - 1].split(" ")[0] if number else answer
        if not number and not _PORT.match(name):
            return [f"{expected} (/dev/ttyUSB0, COM3, usb:1a86:7523, socket://host:4001), got {answer!r}"]
        try:
            resolve(name)
        except ValueError as error:
            return [str(error)]
        except PortNotFound:  # it may be plugged in later
            pass
        return step.take(name)

    return replace(step, words=(*step.words, found, *lines), take=take)


def _profile_step(step: _Step, known: list[_Profile]) -> _Step:
    lines = []
    for number, one in enumerate(known, 1):
        lines += [f"  {number}  {one.words[0]}", *one.words[1:]]
    found = "What does it send? Type a number, or the path of a profile of your own:"

    def take(answer: str) -> list[str]:
        if not answer.isdecimal():
            return step.take(answer)
        if not 1 <= int(answer) <= len(known):
            return [f"expected 1 to {len(known)}, or the path of a profile, got {answer}"]
        return step.take(str(known[int(answer) - 1].path))

    return replace(step, words=(*step.words, found, *lines), take=take)


def _copied(profile: Path, folder: Path) -> Path:
    """A copy of a profile in ``folder``; one that is there and says the same is taken."""
    data = profile.read_bytes()
    number = 1
    while True:
        place = folder / (profile.name if number == 1 else f"{profile.stem}-{number}{profile.suffix}")
        if not os.path.lexists(place):
            _write(place, data.decode("utf-8"))
            return place
        if place.is_file() and place.read_bytes() == data:
            return place
        number += 1


def _write(path: Path, text: str) -> None:
    """Make a file that was not there.

    Raises:
        ConfigurationError: Something stands there by now, or it cannot be made.
    """
    try:
        with os.fdopen(create_new(path), "w", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        problem = "came to be meanwhile and was not touched; give another name"
        raise ConfigurationError(str(path), [problem]) from None
    except OSError as error:
        problem = f"cannot be written ({error.strerror}); choose another place"
        raise ConfigurationError(str(path), [problem]) from error
