"""Records read from the pages of a database file, without asking the database: for files that are damaged.

Every page of the file and of its write-ahead log that looks like one with records is taken apart by the
published file format (sqlite.org/fileformat2.html). Nothing is trusted: a record that does not add up is
passed over. Which records belong to a logbook and which of them are right is decided elsewhere.
"""

from __future__ import annotations

import mmap
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeAlias

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
        size: Of a page, in bytes.
        file: Content of the file.
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
