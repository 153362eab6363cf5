"""One story under live, resuming, replay, review and list: however it is told, it is the same."""

from __future__ import annotations

import math
import pickle
import sqlite3
from contextlib import closing
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import get_args

import pytest
from daemon.logbook.test_logbook import ONE_OF_EACH
from hypothesis import given, settings
from hypothesis import strategies as st
from lashmap_analysis.record.record import Precondition, Purpose
from lashmap_daemon.sequence.resume import plan
from lashmap_daemon.story import events
from lashmap_daemon.story.events import Stamped
from lashmap_daemon.story.story import (
    AFTER_ALL,
    BEGINNING,
    GIVEN_UP,
    NOT_CLOSED,
    SKIPPED,
    Story,
    Target,
    apply,
    cause_note,
    story_of,
)

GOLDEN = sorted(path.parent.name for path in Path(__file__).parents[2].glob("golden/*/test.logbook"))


@cache
def recorded(name: str) -> tuple[Stamped, ...]:
    """The events of a test of the golden set, as its logbook has them."""
    path = Path(__file__).parents[2] / "golden" / name / "test.logbook"
    with closing(sqlite3.connect(f"file:{path}?immutable=1", uri=True)) as base:
        of_test = "FROM event WHERE test NOT LIKE 'build-%'"  # a build has events of its own
        rows = base.execute(f"SELECT time_s, utc, kind, body {of_test} ORDER BY test, number").fetchall()
        tests = base.execute(f"SELECT count(DISTINCT test) {of_test}").fetchone()
    assert tests == (1,)
    return tuple(
        Stamped(time_s=time_s, utc=utc, event=events.from_json(*event)) for time_s, utc, *event in rows
    )


@cache
def read_anew(name: str) -> tuple[Stamped, ...]:
    """The same events written and read once more, each by itself."""
    return tuple(
        Stamped(time_s=one.time_s, utc=one.utc, event=events.from_json(*events.to_json(one.event)))
        for one in recorded(name)
    )


@cache
def whole(name: str) -> Story:
    """What is known at the end of a golden test."""
    return story_of(recorded(name))


@pytest.mark.parametrize("name", GOLDEN)
@settings(max_examples=30)  # of each of the tests
@given(data=st.data())
def test_told_in_any_pieces_it_is_the_same_and_nothing_earlier_changes(
    name: str, data: st.DataObject
) -> None:
    stream = recorded(name)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=5)))
    story, kept = BEGINNING, list[tuple[Story, bytes]]()
    for first, last in zip([0, *cuts], [*cuts, len(stream)], strict=True):
        kept.append((story, pickle.dumps(story)))
        story = story_of(stream[first:last], story)
    assert story == whole(name)
    assert [pickle.dumps(one) for one, _ in kept] == [before for _, before in kept]


@pytest.mark.parametrize("name", GOLDEN)
@settings(max_examples=30)  # of each of the tests
@given(data=st.data())
def test_a_test_that_goes_on_from_its_record_goes_on_from_where_it_stood(
    name: str, data: st.DataObject
) -> None:
    """What a running test knows and what a new process reads from the first events of its record."""
    stream = recorded(name)
    cut = data.draw(st.integers(1, len(stream)))
    live = BEGINNING
    for stamped in stream[:cut]:
        live = apply(live, stamped)
    read = story_of(read_anew(name)[:cut])
    assert read == live
    assert plan(read, end_s=read.end_s, tries=3) == plan(live, end_s=live.end_s, tries=3)
    assert story_of(stream[cut:], read) == whole(name)


def test_every_kind_of_event_has_its_place_and_most_leave_a_trace() -> None:
    seen: dict[str, bool] = {}
    for event in (*ONE_OF_EACH, *(one.event for name in GOLDEN for one in recorded(name))):
        after = apply(BEGINNING, Stamped(time_s=0.0, utc="", event=event))
        kind = type(event).__name__
        seen[kind] = seen.get(kind, False) or after != BEGINNING
    assert set(seen) == {kind.__name__ for kind in get_args(events.Event)}
    # What ends something, or is for the record alone, changes nothing by itself.
    assert {kind for kind, changes in seen.items() if not changes} == {
        "CautionsConfirmed",
        "ExclusionUndone",
        "InstrumentBack",
        "InstrumentHeard",
        "PassRefused",  # of a pass that was not planned
        "RecordingGoesOn",
        "ResultAnnounced",
        "RockRefused",
    }


def at(time_s: float, event: events.Event) -> Stamped:
    return Stamped(time_s=time_s, utc=f"2026-11-25T08:00:{time_s:02.0f}Z", event=event)


def test_a_closed_test_is_open_again_when_it_goes_on() -> None:
    closed = events.TestClosed(outcome="failed", reason="the encoder is gone")
    ended = story_of([at(3, closed)])
    assert ended.closing == "failed: the encoder is gone"
    resumed = events.TestResumed(operator="Ada", version="0", first_s=4.0, gap_s=1.0)
    on = apply(ended, at(4, resumed))
    assert on.closing == NOT_CLOSED
    assert [part.first_s for part in on.parts[1:]] == [4.0]


def asked(number: int, **changed: object) -> events.PositionAsked:
    first = events.PositionAsked(
        number=number, engagement=10 * number, gear_angle_deg=0.0, turn_teeth=0, turn_deg=0.0,
        purpose="planned", attempt=1, reason="",
    )  # fmt: skip
    return replace(first, **changed)  # type: ignore[arg-type] # as named


def good(number: int, **changed: object) -> events.RockAccepted:
    first = events.RockAccepted(
        number=number, engagement=10 * number, purpose="planned", attempt=1, start_s=0.0, end_s=1.0,
        reading_mm=0.1, normal_backlash_mm=0.1, standard_uncertainty_mm=0.001, reversals=8, flags=(),
    )  # fmt: skip
    return replace(first, **changed)  # type: ignore[arg-type] # as named


def refused(number: int, attempt: int = 1) -> events.RockRefused:
    return events.RockRefused(
        number=number, engagement=10 * number, attempt=attempt, start_s=0.0, end_s=1.0, reasons=("a", "b")
    )


def skipped(number: int, reason: str = "given up after 3 tries") -> events.PositionSkipped:
    return events.PositionSkipped(number=number, engagement=10 * number, reason=reason)


def resumed(check: int | None = None) -> events.TestResumed:
    return events.TestResumed(
        operator="Ada", version="0", first_s=9.0, gap_s=1.0, check=check, check_of=check and 1
    )


def told(*happened: events.Event) -> Story:
    """A test of three planned positions and two sweeps, to which that happened, a second each."""
    start = next(one.event for one in recorded(GOLDEN[0]) if isinstance(one.event, events.TestStarted))
    stream = [replace(start, planned=(10, 20, 30), sweeps=("gear", "pinion")), *happened]
    return story_of(at(float(number), event) for number, event in enumerate(stream))


def seen(story: Story) -> tuple[set[int], set[int], set[int]]:
    """Numbers of the positions that are open, accepted and left out."""
    return set(story.open), set(story.accepted), set(story.skipped)


def test_a_position_is_open_until_it_is_accepted_or_left_out_after_it_was_asked_for_last() -> None:
    assert seen(told()) == ({1, 2, 3}, set(), set())
    assert (told().asked, told().end_s, told().sweeps) == (3, 0.0, ("gear", "pinion"))
    one = told(asked(1), events.RockStarted(number=1, engagement=10, start_s=1.0))
    assert (one.current, one.rocking) == (1, True)
    again = told(asked(1), events.RockStarted(number=1, engagement=10, start_s=1.0), refused(1))
    assert (again.current, again.rocking) == (1, False)
    assert (again.open[1].attempt, again.open[1].reason) == (2, "a; b")
    done = told(asked(1), good(1))
    assert seen(done) == ({2, 3}, {1}, set())
    assert (done.current, done.newest, done.parts[-1].rocks) == (None, good(1), 1)
    assert done.last_accepted is not None
    assert (done.last_accepted.number, done.last_accepted.engagement) == (1, 10)
    assert seen(told(asked(1), good(1), asked(1, attempt=2))) == ({1, 2, 3}, {1}, set())
    assert told(asked(1), good(1), asked(1, attempt=2)).last_accepted is None  # as the sequence does
    assert seen(told(asked(1), good(1), asked(1), skipped(1))) == ({2, 3}, set(), {1})
    assert seen(told(asked(1), skipped(1), asked(1), good(1))) == ({2, 3}, {1}, set())
    both = told(good(1), good(2))
    assert told(good(1), good(2), skipped(2)).newest == good(1)  # the one before it is the newest again
    assert told(good(1), good(2), skipped(1)).newest == good(2)
    assert (both.newest, both.parts[-1].rocks) == (good(2), 2)
    spared = told(good(1), events.PositionsSpared(numbers=(2, 3)))
    assert (seen(spared), spared.spared) == ((set(), {1}, set()), (2, 3))
    # another position than the one asked for leaves that one asked for
    assert told(asked(2), good(1)).current == 2


def test_confirming_and_rolled_positions_are_numbered_when_they_are_known() -> None:
    spot = events.TightSpotPredicted(
        engagement=0, gear_angle_deg=0.0, normal_backlash_mm=0.1, low_mm=0.1, high_mm=0.1, ask=(70, 80)
    )
    found = told(spot)
    assert {number: (one.engagement, one.purpose) for number, one in found.open.items() if number > 3} == {
        4: (70, "confirming"), 5: (80, "confirming"),
    }  # fmt: skip
    assert found.asked == 5
    rolled = told(spot, asked(6, purpose="third back"))
    assert (set(rolled.rolled), rolled.asked) == ({"third back"}, 6)
    assert told(asked(2)).asked == 3
    places = {
        purpose: Target(number=1, engagement=10, purpose=purpose).place for purpose in get_args(Purpose)
    }
    # a third of a pitch to either side of the whole engagement
    assert places == pytest.approx(
        {"planned": 10, "confirming": 10, "third back": 10 - 1 / 3, "third forward": 10 + 1 / 3}
    )
    assert found.mapped == ()
    counts = told(good(1), good(6, purpose="third back"))
    assert [one.number for one in counts.mapped] == [1]


def test_a_row_of_refused_rocks_ends_with_a_good_one_a_skip_of_the_operator_or_the_answer() -> None:
    row = (asked(1), refused(1), skipped(1), asked(2), refused(2), skipped(2))
    assert [one.number for one in told(*row).given_up] == [1, 2]
    assert told(*row, asked(3), good(3)).given_up == ()
    assert told(*row, asked(3), skipped(3, SKIPPED)).given_up == ()
    question = events.CauseAsked(number=2, engagement=20, refused=6, choices=())
    waiting = told(*row, question)
    assert waiting.cause == question
    answer = events.CauseAnswered(number=2, refused=6, cause="tip", words="", again=(2,))
    found = told(*row, question, answer)
    assert (found.cause, found.given_up) == (None, ())
    assert set(found.open) == {2, 3}
    assert (found.open[2].attempt, found.open[2].reason) == (3, AFTER_ALL)
    sentence = (
        "6 rocks in a row were refused, the last at position 2; found: the tip, its holder or the base "
    )
    sentence += "was loose; asked for after all: position 2"
    assert found.notes == ((8.0, sentence),)
    assert found.causes == (f"{sentence}.",)
    assert cause_note(replace(answer, again=(1, 2), words="oil")).endswith("found: oil; asked for after all: "
        "positions 1, 2")  # fmt: skip
    # whoever goes on begins a new row, unless the question is still open
    assert told(*row, resumed()).given_up == ()
    assert [one.number for one in told(*row, question, resumed()).given_up] == [1, 2]


def test_a_rock_that_checks_a_resumption_is_extra() -> None:
    going = told(good(1), resumed(check=4))
    assert (set(going.checks), going.asked) == ({4}, 4)
    assert seen(going) == ({2, 3}, {1}, set())
    assert told(good(1), resumed(check=2)).asked == 3
    assert told(good(1), resumed()).checks == frozenset()
    assert seen(told(good(1), resumed(check=4), asked(4))) == ({2, 3}, {1}, set())
    done = told(good(1), resumed(check=4), asked(4), good(4))
    assert seen(done) == ({2, 3}, {1, 4}, set())
    assert [(one.first_s, one.rocks) for one in done.parts] == [(-math.inf, 1), (9.0, 1)]


def test_of_several_states_of_a_precondition_the_worst_holds() -> None:
    def state(*states: str) -> str:
        found = [
            events.PreconditionsRecorded(
                preconditions=(Precondition(name="bearings", state=one, detail=one),)  # type: ignore[arg-type] # as named
            )
            for one in states
        ]
        return told(*found).preconditions["bearings"].state

    assert state("proven") == "proven"
    assert state("failed", "unproven", "proven") == "failed"
    assert state("proven", "unproven") == "unproven"
    assert state("unproven", "failed", "proven") == "failed"
    assert state("unproven", "proven") == "unproven"


def test_the_newest_try_of_a_typed_rock_counts() -> None:
    def typed(attempt: int, first_mm: float) -> events.RockTyped:
        return events.RockTyped(
            number=1, engagement=10, attempt=attempt, typed="x", first_mm=first_mm, other_mm=0.3
        )

    found = told(typed(1, 0.1), typed(1, 0.11), typed(2, 0.2), typed(2, 0.21))
    assert [one.first_mm for one in found.typed[1]] == [0.2, 0.21]


def test_sweeps_are_taken_in_order_and_one_that_is_skipped_is_over() -> None:
    first = events.SweepAsked(member="gear", turns=2, attempt=1, reason="")
    assert not told().sweeping
    asked_for = told(first)
    assert (asked_for.sweeping, asked_for.sweeps) == (True, ("pinion",))
    assert asked_for.sweep is not None
    assert asked_for.sweep.member == "gear"
    last = replace(first, member="pinion")
    assert told(last).sweeps == ()
    assert told(first, replace(first, attempt=2)).sweeps == ("pinion",)
    again = told(first, events.SweepRefused(member="gear", attempt=2, reasons=("too fast",))).sweep
    assert again is not None
    assert again.attempt == 2
    over = events.SweepRefused(member="gear", attempt=1, reasons=(SKIPPED,))
    assert told(first, over).sweep is None
    kept = events.SweepRecorded(member="gear", start_s=0.0, end_s=1.0, fim_mm=0.01, fim_uncertainty_mm=0.001)
    assert (told(first, kept).sweep, told(first, kept).swept) == (None, {"gear": kept})


def test_a_pass_is_over_when_it_was_recorded_skipped_or_given_up() -> None:
    planned = events.PassesPlanned(
        passes=(events.PlannedPass(direction="forward"), events.PlannedPass(direction="back", brake_nm=0.5))
    )
    assert [(one.number, one.direction, one.brake_nm) for one in told(planned).passes] == [
        (1, "forward", None), (2, "back", 0.5),
    ]  # fmt: skip
    again = told(planned, events.PassAsked(
        number=2, direction="back", engagements=9, attempt=2, reason="a gap", other_speed=False
    ))  # fmt: skip
    assert [(one.number, one.attempt, one.reason) for one in again.passes] == [(1, 1, ""), (2, 2, "a gap")]
    kept = events.PassRecorded(
        number=1, direction="forward", attempt=1, start_s=0.0, end_s=1.0, brake_nm=None, engagements=9,
        pinion_deg_per_s=90.0,
    )  # fmt: skip
    assert [one.number for one in told(planned, kept).passes] == [2]
    assert told(planned, kept).passed == {1: kept}
    assert told(planned, kept, planned).passed == {}
    for reason, left in (("a gap", [1, 2]), (SKIPPED, [2]), (f"{GIVEN_UP} 3 tries", [2])):
        over = events.PassRefused(number=1, direction="forward", attempt=1, reasons=("x", reason))
        assert [one.number for one in told(planned, over).passes] == left


def test_what_reviewers_did_is_kept_and_what_they_undid_is_back() -> None:
    def out(number: int, **changed: object) -> events.PositionExcluded:
        first = events.PositionExcluded(
            exclusion=number, position=2, reversal=None, start_s=None, end_s=None, reason="bumped", by="R"
        )
        return replace(first, **changed)  # type: ignore[arg-type] # as named

    def signed(*exclusions: int, outcome: str = "not proven") -> events.SignedOff:
        return events.SignedOff(
            by="S", analysis_version="0", outcome=outcome, recorded_outcome="not proven", remark="",
            exclusions=exclusions, engagement=None, normal_backlash_mm=None, low_mm=0.1, high_mm=0.2,
        )  # fmt: skip

    stored = events.ResultStored(
        analysis_version="0", outcome="not proven", engagement=None, normal_backlash_mm=None, low_mm=None,
        high_mm=0.2, confirmed=False, positions=2, usable=1,
    )  # fmt: skip
    back = events.ExclusionUndone(exclusion=1, reason="it was not", by="R")
    assert told(stored).stored is not None
    assert told(stored).stored.interval_mm is None  # type: ignore[union-attr] # as above
    assert (told(stored).review, told(stored).signed_by) == ("", "")
    taken = told(stored, out(1, start_s=0.0, end_s=1.5, reversal=3))
    assert (taken.review, taken.exclusions[1].window_s) == ("readings taken out in review", (0.0, 1.5))
    assert told(out(1)).exclusions[1].window_s is None
    assert told(stored, out(1), back).review == ""
    assert told(stored, back).exclusions == {}
    # two reviewers at once may have taken one number
    assert [one.number for one in told(out(1), out(1), out(1)).exclusions.values()] == [1, 2, 3]
    for_less = told(stored, out(1), signed(1, outcome="conforming"))
    assert (for_less.review, for_less.signed_by) == ("signed as conforming", "S")
    assert for_less.sign_offs[0].interval_mm == (0.1, 0.2)
    assert told(stored, out(1), signed(1)).review == ""
    since = told(stored, signed(), out(1))
    assert (since.review, since.signed_by) == ("readings taken out in review", "")


def test_how_a_test_ended_and_when_it_was_measured() -> None:
    done = events.TestClosed(outcome="completed", reason="all positions done")
    assert (told(done).closing, told(done).reason) == ("completed", "completed: all positions done")
    assert (told().closing, told().reason) == (NOT_CLOSED, "")
    assert told().measured_utc == "2026-11-25T08:00:00Z"
    sheet = events.SheetRead(sheet="3F", measured_utc="2026-11-20T09:30:00Z", measured_by="G", typed_by="Z")
    assert told(sheet).measured_utc == "2026-11-20T09:30:00Z"
    assert told(sheet).sheets == (("2026-11-25T08:00:01Z", sheet),)
    later = replace(sheet, measured_utc="2026-11-21T09:30:00Z")
    assert told(sheet, later).measured_utc == sheet.measured_utc
    photo = events.PhotoTaken(number=2, words="heel", size=3, sha256="0" * 64, channel="photo 2")
    assert told(photo).notes == ((1.0, f"photograph 2: heel (3 bytes, SHA-256 {'0' * 64})"),)
    assert told(replace(photo, words="")).notes[0][1].startswith("photograph 2 (")
    # what came in late is no end
    assert story_of([at(5.0, done), at(3.0, photo)]).end_s == 5.0
