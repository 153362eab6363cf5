"""Does a test still fit its digests, and how to find out without reading what was read already.

How its rows are gone through, and how a deviation is named, is in `seal_walk`; what concerns the file as a
whole is in `seal_check_file`.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path

from lashmap_daemon.logbook_failures import failure, is_unreachable
from lashmap_daemon.logbook_moved import Archives
from lashmap_daemon.logbook_raw import RawReader
from lashmap_daemon.logbook_schema import connect
from lashmap_daemon.seal_tally import Fit, Tally
from lashmap_daemon.seal_walk import RowCheck, TestCheck, plain

_DAMAGE = (sqlite3.Error, TypeError, ValueError, OverflowError)  # what reading a damaged file ends in


def check_test(logbook: Path, test: str, read: Tally | None = None) -> TestCheck:
    """Check one test of a file, raw samples included.

    Damage of the database becomes a problem of the test; nothing is raised for it.

    Args:
        logbook: The file.
        test: Identifier of the test.
        read: What was just read of its packs; they are read again only if that does not fit. If they then
            turn out to be good, something else was read, and that is a problem too.

    Raises:
        LogbookError: When the file cannot be reached, which is no fault of the test.
    """
    archives = Archives(logbook)
    base = None
    try:
        base = connect_leniently(logbook)
        base.execute("BEGIN")  # one moment of a file that may be written meanwhile
        if read is None:  # packs read many at once, and then one by one only where something is wrong
            fit = Fit(same=RawReader(base, logbook, archives).tally(test).fit(base, test).same)
        else:
            fit = read.fit(base, test)
        return RowCheck(base, logbook, archives, test, fit).result()
    except _DAMAGE as error:
        if isinstance(error, sqlite3.Error) and is_unreachable(error):
            raise failure(logbook, error) from error
        problem = f"the database is damaged where this test is kept ({error})"
        return TestCheck(test=test, rows=0, seals=(), problems=(plain(problem),), notes=())
    finally:
        archives.close()
        if base is not None:
            base.close()


def check_while_read(logbook: Path, test: str, read: Callable[[], Tally]) -> TestCheck:
    """As `check_test`, the rows before it is known what was read of the packs: both can be done side by side.

    Args:
        logbook: The file.
        test: Identifier of the test.
        read: Waits for what is read meanwhile of its packs.

    Raises:
        LogbookError: As `check_test`.
    """
    with (
        suppress(*_DAMAGE),
        closing(Archives(logbook)) as archives,
        closing(connect_leniently(logbook)) as base,
    ):
        base.execute("BEGIN")  # what is read must fit the file as it was at this moment
        channels = base.execute("SELECT DISTINCT channel FROM raw WHERE test = ?", (test,)).fetchall()
        hoped = frozenset(channel for (channel,) in channels)
        found = RowCheck(base, logbook, archives, test, Fit(same=hoped)).result()
        fit = read().fit(base, test)
        if fit.same >= hoped and not fit.other:
            return found
    return check_test(logbook, test, read())


def connect_leniently(path: Path) -> sqlite3.Connection:
    """A connection that reads text whatever its bytes are: one bad byte must not hide its neighbours."""
    base = connect(path, only_read=True)
    base.text_factory = lambda raw: raw.decode("utf-8", "surrogateescape")
    return base
