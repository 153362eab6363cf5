"""What the tables of a logbook are, and how a file is told to be one.

Schema 2. A test is one chain of rows: ``place`` counts its events and packs together, in the order in which
they were written. A pack whose blobs are null was moved to an archive; its digests stay.

Here is the one list of all tables and indices that a logbook may hold, those of the bus included. Whoever
opens a logbook asks `schema_of`, which refuses anything else: a view or a trigger could show other rows to
the one who judges than to the one who checks the digests.
"""

from __future__ import annotations

import datetime as dt
import os
import sqlite3
import struct
from collections.abc import Iterator
from contextlib import closing
from functools import cache
from pathlib import Path

from lashmap_drivers.readings import Chunk

from lashmap_daemon.errors import LogbookError, LogbookFull
from lashmap_daemon.logbook.failures import failure
from lashmap_daemon.logbook.rows import Head, add_event, add_raw, add_seal
from lashmap_daemon.whole_file import create_new

SCHEMA = 2
NOT_CARRIED = "not carried over"
"""Key in the table ``about``: what waited to be published and was lost by a rescue."""
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
RESULTS_OF_OLD = """
CREATE TABLE outbox_result (
    id INTEGER PRIMARY KEY, topic TEXT NOT NULL, identifier TEXT NOT NULL, body TEXT NOT NULL,
    sent INTEGER NOT NULL);
"""
"""Of earlier versions, no longer made: results as texts that no digest covers. They are never sent."""
_TABLES_1 = """
CREATE TABLE event (
    test TEXT NOT NULL, number INTEGER NOT NULL, time_s REAL NOT NULL, utc TEXT NOT NULL,
    kind TEXT NOT NULL, body TEXT NOT NULL, PRIMARY KEY (test, number)) WITHOUT ROWID;
CREATE TABLE raw (
    id INTEGER PRIMARY KEY, test TEXT NOT NULL, channel TEXT NOT NULL,
    first_s REAL NOT NULL, last_s REAL NOT NULL, arrivals BLOB NOT NULL, data BLOB NOT NULL);
CREATE INDEX raw_by_test ON raw (test, channel, id);
"""
_ALWAYS = {1: _TABLES_1, 2: TABLES}
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


def make_new(path: Path) -> None:
    """Make an empty file that was not there before SQLite opens it: SQLite would follow a link to nowhere.

    What else is in the way is left for SQLite to meet, and for `logbook.failures` to name.

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
    _make(base, OUTBOX)


def make_results_of_old(base: sqlite3.Connection) -> None:
    """Add the table of results that an earlier version left as text, to carry such results over.

    Raises:
        sqlite3.Error: When it cannot be written.
    """
    _make(base, RESULTS_OF_OLD)


def _make(base: sqlite3.Connection, script: str) -> None:
    base.execute(script.strip().removesuffix(";").replace("CREATE TABLE", "CREATE TABLE IF NOT EXISTS", 1))


def schema_of(base: sqlite3.Connection, path: Path) -> int:
    """Schema of a logbook that holds the tables of its schema and nothing else; 0 for an empty file.

    Raises:
        LogbookError: When it is a database, but no logbook, was written by a newer version, or holds
            anything that lashmap did not make.
        sqlite3.Error: When it is no database.
    """
    schema = version_of(base, path)
    wrong = foreign_objects(base, schema) if schema else ()
    if wrong:
        raise LogbookError(
            f"{path}: its tables are not those of a logbook: {'; '.join(wrong)}. Nothing in it is judged or "
            f"added to. Keep the file as it is; save its records, checked one by one, with: "
            f"lashmap rescue {path} NEW"
        )
    return schema


def version_of(base: sqlite3.Connection, path: Path) -> int:
    """As `schema_of`, whatever else the file holds.

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


def foreign_objects(base: sqlite3.Connection, schema: int) -> tuple[str, ...]:
    """What in the file is not of a logbook of this schema, or is missing; empty when all is as it should be.

    Raises:
        sqlite3.Error: When the database is damaged.
    """
    found = _objects(base)
    always = _made_by(_ALWAYS[schema])
    known = always | _made_by(OUTBOX) | _made_by(RESULTS_OF_OLD)
    names = {(kind, name) for kind, name, _, _ in known}
    other = [one for one in found if one not in known]
    wrong = [
        f"{kind} {name} "
        + ("is not as lashmap makes it" if (kind, name) in names else "does not belong there")
        for kind, name, _, _ in other
    ]
    told = {(kind, name) for kind, name, _, _ in other}
    missing = sorted((kind, name) for kind, name, _, _ in always - set(found))
    wrong += [f"{kind} {name} is missing" for kind, name in missing if (kind, name) not in told]
    if len(set(found)) < len(found):
        wrong.append("something is in it twice")
    return tuple("".join(c if c.isprintable() else "?" for c in one) for one in wrong[:_MOST_NAMED])


def _objects(base: sqlite3.Connection) -> list[_Object]:
    return base.execute("SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY 1, 2").fetchall()


@cache
def _made_by(script: str) -> frozenset[_Object]:
    model = sqlite3.connect(":memory:")
    try:
        model.executescript(script)
        return frozenset(_objects(model))
    finally:
        model.close()


# From older schemas to the present one: in one transaction, with a copy beside it until it has succeeded.
#
# Schema 1 kept events and packs in two rows of their own and chained nothing. The chain made here puts a
# pack before the first event that is not older than its last chunk. Closed tests are sealed as ``brought
# over``: such a seal shows what happens to them from now on, and nothing about the time before.


_ARRIVAL_1 = struct.Struct("<dI")


def bring_up_to_date(base: sqlite3.Connection, path: Path, schema: int) -> None:
    """Migrate an open logbook.

    Args:
        base: Open on ``path``.
        path: The file; its copy stands beside it meanwhile, and stays there when this fails.
        schema: What it has now.

    Raises:
        LogbookError: When it cannot be written, or is too damaged to be read whole.
        sqlite3.Error: When SQLite fails; the file is as it was.
    """
    if not is_writable(path):
        raise LogbookError(
            f"{path}: has logbook schema {schema} and must be brought to {SCHEMA}, but cannot be written; "
            "copy it to a folder where you may write, and open the copy"
        )
    copy = path.with_name(f"{path.name}.schema-{schema}")
    base.execute("BEGIN EXCLUSIVE")
    try:
        if base.execute("PRAGMA user_version").fetchone() == (schema,):  # else somebody was quicker
            _copy(path, copy)
            _from_schema_1(base)
        base.execute("COMMIT")
    except BaseException as error:
        if base.in_transaction:
            base.execute("ROLLBACK")
        if isinstance(error, sqlite3.Error) and isinstance(failure(path, error), LogbookFull):
            copy.unlink(missing_ok=True)  # it may be cut; the file itself is as it was
        elif isinstance(error, sqlite3.DatabaseError | struct.error | ValueError | TypeError | OverflowError):
            raise LogbookError(
                f"{path}: has logbook schema {schema} and cannot be brought to {SCHEMA} ({error}); it is as "
                f"it was, with a copy in {copy}; save what is left with: lashmap rescue {path} NEW"
            ) from error
        raise
    copy.unlink(missing_ok=True)


def chunks_of_schema_1(arrivals: bytes, data: bytes) -> list[Chunk]:
    """The chunks of a pack of schema 1.

    Raises:
        ValueError: When lengths and bytes do not fit.
        struct.error: When the arrivals are cut off.
    """
    chunks, start = [], 0
    for arrival_s, length in _ARRIVAL_1.iter_unpack(arrivals):
        chunks.append(Chunk(arrival_s, data[start : start + length]))
        start += length
    if start != len(data):
        raise ValueError(f"a pack has {len(data)} bytes instead of {start}")
    return chunks


def _copy(path: Path, copy: Path) -> None:
    """Through SQLite, so that what still stands in a journal comes along.

    By a connection of its own: the one that is about to write must not be its own reader.
    """
    copy.unlink(missing_ok=True)
    make_new(copy)
    with closing(connect(path, only_read=True)) as base, closing(sqlite3.connect(copy.absolute())) as other:
        base.backup(other)


def _from_schema_1(base: sqlite3.Connection) -> None:
    base.execute("ALTER TABLE event RENAME TO event_1")
    base.execute("ALTER TABLE raw RENAME TO raw_1")
    base.execute("DROP INDEX raw_by_test")
    for statement in TABLES.split(";\n"):
        base.execute(statement)
    for (test,) in base.execute("SELECT DISTINCT test FROM event_1 ORDER BY utc, test").fetchall():
        chain_of_schema_1(base, test)
    base.execute("DROP TABLE event_1")
    base.execute("DROP TABLE raw_1")
    base.execute(f"PRAGMA user_version={SCHEMA}")


def chain_of_schema_1(base: sqlite3.Connection, test: str, *, sealed: bool = True) -> None:
    """Write the rows of a test from tables ``event_1`` and ``raw_1`` into the present ones, chained.

    Args:
        base: Within a transaction.
        test: Identifier of the test.
        sealed: Seal it as ``brought over`` when it was closed.
    """
    head, kind = Head(test=test), ""
    packs = base.execute(
        "SELECT channel, last_s, arrivals, data FROM raw_1 WHERE test = ? ORDER BY id", (test,)
    )
    pack = next(packs, None)
    for time_s, utc, kind, body in base.execute(
        "SELECT time_s, utc, kind, body FROM event_1 WHERE test = ? ORDER BY number", (test,)
    ).fetchall():
        while pack is not None and pack[1] <= time_s:
            _add(base, head, pack)
            pack = next(packs, None)
        add_event(base, head, time_s=time_s, utc=utc, kind=kind, body=body)
    for rest in _all(pack, packs):
        _add(base, head, rest)
    if sealed and kind == "TestClosed":
        add_seal(base, head, f"{dt.datetime.now(dt.UTC):%Y-%m-%dT%H:%M:%SZ}", "brought over")


_Pack1 = tuple[str, float, bytes, bytes]


def _all(first: _Pack1 | None, rest: Iterator[_Pack1]) -> Iterator[_Pack1]:
    if first is not None:
        yield first
        yield from rest


def _add(base: sqlite3.Connection, head: Head, pack: _Pack1) -> None:
    channel, _, arrivals, data = pack
    if chunks := chunks_of_schema_1(arrivals, data):
        add_raw(base, head, channel, chunks)
