"""Raw packs of a test read back, in pieces large enough for quick decoding; also from an archive.

An archive is a logbook of its own, with the whole test in it. What is read from it is compared with the
digest that stayed behind.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from lashmap_drivers.readings import Chunks, a_break

from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook.digests import Tally
from lashmap_daemon.logbook.failures import failure, is_unreachable, naming
from lashmap_daemon.logbook.pack import PackDamaged, opened, size_of
from lashmap_daemon.logbook.schema import connect, must_be_logbook


@dataclass(frozen=True, kw_only=True)
class Moved:
    """Where raw samples went.

    Attributes:
        test: Identifier of the test.
        file: The archive, as an absolute path when it was written.
        utc: When, ISO 8601.
        packs: How many packs.
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
            tally: Counts what was read.

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
