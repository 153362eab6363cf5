"""Raw chunks as blobs and back, to the last bit, from the file or from an archive of it.

Arrivals become small numbers, and both blobs are deflated.
Arrivals on whole microseconds (`on_test_clock` puts them there) are kept as differences, anything else as the
floats they are. What a digest covers is decided here too: the chunks themselves, not how they are compressed,
so that a later layout keeps the seals. How packs are chained and where they are written is decided elsewhere.

An archive is a logbook of its own, with the whole test in it. What is read from it is compared with the
digest that stayed behind.
"""

from __future__ import annotations

import hashlib
import math
import operator
import sqlite3
import struct
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import NamedTuple, TypeVar

import numpy as np
from lashmap_drivers.readings import Chunk, Chunks, a_break
from numpy.typing import NDArray

from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook.digests import Tally
from lashmap_daemon.logbook.schema import connect, failure, is_unreachable, must_be_logbook, naming

_MICRO = 1e6
_LATEST_S = 1e9
_HEADER = struct.Struct("<BII")  # how it is written, number of chunks, bytes of data
_WHOLE_MICROSECONDS, _WITHIN, _DEFLATED = 1, 2, 4
_MOST_CHUNKS, _MOST_BYTES = 1 << 22, 1 << 28  # no pack is that large; a damaged header may say so
_LEVEL = 6
_COUNT = struct.Struct("<Q")

Floats = NDArray[np.float64]
_Kind = TypeVar("_Kind", bound=np.generic)


class PackDamaged(ValueError):
    """A pack does not decode; the text says what is wrong with it."""


@dataclass(frozen=True, kw_only=True)
class Pack:
    """Consecutive chunks of one instrument as they are stored.

    Attributes:
        arrivals: When they came, how long they are, how long their transactions took.
        data: Their bytes, one after the other.
        content: SHA-256 over what the chunks are, however they are compressed.
    """

    arrivals: bytes
    data: bytes
    content: bytes


def on_test_clock(chunk: Chunk, start_s: float) -> Chunk:
    """The chunk with its arrival in seconds since ``start_s``, on a whole microsecond.

    Live decoding and every later one must see the very same number; whole microseconds are finer than any
    arrival is known, and small in the logbook.
    """
    return chunk._replace(arrival_s=round((chunk.arrival_s - start_s) * _MICRO) / _MICRO)


def size_of(arrivals: object) -> int:
    """How many bytes a pack says that it holds; 0 of one that says nothing."""
    if not isinstance(arrivals, bytes) or len(arrivals) < _HEADER.size:
        return 0
    return int(_HEADER.unpack_from(arrivals)[2])


def pack(chunks: Sequence[Chunk]) -> Pack:
    """Chunks as blobs; `opened` gives the very same chunks back.

    Plain Python for what is some sixty chunks as a rule: this runs right after a sync, when nothing of numpy
    is in the processor's caches, and then takes half as long.
    """
    arrival_s, parts, within_s = zip(*chunks, strict=True) if chunks else ((), (), ())
    data = b"".join(parts)
    count, how = len(chunks), 0
    times, lengths = struct.pack(f"<{count}d", *arrival_s), struct.pack(f"<{count}I", *map(len, parts))
    within = struct.pack(f"<{count}d", *[_one_nan(half_s) for half_s in within_s])
    content = _content(count, times, within, lengths, data)
    if (micros := _whole_microseconds(arrival_s)) is not None:
        how |= _WHOLE_MICROSECONDS
        times = struct.pack(f"<{count}q", *map(operator.sub, micros, (0, *micros)))
    columns = _planes(times, 8) + _planes(lengths, 4)
    if not all(map(math.isnan, within_s)):
        how |= _WITHIN
        columns += _planes(within, 8)
    deflated = zlib.compress(data, _LEVEL)
    if len(deflated) < len(data):
        how |= _DEFLATED
    arrivals = _HEADER.pack(how, count, len(data)) + zlib.compress(columns, _LEVEL)
    return Pack(arrivals=arrivals, data=deflated if how & _DEFLATED else data, content=content)


def examine(arrivals: bytes, data: bytes) -> tuple[bytes, float, float]:
    """Content, first and last arrival of a pack, without making its chunks.

    Raises:
        PackDamaged: When the blobs are not what `pack` made.
    """
    [found] = opened([(arrivals, data)]).contents()
    return found


@dataclass(frozen=True, kw_only=True)
class OpenPacks:
    """Chunks of consecutive packs as columns, shapes (n,), and the bytes of each pack.

    Attributes:
        counts: Chunks of each pack.
        arrival_s: As `Chunks.arrival_s`.
        within_s: As `Chunks.within_s`.
        lengths: Bytes of each.
        data: Their bytes, pack by pack.
    """

    counts: list[int]
    arrival_s: Floats
    within_s: Floats
    lengths: NDArray[np.uint32]
    data: list[bytes]

    def chunks(self) -> Chunks:
        """The chunks."""
        return Chunks(
            arrival_s=self.arrival_s,
            within_s=self.within_s,
            lengths=self.lengths.astype(np.int64),
            data=b"".join(self.data),
        )

    def contents(self) -> list[tuple[bytes, float, float]]:
        """Of each pack, as `Pack.content`; its first and its last arrival."""
        arrivals, within, lengths = self.arrival_s.tobytes(), self.within_s.tobytes(), self.lengths.tobytes()
        arrival_s = self.arrival_s.tolist()
        found, end = [], 0
        for count, data in zip(self.counts, self.data, strict=True):
            start, end = end, end + count
            wide, narrow = slice(8 * start, 8 * end), slice(4 * start, 4 * end)
            content = _content(count, arrivals[wide], within[wide], lengths[narrow], data)
            found.append((content, arrival_s[start], arrival_s[end - 1]))
        return found


def _content(count: int, arrivals: bytes, within: bytes, lengths: bytes, data: bytes) -> bytes:
    """Counts first, then columns of fixed width, then the bytes: no two lists of chunks read alike."""
    return hashlib.sha256(b"".join((_COUNT.pack(count), arrivals, within, lengths, data))).digest()


def _one_nan(value: float) -> float:
    """Not-a-number in one spelling, so that its digest is one."""
    return math.nan if math.isnan(value) else value


def opened(blobs: Sequence[tuple[bytes, bytes]]) -> OpenPacks:
    """Packs from their blobs, at least one; many at once take half the time of one by one.

    Raises:
        PackDamaged: When the blobs of one of them are not what `pack` made; opened alone, each shows whether.
    """
    packs = [_inflated(arrivals, data) for arrivals, data in blobs]
    counts = [one.chunks for one in packs]
    parts = [_columns(how, list(alike)) for how, alike in groupby(packs, lambda one: one.how)]
    arrival_s, within_s, lengths = (np.concatenate(column) for column in zip(*parts, strict=True))
    starts = np.add.accumulate([0, *counts[:-1]])
    if np.add.reduceat(lengths, starts, dtype=np.uint64).tolist() != [len(one.data) for one in packs]:
        raise PackDamaged("the lengths of its chunks do not add up to its bytes")
    return OpenPacks(
        counts=counts,
        arrival_s=arrival_s,
        within_s=within_s,
        lengths=lengths,
        data=[one.data for one in packs],
    )


class _Inflated(NamedTuple):
    how: int  # its columns are written
    chunks: int
    columns: bytes
    data: bytes


def _inflated(arrivals: bytes, data: bytes) -> _Inflated:
    if len(arrivals) < _HEADER.size:
        raise PackDamaged("its arrival times are cut off")
    how, count, size = _HEADER.unpack_from(arrivals)
    if not 0 < count <= _MOST_CHUNKS or size > _MOST_BYTES or how >= 8:
        raise PackDamaged("its first bytes make no sense")
    columns = _inflate(arrivals[_HEADER.size :], count * (20 if how & _WITHIN else 12))
    raw = _inflate(data, size) if how & _DEFLATED else data
    if len(raw) != size:
        raise PackDamaged(f"it holds {len(raw)} bytes instead of {size}")
    return _Inflated(how & ~_DEFLATED, count, columns, raw)


def _columns(how: int, packs: list[_Inflated]) -> tuple[Floats, Floats, NDArray[np.uint32]]:
    """Arrivals, halves of transactions and lengths of packs whose columns are written alike."""
    planes = [
        b"".join([columns[byte * count : (byte + 1) * count] for _, count, columns, _ in packs])
        for byte in range(20 if how & _WITHIN else 12)
    ]
    if how & _WHOLE_MICROSECONDS:
        micros = np.add.accumulate(_from_planes(planes[:8], np.int64))
        if len(packs) > 1:  # differences begin anew with each
            counts = np.array([one.chunks for one in packs])
            ends = np.add.accumulate(counts)
            micros[ends[0] :] -= np.repeat(micros[ends[:-1] - 1], counts[1:])
        arrival_s = micros / _MICRO
    else:
        arrival_s = _from_planes(planes[:8], np.float64)
    lengths = _from_planes(planes[8:12], np.uint32)
    within_s = np.full(len(lengths), math.nan)
    if how & _WITHIN:
        stored_s = _from_planes(planes[12:], np.float64)
        within_s = np.where(np.isnan(stored_s), within_s, stored_s)
    return arrival_s, within_s, lengths


def _planes(column: bytes, width: int) -> bytes:
    """All first bytes, then all second ones …: what hardly changes stands together and deflates away."""
    return b"".join([column[byte::width] for byte in range(width)])


def _from_planes(planes: list[bytes], kind: type[_Kind]) -> NDArray[_Kind]:
    together = np.frombuffer(b"".join(planes), np.uint8).reshape(len(planes), -1)
    return np.frombuffer(together.T.tobytes(), dtype=kind)


def _inflate(blob: bytes, size: int) -> bytes:
    """At most ``size`` bytes, whatever a damaged blob would swell to."""
    machine = zlib.decompressobj()
    try:
        raw = machine.decompress(blob, size + 1)
    except zlib.error as error:
        raise PackDamaged(f"it does not inflate ({error})") from error
    if len(raw) != size or not machine.eof:
        raise PackDamaged("it does not inflate to its size")
    return raw


def _whole_microseconds(arrival_s: Sequence[float]) -> list[int] | None:
    """Arrivals as counts of microseconds; None where those would not give the very same floats back.

    A negative zero would lose its sign, and a time beyond 1e9 s its microseconds.
    """
    if not all(-_LATEST_S < one < _LATEST_S for one in arrival_s):
        return None
    micros = [round(one * _MICRO) for one in arrival_s]
    same = all(
        micro / _MICRO == one and (micro or math.copysign(1.0, one) > 0.0)
        for micro, one in zip(micros, arrival_s, strict=True)
    )
    return micros if same else None


@dataclass(frozen=True, kw_only=True)
class Moved:
    """Where raw samples went.

    Attributes:
        file: The archive, as an absolute path when it was written.
    """

    test: str
    file: str
    utc: str
    packs: int

    def found_from(self, logbook: Path) -> Path | None:
        """The archive where it was put, or beside the logbook; None when it is at neither place."""
        for place in (Path(self.file), logbook.resolve().parent / Path(self.file).name):
            if place.is_file():
                return place
        return None

    @property
    def sentence(self) -> str:
        """For a person."""
        return f"The raw samples of test {self.test} are in the archive {self.file} since {self.utc}."


def moved_of(base: sqlite3.Connection, test: str) -> Moved | None:
    """Where the raw samples of a test were moved; None while they are in this file."""
    row = base.execute("SELECT test, file, utc, packs FROM moved WHERE test = ?", (test,)).fetchone()
    return None if row is None else Moved(test=row[0], file=row[1], utc=row[2], packs=row[3])


class Archives:
    """Archives of one logbook, opened when they are needed."""

    def __init__(self, logbook: Path) -> None:
        self._logbook = logbook
        self._open: dict[Path, sqlite3.Connection] = {}

    def pack(self, moved: Moved | None, place: int) -> tuple[bytes, bytes]:
        """Blobs of a pack.

        Raises:
            LogbookError: When the archive is not at hand, or cannot be reached.
            PackDamaged: When it does not hold the pack, or is damaged there.
        """
        if moved is None:
            raise PackDamaged("it is not here, and no archive is named for it")
        path = moved.found_from(self._logbook)
        if path is None:
            raise LogbookError(
                f"{self._logbook}: {moved.sentence} It is not there; bring it back, or put it beside the "
                "logbook"
            )
        try:
            row = (
                self._archive(path)
                .execute("SELECT arrivals, data FROM raw WHERE test = ? AND place = ?", (moved.test, place))
                .fetchone()
            )
        except sqlite3.Error as error:
            if is_unreachable(error):
                raise failure(path, error) from error
            raise PackDamaged(f"the archive {path} cannot be read ({error})") from error
        if row is None or None in row:
            raise PackDamaged(f"the archive {path} does not hold it")
        return row[0], row[1]

    def _archive(self, path: Path) -> sqlite3.Connection:
        if path not in self._open:
            base = connect(path, only_read=True)
            try:
                must_be_logbook(base, path)
            except LogbookError as error:
                base.close()
                raise PackDamaged(f"the archive cannot be used: {error}") from error
            except sqlite3.Error:
                base.close()
                raise
            self._open[path] = base
        return self._open[path]

    def close(self) -> None:
        """Close them."""
        for base in self._open.values():
            base.close()
        self._open.clear()


_PIECE_BYTES = 1 << 18  # some 50,000 lines, enough that numpy's fixed costs no longer count
_MOST_PACKS = 100


class RawReader:
    """Reads raw packs of an open file, in pieces large enough for quick decoding."""

    def __init__(self, base: sqlite3.Connection, path: Path, archives: Archives) -> None:
        self._base, self._path, self._archives = base, path, archives

    def pieces(
        self, test: str, channel: str, *, gaps: bool = False, tally: Tally | None = None
    ) -> Iterator[Chunks]:
        """The chunks of one instrument in order, read as they are taken; ``tally`` counts what was read.

        Raises:
            LogbookError: When a pack cannot be read (with ``gaps`` it becomes a break instead), or was moved
                to an archive that is not at hand.
        """
        if tally is not None:
            tally.begin(channel)
        with naming(self._path):
            for packs in self._batches(test, channel):
                try:
                    yield self._take(packs, test, channel, tally)
                except (PackDamaged, TypeError):
                    for one in packs:
                        yield self._alone(one, test, channel, tally, gaps=gaps)

    def tally(self, test: str) -> Tally:
        """What all packs of a test hold; an instrument of which that is not known is spoilt."""
        tally = Tally()
        channels = self._base.execute("SELECT DISTINCT channel FROM raw WHERE test = ?", (test,)).fetchall()
        for (channel,) in channels:
            if not isinstance(channel, str):
                continue  # damage
            try:
                for _ in self.pieces(test, channel, gaps=True, tally=tally):
                    pass
            except (LogbookError, ValueError, TypeError, OverflowError):  # whoever names the damage finds it
                tally.spoil(channel)
        return tally

    def _batches(self, test: str, channel: str) -> Iterator[list[_Stored]]:
        waiting: list[_Stored] = []
        size = 0
        for row in self._base.execute(
            "SELECT place, first_s, last_s, arrivals, data FROM raw WHERE test = ? AND channel = ? "
            "ORDER BY place",
            (test, channel),
        ):
            waiting.append(self._fetched(_Stored(*row), test))
            size += size_of(waiting[-1].arrivals)
            if size >= _PIECE_BYTES or len(waiting) == _MOST_PACKS:
                yield waiting
                waiting, size = [], 0
        if waiting:
            yield waiting

    def _take(self, packs: list[_Stored], test: str, channel: str, tally: Tally | None) -> Chunks:
        found = opened([self._blobs(one, test) for one in packs])
        if tally is not None:
            for stored, content in zip(packs, found.contents(), strict=True):
                tally.add(channel, stored.place, *content)
        return found.chunks()

    def _fetched(self, stored: _Stored, test: str) -> _Stored:
        """With its blobs wherever they are: a hundred large ones of an archive would not stay small."""
        try:
            arrivals, data = self._blobs(stored, test)
        except (PackDamaged, TypeError):
            return stored  # reported when it is opened
        return stored._replace(arrivals=arrivals, data=data)

    def _blobs(self, stored: _Stored, test: str) -> tuple[bytes, bytes]:
        if stored.arrivals is None and stored.data is None:
            return self._archives.pack(moved_of(self._base, test), stored.place)
        return stored.arrivals, stored.data  # type: ignore[return-value]  # one of them alone is damage

    def _alone(self, stored: _Stored, test: str, channel: str, tally: Tally | None, *, gaps: bool) -> Chunks:
        """One of packs that do not all open."""
        try:
            return self._take([stored], test, channel, tally)
        except (PackDamaged, TypeError) as error:
            if not gaps:
                raise LogbookError(
                    f"{self._path}: test {test}, {channel}, {stored.first_s:.2f} to {stored.last_s:.2f} s "
                    f"cannot be read: {error}; find out what else with: lashmap verify --logbook {self._path}"
                ) from error
            if tally is not None:
                tally.spoil(channel)
            return a_break(stored.first_s)


class _Stored(NamedTuple):
    place: int
    first_s: float
    last_s: float
    arrivals: bytes | None
    data: bytes | None  # both None where they were moved to an archive, and are not fetched
