"""What SQLite says when it fails, as errors that name the file and say what to do."""

from __future__ import annotations

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
            "fails. Make room; what was written is safe, and what waits is kept in memory and written then"
        )
    remedy = "check the disk and the file's permissions"
    match code & 0xFF:
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            remedy = "another program is writing to it; wait for it or end it"
        case sqlite3.SQLITE_READONLY:
            remedy = "it cannot be written; copy it to a folder where you may write"
        case sqlite3.SQLITE_CORRUPT:
            remedy = f"it is damaged; save what is left with: lashmap rescue {path} NEW"
    return LogbookError(f"{path}: {error}; {remedy}")
