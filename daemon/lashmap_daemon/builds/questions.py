"""Questions of the sheet: asked of a person or of a file of answers, each answer checked before it counts.

At a terminal a wrong answer is explained and the question comes again. In a file the answers stand in the
order of the questions, so a wrong one would shift all that follow: it ends the command, with its line.
Everything that was entered before it is in the logbook.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol, TypeVar

from lashmap_analysis.record.lengths import MM_PER_INCH
from lashmap_analysis.record.record import Units
from lashmap_drivers.ports.regular_file import FileRefused, read_regular

from lashmap_daemon.errors import ConfigurationError, LashmapError
from lashmap_daemon.setup.toml_file import MOST_IN_LABEL, MOST_IN_REMARK, complaint

Value = TypeVar("Value")
_TRIES = 10
_MOST_ANSWERS_BYTES = 1_000_000
_LARGEST_MM = 10_000.0
_LARGEST = 1e6
LEAVE = ("q", "quit")
PACK: dict[Units, str] = {"mm": "0.50 + 0.20", "in": "0.020 + 0.008"}
"""How a pack is written, by the units of the box."""


class Person(Protocol):
    """Someone who can be shown and asked something."""

    def show(self, text: str) -> None:
        """Show a line."""

    def ask(self, question: str) -> str:
        """Ask for a line of text; empty means no answer."""


class Left(Exception):
    """Whoever was asked wants to leave; what was entered before is kept."""


class NoMoreAnswers(Left):
    """The file of answers has ended."""


class Wrong(ValueError):
    """An answer that cannot be taken: what is wrong with it, and what to write."""


class Asked:
    """A person at a terminal, or a file of answers.

    Args:
        person: Sees everything; answers unless a file does.
        answers: The file: an answer a line, in the order of the questions. An empty line is Enter, one that
            begins with ``#`` is a remark.

    Raises:
        ConfigurationError: When the file cannot be read.
    """

    def __init__(self, person: Person, answers: Path | None = None) -> None:
        self._person, self._file = person, answers
        self._lines = [] if answers is None else _lines_of(answers)
        self._next = 0

    def show(self, text: str) -> None:
        """Show a line."""
        self._person.show(text)

    def question(self, words: str, take: Callable[[str], Value]) -> Value:
        """Ask until an answer can be taken.

        Args:
            words: The question, with what Enter means.
            take: Makes the value of an answer, without blanks around it; raises `Wrong` when it cannot.

        Raises:
            Left: When the person leaves, or gave no answer that can be taken in ten tries.
            ConfigurationError: For a wrong answer in a file.
        """
        for _ in range(_TRIES):
            answer = self._answer(words).strip()
            if answer.casefold() in LEAVE:
                raise Left
            try:
                return take(answer)
            except (Wrong, LashmapError) as error:
                self._refuse(words, answer, str(error))
        self.show(f"That was {_TRIES} answers that cannot be taken, so the question is left.")
        raise Left

    def _answer(self, words: str) -> str:
        if self._file is None:
            return self._person.ask(words)
        while self._next < len(self._lines):
            line = self._lines[self._next]
            self._next += 1
            if not line.lstrip().startswith("#"):
                self.show(f"{words}: {line}")
                return line
        raise NoMoreAnswers

    def _refuse(self, words: str, answer: str, why: str) -> None:
        shown = repr(answer) if answer else "no answer"
        if self._file is None:
            self.show(f"  Not taken: {shown}. {why}.")
            return
        problem = f"line {self._next}, {words.partition(';')[0].partition(' (')[0]}: {shown}: {why}"
        raise ConfigurationError(str(self._file), [problem])


def _lines_of(path: Path) -> list[str]:
    try:
        return read_regular(path, _MOST_ANSWERS_BYTES).decode("utf-8-sig").splitlines()
    except FileRefused as error:
        raise ConfigurationError(str(path), [str(error)]) from None
    except UnicodeDecodeError as error:
        raise ConfigurationError(str(path), [f"is no text in UTF-8: {error}"]) from error


# What an answer is taken as.


def line(answer: str, *, most: int = MOST_IN_LABEL) -> str:
    """A text that may be empty."""
    wrong = complaint(answer, most)
    if wrong:
        raise Wrong(f"{wrong[:1].upper()}{wrong[1:]}")
    return answer


def remark(answer: str) -> str:
    """A longer text that may be empty."""
    return line(answer, most=MOST_IN_REMARK)


def name(answer: str) -> str:
    """Who it is; needed."""
    if not any(one.isalpha() for one in answer):
        raise Wrong("Write the name of the person; the record has to say who it was")
    return line(answer)


def needed(answer: str) -> str:
    """A text that is not empty."""
    if not answer:
        raise Wrong("Write it down, or q to leave the step")
    return line(answer)


def yes(answer: str) -> bool:
    """Yes or no; needed."""
    if answer.casefold() not in {"yes", "y", "no", "n"}:
        raise Wrong("Write yes or no")
    return answer.casefold() in {"yes", "y"}


def number(answer: str, *, least: float = -math.inf, unit: str = "") -> float:
    """A finite number, with a point or a comma, and with or without its unit."""
    text = answer.removesuffix(unit).strip() if unit else answer
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or abs(value) > _LARGEST:
        raise Wrong(f"Write a number{f' in {unit}' if unit else ''}, such as 1.25")
    if value < least:
        raise Wrong(f"Write a number of {least:g} or more")
    return value


def in_unit(answer: str, *units: tuple[str, float]) -> float:
    """A number of 0 or more in the first of some units, or in the one behind it, times that unit's factor."""
    found = re.fullmatch(r"([-+\d.,]+)(.*)", answer)
    behind = _letters(found[2]) if found else []
    for unit, factor in units:
        if found and behind in ([], _letters(unit)):
            return factor * number(found[1], least=0.0, unit=unit)
    raise Wrong(f"Write a number in {' or '.join(unit for unit, _ in units)}, such as 1.25 {units[0][0]}")


def _letters(unit: str) -> list[str]:
    """Those of a unit in the order of the alphabet: ``lbf in``, ``in-lb`` and ``lbf·in`` are one."""
    return sorted(re.sub(r"[^a-z]", "", unit.casefold()).replace("lbf", "lb"))


def maybe_number(answer: str, *, least: float = -math.inf, unit: str = "") -> float | None:
    """A number, or nothing."""
    return number(answer, least=least, unit=unit) if answer else None


def length(answer: str, units: Units, *, least_mm: float = 0.0) -> float:
    """A length in mm from a figure in the units of the box; one that names its unit is read in that."""
    example = "3.1250" if units == "in" else "79.375"
    text, unit = answer, units
    for ending in ("mm", "in"):
        if answer.endswith(ending):
            text, unit = answer.removesuffix(ending).strip(), ending
    try:
        value = float(text.replace(",", ".")) * (MM_PER_INCH if unit == "in" else 1.0)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or value > _LARGEST_MM:
        raise Wrong(
            f"Write a length in {units}, such as {example}; a figure with mm or in behind it is read so"
        )
    if value < least_mm or (least_mm == 0.0 and value < 0.0):
        raise Wrong(f"Write a length of 0 or more in {units}, such as {example}")
    return value


def above_nothing(answer: str, units: Units) -> float:
    """A length above 0, in mm."""
    value = length(answer, units)
    if value <= 0.0:
        raise Wrong(f"Write a length above 0 in {units}")
    return value


def pieces(answer: str, units: Units) -> tuple[float, ...]:
    """The thicknesses of a pack: ``0.50 + 0.20``, or ``0`` for none; in mm."""
    parts = [one for one in answer.replace("+", " ").split() if one not in {"mm", "in"}]
    if not parts:
        raise Wrong(f"Write the thickness of each piece, such as {PACK[units]}, or 0 for no shims")
    if len(parts) > 12:
        raise Wrong("A pack has at most 12 pieces; write the thickness of the whole pack instead")
    ending = next((unit for unit in ("mm", "in") if answer.endswith(unit)), "")
    found = tuple(length(f"{one} {ending}".strip(), units) for one in parts)
    if any(one > 100.0 for one in found):
        thickest = "100 mm" if units == "mm" else "4 in"
        raise Wrong(
            f"A shim is thinner than {thickest}; write the thickness of each piece, such as {PACK[units]}"
        )
    return tuple(one for one in found if one > 0.0)


def share(answer: str) -> float:
    """A share of the face: ``60``, ``60 %`` or ``0.6``."""
    text = answer.removesuffix("%").strip()
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if answer.endswith("%") or value > 1.0:
        value /= 100.0
    if not 0.0 < value <= 1.0:
        raise Wrong("Write a share of the face, above 0 and at most 100 %, such as 60 %")
    return value


def one_of(answer: str, choices: Sequence[str]) -> str:
    """One of some words; their beginning is enough where it names one alone."""
    found = [one for one in choices if answer and one.casefold().startswith(answer.casefold())]
    exact = [one for one in found if one.casefold() == answer.casefold()]
    if len(exact or found) != 1:
        raise Wrong(f"Write one of: {', '.join(choices)}")
    return (exact or found)[0]
