"""Raw samples of old tests moved to an archive: copied, checked there, and only then removed here.

An archive is a logbook with whole tests in it: events, raw samples and seals, so that it can be reviewed and
verified by itself. In the logbook everything stays but the samples: the test is listed, its digests still
prove it, and a row says where its samples are. Whatever is interrupted is finished by doing it again.
"""

from __future__ import annotations

import datetime as dt
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from lashmap_daemon.errors import LogbookError, LogbookFull
from lashmap_daemon.logbook.check import check_test
from lashmap_daemon.logbook.guard import only_writer
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.pack import moved_of
from lashmap_daemon.logbook.rows import copy_test
from lashmap_daemon.logbook.schema import connect, must_be_logbook, naming, transaction

_PART_OF, _FIRST_SEAL = "part of", "first seal"


@dataclass(frozen=True, kw_only=True)
class Archived:
    """What became of one test that is old enough.

    Attributes:
        packs: Packs of raw samples that were moved; 0 when the test stays.
        stays: Why it stays; empty when its samples were moved.
    """

    test: str
    packs: int = 0
    stays: str = ""


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What an archiving did.

    Attributes:
        tests: Tests old enough whose samples were here, oldest first.
        not_smaller: Why the file could not be made smaller; empty when it was.
    """

    tests: tuple[Archived, ...]
    bytes_before: int
    bytes_after: int
    not_smaller: str = ""


def archive(logbook: Path, to: Path, *, older_than: dt.timedelta, now: dt.datetime) -> Outcome:
    """Move the raw samples of all tests whose newest seal was made longer ago than ``older_than``.

    The archive ``to`` is made when absent, and added to when it is one of this logbook.

    Raises:
        LogbookError: When either file cannot be used or ``to`` is no archive of this logbook. Samples that
            were not yet checked in the archive are still in the logbook.
    """
    if to.resolve() == logbook.resolve():
        raise LogbookError(f"{to}: is the logbook itself; name another file for the archive")
    if not to.resolve().parent.is_dir():
        raise LogbookError(f"{to}: no such folder {to.parent}; make it first")
    with only_writer(logbook), only_writer(to):
        Logbook(logbook, create=False).close()  # brings an older schema along
        before = _size(logbook)
        cut = f"{(now - older_than).astimezone(dt.UTC):%Y-%m-%dT%H:%M:%SZ}"
        with naming(logbook), closing(connect(logbook)) as base:
            base.execute("PRAGMA synchronous=FULL")
            must_be_logbook(base, logbook)
            names = _old_enough(base, cut)
            tests = tuple(_move(base, logbook, to, name, now) for name in names)
            not_smaller = _shrink(base, logbook) if any(one.packs for one in tests) else ""
        return Outcome(tests=tests, bytes_before=before, bytes_after=_size(logbook), not_smaller=not_smaller)


def _old_enough(base: sqlite3.Connection, cut: str) -> list[str]:
    """Tests with a seal and samples here, whose newest seal is older; oldest first."""
    rows = base.execute(
        "SELECT test FROM seal GROUP BY test HAVING max(utc) <= ? AND EXISTS "
        "(SELECT 1 FROM raw WHERE raw.test = seal.test AND arrivals IS NOT NULL) ORDER BY min(number)",
        (cut,),
    )
    return [name for (name,) in rows]


def _move(base: sqlite3.Connection, logbook: Path, to: Path, test: str, now: dt.datetime) -> Archived:
    check = check_test(logbook, test)
    if check.problems:
        return Archived(test=test, stays=f"it does not fit its digests ({check.problems[0]})")
    if not check.is_sealed:
        return Archived(test=test, stays="it was resumed and is not closed")
    moved = moved_of(base, test)
    found = None if moved is None else moved.found_from(logbook)
    if moved is not None and (found is None or found.resolve() != to.resolve()):
        where = found or moved.file
        return Archived(test=test, stays=f"a part of its samples is in {where}; name that archive")
    _copy(base, logbook, to, test)
    copied = check_test(to, test)
    if copied.problems or copied.seals != check.seals:
        raise LogbookError(
            f"{to}: test {test} did not arrive whole ({', '.join(copied.problems) or 'another seal'}); its "
            "samples are still in the logbook. Check the disk of the archive, and name another file"
        )
    with transaction(base):
        packs = base.execute(
            "UPDATE raw SET arrivals = NULL, data = NULL WHERE test = ? AND arrivals IS NOT NULL", (test,)
        ).rowcount
        (all_packs,) = base.execute("SELECT count(*) FROM raw WHERE test = ?", (test,)).fetchone()
        when = f"{now.astimezone(dt.UTC):%Y-%m-%dT%H:%M:%SZ}"
        base.execute(
            "INSERT OR REPLACE INTO moved VALUES (?, ?, ?, ?)", (test, str(to.resolve()), when, all_packs)
        )
    return Archived(test=test, packs=packs)


def _copy(base: sqlite3.Connection, logbook: Path, to: Path, test: str) -> None:
    """The whole test, durably; rows that are there from an earlier time stay as they are."""
    Logbook(to, create=True).close()
    (first,) = base.execute("SELECT hex(digest) FROM seal WHERE number = 1").fetchone() or ("",)
    with naming(to), closing(connect(to)) as other:
        other.execute("PRAGMA synchronous=FULL")
        with transaction(other):
            must_be_logbook(other, to)
            _must_be_archive(other, logbook, to, first)
            copy_test(base, other, test)


def _must_be_archive(other: sqlite3.Connection, logbook: Path, to: Path, first: str) -> None:
    about = dict(other.execute("SELECT key, value FROM about").fetchall())
    (events,) = other.execute("SELECT count(*) FROM event").fetchone()
    if not about and events == 0:
        other.execute("INSERT INTO about VALUES (?, ?)", (_PART_OF, str(logbook.resolve())))
        other.execute("INSERT INTO about VALUES (?, ?)", (_FIRST_SEAL, first))
    elif about.get(_FIRST_SEAL) != first or _PART_OF not in about:
        of = f"an archive of {about[_PART_OF]}" if _PART_OF in about else "a logbook of its own"
        raise LogbookError(f"{to}: is {of}, not an archive of {logbook}; name another file")


def _shrink(base: sqlite3.Connection, logbook: Path) -> str:
    """Give the room back; why not, when that fails: nothing is lost by it."""
    try:
        with naming(logbook):
            base.execute("VACUUM")
            base.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    except LogbookFull:
        return "there is no room on the disk to write it anew; coming tests use the room inside it"
    except LogbookError as error:
        return f"{error}; coming tests use the room inside it"
    return ""


def _size(logbook: Path) -> int:
    parts = (logbook, logbook.with_name(logbook.name + "-wal"))
    return sum(part.stat().st_size for part in parts if part.exists())
