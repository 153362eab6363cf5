"""The logbook: one SQLite file with every event and every raw byte, written as they happen.

WAL with ``synchronous=FULL``: what `Logbook.append` returned from survives a power cut. Raw chunks are packed
into blobs of about a quarter second; their boundaries and arrival times are kept, because the times of the
samples are computed from them. Tables are in `logbook.schema`, packs in `logbook.pack`, digests and seals in
`logbook.digests`.

Chunks that are not in the file yet wait in memory: a quarter second as a rule, minutes when the disk is full.
Beyond a bound the oldest go, are counted, and leave a break behind, so that half lines on either side never
merge into one.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from types import TracebackType
from typing import NamedTuple, Self

from lashmap_drivers.readings import Chunk, Chunks
from pydantic import ValidationError

from lashmap_daemon.errors import LogbookError, LogbookFull, LogbookGone
from lashmap_daemon.logbook.digests import CLOSES, OPENS_AGAIN, EventRow, Tally
from lashmap_daemon.logbook.guard import Standing, save
from lashmap_daemon.logbook.index import Index, TestSummary
from lashmap_daemon.logbook.pack import Archives, Moved, RawReader, moved_of
from lashmap_daemon.logbook.rows import (
    Head,
    add_event,
    add_raw,
    add_seal,
    events_of,
    head_of,
    last_packs,
)
from lashmap_daemon.logbook.schema import (
    BUILD,
    connect,
    is_writable,
    make_new,
    make_tables,
    must_be_logbook,
    must_be_there,
    must_be_writable,
    must_not_lose_its_log,
    naming,
    transaction,
)
from lashmap_daemon.setup.toml_file import problem_of
from lashmap_daemon.story import events
from lashmap_daemon.story.events import Stamped
from lashmap_daemon.story.recorded import OtherVersion
from lashmap_daemon.story.story import story_of

PACK_S = 0.25
MOST_CHUNKS = 5_000  # written at a time: a try on a full disk must not cost much
_PACK_BYTES = 1 << 16
MOST_WAITING_BYTES = 64_000_000
_CHUNK_BYTES = 200  # what a chunk costs beside its bytes
Key = tuple[str, str]  # test, channel


class Waiting:
    """Chunks by test and channel.

    Attributes:
        dropped_chunks: How many went because the bound was reached.
        bytes: What waits now, with what keeping it costs.
    """

    def __init__(self, most_bytes: int = MOST_WAITING_BYTES) -> None:
        self.dropped_chunks = 0
        self.bytes = 0
        self._most_bytes = most_bytes
        self._chunks: dict[Key, deque[Chunk]] = {}
        self._sizes: dict[Key, int] = {}  # bytes of the chunks alone, so that nobody need count them again

    def add(self, key: Key, chunks: list[Chunk]) -> None:
        """Let chunks wait."""
        size = sum([len(chunk.data) for chunk in chunks])
        self._chunks.setdefault(key, deque()).extend(chunks)
        self._sizes[key] = self._sizes.get(key, 0) + size
        self.bytes += size + _CHUNK_BYTES * len(chunks)
        while self.bytes > self._most_bytes:
            self._drop_oldest()

    def is_due(self, key: Key) -> bool:
        """True when what waits must be written now."""
        waiting = self._chunks.get(key)
        if not waiting:
            return False
        return waiting[-1].arrival_s - waiting[0].arrival_s >= PACK_S or self._sizes[key] >= _PACK_BYTES

    def oldest(self, test: str) -> dict[str, list[Chunk]]:
        """The oldest of what waits of a test, by channel; it goes on waiting until `written`."""
        return {
            channel: list(islice(some, MOST_CHUNKS))
            for (name, channel), some in self._chunks.items()
            if name == test and some
        }

    def tests(self) -> list[str]:
        """Tests of which something waits."""
        return list(dict.fromkeys(name for (name, _), chunks in self._chunks.items() if chunks))

    def written(self, test: str, chunks: dict[str, list[Chunk]]) -> None:
        """What `oldest` gave is in the file now."""
        for channel, some in chunks.items():
            key = test, channel
            for _ in some:
                self._chunks[key].popleft()
            self._took(key, some)

    def are_all(self, test: str, chunks: dict[str, list[Chunk]]) -> bool:
        """True when nothing of the test waits but these."""
        return all(
            len(some) == len(chunks.get(channel, ()))
            for (name, channel), some in self._chunks.items()
            if name == test
        )

    def end_s(self, test: str) -> float:
        """Newest arrival that waits of a test; minus infinity when none does."""
        return max(
            (chunks[-1].arrival_s for (name, _), chunks in self._chunks.items() if name == test and chunks),
            default=float("-inf"),
        )

    def _drop_oldest(self) -> None:
        """Halve the longest queue: dropping one by one would mark a break before every chunk."""
        key, longest = max(self._chunks.items(), key=lambda item: len(item[1]))
        gone = [longest.popleft() for _ in range(max(1, len(longest) // 2))]
        self._took(key, gone)
        self.dropped_chunks += sum(not one.is_break for one in gone)
        if longest:
            longest.appendleft(Chunk(longest[0].arrival_s, b""))
            self.bytes += _CHUNK_BYTES

    def _took(self, key: Key, some: list[Chunk]) -> None:
        size = sum([len(chunk.data) for chunk in some])
        self._sizes[key] -= size
        self.bytes -= size + _CHUNK_BYTES * len(some)


def summary_of(
    test: str,
    started_utc: str,
    stream: Sequence[Stamped],
    unreadable: str = "damaged: lashmap verify says what",
) -> TestSummary:
    """Sum up a test; one whose events cannot be read (an empty stream) or have no beginning is damaged."""
    story = story_of(stream)
    started = story.started
    if started is None:
        return TestSummary(test=test, started_utc=started_utc, closing=unreadable)
    stored = story.stored
    return TestSummary(
        test=test,
        started_utc=story.measured_utc if story.sheets else started_utc,
        operator=started.operator,
        outcome="" if stored is None else stored.outcome,
        normal_backlash_mm=None if stored is None else stored.normal_backlash_mm,
        interval_mm=None if stored is None else stored.interval_mm,
        units=started.box.box.units,
        review=story.review,
        box=started.box.box.type,
        serial=started.box.box.serial,
        stand=started.place[0],
        positions=len(story.accepted),
        signed_by=story.signed_by,
        closing=story.reason or "not closed",
    )


class _NewEvent(NamedTuple):
    """An event to be added to a chain, as its row keeps it."""

    time_s: float
    utc: str
    kind: str
    body: str


class OfOtherVersion(LogbookError):
    """A test was recorded by a version that writes its set-up otherwise; nothing is wrong with it."""


def stamped_of(row: EventRow, path: Path) -> Stamped:
    """The event of a row.

    Raises:
        OfOtherVersion: When its set-up was written otherwise.
        LogbookError: When it is none.
    """
    try:
        event = events.from_json(row.kind, row.body)
    except OtherVersion as error:
        raise OfOtherVersion(
            f"{path}: test {row.test}: {error}; open it with the lashmap that wrote it, or with a newer one"
        ) from error
    except (KeyError, ValidationError, UnicodeError) as error:
        raise _unreadable(row, path, _what_is_wrong(error)) from error
    if not (math.isfinite(row.time_s) and isinstance(row.utc, str)):
        raise _unreadable(row, path, f"its time is {row.time_s!r}, {row.utc!r}")
    return Stamped(time_s=row.time_s, utc=row.utc, event=event)


def _unreadable(row: EventRow, path: Path, why: str) -> LogbookError:
    return LogbookError(
        f"{path}: test {row.test}, event {row.number} ({row.kind}) cannot be read: {why}; find out "
        f"what is damaged with: lashmap verify --logbook {path}"
    )


class Logbook:
    """An open logbook file; one that is absent is made with ``create`` and refused without.

    Raises:
        LogbookError: When it cannot be opened, is no logbook, is of another version, or holds anything else
            than the tables of one.
    """

    def __init__(self, path: Path, *, create: bool) -> None:
        self.path = path
        self._heads: dict[str, Head] = {}
        self._version = 0
        self._waiting = Waiting()
        self._full: tuple[LogbookFull, float] | None = None
        self._archives = Archives(path)
        if create:
            must_be_writable(path)
            must_not_lose_its_log(path)
            if not path.exists():
                make_new(path)
        else:
            must_be_there(path)
        with naming(path):
            self._base = connect(path)
            try:
                self._prepare()
            except BaseException:
                self._base.close()
                raise
        self._raw = RawReader(self._base, path, self._archives)
        self._standing = Standing(path)

    def must_be_there(self) -> None:
        """See that the file under the name is still the one that was opened.

        Raises:
            LogbookGone: When it is not; `saved_elsewhere` can still read it.
        """
        why = self._standing.why_gone()
        if why:
            raise LogbookGone(self.path, why)

    def saved_elsewhere(self, test: str, known: Iterable[Stamped] = ()) -> tuple[Logbook, str]:
        """Save a logbook whose file is gone to a new one, together with what waits; that waits there now.

        Args:
            test: The test that has to be saved, should there be no room for the others.
            known: Its events of this run; they are written where the old file cannot be read any more.

        Returns:
            The new logbook, open, and a sentence on what is in it.

        Raises:
            LogbookError: When there is no place for it.
        """
        try:
            new, everything = save(self._base, self._standing, test)
            held = "every test of the logbook" if everything else f"test {test} alone, for want of room"
        except LogbookError as error:
            new, _ = save(None, self._standing, test)
            held = f"the events of test {test}, and what of its samples waited: the rest is lost ({error})"
        else:
            known = ()
        book = Logbook(new, create=False)
        book._waiting, self._waiting = self._waiting, Waiting()
        for stamped in known:
            book.append(test, stamped)
        return book, f"saved in {new}: {held}"

    @property
    def dropped_chunks(self) -> int:
        """Raw chunks that went because the disk was full for too long; each loss is marked by a break."""
        return self._waiting.dropped_chunks

    @property
    def waiting_bytes(self) -> int:
        """What waits in memory to be written, with what keeping it costs."""
        return self._waiting.bytes

    def append(self, test: str, stamped: Stamped) -> None:
        """Keep an event; durable when this returns.

        A closing record also seals the test. What is added to a closed test is sealed at once; only its
        resumption, or raw samples, open it again until its next closing.

        Raises:
            LogbookFull: When there is no room. Nothing is lost: the same event can be appended again.
            LogbookGone: When the file is no longer there under its name; nothing was written.
            LogbookError: When it cannot be written.
        """
        kind, body = events.to_json(stamped.event)
        self._write(test, _NewEvent(stamped.time_s, stamped.utc, kind, body))

    def append_to_build(self, build: str, *, time_s: float, utc: str, kind: str, body: str) -> None:
        """Keep an event of a build, behind what waits of it (`keep`); durable when this returns.

        Args:
            build: Its name, which begins with `schema.BUILD`.
            time_s: Seconds since it was begun.
            utc: ISO 8601.
            kind: Name of the event; ``BuildClosed`` seals the build.
            body: The event.

        Raises:
            ValueError: For a name that is no build's.
            LogbookError: As `append`.
        """
        if not build.startswith(BUILD):
            raise ValueError(f"{build!r} is no name of a build")
        self._write(build, _NewEvent(time_s, utc, kind, body))

    def build_rows(self, build: str) -> list[EventRow]:
        """All events of a build as they are stored, in order; empty when there is none.

        Raises:
            LogbookError: When they cannot be read.
        """
        with naming(self.path):
            return events_of(self._base, self.path, build)

    def builds(self) -> list[str]:
        """Names of the builds, oldest first.

        Raises:
            LogbookError: When they cannot be read.
        """
        with naming(self.path):
            found = self._base.execute(
                "SELECT test, min(utc) FROM event WHERE substr(test, 1, ?) = ? GROUP BY test ORDER BY 2, 1",
                (len(BUILD), BUILD),
            ).fetchall()
        return [str(name) for name, _ in found]

    def keep(self, test: str, channel: str, chunks: list[Chunk]) -> None:
        """Keep raw chunks as received, with arrivals in seconds since the test started.

        They are durable within a quarter second or at the next event.

        Raises:
            LogbookFull: When there is no room. The chunks wait in memory (do not hand them over again) and
                are written when there is; beyond `MOST_WAITING_BYTES` the oldest go and are counted.
            LogbookError: When they cannot be written.
        """
        if not chunks:
            return
        self._waiting.add((test, channel), chunks)
        if self._full is not None and abs(chunks[-1].arrival_s - self._full[1]) < PACK_S:
            raise self._full[0]  # a try costs something, and the live test comes by every few milliseconds
        if self._full is not None or self._waiting.is_due((test, channel)):
            self._write(test)

    def events(self, test: str) -> Iterator[Stamped]:
        """All events of a test in order.

        Raises:
            LogbookError: When one cannot be read.
        """
        with naming(self.path):
            rows = events_of(self._base, self.path, test)
        for row in rows:
            yield stamped_of(row, self.path)

    def raw(self, test: str, channel: str, *, gaps: bool = False) -> Iterator[Chunk]:
        """All raw chunks of one instrument in order, as received; read as they are taken, not all at once.

        Raises:
            LogbookError: When a pack cannot be read (with ``gaps`` it becomes a break instead), or was moved
                to an archive that is not at hand.
        """
        for chunks in self.raw_pieces(test, channel, gaps=gaps):
            yield from chunks

    def raw_pieces(
        self, test: str, channel: str, *, gaps: bool = False, tally: Tally | None = None
    ) -> Iterator[Chunks]:
        """As `raw`, in pieces and as columns: many times as quick; see `RawReader.pieces`."""
        return self._raw.pieces(test, channel, gaps=gaps, tally=tally)

    def tests(self) -> list[TestSummary]:
        """One line for each test, oldest first; one that is damaged says so, even without a beginning."""
        with naming(self.path):
            index = Index(self.path, self._base)
        return list(index.tests(self.summary))

    def summary(self, test: str, utc: str) -> TestSummary:
        """The line of one test, from its events; ``utc`` is when the first was written."""
        try:
            return summary_of(test, utc, list(self.events(test)))
        except OfOtherVersion:
            return summary_of(test, utc, [], unreadable="of another version: lashmap review says which")
        except LogbookError:
            return summary_of(test, utc, [])

    def moved_to(self, test: str) -> Moved | None:
        """Where the raw samples of a test were moved; None while they are here."""
        with naming(self.path):
            return moved_of(self._base, test)

    def end_s(self, test: str) -> float:
        """Newest time of an event or chunk of a test, in its seconds; 0 when it has none."""
        with naming(self.path):
            (event,) = self._base.execute("SELECT max(time_s) FROM event WHERE test = ?", (test,)).fetchone()
            raw = [last_s for _, _, last_s in last_packs(self._base, test)]
        return max(event or 0.0, *raw, self._waiting.end_s(test))

    def close(self) -> None:
        """Write what waits and close the file.

        Raises:
            LogbookFull: When there is no room for what waits; the file is closed, and that is lost.
        """
        with naming(self.path):
            try:
                for test in self._waiting.tests():
                    self._write(test)
            except LogbookFull as error:
                raise LogbookFull(
                    *error.lines,
                    f"{self.path}: closed with raw samples not written: {self.waiting_bytes} bytes",
                ) from error
            finally:
                self._archives.close()
                self._base.close()
                self._standing.closed()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _prepare(self) -> None:
        made = must_be_logbook(self._base, self.path)
        if is_writable(self.path):
            self._base.execute("PRAGMA journal_mode=WAL")
            self._base.execute("PRAGMA synchronous=FULL")
        if not made:
            make_tables(self._base)

    def _write(self, test: str, event: _NewEvent | None = None) -> None:
        """Write what waits of a test, the oldest first, and at last an event; durable when this returns."""
        last = False
        while not last:
            chunks = self._waiting.oldest(test)
            last = self._waiting.are_all(test, chunks)
            with self._transaction(test) as head:
                for channel, some in chunks.items():
                    add_raw(self._base, head, channel, some)
                if last and event is not None:
                    self._add(head, event)
            self._waiting.written(test, chunks)

    def _add(self, head: Head, event: _NewEvent) -> None:
        """Add an event, and a seal when it closes the test or is added to a closed one."""
        was_sealed = head.sealed
        add_event(self._base, head, time_s=event.time_s, utc=event.utc, kind=event.kind, body=event.body)
        if event.kind in CLOSES:
            add_seal(self._base, head, event.utc, "closed")
        elif was_sealed and event.kind != OPENS_AGAIN:
            add_seal(self._base, head, event.utc, "added")

    def _forget_old_heads(self) -> None:
        """Another process may have added to a test meanwhile, such as a review."""
        (version,) = self._base.execute("PRAGMA data_version").fetchone()
        if version != self._version:
            self._heads.clear()
            self._version = version

    @contextmanager
    def _transaction(self, test: str) -> Iterator[Head]:
        """All or nothing, in the file as in memory."""
        try:
            self.must_be_there()
            with naming(self.path), transaction(self._base):
                self._forget_old_heads()
                head = (self._heads.get(test) or head_of(self._base, test)).copy()
                yield head
        except LogbookFull as error:
            self._full = (error, self._waiting.end_s(test))
            raise
        self._full = None
        self._heads[test] = head
        self._standing.written()


def _what_is_wrong(error: KeyError | ValidationError | UnicodeError) -> str:
    if isinstance(error, ValidationError):
        return "; ".join(problem_of(dict(detail)) for detail in error.errors()[:3])
    return "this version knows no such event" if isinstance(error, KeyError) else str(error)
