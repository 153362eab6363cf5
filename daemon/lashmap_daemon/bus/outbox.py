"""The outbox: which records of the logbook the broker has, kept in the logbook itself.

Nothing is written twice. Events stay where the logbook put them, a result among them (`ResultAnnounced`); the
outbox only keeps, for each test, the number of the newest event that the broker surely has, so "exactly as
recorded" holds by construction. What is handed out is what was digested: the rows of a test are gone through
as `lashmap verify` does it, samples aside, and a test that does not fit its digests and seals is refused.

The marks have a connection of their own (WAL lets it read beside the writer) and are written without waiting
for the disk, so that they cost the recorder microseconds: a mark lost in a power cut only sends records
again, under the same identifier.
"""

from __future__ import annotations

import datetime as dt
import sqlite3
from collections import deque
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from lashmap_daemon.bus.messages import EVENTS, REVIEW, topic_of_event
from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook.check import RowCheck, walked
from lashmap_daemon.logbook.digests import EventRow, Fit
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.schema import (
    connect,
    make_outbox,
    must_be_logbook,
    must_be_there,
    transaction,
)
from lashmap_daemon.story.events import ResultAnnounced, Stamped, TestClosed

_BUSY_S = 0.5  # the recorder never holds the file for longer; if it does, we wait for our next turn
PATIENCE_S = 5.0  # of whoever has nothing else to do meanwhile
_ENROL = "INSERT OR IGNORE INTO outbox (topic, test, sent) VALUES (?, ?, 0)"
_RESULT = ResultAnnounced.__name__
_REVIEWED = {kind for kind, topic in EVENTS.items() if topic is REVIEW}
_ENDS = {TestClosed.__name__, _RESULT} | _REVIEWED  # what a seal follows on


def enrol(logbook: Path, topic: str, test: str) -> str:
    """From now on the events of ``test`` are to reach the broker below ``topic``; those already there too.

    Returns:
        When the test began, UTC, if it did before; empty for one that is about to.

    Raises:
        LogbookError: When the logbook cannot be written.
    """
    with _naming(logbook), closing(_connect(logbook)) as base:
        make_outbox(base)
        base.execute(_ENROL, (topic, test))
        first = base.execute("SELECT utc FROM event WHERE test = ? AND number = 1", (test,)).fetchone()
    return str(first[0]) if first else ""


def announce(logbook: Path, test: str, result: ResultAnnounced) -> None:
    """A result of a test is to reach the broker: it goes into the record of the test, which is sealed anew.

    Raises:
        LogbookError: When the logbook cannot be written.
    """
    enrol(logbook, result.topic, test)
    utc = f"{dt.datetime.now(dt.UTC):%Y-%m-%dT%H:%M:%SZ}"
    with Logbook(logbook, create=False) as book:
        book.append(test, Stamped(time_s=book.end_s(test), utc=utc, event=result))


def waiting_in(logbook: Path) -> dict[str, int]:
    """How many records wait in a logbook, by topic.

    Raises:
        LogbookError: When the file cannot be used.
    """
    with _naming(logbook), closing(_connect(logbook)) as base:
        if not base.execute("SELECT 1 FROM sqlite_master WHERE name = 'outbox'").fetchone():
            return {}
        topics = base.execute("SELECT DISTINCT topic FROM outbox ORDER BY topic").fetchall()
    found = {}
    for (topic,) in topics:
        with closing(Outbox(logbook, topic)) as box:
            found[topic] = box.waiting()
    return {topic: count for topic, count in found.items() if count}


class Outbox:
    """The records of one stand that the broker does not surely have yet, oldest test first.

    Used by one thread at a time. How far records were handed out is kept in memory, and begins anew at the
    marks with `start_over`.

    Attributes:
        topic: Root and stand.
        refused: Tests of which nothing is handed out, with what is wrong with them.
        held: Tests of which nothing more is handed out on this connection, with why the broker refuses it.

    Raises:
        LogbookError: When the file cannot be used.
    """

    def __init__(self, logbook: Path, topic: str) -> None:
        self._path = logbook
        self.topic = topic
        self.refused: dict[str, str] = {}
        self.held: dict[str, str] = {}
        self._newest_seal = 0
        self._positions: dict[str, int] = {}  # up to where events were handed out
        self._open: dict[str, None] = {}  # tests that may have more, in their order
        self._followed: set[str] = set()
        self._digested: dict[str, _Digested] = {}
        with _naming(logbook):
            with closing(_connect(logbook, PATIENCE_S)) as patient:
                make_outbox(patient)
            self._base = _connect(logbook)
        self.start_over()

    def close(self) -> None:
        """Close the file."""
        self._base.close()

    def start_over(self) -> None:
        """Hand out again whatever the broker does not surely have."""
        with _naming(self._path):
            self._positions = self._marks_behind()
        self._open = dict.fromkeys(self._positions)
        self._digested.clear()
        self.refused.clear()
        self.held.clear()
        for test in self._followed:
            self.follow(test)

    def follow(self, test: str) -> None:
        """A test is running: ask for new events of it, and enrol it where that is still to be done."""
        self._followed.add(test)
        self.reopen(test)

    def reopen(self, test: str) -> None:
        """A test may have more events, though it has ended."""
        with _naming(self._path):
            mark = self._mark_of(test)
            if mark is None:
                self._base.execute(_ENROL, (self.topic, test))
        self._positions.setdefault(test, mark or 0)
        self._open.setdefault(test)

    def unfollow(self, test: str) -> None:
        """A test has ended: what it has left goes out, then nothing more of it is read."""
        self._followed.discard(test)

    def look_again(self) -> None:
        """Tests that have ended may have more events: a review is written by another program."""
        with _naming(self._path):
            (newest,) = self._base.execute("SELECT coalesce(max(number), 0) FROM seal").fetchone()
            if newest == self._newest_seal:
                return  # whatever is added to a closed test is sealed
            self._newest_seal = newest
            for test, mark in self._marks_behind().items():
                self._positions.setdefault(test, mark)
                self._open.setdefault(test)

    def take(self, most: int) -> list[EventRow]:
        """The next events, at most so many, in order; they are not handed out again until `start_over`.

        A test that does not fit its digests gives none, and is named in `refused`.
        """
        found: list[EventRow] = []
        for test in self._followed - self._positions.keys():
            self.follow(test)  # the logbook was locked when it began
        with _naming(self._path):
            for test in list(self._open):
                rows = self._next(test, most - len(found))
                if not rows and (test not in self._followed or test in self.refused or test in self.held):
                    del self._open[test]  # a service has thousands of tests behind it
                    self._digested.pop(test, None)
                found += rows
                if len(found) == most:
                    break
        for row in found:
            self._positions[row.test] = row.number
        return found

    def newest_result(self) -> EventRow | None:
        """The event of the newest result, sent or not; None also when its test does not fit its digests."""
        with _naming(self._path):
            # Every result of a closed test is sealed, so the newest seals lead to the newest result.
            for test, number, body in self._base.execute(
                "SELECT event.test, event.number, event.body FROM seal CROSS JOIN event "
                "ON event.test = seal.test AND event.place = seal.rows WHERE event.kind = ? "
                "AND EXISTS (SELECT 1 FROM outbox WHERE outbox.test = seal.test AND outbox.topic = ?) "
                "ORDER BY seal.number DESC",
                (_RESULT, self.topic),
            ):
                if topic_of_event(_RESULT, body, self.topic) is not None:
                    digested = _Digested(self._base, self._path, test, number - 1)
                    rows = [] if self._go_on(digested) else list(digested.rows)
                    return rows[0] if rows and rows[0].number == number else None
        return None

    def is_sent(self, row: EventRow) -> bool:
        """True when the broker surely has an event."""
        with _naming(self._path):
            return row.number <= (self._mark_of(row.test) or 0)

    def waiting(self) -> int:
        """How many records and results the broker does not surely have; without those of tests refused."""
        with _naming(self._path):
            return self._records_after(self._marks_behind())

    def waiting_held(self) -> int:
        """How many of these are of tests that are held."""
        with _naming(self._path):
            behind = self._marks_behind().items()
            return self._records_after({test: mark for test, mark in behind if test in self.held})

    def left(self) -> int:
        """How many records and results were not handed out yet; without those of tests refused."""
        with _naming(self._path):
            return self._records_after(self._positions)

    def elsewhere(self) -> dict[str, int]:
        """Other topics that tests of this logbook are published below, with what waits for each."""
        return {topic: count for topic, count in waiting_in(self._path).items() if topic != self.topic}

    def mark(self, sent: dict[str, int]) -> None:
        """The broker surely has these: of each test the events up to a number.

        Raises:
            LogbookError: When the mark cannot be written now; it may be tried again later.
        """
        with _naming(self._path), transaction(self._base):
            self._base.executemany(
                "UPDATE outbox SET sent = max(sent, ?) WHERE topic = ? AND test = ?",
                [(number, self.topic, test) for test, number in sent.items()],
            )

    def _marks_behind(self) -> dict[str, int]:
        """The marks of tests that have events behind theirs, in the order of the tests."""
        behind = (
            "SELECT test, sent FROM outbox WHERE topic = ? AND sent < "
            "(SELECT coalesce(max(number), 0) FROM event WHERE event.test = outbox.test) ORDER BY id"
        )
        return dict(self._base.execute(behind, (self.topic,)).fetchall())

    def _mark_of(self, test: str) -> int | None:
        mark = "SELECT sent FROM outbox WHERE topic = ? AND test = ?"
        row = self._base.execute(mark, (self.topic, test)).fetchone()
        return None if row is None else int(row[0])

    def _next(self, test: str, most: int) -> list[EventRow]:
        """The next events of a test, whose digests fit."""
        digested = self._digested.get(test)
        if test not in self.refused and (digested is None or not digested.rows):
            position = self._positions[test]
            (newest,) = self._base.execute("SELECT max(number) FROM event WHERE test = ?", (test,)).fetchone()
            if (newest or 0) <= position:
                return []
            if digested is None:
                digested = self._digested[test] = _Digested(self._base, self._path, test, position)
            problem = self._go_on(digested)
            if not problem and digested.has_gone_on and any(row.kind in _ENDS for row in digested.rows):
                # A test that ends is held against its seal as a whole, whatever fitted before.
                digested = self._digested[test] = _Digested(self._base, self._path, test, position)
                problem = self._go_on(digested)
            if problem:
                self.refused[test] = problem
        if digested is None or test in self.refused or test in self.held:
            return []
        return [digested.rows.popleft() for _ in range(min(most, len(digested.rows)))]

    def _go_on(self, digested: _Digested) -> str:
        """Go through the rows of one moment; returns what is wrong."""
        self._base.execute("BEGIN")
        try:
            must_be_logbook(self._base, self._path)
            return digested.go_on()
        finally:
            if self._base.in_transaction:
                self._base.execute("COMMIT")

    def _records_after(self, numbers: dict[str, int]) -> int:
        """Events after a number of each test that are sent to somebody; most events are nobody's business."""
        kinds = ", ".join(f"'{kind}'" for kind in EVENTS)
        count = 0
        for test, number in numbers.items():
            if test in self.refused:
                continue
            rows = self._base.execute(
                f"SELECT kind, CASE kind WHEN 'TestClosed' THEN body WHEN '{_RESULT}' THEN body ELSE '' END "  # noqa: S608 - our own words
                f"FROM event WHERE test = ? AND number > ? AND kind IN ({kinds})",
                (test, number),
            )
            count += sum(topic_of_event(kind, body, self.topic) is not None for kind, body in rows)
        return count


class _Digested:
    """Goes through the rows of one test as they come, and keeps the events behind ``position`` that fit."""

    def __init__(self, base: sqlite3.Connection, path: Path, test: str, position: int) -> None:
        self.rows: deque[EventRow] = deque()
        self.has_gone_on = False
        self._position = position
        self._path = path
        self._check = RowCheck(base, path, None, test, Fit(), self._add)

    def go_on(self) -> str:
        """Go through what is new; returns what is wrong, and nothing fits any more then."""
        self.has_gone_on = self._check.place > 0
        check = walked(self._check)
        return check.problems[0] if check.problems else ""

    def _add(self, row: EventRow) -> None:
        if row.number > self._position:
            self.rows.append(row)


def _connect(logbook: Path, busy_s: float = _BUSY_S) -> sqlite3.Connection:
    must_be_there(logbook)
    base = connect(logbook, busy_s=busy_s, threads=True)
    try:
        must_be_logbook(base, logbook)
        # In WAL mode NORMAL does not wait for the disk at a commit, but does when the log is tidied on
        # closing: what the recorder made durable stays so. OFF would risk it.
        base.execute("PRAGMA synchronous=NORMAL")
        base.execute("PRAGMA wal_autocheckpoint=0")
    except BaseException:
        base.close()
        raise
    return base


@contextmanager
def _naming(logbook: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        raise LogbookError(
            f"{logbook}: the outbox of the bus: {error}; check the disk and the file"
        ) from error
