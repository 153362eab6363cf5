"""What was read of a test, in one digest an instrument and one of its events: what is judged is checked.

Reading a record back goes through every pack anyhow. When what was read of an instrument is, pack by pack,
what the rows say they hold, the check has only the rows left to go through; otherwise it reads the packs
itself, to name the ones that are wrong, or to find that something else was read than what stands there. The
events that were read are held against those whose digests the check computes, one by one.
"""

from __future__ import annotations

import hashlib
import sqlite3
import struct
from collections.abc import Iterable
from dataclasses import dataclass

from lashmap_daemon.seal import BEGINNING, SIZE, EventRow

_PACK = struct.Struct(f"<q{SIZE}sdd")


@dataclass(frozen=True)
class Told:
    """The events that were read.

    Attributes:
        count: How many.
        digest: SHA-256 over what each of them says, in the order of their numbers.
    """

    count: int
    digest: bytes


class EventsTally:
    """Takes in the events of one test, in the order of their numbers."""

    def __init__(self) -> None:
        self._count = 0
        self._digest = hashlib.sha256()

    def add(self, row: EventRow) -> None:
        """The next event."""
        self._count += 1
        self._digest.update(row.digest(BEGINNING))

    def told(self) -> Told:
        """Those so far."""
        return Told(self._count, self._digest.digest())


def told_of(rows: Iterable[EventRow]) -> Told:
    """What some events say."""
    tally = EventsTally()
    for row in rows:
        tally.add(row)
    return tally.told()


@dataclass(frozen=True, kw_only=True)
class Fit:
    """How what was read fits the rows.

    Attributes:
        same: Instruments of which all was read, and is what the rows say.
        other: Instruments of which something else was read.
        told: The events that were read; None when none were, and the check goes by the rows alone.
    """

    same: frozenset[str] = frozenset()
    other: frozenset[str] = frozenset()
    told: Told | None = None


class Tally:
    """Takes in the packs of one test, each instrument's in the order of their places.

    Args:
        told: Its events, when they were read too.
    """

    def __init__(self, told: Told | None = None) -> None:
        self.told = told
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
        said = Tally()
        for channel in self._digests:
            said.begin(channel)
        for row in base.execute(
            # From the rows themselves, as `seal_walk` digests them: a reader finds packs by the index, and
            # misses one whose instrument has another name there.
            "SELECT raw.channel, raw.place, raw.content, raw.first_s, raw.last_s FROM raw AS led "
            "CROSS JOIN raw ON raw.id = led.id WHERE led.test = ?1 AND raw.test = ?1 ORDER BY led.place",
            (test,),
        ):
            if row[0] in self._digests:
                said.add(*row)
        bad = self._spoilt | said._spoilt
        same = {
            channel
            for channel, digest in self._digests.items()
            if channel not in bad and digest.digest() == said._digests[channel].digest()
        }
        return Fit(same=frozenset(same), other=frozenset(self._digests.keys() - same), told=self.told)
