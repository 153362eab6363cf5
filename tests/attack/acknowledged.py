"""What a killed program had acknowledged to people, beside what its logbook holds after the kill."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.story import events

_BEGUN = re.compile(r" s  Test (\S+): \d+ positions planned")
_ACCEPTED = re.compile(r" s  +(\d+)  accepted: normal backlash (\d\.\d+)\smm")
_ASKED = re.compile(r" s  +(\d+)  (?:Turn|Stay|Confirm)")
_LEFT_OUT = re.compile(r" s  +(\d+)  left out: ")
_NOTE = re.compile(r" s  Note: (.*)")


@dataclass
class Shown:
    """What people saw of one life of the program.

    Attributes:
        begun: Identifiers of tests that were said to have begun.
        accepted: Number and normal backlash, as printed, of accepted positions.
        done: Most positions that a status called accepted.
        left_out: Numbers of positions left out.
        notes: Texts of notes that were acknowledged.
        asked: Numbers of the positions asked for, in order.
        engagements: Engagements that the prompts file asked for.
        closed: The prompts file said that the test is over.
    """

    begun: list[str] = field(default_factory=list)
    accepted: list[tuple[int, str]] = field(default_factory=list)
    done: int = 0
    left_out: list[int] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    asked: list[int] = field(default_factory=list)
    engagements: list[int] = field(default_factory=list)
    closed: bool = False

    def read_screen(self, lines: list[str]) -> None:
        """Take in the plain lines of ``lashmap run``."""
        for line in lines:
            if match := _BEGUN.search(line):
                self.begun.append(match[1])
            elif match := _ACCEPTED.search(line):
                self.accepted.append((int(match[1]), match[2]))
            elif match := _ASKED.search(line):
                self.asked.append(int(match[1]))
            elif match := _LEFT_OUT.search(line):
                self.left_out.append(int(match[1]))
            elif match := _NOTE.search(line):
                self.notes.append(match[1])

    def read_prompts(self, path: Path) -> None:
        """Take in the whole lines of a prompts file."""
        text = path.read_text("utf-8") if path.exists() else ""
        for line in text.splitlines(keepends=True):
            if not line.endswith("\n"):  # the kill came while it was written
                continue
            said = json.loads(line)
            self.closed |= said["closed"]
            if said["engagement"] is not None:
                self.engagements.append(said["engagement"])

    def __len__(self) -> int:
        """How much was acknowledged."""
        several = (self.begun, self.accepted, self.left_out, self.notes, self.engagements)
        return sum(len(one) for one in several)


@dataclass(frozen=True, kw_only=True)
class Kept:
    """What a logbook holds of its newest test.

    Attributes:
        tests: Identifiers of all tests.
        happened: Events of the newest one.
    """

    tests: list[str]
    happened: list[events.Event]

    @classmethod
    def read(cls, book: Path) -> Kept | None:
        """None when there is no test in it."""
        if not book.exists():
            return None
        with Logbook(book, create=False) as opened:
            tests = [one.test for one in opened.tests()]
            if not tests:
                return None
            return cls(tests=tests, happened=[stamped.event for stamped in opened.events(tests[-1])])

    @property
    def accepted(self) -> set[tuple[int, str]]:
        """Number and normal backlash in mm of every accepted position."""
        return {
            (event.number, f"{event.normal_backlash_mm:.4f}")
            for event in self.happened
            if isinstance(event, events.RockAccepted)
        }

    @property
    def left_out(self) -> set[int]:
        """Numbers of positions left out."""
        return {event.number for event in self.happened if isinstance(event, events.PositionSkipped)}

    @property
    def due(self) -> list[int]:
        """Numbers of planned positions that are open."""
        spared = {
            number
            for event in self.happened
            if isinstance(event, events.PositionsSpared)
            for number in event.numbers
        }
        settled = self.left_out | spared | {number for number, _ in self.accepted}
        started = self.happened[0]
        planned = len(started.planned) if isinstance(started, events.TestStarted) else 0
        return [number for number in range(1, planned + 1) if number not in settled]

    @property
    def unfinished(self) -> bool:
        """Whether the test can go on. Its result may have been stored behind the closing record already."""
        ends = [one for one in self.happened if isinstance(one, events.TestClosed | events.TestResumed)]
        return not (ends and isinstance(ends[-1], events.TestClosed) and ends[-1].outcome == "completed")

    @property
    def in_rock(self) -> bool:
        """Whether a rock was being recorded."""
        return isinstance(self.happened[-1], events.RockStarted)

    @property
    def resumed(self) -> int:
        """How often the test went on."""
        return sum(isinstance(event, events.TestResumed) for event in self.happened)

    def next_asked(self, shown: Shown, resumed_before: int) -> int | None:
        """The first position asked for in a life that went on, but for the one that is checked again.

        None when it did not come to that.
        """
        if self.resumed == resumed_before:
            return None
        checks = {event.check for event in self.happened if isinstance(event, events.TestResumed)}
        asked = shown.asked or self._asked_since_resumed()
        return next((number for number in asked if number not in checks), None)

    def _asked_since_resumed(self) -> list[int]:
        resumed = [at for at, event in enumerate(self.happened) if isinstance(event, events.TestResumed)]
        since = self.happened[resumed[-1] :] if resumed else []
        return [event.number for event in since if isinstance(event, events.PositionAsked)]


def lacking(shown: Shown, kept: Kept | None) -> Iterator[str]:
    """Everything that was acknowledged and is not in the logbook."""
    if kept is None:
        if len(shown):
            yield f"{len(shown)} things were shown, and no test is in the logbook"
        return
    asked = {event.engagement for event in kept.happened if isinstance(event, events.PositionAsked)}
    notes = {event.text for event in kept.happened if isinstance(event, events.NoteTaken)}
    yield from (f"test {one} had begun" for one in shown.begun if one not in kept.tests)
    yield from (f"position {one} accepted with {mm} mm" for one, mm in set(shown.accepted) - kept.accepted)
    yield from (f"position {one} left out" for one in set(shown.left_out) - kept.left_out)
    yield from (f"note {one!r}" for one in set(shown.notes) - notes)
    yield from (f"prompt for engagement {one}" for one in set(shown.engagements) - asked)
    if shown.done > len({number for number, _ in kept.accepted}):
        yield f"status said {shown.done} positions accepted, the logbook holds {len(kept.accepted)}"
    if shown.closed and not any(isinstance(one, events.TestClosed) for one in kept.happened):
        yield "the prompts file said that the test is over"
