"""A box or stand file while it is being written: its questions, its answers, and what is wrong with them.

Questions are made from the models of the files, so that a new key is asked for as well. Each state of a draft
is checked as a file is that was read, by the same models: what was not asked yet is filled with figures that
fit what was answered. Conversation is not decided here.
"""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from math import sin
from textwrap import wrap
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from lashmap_analysis.gears.gear_set import GearSet, GearSetError
from lashmap_drivers.profile import MM_PER_INCH
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.setup.meanings import Meaning, meaning
from lashmap_daemon.setup.plausible import COARSEST_MM
from lashmap_daemon.setup.toml_file import in_toml

Units = Literal["mm", "in"]
_WIDE = 100
_DIGITS = re.compile(r"\d")
_NUMBER = re.compile(r"[-+]?(?:0|[1-9]\d*)(?:\.\d+)?")
_DECIMAL_COMMA = re.compile(r"[-+]?\d*,\d+")
_MAYBE_THOUSANDS = re.compile(r"[-+]?[1-9]\d{0,2},\d{3}")
_WORDS = {"yes": "true", "y": "true", "no": "false", "n": "false"}


@dataclass(frozen=True, kw_only=True)
class Question:
    """One key of a file.

    Attributes:
        table: Its table, such as ``shims.gear``.
        key: As it will stand in the file, its unit the person's own.
        meaning: What it says.
        kinds: What it takes: ``str``, ``float``, ``int``, ``bool``, ``list`` or ``date``.
        words: The words or numbers it takes one of; empty when it takes others.
        required: Whether it has to be there.
        default: What holds when it is left out, as TOML; empty for nothing.
    """

    table: str
    key: str
    meaning: Meaning
    kinds: frozenset[type]
    words: tuple[str | int, ...]
    required: bool
    default: str

    def toml(self, answer: str) -> str:
        """The answer as a value of a TOML file.

        Raises:
            ValueError: It cannot be meant for this key.
        """
        said = answer.casefold()
        if list in self.kinds:
            return self._several(answer)
        for word in self.words:
            if said == str(word).casefold():
                return str(word) if isinstance(word, int) else in_toml(word)
        if bool in self.kinds and said in {*_WORDS, "true", "false"}:
            return _WORDS.get(said, said)
        if bool in self.kinds:
            raise ValueError(f"expected yes or no, got {answer!r}")
        if dt.date in self.kinds:
            return _date(answer)
        if self.kinds & {int, float} and not (self.words and not _DIGITS.search(answer)):
            if self.words and float not in self.kinds:
                raise ValueError(f"expected {self.choices}, got {answer!r}")
            return _number(answer, whole=float not in self.kinds)
        if self.words:
            number = ", or a number" if self.kinds & {int, float} else ""
            raise ValueError(f"expected {self.choices}{number}, got {answer!r}")
        return in_toml(answer)

    def _several(self, answer: str) -> str:
        values = _parts(answer.strip("[] "))
        if self.words:
            unknown = [one for one in values if one.casefold() not in self.words]
            if unknown:
                raise ValueError(f"expected some of {self.choices}, with commas between, got {unknown[0]!r}")
            return f"[{', '.join(in_toml(one.casefold()) for one in values)}]"
        if any(re.fullmatch(r"[-+]?0\d+", one) for one in values):
            raise ValueError(f"expected a space or a semicolon between the numbers, got {answer!r}")
        return f"[{', '.join(_number(one, whole=False) for one in values)}]"

    @property
    def choices(self) -> str:
        """The words it takes one of."""
        *first, last = (str(word) for word in self.words)
        return f"{', '.join(first)} or {last}" if first else last


def _parts(answer: str) -> list[str]:
    """Several values: between commas alone, or between semicolons or spaces, where a comma may be decimal."""
    if ";" in answer:
        return [one.strip() for one in answer.split(";") if one.strip()]
    if " " in answer:
        return [one.removesuffix(",") for one in answer.split() if one != ","]
    return answer.split(",")


def _number(answer: str, *, whole: bool) -> str:
    """A number as TOML writes it; a decimal comma is as good as a point where it can be nothing else.

    Raises:
        ValueError: It is no number, or its comma may part thousands.
    """
    if whole and not re.fullmatch(r"[-+]?\d+", answer):
        raise ValueError(f"expected a whole number in digits alone, got {answer!r}")
    point = answer.replace(",", ".")
    if _MAYBE_THOUSANDS.fullmatch(answer):
        plain = answer.replace(",", "")
        raise ValueError(
            f"{answer} is {point} where a comma is decimal and {plain} where not; type one of them"
        )
    try:
        value = float(point if _DECIMAL_COMMA.fullmatch(answer) else answer)
    except ValueError:
        raise ValueError(f"expected a number without its unit, got {answer!r}") from None
    answer = point
    if whole:
        return str(int(answer))
    return answer if _NUMBER.fullmatch(answer) else repr(value)


def _date(answer: str) -> str:
    try:
        return dt.date.fromisoformat(answer).isoformat()
    except ValueError:
        raise ValueError(f"expected a date, year-month-day such as 2027-06-30, got {answer!r}") from None


@dataclass(kw_only=True)
class Draft:
    """Answers so far.

    Attributes:
        name: Of the file, for messages.
        heading: The first lines of the file, without the mark of a comment.
        questions: All of them, in the order in which they stand in the file.
        titles: What each table is about.
        optional: Tables that are left out whole, their heading too, when nothing in them is answered.
        instead: Tables that stand for one another: those that were not asked for leave no trace.
        check: Reads a text as the file is read. Raises ConfigurationError.
        fill: What stands in for required keys that were not asked yet, from the tables answered so far.
        answers: By question; None is left out.
    """

    name: str
    heading: tuple[str, ...]
    questions: tuple[Question, ...]
    titles: Mapping[str, str]
    optional: frozenset[str]
    instead: frozenset[str]
    check: Callable[[str], object]
    fill: Callable[[Mapping[str, Mapping[str, Any]]], Mapping[str, Mapping[str, Any]]]
    answers: dict[Question, str | None] = field(default_factory=dict)

    def answer(self, question: Question, answer: str) -> list[str]:
        """Take an answer, empty for none; returns what is wrong with it, and then it is not taken."""
        try:
            value = question.toml(answer) if answer else None
        except ValueError as error:
            return [str(error)]
        before = dict(self.answers)
        self.answers[question] = value
        problems = self.problems()
        if problems:
            self.answers = before
        return problems

    def problems(self) -> list[str]:
        """What is wrong with the answers so far."""
        tree: dict[str, dict[str, Any]] = {}
        for one, value in self.answers.items():
            if value is not None:
                tree.setdefault(one.table, {})[one.key] = tomllib.loads(f"x = {value}")["x"]
        try:
            self.check(self._filled(tree))
        except ConfigurationError as error:
            found = error.problems if error.file == self.name else error.lines  # a profile has a name too
            return list(found)
        return []

    def _filled(self, tree: Mapping[str, Mapping[str, Any]]) -> str:
        asked = {(one.table, _stem(one.key)) for one in self.answers}
        tables: dict[str, list[str]] = {}
        for one, value in self.answers.items():
            if value is not None:
                tables.setdefault(one.table, []).append(_entry(one, value))
        for table, keys in self.fill(tree).items():
            for key, value in keys.items():
                if (table, _stem(key)) not in asked:
                    tables.setdefault(table, []).append(f"{key} = {_literal(value)}")
        return "\n".join("\n".join((f"[{table}]", *keys)) for table, keys in tables.items())

    def text(self) -> str:
        """The whole file: every key with its meaning, those that were left out as comments."""
        lines = [f"# {line}" for line in self.heading]
        for table in dict.fromkeys(one.table for one in self.questions):
            mine = [one for one in self.questions if one.table == table]
            if table in self.instead and not any(one in self.answers for one in mine):
                continue
            absent = table in self.optional and not any(self.answers.get(one) is not None for one in mine)
            lines += ["", *_comment(self.titles[table]), f"{'# ' if absent else ''}[{table}]"]
            for one in mine:
                value = self.answers.get(one)
                left_out = value is None
                without = f". Left out: {one.meaning.without}" if left_out and one.meaning.without else ""
                lines += _comment(f"{one.meaning.what}{without}.")
                lines.append(f"# {one.key} = {one.default}".rstrip() if left_out else _entry(one, value))
        return "\n".join(lines) + "\n"


def _entry(question: Question, value: str | None) -> str:
    return f"{question.key} = {value}"


def _comment(text: str) -> list[str]:
    return [f"# {line}" for line in wrap(text, _WIDE)]


def _stem(key: str) -> str:
    return f"{key.removesuffix('_in')}_mm" if key.endswith("_in") else key


def _literal(value: object) -> str:
    return in_toml(value) if isinstance(value, str) else repr(value)


def questions_of(table: str, model: type[BaseModel], units: Units) -> tuple[Question, ...]:
    """The keys of a table, but for tables inside it."""
    return tuple(_questions(table, model, units))


def _questions(table: str, model: type[BaseModel], units: Units) -> Iterator[Question]:
    for name, info in model.model_fields.items():
        kinds, words = _takes(info.annotation)
        if any(issubclass(kind, BaseModel) for kind in kinds):
            continue
        key = f"{name.removesuffix('_mm')}_in" if units == "in" and name.endswith("_mm") else name
        yield Question(
            table=table,
            key=key,
            meaning=meaning(table, key),
            kinds=kinds,
            words=words,
            required=info.is_required(),
            default=_default(info, inches=key != name),
        )


def _default(info: FieldInfo, *, inches: bool) -> str:
    value = None if info.is_required() else info.get_default(call_default_factory=True)
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if inches:
        return f"{value / MM_PER_INCH:.2g}"
    return in_toml(value) if isinstance(value, str) else f"{value}"


def _takes(annotation: Any) -> tuple[frozenset[type], tuple[str | int, ...]]:  # noqa: ANN401 - any type
    """Plain types and words that an annotation stands for."""
    origin = get_origin(annotation)
    if origin is Annotated:
        return _takes(get_args(annotation)[0])
    if origin is Literal:
        words = get_args(annotation)
        return frozenset({str}) if isinstance(words[0], str) else frozenset({int}), words
    if origin is list:
        return frozenset({list}), _takes(get_args(annotation)[0])[1]
    if origin in {Union, UnionType}:
        several = [_takes(one) for one in get_args(annotation) if one is not type(None)]
        return frozenset().union(*(one[0] for one in several)), sum((one[1] for one in several), ())
    return frozenset({annotation}), ()


def fill_box(tree: Mapping[str, Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
    """A gear set and a tip around what was answered: nothing of it is ever written."""
    given = tree.get("gear_set", {})
    pinion = given.get("pinion_teeth", 13)
    gear = given.get("gear_teeth", max(40, pinion) if isinstance(pinion, int) else 40)
    module_mm = _in_mm(given, "outer_module_mm") or _of_pitch(given) or 4.0
    face_mm = _in_mm(given, "face_width_mm") or 0.1 * module_mm * (gear if isinstance(gear, int) else 40)
    angle, shaft = given.get("normal_pressure_angle_deg", 20.0), given.get("shaft_angle_deg", 90.0)
    values = {"pinion_teeth": pinion, "gear_teeth": gear, "face_width_mm": face_mm}
    values |= {"normal_pressure_angle_deg": angle, "mean_spiral_angle_deg": 0.0}
    if "outer_diametral_pitch_per_inch" not in given:
        values["outer_module_mm"] = module_mm
    touch_mm = 0.45 * module_mm * 40.0
    try:
        gear_set = GearSet(**values | {"outer_module_mm": module_mm, "shaft_angle_deg": shaft})
    except (GearSetError, TypeError):  # the model says what is wrong with it
        pass
    else:
        touch_mm = gear_set.mean_cone_distance_mm * sin(gear_set.gear_pitch_angle_rad)
    filled: dict[str, dict[str, Any]] = {
        "box": {"type": "?", "serial": "?"},
        "gear_set": values,
        "tip": {"touch_radius_mm": touch_mm, "direction": "normal"},
    }
    if tree.get("tip", {}).get("on_arm"):  # an arm has no flank
        filled["tip"]["direction"] = "plane of rotation"
    for table in {"shims.gear", "shims.pinion"} & tree.keys():
        filled[table] = {"thicknesses_mm": [0.01], "thicker_moves": "out"}
    if "second_nm" in tree.get("torque", {}):
        filled["torque"] = {"second_adds_mm": 0.0}
    return filled


def fill_stand(
    tree: Mapping[str, Mapping[str, Any]], profiles: Mapping[str, str]
) -> dict[str, dict[str, Any]]:
    """Instruments around what was answered, as `fill_box`.

    Args:
        tree: What was answered.
        profiles: The path of a profile that an ``indicator`` and an ``encoder`` may have, and ``both``
            encoders at one board.
    """
    filled: dict[str, dict[str, Any]] = {"stand": {"name": "?"}}
    filled["indicator"] = {
        "port": "?indicator",
        "profile": profiles["indicator"],
        "resolution_mm": COARSEST_MM,
    }
    encoder = {"port": "?encoder", "profile": profiles["encoder"], "counts_per_turn": 3600}
    gear, pinion = tree.get("encoder.gear"), tree.get("encoder.pinion")
    if gear is None and pinion is None:
        filled["encoder"] = encoder
    elif gear is not None and "number" in gear:  # one board has both
        board = encoder | {"profile": profiles["both"]}
        shared = {key: gear.get(key, board[key]) for key in ("port", "profile")}
        filled["encoder.gear"] = board
        filled["encoder.pinion"] = board | shared | {"number": 3 - gear["number"]}
    else:
        filled["encoder.gear"], filled["encoder.pinion"] = encoder, encoder | {"port": "?pinion"}
    if curve := tree.get("indicator.correction"):
        zeros = [0.0] * max(len(values) for values in curve.values())
        filled["indicator.correction"] = {"corrections_mm": zeros, "uncertainties_mm": zeros}
    if "certificate_file" in tree.get("bus", {}):
        filled["bus"] = {"key_file": "?"}
    if "certificate_file" in tree.get("page", {}):
        filled["page"] = {"key_file": "?"}
    return filled


def _in_mm(table: Mapping[str, Any], key: str) -> float | None:
    """A length of a table, in whichever unit; None when it has none that is a number."""
    for name, factor in ((key, 1.0), (f"{key.removesuffix('_mm')}_in", MM_PER_INCH)):
        if isinstance(value := table.get(name), int | float):
            return factor * value
    return None


def _of_pitch(table: Mapping[str, Any]) -> float | None:
    pitch = table.get("outer_diametral_pitch_per_inch")
    return MM_PER_INCH / pitch if isinstance(pitch, int | float) and pitch > 0 else None
