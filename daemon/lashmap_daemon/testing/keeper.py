"""Events of a live test are stamped, kept, and only then shown; with a full disk they wait.

The logbook comes first and is written at once: what a listener receives is durable, but for the news that
nothing can be written. While the disk is full events wait in order and raw samples wait in the logbook, up to
a bound; beyond it the newest samples are given up, as if they had never come, and a break marks the place.
When the test pauses and goes on is the sequence's. A test that ends then cannot wait: it is closed with the
room that was kept back for it (`logbook.guard`). When the file of the logbook is gone nothing is shown as
kept any more, and a test ends at once: what was recorded and what waits is saved to another file and closed
there.
"""

from __future__ import annotations

import datetime as dt
import math
import time
from collections import deque
from collections.abc import Callable, Iterable
from pathlib import Path

from lashmap_drivers.readings import Chunk

from lashmap_daemon.errors import LogbookError, LogbookFull, LogbookGone
from lashmap_daemon.logbook.guard import Reserve
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.story import events

MOST_HELD_BYTES = 32_000_000  # half of what the logbook itself would hold; about ten minutes at 2 × 1 kHz
AGAIN_S = 1.0  # between tries on a full disk
SLOW_S = 0.5  # a write that takes longer is counted
Clock = Callable[[], float]


def utc_now() -> dt.datetime:
    """The wall clock: for the record only, and free to jump."""
    return dt.datetime.now(dt.UTC)


class Keeper:
    """Keeps one test.

    Listeners are told after an event is durable, and must not wait. The caller holds ``reserve``, room that
    is given back when the test ends on a full disk, and lets it go.

    Attributes:
        full: Why nothing can be written; empty while it can.
        gone: The logbook's file is gone; after `finish` it says where everything is saved.
        closed: The closing record, once it is durable.
        slow_writes: How many events took longer than `SLOW_S` to be written.
        slowest_s: The longest.
    """

    def __init__(
        self,
        logbook: Logbook,
        test: str,
        *,
        now_s: Clock,
        utc: Callable[[], dt.datetime] = utc_now,
        listeners: Iterable[events.Listener] = (),
        reserve: Reserve | None = None,
    ) -> None:
        self.full = ""
        self.gone: LogbookGone | None = None
        self.closed: events.TestClosed | None = None
        self.slow_writes = 0
        self.slowest_s = 0.0
        self._logbook, self._test = logbook, test
        self._now_s, self._utc = now_s, utc
        self._listeners = tuple(listeners)
        self._reserve = reserve
        self._backlog: deque[events.Stamped] = deque()
        self._tried_s = 0.0
        self._given_up_since_s: dict[str, float] = {}
        self._written: list[events.Stamped] = []
        self._finished = False

    def emit(self, event: events.Event) -> events.Stamped:
        """Stamp and keep an event and tell the listeners; with a full disk, or without the file, later.

        Raises:
            LogbookError: When it cannot be kept for another reason.
        """
        stamped = events.Stamped(time_s=self._now_s(), utc=f"{self._utc():%Y-%m-%dT%H:%M:%SZ}", event=event)
        self._backlog.append(stamped)
        if isinstance(event, events.RecordingPaused):
            self._notify(stamped)  # promises nothing, and cannot wait
        elif not self.full and self.gone is None:
            self._write_backlog()
        return stamped

    def keep(self, channel: str, chunks: list[Chunk]) -> None:
        """Keep raw chunks; with a full disk, or without the file, they wait."""
        try:
            self._logbook.keep(self._test, channel, chunks)
        except LogbookFull as error:
            self._note_full(error)
        except LogbookGone as error:
            self._note_gone(error)

    def check_file(self) -> None:
        """See whether the logbook's file is there, also while nothing is written."""
        try:
            self._logbook.must_be_there()
        except LogbookGone as error:
            self._note_gone(error)

    def admit(self, chunks: dict[str, list[Chunk]]) -> dict[str, list[Chunk]]:
        """What of the newest chunks can be held; with a full disk and memory used up nothing.

        Neither the record nor the test ever sees what is given up, so that both decode the same bytes.
        """
        if self.full and self._logbook.waiting_bytes > MOST_HELD_BYTES:
            for name, some in chunks.items():
                if some:
                    self._given_up_since_s.setdefault(name, some[0].arrival_s)
            return {}
        admitted = dict(chunks)
        for name in [name for name in self._given_up_since_s if chunks.get(name)]:
            del self._given_up_since_s[name]
            admitted[name] = [Chunk(chunks[name][0].arrival_s, b""), *chunks[name]]
        return admitted

    def try_again(self) -> bool:
        """Try to write what waits, once in a while; true when all is written."""
        if self._now_s() - self._tried_s < AGAIN_S:
            return False
        self.full = ""
        self._write_backlog()
        return not self.full

    @property
    def given_up_s(self) -> float:
        """Seconds of samples that have been given up by now; 0 when all could be held."""
        since_s = min(self._given_up_since_s.values(), default=math.inf)
        return max(0.0, self._now_s() - since_s) if since_s < math.inf else 0.0

    def finish(self, patience_s: float) -> None:
        """Write what waits after the test has closed, with the room kept back when there is no other.

        Raises:
            LogbookFull: When there is no room even now; the record stays unclosed.
            LogbookGone: When the logbook's file is gone; says where everything is saved, or why it is not.
        """
        if self.gone is None:
            self.check_file()
        if self.gone is not None:
            raise self._saved(self.gone)
        if self.full and self._reserve is not None and self._reserve.release():
            self.full = ""
            self._write_backlog()
        end_s = time.monotonic() + patience_s
        while self.full:
            if self.try_again():
                return
            if time.monotonic() > end_s:
                raise LogbookFull(
                    f"{self.full}; the test could not be closed in its record. What was recorded before "
                    "is kept: make room, then go on with lashmap run … --resume"
                )
            time.sleep(AGAIN_S / 10.0)

    def _saved(self, gone: LogbookGone) -> LogbookGone:
        """Save everything to another file, once, and close the test there."""
        if self._finished:
            return gone
        self._finished = True
        saved: Path | None = None
        try:
            self._logbook, how = self._logbook.saved_elsewhere(self._test, self._written)
        except LogbookError as error:
            how = f"nothing could be saved: {error}"
        else:
            saved, self.gone, self.full = self._logbook.path, None, ""
            try:
                with self._logbook:
                    self._write_backlog()
            except LogbookError as error:
                self.full = str(error)
            if self.full:
                how = f"{how}, but the end of the test is lost: {self.full}"
        self.gone = LogbookGone(gone.path, gone.why, saved=saved, how_saved=f"the test was stopped. {how}")
        return self.gone

    def _write_backlog(self) -> None:
        while self._backlog:
            stamped = self._backlog[0]
            before_s = time.monotonic()
            try:
                self._logbook.append(self._test, stamped)
            except LogbookFull as error:
                self._note_full(error)
                return
            except LogbookGone as error:
                self._note_gone(error)
                return
            took_s = time.monotonic() - before_s
            self.slow_writes += took_s > SLOW_S
            self.slowest_s = max(self.slowest_s, took_s)
            self._written.append(self._backlog.popleft())
            if isinstance(stamped.event, events.TestClosed):
                self.closed = stamped.event
            if not isinstance(stamped.event, events.RecordingPaused):
                self._notify(stamped)

    def _note_gone(self, error: LogbookGone) -> None:
        if self.gone is None:
            self.gone = error

    def _note_full(self, error: LogbookFull) -> None:
        self.full = str(error)
        self._tried_s = self._now_s()

    def _notify(self, stamped: events.Stamped) -> None:
        for listener in self._listeners:
            listener(stamped)
