"""Records from the pages of a damaged file, sorted into what they are in a logbook.

A row may be found in several copies: on pages in use, on older versions of them, in the log. All are
kept until it is decided which is right. The blobs of packs are put aside in the new file, not in memory.
"""

from __future__ import annotations

import sqlite3
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from lashmap_daemon.logbook_pack import PackDamaged, examine
from lashmap_daemon.logbook_pages import Record
from lashmap_daemon.seal import BEGINNING, SIZE, EventRow, PackRow, Seal

_FITS, _ELSEWHERE, _READABLE, _BROKEN = 3, 2, 1, 0
Columns = tuple[Any, ...]  # of types that were matched before they are used


@dataclass(frozen=True)
class Copy:
    """One copy of a row.

    Attributes:
        row: The row.
        digest: Stored with it.
        quality: Of the samples: they fit, were moved to an archive, can be read, or not even that.
        blobs: Number of its blobs among those put aside; 0 for an event.
    """

    row: EventRow | PackRow
    digest: bytes
    quality: int = _FITS
    blobs: int = 0

    @property
    def samples_fit(self) -> bool:
        """They are as they were written, as far as they are here."""
        return self.quality >= _ELSEWHERE


@dataclass
class Found:
    """Everything that was found.

    Attributes:
        rows: Copies by test and place.
        moved: Rows about archives by test.
        about: What the file says about itself.
        older: Rows of a logbook of schema 1, with their numbers.
        sent: Of the outbox of the bus: up to which event a test was sent, by topic and test, in the order in
            which they were enrolled. Of several copies the smallest number counts: sent twice is better than
            never.
        enrolled: The number of each of its rows as the index has it.
        texts: Results that an earlier version left there as text, by their number.
        has_outbox: The file had an outbox, whether or not its rows were found.
    """

    rows: dict[str, dict[int, list[Copy]]] = field(default_factory=dict)
    moved: dict[str, Columns] = field(default_factory=dict)
    about: dict[str, str] = field(default_factory=dict)
    older: list[tuple[int, Columns]] = field(default_factory=list)
    sent: dict[tuple[str, str], tuple[int, int]] = field(default_factory=dict)
    enrolled: dict[tuple[str, str], int] = field(default_factory=dict)
    texts: dict[int, Columns] = field(default_factory=dict)
    has_outbox: bool = False
    _seals: dict[tuple[str, int], Seal] = field(default_factory=dict)
    _numbers: dict[str, set[int]] = field(default_factory=lambda: defaultdict(set))

    def add(self, copy: Copy) -> None:
        """One more copy of a row, unless it is there already."""
        copies = self.rows.setdefault(copy.row.test, {}).setdefault(copy.row.place, [])
        known = (one for one in copies if (one.row, one.digest) == (copy.row, copy.digest))
        if not any(one.quality >= copy.quality for one in known):
            copies.append(copy)

    def add_seal(self, seal: Seal, stored: object) -> None:
        """One more seal, if its own digest holds."""
        self._numbers[seal.test].add(seal.number)
        if seal.digest == stored:
            self._seals[seal.test, seal.number] = seal

    def add_sent(self, number: int, topic: str, test: str, sent: int) -> None:
        """One more copy of a row of the outbox."""
        known, before = self.sent.get((topic, test), (number, sent))
        self.sent[topic, test] = (min(number, known), min(sent, before))

    def seals_of(self, test: str) -> list[Seal]:
        """Seals of a test whose own digests hold."""
        return [seal for (name, _), seal in sorted(self._seals.items()) if name == test]

    def seal_numbers(self, test: str) -> set[int]:
        """Numbers of all seals of a test that were seen, broken ones included."""
        return self._numbers[test]

    def drop_spoilt_copies(self) -> None:
        """Drop copies that fit nowhere of rows that are there in another copy that fits.

        A damaged page beside its sound older version gives the same rows twice, some under a place or a test
        that was never theirs.
        """
        fitting = [copy for copy in self._all() if self._follows(copy)]
        digests, sound = {copy.digest for copy in fitting}, set(map(id, fitting))
        for test, places in list(self.rows.items()):
            for place, copies in list(places.items()):
                copies[:] = [one for one in copies if id(one) in sound or one.digest not in digests]
                if not copies:
                    del places[place]
            if not places:
                del self.rows[test]

    def _all(self) -> Iterator[Copy]:
        for places in self.rows.values():
            for copies in places.values():
                yield from copies

    def _follows(self, copy: Copy) -> bool:
        """Its digest follows on that of some copy of the row before it."""
        row = copy.row
        if row.place == 1:
            return row.digest(BEGINNING) == copy.digest
        before = self.rows[row.test].get(row.place - 1, [])
        return any(row.digest(one.digest) == copy.digest for one in before)

    def in_order(self) -> list[str]:
        """Tests in the order in which they began, as far as can be told."""

        def began(test: str) -> tuple[str, str]:
            rows = (copy.row for copies in self.rows[test].values() for copy in copies)
            times = [row.utc for row in rows if isinstance(row, EventRow)]
            return min(times, default="~"), test

        return sorted(self.rows, key=began)


def make_aside(base: sqlite3.Connection) -> None:
    """A table for blobs that goes when the connection is closed."""
    base.execute("CREATE TEMP TABLE aside (id INTEGER PRIMARY KEY, arrivals BLOB, data BLOB)")


def gather(base: sqlite3.Connection, some: Iterator[Record]) -> Found:
    """Sort records into what they are; what is no row of a logbook is passed over."""
    found = Found()
    for rowid, values in some:
        match values:
            case (str(), int(), int(), float() | int(), str(), str(), str(), bytes()):
                _event(found, values)
            case (None, str(), int(), str(), int(), float() | int(), float() | int(), bytes(), bytes(), _, _):
                _pack(base, found, values)
            case (None, str(), int(), bytes(), str(), str(), bytes(), bytes()):
                _seal(found, rowid, values)
            case (str(test), str(), str(), int()):
                found.moved[test] = values
            case ("part of" | "rescued from" as key, str(value)):
                found.about[key] = value
            case (str(), int(), float() | int(), str(), str(), str()):
                found.older.append((rowid, values))
            case (None, str(), str(), float() | int(), float() | int(), bytes(), bytes()):
                found.older.append((rowid, values))
            case _:
                _outbox(found, rowid, values)
    return found


def _outbox(found: Found, rowid: int, values: Columns) -> None:
    match values:
        case (None, str(topic), str(test), int(sent)):
            found.add_sent(rowid, topic, test, sent)
        case (str(topic), str(test), int(number)):  # from its index
            found.enrolled[topic, test] = number
        case (None, str(), str(), str(), 0):
            found.texts[rowid] = values
        case ("table", "outbox", "outbox", int(), str()):
            found.has_outbox = True


def _event(found: Found, values: Columns) -> None:
    test, number, place, time_s, utc, kind, body, digest = values
    if len(digest) == SIZE:
        row = EventRow(
            test=test, place=place, number=number, time_s=float(time_s), utc=utc, kind=kind, body=body
        )
        found.add(Copy(row, digest))


def _pack(base: sqlite3.Connection, found: Found, values: Columns) -> None:
    _, test, place, channel, number, first_s, last_s, content, digest, arrivals, data = values
    if len(digest) != SIZE or len(content) != SIZE:
        return
    row = PackRow(
        test=test, place=place, channel=channel, number=number, first_s=float(first_s), last_s=float(last_s),
        content=content,
    )  # fmt: skip
    quality = _quality(arrivals, data, content)
    if quality == _BROKEN and not (isinstance(arrivals, bytes) and isinstance(data, bytes)):
        arrivals = data = b""
    cursor = base.execute("INSERT INTO aside (arrivals, data) VALUES (?, ?)", (arrivals, data))
    found.add(Copy(row, digest, quality, cursor.lastrowid or 0))


def _quality(arrivals: object, data: object, content: bytes) -> int:
    if arrivals is None and data is None:
        return _ELSEWHERE
    if not (isinstance(arrivals, bytes) and isinstance(data, bytes)):
        return _BROKEN
    try:
        found, _, _ = examine(arrivals, data)
    except PackDamaged:
        return _BROKEN
    return _FITS if found == content else _READABLE


def _seal(found: Found, number: int, values: Columns) -> None:
    _, test, rows, head, utc, when, previous, digest = values
    found.add_seal(
        Seal(number=number, test=test, rows=rows, head=head, utc=utc, when=when, previous=previous), digest
    )
