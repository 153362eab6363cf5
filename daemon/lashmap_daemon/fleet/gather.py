"""Gathering: what comes from a broker and what lies in folders goes into the store, in batches.

A record is acknowledged, and a test in a folder noted as read, only after the store has it. What is not
believed goes to the quarantine with its reason and is acknowledged too: it stops nobody.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from lashmap_daemon.bus.listening import NOT_YET
from lashmap_daemon.errors import LogbookError
from lashmap_daemon.fleet.folder import Read, logbooks_below, read_tests
from lashmap_daemon.fleet.from_broker import MOST_IN_HAND, Came, FromBroker
from lashmap_daemon.fleet.rows import NotBelieved, Row, Rows, rows_of
from lashmap_daemon.fleet.store import Given, Store, StoreError

_MOST_KEPT = 65_536  # bytes of a payload in the quarantine
_MOST_REFUSED = 200  # of one batch that are kept with their payload; the others are counted
_MOST_TOGETHER = 5000  # records of a folder that are merged in one go
_TIDY_S = 600.0
_AGAIN_S = 15.0
_TURN_S = 0.1


@dataclass
class Count:
    """What was gathered since the beginning.

    Attributes:
        records: That came.
        rows: That were new, by table.
        quarantined: Records that were not merged.
        tests: That were read in logbooks.
    """

    records: int = 0
    rows: dict[str, int] = field(default_factory=dict)
    quarantined: int = 0
    tests: int = 0

    def sentence(self) -> str:
        """In words."""
        found = ", ".join(f"{name} {count}" for name, count in sorted(self.rows.items()) if count)
        refused = f"; {self.quarantined} in quarantine" if self.quarantined else ""
        return f"{self.records} records came; new rows: {found or 'none'}{refused}"


class Gatherer:
    """Puts records into a store.

    Args:
        store: Open, with its tables made.
        root: First levels of the topics.
        tell: Called with a line for what somebody should know.
    """

    def __init__(self, store: Store, root: str, tell: Callable[[str], None]) -> None:
        self._store, self._root, self._tell = store, root, tell
        self._told: set[str] = set()
        self._tidied_s = time.monotonic()
        self.count = Count()

    def merge(self, records: Sequence[tuple[str, bytes, str]], *, live: bool = True) -> None:
        """Merge records.

        Args:
            records: Topic and payload of each, and the file that it was read in; empty where none was.
            live: They came from the broker.

        Raises:
            StoreError: The store cannot be written; nothing may be acknowledged.
        """
        now = _now()
        good: list[Given] = []
        refused: list[tuple[str, bytes, str]] = []
        for topic, payload, place in records:
            try:
                rows = rows_of(topic, payload, self._root, now, live=live)
                good.append(Given(rows=rows, place=place or topic, payload=payload))
            except NotBelieved as error:
                refused.append((place or topic, payload, str(error)))
        added = self._store.add(good)
        refused += [(one.place, one.payload, why) for one, why in added.contradicting]
        self.count.records += len(records)
        for name, count in added.inserted.items():
            self.count.rows[name] = self.count.rows.get(name, 0) + count
        self._quarantine(refused, now)

    def _quarantine(self, refused: Sequence[tuple[str, bytes, str]], now: dt.datetime) -> None:
        if not refused:
            return
        self.count.quarantined += len(refused)
        for place, _, reason in refused:
            if (
                len(self._told) < _MOST_REFUSED
                and (line := f"quarantined, {place}: {reason}") not in self._told
            ):
                self._told.add(line)
                self._tell(line)
        rows = {
            hashlib.sha256(payload).hexdigest(): (place, payload, reason)
            for place, payload, reason in refused[:_MOST_REFUSED]
        }
        self._store.quarantine(
            [
                {
                    "day": now.date(),
                    "digest": digest,
                    "utc": now,
                    "place": place,
                    "reason": reason,
                    "payload": payload[:_MOST_KEPT],
                }
                for digest, (place, payload, reason) in rows.items()
            ]
        )

    def folder(self, folder: Path, *, over: Callable[[], bool] = lambda: False) -> None:
        """Gather every logbook and archive below a folder; tests that were read before are passed over.

        A logbook that cannot be read is told, and goes on the next time.

        Args:
            folder: Where.
            over: Says that it is to end; what was not read yet is read the next time.

        Raises:
            StoreError: The store cannot be written; what was gathered before stays.
        """
        known = set(self._store.columns("sources", "test", "state"))
        batch: list[Read] = []
        for book in logbooks_below(folder):
            try:
                for read in read_tests(book, known, _now()):
                    batch.append(read)
                    if sum(len(one.records) for one in batch) > _MOST_TOGETHER:
                        self._take(batch)
                        batch.clear()
                    if over():
                        break
            except LogbookError as error:
                self._tell(f"passed over: {error}")
            if over():
                break
        self._take(batch)

    def _take(self, batch: Sequence[Read]) -> None:
        """Put tests that were read into the store, and note then that they were."""
        good = [one for one in batch if not one.refused]
        self.merge(
            [(topic, payload, one.place) for one in good for topic, payload in one.records], live=False
        )
        self._store.add([_noted(one, one.source) for one in good if one.source is not None])
        self.count.tests += len(good)
        refused = [
            (one.place, f"{one.test} {one.state}".encode(), f"test {one.test}: {one.refused}")
            for one in batch
            if one.refused
        ]
        self._quarantine(refused, _now())

    def from_broker(self, link: FromBroker, every_s: float, over: Callable[[], bool]) -> None:
        """Gather what comes until ``over`` says so; a store that is away is tried again, nothing is lost.

        ``every_s`` apart, or as soon as half of what the broker gives out at once is in hand.

        Raises:
            StoreError: When it ends and the store cannot be written; what was not kept comes again.
        """
        due_s, told, held = time.monotonic() + every_s, NOT_YET, list[Came]()
        while not over():
            time.sleep(_TURN_S)
            if link.problem != told:
                told = link.problem
                self._tell(told or "connected to the broker")
            if time.monotonic() < due_s and link.waiting() <= MOST_IN_HAND // 2:
                continue
            held = link.still(held) + link.take()
            try:
                self._keep(link, held)
                self.tidy()
                held = []
                due_s = time.monotonic() + every_s
            except StoreError as error:
                self._tell(f"{error}; what came waits and is tried again")
                due_s = time.monotonic() + _AGAIN_S
        self._keep(link, link.still(held) + link.take())

    def _keep(self, link: FromBroker, came: Sequence[Came]) -> None:
        if came:
            self.merge([(one.topic, one.payload, "") for one in came])
            link.kept(came)

    def tidy(self) -> None:
        """Now and then make large files out of small ones.

        Raises:
            StoreError: It cannot be written.
        """
        if time.monotonic() - self._tidied_s > _TIDY_S:
            self._tidied_s = time.monotonic()
            self._store.tidy(_now().date())


def _noted(read: Read, source: Row) -> Given:
    return Given(rows=Rows(test=read.test, rows=(("sources", source),)), place=read.place, payload=b"")


def _now() -> dt.datetime:
    return dt.datetime.now(dt.UTC)
