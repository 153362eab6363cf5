"""The outbox and what empties it, without a network."""

from __future__ import annotations

import asyncio
import contextlib
import random
import sqlite3
from pathlib import Path

import pytest
from lashmap_daemon.bus import outbox
from lashmap_daemon.bus.connection import MOST_IN_FLIGHT
from lashmap_daemon.bus.messages import Outgoing
from lashmap_daemon.bus.outbox import Outbox
from lashmap_daemon.bus.publisher import BackOff
from lashmap_daemon.bus.records import Records
from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.story import events
from lashmap_daemon.story.events import ResultAnnounced

TOPIC = "lashmap/bench-1"
COUNT = 137


def skipped(number: int) -> events.Stamped:
    event = events.PositionSkipped(number=number, engagement=number, reason="prüfung \x1b \u2028 {}")
    return events.Stamped(time_s=number + 0.1, utc="2026-11-25T08:00:00Z", event=event)


@pytest.fixture
def book(tmp_path: Path) -> Path:
    """A logbook of two enrolled tests and one that is nobody's business."""
    path = tmp_path / "a.logbook"
    with Logbook(path, create=True) as logbook:
        for test in ("first", "private", "second"):
            for number in range(1, COUNT + 1):
                logbook.append(test, skipped(number))
    for test in ("first", "second"):
        outbox.enrol(path, TOPIC, test)
    result = ResultAnnounced(topic=TOPIC, id="first/result/1", message='{"a":1}')
    outbox.announce(path, "first", result)
    return path


class Broker:
    """Takes records; fails when told to."""

    def __init__(self, fails_after: int = 10**9) -> None:
        self.taken: list[Outgoing] = []
        self.in_flight = self.most_in_flight = 0
        self._fails_after = fails_after

    async def send(self, record: Outgoing) -> None:
        self.in_flight += 1
        self.most_in_flight = max(self.most_in_flight, self.in_flight)
        self.taken.append(record)
        await asyncio.sleep(0)
        self.in_flight -= 1
        if len(self.taken) > self._fails_after:
            raise ConnectionError


async def empty_into(box: Outbox, broker: Broker, settle_s: float = 0.0) -> None:
    records = Records(box, settle_s, print)
    running = asyncio.create_task(records.run(broker.send))
    emptied = asyncio.create_task(records.emptied())
    await asyncio.wait({running, emptied}, return_when=asyncio.FIRST_COMPLETED)
    for task in (running, emptied):
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError, ExceptionGroup, ConnectionError):
            await task
    records.close()


def test_all_in_order_and_ten_at_once_at_most(book: Path) -> None:
    broker = Broker()
    with contextlib.closing(Outbox(book, TOPIC)) as box:
        asyncio.run(empty_into(box, broker))
    first, second = ([f"{test}/{number}" for number in range(1, COUNT + 1)] for test in ("first", "second"))
    assert [record.id for record in broker.taken] == [*first, "first/result/1", *second]
    assert broker.most_in_flight == MOST_IN_FLIGHT


def test_the_body_is_that_of_the_logbook_to_the_byte(book: Path) -> None:
    broker = Broker()
    with contextlib.closing(Outbox(book, TOPIC)) as box:
        asyncio.run(empty_into(box, broker))
    base = sqlite3.connect(book)
    bodies = {
        f"{test}/{number}": body
        for test, number, body in base.execute("SELECT test, number, body FROM event")
    }
    base.close()
    [result] = [record for record in broker.taken if record.id == "first/result/1"]
    assert result.payload == b'{"a":1}'
    for record in broker.taken:
        if record is not result:
            assert record.payload.endswith(b'"record":' + bodies[record.id].encode() + b"}")


@pytest.mark.parametrize("fails_after", [0, 1, 9, 10, 11, 100, 2 * COUNT])
def test_what_was_not_settled_comes_again_the_same(book: Path, fails_after: int) -> None:
    broken, whole = Broker(fails_after), Broker()
    with contextlib.closing(Outbox(book, TOPIC)) as box:
        asyncio.run(empty_into(box, broken))
        asyncio.run(empty_into(box, whole))
    first = {record.id: record.payload for record in broken.taken}
    again = {record.id: record.payload for record in whole.taken}
    assert len(first | again) == 2 * COUNT + 1
    assert all(again[name] == payload for name, payload in first.items() if name in again)
    assert len(first) - len(set(first) - set(again)) <= MOST_IN_FLIGHT  # what had settled does not come again


def test_nothing_counts_as_delivered_before_it_settled(book: Path) -> None:
    with contextlib.closing(Outbox(book, TOPIC)) as box:
        asyncio.run(empty_into(box, Broker(), settle_s=3600.0))
        assert box.waiting() == 2 * COUNT + 1
        asyncio.run(empty_into(box, Broker(), settle_s=0.0))
        assert box.waiting() == 0


def test_a_test_that_goes_on_is_followed(tmp_path: Path) -> None:
    path, broker = tmp_path / "a.logbook", Broker()
    with Logbook(path, create=True) as logbook:
        outbox.enrol(path, TOPIC, "first")
        with contextlib.closing(Outbox(path, TOPIC)) as box:
            box.follow("first")
            for number in (1, 2):
                logbook.append("first", skipped(number))
                outbox.enrol(path, TOPIC, "first")  # a second time does no harm
                asyncio.run(empty_into(box, broker))
    assert [record.id for record in broker.taken] == ["first/1", "first/2"]


def test_a_service_does_not_look_at_all_its_old_tests_for_ever(tmp_path: Path) -> None:
    path, broker = tmp_path / "a.logbook", Broker()
    asked: list[str] = []
    with Logbook(path, create=True) as logbook, contextlib.closing(Outbox(path, TOPIC)) as box:
        for name in ("first", "second", "third"):
            box.follow(name)
            logbook.append(name, skipped(1))
            asyncio.run(empty_into(box, broker))
            box.unfollow(name)
            logbook.append(name, skipped(2))  # its last event, on its way when the test was over
            asyncio.run(empty_into(box, broker))
        box.follow("fourth")
        box._base.set_trace_callback(asked.append)
        assert box.take(10) == []
        assert len([one for one in asked if "FROM event" in one]) == 1
    names = ("first", "second", "third")
    assert [record.id for record in broker.taken] == [
        f"{name}/{number}" for name in names for number in (1, 2)
    ]


def test_only_what_is_sent_to_somebody_counts_as_waiting(tmp_path: Path) -> None:
    """A test is mostly events that nobody is sent; one that was completed is told of by its result."""
    path = tmp_path / "a.logbook"
    happened: list[events.Event] = [
        events.NoteTaken(text="TestClosed RockAccepted"),
        events.PositionSkipped(number=1, engagement=1, reason="x"),
        events.TestClosed(outcome="completed", reason="x"),
        events.TestClosed(outcome="stopped", reason="completed"),
    ]
    with Logbook(path, create=True) as logbook:
        for number, event in enumerate(happened):
            logbook.append("t", events.Stamped(time_s=float(number), utc="2026-11-25T08:00:00Z", event=event))
    outbox.enrol(path, TOPIC, "t")
    broker = Broker()
    with contextlib.closing(Outbox(path, TOPIC)) as box:
        assert (box.waiting(), box.left()) == (2, 2)
        asyncio.run(empty_into(box, broker))
        assert (box.waiting(), box.left()) == (0, 0)
    assert [record.id for record in broker.taken] == ["t/2", "t/4"]


def test_another_stand_with_the_same_logbook_has_its_own_marks(book: Path) -> None:
    outbox.enrol(book, "lashmap/bench-2", "first")
    with contextlib.closing(Outbox(book, TOPIC)) as box:
        asyncio.run(empty_into(box, Broker()))
    with contextlib.closing(Outbox(book, "lashmap/bench-2")) as other:
        assert other.waiting() == COUNT


def test_marks_cost_the_recorder_no_wait_for_the_disk_and_risk_nothing(book: Path) -> None:
    """SQLite, pragma synchronous: NORMAL (1) in WAL mode syncs at checkpoints, not at commits."""
    with contextlib.closing(Outbox(book, TOPIC)) as box:
        assert box._base.execute("PRAGMA synchronous").fetchone() == (1,)
        assert box._base.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert box._base.execute("PRAGMA wal_autocheckpoint").fetchone() == (0,)


def test_a_locked_logbook_is_told_and_tried_again(book: Path) -> None:
    other = sqlite3.connect(book, isolation_level=None)
    with contextlib.closing(Outbox(book, TOPIC)) as box:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(LogbookError, match="outbox"):
            box.mark({"first": 3})
        other.execute("ROLLBACK")
        box.mark({"first": 3})
        assert box.waiting() == 2 * COUNT + 1 - 3
        box.mark({"first": 1})  # never back
        assert box.waiting() == 2 * COUNT + 1 - 3
    other.close()


def test_waits_grow_are_capped_and_spread() -> None:
    waits = BackOff(chance=random.Random(1))  # noqa: S311 - repeatable, not secret
    found = [waits.next_s() for _ in range(40)]
    assert 0.125 <= found[0] <= 0.25
    assert max(found) <= 30.0
    assert min(found[10:]) >= 15.0
    assert len({round(one, 6) for one in found[10:]}) == 30
    waits.reset()
    assert waits.next_s() <= 0.25
