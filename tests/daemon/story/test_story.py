"""One story under live, resuming, replay, review and list: however it is told, it is the same."""

from __future__ import annotations

import pickle
import sqlite3
from contextlib import closing
from functools import cache
from pathlib import Path
from typing import get_args

import pytest
from daemon.logbook.test_logbook import ONE_OF_EACH
from hypothesis import given, settings
from hypothesis import strategies as st
from lashmap_daemon.sequence.resume import plan
from lashmap_daemon.story import events
from lashmap_daemon.story.events import Stamped
from lashmap_daemon.story.story import BEGINNING, NOT_CLOSED, Story, apply, story_of

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
