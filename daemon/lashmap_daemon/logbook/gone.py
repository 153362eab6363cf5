"""A logbook whose file is taken away while it is open: noticing it, and saving what is in it to another file.

A deleted file lives on for whoever has it open, so that writing to it succeeds and everything is gone in the
end. Device and inode under the name tell; the file itself is never opened for that, since closing it again
would drop the locks of SQLite (fcntl(2)). What was written can still be read through the open connection.
"""

from __future__ import annotations

import secrets
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path

from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook.failures import naming
from lashmap_daemon.logbook.rows import copy_test
from lashmap_daemon.logbook.schema import connect, make_new, make_tables

Identity = tuple[int, int]  # device, inode


class Standing:
    """The file of an open logbook as it was when it was opened, and what has become of it.

    Args:
        path: The logbook, open and there.
    """

    def __init__(self, path: Path) -> None:
        self._path = path.resolve()
        self._log_path = self._path.with_name(f"{self._path.name}-wal")
        self._file = _identity(self._path)
        self._log: Identity | None = None
        self._folders = [(folder, _identity(folder)) for folder in self._path.parents]

    def written(self) -> None:
        """Something was written: from now on there is a write-ahead log."""
        if self._log is None:
            self._log = _identity(self._log_path)

    def closed(self) -> None:
        """The logbook was closed: SQLite takes the write-ahead log away itself."""
        self._log = None

    def why_gone(self) -> str:
        """What has become of the file, as part of a sentence; empty while it is there."""
        try:
            status = self._path.stat()
        except (FileNotFoundError, NotADirectoryError):
            if _identity(self._path.parent) != self._folders[0][1]:
                return "its folder is gone: removed, renamed, or its file system was unmounted"
            return "the file is gone: removed or renamed"
        except OSError as error:
            return f"the file cannot be reached any more ({error.strerror})"
        if (status.st_dev, status.st_ino) != self._file:
            return "another file stands under its name"
        if self._log is not None and _identity(self._log_path) != self._log:
            return f"its write-ahead log {self._log_path.name} is gone or another one"
        return ""

    def folders_left(self) -> Iterator[Path]:
        """Where something can be saved, the nearest first; never below a mount, which would hide it."""
        for folder, before in self._folders[:-1]:  # not into the root of all folders
            if before is not None and _identity(folder) == before:
                yield folder
        with suppress(RuntimeError):
            yield Path.home()
        yield Path(tempfile.gettempdir())


def save(base: sqlite3.Connection | None, standing: Standing, test: str) -> tuple[Path, bool]:
    """Copy what can be read of a logbook that is gone into a new file, in the nearest folder that is left.

    Args:
        base: The open connection; None makes an empty logbook.
        standing: Of the logbook.
        test: The test that has to be saved, should there be no room for the others.

    Returns:
        The new file, and whether all tests are in it.

    Raises:
        LogbookError: When nothing can be read, or there is no place.
    """
    problems: list[str] = []
    for everything in (True, False):
        for folder in standing.folders_left():
            new = folder / f"{test}-saved-{secrets.token_hex(3)}.logbook"
            try:
                make_new(new)
                _fill(new, base, test, everything=everything)
            except LogbookError as error:
                problems.append(str(error))
                for name in (new.name, f"{new.name}-journal", f"{new.name}-wal", f"{new.name}-shm"):
                    with suppress(OSError):
                        new.with_name(name).unlink()
            else:
                return new, everything
    raise LogbookError("; ".join(dict.fromkeys(problems)))


def _fill(new: Path, base: sqlite3.Connection | None, test: str, *, everything: bool) -> None:
    with naming(new), closing(connect(new)) as other:
        other.execute("PRAGMA synchronous=FULL")
        if base is not None and everything:
            base.backup(other)
            return
        make_tables(other)
        if base is not None:
            other.execute("BEGIN")
            copy_test(base, other, test)
            other.execute("COMMIT")


def _identity(path: Path) -> Identity | None:
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_dev, status.st_ino
