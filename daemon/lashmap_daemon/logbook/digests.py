"""Digests of what a logbook holds: every row chained to the row before it, every closed test sealed.

No two different rows have the same encoding. A digest chain shows that something was changed by whoever did
not also recompute everything behind it. Someone who rewrites test, seals and all that follows with this
program is found only by a digest kept elsewhere: on the report, in another's hands
(`lashmap verify --expect`).

Reading a record back goes through every pack anyhow. When what was read of an instrument is, pack by pack,
what the rows say they hold (`Tally`), the check has only the rows left to go through; otherwise it reads the
packs itself, to name the ones that are wrong. The events that were read are compared one by one with those
whose digests the check computes.
"""

from __future__ import annotations

import hashlib
import sqlite3
import struct
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, NamedTuple, TypeAlias

SIZE = 32
BEGINNING = bytes(SIZE)  # what comes before the first row of a test and before the first seal of a file
Field: TypeAlias = str | int | float | bytes
SealedWhen = Literal["closed", "added"]
# Kinds of events; what else follows a closing is a remark.
CLOSES, OPENS_AGAIN = frozenset({"TestClosed", "BuildClosed"}), "TestResumed"

_LATEST_S = 1e9  # thirty years
_LENGTH = struct.Struct("<cQ")
_INT = struct.Struct("<cq")
_FLOAT = struct.Struct("<cd")


class EventRow(NamedTuple):
    """An event as it is stored.

    Attributes:
        place: Its place among all rows of the test, events and packs together, from 1.
        number: Its number among the events of the test, from 1.
        time_s: Seconds since the test started.
        utc: ISO 8601.
    """

    test: str
    place: int
    number: int
    time_s: float
    utc: str
    kind: str
    body: str

    def digest(self, previous: bytes) -> bytes:
        """Of this row after a row with the digest ``previous``."""
        return digest_of("event", previous, *self._replace(time_s=float(self.time_s)))

    @property
    def name(self) -> str:
        """For messages."""
        return f"event {self.number} ({self.kind}, at {seconds(self.time_s, 1)})"


class PackRow(NamedTuple):
    """A pack of raw samples as it is stored, without its blobs.

    Attributes:
        place: As in `EventRow`.
        number: Its number among the packs of this instrument in the test, from 1.
        content: SHA-256 over its chunks.
    """

    test: str
    place: int
    channel: str
    number: int
    first_s: float
    last_s: float
    content: bytes

    def digest(self, previous: bytes) -> bytes:
        """Of this row after a row with the digest ``previous``."""
        try:
            return self._quick_digest(previous)
        except (struct.error, AttributeError):  # a damaged row may hold anything
            whole = self._replace(first_s=float(self.first_s), last_s=float(self.last_s))
            return digest_of("raw", previous, *whole)

    def _quick_digest(self, previous: bytes) -> bytes:
        """The same in a third of the time, when all fields are what they should be."""
        if not len(previous) == len(self.content) == SIZE:
            raise struct.error("no digest")
        test, channel = (text.encode("utf-8", "surrogatepass") for text in (self.test, self.channel))
        packed = _pack_layout(len(test), len(channel)).pack(
            b"s", 3, b"raw", b"b", SIZE, previous, b"s", len(test), test, b"i", self.place,
            b"s", len(channel), channel, b"i", self.number, b"f", self.first_s, b"f", self.last_s,
            b"b", SIZE, self.content,
        )  # fmt: skip
        return hashlib.sha256(packed).digest()

    @property
    def name(self) -> str:
        """For messages."""
        return f"{self.channel}, {seconds(self.first_s, 2, unit='')} to {seconds(self.last_s, 2)}"


class Seal(NamedTuple):
    """What a closed test was, in one digest.

    Attributes:
        number: Its number in the file, from 1.
        rows: Rows of the test that it covers.
        head: Digest of the last of them.
        utc: When it was made, ISO 8601.
        when: ``closed`` for the closing record of the test; ``added`` for an event that was added to a closed
            test (a review of it).
        previous: Digest of the seal before it in the file.
    """

    number: int
    test: str
    rows: int
    head: bytes
    utc: str
    when: SealedWhen
    previous: bytes

    @property
    def digest(self) -> bytes:
        """Of the seal itself, and so of all that it covers."""
        return digest_of(
            "seal", self.previous, self.number, self.test, self.rows, self.head, self.utc, self.when
        )


def seconds(time_s: float, decimals: int, *, unit: str = " s") -> str:
    """A time in a test as text; no test lasts as long as what a damaged one may say."""
    return f"{time_s:.{decimals}f}{unit}" if abs(time_s) < _LATEST_S else "a time that cannot be"


@lru_cache(maxsize=16)
def _pack_layout(test: int, channel: int) -> struct.Struct:
    """What `digest_of` makes of the fields of a pack, with texts of these lengths."""
    return struct.Struct(f"<cQ3s cQ{SIZE}s cQ{test}s cq cQ{channel}s cq cd cd cQ{SIZE}s")


def digest_of(*fields: Field) -> bytes:
    """SHA-256 over fields, each with its kind and, where it has no fixed one, its length before it."""
    parts = []
    for field in fields:
        if isinstance(field, str):
            text = field.encode("utf-8", "surrogatepass")
            parts += [_LENGTH.pack(b"s", len(text)), text]
        elif isinstance(field, bytes):
            parts += [_LENGTH.pack(b"b", len(field)), field]
        elif isinstance(field, int):
            parts.append(_INT.pack(b"i", field))
        elif isinstance(field, float):
            parts.append(_FLOAT.pack(b"f", field))
    return hashlib.sha256(b"".join(parts)).digest()


_PACK = struct.Struct(f"<q{SIZE}sdd")


def digest_of_events(rows: Iterable[EventRow]) -> bytes:
    """The digest of the events of one test, in the order of their numbers."""
    tally = EventsTally()
    for row in rows:
        tally.add(row)
    return tally.digest()


class EventsTally:
    """Takes in the events of one test, in the order of their numbers."""

    def __init__(self) -> None:
        self._digest = hashlib.sha256()

    def add(self, row: EventRow) -> None:
        """The next event."""
        self._digest.update(row.digest(BEGINNING))

    def digest(self) -> bytes:
        """SHA-256 over what each of those so far says."""
        return self._digest.digest()


@dataclass(frozen=True, kw_only=True)
class Fit:
    """How what was read fits the rows.

    Attributes:
        same: Instruments of which all was read, and is what the rows say.
        other: Instruments of which something else was read.
        events: Digest of the events that were read; None when none were, and the rows alone are checked.
    """

    same: frozenset[str] = frozenset()
    other: frozenset[str] = frozenset()
    events: bytes | None = None


class Tally:
    """Takes in the packs of one test, each instrument's in the order of their places."""

    def __init__(self, events: bytes | None = None) -> None:
        self.events = events
        self._digests: dict[str, hashlib._Hash] = {}
        self._spoilt: set[str] = set()

    def begin(self, channel: str) -> None:
        """An instrument is read from its first pack on; it may have none."""
        self._digests[channel] = hashlib.sha256()
        self._spoilt.discard(channel)

    def add(self, channel: str, place: int, content: bytes, first_s: float, last_s: float) -> None:
        """A pack: its content, and its first and last arrival. Spoilt by what no pack of a good record is."""
        try:
            packed = _PACK.pack(place, content, first_s, last_s)
        except struct.error:
            self.spoil(channel)
            return
        if len(content) == SIZE:
            self._digests[channel].update(packed)
        else:
            self.spoil(channel)

    def spoil(self, channel: str) -> None:
        """A pack of an instrument could not be read."""
        self._spoilt.add(channel)

    def fit(self, base: sqlite3.Connection, test: str) -> Fit:
        """Hold what was read against the rows of a test.

        Raises:
            sqlite3.Error: When the rows cannot be read.
        """
        stored = Tally()
        for channel in self._digests:
            stored.begin(channel)
        for row in base.execute(
            # From the rows themselves, as `RowCheck` digests them: a reader finds packs by the index, and
            # misses one whose instrument has another name there.
            "SELECT raw.channel, raw.place, raw.content, raw.first_s, raw.last_s FROM raw AS led "
            "CROSS JOIN raw ON raw.id = led.id WHERE led.test = ?1 AND raw.test = ?1 ORDER BY led.place",
            (test,),
        ):
            if row[0] in self._digests:
                stored.add(*row)
        bad = self._spoilt | stored._spoilt
        same = {
            channel
            for channel, digest in self._digests.items()
            if channel not in bad and digest.digest() == stored._digests[channel].digest()
        }
        return Fit(same=frozenset(same), other=frozenset(self._digests.keys() - same), events=self.events)
