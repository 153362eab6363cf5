"""The logbook: one SQLite file with every event and every raw byte, written as they happen.

WAL with ``synchronous=FULL``: what `Logbook.append` returned from survives a power cut. Raw chunks are packed
into blobs of about a quarter second; their boundaries and arrival times are kept, because the times of the
samples are computed from them.
"""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from lashmap_drivers.readings import Chunk
from pydantic import ValidationError

from lashmap_daemon import events
from lashmap_daemon.errors import LogbookError
from lashmap_daemon.events import Stamped, TestClosed, TestStarted

SCHEMA = 1
_APPLICATION_ID = 0x6C6D6170  # "lmap", so that `file` and we can tell a logbook from any other database
_PACK_S = 0.25
_ARRIVAL = struct.Struct("<dI")

_TABLES = """
CREATE TABLE event (
    test TEXT NOT NULL, number INTEGER NOT NULL, time_s REAL NOT NULL, utc TEXT NOT NULL,
    kind TEXT NOT NULL, body TEXT NOT NULL, PRIMARY KEY (test, number)) WITHOUT ROWID;
CREATE TABLE raw (
    id INTEGER PRIMARY KEY, test TEXT NOT NULL, channel TEXT NOT NULL,
    first_s REAL NOT NULL, last_s REAL NOT NULL, arrivals BLOB NOT NULL, data BLOB NOT NULL);
CREATE INDEX raw_by_test ON raw (test, channel, id);
"""


@dataclass(frozen=True, kw_only=True)
class TestSummary:
    """A line of the list of tests."""

    __test__ = False

    test: str
    started_utc: str
    box: str
    serial: str
    positions: int
    closing: str


class Logbook:
    """An open logbook file.

    Args:
        path: The file; made when ``create`` is true and it is absent.
        create: False refuses a missing file instead.

    Raises:
        LogbookError: When it cannot be opened, is no logbook, or was written by a newer version.
    """

    def __init__(self, path: Path, *, create: bool) -> None:
        self.path = path
        self._numbers: dict[str, int] = {}
        self._waiting: dict[tuple[str, str], list[Chunk]] = {}
        if not create and not path.is_file():
            raise LogbookError(f"{path}: no such logbook; name it with --logbook, or run a test first")
        with self._naming_the_file():
            self._base = sqlite3.connect(path, isolation_level=None)
            self._prepare()

    def append(self, test: str, stamped: Stamped) -> None:
        """Keep an event; durable when this returns.

        Raises:
            LogbookError: When it cannot be written.
        """
        kind, body = events.to_json(stamped.event)
        number = self._numbers.get(test, 0) + 1
        with self._naming_the_file():
            self._write_raw(key for key in list(self._waiting) if key[0] == test)
            self._base.execute(
                "INSERT INTO event VALUES (?, ?, ?, ?, ?, ?)",
                (test, number, stamped.time_s, stamped.utc, kind, body),
            )
        self._numbers[test] = number

    def keep(self, test: str, channel: str, chunks: list[Chunk]) -> None:
        """Keep raw chunks as received; durable within a quarter second or at the next event.

        Args:
            test: Identifier of the test.
            channel: Which instrument.
            chunks: With arrival times in seconds since the test started.

        Raises:
            LogbookError: When they cannot be written.
        """
        if not chunks:
            return
        key = (test, channel)
        waiting = self._waiting.setdefault(key, [])
        waiting.extend(chunks)
        if waiting[-1].arrival_s - waiting[0].arrival_s >= _PACK_S:
            with self._naming_the_file():
                self._write_raw([key])

    def events(self, test: str) -> Iterator[Stamped]:
        """All events of a test in order.

        Raises:
            LogbookError: When one cannot be read.
        """
        with self._naming_the_file():
            rows = self._base.execute(
                "SELECT number, time_s, utc, kind, body FROM event WHERE test = ? ORDER BY number", (test,)
            ).fetchall()
        for number, time_s, utc, kind, body in rows:
            try:
                event = events.from_json(kind, body)
            except (KeyError, ValidationError) as error:
                raise LogbookError(
                    f"{self.path}: test {test}, event {number} ({kind}) cannot be read: {error}"
                ) from error
            yield Stamped(time_s=time_s, utc=utc, event=event)

    def raw(self, test: str, channel: str) -> Iterator[Chunk]:
        """All raw chunks of one instrument in order, as received; read as they are taken, not all at once."""
        with self._naming_the_file():
            rows = self._base.execute(
                "SELECT arrivals, data FROM raw WHERE test = ? AND channel = ? ORDER BY id", (test, channel)
            )
            for arrivals, data in rows:
                start = 0
                for arrival_s, length in _ARRIVAL.iter_unpack(arrivals):
                    yield Chunk(arrival_s, data[start : start + length])
                    start += length

    def tests(self) -> list[TestSummary]:
        """One line for each test, oldest first."""
        with self._naming_the_file():
            names = [
                row[0]
                for row in self._base.execute("SELECT test FROM event WHERE number = 1 ORDER BY utc, test")
            ]
        return [self._summary(name) for name in names]

    def close(self) -> None:
        """Write what waits and close the file."""
        with self._naming_the_file():
            self._write_raw(list(self._waiting))
            self._base.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _summary(self, test: str) -> TestSummary:
        stream = list(self.events(test))
        started = stream[0].event
        if not isinstance(started, TestStarted):
            raise LogbookError(f"{self.path}: test {test} does not begin with its start record")
        closing = next(
            (f"{e.outcome}: {e.reason}" for s in stream if isinstance(e := s.event, TestClosed)), ""
        )
        return TestSummary(
            test=test,
            started_utc=stream[0].utc,
            box=started.box.box.type,
            serial=started.box.box.serial,
            positions=len({s.event.number for s in stream if isinstance(s.event, events.RockAccepted)}),
            closing=closing or "not closed",
        )

    def _prepare(self) -> None:
        self._base.execute("PRAGMA journal_mode=WAL")
        self._base.execute("PRAGMA synchronous=FULL")
        (application,) = self._base.execute("PRAGMA application_id").fetchone()
        (schema,) = self._base.execute("PRAGMA user_version").fetchone()
        (tables,) = self._base.execute("SELECT count(*) FROM sqlite_master").fetchone()
        if application == 0 and tables == 0:
            self._base.executescript(
                f"BEGIN; {_TABLES} PRAGMA application_id={_APPLICATION_ID};"
                f"PRAGMA user_version={SCHEMA}; COMMIT;"
            )
        elif application != _APPLICATION_ID:
            raise LogbookError(f"{self.path}: is a database, but not a lashmap logbook; choose another file")
        elif schema != SCHEMA:
            raise LogbookError(
                f"{self.path}: has logbook schema {schema}, this version reads {SCHEMA}; use the version "
                "that wrote it"
            )

    def _write_raw(self, keys: Iterable[tuple[str, str]]) -> None:
        for key in keys:
            chunks = self._waiting.get(key)
            if not chunks:
                continue
            arrivals = b"".join(_ARRIVAL.pack(chunk.arrival_s, len(chunk.data)) for chunk in chunks)
            self._base.execute(
                "INSERT INTO raw (test, channel, first_s, last_s, arrivals, data) VALUES (?, ?, ?, ?, ?, ?)",
                (*key, chunks[0].arrival_s, chunks[-1].arrival_s, arrivals, b"".join(c.data for c in chunks)),
            )
            self._waiting[key] = []

    @contextmanager
    def _naming_the_file(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise LogbookError(f"{self.path}: {error}; check the disk and the file's permissions") from error
