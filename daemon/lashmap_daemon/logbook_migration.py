"""From older schemas to the present one: in one transaction, with a copy beside it until it has succeeded.

Schema 1 kept events and packs in two rows of their own and chained nothing. The chain made here puts a pack
before the first event that is not older than its last chunk. Closed tests are sealed as ``brought over``:
such a seal shows what happens to them from now on, and nothing about the time before.
"""

from __future__ import annotations

import datetime as dt
import sqlite3
import struct
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from lashmap_drivers.readings import Chunk

from lashmap_daemon.errors import LogbookError, LogbookFull
from lashmap_daemon.logbook_failures import failure
from lashmap_daemon.logbook_rows import Head, add_event, add_raw, add_seal
from lashmap_daemon.logbook_schema import SCHEMA, TABLES, connect, is_writable, make_new

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
