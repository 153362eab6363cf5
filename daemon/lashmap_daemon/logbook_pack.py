"""Raw chunks as blobs and back, to the last bit: arrivals as small numbers, both blobs deflated.

Arrivals on whole microseconds (`on_test_clock` puts them there) are kept as differences, anything else as the
floats they are. What a digest covers is decided here too: the chunks themselves, not how they are compressed,
so that a later layout keeps the seals. How packs are chained and where they are written is decided elsewhere.
"""

from __future__ import annotations

import hashlib
import math
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from lashmap_drivers.readings import Chunk
from numpy.typing import NDArray

_MICRO = 1e6
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


def pack(chunks: Sequence[Chunk]) -> Pack:
    """Chunks as blobs; `unpack` gives the very same chunks back."""
    arrival_s, within_s, lengths, data = _columns(chunks)
    how, columns = 0, []
    micros = np.rint(arrival_s * _MICRO) if np.all(np.abs(arrival_s) < 1e9) else None
    if (
        micros is not None
        and np.array_equal(micros / _MICRO, arrival_s)
        and not _has_negative_zero(arrival_s)
    ):
        how |= _WHOLE_MICROSECONDS
        columns.append(_planes(np.diff(micros.astype(np.int64), prepend=np.int64(0)).astype(np.int64)))
    else:
        columns.append(_planes(arrival_s))
    columns.append(_planes(lengths))
    if not np.all(np.isnan(within_s)):
        how |= _WITHIN
        columns.append(_planes(within_s))
    deflated = zlib.compress(data, _LEVEL)
    if len(deflated) < len(data):
        how |= _DEFLATED
    arrivals = _HEADER.pack(how, len(chunks), len(data)) + zlib.compress(b"".join(columns), _LEVEL)
    return Pack(arrivals=arrivals, data=deflated if how & _DEFLATED else data, content=_content(chunks, data))


def unpack(arrivals: bytes, data: bytes) -> list[Chunk]:
    """The chunks back.

    Raises:
        PackDamaged: When the blobs are not what `pack` made.
    """
    if len(arrivals) < _HEADER.size:
        raise PackDamaged("its arrival times are cut off")
    how, count, size = _HEADER.unpack_from(arrivals)
    if not 0 < count <= _MOST_CHUNKS or size > _MOST_BYTES or how >= 8:
        raise PackDamaged("its first bytes make no sense")
    width = 20 if how & _WITHIN else 12
    columns = _inflate(arrivals[_HEADER.size :], count * width)
    raw = _inflate(data, size) if how & _DEFLATED else data
    if len(raw) != size:
        raise PackDamaged(f"it holds {len(raw)} bytes instead of {size}")
    if how & _WHOLE_MICROSECONDS:
        arrival_s = np.cumsum(_from_planes(columns[: 8 * count], np.int64)) / _MICRO
    else:
        arrival_s = _from_planes(columns[: 8 * count], np.float64)
    lengths = _from_planes(columns[8 * count : 12 * count], np.uint32).tolist()
    if sum(lengths) != size:
        raise PackDamaged("the lengths of its chunks do not add up to its bytes")
    within_s = [math.nan] * count
    if how & _WITHIN:
        halves = _from_planes(columns[12 * count :], np.float64).tolist()
        within_s = [math.nan if math.isnan(half_s) else half_s for half_s in halves]
    chunks, start = [], 0
    for arrived_s, length, half_s in zip(arrival_s.tolist(), lengths, within_s, strict=True):
        chunks.append(Chunk(arrived_s, raw[start : start + length], half_s))
        start += length
    return chunks


def content_of(chunks: Sequence[Chunk]) -> bytes:
    """What `Pack.content` is for these chunks."""
    return _content(chunks, b"".join(chunk.data for chunk in chunks))


def _columns(chunks: Sequence[Chunk]) -> tuple[Floats, Floats, NDArray[np.uint32], bytes]:
    arrival_s = np.array([chunk.arrival_s for chunk in chunks], dtype="<f8")
    within_s = np.array([chunk.within_s for chunk in chunks], dtype="<f8")
    lengths = np.array([len(chunk.data) for chunk in chunks], dtype="<u4")
    return arrival_s, within_s, lengths, b"".join(chunk.data for chunk in chunks)


def _content(chunks: Sequence[Chunk], data: bytes) -> bytes:
    """Counts first, then columns of fixed width, then the bytes: no two lists of chunks read alike."""
    arrival_s, within_s, lengths, _ = _columns(chunks)
    within_s[np.isnan(within_s)] = math.nan  # one spelling of not-a-number
    digest = hashlib.sha256(_COUNT.pack(len(chunks)))
    for column in (arrival_s, within_s, lengths):
        digest.update(column.tobytes())
    digest.update(data)
    return digest.digest()


def _planes(column: NDArray[np.int64] | NDArray[np.uint32] | Floats) -> bytes:
    """All first bytes, then all second ones …: what hardly changes stands together and deflates away."""
    width = column.dtype.itemsize
    return column.view(np.uint8).reshape(-1, width).T.tobytes()


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


def _has_negative_zero(column: Floats) -> bool:
    return bool(np.any(np.signbit(column) & (column == 0.0)))
