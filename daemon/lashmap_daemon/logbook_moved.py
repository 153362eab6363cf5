"""Raw samples that were moved to an archive: where they are, and reading them from there.

An archive is a logbook of its own, with the whole test in it. What is read from it is held against the digest
that stayed behind.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from pathlib import Path

from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook_failures import failure, is_unreachable
from lashmap_daemon.logbook_pack import PackDamaged
from lashmap_daemon.logbook_schema import connect, schema_of


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
                schema_of(base, path)
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
