"""The seam between a test and the bus: a listener, a look now and then, and a thread that does the rest.

Nothing here waits for the network or for the bus's thread while a test runs. The test leaves its newest
snapshot in one slot and pokes the thread; records are read by the thread from the logbook. The bus may be
dead for hours: the test does not notice, and what was recorded goes out later.
"""

from __future__ import annotations

import asyncio
import datetime as dt
import logging
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from lashmap_daemon import events
from lashmap_daemon.bus import from_test, messages, outbox
from lashmap_daemon.bus.commands import Desk
from lashmap_daemon.bus.publisher import Identity, Publisher
from lashmap_daemon.bus.report import Report
from lashmap_daemon.bus.settings import BusTable
from lashmap_daemon.bus.topics import level
from lashmap_daemon.sequence_words import Phase

if TYPE_CHECKING:
    from lashmap_analysis.assessment import Assessment

    from lashmap_daemon.conductor import Conductor

LINGER_S = 3.0
_GIVE_UP_S = 7.0  # a connection attempt into the void ends after five
_LOG = logging.getLogger(__name__)


class StandBus:
    """One stand on the bus, for one test or many.

    Args:
        settings: From the stand file; files in it already resolved.
        name: Name of the stand.
        logbook: An existing logbook; its records go out.
        version: Of lashmap.

    Raises:
        ConfigurationError: On entering, when password or certificates cannot be read.
        LogbookError: On entering, when the outbox cannot be opened.
    """

    def __init__(self, settings: BusTable, name: str, logbook: Path, version: str) -> None:
        self._settings = settings
        self._logbook = logbook
        self.identity = Identity(
            root=settings.root, stand=settings.stand or level(name), name=name, version=version
        )
        self.report = Report()
        self._desk = Desk(self.identity.stand) if settings.commands else None
        self._started: events.TestStarted | None = None
        self._started_utc = ""
        self._onlooker: from_test.Onlooker | None = None
        self._slot: from_test.Seen | None = None
        self._offered: from_test.Seen | None = None
        self._poked = False
        self._ready = threading.Event()
        self._failed: BaseException | None = None
        self._left_over = 0
        self._thread = threading.Thread(target=self._run, name="bus", daemon=True)

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
        self._in_loop(lambda: self._publisher.end(LINGER_S))
        self._thread.join(LINGER_S + _GIVE_UP_S)

    # Told by the test -----------------------------------------------------------------------------------

    def begin(self, started: events.TestStarted) -> None:
        """A test is about to start (or to go on): its records are to go out.

        Raises:
            LogbookError: When the outbox cannot be written.
        """
        outbox.enrol(self._logbook, self.identity.base, started.test)
        self._started = started
        self._started_utc = f"{dt.datetime.now(dt.UTC):%Y-%m-%dT%H:%M:%SZ}"
        self._onlooker = from_test.Onlooker(started, 1.0 / self._settings.live_hz)
        self._slot = None
        if self._desk is not None:
            self._desk.test = started.test
        self._in_loop(lambda: self._follow(started.test))

    def hear(self, stamped: events.Stamped) -> None:
        """An event happened, and is in the logbook."""
        if self._onlooker is None:
            return
        if isinstance(stamped.event, events.TestStarted):
            self._started_utc = stamped.utc
        self._onlooker.hear(stamped)
        if isinstance(stamped.event, events.TestClosed):
            if self._desk is not None:
                self._desk.test = None
            self._slot = self._onlooker.closed() or self._slot
        self._poke()

    def look(self, conductor: Conductor, now_s: float) -> None:
        """A moment of the running test; takes a snapshot when one is due."""
        seen = self._onlooker.look(conductor, now_s) if self._onlooker is not None else None
        if seen is not None:
            self.report.live_due += seen.view.phase is not Phase.CLOSED
            self._slot = seen
            self._poke()

    def commands(self) -> list[str]:
        """What was asked over the bus since the last call, each preceded by a note of who asked."""
        if self._desk is None:
            return []
        return [words for pending in self._desk.take() for words in pending.as_words]

    def conclude(self, assessment: Assessment) -> None:
        """A test was assessed: its result is to go out.

        Raises:
            LogbookError: When the outbox cannot be written.
        """
        now = dt.datetime.now(dt.UTC)
        test = assessment.record.identity.test
        result = from_test.result(
            assessment,
            self.identity.stand,
            identifier=f"{test}/result/{now:%Y%m%dT%H%M%S%f}",
            utc=f"{now:%Y-%m-%dT%H:%M:%SZ}",
        )
        outbox.store_result(self._logbook, self.identity.base, result.id, messages.payload(result).decode())
        self._poke()

    def closing_words(self) -> str | None:
        """After the end: what the person should know about the bus; None when all went out."""
        report, words = self.report, []
        if self._thread.is_alive():
            words.append("did not end in time")
        if self._left_over:
            count = f"{self._left_over} record{'s wait' if self._left_over > 1 else ' waits'}"
            words.append(f"{count} in the outbox and will go out with the next test on this stand")
        if not report.connections:
            words.append("was never reached")
        elif report.connections > 1:
            words.append(f"was away for {report.gone_s():.0f} s in all")
        missed = report.live_due - report.live_sent
        if words and missed > 0:
            words.append(f"{missed} live messages were not sent")
        if report.requests_refused:
            words.append(f"{report.requests_refused} requests were refused")
        if not words:
            return None
        problem = f" Last trouble: {report.problem}" if report.problem else ""
        return f"bus      {self._settings.broker}: {'; '.join(words)}.{problem}"

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
            self._publisher = Publisher(self.identity, self._settings, box, self._desk, self.report)
            records = self._publisher.records
            self._ready.set()
            try:
                await self._publisher.run()
                self._left_over = await records.left_over(all_over=not self.report.connected)
            finally:
                records.close()

    def _follow(self, test: str) -> None:
        self._publisher.test = test
        self._publisher.records.follow(test)

    def _poke(self) -> None:
        if not self._poked:
            self._poked = True
            self._in_loop(self._poke_arrived)

    def _poke_arrived(self) -> None:
        self._poked = False  # before looking, so that what comes from now on pokes again
        self._publisher.records.wake()
        seen, started = self._slot, self._started
        if seen is None or started is None or seen is self._offered:
            return  # a record woke us; an old value must not go out again as if it were new
        self._offered = seen
        stand, name = self.identity.stand, self.identity.name
        over = seen.view.phase is Phase.CLOSED
        self._publisher.offer(
            None if over else from_test.live(seen, stand, started.test),
            from_test.state(seen, stand, name, started, self._started_utc),
        )

    def _in_loop(self, call: Callable[[], None]) -> None:
        try:
            self._loop.call_soon_threadsafe(call)
        except RuntimeError:  # the loop has ended, and said why
            _LOG.debug("the bus has ended already")


def _quietly(_loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """What a dying connection leaves in the loop is logged, not printed over the screen of a running test.

    A write that aiomqtt schedules for a socket that has closed meanwhile ends here; the connection is renewed
    anyway.
    """
    _LOG.debug("in the loop of the bus: %s", context.get("message"), exc_info=context.get("exception"))
