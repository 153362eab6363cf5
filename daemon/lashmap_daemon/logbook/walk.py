"""One pass over the rows of a test: what was changed, what is missing, what nobody can say.

Decided here: how one test is checked, row by row and then against its seals, and in which words a deviation
is named.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from heapq import merge
from pathlib import Path

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
    seconds,
)
from lashmap_daemon.logbook.pack import PackDamaged, examine
from lashmap_daemon.logbook.raw import Archives, Moved, moved_of
from lashmap_daemon.logbook.rows import seals_of
from lashmap_daemon.logbook.schema import BUILD

_OR_BEFORE = "Instead of a row that was changed, the one before it may have been, and its digest made anew."
_MOST_NAMED = 20  # problems of one test; a rewritten file would name thousands


@dataclass(frozen=True, kw_only=True)
class TestCheck:
    """What became of checking one test.

    Attributes:
        test: Identifier of the test.
        rows: Rows found.
        seals: Its seals, oldest first.
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


@dataclass(kw_only=True)
class _Found:
    """A row as it stands in the file."""

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
        for name, number, place, time_s, utc, kind, body, digest in self.base.execute(
            "SELECT test, number, place, time_s, utc, kind, body, digest FROM event "
            "WHERE test = ?1 AND (?2 = 0 OR place > ?2) ORDER BY place",
            (self.test, self.place),
        ):
            row = EventRow(
                test=name,
                place=place,
                number=number,
                time_s=float(time_s),
                utc=utc,
                kind=kind,
                body=body,
            )
            yield _Found(row=row, stored=_digest(digest))

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
            yield _Found(row=row, stored=_digest(digest), wrong=wrong)

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
