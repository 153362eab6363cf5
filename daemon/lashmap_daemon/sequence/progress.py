"""How far a test came, read from its events: what is settled, what is open, and what was asked for last.

A position is settled when it was accepted or left out after it was asked for the last time; so a repeat that
the operator wanted and that never came about is open. Rocks that check a resumption are extra: kept when they
were accepted, not made up for when they were not. How the test goes on from here is the sequence's.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from lashmap_analysis.record.record import Shaft

from lashmap_daemon.sequence.sequence import SKIPPED
from lashmap_daemon.sequence.words import Phase, State, Sweep, Target
from lashmap_daemon.story import events
from lashmap_daemon.story.events import Stamped

BROKEN_OFF = "the test was broken off"


class Progress:
    """What the events of one test add up to.

    Attributes:
        started: The start record; None for a record without one.
        started_utc: When it began.
        accepted: By number, as they stand.
        newest: The rock accepted last of those.
        predicted: The last prediction.
        matched: The last reference.
        closed: The closing record; None when the test is not closed, or goes on.
        sweeping: The positions were done.
        marks: The last comparison of mark and encoder.
        last_utc: Of the last event.
    """

    def __init__(self, stream: Iterable[Stamped]) -> None:
        self.started: events.TestStarted | None = None
        self.started_utc = self.last_utc = ""
        self.accepted: dict[int, events.RockAccepted] = {}
        self.newest: events.RockAccepted | None = None
        self.predicted: events.TightSpotPredicted | None = None
        self.matched: events.MatchedTeethSet | None = None
        self.closed: events.TestClosed | None = None
        self.sweeping = False
        self.marks: events.MarksCompared | None = None
        self._open: dict[int, Target] = {}
        self._current: int | None = None
        self._rocking = False
        self._checks: set[int] = set()
        self._asked = 0
        self._last_accepted: Target | None = None
        self._sweep: Sweep | None = None
        self._sweeps: list[Shaft] = []
        for stamped in stream:
            self._hear(stamped.event)
            self.started_utc = self.started_utc or stamped.utc
            self.last_utc = stamped.utc

    @property
    def asked(self) -> int:
        """How many positions were numbered so far."""
        return self._asked

    def state(self, tries: int) -> State:
        """For `sequence.resume`: in no phase yet, the position asked for last first in the queue."""
        order = sorted(self._open, key=lambda number: (number != self._current, number))
        queue = [self._open[number] for number in order]
        if queue and self._rocking and queue[0].number == self._current:
            queue[0] = replace(queue[0], attempt=queue[0].attempt + 1, reason=BROKEN_OFF)
        sweep = self._sweep
        return State(
            phase=Phase.PREDICTING,
            target=None,
            queue=tuple(queue),
            last_accepted=self._last_accepted,
            asked=self._asked,
            tries=tries,
            sweep=None if sweep is None else replace(sweep, attempt=sweep.attempt + 1, reason=BROKEN_OFF),
            sweeps=tuple(self._sweeps),
            marks_seen=self.marks is not None and bool(self.marks.agrees),
        )

    def _hear(self, event: events.Event) -> None:
        match event:
            case events.TestStarted():
                self._begin(event)
            case events.TestResumed(check=check):
                self.closed = None
                if check is not None:
                    self._checks.add(check)
                    self._asked = max(self._asked, check)
            case events.MatchedTeethSet():
                self.matched = event
            case events.MarksCompared():
                self.marks = event
            case events.TightSpotPredicted(ask=ask):
                self.predicted = event
                for engagement in ask:
                    self._asked += 1
                    self._await(Target(number=self._asked, engagement=engagement, purpose="confirming"))
            case events.TestClosed():
                self.closed = event
            case events.SweepAsked() | events.SweepRecorded() | events.SweepRefused():
                self._hear_sweep(event)
            case _:
                self._hear_rock(event)

    def _begin(self, started: events.TestStarted) -> None:
        self.started = started
        self._asked = len(started.planned)
        self._sweeps = list(started.sweeps)
        for number, engagement in enumerate(started.planned, start=1):
            self._await(Target(number=number, engagement=engagement, purpose="planned"))

    def _await(self, target: Target) -> None:
        if target.number not in self._checks:
            self._open[target.number] = target

    def _hear_rock(self, event: events.Event) -> None:
        match event:
            case events.PositionAsked(number=number):
                self._current, self._rocking = number, False
                self._await(
                    Target(
                        number=number,
                        engagement=event.engagement,
                        purpose=event.purpose,
                        attempt=event.attempt,
                        reason=event.reason,
                    )
                )
                if number in self.accepted:
                    self._last_accepted = None  # as the sequence does when it goes back to repeat one
            case events.RockStarted():
                self._rocking = True
            case events.RockRefused(number=number, reasons=reasons):
                self._rocking = False
                if number in self._open:
                    reason = "; ".join(reasons)
                    self._await(replace(self._open[number], attempt=event.attempt + 1, reason=reason))
            case events.RockAccepted(number=number):
                self.accepted[number] = self.newest = event
                self._settle(number)
                self._last_accepted = Target(
                    number=number, engagement=event.engagement, purpose=event.purpose, attempt=event.attempt
                )
            case events.PositionSkipped(number=number):
                self.accepted.pop(number, None)
                if self.newest is not None and self.newest.number == number:
                    self.newest = next(reversed(self.accepted.values()), None)
                self._settle(number)

    def _settle(self, number: int) -> None:
        self._open.pop(number, None)
        self._rocking = False
        if self._current == number:
            self._current = None

    def _hear_sweep(self, event: events.SweepAsked | events.SweepRecorded | events.SweepRefused) -> None:
        self.sweeping = True
        match event:
            case events.SweepAsked(member=member, attempt=attempt, reason=reason):
                if attempt == 1 and member in self._sweeps:
                    self._sweeps = self._sweeps[self._sweeps.index(member) + 1 :]
                self._sweep = Sweep(member=member, attempt=attempt, reason=reason)
            case events.SweepRecorded():
                self._sweep = None
            case events.SweepRefused(reasons=reasons, attempt=attempt) if self._sweep is not None:
                if SKIPPED in reasons:
                    self._sweep = None
                else:
                    self._sweep = replace(self._sweep, attempt=attempt)
