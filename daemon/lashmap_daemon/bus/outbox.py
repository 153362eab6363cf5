"""The outbox: which records of the logbook the broker has, kept in the logbook itself.

Nothing is written twice. Events stay where the logbook put them; the outbox only keeps, for each test, the
number of the newest event that the broker surely has, so "exactly as recorded" holds by construction. A
result is no event, so it is the one thing that is stored here, as the text that goes out.

The marks have a connection of their own (WAL lets it read beside the writer) and are written without waiting
for the disk, so that they cost the recorder microseconds: a mark lost in a power cut only sends records
again, under the same identifier.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from lashmap_daemon.bus.topics import EVENTS, topic_of_event
from lashmap_daemon.errors import LogbookError

_BUSY_S = 0.5  # the recorder never holds the file for longer; if it does, we wait for our next turn
PATIENCE_S = 5.0  # of whoever has nothing else to do meanwhile
_TABLES = """
CREATE TABLE IF NOT EXISTS outbox (
    id INTEGER PRIMARY KEY, topic TEXT NOT NULL, test TEXT NOT NULL, sent INTEGER NOT NULL,
    UNIQUE (topic, test));
CREATE TABLE IF NOT EXISTS outbox_result (
    id INTEGER PRIMARY KEY, topic TEXT NOT NULL, identifier TEXT NOT NULL, body TEXT NOT NULL,
    sent INTEGER NOT NULL);
"""


@dataclass(frozen=True, kw_only=True)
class Row:
    """An event as the logbook keeps it."""

    test: str
    number: int
    time_s: float
    utc: str
    kind: str
    body: str


@dataclass(frozen=True, kw_only=True)
class StoredResult:
    """A result as it goes out; ``number`` counts the results of this logbook."""

    number: int
    id: str
    body: str


def enrol(logbook: Path, topic: str, test: str) -> str:
    """From now on the events of ``test`` are to reach the broker below ``topic``; those already there too.

    Returns:
        When the test began, UTC, if it did before; empty for one that is about to.

    Raises:
        LogbookError: When the logbook cannot be written.
    """
    with _naming(logbook), closing(_connect(logbook)) as base:
        base.executescript(_TABLES)
        base.execute("INSERT OR IGNORE INTO outbox (topic, test, sent) VALUES (?, ?, 0)", (topic, test))
        first = base.execute("SELECT utc FROM event WHERE test = ? AND number = 1", (test,)).fetchone()
    return str(first[0]) if first else ""


def store_result(logbook: Path, topic: str, identifier: str, body: str) -> None:
    """A result is to reach the broker below ``topic``, under its identifier.

    Raises:
        LogbookError: When the logbook cannot be written.
    """
    with _naming(logbook), closing(_connect(logbook, PATIENCE_S)) as base:
        base.executescript(_TABLES)
        base.execute(
            "INSERT INTO outbox_result (topic, identifier, body, sent) VALUES (?, ?, ?, 0)",
            (topic, identifier, body),
        )


class Outbox:
    """The records of one stand that the broker does not surely have yet, oldest first.

    Used by one thread at a time. How far records were handed out is kept in memory, and begins anew at the
    marks with `start_over`.

    Args:
        logbook: The logbook file; must exist.
        topic: Root and stand.

    Raises:
        LogbookError: When the file cannot be used.
    """

    def __init__(self, logbook: Path, topic: str) -> None:
        self._path = logbook
        self._topic = topic
        self._positions: dict[str, int] = {}
        self._followed: set[str] = set()
        self._result_position = 0
        with _naming(logbook):
            with closing(_connect(logbook, PATIENCE_S)) as patient:
                patient.executescript(_TABLES)
            self._base = _connect(logbook)
        self.start_over()

    def close(self) -> None:
        """Close the file."""
        self._base.close()

    def start_over(self) -> None:
        """Hand out again whatever the broker does not surely have."""
        with _naming(self._path):
            rows = self._base.execute(
                "SELECT test, sent FROM outbox WHERE topic = ? AND sent < "
                "(SELECT coalesce(max(number), 0) FROM event WHERE event.test = outbox.test) ORDER BY id",
                (self._topic,),
            ).fetchall()
            (self._result_position,) = self._base.execute(
                "SELECT coalesce(max(id), 0) FROM outbox_result WHERE topic = ? AND sent = 1", (self._topic,)
            ).fetchone()
        self._positions = dict(rows)
        for test in self._followed:
            self.follow(test)

    def follow(self, test: str) -> None:
        """A test is running: look for new events of it, and enrol it where that is still to be done."""
        self._followed.add(test)
        with _naming(self._path):
            mark = "SELECT sent FROM outbox WHERE topic = ? AND test = ?"
            row = self._base.execute(mark, (self._topic, test)).fetchone()
            if row is None:
                self._base.execute(
                    "INSERT OR IGNORE INTO outbox (topic, test, sent) VALUES (?, ?, 0)", (self._topic, test)
                )
        self._positions.setdefault(test, 0 if row is None else row[0])

    def unfollow(self, test: str) -> None:
        """A test has ended: what it has left goes out, and then it is looked at no more."""
        self._followed.discard(test)

    def take(self, most: int) -> list[Row]:
        """The next events, at most so many, in order; they are not handed out again until `start_over`."""
        found: list[Row] = []
        for test in self._followed - self._positions.keys():
            self.follow(test)  # the logbook was locked when it began
        with _naming(self._path):
            for test, position in list(self._positions.items()):
                rows = self._base.execute(
                    "SELECT number, time_s, utc, kind, body FROM event WHERE test = ? AND number > ? "
                    "ORDER BY number LIMIT ?",
                    (test, position, most - len(found)),
                ).fetchall()
                if not rows and test not in self._followed:
                    del self._positions[test]  # a service has thousands of tests behind it
                found += [
                    Row(test=test, number=number, time_s=time_s, utc=utc, kind=kind, body=body)
                    for number, time_s, utc, kind, body in rows
                ]
                if len(found) == most:
                    break
        for row in found:
            self._positions[row.test] = row.number
        return found

    def take_result(self) -> StoredResult | None:
        """The next result; it is not handed out again until `start_over`."""
        result = self._result("topic = ? AND id > ? ORDER BY id", self._topic, self._result_position)
        if result is not None:
            self._result_position = result.number
        return result

    def newest_result(self) -> StoredResult | None:
        """The newest result, sent or not."""
        return self._result("topic = ? ORDER BY id DESC", self._topic)

    def waiting(self) -> int:
        """How many records and results the broker does not surely have."""
        with _naming(self._path):
            marks = self._base.execute(
                "SELECT test, sent FROM outbox WHERE topic = ? AND sent < "
                "(SELECT coalesce(max(number), 0) FROM event WHERE event.test = outbox.test)",
                (self._topic,),
            ).fetchall()
            count = self._records_after(dict(marks))
            (results,) = self._base.execute(
                "SELECT count(*) FROM outbox_result WHERE topic = ? AND sent = 0", (self._topic,)
            ).fetchone()
        return count + int(results)

    def left(self) -> int:
        """How many records and results were not handed out yet."""
        with _naming(self._path):
            count = self._records_after(self._positions)
            (results,) = self._base.execute(
                "SELECT count(*) FROM outbox_result WHERE topic = ? AND id > ?",
                (self._topic, self._result_position),
            ).fetchone()
        return count + int(results)

    def elsewhere(self) -> dict[str, int]:
        """Other topics that tests of this logbook are published below, with what waits for each."""
        with _naming(self._path):
            topics = self._base.execute(
                "SELECT topic FROM outbox UNION SELECT topic FROM outbox_result ORDER BY topic"
            ).fetchall()
        found = {}
        for (topic,) in topics:
            if topic != self._topic:
                with closing(Outbox(self._path, topic)) as other:
                    found[topic] = other.waiting()
        return {topic: count for topic, count in found.items() if count}

    def mark(self, sent: dict[str, int], results: int) -> None:
        """The broker surely has these: of each test the events up to a number, and results up to a number.

        Raises:
            LogbookError: When the mark cannot be written now; it may be tried again later.
        """
        with _naming(self._path):
            self._base.execute("BEGIN IMMEDIATE")
            try:
                self._base.executemany(
                    "UPDATE outbox SET sent = max(sent, ?) WHERE topic = ? AND test = ?",
                    [(number, self._topic, test) for test, number in sent.items()],
                )
                self._base.execute(
                    "UPDATE outbox_result SET sent = 1 WHERE topic = ? AND id <= ? AND sent = 0",
                    (self._topic, results),
                )
                self._base.execute("COMMIT")
            except sqlite3.Error:
                if self._base.in_transaction:
                    self._base.execute("ROLLBACK")
                raise

    def _records_after(self, numbers: dict[str, int]) -> int:
        """Events after a number of each test that are sent to somebody; most events are nobody's business."""
        kinds = ", ".join(f"'{kind}'" for kind in EVENTS)
        count = 0
        for test, number in numbers.items():
            rows = self._base.execute(
                "SELECT kind, CASE kind WHEN 'TestClosed' THEN body ELSE '' END FROM event "  # noqa: S608 - our own words
                f"WHERE test = ? AND number > ? AND kind IN ({kinds})",
                (test, number),
            )
            count += sum(topic_of_event(kind, body) is not None for kind, body in rows)
        return count

    def _result(self, where: str, *values: object) -> StoredResult | None:
        query = f"SELECT id, identifier, body FROM outbox_result WHERE {where} LIMIT 1"  # noqa: S608 - our own words
        with _naming(self._path):
            row = self._base.execute(query, values).fetchone()
        return None if row is None else StoredResult(number=row[0], id=row[1], body=row[2])


def _connect(logbook: Path, busy_s: float = _BUSY_S) -> sqlite3.Connection:
    base = sqlite3.connect(
        f"{logbook.absolute().as_uri()}?mode=rw",
        uri=True,
        isolation_level=None,
        timeout=busy_s,
        check_same_thread=False,
    )
    # In WAL mode NORMAL does not wait for the disk at a commit, but does when the log is tidied on closing:
    # what the recorder made durable stays so. OFF would risk it.
    base.execute("PRAGMA synchronous=NORMAL")
    base.execute("PRAGMA wal_autocheckpoint=0")
    return base


@contextmanager
def _naming(logbook: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        raise LogbookError(
            f"{logbook}: the outbox of the bus: {error}; check the disk and the file"
        ) from error
