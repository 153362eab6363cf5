"""The bus as a test sees it: events and snapshots go in, a thread sends them.

Nothing here waits for the network or for the bus's thread while a test runs. The test leaves its newest
snapshot in one slot and pokes the thread; records are read by the thread from the logbook. The bus may be
dead for hours: the test does not notice, and what was recorded goes out later.
"""

from __future__ import annotations

import asyncio
import contextvars
import datetime as dt
import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from lashmap_daemon.bus import from_test, messages, outbox
from lashmap_daemon.bus.connection import BackgroundCalls, Identity
from lashmap_daemon.bus.publisher import Publisher, Report
from lashmap_daemon.bus.requests import Desk, Pending
from lashmap_daemon.errors import LogbookError
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.setup.bus_table import BusTable
from lashmap_daemon.story import events
from lashmap_daemon.story.events import ResultAnnounced

if TYPE_CHECKING:
    from lashmap_analysis.judge.assessment import Assessment

    from lashmap_daemon.testing.conductor import Conductor


PATIENCE_S = (3.0, 3.0)  # two seconds are what a broker that hangs may take for its farewell
_LOG = logging.getLogger("lashmap.bus")


def announce_result(logbook: Path, identity: Identity, assessment: Assessment) -> None:
    """What was concluded from a test is to reach the broker of a stand.

    Raises:
        LogbookError: When the logbook cannot be written.
    """
    now = dt.datetime.now(dt.UTC)
    test = assessment.record.identity.test
    result = from_test.result(
        assessment,
        identity.stand,
        identifier=f"{test}/result/{now:%Y%m%dT%H%M%S%f}",
        utc=f"{now:%Y-%m-%dT%H:%M:%SZ}",
    )
    text = messages.payload(result).decode()
    outbox.announce(logbook, test, ResultAnnounced(topic=identity.base, id=result.id, message=text))


class StandBus:
    """One stand on the bus, for one test or many.

    Args:
        settings: From the stand file; files in it already resolved.
        name: Name of the stand.
        logbook: An existing logbook; its records go out.
        patience_s: On leaving, at most so long for what waits while the broker is there; after that, at most
            so long for the farewell, then the thread is left behind.

    Raises:
        ConfigurationError: On entering, when password or certificates cannot be read.
        LogbookError: On entering, when the outbox cannot be opened.
    """

    def __init__(
        self,
        settings: BusTable,
        name: str,
        logbook: Path,
        *,
        patience_s: tuple[float, float] = PATIENCE_S,
    ) -> None:
        self._linger_s, self._give_up_s = patience_s
        self._settings = settings
        self._logbook = logbook
        self.identity = Identity.of(settings, name)
        self.report = Report()
        self._desk = Desk(self.identity.stand) if settings.commands else None
        self._started: events.TestStarted | None = None
        self._started_utc = ""
        self._snapshots: from_test.SnapshotTaker | None = None
        self._slot: from_test.Snapshot | None = None
        self._standing: from_test.Standing | None = None
        self._offered: tuple[object, object] = (None, None)
        self._poked = False
        self._ready = threading.Event()
        self._failed: BaseException | None = None
        # What is logged there carries the same stand as here.
        self._thread = threading.Thread(
            target=contextvars.copy_context().run, args=(self._run,), name="bus", daemon=True
        )

    def __enter__(self) -> Self:
        self._settings.password()
        self._settings.tls()
        self._thread.start()
        self._ready.wait()
        if self._failed is not None:
            raise self._failed
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._in_loop(lambda: self._publisher.end(self._linger_s))
        self._thread.join(self._linger_s + self._give_up_s)

    # Called by the test -----------------------------------------------------------------------------------

    def begin(self, started: events.TestStarted) -> None:
        """A test is about to start (or to go on): its records are to go out."""
        began = ""
        try:
            began = outbox.enrol(self._logbook, self.identity.base, started.test)
        except LogbookError as error:  # the thread does it as soon as it can
            _LOG.warning("%s", error)
        self._started = started
        self._started_utc = began or f"{dt.datetime.now(dt.UTC):%Y-%m-%dT%H:%M:%SZ}"
        self._snapshots = from_test.SnapshotTaker(started, 1.0 / self._settings.live_hz)
        self._slot = None
        if self._desk is not None:
            self._desk.test = started.test
        self._in_loop(lambda: self._follow(started.test))

    def hear(self, stamped: events.Stamped) -> None:
        """An event happened, and is in the logbook."""
        if self._snapshots is None:
            return
        with self._no_harm():
            if isinstance(stamped.event, events.TestStarted):
                self._started_utc = stamped.utc
            self._snapshots.hear(stamped)
            if isinstance(stamped.event, events.TestClosed):
                self._slot = self._snapshots.closed() or self._slot
                self.over()
            self._poke()

    def take_snapshot(self, conductor: Conductor, now_s: float) -> None:
        """A moment of the running test; takes a snapshot when one is due."""
        if self._snapshots is None:
            return
        with self._no_harm():
            snapshot = self._snapshots.take(conductor, now_s)
            if snapshot is not None:
                self.report.live_due += snapshot.view.phase is not Phase.CLOSED
                self._slot = snapshot
                self._poke()

    def over(self) -> None:
        """No test runs any more, however it ended."""
        started = self._started
        if self._desk is not None:
            self._desk.test = None
        if started is not None:
            self._in_loop(lambda: self._unfollow(started.test))

    def show(self, standing: from_test.Standing) -> None:
        """What a stand that is always on does now; goes out when it changed."""
        if standing == self._standing:
            return
        if standing.prepared is not None:
            self._started = self._slot = None  # the last test is history, another box is on the stand
        self._standing = standing
        self._poke()

    def asked(self) -> list[Pending]:
        """What was asked over the bus since the last call; whoever takes it says what came of it."""
        return self._desk.take() if self._desk is not None else []

    def commands(self) -> list[str]:
        """The same as words for a test, each preceded by a note of who asked; taken is accepted."""
        taken = self.asked()
        for pending in taken:
            pending.refusal = ""
        return [words for pending in taken for words in pending.as_words]

    def conclude(self, assessment: Assessment) -> None:
        """A test was assessed: its result is to go out.

        Raises:
            LogbookError: When the logbook cannot be written; the result stands in the logbook all the same.
        """
        announce_result(self._logbook, self.identity, assessment)
        self._in_loop(lambda: self._publisher.records.reopen(assessment.record.identity.test))

    def closing_words(self) -> str | None:
        """After the end: what the person should know about the bus; None when all went out."""
        return self.report.closing_words(self._settings.broker, stuck=self._thread.is_alive())

    # Inside the thread ----------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            asyncio.run(self._publish())
        except BaseException as error:  # noqa: BLE001 - handed to whoever waits, or logged
            if self._ready.is_set():
                _LOG.exception("the bus ended")
                self.report.lost(str(error) or type(error).__name__)
            self._failed = error
        finally:
            self._ready.set()

    async def _publish(self) -> None:
        with closing(outbox.Outbox(self._logbook, self.identity.base)) as box:
            self._loop = asyncio.get_running_loop()
            self._loop.set_exception_handler(_quietly)
            self._loop.set_default_executor(BackgroundCalls())
            self._publisher = Publisher(self.identity, self._settings, box, self._desk, self.report)
            records = self._publisher.records
            self._ready.set()
            try:
                await self._publisher.run()
                self.report.left_over = await records.left_over(all_over=not self.report.connected)
            finally:
                records.close()

    @contextmanager
    def _no_harm(self) -> Iterator[None]:
        """Whatever goes wrong in here, the test goes on."""
        try:
            yield
        except Exception as error:  # noqa: BLE001 - reported; a test is worth more
            if not self.report.harm:
                _LOG.exception("the bus failed inside; the test goes on")
            self.report.harm = str(error) or type(error).__name__

    def _follow(self, test: str) -> None:
        self._publisher.runs(test)
        self._publisher.records.follow(test)

    def _unfollow(self, test: str) -> None:
        self._publisher.runs(None)
        self._publisher.records.unfollow(test)

    def _poke(self) -> None:
        if not self._poked:
            self._poked = True
            self._in_loop(self._poke_arrived)

    def _poke_arrived(self) -> None:
        self._poked = False  # before looking, so that what comes from now on pokes again
        self._publisher.records.wake()
        snapshot, started, standing = self._slot, self._started, self._standing
        stand, name = self.identity.stand, self.identity.name
        before, self._offered = self._offered, (snapshot, standing)
        if snapshot is not None and started is not None:
            # A record or the service may have woken us; an old value must not go out again as if it were new.
            old = snapshot is before[0]
            if old and standing is before[1]:
                return
            service = standing.service if standing else None
            self._publisher.offer(
                None
                if old or snapshot.view.phase is Phase.CLOSED
                else from_test.live(snapshot, stand, started.test),
                from_test.state(snapshot, stand, name, started, self._started_utc, service=service),
            )
        elif standing is not None and standing is not before[1] and standing.service.doing != "testing":
            self._publisher.offer(None, from_test.idle(standing, stand, name))

    def _in_loop(self, call: Callable[[], None]) -> None:
        try:
            self._loop.call_soon_threadsafe(call)
        except RuntimeError:  # the loop has ended, and reported why
            _LOG.debug("the bus has ended already")


def _quietly(_loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """What a dying connection leaves in the loop is logged, not printed over the screen of a running test.

    A write that aiomqtt schedules for a socket that has closed meanwhile ends here; the connection is renewed
    anyway.
    """
    _LOG.debug("in the loop of the bus: %s", context.get("message"), exc_info=context.get("exception"))
