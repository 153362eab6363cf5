"""The story of one test: one state, and one function that takes the next event into it.

Whoever asks what is known of a test asks here: how far it came when it is to go on, what of it is judged,
what reviewers did, its line in the list. A new event has its place in `apply`, or the type checker names it.

A position is settled when it was accepted or left out after it was asked for the last time; so a repeat that
the operator wanted and that never came about is open. Rocks that check a resumption are extra: kept when they
were accepted, not made up for when they were not.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import reduce
from typing import TypeVar, assert_never

from lashmap_analysis.record.record import (
    ROLLED,
    Direction,
    Exclusion,
    Precondition,
    Purpose,
    Shaft,
    SignOff,
    StoredResult,
)

from lashmap_daemon.story import events
from lashmap_daemon.story.cause import FOUND
from lashmap_daemon.story.events import Stamped

SKIPPED = "skipped by the operator"
GIVEN_UP = "given up after"
AFTER_ALL = "left out before the cause was found"
NOT_CLOSED = "not closed: the record ends without its closing event"
_Key = TypeVar("_Key")
_Value = TypeVar("_Value")
_RANK = {"proven": 0, "unproven": 1, "failed": 2}


Awaited = (
    events.PositionAsked
    | events.SweepAsked
    | events.ReadyAsked
    | events.PassAsked
    | events.MarksAsked
    | events.CauseAsked
    | events.CountAsked
    | events.InstrumentLost
    | events.RecordingPaused
    | events.TestClosed
)
"""Events that ask for something to be done now, or end the test."""


@dataclass(frozen=True, kw_only=True)
class Target:
    """A position that is asked for."""

    number: int
    engagement: int
    purpose: Purpose
    attempt: int = 1
    reason: str = ""

    @property
    def place(self) -> float:
        """Where that is, in gear teeth past the matched teeth; not whole where the pair is rolled on."""
        return self.engagement + ROLLED.get(self.purpose, 0.0)


@dataclass(frozen=True, kw_only=True)
class Sweep:
    """A runout sweep that is asked for."""

    member: Shaft
    attempt: int = 1
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class Pass:
    """A pass of a cycle run that is asked for, or to come; `events.PassAsked` says what its figures mean."""

    number: int
    direction: Direction
    brake_nm: float | None = None
    attempt: int = 1
    reason: str = ""
    most_deg_per_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class Part:
    """What was recorded in one go: a test that was resumed has several, judged as one.

    Attributes:
        first_s: Its first moment; minus infinity for the first.
        matched: The matched teeth as set in it; None where those of the part before hold, or are not known.
        resumed: How it began; None for the first.
        checked: What the check found; None when it was not made.
        rocks: How many rocks were accepted in it.
    """

    first_s: float = -math.inf
    matched: events.MatchedTeethSet | None = None
    resumed: events.TestResumed | None = None
    checked: events.CheckedAgain | None = None
    rocks: int = 0


@dataclass(frozen=True, kw_only=True)
class Story:
    """What is known of a test so far; nothing in it is changed, `apply` makes the next one.

    Attributes:
        started: The start record; None before it, and for a record without one.
        started_utc: When that was.
        last_utc: Of the last event.
        end_s: The newest time of an event.
        parts: What was recorded in one go, the first of them always there.
        awaited: The last event that says what is to be done.
        matched: The last reference of the matched teeth.
        build: The build that the box came from; None when none was named.
        sheets: What was measured before it was typed, each with the UTC of its typing; empty otherwise.
        preconditions: By name; of several states the worst, since all rocks are judged together.
        predicted: The last prediction.
        marks: The last comparison of mark and encoder.
        open: Positions that are not settled, by number.
        current: The position asked for last; None when it is settled.
        rocking: It is being recorded.
        cause: The question after the cause of refused rocks that waits for its answer; None when none does.
        given_up: Positions left out for refused rocks since the last one that was accepted.
        checks: Positions that check a resumption.
        asked: How many positions were numbered.
        rolled: Phases of the roll that were asked for.
        accepted: By number, as they stand: a repeat replaces what it repeats.
        typed: Rocks that were typed, by number of the position, of its newest try.
        newest: The rock accepted last of those.
        last_accepted: The position a repeat goes back to.
        skipped: Positions that stay unmeasured, by number.
        spared: Planned positions that were not needed, by number.
        sweeping: The positions were done.
        sweep: The sweep that is asked for; None when none is.
        sweeps: Members whose sweeps are still to come.
        swept: Sweeps that gave a runout, by member.
        passes: Passes of a cycle run that are not settled, in order.
        planned_passes: All of them, as they were planned last.
        passed: Passes that were recorded since, by number.
        ready_for: What somebody said last that the stand is ready for; None where nobody was asked.
        notes: What the operator wrote down or answered, each with its time.
        photos: Photographs that came in, each among the notes too.
        causes: What was found where rocks were refused one after another, one sentence each.
        closed: The closing record; None when the test is not closed, or goes on.
        stored: The result that was handed over.
        folders: Where its files were left, but for the logbook's own folder; from that one, or absolute.
        exclusions: What reviewers left out, by number.
        sign_offs: Their signatures.
    """

    started: events.TestStarted | None = None
    started_utc: str = ""
    last_utc: str = ""
    end_s: float = 0.0
    parts: tuple[Part, ...] = (Part(),)
    awaited: Awaited | None = None
    matched: events.MatchedTeethSet | None = None
    build: events.BuildNamed | None = None
    sheets: tuple[tuple[str, events.SheetRead], ...] = ()
    preconditions: Mapping[str, Precondition] = field(default_factory=dict)
    predicted: events.TightSpotPredicted | None = None
    marks: events.MarksCompared | None = None
    open: Mapping[int, Target] = field(default_factory=dict)
    current: int | None = None
    rocking: bool = False
    cause: events.CauseAsked | None = None
    given_up: tuple[Target, ...] = ()
    checks: frozenset[int] = frozenset()
    asked: int = 0
    rolled: frozenset[Purpose] = frozenset()
    accepted: Mapping[int, events.RockAccepted] = field(default_factory=dict)
    typed: Mapping[int, tuple[events.RockTyped, ...]] = field(default_factory=dict)
    newest: events.RockAccepted | None = None
    last_accepted: Target | None = None
    skipped: Mapping[int, events.PositionSkipped] = field(default_factory=dict)
    spared: tuple[int, ...] = ()
    sweeping: bool = False
    sweep: Sweep | None = None
    sweeps: tuple[Shaft, ...] = ()
    swept: Mapping[Shaft, events.SweepRecorded] = field(default_factory=dict)
    passes: tuple[Pass, ...] = ()
    planned_passes: tuple[Pass, ...] = ()
    passed: Mapping[int, events.PassRecorded] = field(default_factory=dict)
    ready_for: events.Readiness | None = None
    notes: tuple[tuple[float, str], ...] = ()
    photos: tuple[events.PhotoTaken, ...] = ()
    causes: tuple[str, ...] = ()
    closed: events.TestClosed | None = None
    stored: StoredResult | None = None
    folders: tuple[str, ...] = ()
    exclusions: Mapping[int, Exclusion] = field(default_factory=dict)
    sign_offs: tuple[SignOff, ...] = ()

    @property
    def mapped(self) -> tuple[events.RockAccepted, ...]:
        """Accepted rocks that count in the lash map, which is of whole engagements."""
        return tuple(one for one in self.accepted.values() if one.purpose not in ROLLED)

    @property
    def review(self) -> str:
        """What reviewers made of its outcome since it ended, in short; empty where it stands.

        Nothing is reckoned here: without a signature for what is left, only that something was taken out.
        """
        signed = self._signed
        if signed is not None:
            found = "" if self.stored is None else self.stored.outcome
            return "" if signed.outcome == found else f"signed as {signed.outcome}"
        return "readings taken out in review" if self._left_out else ""

    @property
    def signed_by(self) -> str:
        """Who signed last for what reviewers left of it; empty when nobody did since it last changed."""
        return "" if self._signed is None else self._signed.by

    @property
    def _signed(self) -> SignOff | None:
        signed = self.sign_offs[-1] if self.sign_offs else None
        return signed if signed is not None and signed.exclusions == self._left_out else None

    @property
    def _left_out(self) -> tuple[int, ...]:
        return tuple(number for number, one in self.exclusions.items() if one.undone is None)

    @property
    def measured_utc(self) -> str:
        """When measuring began: as the sheet says that was typed in, otherwise when the test was started."""
        return self.sheets[0][1].measured_utc if self.sheets else self.started_utc

    @property
    def closing(self) -> str:
        """How it ended, for people."""
        if self.closed is None:
            return NOT_CLOSED
        return "completed" if self.closed.outcome == "completed" else self.reason

    @property
    def reason(self) -> str:
        """Outcome and reason of the closing record; empty without one."""
        return "" if self.closed is None else f"{self.closed.outcome}: {self.closed.reason}"


BEGINNING = Story()


def story_of(stream: Iterable[Stamped], before: Story = BEGINNING) -> Story:
    """The story of a stream of events, which goes on from the one before."""
    return reduce(apply, stream, before)


def apply(story: Story, stamped: Stamped) -> Story:  # noqa: PLR0911 - a line for each group
    """The story with the next event in it; ``story`` itself stays as it is."""
    event = stamped.event
    story = replace(story, last_utc=stamped.utc, end_s=max(story.end_s, stamped.time_s))
    if isinstance(event, Awaited):
        story = replace(story, awaited=event)
    if isinstance(event, events.CourseEvent):
        return _course(story, event, stamped.utc)
    if isinstance(event, events.StandEvent):
        return _stand(story, event)
    if isinstance(event, events.RockEvent):
        return _rock(story, event)
    if isinstance(event, events.CauseEvent):
        return _cause(story, event, stamped.time_s)
    if isinstance(event, events.SweepEvent):
        return _swept(story, event)
    if isinstance(event, events.PassEvent):
        return _passed(story, event)
    if isinstance(event, events.RemarkEvent):
        return _later(story, event, stamped)
    assert_never(event)


def _course(story: Story, event: events.CourseEvent, utc: str) -> Story:
    match event:
        case events.TestStarted(planned=planned, sweeps=sweeps):
            targets = (
                Target(number=number, engagement=engagement, purpose="planned")
                for number, engagement in enumerate(planned, start=1)
            )
            story = replace(story, started=event, started_utc=utc, asked=len(planned), sweeps=sweeps)
            return reduce(_await, targets, story)
        case events.TestResumed(check=check, first_s=first_s):
            # The row of refused rocks ends here, but an open question is asked again.
            story = replace(story, closed=None, given_up=story.given_up if story.cause else ())
            story = replace(story, parts=(*story.parts, Part(first_s=first_s, resumed=event)))
            if check is None:
                return story
            return replace(story, checks=story.checks | {check}, asked=max(story.asked, check))
        case events.CheckedAgain():
            return _in_part(story, checked=event)
        case events.TestClosed():
            return replace(story, closed=event)
        case _:
            assert_never(event)


def _stand(story: Story, event: events.StandEvent) -> Story:
    match event:
        case events.PreconditionsRecorded(preconditions=recorded):
            return replace(story, preconditions=reduce(_worst, recorded, story.preconditions))
        case events.MatchedTeethSet():
            return _in_part(replace(story, matched=event), matched=event)
        case events.BuildNamed():
            return replace(story, build=event)
        case events.SheetRead():
            return replace(story, sheets=(*story.sheets, (story.last_utc, event)))
        case events.MarksCompared():  # the last one holds: nobody is asked again after a disproof
            return replace(story, marks=event)
        case (
            events.CautionsConfirmed()
            | events.InstrumentHeard()
            | events.InstrumentLost()
            | events.InstrumentBack()
            | events.RecordingPaused()
            | events.RecordingGoesOn()
            | events.MarksAsked()
            | events.CountAsked()
        ):
            return story
        case _:
            assert_never(event)


def _worst(before: Mapping[str, Precondition], one: Precondition) -> Mapping[str, Precondition]:
    """What was not proven once is not proven for the test."""
    known = before.get(one.name)
    if known is not None and _RANK[one.state] < _RANK[known.state]:
        return before
    return {**before, one.name: one}


def _rock(story: Story, event: events.RockEvent) -> Story:  # noqa: PLR0911 - as above
    match event:
        case events.PositionAsked():
            return _asked(story, event)
        case events.RockStarted():
            return replace(story, rocking=True)
        case events.RockTyped(number=number):
            before = (one for one in story.typed.get(number, ()) if one.attempt == event.attempt)
            return replace(story, typed={**story.typed, number: (*before, event)})
        case events.RockRefused(number=number, reasons=reasons):
            story = replace(story, rocking=False)
            if number not in story.open:
                return story
            again = replace(story.open[number], attempt=event.attempt + 1, reason="; ".join(reasons))
            return _await(story, again)
        case events.RockAccepted(number=number):
            story = _in_part(_settled(story, number), rocks=story.parts[-1].rocks + 1)
            return replace(
                story,
                accepted={**story.accepted, number: event},
                newest=event,
                last_accepted=_target(event),
                skipped=_without(story.skipped, number),
                given_up=(),
            )
        case events.PositionSkipped(number=number):
            accepted = _without(story.accepted, number)
            newest = story.newest
            if newest is not None and newest.number == number:
                newest = next(reversed(accepted.values()), None)
            skipped = {**story.skipped, number: event}
            story = replace(story, given_up=_given_up(story, event))
            return replace(_settled(story, number), accepted=accepted, newest=newest, skipped=skipped)
        case events.PositionsSpared(numbers=numbers):
            return replace(reduce(_settled, numbers, story), spared=(*story.spared, *numbers))
        case events.TightSpotPredicted(ask=ask):
            targets = (
                Target(number=number, engagement=engagement, purpose="confirming")
                for number, engagement in enumerate(ask, start=story.asked + 1)
            )
            return reduce(_await, targets, replace(story, predicted=event, asked=story.asked + len(ask)))
        case _:
            assert_never(event)


def _asked(story: Story, event: events.PositionAsked) -> Story:
    story = replace(story, current=event.number, rocking=False)
    if event.purpose in ROLLED:  # numbered when they are asked for, confirming ones when they are predicted
        rolled, asked = story.rolled | {event.purpose}, max(story.asked, event.number)
        story = replace(story, rolled=rolled, asked=asked)
    if event.number in story.accepted:
        story = replace(story, last_accepted=None)  # as the sequence does when it repeats one
    return _await(story, _target(event, event.reason))


def _cause(story: Story, event: events.CauseEvent, time_s: float) -> Story:
    match event:
        case events.CauseAsked():
            return replace(story, cause=event)
        case events.CauseAnswered():
            note = cause_note(event)
            sentence = f"{note.rstrip('.')}."
            story = replace(story, notes=(*story.notes, (time_s, note)), causes=(*story.causes, sentence))
            again = (after_all(one) for one in story.given_up if one.number in event.again)
            return replace(reduce(_await, again, story), cause=None, given_up=())
        case _:
            assert_never(event)


def _swept(story: Story, event: events.SweepEvent) -> Story:
    story = replace(story, sweeping=True)
    match event:
        case events.SweepAsked(member=member, attempt=attempt, reason=reason):
            if attempt == 1 and member in story.sweeps:
                story = replace(story, sweeps=story.sweeps[story.sweeps.index(member) + 1 :])
            return replace(story, sweep=Sweep(member=member, attempt=attempt, reason=reason))
        case events.SweepRecorded(member=member):
            return replace(story, sweep=None, swept={**story.swept, member: event})
        case events.SweepRefused(reasons=reasons, attempt=attempt):
            if story.sweep is None or SKIPPED in reasons:
                return replace(story, sweep=None)
            return replace(story, sweep=replace(story.sweep, attempt=attempt))
        case _:
            assert_never(event)


def _passed(story: Story, event: events.PassEvent) -> Story:  # noqa: PLR0911 - as above
    match event:
        case events.PassesPlanned(passes=planned):
            passes = passes_of(planned)
            return replace(story, passes=passes, planned_passes=passes, passed={})
        case events.ReadyAsked():
            return story
        case events.ReadyConfirmed(what=what):
            return replace(story, ready_for=what)
        case events.PassAsked(number=number, attempt=attempt, reason=reason):
            if event.most_deg_per_s is not None and all(one.number != number for one in story.passes):
                slower = Pass(
                    number=number, direction=event.direction, most_deg_per_s=event.most_deg_per_s
                )  # that nobody planned
                story = replace(story, passes=(*story.passes, slower))
            asked = (
                replace(one, attempt=attempt, reason=reason) if one.number == number else one
                for one in story.passes
            )
            return replace(story, passes=tuple(asked))
        case events.PassRecorded(number=number):
            left = tuple(one for one in story.passes if one.number != number)
            return replace(story, passes=left, passed={**story.passed, number: event})
        case events.PassRefused(number=number, reasons=reasons):
            if SKIPPED not in reasons and not any(reason.startswith(GIVEN_UP) for reason in reasons):
                return story
            return replace(story, passes=tuple(one for one in story.passes if one.number != number))
        case _:
            assert_never(event)


def passes_of(planned: Iterable[events.PlannedPass]) -> tuple[Pass, ...]:
    """The planned passes, numbered."""
    return tuple(
        Pass(number=number, direction=one.direction, brake_nm=one.brake_nm)
        for number, one in enumerate(planned, start=1)
    )


def _later(story: Story, event: events.RemarkEvent, stamped: Stamped) -> Story:  # noqa: PLR0911 - as above
    match event:
        case events.NoteTaken(text=text):
            return replace(story, notes=(*story.notes, (stamped.time_s, text)))
        case events.PhotoTaken():
            noted = (stamped.time_s, photo_note(event))
            return replace(story, photos=(*story.photos, event), notes=(*story.notes, noted))
        case events.ResultStored():
            return replace(story, stored=_stored(event, stamped.utc))
        case events.FilesLeft(folder=folder):
            return replace(story, folders=(*story.folders, folder))
        case events.ResultAnnounced():
            return story
        case events.PositionExcluded(exclusion=number):
            # Two reviewers at once may have taken the same number: neither exclusion may be lost.
            number = max(story.exclusions) + 1 if number in story.exclusions else number
            out = replace(_exclusion(event, stamped.utc), number=number)
            return replace(story, exclusions={**story.exclusions, number: out})
        case events.ExclusionUndone(exclusion=number, reason=reason, by=by):
            if number not in story.exclusions:
                return story
            back = replace(story.exclusions[number], undone=(by, stamped.utc, reason))
            return replace(story, exclusions={**story.exclusions, number: back})
        case events.SignedOff():
            return replace(story, sign_offs=(*story.sign_offs, _signature(event, stamped.utc)))
        case _:
            assert_never(event)


def after_all(target: Target) -> Target:
    """A position that was left out, as it is asked for once more."""
    return replace(target, attempt=target.attempt + 1, reason=AFTER_ALL)


def cause_note(event: events.CauseAnswered) -> str:
    """An answer in a sentence, the same in the record, on screens and in reports."""
    what = event.words or FOUND[event.cause]
    again = ""
    if event.again:
        numbers = ", ".join(map(str, event.again))
        again = f"; asked for after all: position{'s' if len(event.again) > 1 else ''} {numbers}"
    row = f"{event.refused} rocks in a row were refused, the last at position {event.number}"
    return f"{row}; found: {what}{again}"


def photo_name(event: events.PhotoTaken) -> str:
    """Name a photograph and what it shows."""
    shows = f": {event.words}" if event.words else ""
    return f"photograph {event.number}{shows}"


def photo_note(event: events.PhotoTaken) -> str:
    """A photograph as it stands in record and report, known by its digest."""
    return f"{photo_name(event)} ({event.size} bytes, SHA-256 {event.sha256})"


def _given_up(story: Story, event: events.PositionSkipped) -> tuple[Target, ...]:
    """What was left out in this row of refused rocks; a person who leaves something out ends the row."""
    if event.reason == SKIPPED:
        return ()
    target = story.open.get(event.number)
    return story.given_up if target is None else (*story.given_up, target)


def _await(story: Story, target: Target) -> Story:
    if target.number in story.checks:
        return story
    return replace(story, open={**story.open, target.number: target})


def _settled(story: Story, number: int) -> Story:
    current = None if story.current == number else story.current
    return replace(story, open=_without(story.open, number), current=current, rocking=False)


def _target(event: events.PositionAsked | events.RockAccepted, reason: str = "") -> Target:
    return Target(
        number=event.number,
        engagement=event.engagement,
        purpose=event.purpose,
        attempt=event.attempt,
        reason=reason,
    )


def _in_part(story: Story, **found: object) -> Story:
    return replace(story, parts=(*story.parts[:-1], replace(story.parts[-1], **found)))  # type: ignore[arg-type]  # its fields


def _without(some: Mapping[_Key, _Value], key: _Key) -> dict[_Key, _Value]:
    return {one: value for one, value in some.items() if one != key}


def _stored(result: events.ResultStored, utc: str) -> StoredResult:
    values = dict(vars(result))
    interval_mm = _interval(values.pop("low_mm"), values.pop("high_mm"))
    return StoredResult(**values, interval_mm=interval_mm, utc=utc)


def _interval(low_mm: float | None, high_mm: float | None) -> tuple[float, float] | None:
    return None if low_mm is None or high_mm is None else (low_mm, high_mm)


def _exclusion(out: events.PositionExcluded, utc: str) -> Exclusion:
    return Exclusion(
        number=out.exclusion,
        position=out.position,
        reversal=out.reversal,
        window_s=None if out.start_s is None or out.end_s is None else (out.start_s, out.end_s),
        reason=out.reason,
        by=out.by,
        utc=utc,
    )


def _signature(signed: events.SignedOff, utc: str) -> SignOff:
    values = dict(vars(signed))
    interval_mm = _interval(values.pop("low_mm"), values.pop("high_mm"))
    return SignOff(**values, interval_mm=interval_mm, utc=utc)
