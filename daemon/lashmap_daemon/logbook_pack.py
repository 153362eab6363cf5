"""Raw chunks as blobs and back, to the last bit: arrivals as small numbers, both blobs deflated.

Arrivals on whole microseconds (`on_test_clock` puts them there) are kept as differences, anything else as the
floats they are. What a digest covers is decided here too: the chunks themselves, not how they are compressed,
so that a later layout keeps the seals. How packs are chained and where they are written is decided elsewhere.
"""

from __future__ import annotations

import hashlib
import math
import operator
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from lashmap_drivers.readings import Chunk, Chunks
from numpy.typing import NDArray

_MICRO = 1e6
_LATEST_S = 1e9
_HEADER = struct.Struct("<BII")  # how it is written, number of chunks, bytes of data
_WHOLE_MICROSECONDS, _WITHIN, _DEFLATED = 1, 2, 4
_MOST_CHUNKS, _MOST_BYTES = 1 << 22, 1 << 28  # no pack is that large; a damaged header may say so
_LEVEL = 6
_COUNT = struct.Struct("<Q")

Floats = NDArray[np.float64]
_NANS: Floats = np.full(1024, math.nan)  # what the packs of a stream have in common; nobody writes to it
_NANS.flags.writeable = False
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
    columns = opened(arrivals, data)
    return columns.content(), columns.first_s, columns.last_s


@dataclass(frozen=True, kw_only=True)
class OpenPack:
    """A pack's chunks as columns, shapes (n,), and their bytes.

    Attributes:
        arrival_s: As `Chunks.arrival_s`.
        within_s: As `Chunks.within_s`; None when it is nan everywhere.
        lengths: Bytes of each.
        data: As `Chunks.data`.
    """

    arrival_s: Floats
    within_s: Floats | None
    lengths: NDArray[np.uint32]
    data: bytes

    @property
    def first_s(self) -> float:
        """Arrival of the first chunk."""
        return self.arrival_s.item(0)

    @property
    def last_s(self) -> float:
        """Arrival of the last chunk."""
        return self.arrival_s.item(-1)

    def chunks(self) -> Chunks:
        """The chunks."""
        return Chunks(
            arrival_s=self.arrival_s,
            within_s=self._within_s(),
            lengths=self.lengths.astype(np.int64),
            data=self.data,
        )

    def content(self) -> bytes:
        """As `Pack.content`."""
        columns = (self.arrival_s.tobytes(), self._within_s().tobytes(), self.lengths.tobytes())
        return _content(len(self.lengths), *columns, self.data)

    def _within_s(self) -> Floats:
        count = len(self.lengths)
        if self.within_s is not None:
            return np.where(np.isnan(self.within_s), math.nan, self.within_s)
        return _NANS[:count] if count <= len(_NANS) else np.full(count, math.nan)


def _content(count: int, arrivals: bytes, within: bytes, lengths: bytes, data: bytes) -> bytes:
    """Counts first, then columns of fixed width, then the bytes: no two lists of chunks read alike."""
    return hashlib.sha256(b"".join((_COUNT.pack(count), arrivals, within, lengths, data))).digest()


def _one_nan(value: float) -> float:
    """Not-a-number in one spelling, so that its digest is one."""
    return math.nan if math.isnan(value) else value


def opened(arrivals: bytes, data: bytes) -> OpenPack:
    """A pack from its blobs.

    Raises:
        PackDamaged: When the blobs are not what `pack` made.
    """
    if len(arrivals) < _HEADER.size:
        raise PackDamaged("its arrival times are cut off")
    how, count, size = _HEADER.unpack_from(arrivals)
    if not 0 < count <= _MOST_CHUNKS or size > _MOST_BYTES or how >= 8:
        raise PackDamaged("its first bytes make no sense")
    columns = _inflate(arrivals[_HEADER.size :], count * (20 if how & _WITHIN else 12))
    raw = _inflate(data, size) if how & _DEFLATED else data
    if len(raw) != size:
        raise PackDamaged(f"it holds {len(raw)} bytes instead of {size}")
    if how & _WHOLE_MICROSECONDS:
        arrival_s = np.add.accumulate(_from_planes(columns[: 8 * count], np.int64)) / _MICRO
    else:
        arrival_s = _from_planes(columns[: 8 * count], np.float64)
    lengths = _from_planes(columns[8 * count : 12 * count], np.uint32)
    if np.add.reduce(lengths, dtype=np.uint64).item() != size:
        raise PackDamaged("the lengths of its chunks do not add up to its bytes")
    within_s = _from_planes(columns[12 * count :], np.float64) if how & _WITHIN else None
    return OpenPack(arrival_s=arrival_s, within_s=within_s, lengths=lengths, data=raw)


def _planes(column: bytes, width: int) -> bytes:
    """All first bytes, then all second ones …: what hardly changes stands together and deflates away."""
    return b"".join([column[byte::width] for byte in range(width)])


def _from_planes(planes: bytes, kind: type[_Kind]) -> NDArray[_Kind]:
    width = np.dtype(kind).itemsize
    return np.frombuffer(np.frombuffer(planes, np.uint8).reshape(width, -1).T.tobytes(), dtype=kind)


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
