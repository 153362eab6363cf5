"""The file of a logbook: its tables, how it is known to be one, how it is opened, and what can fail.

A test is one chain of rows: ``place`` counts its events and packs together, in the order in which
they were written. A pack whose blobs are null was moved to an archive; its digests stay. A build is a chain
too, with events of its own, and its photographs as packs.

Here is the one list of all tables and indices that a logbook may hold, those of the bus included. Whoever
opens a logbook asks `must_be_logbook`, which refuses anything else: a view or a trigger could show other rows
to the one who judges than to the one who checks the digests. A logbook of another schema is refused.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from functools import cache
from pathlib import Path

from lashmap_daemon.errors import ConfigurationError, LogbookError, LogbookFull
from lashmap_daemon.whole_file import create_new

SCHEMA = 2
NOT_CARRIED = "not carried over"
"""Key in the table ``about``: what waited to be published and was lost by a rescue."""
BUILD = "build-"
"""The name of a build begins so, that of a test never."""
_MOST_NAMED = 10
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
OUTBOX = """
CREATE TABLE outbox (
    id INTEGER PRIMARY KEY, topic TEXT NOT NULL, test TEXT NOT NULL, sent INTEGER NOT NULL,
    UNIQUE (topic, test));
"""
"""Made when a test is first to be published: of each test, the number of the newest event that was sent."""
_Object = tuple[str, str, str, str | None]  # type, name, its table, and what made it


def connect(
    path: Path, *, busy_s: float = 5.0, only_read: bool = False, threads: bool = False
) -> sqlite3.Connection:
    """Open a file; one that cannot be written is opened for reading.

    Args:
        path: The file.
        busy_s: How long to wait for another one who writes.
        only_read: Leave the file and its write-ahead log as they are, even where that is torn.
        threads: Several threads use it, one at a time.

    Raises:
        LogbookError: When a link stands where SQLite would write beside it.
        sqlite3.Error: When it cannot be opened.
    """
    _must_have_no_links_beside(path)
    if not only_read and (not path.exists() or is_writable(path)):
        base = sqlite3.connect(
            path.absolute(), isolation_level=None, timeout=busy_s, check_same_thread=not threads
        )
    else:
        # Without its shared-memory file, a database in WAL mode can be read only as one that nobody changes.
        waiting = path.with_name(path.name + "-wal")
        quiet = not waiting.exists() or waiting.stat().st_size == 0
        mode = "immutable=1" if quiet and not is_writable(path) else "mode=ro"
        base = sqlite3.connect(
            f"{path.resolve().as_uri()}?{mode}",
            isolation_level=None,
            timeout=busy_s,
            uri=True,
            check_same_thread=not threads,
        )
    base.execute("PRAGMA trusted_schema=OFF")  # what stands in the file's schema runs nothing of ours
    return base


@contextmanager
def transaction(base: sqlite3.Connection) -> Iterator[None]:
    """All that is written inside, or nothing of it."""
    base.execute("BEGIN IMMEDIATE")
    try:
        yield
        base.execute("COMMIT")
    except BaseException:
        if base.in_transaction:
            base.execute("ROLLBACK")
        raise


def make_new(path: Path) -> None:
    """Make an empty file that was not there before SQLite opens it: SQLite would follow a link to nowhere.

    What else is in the way is left for SQLite to meet, and for `naming` to say.

    Raises:
        LogbookError: When a link or a file stands under the name.
    """
    try:
        os.close(create_new(path))
    except FileExistsError as error:
        what = "a symbolic link to a file that is not there" if path.is_symlink() else "there already"
        raise LogbookError(f"{path}: is {what}; remove it, or name another file") from error
    except OSError:
        pass


def _must_have_no_links_beside(path: Path) -> None:
    for ending in ("-wal", "-shm", "-journal"):
        beside = path.resolve().with_name(f"{path.resolve().name}{ending}")
        if beside.is_symlink():
            raise LogbookError(
                f"{beside}: is a symbolic link, and what is behind it would be written; find out who made "
                "it, and remove it"
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


def must_be_writable(path: Path) -> None:
    """Refuse a logbook that cannot be written, before anything is begun; one that is absent may be made.

    Raises:
        LogbookError: When the file or its folder is read-only for us.
    """
    folder = path.resolve().parent
    if path.exists() and not os.access(path, os.W_OK):
        raise LogbookError(
            f"{path}: you may not write to it, or its disk is read-only, so nothing was begun; ask its "
            "owner, or name another file with --logbook. To read it (list, review, export, verify) is allowed"
        )
    if folder.is_dir() and not os.access(folder, os.W_OK | os.X_OK):
        raise LogbookError(
            f"{path}: you may not write in its folder {folder}, or its disk is read-only, so nothing was "
            "begun; name a file in another folder with --logbook. To read a logbook there (list, review, "
            "export, verify) is allowed"
        )


def must_have_place(path: Path) -> None:
    """Refuse a logbook that could not be made or written, before anybody is asked anything.

    Raises:
        ConfigurationError: When there is no such folder.
        LogbookError: As `must_be_writable`.
    """
    if not path.parent.is_dir():
        raise ConfigurationError(str(path), [f"logbook: no such folder {path.parent}; make it first"])
    must_be_writable(path)


def make_tables(base: sqlite3.Connection) -> None:
    """Make an empty file a logbook, in one transaction.

    Raises:
        sqlite3.Error: When it cannot be written.
    """
    base.executescript(
        f"BEGIN IMMEDIATE; {TABLES} PRAGMA application_id={APPLICATION_ID};"
        f"PRAGMA user_version={SCHEMA}; COMMIT;"
    )


def make_outbox(base: sqlite3.Connection) -> None:
    """Add the table of the bus, where it is not there.

    Raises:
        sqlite3.Error: When it cannot be written.
    """
    base.execute(OUTBOX.strip().removesuffix(";").replace("CREATE TABLE", "CREATE TABLE IF NOT EXISTS", 1))


def must_be_logbook(base: sqlite3.Connection, path: Path) -> bool:
    """True for a logbook that holds its tables and nothing else; False for an empty file.

    Raises:
        LogbookError: When it is a database, but no logbook, is of another version, or holds anything that
            lashmap did not make.
        sqlite3.Error: When it is no database.
    """
    if is_empty(base, path):
        return False
    wrong = foreign_objects(base)
    if wrong:
        raise LogbookError(
            f"{path}: its tables are not those of a logbook: {'; '.join(wrong)}. Nothing in it is judged or "
            f"added to. Keep the file as it is; save its records, checked one by one, with: "
            f"lashmap rescue {path} NEW"
        )
    return True


def is_logbook(path: Path) -> bool:
    """True for a file that says it is a logbook; False too where it cannot be read.

    The mark of an application stands at byte 68 of an SQLite file (SQLite, "Database File Format", 1.3).
    """
    try:
        with path.open("rb") as file:
            head = file.read(72)
    except OSError:
        return False
    return head[:16] == b"SQLite format 3\0" and head[68:72] == APPLICATION_ID.to_bytes(4, "big")


def is_empty(base: sqlite3.Connection, path: Path) -> bool:
    """True for a file without a table, False for a logbook, whatever else it holds.

    Raises:
        LogbookError: When it is a database, but no logbook, or is of another version.
        sqlite3.Error: When it is no database.
    """
    (application,) = base.execute("PRAGMA application_id").fetchone()
    (schema,) = base.execute("PRAGMA user_version").fetchone()
    (tables,) = base.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if application == 0 and tables == 0:
        return True
    if application != APPLICATION_ID:
        raise LogbookError(f"{path}: is a database, but not a lashmap logbook; choose another file")
    if schema != SCHEMA:
        raise LogbookError(
            f"{path}: has logbook schema {schema}, this version reads {SCHEMA}; use the version that wrote it"
        )
    return False


def foreign_objects(base: sqlite3.Connection) -> tuple[str, ...]:
    """What in the file is not of a logbook, or is missing; empty when all is as it should be.

    Raises:
        sqlite3.Error: When the database is damaged.
    """
    found = _objects(base)
    always = _made_by(TABLES)
    known = always | _made_by(OUTBOX)
    names = {(kind, name) for kind, name, _, _ in known}
    other = [one for one in found if one not in known]
    wrong = [
        f"{kind} {name} "
        + ("is not as lashmap makes it" if (kind, name) in names else "does not belong there")
        for kind, name, _, _ in other
    ]
    named = {(kind, name) for kind, name, _, _ in other}
    missing = sorted((kind, name) for kind, name, _, _ in always - set(found))
    wrong += [f"{kind} {name} is missing" for kind, name in missing if (kind, name) not in named]
    if len(set(found)) < len(found):
        wrong.append("something is in it twice")
    return tuple("".join(c if c.isprintable() else "?" for c in one) for one in wrong[:_MOST_NAMED])


def _objects(base: sqlite3.Connection) -> list[_Object]:
    return base.execute("SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY 1, 2").fetchall()


@cache
def _made_by(script: str) -> frozenset[_Object]:
    model = sqlite3.connect(":memory:")
    with closing(model):
        model.executescript(script)
        return frozenset(_objects(model))


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
