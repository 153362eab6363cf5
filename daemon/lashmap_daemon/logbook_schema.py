"""What the tables of a logbook are, and how a file is told to be one.

Schema 2. A test is one chain of rows: ``place`` counts its events and packs together, in the order in which
they were written. A pack whose blobs are null was moved to an archive; its digests stay.
"""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

from lashmap_daemon.errors import LogbookError

SCHEMA = 2
APPLICATION_ID = 0x6C6D6170  # "lmap", so that `file` and we can tell a logbook from any other database
TABLES = """
CREATE TABLE event (
    test TEXT NOT NULL, number INTEGER NOT NULL, place INTEGER NOT NULL, time_s REAL NOT NULL,
    utc TEXT NOT NULL, kind TEXT NOT NULL, body TEXT NOT NULL, digest BLOB NOT NULL,
    PRIMARY KEY (test, number)) WITHOUT ROWID;
CREATE TABLE raw (
    id INTEGER PRIMARY KEY, test TEXT NOT NULL, place INTEGER NOT NULL, channel TEXT NOT NULL,
    number INTEGER NOT NULL, first_s REAL NOT NULL, last_s REAL NOT NULL, content BLOB NOT NULL,
    digest BLOB NOT NULL, arrivals BLOB, data BLOB);
CREATE UNIQUE INDEX raw_by_place ON raw (test, place, channel);
CREATE TABLE seal (
    number INTEGER PRIMARY KEY, test TEXT NOT NULL, rows INTEGER NOT NULL, head BLOB NOT NULL,
    utc TEXT NOT NULL, made TEXT NOT NULL, previous BLOB NOT NULL, digest BLOB NOT NULL);
CREATE INDEX seal_by_test ON seal (test, number);
CREATE TABLE moved (
    test TEXT PRIMARY KEY, file TEXT NOT NULL, utc TEXT NOT NULL, packs INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE about (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
"""


def connect(path: Path, *, busy_s: float = 5.0, only_read: bool = False) -> sqlite3.Connection:
    """Open a file; one that cannot be written is opened for reading.

    Args:
        path: The file.
        busy_s: How long to wait for another one who writes.
        only_read: Leave the file and its write-ahead log as they are, even where that is torn.

    Raises:
        sqlite3.Error: When it cannot be opened.
    """
    if not only_read and (not path.exists() or is_writable(path)):
        return sqlite3.connect(path.absolute(), isolation_level=None, timeout=busy_s)
    # Without its shared-memory file, a database in WAL mode can be read only as one that nobody changes.
    waiting = path.with_name(path.name + "-wal")
    quiet = not waiting.exists() or waiting.stat().st_size == 0
    mode = "immutable=1" if quiet and not is_writable(path) else "mode=ro"
    return sqlite3.connect(
        f"{path.resolve().as_uri()}?{mode}", isolation_level=None, timeout=busy_s, uri=True
    )


def must_be_there(path: Path) -> None:
    """Refuse a file that is not there, or holds nothing.

    Raises:
        LogbookError: When there is none.
    """
    if path.is_dir():
        raise LogbookError(f"{path}: is a folder; name the logbook in it with --logbook")
    if not path.is_file():
        raise LogbookError(f"{path}: no such logbook; name it with --logbook, or run a test first")
    must_not_lose_its_log(path)
    if path.stat().st_size == 0:
        raise LogbookError(
            f"{path}: is empty: nothing was ever written to it, or it was cut to nothing. If it was a "
            "logbook, look for an older copy; otherwise delete it and run a test first"
        )


def must_not_lose_its_log(path: Path) -> None:
    """Refuse a write-ahead log whose file is gone or empty: SQLite would delete it on opening.

    Raises:
        LogbookError: When rows stand in a log without its file, or the name is that of a device or pipe.
    """
    if path.exists() and not path.is_file() and not path.is_dir():
        raise LogbookError(f"{path}: is a device, a pipe or a socket; name a file")
    log = path.with_name(path.name + "-wal")
    empty = path.is_file() and path.stat().st_size == 0
    if (empty or not path.exists()) and log.is_file() and log.stat().st_size > 0:
        raise LogbookError(
            f"{path}: is {'empty' if empty else 'not there'}, but its write-ahead log {log.name} is. Bring "
            "the file back beside it; if it is lost, save what is in the log with: "
            f"lashmap rescue {path} NEW; otherwise name another file"
        )


def is_writable(path: Path) -> bool:
    """True when file and folder let us write."""
    return os.access(path, os.W_OK) and os.access(path.resolve().parent, os.W_OK)


def make_tables(base: sqlite3.Connection) -> None:
    """Make an empty file a logbook, in one transaction.

    Raises:
        sqlite3.Error: When it cannot be written.
    """
    base.executescript(
        f"BEGIN IMMEDIATE; {TABLES} PRAGMA application_id={APPLICATION_ID};"
        f"PRAGMA user_version={SCHEMA}; COMMIT;"
    )


def schema_of(base: sqlite3.Connection, path: Path) -> int:
    """Schema of a logbook; 0 for an empty file.

    Raises:
        LogbookError: When it is a database, but no logbook, or was written by a newer version.
        sqlite3.Error: When it is no database.
    """
    (application,) = base.execute("PRAGMA application_id").fetchone()
    (schema,) = base.execute("PRAGMA user_version").fetchone()
    (tables,) = base.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if application == 0 and tables == 0:
        return 0
    if application != APPLICATION_ID:
        raise LogbookError(f"{path}: is a database, but not a lashmap logbook; choose another file")
    if not 1 <= schema <= SCHEMA:
        raise LogbookError(
            f"{path}: has logbook schema {schema}, this version reads up to {SCHEMA}; use the version that "
            "wrote it, or a newer one"
        )
    return int(schema)
