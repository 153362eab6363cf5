"""Failures of SQLite as errors that name the file and what to do."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from lashmap_daemon.errors import LogbookError, LogbookFull

# A quota or a limit on the size of a file shows as a failed write; so does a failing disk. All are worth
# waiting for, and none has changed what is in the file.
_NO_ROOM = {
    sqlite3.SQLITE_FULL,
    sqlite3.SQLITE_IOERR_WRITE,
    sqlite3.SQLITE_IOERR_FSYNC,
    sqlite3.SQLITE_IOERR_TRUNCATE,
    sqlite3.SQLITE_IOERR_SHMSIZE,
}
# A first page of which SQLite makes nothing it knows (seen with SQLite 3.40: the code is that of any error).
_BROKEN_HEAD = {"unsupported file format"}
_UNREACHABLE = {
    sqlite3.SQLITE_BUSY,
    sqlite3.SQLITE_LOCKED,
    sqlite3.SQLITE_CANTOPEN,
    sqlite3.SQLITE_PERM,
    sqlite3.SQLITE_AUTH,
    sqlite3.SQLITE_READONLY,
    sqlite3.SQLITE_NOMEM,
}


@contextmanager
def naming(path: Path) -> Iterator[None]:
    """Turn errors of SQLite into those of this package.

    Raises:
        LogbookFull: When there is no room.
        LogbookError: For anything else.
    """
    try:
        yield
    except sqlite3.Error as error:
        raise failure(path, error) from error
    except UnicodeDecodeError as error:  # the message itself, when it quotes damaged bytes
        raise LogbookError(
            f"{path}: its tables cannot be read; save what is left with: lashmap rescue {path} NEW"
        ) from error


def failure(path: Path, error: sqlite3.Error) -> LogbookError:
    """The error to raise for one of SQLite's."""
    code = getattr(error, "sqlite_errorcode", 0)  # absent where the module itself complains
    if code in _NO_ROOM:
        return LogbookFull(
            f"{path}: no room ({error}): the disk is full, a quota or size limit is reached, or the disk "
            "fails. Make room; what was written is safe, and what a running test could not write waits in "
            "memory until then"
        )
    if str(error) in _BROKEN_HEAD:
        code = sqlite3.SQLITE_CORRUPT
    return LogbookError(f"{path}: {error}; {_remedy(path, code & 0xFF)}")


def is_unreachable(error: sqlite3.Error) -> bool:
    """True when the file could not be read for a reason that says nothing about what is in it."""
    return getattr(error, "sqlite_errorcode", 0) & 0xFF in _UNREACHABLE


def _remedy(path: Path, code: int) -> str:
    match code:
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return "another program is writing to it; wait for it or end it"
        case sqlite3.SQLITE_READONLY:
            return "it cannot be written; copy it to a folder where you may write"
        case sqlite3.SQLITE_CORRUPT:
            return f"it is damaged; save what is left with: lashmap rescue {path} NEW"
        case sqlite3.SQLITE_NOTADB:
            return (
                "so it is no logbook; choose another file. If it was a logbook, its beginning is damaged: "
                f"save what is left with: lashmap rescue {path} NEW"
            )
        case sqlite3.SQLITE_CANTOPEN | sqlite3.SQLITE_PERM | sqlite3.SQLITE_AUTH:
            return _why_not_open(path)
    return "check the disk and the file's permissions"


def _why_not_open(path: Path) -> str:
    """The system's own reason is lost on the way through SQLite; most can be found by a check of the file."""
    folder = path.absolute().parent
    log = path.with_name(path.name + "-wal")
    if path.is_dir():
        return "it is a folder; name the file"
    if not folder.is_dir():
        return f"there is no folder {folder}; make it, or choose another"
    if path.exists() and not os.access(path, os.R_OK):
        return "you may not read it; ask its owner, or read it as the user who wrote it"
    if not os.access(folder, os.W_OK):
        what = "read what stands in its write-ahead log" if log.exists() else "write there"
        return (
            f"you may not write in its folder {folder}, which is needed to {what}; copy it, together with "
            "the files of the same name, to a folder where you may write"
        )
    return "check the disk, and the permissions of the file and its folder"
