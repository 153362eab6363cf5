"""Damage for logbooks, one kind after another and every time the same for the same seed.

`damage` damages a copy of a logbook and says whether what it holds has changed, found by reading all rows
with SQLite alone, before and after. `refused` says what `lashmap verify` and `lashmap review` make of it.

Not among the damages, since no digest in the file can show them (`docs/logbook.md` says so): an earlier state
of the whole file, and a test rewritten together with its seals.
"""

# ruff: noqa: S608 - statements are made of words of this file

from __future__ import annotations

import io
import random
import re
import shutil
import sqlite3
import tempfile
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lashmap_daemon.commands.logbook import verify
from lashmap_daemon.commands.options import VerifyOptions
from lashmap_daemon.errors import LashmapError
from lashmap_daemon.logbook.digests import BEGINNING, EventRow, PackRow
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.pack import PackDamaged, examine
from lashmap_daemon.replay.conclude import conclude, json_text
from rich.console import Console

PAGE = 4096
Row = tuple[Any, ...]
Content = dict[str, Counter[Row]]
_READ = (
    "SELECT 'event', CAST(test AS TEXT), number, place, time_s, utc, kind, body FROM event NOT INDEXED",
    """SELECT 'raw', CAST(test AS TEXT), number, place, first_s, last_s, channel, arrivals, data FROM raw
    NOT INDEXED""",
    "SELECT 'seal', CAST(test AS TEXT), number, rows, utc, made FROM seal NOT INDEXED",
)


@dataclass(frozen=True)
class Damage:
    """What was done to a logbook.

    Attributes:
        name: Of the kind of damage.
        content_changed: An event, a pack of samples, a stored result, a review or a seal says something else
            now, is gone, has come, or cannot be read.
        tests: Identifiers of the tests that this concerns.
    """

    name: str
    content_changed: bool
    tests: tuple[str, ...] = ()


def damage(path: Path, seed: int) -> Damage:
    """Damage a logbook in place.

    Args:
        path: A copy of a logbook that nobody has open, whose tests are closed; a log beside it is taken in
            first.
        seed: Which damage; `len(KINDS)` in a row are one of each kind.
    """
    with closing(sqlite3.connect(path)) as base:
        base.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    before = content_of(path)
    assert before is not None, "this logbook was damaged before"
    kind = KINDS[seed % len(KINDS)]
    says_otherwise = kind(path, random.Random(seed))  # noqa: S311 - test data
    after = content_of(path)
    tests = sorted(test for test in before if after is None or before[test] != after.get(test))
    if says_otherwise:
        tests = sorted(before)
    return Damage(kind.__name__, bool(tests), tuple(tests))


def refused(path: Path, test: str) -> tuple[bool, bool]:
    """Whether verify ends with another status than 0, and whether review calls a test anything but intact."""
    return verify_refuses(path), review_of(path, test) is None


def verify_refuses(path: Path) -> bool:
    """Whether verify ends with another status than 0."""
    try:
        return verify(VerifyOptions(logbook=path), Console(file=io.StringIO(), width=200)) != 0
    except LashmapError:
        return True


def review_of(path: Path, test: str) -> str | None:
    """The result that a review shows of a test it calls intact; None when it calls it anything else."""
    try:
        with Logbook(path, create=False) as book:
            assessment = conclude(book, test)
    except LashmapError:
        return None
    states = {one.name: one.state for one in assessment.record.preconditions}
    if assessment.record.damage or states.get("record intact") != "proven":
        assert assessment.verdict.outcome == "not proven"
        return None
    return json_text(assessment)


def content_of(path: Path) -> Content | None:
    """What all rows say, by test; None when they cannot be read."""
    found: Content = {}
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder, "copy")  # SQLite may write what it recovers from a log
        for end in ("", "-wal"):
            if path.with_name(path.name + end).exists():
                shutil.copy(path.with_name(path.name + end), f"{copy}{end}")
        try:
            with closing(sqlite3.connect(copy)) as base:
                base.text_factory = bytes
                for query in _READ:
                    for kind, test, *rest in base.execute(query):
                        row = (kind, *(_pack(*rest) if kind == b"raw" else rest))
                        found.setdefault(test.decode("utf-8", "replace"), Counter())[row] += 1
        except (sqlite3.Error, AttributeError, OverflowError):
            return None
    return found


def _pack(*columns: object) -> Row:
    """A pack by what its samples are, however they are stored."""
    *rest, arrivals, data = columns
    if arrivals is None and data is None:
        return (*rest, None)
    try:
        return (*rest, examine(arrivals, data))  # type: ignore[arg-type]  # what is none is damage
    except (PackDamaged, TypeError):
        return (*rest, "cannot be read", arrivals, data)


# Bytes of the file ------------------------------------------------------------------------------------------


def _rewrite(path: Path, change: Callable[[bytearray], None]) -> bool:
    content = bytearray(path.read_bytes())
    change(content)
    path.write_bytes(content)
    return False


def flipped_bits(path: Path, rng: random.Random) -> bool:
    def change(content: bytearray) -> None:
        for _ in range(rng.choice([1, 1, 3, 30])):
            content[rng.randrange(len(content))] ^= 1 << rng.randrange(8)

    return _rewrite(path, change)


def flipped_bit_of_the_head(path: Path, rng: random.Random) -> bool:
    """Of the first page: the header, and the text of every table."""

    def change(content: bytearray) -> None:
        content[rng.randrange(PAGE)] ^= 1 << rng.randrange(8)

    return _rewrite(path, change)


def another_letter(path: Path, rng: random.Random) -> bool:
    """A digit of a text somewhere, as a text editor would change it."""

    def change(content: bytearray) -> None:
        start = rng.randrange(len(content))
        digits = [at for at in range(start, min(start + 20000, len(content))) if content[at] in b"123456789"]
        if digits:
            at = rng.choice(digits)
            content[at] = content[at] % 9 + 49 if content[at] != 57 else 49

    return _rewrite(path, change)


def another_name(path: Path, rng: random.Random) -> bool:
    """A digit in the name of a test, in one row or one entry of an index."""
    with closing(sqlite3.connect(path)) as base:
        (test,) = _one(base, rng, "SELECT DISTINCT test FROM seal WHERE test GLOB '*[0-9]*'")

    return _rewrite(path, lambda content: _replace_one(content, test, _other(test, rng), rng))


def another_instrument(path: Path, rng: random.Random) -> bool:
    """The name of an instrument, in one row of a pack or in one entry of the index."""
    with closing(sqlite3.connect(path)) as base:
        (channel,) = _one(base, rng, "SELECT DISTINCT channel FROM raw")
    return _rewrite(path, lambda content: _replace_one(content, channel, channel.capitalize(), rng))


def _replace_one(content: bytearray, old: str, new: str, rng: random.Random) -> None:
    starts = [found.start() for found in re.finditer(re.escape(old.encode()), content)]
    at = rng.choice(starts)
    content[at : at + len(old.encode())] = new.encode()


def cut_end(path: Path, rng: random.Random) -> bool:
    def change(content: bytearray) -> None:
        del content[rng.randrange(1, len(content)) :]

    return _rewrite(path, change)


def blank_page(path: Path, rng: random.Random) -> bool:
    def change(content: bytearray) -> None:
        start = rng.randrange(len(content) // PAGE) * PAGE
        content[start : start + PAGE] = bytes(PAGE)

    return _rewrite(path, change)


def scribbled_page(path: Path, rng: random.Random) -> bool:
    def change(content: bytearray) -> None:
        start = rng.randrange(len(content) // PAGE) * PAGE + rng.randrange(PAGE // 2)
        some = rng.randbytes(rng.randrange(1, PAGE // 2))
        content[start : start + len(some)] = some

    return _rewrite(path, change)


def swapped_pages(path: Path, rng: random.Random) -> bool:
    def change(content: bytearray) -> None:
        one, other = (at * PAGE for at in rng.sample(range(len(content) // PAGE), 2))
        content[one : one + PAGE], content[other : other + PAGE] = (
            content[other : other + PAGE],
            content[one : one + PAGE],
        )

    return _rewrite(path, change)


def doubled_page(path: Path, rng: random.Random) -> bool:
    def change(content: bytearray) -> None:
        one, other = (at * PAGE for at in rng.sample(range(len(content) // PAGE), 2))
        content[one : one + PAGE] = content[other : other + PAGE]

    return _rewrite(path, change)


# Cells and rows ---------------------------------------------------------------------------------------------


def _by_sql(path: Path, change: Callable[[sqlite3.Connection], None]) -> bool:
    with closing(sqlite3.connect(path)) as base, base:
        change(base)
    return False


def _by_script(path: Path, script: str) -> bool:
    """What the schema is afterwards can show other rows at any time, so it counts as changed."""
    with closing(sqlite3.connect(path)) as base, base:
        base.executescript(script)
    return True


def _one(base: sqlite3.Connection, rng: random.Random, query: str) -> Row:
    found: Row = rng.choice(base.execute(query).fetchall())
    return found


def changed_event(path: Path, rng: random.Random) -> bool:
    """A digit in what an event says."""

    def change(base: sqlite3.Connection) -> None:
        test, number, body = _one(base, rng, "SELECT test, number, body FROM event WHERE body GLOB '*[0-9]*'")
        base.execute(
            "UPDATE event SET body = ? WHERE test = ? AND number = ?", (_other(body, rng), test, number)
        )

    return _by_sql(path, change)


def changed_after_the_end(path: Path, rng: random.Random) -> bool:
    """A digit of a stored result or of a review, where there is one."""

    def change(base: sqlite3.Connection) -> None:
        kinds = "('ResultStored', 'FilesLeft', 'ResultAnnounced', 'PositionExcluded', 'ExclusionUndone',"
        kinds += " 'SignedOff')"
        there = base.execute(f"SELECT count(*) FROM event WHERE kind IN {kinds}").fetchone()[0]
        where = f"kind IN {kinds}" if there else "kind = 'TestStarted'"
        test, number, body = _one(base, rng, f"SELECT test, number, body FROM event WHERE {where}")
        changed = _other(body, rng) if any(c.isdigit() for c in body) else body + " "
        base.execute("UPDATE event SET body = ? WHERE test = ? AND number = ?", (changed, test, number))

    return _by_sql(path, change)


def changed_head_of_an_event(path: Path, rng: random.Random) -> bool:
    def change(base: sqlite3.Connection) -> None:
        test, number = _one(base, rng, "SELECT test, number FROM event")
        column = rng.choice(["time_s = time_s + 0.5", "utc = '2020-01-01T00:00:00Z'", "kind = 'NoteTaken '"])
        base.execute(f"UPDATE event SET {column} WHERE test = ? AND number = ?", (test, number))

    return _by_sql(path, change)


def changed_and_chained_anew(path: Path, rng: random.Random) -> bool:
    """A digit of an event, and the digests of it and of every row behind it made anew; the seals are not."""

    def change(base: sqlite3.Connection) -> None:
        test, number, body = _one(base, rng, "SELECT test, number, body FROM event WHERE body GLOB '*[0-9]*'")
        base.execute(
            "UPDATE event SET body = ? WHERE test = ? AND number = ?", (_other(body, rng), test, number)
        )
        make_digests_anew(base, test)

    return _by_sql(path, change)


def changed_pack(path: Path, rng: random.Random) -> bool:
    """A byte of the stored samples or of their times."""

    def change(base: sqlite3.Connection) -> None:
        column = rng.choice(["arrivals", "data"])
        number, blob = _one(base, rng, f"SELECT id, {column} FROM raw")
        changed = bytearray(blob)
        changed[rng.randrange(len(changed))] ^= 1 << rng.randrange(8)
        base.execute(f"UPDATE raw SET {column} = ? WHERE id = ?", (bytes(changed), number))

    return _by_sql(path, change)


def changed_head_of_a_pack(path: Path, rng: random.Random) -> bool:
    def change(base: sqlite3.Connection) -> None:
        (number,) = _one(base, rng, "SELECT id FROM raw")
        column = rng.choice(
            ["first_s = first_s - 0.25", "last_s = last_s + 0.25", "channel = 'other'", "number = number + 1"]
        )
        base.execute(f"UPDATE raw SET {column} WHERE id = ?", (number,))

    return _by_sql(path, change)


def swapped_packs(path: Path, rng: random.Random) -> bool:
    """The samples of two packs, with the digest of their content or without."""

    def change(base: sqlite3.Connection) -> None:
        columns = rng.choice(["arrivals, data", "arrivals, data, content"])
        one, other = rng.sample(base.execute(f"SELECT id, {columns} FROM raw").fetchall(), 2)
        marks = ", ".join("?" * (columns.count(",") + 1))
        for (number, *_), (_, *cells) in ((one, other), (other, one)):
            base.execute(f"UPDATE raw SET ({columns}) = ({marks}) WHERE id = ?", (*cells, number))

    return _by_sql(path, change)


def swapped_events(path: Path, rng: random.Random) -> bool:
    """Two events in each other's place, with their digests or without."""

    def change(base: sqlite3.Connection) -> None:
        (test,) = _one(base, rng, "SELECT test FROM event")
        columns = rng.choice(["time_s, utc, kind, body", "time_s, utc, kind, body, digest"])
        rows = base.execute(f"SELECT number, {columns} FROM event WHERE test = ?", (test,)).fetchall()
        one, other = rng.sample(rows, 2)
        marks = ", ".join("?" * (columns.count(",") + 1))
        for (number, *_), (_, *cells) in ((one, other), (other, one)):
            base.execute(
                f"UPDATE event SET ({columns}) = ({marks}) WHERE test = ? AND number = ?",
                (*cells, test, number),
            )

    return _by_sql(path, change)


def gone_event(path: Path, rng: random.Random) -> bool:
    def change(base: sqlite3.Connection) -> None:
        test, number = _one(base, rng, "SELECT test, number FROM event")
        base.execute("DELETE FROM event WHERE test = ? AND number = ?", (test, number))

    return _by_sql(path, change)


def gone_packs(path: Path, rng: random.Random) -> bool:
    def change(base: sqlite3.Connection) -> None:
        (number,) = _one(base, rng, "SELECT id FROM raw")
        base.execute("DELETE FROM raw WHERE id BETWEEN ? AND ?", (number, number + rng.choice([0, 0, 3, 50])))

    return _by_sql(path, change)


def gone_seal(path: Path, rng: random.Random) -> bool:
    def change(base: sqlite3.Connection) -> None:
        (number,) = _one(base, rng, "SELECT number FROM seal")
        base.execute("DELETE FROM seal WHERE number = ?", (number,))

    return _by_sql(path, change)


def changed_seal(path: Path, rng: random.Random) -> bool:
    def change(base: sqlite3.Connection) -> None:
        (number,) = _one(base, rng, "SELECT number FROM seal")
        column = rng.choice(["utc = '2020-01-01T00:00:00Z'", "rows = rows - 1", "made = 'added later'"])
        base.execute(f"UPDATE seal SET {column} WHERE number = ?", (number,))

    return _by_sql(path, change)


def doubled_event(path: Path, rng: random.Random) -> bool:
    """Once more behind the last, with a digest that fits there; or at the same place under another number."""

    def change(base: sqlite3.Connection) -> None:
        test, number = _one(base, rng, "SELECT test, number FROM event WHERE kind != 'TestResumed'")
        place = rng.choice(["place", "(SELECT max(place) FROM event WHERE test = :test) + 1"])
        base.execute(
            "INSERT INTO event SELECT test, (SELECT max(number) FROM event WHERE test = :test) + 1, "
            f"{place}, time_s, utc, kind, body, digest FROM event WHERE test = :test AND number = :number",
            {"test": test, "number": number},
        )
        if place != "place":
            make_digests_anew(base, test)

    return _by_sql(path, change)


def doubled_pack(path: Path, rng: random.Random) -> bool:
    def change(base: sqlite3.Connection) -> None:
        (number,) = _one(base, rng, "SELECT id FROM raw")
        channel = rng.choice(["'other'", "channel || ' '"])
        base.execute(
            "INSERT INTO raw (test, place, channel, number, first_s, last_s, content, digest, arrivals, "
            f"data) SELECT test, place, {channel}, number, first_s, last_s, content, digest, arrivals, data "
            "FROM raw WHERE id = ?",
            (number,),
        )

    return _by_sql(path, change)


# What is in the schema --------------------------------------------------------------------------------------


def view_of_events(path: Path, rng: random.Random) -> bool:
    """A view in the place of the events, that says something else until the table of archives was read.

    A review once read the events by one connection, and its check the archives and then the rows by another.
    That the archives were read shows in the list of modules that SQLite loads when they are first used.
    """
    limit = rng.choice(['"maximum_mm":', '"minimum_mm":'])
    forged = f"replace(body, '{limit}0', '{limit}{1 if 'max' in limit else -1}')"
    return _by_script(
        path,
        f"""
        ALTER TABLE event RENAME TO event_kept;
        ALTER TABLE moved RENAME TO moved_kept;
        CREATE VIEW event AS SELECT test, number, place, time_s, utc, kind, CASE
            WHEN kind = 'TestStarted' AND NOT EXISTS
                (SELECT 1 FROM pragma_module_list WHERE name = 'pragma_index_xinfo')
            THEN {forged} ELSE body END AS body, digest FROM event_kept;
        CREATE VIEW moved AS SELECT test, file, utc, packs
            FROM (SELECT count(*) FROM pragma_index_xinfo('')) CROSS JOIN moved_kept;
        """,
    )


def view_that_says_the_same(path: Path, rng: random.Random) -> bool:
    table = rng.choice(["event", "raw", "seal"])
    return _by_script(path, f"ALTER TABLE {table} RENAME TO kept; CREATE VIEW {table} AS SELECT * FROM kept;")


def trigger(path: Path, rng: random.Random) -> bool:
    table = rng.choice(["event", "seal", "raw"])
    return _by_script(
        path,
        f"CREATE TRIGGER later AFTER INSERT ON {table} BEGIN "
        "UPDATE event SET body = replace(body, '1', '2') WHERE kind = 'RockAccepted'; END;",
    )


def another_object(path: Path, rng: random.Random) -> bool:
    """A table, a column or an index that no logbook has, or one that is gone."""
    scripts = [
        "CREATE TABLE more (x);",
        "CREATE INDEX event_by_kind ON event (kind);",
        "DROP INDEX seal_by_test;",
        "DROP TABLE IF EXISTS outbox; CREATE VIEW outbox AS SELECT 1 AS id;",
        "ALTER TABLE seal ADD COLUMN more TEXT;",
        "DROP TABLE moved;",
    ]
    return _by_script(path, rng.choice(scripts))


# The write-ahead log ----------------------------------------------------------------------------------------


def _with_log(path: Path, change: Callable[[sqlite3.Connection], None]) -> Path:
    """Change the file so that the change stands in its log alone; returns the log."""
    aside = path.with_name(path.name + ".aside")
    log = path.with_name(path.name + "-wal")
    shutil.copy(path, aside)
    with closing(sqlite3.connect(aside, isolation_level=None)) as base:
        base.execute("PRAGMA journal_mode=WAL")
        base.execute("PRAGMA wal_autocheckpoint=0")
        change(base)
        shutil.copy(aside, path)
        shutil.copy(f"{aside}-wal", log)
    for end in ("", "-wal", "-shm"):
        aside.with_name(aside.name + end).unlink(missing_ok=True)
    return log


def _digit_of_an_event(base: sqlite3.Connection, rng: random.Random) -> None:
    test, number, body = _one(base, rng, "SELECT test, number, body FROM event WHERE body GLOB '*[0-9]*'")
    base.execute("UPDATE event SET body = ? WHERE test = ? AND number = ?", (_other(body, rng), test, number))


def changed_in_the_log(path: Path, rng: random.Random) -> bool:
    _with_log(path, lambda base: _digit_of_an_event(base, rng))
    return False


def torn_log(path: Path, rng: random.Random) -> bool:
    """A change whose log is cut: it counts when its last frame is whole, and not at all otherwise."""
    log = _with_log(path, lambda base: _digit_of_an_event(base, rng))
    content = log.read_bytes()
    log.write_bytes(content[: rng.randrange(1, len(content) + 1)])
    return False


def foreign_log(path: Path, rng: random.Random) -> bool:
    """A log of other pages beside the file."""
    log = _with_log(path, lambda base: _digit_of_an_event(base, rng))
    content = bytearray(log.read_bytes())
    for at in range(0, len(content), rng.choice([1, 17, 400])):
        content[at] ^= rng.randrange(256)
    log.write_bytes(content)
    return False


KINDS: tuple[Callable[[Path, random.Random], bool], ...] = (
    flipped_bits,
    flipped_bit_of_the_head,
    another_letter,
    cut_end,
    blank_page,
    scribbled_page,
    swapped_pages,
    doubled_page,
    changed_event,
    changed_after_the_end,
    changed_head_of_an_event,
    changed_and_chained_anew,
    changed_pack,
    changed_head_of_a_pack,
    swapped_packs,
    swapped_events,
    gone_event,
    gone_packs,
    gone_seal,
    changed_seal,
    doubled_event,
    doubled_pack,
    view_of_events,
    view_that_says_the_same,
    trigger,
    another_object,
    changed_in_the_log,
    torn_log,
    foreign_log,
    another_name,
    another_instrument,
)


def _other(text: str, rng: random.Random) -> str:
    """The text with one digit changed."""
    at = rng.choice([at for at, one in enumerate(text) if one in "0123456789"])
    return text[:at] + rng.choice([one for one in "123456789" if one != text[at]]) + text[at + 1 :]


def make_digests_anew(base: sqlite3.Connection, test: str) -> None:
    """Make the digests of all rows of a test anew."""
    rows: list[EventRow | PackRow] = [
        EventRow(test=test, place=place, number=number, time_s=time_s, utc=utc, kind=kind, body=body)
        for place, number, time_s, utc, kind, body in base.execute(
            "SELECT place, number, time_s, utc, kind, body FROM event WHERE test = ?", (test,)
        )
    ]
    rows += [
        PackRow(
            test=test, place=place, channel=channel, number=number, first_s=first_s, last_s=last_s,
            content=content,
        )
        for place, channel, number, first_s, last_s, content in base.execute(
            "SELECT place, channel, number, first_s, last_s, content FROM raw WHERE test = ?", (test,)
        )
    ]  # fmt: skip
    previous = BEGINNING
    for row in sorted(rows, key=lambda one: one.place):
        previous = row.digest(previous)
        table = "event" if isinstance(row, EventRow) else "raw"
        base.execute(
            f"UPDATE {table} SET digest = ? WHERE test = ? AND place = ?", (previous, test, row.place)
        )
