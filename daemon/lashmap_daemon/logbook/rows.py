"""Writing and reading the rows of a test: where its chain stands, and what is added to it.

Nothing here opens, commits or names a file; the caller holds the transaction.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from lashmap_drivers.readings import Chunk

from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook.digests import BEGINNING, EventRow, PackRow, Seal, SealedWhen
from lashmap_daemon.logbook.pack import pack

MOST_CHUNKS, MOST_BYTES = 20_000, 1 << 20  # of one pack, when much has waited


@dataclass(kw_only=True)
class Head:
    """Where the chain of a test ends.

    Attributes:
        place: Of its last row; 0 before the first.
        digest: Of its last row.
        events: Number of its last event.
        packs: Number of the last pack by channel.
        sealed: The newest seal covers all of it.
    """

    test: str
    place: int = 0
    digest: bytes = BEGINNING
    events: int = 0
    packs: dict[str, int] = field(default_factory=dict)
    sealed: bool = False

    def copy(self) -> Head:
        """One to write on with, until the transaction is committed."""
        return replace(self, packs=dict(self.packs))


def head_of(base: sqlite3.Connection, test: str) -> Head:
    """Where the chain of a test ends in the file; a test that is not there begins."""
    event = base.execute(
        "SELECT place, digest, number FROM event WHERE test = ? ORDER BY number DESC LIMIT 1", (test,)
    ).fetchone()
    raw = base.execute(
        "SELECT place, digest FROM raw WHERE test = ? ORDER BY place DESC LIMIT 1", (test,)
    ).fetchone()
    seal = base.execute(
        "SELECT rows FROM seal WHERE test = ? ORDER BY number DESC LIMIT 1", (test,)
    ).fetchone()
    last = max(
        (row for row in (event, raw) if row is not None), default=(0, BEGINNING), key=lambda row: row[0]
    )
    return Head(
        test=test,
        place=last[0],
        digest=last[1],
        events=0 if event is None else event[2],
        packs={channel: number for channel, number, _ in last_packs(base, test)},
        sealed=seal is not None and seal[0] == last[0],
    )


def events_of(base: sqlite3.Connection, path: Path, test: str) -> list[EventRow]:
    """The events of a test in order, as they are stored; ``path`` is for messages.

    Raises:
        LogbookError: When what stands there is no time.
        sqlite3.Error: When they cannot be read.
    """
    rows = base.execute(
        "SELECT test, place, number, time_s, utc, kind, body FROM event WHERE test = ? ORDER BY number",
        (test,),
    )
    try:
        return [row._replace(time_s=float(row.time_s)) for row in map(EventRow._make, rows.fetchall())]
    except (TypeError, ValueError) as error:
        raise LogbookError(
            f"{path}: test {test}: the time of an event cannot be read ({error}); find out what is damaged "
            f"with: lashmap verify --logbook {path}"
        ) from error


def last_packs(base: sqlite3.Connection, test: str) -> list[tuple[str, int, float]]:
    """Channel, number and last arrival of the newest pack of each instrument, however many packs there are.

    Places count events and packs together, so the numbers show when no further instrument is left to
    search for; in a file that has gaps all its rows are read.
    """
    (event_place, events) = base.execute(
        "SELECT place, number FROM event WHERE test = ? ORDER BY number DESC LIMIT 1", (test,)
    ).fetchone() or (0, 0)
    (pack_place,) = base.execute("SELECT max(place) FROM raw WHERE test = ?", (test,)).fetchone()
    packs = max(event_place, pack_place or 0) - events
    found: list[tuple[str, int, float]] = []
    while sum(number for _, number, _ in found) != packs:
        marks = ", ".join("?" * len(found))
        others = f"SELECT channel, number, last_s FROM raw WHERE test = ? AND channel NOT IN ({marks})"  # noqa: S608 - question marks
        row = base.execute(
            f"{others} ORDER BY place DESC LIMIT 1", (test, *(channel for channel, _, _ in found))
        ).fetchone()
        if row is None:
            break
        found.append(row)
    return sorted(found)


def add_event(base: sqlite3.Connection, head: Head, *, time_s: float, utc: str, kind: str, body: str) -> None:
    """Add an event to the end of a chain; ``head`` moves on."""
    row = EventRow(
        test=head.test,
        place=head.place + 1,
        number=head.events + 1,
        time_s=time_s,
        utc=utc,
        kind=kind,
        body=body,
    )
    head.digest = row.digest(head.digest)
    head.place, head.events, head.sealed = row.place, row.number, False
    insert_event(base, row, head.digest)


def add_raw(base: sqlite3.Connection, head: Head, channel: str, chunks: Sequence[Chunk]) -> None:
    """Add chunks to the end of a chain, as one pack or several; ``head`` moves on."""
    for portion in portions(chunks):
        packed = pack(portion)
        row = PackRow(
            test=head.test,
            place=head.place + 1,
            channel=channel,
            number=head.packs.get(channel, 0) + 1,
            first_s=portion[0].arrival_s,
            last_s=portion[-1].arrival_s,
            content=packed.content,
        )
        head.digest = row.digest(head.digest)
        head.place, head.packs[channel], head.sealed = row.place, row.number, False
        insert_pack(base, row, head.digest, packed.arrivals, packed.data)


def insert_event(base: sqlite3.Connection, row: EventRow, digest: bytes) -> None:
    """Write an event as it is."""
    base.execute(
        "INSERT INTO event (test, place, number, time_s, utc, kind, body, digest) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (*row, digest),
    )


def insert_pack(
    base: sqlite3.Connection, row: PackRow, digest: bytes, arrivals: bytes | None, data: bytes | None
) -> None:
    """Write a pack as it is."""
    base.execute(
        "INSERT INTO raw (test, place, channel, number, first_s, last_s, content, digest, arrivals, data) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (*row, digest, arrivals, data),
    )


def add_seal(base: sqlite3.Connection, head: Head, utc: str, when: SealedWhen) -> Seal:
    """Seal a test as it stands; ``head`` is sealed then."""
    last = base.execute("SELECT number, digest FROM seal ORDER BY number DESC LIMIT 1").fetchone()
    number, previous = last or (0, BEGINNING)
    seal = Seal(
        number=number + 1,
        test=head.test,
        rows=head.place,
        head=head.digest,
        utc=utc,
        when=when,
        previous=previous,
    )
    insert_seal(base, seal)
    head.sealed = True
    return seal


def insert_seal(base: sqlite3.Connection, seal: Seal) -> None:
    """Write a seal as it is."""
    base.execute("INSERT INTO seal VALUES (?, ?, ?, ?, ?, ?, ?, ?)", (*seal, seal.digest))


def seals_of(base: sqlite3.Connection, test: str) -> list[tuple[Seal, bytes]]:
    """Seals of a test in order, each with the digest that is stored for it."""
    # The rows themselves: SQLite would take the name of the test from the index, whatever stands in the row.
    rows = base.execute("SELECT * FROM seal NOT INDEXED WHERE test = ? ORDER BY number", (test,))
    return [seal_from(row) for row in rows]


def seal_from(row: Sequence[object]) -> tuple[Seal, bytes]:
    """A row of the table as a seal, with the digest that is stored for it."""
    *fields, digest = row
    return Seal._make(fields), digest  # type: ignore[return-value]  # only known when it is checked


def copy_test(base: sqlite3.Connection, other: sqlite3.Connection, test: str) -> None:
    """Copy a whole test as it is; rows that are there stay, packs that were moved away do not come."""
    for table, columns in _COLUMNS.items():
        marks = ", ".join("?" * (columns.count(",") + 1))
        rows = base.execute(
            f"SELECT {columns} FROM {table} WHERE test = ?", (test,)  # noqa: S608 - names from below
        )  # fmt: skip
        other.executemany(
            f"INSERT OR IGNORE INTO {table} ({columns}) VALUES ({marks})",  # noqa: S608 - names from below
            (row for row in rows if table != "raw" or row[-1] is not None),
        )


_COLUMNS = {
    "event": "test, number, place, time_s, utc, kind, body, digest",
    "raw": "test, place, channel, number, first_s, last_s, content, digest, arrivals, data",
    "seal": "number, test, rows, head, utc, made, previous, digest",
}


def portions(chunks: Sequence[Chunk]) -> Iterator[Sequence[Chunk]]:
    """Chunks in portions that make packs of bounded size."""
    if len(chunks) <= MOST_CHUNKS and sum([len(chunk.data) for chunk in chunks]) <= MOST_BYTES:
        if chunks:
            yield chunks  # as nearly always: nothing to divide
        return
    start, size = 0, 0
    for end, chunk in enumerate(chunks):
        if end > start and (size + len(chunk.data) > MOST_BYTES or end - start >= MOST_CHUNKS):
            yield chunks[start:end]
            start, size = end, 0
        size += len(chunk.data)
    if start < len(chunks):
        yield chunks[start:]
