"""Going on with a test that ended early: which one, whether it may, from where, and the check afterwards.

A test that was completed is never reopened. Box and stand must be those of its start record. Time inside the
test goes on a second after its last recorded moment, whatever the clock says; the gap is kept beside it. How
the marked teeth are found again is decided in `testing.opening`.

The last accepted position is measured again first, unless nothing was accepted or only sweeps are left, for
which the indicator sits elsewhere. The same engagement brings the same two teeth together, so single tooth
errors and runout cancel: what is left is the uncertainty of two readings, the step of the indicator, and what
a new placing of tip and gear does. The angle at which the tip meets its tooth shows a reference that is off
by a part of a tooth; one that is off by whole teeth shows in the lash, where runout and tooth errors differ.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass, replace
from pathlib import Path

from lashmap_analysis.record.record import ROLLED

from lashmap_daemon.errors import LashmapError
from lashmap_daemon.logbook.check import check_rows
from lashmap_daemon.logbook.logbook import Logbook, stamped_of
from lashmap_daemon.sequence import sequence
from lashmap_daemon.sequence.sequence import Phase, State, Step
from lashmap_daemon.setup.same import differences, with_changes
from lashmap_daemon.story import events
from lashmap_daemon.story.marks import precondition
from lashmap_daemon.story.recorded import HandSetup, Setup
from lashmap_daemon.story.story import Story, Target, story_of

_COVERAGE = 3.0  # of the readings' standard uncertainties: few reversals have long tails
PLACING_MM = 0.001  # tip and gear placed anew, normal backlash (common practice, no source)
_PLACING_PITCH = 1.0 / 16.0  # of a tooth: the tip must come down on the same flank to give a reading at all


def compare(
    before: events.RockAccepted,
    again: events.RockAccepted,
    *,
    resolution_mm: float,
    pitch_deg: float,
    same_reference: bool,
) -> events.CheckedAgain:
    """Two rocks at one engagement, before and after.

    Args:
        before: As accepted before the interruption.
        again: As accepted now.
        resolution_mm: Of the indicator, as normal backlash.
        pitch_deg: One gear tooth.
        same_reference: The matched-teeth reference was carried over; one that was set anew may lie a part of
            a tooth elsewhere without anything being wrong.
    """
    uncertainty_mm = math.hypot(before.standard_uncertainty_mm, again.standard_uncertainty_mm)
    apart_deg = None
    if same_reference and before.gear_deg is not None and again.gear_deg is not None:
        apart_deg = again.gear_deg - before.gear_deg
    return events.CheckedAgain(
        number=again.number,
        of=before.number,
        difference_mm=again.normal_backlash_mm - before.normal_backlash_mm,
        allowed_mm=_COVERAGE * uncertainty_mm + resolution_mm + PLACING_MM,
        difference_deg=apart_deg,
        allowed_deg=_PLACING_PITCH * pitch_deg,
    )


_BROKEN_OFF = "the test was broken off"
OF_A_SHEET = ("temperature.housing_c", "temperature.gears_c")  # keys of a box whose values a sheet may give
AFTER_S = 1.0  # so long after its last recorded moment a test goes on, in its own time


class ResumeError(LashmapError):
    """A test cannot go on."""


@dataclass(frozen=True, kw_only=True)
class Resumption:
    """What a conductor needs to go on with a test.

    Attributes:
        first_s: From when on its time counts, on a whole microsecond.
        step: First state and actions.
        story: How far it came.
        check: The position that is measured again first.
        check_of: The accepted rock that it repeats.
        same_reference: The matched-teeth reference is carried over.
    """

    first_s: float
    step: Step
    story: Story
    check: Target | None
    check_of: events.RockAccepted | None
    same_reference: bool = True


@dataclass(frozen=True, kw_only=True)
class Unfinished:
    """A test that may go on with the files of today.

    ``started`` is its start record with what may differ taken from the files of today, ``recorded`` as it is
    kept; ``changed`` says what differs.
    """

    test: str
    started: events.TestStarted
    recorded: events.TestStarted
    changed: tuple[str, ...]
    resumption: Resumption

    @property
    def matched(self) -> events.MatchedTeethSet | None:
        """The reference that held last."""
        return self.resumption.story.matched

    @property
    def state_text(self) -> str:
        """How far it came, for the person."""
        count = len(self.resumption.story.accepted)
        check = self.resumption.check_of
        first = f"; position {check.number} is measured again first, as a check" if check else ""
        return f"{count} {'position' if count == 1 else 'positions'} accepted{first}"

    def resumed(
        self, *, operator: str, version: str, now: dt.datetime, encoder_moved_deg: float | None
    ) -> events.TestResumed:
        """The event that says so."""
        check, of = self.resumption.check, self.resumption.check_of
        return events.TestResumed(
            operator=operator,
            version=version,
            first_s=self.resumption.first_s,
            gap_s=(now - dt.datetime.fromisoformat(self.resumption.story.last_utc)).total_seconds(),
            check=None if check is None else check.number,
            check_of=None if of is None else of.number,
            encoder_moved_deg=encoder_moved_deg,
            changed=self.changed,
        )


def find_unfinished(logbook: Logbook, test: str | None, serial: str) -> str:
    """Which test goes on: the named one, or the newest of this box that was not completed.

    Raises:
        ResumeError: When there is none, or the named one is unknown or completed.
    """
    known = {summary.test: summary for summary in logbook.tests()}
    unfinished = [name for name, summary in known.items() if not summary.closing.startswith("completed")]
    if test is not None:
        if test not in known:
            raise ResumeError(f"{logbook.path}: no test {test}. {_listed(unfinished)}")
        if test not in unfinished:
            raise ResumeError(
                f"{logbook.path}: test {test} was completed, so there is nothing to go on with; "
                "begin a new test"
            )
        return test
    of_box = [name for name in unfinished if known[name].serial == serial]
    if not of_box:
        raise ResumeError(f"{logbook.path}: no unfinished test of box {serial}. {_listed(unfinished)}")
    return of_box[-1]


def started_and_unfinished(path: Path, test: str) -> tuple[events.TestStarted, Story]:
    """How a test began and how far it came, when its record allows that it goes on.

    Raises:
        ResumeError: When it does not.
        LogbookError: When it cannot be read.
    """
    rows, check = check_rows(path, test)
    if check.problems:
        raise ResumeError(
            f"{path}: test {test} is not as it was written ({check.problems[0]}), so it would be "
            "judged neither way however it went on. Begin a new test; see what is wrong with: "
            f"lashmap verify {test} --logbook {path}"
        )
    story = story_of(stamped_of(row, path) for row in rows)
    if story.started is None:
        raise ResumeError(f"{path}: test {test} has no start record, so it is not known what it tested")
    if story.closed is not None and story.closed.outcome == "completed":
        raise ResumeError(f"{path}: test {test} was completed; begin a new test")
    if story.marks is not None and story.marks.agrees is False and story.marks.last:
        found = precondition(story.marks)
        raise ResumeError(
            f"test {test} cannot go on: {found.detail}. {found.remedy} What was recorded is kept."
        )
    return story.started, story


def may_go_on(path: Path, test: str) -> bool:
    """Whether the record of a test allows that it goes on; samples and files of today are not asked."""
    try:
        started_and_unfinished(path, test)
    except LashmapError:
        return False
    return True


def take_up(
    logbook: Logbook, test: str, today: Setup | HandSetup, *, measured_now: bool = True
) -> Unfinished:
    """Read how far a test came, and see that box and stand are the same.

    The rest of a sheet that is typed in is not measured now, and needs no position measured again.

    Raises:
        ResumeError: When they are not, naming the keys; or when the test cannot go on.
        LogbookError: When it cannot be read.
    """
    recorded, story = started_and_unfinished(logbook.path, test)
    keys = () if story.build is None else story.build.keys
    keys = (*keys, *(OF_A_SHEET if story.sheets else ()))
    different, changed = differences(today, recorded.setup, from_build=keys)
    if different:
        raise ResumeError(
            f"test {test} cannot go on with these files; since it began, these have changed:",
            *(f"  {line}" for line in different),
            "Give the files it began with, or begin a new test.",
        )
    started = replace(recorded, setup=replace(today, box=with_changes(today.box, recorded.box)))
    return Unfinished(
        test=test,
        started=started,
        recorded=recorded,
        changed=changed,
        resumption=plan(
            story, end_s=logbook.end_s(test), tries=started.box.plan.tries, measured_now=measured_now
        ),
    )


def plan(story: Story, *, end_s: float, tries: int, measured_now: bool = True) -> Resumption:
    """From where a test goes on; `measured_now` as of `take_up`."""
    # With passes to come the box turns before anything is rocked, so that a check would say nothing.
    of = None if story.sweeping or story.passes or not measured_now else story.newest
    if of is not None and of.purpose in ROLLED:  # it is repeated at a whole engagement, as all are compared
        of = max(story.mapped, key=lambda one: one.end_s, default=None)
    check = None
    if of is not None:
        check = Target(
            number=story.asked + 1,
            engagement=of.engagement,
            purpose="planned",
            reason=f"check: position {of.number} again",
        )
    return Resumption(
        first_s=math.ceil((end_s + AFTER_S) * 1e6) / 1e6,
        step=sequence.resume(_state(story, tries), check=check, sweeping=story.sweeping),
        story=story,
        check=check,
        check_of=of,
    )


def _state(story: Story, tries: int) -> State:
    """In no phase yet, the position asked for last first in the queue."""
    order = sorted(story.open, key=lambda number: (number != story.current, number))
    queue = [story.open[number] for number in order]
    if queue and story.rocking and queue[0].number == story.current:
        queue[0] = replace(queue[0], attempt=queue[0].attempt + 1, reason=_BROKEN_OFF)
    sweep, cause = story.sweep, story.cause
    stuck = None
    if cause is not None:  # nothing is measured before somebody answered it
        missed = Target(number=cause.number, engagement=cause.engagement, purpose="planned")
        stuck = story.open.get(cause.number, missed)
    return State(
        phase=Phase.PREDICTING,
        target=None,
        queue=tuple(queue),
        last_accepted=story.last_accepted,
        asked=story.asked,
        tries=tries,
        turn=None if sweep is None else replace(sweep, attempt=sweep.attempt + 1, reason=_BROKEN_OFF),
        sweeps=story.sweeps,
        marks_seen=story.marks is not None and bool(story.marks.agrees),
        refused=0 if cause is None else cause.refused,
        given_up=() if cause is None else story.given_up,
        stuck=stuck,
        passes=story.passes,
        planned_passes=story.planned_passes,
        # The box turned, and nobody said since that it is locked out and can be rocked.
        ready_for="rock" if story.ready_for == "turn" and not story.passes else None,
    )


def _listed(unfinished: list[str]) -> str:
    if not unfinished:
        return "No test in it is unfinished; begin a new one."
    return f"Unfinished are: {', '.join(unfinished[-5:])}."
