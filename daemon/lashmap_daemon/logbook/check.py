"""Does a logbook still fit its digests and seals: one test, and the file as a whole.

`open_to_read` is the one way to open a logbook for whoever judges it. How the rows of a test are checked, and
how a deviation is named, is in `logbook.walk`. Of the file as a whole are checked: the database itself, the
chain of seals, and whether tests were taken out.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook.digests import BEGINNING, EventRow, Fit, Seal, Tally
from lashmap_daemon.logbook.failures import failure, is_unreachable
from lashmap_daemon.logbook.raw import Archives, RawReader
from lashmap_daemon.logbook.rows import seal_from
from lashmap_daemon.logbook.schema import (
    NOT_CARRIED,
    connect,
    foreign_objects,
    is_empty,
    must_be_logbook,
    must_be_there,
)
from lashmap_daemon.logbook.walk import RowCheck, TestCheck, plain

DAMAGE = (sqlite3.Error, TypeError, ValueError, OverflowError)  # what reading a damaged file ends in


@contextmanager
def open_to_read(path: Path) -> Iterator[sqlite3.Connection]:
    """One moment of a logbook, by one connection in one transaction; it may be written to meanwhile.

    Text is read whatever its bytes are: one bad byte must not hide its neighbours.

    Raises:
        LogbookError: When it holds anything that is not of a logbook.
        sqlite3.Error: When it cannot be opened.
    """
    with closing(connect_leniently(path)) as base:
        base.execute("BEGIN")
        must_be_logbook(base, path)
        yield base


def check_test(logbook: Path, test: str, read: Tally | None = None) -> TestCheck:
    """Check one test of a file, raw samples included.

    Damage of the database becomes a problem of the test; nothing is raised for it.

    Args:
        logbook: The file.
        test: Identifier of the test.
        read: What was just read of it, see `check_open`.

    Raises:
        LogbookError: When the file cannot be reached, which is no fault of the test, or holds anything that
            is not of a logbook.
    """
    try:
        with open_to_read(logbook) as base:
            return check_open(base, logbook, test, read)
    except sqlite3.Error as error:
        return _damaged(logbook, test, error)


def check_open(base: sqlite3.Connection, logbook: Path, test: str, read: Tally | None = None) -> TestCheck:
    """Check one test of an open file as `check_test` does.

    Args:
        base: From `open_to_read`.
        logbook: The file.
        test: Identifier of the test.
        read: What was just read of it. Packs are read again only if that does not fit; if they then turn out
            to be good, something else was read, and that is a problem too. So are other events.

    Raises:
        LogbookError: When the file cannot be reached, which is no fault of the test.
    """
    try:
        with closing(Archives(logbook)) as archives:
            if read is None:  # packs read many at once, and then one by one only where something is wrong
                fit = Fit(same=RawReader(base, logbook, archives).tally(test).fit(base, test).same)
            else:
                fit = read.fit(base, test)
            return RowCheck(base, logbook, archives, test, fit).result()
    except DAMAGE as error:
        return _damaged(logbook, test, error)


def check_rows(logbook: Path, test: str) -> tuple[list[EventRow], TestCheck]:
    """The events of a test, and whether its rows fit their digests and seals; its samples are left alone.

    Raises:
        LogbookError: As `check_test`.
    """
    found: list[EventRow] = []
    try:
        with open_to_read(logbook) as base:
            return found, walked(RowCheck(base, logbook, None, test, Fit(), found.append))
    except sqlite3.Error as error:
        return found, _damaged(logbook, test, error)


def walked(check: RowCheck) -> TestCheck:
    """The result of a check; what the database says of its damage is a problem of the test.

    Raises:
        LogbookError: When the file cannot be reached, which is no fault of the test.
    """
    try:
        return check.result()
    except DAMAGE as error:
        return _damaged(check.logbook, check.test, error)


def _damaged(logbook: Path, test: str, error: Exception) -> TestCheck:
    if isinstance(error, sqlite3.Error) and is_unreachable(error):
        raise failure(logbook, error) from error
    problem = f"the database is damaged where this test is kept ({error})"
    return TestCheck(test=test, rows=0, seals=(), problems=(plain(problem),), notes=())


def connect_leniently(path: Path) -> sqlite3.Connection:
    """A connection that reads text whatever its bytes are."""
    base = connect(path, only_read=True)
    base.text_factory = lambda raw: raw.decode("utf-8", "surrogateescape")
    return base


_MOST_DAMAGE = 10  # lines of the database's own check that are shown


@dataclass(frozen=True, kw_only=True)
class FileCheck:
    """What became of checking a file.

    Attributes:
        damage: What is wrong with the database or with the chain of seals.
        tests: Each test asked for, oldest first as far as is known.
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
                foreign = foreign_objects(base)
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


def _what_is_damaged(path: Path, error: Exception) -> str:
    if isinstance(error, sqlite3.Error) and is_unreachable(error):
        raise failure(path, error) from error
    if getattr(error, "sqlite_errorcode", 0) == sqlite3.SQLITE_NOTADB:
        return "it is no database: it never was a logbook, or its beginning is damaged"
    return f"the database is damaged ({error})"


def _must_be_logbook(base: sqlite3.Connection, path: Path) -> None:
    if is_empty(base, path):
        raise LogbookError(f"{path}: is no logbook")


def _database(base: sqlite3.Connection) -> Iterator[str]:
    for (answer,) in base.execute(f"PRAGMA integrity_check({_MOST_DAMAGE})"):
        # Several lines may come as one answer, below a heading between asterisks.
        lines = [line for line in answer.splitlines() if line != "ok" and not line.startswith("***")]
        yield from (f"the database is damaged: {line}" for line in lines[:_MOST_DAMAGE])


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
