"""Reading the raw packs of a test back, in pieces large enough for quick opening and decoding."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from lashmap_drivers.readings import Chunks, a_break

from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook_failures import naming
from lashmap_daemon.logbook_moved import Archives, moved_of
from lashmap_daemon.logbook_pack import PackDamaged, opened, size_of
from lashmap_daemon.seal_tally import Tally

_PIECE_BYTES = 1 << 18  # some 50,000 lines, enough that numpy's fixed costs no longer count
_MOST_PACKS = 100


class RawReader:
    """Reads raw packs from an open file.

    Args:
        base: The file's connection.
        path: Its path, for messages and to find its archives.
        archives: Of this file.
    """

    def __init__(self, base: sqlite3.Connection, path: Path, archives: Archives) -> None:
        self._base, self._path, self._archives = base, path, archives

    def pieces(
        self, test: str, channel: str, *, gaps: bool = False, tally: Tally | None = None
    ) -> Iterator[Chunks]:
        """The chunks of one instrument in order, read as they are taken.

        Args:
            test: Identifier of the test.
            channel: Which instrument.
            gaps: A pack that cannot be read becomes a break instead of an error.
            tally: Is told what was read.

        Raises:
            LogbookError: When a pack cannot be read, or was moved to an archive that is not at hand.
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
        """What all packs of a test hold; where that cannot be told of an instrument, it is spoilt."""
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
            return stored  # said when it is opened
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
