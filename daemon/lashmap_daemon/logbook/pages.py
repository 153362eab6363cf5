"""Records read from the pages of a database file, without asking the database: for files that are damaged.

Every page of the file and of its write-ahead log that looks like one with records is taken apart by the
published file format (sqlite.org/fileformat2.html). Nothing is trusted: a record that does not add up is
passed over. The others are sorted into what they are in a logbook. A row may be found in several copies: on
pages in use, on older versions of them, in the log. All are kept; which is right is decided elsewhere. The
blobs of packs are put aside in the new file, not in memory.
"""

from __future__ import annotations

import mmap
import sqlite3
import struct
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeAlias

from lashmap_daemon.logbook.digests import BEGINNING, SIZE, EventRow, PackRow, Seal
from lashmap_daemon.logbook.pack import PackDamaged, examine

Value: TypeAlias = str | int | float | bytes | None
_USUAL_SIZE = 4096
_MOST_COLUMNS = 16
_MOST_PAYLOAD = 1 << 28
_WAL_HEADER, _FRAME_HEADER = 32, 24
_LEAF_TABLE, _LEAF_INDEX, _INNER_INDEX = 0x0D, 0x0A, 0x02
_INT_SIZES = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}


class _Nonsense(ValueError):
    """Bytes that are no record."""


@dataclass(frozen=True)
class Pages:
    """The pages of a file, and newer versions of them in its write-ahead log.

    Attributes:
        newer: Versions in the log by page number, oldest first.
    """

    size: int
    reserved: int
    file: memoryview
    newer: dict[int, list[memoryview]] = field(default_factory=dict)

    @property
    def usable(self) -> int:
        """Bytes of a page that hold something."""
        return self.size - self.reserved

    def versions(self) -> Iterator[tuple[int, memoryview]]:
        """Every version of every page, newer ones later."""
        for number in range(1, (len(self.file) + self.size - 1) // self.size + 1):
            yield number, self.file[(number - 1) * self.size : number * self.size]
        for number, some in self.newer.items():
            for one in some:
                yield number, one

    def one(self, number: int, *, newest: bool) -> memoryview:
        """A page by its number, from the log where it stands there or from the file."""
        if number in self.newer and (newest or number * self.size > len(self.file)):
            return self.newer[number][-1]
        return self.file[(number - 1) * self.size : number * self.size]


def read_pages(path: Path) -> Pages:
    """The pages of a database file and of the log beside it; its header may be damaged, or only the log left.

    Raises:
        OSError: When the file cannot be read.
    """
    log = path.with_name(path.name + "-wal")
    content = memoryview(b"")
    if path.exists() or not log.is_file():
        with path.open("rb") as file:
            if path.stat().st_size > 0:
                content = memoryview(mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ))
    size = int.from_bytes(content[16:18], "big") if len(content) >= 100 else 0
    size = 65536 if size == 1 else size
    reserved = content[20] if len(content) >= 100 else 0
    if size < 512 or size & (size - 1):
        size = _USUAL_SIZE
    if reserved > 64:
        reserved = 0
    newer = _frames(log.read_bytes(), size) if log.is_file() else {}
    return Pages(size, reserved, content, newer)


Record: TypeAlias = tuple[int, tuple[Value, ...]]  # row number where the table has one, else 0; columns


def records(pages: Pages) -> Iterator[Record]:
    """Every record on every page, newer versions of a page later; copies come too."""
    for number, page in pages.versions():
        start = 100 if number == 1 else 0
        if len(page) < start + 8 or page[start] not in {_LEAF_TABLE, _LEAF_INDEX, _INNER_INDEX}:
            continue
        kind = page[start]
        first = start + (12 if kind == _INNER_INDEX else 8)
        cells = int.from_bytes(page[start + 3 : start + 5], "big")
        for at in range(first, min(first + 2 * cells, len(page) - 1), 2):
            cell = int.from_bytes(page[at : at + 2], "big")
            yield from _records_at(pages, page, cell, kind)


def _records_at(pages: Pages, page: memoryview, cell: int, kind: int) -> Iterator[Record]:
    """The record of a cell; twice when the rest of it stands in the file and in the log differently."""
    seen: list[bytes] = []
    for newest in (True, False) if pages.newer else (True,):
        try:
            rowid, payload = _payload(pages, page, cell, kind, newest=newest)
            if payload not in seen:
                seen.append(payload)
                yield rowid, _record(payload)
        except (_Nonsense, IndexError, struct.error):
            continue


def _payload(pages: Pages, page: memoryview, cell: int, kind: int, *, newest: bool) -> tuple[int, bytes]:
    at = cell + (4 if kind == _INNER_INDEX else 0)
    size, at = _varint(page, at)
    rowid = 0
    if kind == _LEAF_TABLE:
        rowid, at = _varint(page, at)
        rowid -= (rowid >> 63) << 64  # its sign
    if not 0 < size <= _MOST_PAYLOAD:
        raise _Nonsense
    usable = pages.usable
    least = (usable - 12) * 32 // 255 - 23
    most = usable - 35 if kind == _LEAF_TABLE else (usable - 12) * 64 // 255 - 23
    here = size
    if size > most:
        here = least + (size - least) % (usable - 4)
        here = here if here <= most else least
    payload = bytearray(page[at : at + here])
    following = int.from_bytes(page[at + here : at + here + 4], "big") if here < size else 0
    while len(payload) < size:
        if following == 0:
            raise _Nonsense
        rest = pages.one(following, newest=newest)
        if len(rest) < usable:
            raise _Nonsense
        payload += rest[4 : min(usable, 4 + size - len(payload))]
        following = int.from_bytes(rest[:4], "big")
    return rowid, bytes(payload)


def _record(payload: bytes) -> tuple[Value, ...]:
    view = memoryview(payload)
    header, at = _varint(view, 0)
    kinds: list[int] = []
    while at < header:
        kind, at = _varint(view, at)
        kinds.append(kind)
        if len(kinds) > _MOST_COLUMNS:
            raise _Nonsense
    values: list[Value] = []
    at = header
    for kind in kinds:
        value, at = _value(payload, at, kind)
        values.append(value)
    if at != len(payload):
        raise _Nonsense
    return tuple(values)


def _value(payload: bytes, at: int, kind: int) -> tuple[Value, int]:
    if kind == 0:
        return None, at
    if kind in {8, 9}:
        return kind - 8, at
    if kind == 7:
        return struct.unpack_from(">d", payload, at)[0], at + 8
    size = _INT_SIZES.get(kind, (kind - 12) // 2)
    raw = payload[at : at + size]
    if len(raw) != size or kind in {10, 11}:
        raise _Nonsense
    if kind in _INT_SIZES:
        return int.from_bytes(raw, "big", signed=True), at + size
    return (raw.decode("utf-8", "surrogateescape") if kind % 2 else raw), at + size


def _varint(view: memoryview, at: int) -> tuple[int, int]:
    value = 0
    for count in range(9):
        byte = view[at + count]
        if count == 8:
            return value << 8 | byte, at + 9
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + count + 1
    raise _Nonsense


def _frames(log: bytes, size: int) -> dict[int, list[memoryview]]:
    """Every whole frame, whether or not its sums are right; what is wrong shows in the rows."""
    newer: dict[int, list[memoryview]] = {}
    view = memoryview(log)
    for at in range(_WAL_HEADER, len(log) - _FRAME_HEADER - size + 1, _FRAME_HEADER + size):
        number = int.from_bytes(view[at : at + 4], "big")
        if number:
            newer.setdefault(number, []).append(view[at + _FRAME_HEADER : at + _FRAME_HEADER + size])
    return newer


_FITS, _ELSEWHERE, _READABLE, _BROKEN = 3, 2, 1, 0
Columns = tuple[Any, ...]  # of types that were matched before they are used


@dataclass(frozen=True)
class Copy:
    """One copy of a row.

    Attributes:
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
        sent: Of the outbox of the bus: up to which event a test was sent, by topic and test, in the order in
            which they were enrolled. Of several copies the smallest number counts: sent twice is better than
            never.
        enrolled: The number of each of its rows as the index has it.
        has_outbox: The file had an outbox, whether or not its rows were found.
    """

    rows: dict[str, dict[int, list[Copy]]] = field(default_factory=dict)
    moved: dict[str, Columns] = field(default_factory=dict)
    about: dict[str, str] = field(default_factory=dict)
    sent: dict[tuple[str, str], tuple[int, int]] = field(default_factory=dict)
    enrolled: dict[tuple[str, str], int] = field(default_factory=dict)
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
        """Tests in the order in which they began, as far as is known."""

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
            case _:
                _outbox(found, rowid, values)
    return found


def _outbox(found: Found, rowid: int, values: Columns) -> None:
    match values:
        case (None, str(topic), str(test), int(sent)):
            found.add_sent(rowid, topic, test, sent)
        case (str(topic), str(test), int(number)):  # from its index
            found.enrolled[topic, test] = number
        case ("table", "outbox", "outbox", int(), str()):
            found.has_outbox = True


def _event(found: Found, values: Columns) -> None:
    test, number, place, time_s, utc, kind, body, digest = values
    if len(digest) == SIZE:
        found.add(Copy(EventRow(test, place, number, float(time_s), utc, kind, body), digest))


def _pack(base: sqlite3.Connection, found: Found, values: Columns) -> None:
    _, test, place, channel, number, first_s, last_s, content, digest, arrivals, data = values
    if len(digest) != SIZE or len(content) != SIZE:
        return
    row = PackRow(test, place, channel, number, float(first_s), float(last_s), content)
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
    _, *fields, digest = values
    found.add_seal(Seal._make((number, *fields)), digest)
