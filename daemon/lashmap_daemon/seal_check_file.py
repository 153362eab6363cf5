"""Does a logbook as a whole still fit its seals: the database itself, the chain of seals, tests taken out."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook_failures import failure, is_unreachable
from lashmap_daemon.logbook_rows import seal_from
from lashmap_daemon.logbook_schema import NOT_CARRIED, SCHEMA, foreign_objects, must_be_there, version_of
from lashmap_daemon.seal import BEGINNING, Seal
from lashmap_daemon.seal_check import DAMAGE, check_open, connect_leniently
from lashmap_daemon.seal_walk import TestCheck, plain

_MOST_DAMAGE = 10  # lines of the database's own check that are shown


@dataclass(frozen=True, kw_only=True)
class FileCheck:
    """What became of checking a file.

    Attributes:
        damage: What is wrong with the database or with the chain of seals.
        tests: Each test asked for, oldest first as far as can be told.
        seals: The seals whose own digests hold.
        notes: What the check cannot say.
        not_carried: What waited to be published and was lost when the file was rescued; empty for nothing.
    """

    damage: tuple[str, ...]
    tests: tuple[TestCheck, ...]
    seals: tuple[Seal, ...]
    notes: tuple[str, ...] = ()
    not_carried: str = ""

    @property
    def good(self) -> bool:
        """Nothing is wrong."""
        return not self.damage and not any(test.problems for test in self.tests)


def check_file(path: Path, test: str | None = None) -> FileCheck:
    """Check a logbook of the present schema.

    Args:
        path: The file.
        test: Check this test only; the database and the chain of seals are always checked.

    Raises:
        LogbookError: When it is no logbook of the present schema at all, or cannot be reached.
    """
    must_be_there(path)
    damage: list[str] = []
    notes: list[str] = []
    seals: list[Seal] = []
    names: list[str] = []
    checks: list[TestCheck] = []
    not_carried = ""
    try:
        with closing(connect_leniently(path)) as base:
            base.execute("BEGIN")  # one moment of a file that may be written meanwhile
            _must_be_logbook(base, path)
            try:
                foreign = foreign_objects(base, SCHEMA)
                damage += [f"its tables are not those of a logbook: {one}" for one in foreign]
                damage += _database(base)
                if not foreign:  # a view shows one thing to one and another to another: no test is judged
                    names = _names(base) if test is None else [test]
                    damage += _chain(base, seals, notes)
                    not_carried = _not_carried(base)
            except DAMAGE as error:
                damage.append(_what_is_damaged(path, error))
            checks = [check_open(base, path, name) for name in names]
    except DAMAGE as error:
        damage.append(_what_is_damaged(path, error))
    if checks and test is not None and checks[0].rows == 0 and not checks[0].problems:
        raise LogbookError(f"{path}: no test {test}; lashmap list names those it holds")
    return FileCheck(
        damage=tuple(plain(one) for one in damage),
        tests=tuple(checks),
        seals=tuple(seals),
        notes=tuple(notes),
        not_carried=plain(not_carried),
    )


def is_older(path: Path) -> bool:
    """True for a sound logbook of an older schema; what is wrong with any other is for `check_file` to say.

    Raises:
        LogbookError: When there is no such file.
    """
    must_be_there(path)
    try:
        base = connect_leniently(path)
        try:
            return 0 < version_of(base, path) < SCHEMA
        finally:
            base.close()
    except (sqlite3.Error, ValueError, LogbookError):
        return False


def _what_is_damaged(path: Path, error: Exception) -> str:
    if isinstance(error, sqlite3.Error) and is_unreachable(error):
        raise failure(path, error) from error
    if getattr(error, "sqlite_errorcode", 0) == sqlite3.SQLITE_NOTADB:
        return "it is no database: it never was a logbook, or its beginning is damaged"
    return f"the database is damaged ({error})"


def _must_be_logbook(base: sqlite3.Connection, path: Path) -> None:
    if version_of(base, path) != SCHEMA:
        raise LogbookError(f"{path}: is no logbook of schema {SCHEMA}")


def _database(base: sqlite3.Connection) -> Iterator[str]:
    for (answer,) in base.execute(f"PRAGMA integrity_check({_MOST_DAMAGE})"):
        # Several lines may come as one answer, below a heading between asterisks.
        told = [line for line in answer.splitlines() if line != "ok" and not line.startswith("***")]
        yield from (f"the database is damaged: {line}" for line in told[:_MOST_DAMAGE])


def _names(base: sqlite3.Connection) -> list[str]:
    """Every test that has a row or a seal."""
    rows = base.execute(
        "SELECT test, min(utc) FROM (SELECT test, utc FROM event UNION ALL SELECT test, '~' FROM raw "
        "UNION ALL SELECT test, utc FROM seal) GROUP BY test ORDER BY 2, 1"
    )
    return [str(name) for name, _ in rows]


def _not_carried(base: sqlite3.Connection) -> str:
    row = base.execute("SELECT value FROM about WHERE key = ?", (NOT_CARRIED,)).fetchone()
    return "" if row is None else str(row[0])


def _chain(base: sqlite3.Connection, seals: list[Seal], notes: list[str]) -> Iterator[str]:
    part = base.execute("SELECT value FROM about WHERE key = 'part of'").fetchone()
    rescued = base.execute("SELECT value FROM about WHERE key = 'rescued from'").fetchone()
    if rescued is not None:
        notes.append(f"What is here was rescued from {rescued[0]}.")
    number, previous, elsewhere = 0, BEGINNING, list[str]()
    for row in base.execute("SELECT * FROM seal ORDER BY number"):
        seal, stored = seal_from(row)
        gone = seal.number - number - 1
        if gone:
            which = f"seal {number + 1}" if gone == 1 else f"seals {number + 1} to {seal.number - 1}"
            elsewhere.append(which)
            if part is None:
                be = "is" if gone == 1 else "are"
                yield f"{which} {be} gone: closed tests were taken out, or a seal was"
        elif seal.previous != previous:
            yield f"seal {seal.number} (test {seal.test}) does not follow on seal {number}: one was replaced"
        if seal.digest == stored:
            seals.append(seal)
        number, previous = seal.number, stored
    if part is not None:
        what = f": {', '.join(elsewhere)} not among them" if elsewhere else ""
        notes.append(
            f"This file says that it holds some tests of {part[0]}, with their seals numbered as there{what}."
        )
