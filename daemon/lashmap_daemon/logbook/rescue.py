"""From a damaged logbook to a new one: every row that can still be read, each held against its digest.

Decided here: which of several copies of a row is right (the one whose digest follows on the row before it
and leads to the row after it), what is taken although it does not fit (what can be read at all; it is
named), and which seals stay (those that still fit their test). Where rows come from is decided in
`logbook.pages`.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from pydantic import ValidationError

from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook.check import check_test, plain
from lashmap_daemon.logbook.digests import BEGINNING, EventRow, Seal
from lashmap_daemon.logbook.pages import Copy, Found, gather, make_aside, read_pages, records
from lashmap_daemon.logbook.rows import insert_event, insert_pack, insert_seal
from lashmap_daemon.logbook.schema import (
    BUILD,
    NOT_CARRIED,
    make_new,
    make_outbox,
    make_tables,
    must_not_lose_its_log,
    naming,
)
from lashmap_daemon.story import events
from lashmap_daemon.story.recorded import OtherVersion

_MOST_BYTES = 100_000_000_000  # years of tests at 1,000 samples/s; every page is read


@dataclass(frozen=True, kw_only=True)
class Rescued:
    """What became of one test.

    Attributes:
        rows: The highest place of a row in the new file.
        problems: What is wrong with it there; empty when it is whole.
        kept: Seals that still hold.
        dropped: Numbers of seals that do not.
    """

    test: str
    rows: int
    problems: tuple[str, ...]
    kept: tuple[Seal, ...]
    dropped: tuple[int, ...]


class _Written(NamedTuple):
    """How a test went into the new file."""

    digests: dict[int, bytes]  # as stored, by place, as far as the test is whole from its beginning
    left_out: tuple[str, ...]


def rescue(damaged: Path, new: Path) -> tuple[Rescued, ...]:
    """Copy what can be read; the damaged file is only read.

    Returns:
        One entry for each test, in the order in which they began as far as is known.

    Raises:
        LogbookError: When nothing of a logbook is found, or the new file cannot be made.
    """
    if new.exists():
        raise LogbookError(f"{new}: is there already; name a file that is not")
    must_not_lose_its_log(new)
    if damaged.exists() and not damaged.is_file():
        raise LogbookError(f"{damaged}: is a folder, a device or a pipe; name a logbook's file")
    if damaged.exists() and damaged.stat().st_size > _MOST_BYTES:
        raise LogbookError(f"{damaged}: is larger than {_MOST_BYTES / 1e9:g} GB, so it is no logbook")
    try:
        pages = read_pages(damaged)
    except OSError as error:
        reason = f"cannot be read ({error.strerror}); check its name and permissions"
        raise LogbookError(f"{damaged}: {reason}") from error
    with naming(new):
        make_new(new)
        base = sqlite3.connect(new.absolute(), isolation_level=None)
        try:
            base.execute("PRAGMA journal_mode=WAL")
            make_tables(base)
            make_aside(base)
            base.execute("BEGIN")
            found = gather(base, records(pages))
            _must_hold_something(found, damaged)
            found.drop_spoilt_copies()
            written = {test: _write(base, found, test) for test in found.rows}
            _write_about(base, damaged, found, not_carried=_write_outbox(base, found))
            kept = {test: _write_seals(base, found, test, written[test]) for test in found.rows}
            base.execute("COMMIT")
        except BaseException:
            base.close()
            for name in (new.name, f"{new.name}-wal", f"{new.name}-shm"):
                new.with_name(name).unlink(missing_ok=True)
            raise
        base.close()
    return tuple(_told(new, found, test, written[test], kept[test]) for test in found.in_order())


def _must_hold_something(found: Found, damaged: Path) -> None:
    if not found.rows:
        raise LogbookError(f"{damaged}: no row of a logbook can be read in it; look for an older copy")


def _write(base: sqlite3.Connection, found: Found, test: str) -> _Written:
    places = found.rows[test]
    previous: bytes | None = BEGINNING
    digests: dict[int, bytes] = {}
    left_out: list[str] = []
    whole = True
    for place in sorted(places):
        before = BEGINNING if place == 1 else previous if place - 1 in places else None
        copy = _best(places[place], before, places.get(place + 1, []))
        fits = before is not None and copy.row.digest(before) == copy.digest
        previous = copy.digest
        if not fits and isinstance(copy.row, EventRow) and not _can_be_read(copy.row):
            left_out.append(f"{copy.row.name}: it cannot be read and was left out")
            whole = False
            continue
        whole = whole and fits and copy.samples_fit and place == len(digests) + 1
        if whole:
            digests[place] = copy.digest
        if not _insert(base, copy):
            left_out.append(f"{copy.row.name}: another row has its number; it was left out")
            whole = False
    return _Written(digests, tuple(left_out))


def _best(copies: list[Copy], before: bytes | None, following: list[Copy]) -> Copy:
    """The copy that fits its neighbours; of equals the one with whole samples, then the newest."""

    def worth(numbered: tuple[int, Copy]) -> tuple[int, int, bool, int]:
        number, copy = numbered
        back = before is not None and copy.row.digest(before) == copy.digest
        on = any(one.row.digest(copy.digest) == one.digest for one in following)
        readable = not isinstance(copy.row, EventRow) or _can_be_read(copy.row)
        return back + on, copy.quality, readable, number

    return copies[0] if len(copies) == 1 else max(enumerate(copies), key=worth)[1]


def _can_be_read(row: EventRow) -> bool:
    try:
        row.body.encode()
        if row.test.startswith(BUILD):
            return isinstance(json.loads(row.body), dict)  # whoever reads the build knows its kinds
        events.from_json(row.kind, row.body)
    except OtherVersion:
        return True
    except (KeyError, ValidationError, ValueError):
        return False
    return True


def _insert(base: sqlite3.Connection, copy: Copy) -> bool:
    row = copy.row
    try:
        if isinstance(row, EventRow):
            insert_event(base, row, copy.digest)
        else:
            blobs = base.execute("SELECT arrivals, data FROM aside WHERE id = ?", (copy.blobs,)).fetchone()
            insert_pack(base, row, copy.digest, *blobs)
    except (sqlite3.IntegrityError, UnicodeError):
        return False
    return True


def _write_about(base: sqlite3.Connection, damaged: Path, found: Found, *, not_carried: list[str]) -> None:
    for row in found.moved.values():
        with contextlib.suppress(UnicodeError):  # a damaged name leads to no archive
            base.execute("INSERT INTO moved VALUES (?, ?, ?, ?)", row)
    now = f"{dt.datetime.now(dt.UTC):%Y-%m-%dT%H:%M:%SZ}"
    about = {**found.about, "rescued from": f"{damaged.resolve()}, {now}"}
    if not_carried:
        about[NOT_CARRIED] = "; ".join(not_carried)
    base.executemany("INSERT INTO about VALUES (?, ?)", [(key, plain(value)) for key, value in about.items()])


def _write_outbox(base: sqlite3.Connection, found: Found) -> list[str]:
    """What waits to be published goes on waiting; returns what cannot."""
    if not (found.sent or found.enrolled or found.has_outbox):
        return []
    make_outbox(base)
    lost = []
    for (topic, test), number in found.enrolled.items():
        if (topic, test) not in found.sent:  # its row is lost: sent twice is better than never
            found.add_sent(number, topic, test, 0)
    if not found.sent:
        lost.append("which records the broker of the bus did not have yet cannot be read; none of them waits")
    for (topic, test), (_, sent) in sorted(found.sent.items(), key=lambda item: item[1]):
        newest = base.execute("SELECT max(number) FROM event WHERE test = ?", (test,)).fetchone()[0]
        if newest is None:
            lost.append(f"test {test} was to be published below {topic}, and nothing of it is left")
            continue
        # A number beyond the newest event is damage: it would keep back what comes when the test goes on.
        row = (topic, test, sent if 0 <= sent <= newest else 0)
        try:
            base.execute("INSERT INTO outbox (topic, test, sent) VALUES (?, ?, ?)", row)
        except UnicodeError:
            lost.append(f"test {test} was to be published below {topic}, which is damaged")
    return lost


def _write_seals(base: sqlite3.Connection, found: Found, test: str, written: _Written) -> tuple[Seal, ...]:
    kept = [seal for seal in found.seals_of(test) if written.digests.get(seal.rows) == seal.head]
    for seal in kept:
        insert_seal(base, seal)
    return tuple(kept)


def _told(new: Path, found: Found, test: str, written: _Written, kept: tuple[Seal, ...]) -> Rescued:
    check = check_test(new, test)
    numbers = found.seal_numbers(test) - {seal.number for seal in kept}
    return Rescued(
        test=plain(test),
        rows=check.rows,
        problems=(*(plain(one) for one in written.left_out), *check.problems),
        kept=kept,
        dropped=tuple(sorted(numbers)),
    )
