"""Does a test still fit its digests, and how to find out without reading what was read already.

Here is the one way to open a logbook for whoever judges it: `open_to_read`. How its rows are gone through,
and how a deviation is named, is in `seal_walk`; what concerns the file as a whole is in `seal_check_file`.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from lashmap_daemon.logbook_failures import failure, is_unreachable
from lashmap_daemon.logbook_moved import Archives
from lashmap_daemon.logbook_raw import RawReader
from lashmap_daemon.logbook_schema import connect, schema_of
from lashmap_daemon.seal import EventRow
from lashmap_daemon.seal_tally import Fit, Tally, Told
from lashmap_daemon.seal_walk import RowCheck, TestCheck, plain

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
        schema_of(base, path)
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
    told: list[EventRow] = []
    try:
        with open_to_read(logbook) as base:
            return told, walked(RowCheck(base, logbook, None, test, Fit(), told.append))
    except sqlite3.Error as error:
        return told, _damaged(logbook, test, error)


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


def check_while_read(
    logbook: Path, test: str, read: Callable[[], Tally], told: Told | None = None
) -> TestCheck:
    """As `check_test`, the rows before it is known what was read of the packs: both can be done side by side.

    Args:
        logbook: The file.
        test: Identifier of the test.
        read: Waits for what is read meanwhile of its packs.
        told: The events that were read.

    Raises:
        LogbookError: As `check_test`.
    """
    with suppress(*DAMAGE), open_to_read(logbook) as base, closing(Archives(logbook)) as archives:
        channels = base.execute("SELECT DISTINCT channel FROM raw WHERE test = ?", (test,)).fetchall()
        hoped = frozenset(channel for (channel,) in channels)
        found = RowCheck(base, logbook, archives, test, Fit(same=hoped, told=told)).result()
        fit = read().fit(base, test)
        if fit.same >= hoped and not fit.other:
            return found
    return check_test(logbook, test, read())


def connect_leniently(path: Path) -> sqlite3.Connection:
    """A connection that reads text whatever its bytes are."""
    base = connect(path, only_read=True)
    base.text_factory = lambda raw: raw.decode("utf-8", "surrogateescape")
    return base
