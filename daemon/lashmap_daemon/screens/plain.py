"""Plain lines: one for each event, for pipes, journals and terminals that cannot be drawn on; questions."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lashmap_daemon.screens.terminal import say
from lashmap_daemon.story.cause import HOW_TO_ANSWER, answer_of
from lashmap_daemon.story.events import (
    CauseAnswered,
    CauseAsked,
    CountAsked,
    MarksAsked,
    MarksCompared,
    PositionAsked,
    ReadyAsked,
    ReadyConfirmed,
    TestClosed,
)
from lashmap_daemon.story.wording import READY, FlagsOnce, sentence
from lashmap_daemon.system import TypedLines, forget_typed
from lashmap_daemon.testing.opening import Nobody, Person

if TYPE_CHECKING:
    from lashmap_analysis.gears.tooth_names import ToothCounts
    from lashmap_analysis.record.record import Units
    from rich.console import Console

    from lashmap_daemon.story.events import Stamped
    from lashmap_daemon.testing.conductor import Conductor


_OTHERWISE = {"": ["arrived"], "m": ["matched"], "matched": ["matched"], "repeat": ["repeat"]}
_WHEN_COUNTED: dict[str, list[str]] = {
    "": ["arrived"],
    "yes": ["matched"],
    "m": ["matched"],
    "matched": ["matched"],
    "no": ["unmatched"],
    "x": ["unmatched"],
    "skip": ["skip"],
    "repeat": ["repeat"],
    "stop": ["stop"],
}


_WHEN_READY: dict[str, list[str]] = {
    "y": ["ready"],
    READY: ["ready"],
    "skip": ["skip"],
    "repeat": ["repeat"],
    "stop": ["stop"],
}


class PlainScreen:
    """A screen that prints a line for each event; at a terminal it takes what is asked for.

    That is ``matched``, and that the stand is ready for a cycle run; where teeth are ``counted``, also that
    the gear is there, and the look at its mark.
    """

    def __init__(
        self, units: Units, teeth: ToothCounts, write: Callable[[str], None], *, counted: bool = False
    ) -> None:
        self._units, self._teeth, self._counted = units, teeth, counted
        self._write, self._flags_once = write, FlagsOnce()
        self._typed = TypedLines()
        self._asked_anew = False
        self._question: MarksAsked | CauseAsked | ReadyAsked | None = None

    def hear(self, stamped: Stamped) -> None:
        """Print the event's line, if it has one."""
        event = stamped.event
        asked = MarksAsked | CountAsked | PositionAsked if self._counted else MarksAsked
        if isinstance(event, asked | CauseAsked | ReadyAsked):
            self._question, self._asked_anew = event, True
        elif isinstance(event, MarksCompared | CauseAnswered | ReadyConfirmed | TestClosed):
            self._question = None
        text = sentence(self._flags_once(event), self._units, self._teeth)
        if text is not None:
            self._write(f"{stamped.time_s:8.1f} s  {text}")
        if self._counted and isinstance(stamped.event, PositionAsked):
            self._write(
                "            Press Enter there, then rock. skip, repeat and stop may be typed instead."
            )

    def show(self, conductor: Conductor, now_s: float) -> None:
        """Draw nothing."""

    def commands(self) -> list[str]:
        """What was typed: the answer to the question that was asked last, and nothing else."""
        asks_cause = isinstance(self._question, CauseAsked)
        if self._asked_anew:
            self._asked_anew, self._typed = False, TypedLines()
            forget_typed()
            if asks_cause and not sys.stdin.isatty():
                return ["unanswered"]
        typed = self._typed.next()
        line = (typed or "").strip().strip('"')
        if asks_cause:
            if line and answer_of(line) is not None:
                return [f"cause {line}"]
            if line:
                self._write(f"{line!r} says no cause: {HOW_TO_ANSWER}")
            return []
        if isinstance(self._question, ReadyAsked):
            if line and line.casefold() not in _WHEN_READY:
                self._write(f'{line!r} is no answer: enter "{READY}" when it is, or "stop" to end the test')
            return _WHEN_READY.get(line.casefold(), [])
        if self._counted:
            return [] if typed is None else _WHEN_COUNTED.get(line.casefold(), [])
        return [] if typed is None else _OTHERWISE.get(line.casefold(), [])


@dataclass(frozen=True, kw_only=True)
class AtTerminal:
    """The person at this terminal."""

    console: Console

    def show(self, text: str) -> None:
        """Print a line as it is."""
        say(self.console, text)

    def ask(self, question: str) -> str:
        """Ask for a line; what was typed before is not its answer, nor is the end of input."""
        forget_typed()
        try:
            return self.console.input(f"{question}: ", markup=False)
        except EOFError:
            return ""


def person_at(console: Console) -> Person:
    """Whoever can answer at ``console``: nobody in a pipe."""
    terminal = AtTerminal(console=console)
    return terminal if sys.stdin.isatty() and console.is_terminal else Nobody(show=terminal.show)
