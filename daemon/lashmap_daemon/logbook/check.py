"""Does a logbook still fit its digests and seals: one test, and the file as a whole.

`open_to_read` is the one way to open a logbook for whoever judges it. One test is checked row by row, and
then against its seals (`RowCheck`). Of the file as a whole are checked: the database itself, the chain of
seals, and whether tests were taken out.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from heapq import merge
from pathlib import Path
from typing import NamedTuple

from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook.digests import (
    BEGINNING,
    CLOSES,
    OPENS_AGAIN,
    SIZE,
    EventRow,
    EventsTally,
    Fit,
    PackRow,
    Seal,
    Tally,
    seconds,
)
from lashmap_daemon.logbook.pack import Archives, Moved, PackDamaged, RawReader, examine, moved_of
from lashmap_daemon.logbook.rows import seal_from, seals_of
from lashmap_daemon.logbook.schema import (
    BUILD,
    NOT_CARRIED,
    connect,
    failure,
    foreign_objects,
    is_empty,
    is_unreachable,
    must_be_logbook,
    must_be_there,
)

_OR_BEFORE = "Instead of a row that was changed, the one before it may have been, and its digest made anew."
_MOST_NAMED = 20  # problems of one test; a rewritten file would name thousands


@dataclass(frozen=True, kw_only=True)
class TestCheck:
    """What became of checking one test.

    Attributes:
        problems: What is wrong, one sentence each; empty when the test is as it was written.
        notes: What the check cannot say: not sealed, raw samples elsewhere.
        samples_away: Raw samples are in an archive that is not at hand, and were not checked.
    """

    __test__ = False

    test: str
    rows: int
    seals: tuple[Seal, ...]
    problems: tuple[str, ...]
    notes: tuple[str, ...]
    samples_away: bool = False

    @property
    def is_sealed(self) -> bool:
        """The newest seal covers all of it."""
        return bool(self.seals) and self.rows <= self.seals[-1].rows

    @property
    def sealed(self) -> Seal | None:
        """The seal of its closing, reviews come after it; None while it is not sealed."""
        closings = [seal for seal in self.seals if seal.when != "added"]
        return closings[-1] if closings and self.is_sealed else None


def plain(text: str) -> str:
    """Text from a damaged file as something that every screen can show."""
    shown = text.encode("utf-8", "backslashreplace").decode()
    return "".join(one if one.isprintable() else f"\\x{ord(one):02x}" for one in shown)


class _Found(NamedTuple):
    """A row as it stands in the file, with the digest that is stored for it."""

    row: EventRow | PackRow
    stored: bytes
    wrong: str = ""


@dataclass
class RowCheck:
    """Goes through one test.

    `result` can be asked again when the test has gone on: it goes on from the last row that it saw.

    Args:
        base: The file, in a transaction.
        logbook: Its path.
        archives: Of this file; None leaves samples alone and goes by the rows.
        test: Identifier of the test.
        fit: Instruments whose packs were read already, and fit; events that were read already.
        each_event: Is given every event that was digested, in order.
    """

    base: sqlite3.Connection
    logbook: Path
    archives: Archives | None
    test: str
    fit: Fit
    each_event: Callable[[EventRow], None] = lambda _row: None
    problems: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    named: int = 0
    numbers: dict[str, tuple[int, float]] = field(default_factory=dict)  # last number and time by series
    lost_rows: int = 0  # gone from the chain …
    lost_named: int = 0  # … and those of them that a series names
    at: dict[int, bytes] = field(default_factory=dict)  # stored digest at the end of each seal
    place: int = 0  # of the last row …
    previous: bytes | None = BEGINNING  # … its stored digest; None where what was before is gone
    before: EventRow | PackRow | None = None  # … and the row itself
    closed: bool = False
    ends: dict[int, str] = field(default_factory=dict)  # events behind which a seal was made, by place
    events: EventsTally = field(default_factory=EventsTally)
    events_fit: bool = False

    def result(self) -> TestCheck:
        """Check everything."""
        seals = seals_of(self.base, self.test)
        moved = moved_of(self.base, self.test)
        away = moved is not None and moved.found_from(self.logbook) is None
        if moved is not None:
            self.notes.append(
                moved.sentence + (" It is not there now, so they were not checked." if away else "")
            )
        self._walk({seal.rows for seal, _ in seals}, moved, away=away)
        for seal, stored in seals:
            self._seal(seal, stored)
        self._seals_are_all([seal for seal, _ in seals])
        newest = seals[-1][0] if seals else None
        is_sealed = newest is not None and self.place <= newest.rows
        if not is_sealed:
            self._unsealed(newest)
        other = sorted(self.fit.other) if is_sealed else []  # of one that is written to, that is no wonder
        if not self._fits_events(is_sealed=is_sealed):
            other.append("events")
        if other and not self.problems:
            self._name(
                f"what was read of the {' and '.join(other)} is not what stands there now: "
                "it was written to meanwhile, or could not be read for a moment. Read it again"
            )
        if self.named > _MOST_NAMED:
            self.problems.append(f"and {self.named - _MOST_NAMED} more")
        return TestCheck(
            test=self.test,
            rows=self.place,
            seals=tuple(seal for seal, _ in seals),
            problems=tuple(plain(one) for one in self.problems),
            notes=tuple(plain(one) for one in self.notes),
            samples_away=away,
        )

    def _walk(self, wanted: set[int], moved: Moved | None, *, away: bool) -> None:
        """Go through all rows behind the last one; keeps the digests at places wanted."""
        for found in merge(self._events(), self._packs(moved, away=away), key=lambda one: one.row.place):
            row = found.row
            self._count(row)
            if row.place <= self.place:
                stands = self.before.name if self.before is not None else "the beginning"
                self._name(f"{row.name}: it stands at place {row.place}, where {stands} stands")
                continue
            if row.place > self.place + 1:
                self.lost_rows += row.place - self.place - 1
                self.previous = None
                self.notes.append(
                    f"What follows on something gone cannot be checked by its own digest: {row.name}."
                )
            if found.wrong:
                self._name(f"{row.name}: {found.wrong}")
            if self.previous is not None and row.digest(self.previous) != found.stored:
                self._name(f"{row.name}: it was changed")
                self.notes += [_OR_BEFORE] if _OR_BEFORE not in self.notes else []
            self.place, self.previous, self.before = row.place, found.stored, row
            if isinstance(row, EventRow):
                self._hear(row)
                if row.kind in CLOSES or (self.closed and row.kind != OPENS_AGAIN):
                    self.ends[row.place] = row.name
            if isinstance(row, PackRow) or row.kind == OPENS_AGAIN:
                self.closed = False
            elif row.kind in CLOSES:
                self.closed = True
            if self.place in wanted:
                self.at[self.place] = found.stored
        if self.lost_rows > self.lost_named:
            self._name(f"gone from it: {_many(self.lost_rows - self.lost_named, 'more row')}")

    def _hear(self, row: EventRow) -> None:
        self.each_event(row)
        if self.fit.events is not None:
            self.events.add(row)
            self.events_fit = self.events_fit or self.events.digest() == self.fit.events

    def _fits_events(self, *, is_sealed: bool) -> bool:
        """True when the events that were read are those that were digested, as far as a test goes on."""
        if self.fit.events is None:
            return True
        return self.events.digest() == self.fit.events or (self.events_fit and not is_sealed)

    def _count(self, row: EventRow | PackRow) -> None:
        """Events and the packs of each instrument have numbers of their own: a gap names what is gone."""
        series = "event" if isinstance(row, EventRow) else row.channel
        last, until_s = self.numbers.get(series, (0, 0.0))
        first_s = row.time_s if isinstance(row, EventRow) else row.first_s
        gone = row.number - last - 1
        if gone > 0:
            when = f"between {seconds(until_s, 2, unit='')} and {seconds(first_s, 2)}"
            if series == "event":
                which = f"event {last + 1} is" if gone == 1 else f"events {last + 1} to {row.number - 1} are"
                self._name(f"{which} gone, {when}")
            else:
                self._name(f"samples of the {series} are gone {when} ({_many(gone, 'pack')})")
            self.lost_named += gone
        elif gone < 0:
            self._name(f"{row.name}: number {row.number} comes after number {last}")
        self.numbers[series] = (row.number, row.time_s if isinstance(row, EventRow) else row.last_s)

    def _events(self) -> Iterator[_Found]:
        # The name stands in the row: SQLite takes what lies between two rows of a test for one of it.
        for *fields, digest in self.base.execute(
            "SELECT test, place, number, time_s, utc, kind, body, digest FROM event "
            "WHERE test = ?1 AND (?2 = 0 OR place > ?2) ORDER BY place",
            (self.test, self.place),
        ):
            row = EventRow._make(fields)
            yield _Found(row._replace(time_s=float(row.time_s)), _digest(digest))

    def _packs(self, moved: Moved | None, *, away: bool) -> Iterator[_Found]:
        known = "\n".join(("", *self.fit.same, ""))
        for place, channel, number, first_s, last_s, content, digest, arrivals, data in self.base.execute(
            "SELECT place, channel, number, first_s, last_s, content, digest, "
            "CASE WHEN is_known THEN NULL ELSE arrivals END, CASE WHEN is_known THEN NULL ELSE data END "
            # Bytes that read as a known name are damage, and no instrument that was read.
            "FROM (SELECT raw.*, led.place AS led_place, typeof(raw.channel) = 'text' AND "
            "instr(?2, char(10) || raw.channel || char(10)) OR ?3 AS is_known "
            # The index leads to the rows and says nothing of them: SQLite would take columns from it, and so
            # pass over what was changed in the row itself.
            "FROM raw AS led CROSS JOIN raw ON raw.id = led.id "
            "WHERE led.test = ?1 AND raw.test = ?1 AND (?4 = 0 OR led.place > ?4)) "
            "ORDER BY led_place",
            (self.test, known, self.archives is None, self.place),
        ):
            row = PackRow(
                test=self.test, place=place, channel=channel, number=number, first_s=float(first_s),
                last_s=float(last_s), content=_digest(content),
            )  # fmt: skip
            here = arrivals is not None or data is not None
            is_known = channel in self.fit.same or (away and not here)
            archives = None if is_known else self.archives
            wrong = (
                "" if archives is None else _wrong(archives, row, moved, (arrivals, data) if here else None)
            )
            yield _Found(row, _digest(digest), wrong)

    def _seal(self, seal: Seal, stored: bytes) -> None:
        if seal.digest != stored:
            self._name(f"seal {seal.number}: it was changed itself")
        elif seal.rows > self.place:
            gone = seal.rows - self.place
            what = "the whole test is" if self.place == 0 else f"the last {_many(gone, 'row')} of it are"
            self._name(f"seal {seal.number} covers {seal.rows} rows, {self.place} are there: {what} gone")
        elif self.at.get(seal.rows) != seal.head:
            self._name(
                f"seal {seal.number} does not fit: the test was changed after it was sealed, and its digests "
                "made anew"
                if seal.rows in self.at and not self.problems
                else f"seal {seal.number} does not fit"
            )

    def _seals_are_all(self, seals: list[Seal]) -> None:
        """A closing, and whatever is added to a closed test, is sealed in the same moment.

        The newest is missed where the end of the test is checked.
        """
        newest = max((seal.rows for seal in seals), default=0)
        there = {seal.rows for seal in seals}
        for place, name in self.ends.items():
            if place < newest and place not in there:
                self._name(f"{name}: the seal that was made behind it is gone")

    def _unsealed(self, newest: Seal | None) -> None:
        if self.closed:
            self._name("it is closed, but no seal covers its end: the newest seal is gone")
        elif newest is None and self.test.startswith(BUILD):
            self.notes.append("It is not sealed: the build is still open.")
        elif newest is None:
            self.notes.append("It is not sealed: it runs, or it ended without its closing record.")
        else:
            self.notes.append(
                f"It was resumed after seal {newest.number} and is not closed since; what came then is "
                "not sealed."
            )

    def _name(self, problem: str) -> None:
        self.named += 1
        if self.named <= _MOST_NAMED:
            self.problems.append(problem)


def _wrong(archives: Archives, row: PackRow, moved: Moved | None, blobs: tuple[bytes, bytes] | None) -> str:
    """What is wrong with the samples of a pack; empty when nothing is."""
    try:
        content, *times = examine(*(archives.pack(moved, row.place) if blobs is None else blobs))
    except (PackDamaged, TypeError) as error:
        return f"the samples cannot be read: {error}"
    if content != row.content:
        return "the samples were changed"
    if times != [row.first_s, row.last_s]:
        return "its times are not those of its samples"
    return ""


def _digest(value: object) -> bytes:
    """A stored digest; what is none fits nothing."""
    return value if isinstance(value, bytes) and len(value) == SIZE else b"not a digest"


def _many(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


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
    """Check one test of a file, raw samples included, as `check_open` does.

    Damage of the database becomes a problem of the test; nothing is raised for it.

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
    """Check one test of an open file (of `open_to_read`) as `check_test` does.

    ``read`` is what was just read of it. Packs are read again only if that does not fit; if they then turn
    out to be good, something else was read, and that is a problem too. So are other events.

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
    """Check a logbook of the present schema; with ``test`` of the tests this one only.

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
            if is_empty(base, path):
                raise LogbookError(f"{path}: is no logbook")
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
