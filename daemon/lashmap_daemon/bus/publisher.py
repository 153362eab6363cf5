"""A stand on the bus: connects, sends status, state, records and live values, receives requests, reconnects.

The publisher runs in an event loop of its own (`stand_bus`). Trouble with the broker ends a connection, never
the publisher: the next try follows after a growing, jittered wait. A new connection first sends status, state
and what the outbox holds; live values are sent as they come and are never kept.
"""

from __future__ import annotations

import asyncio
import contextlib
import datetime as dt
import logging
import random
import time
from dataclasses import dataclass, field

import aiomqtt

from lashmap_daemon.bus import messages
from lashmap_daemon.bus.connection import MOST_IN_FLIGHT, BusClient, Identity, Refused, connect, reason_of
from lashmap_daemon.bus.messages import ANSWER, COMMAND, LIVE, STATE, STATUS, Outgoing, Topic
from lashmap_daemon.bus.outbox import Outbox
from lashmap_daemon.bus.records import Records
from lashmap_daemon.bus.requests import Desk, Requests
from lashmap_daemon.errors import LashmapError
from lashmap_daemon.setup.bus_table import BusTable

_FIRST_S, _LONGEST_S = 0.25, 30.0


@dataclass
class BackOff:
    """Doubling waits between tries, capped, and spread so that a hall of stands does not knock at once."""

    chance: random.Random = field(default_factory=random.Random)
    tries: int = 0

    def next_s(self) -> float:
        """Seconds to wait before the next try."""
        longest_s = min(_LONGEST_S, _FIRST_S * 2.0 ** min(self.tries, 20))
        self.tries += 1
        return longest_s * self.chance.uniform(0.5, 1.0)

    def reset(self, tries: int = 0) -> None:
        """A connection worked; ``tries`` of them in a row ended at once."""
        self.tries = tries


_MOST_BYTES = 65536  # of a packet to us: only requests come, and they are small
_STATE_PAUSE_S = 0.1
_FAREWELL_S = 1.0  # a broker that hangs does not hold up the end of a program
_LASTED_S = 0.5
_SUSPICIOUS = 3
# Some brokers end the older of two connections without a reason.
_TAKEN_OVER = (
    "; it keeps happening at once, so another program may be connecting as this stand: give each stand its "
    "own bus.stand, and run one test at a time on it"
)
_LOG = logging.getLogger("lashmap.bus")


@dataclass
class Report:
    """Counts and the last trouble.

    Attributes:
        connected: True while the broker answers.
        connections: How often it was reached.
        problem: The last thing that went wrong; empty when nothing did.
        live_due: Live messages that were due.
        live_sent: Those that went out.
        records_sent: Records and results that the broker acknowledged, repetitions included.
        requests_refused: Requests over the bus that were not obeyed.
        waiting: Records that the broker does not surely have, as last counted; None before.
        left_over: Records in the outbox at the end.
        harm: What failed inside; empty when nothing did.
        away_s: Seconds without a broker, those of a finished absence.
    """

    connected: bool = False
    connections: int = 0
    problem: str = ""
    live_due: int = 0
    live_sent: int = 0
    records_sent: int = 0
    requests_refused: int = 0
    waiting: int | None = None
    left_over: int = 0
    harm: str = ""
    away_s: float = 0.0
    _since_s: float = field(default_factory=time.monotonic)

    def reached(self) -> None:
        """The broker answers."""
        self.away_s += time.monotonic() - self._since_s
        self.connected = True
        self.connections += 1

    def lost(self, problem: str) -> None:
        """The broker does not answer, or does not do what is needed."""
        if self.connected:
            self._since_s = time.monotonic()
        self.connected = False
        self.problem = problem

    def gone_s(self) -> float:
        """Seconds without a broker so far."""
        return self.away_s + (0.0 if self.connected else time.monotonic() - self._since_s)

    def line(self, broker: str) -> str:
        """How it is now, for a person."""
        if self.connected:
            return f"{broker}: connected"
        gone_s = time.monotonic() - self._since_s
        gone = f"{gone_s:.0f} s" if gone_s < 120.0 else f"{gone_s / 60.0:.0f} min"
        problem = f": {self.problem}" if self.problem else ""
        return f"{broker}: away for {gone}{problem}; records wait in the logbook"

    def closing_words(self, broker: str, *, stuck: bool) -> str | None:
        """At the end: what the person should know, also when the thread is stuck; None when all went out."""
        words = []
        if stuck:
            words.append("did not end in time")
        if self.left_over:
            count = f"{self.left_over} record{'s wait' if self.left_over > 1 else ' waits'}"
            words.append(f"{count} in the outbox for the next test on this stand, or lashmap publish")
        if not self.connections:
            words.append("was never reached")
        elif self.connections > 1:
            words.append(f"was away for {self.gone_s():.0f} s in all")
        missed = self.live_due - self.live_sent
        if words and missed > 0:
            words.append(f"{missed} live messages were not sent")
        if self.harm:
            words.append(f"something failed inside, which touches no record ({self.harm})")
        if self.requests_refused:
            words.append(f"{self.requests_refused} requests were refused")
        if not words:
            return None
        problem = f" Last trouble: {self.problem}" if self.problem else ""
        return f"bus      {broker}: {'; '.join(words)}.{problem}"


class Publisher:
    """One stand's side of the bus; made and used inside its loop. Without a desk it takes no requests."""

    def __init__(
        self, identity: Identity, settings: BusTable, outbox: Outbox, desk: Desk | None, report: Report
    ) -> None:
        self._identity = identity
        self._settings = settings
        self._report = report
        self._listens = desk is not None
        self._requests = Requests(desk, identity.topic(ANSWER), self._one_refused)
        self._live: messages.Live | None = None
        self._state: messages.State | None = None
        self._live_news = asyncio.Event()
        self._state_news = asyncio.Event()
        self._state_sent = asyncio.Event()
        self._state_sent.set()
        self._status_news = asyncio.Event()
        self._since = dt.datetime.now(dt.UTC)
        self._waiting = 0
        self._stop = asyncio.Event()
        self._linger_s = 0.0
        self._in_flight = asyncio.Semaphore(MOST_IN_FLIGHT)
        self._test: str | None = None
        self.records = Records(outbox, settings.settle_seconds, self._trouble, self._counted)

    # Told from outside, inside the loop -----------------------------------------------------------------

    def runs(self, test: str | None) -> None:
        """Which test runs; None when none does."""
        if test != self._test:
            self._test = test
            self._status_news.set()

    def offer(self, live: messages.Live | None, state: messages.State) -> None:
        """The newest values, if there are any, and the state; what was not sent yet is replaced by them."""
        if live is not None:
            self._live = live
            self._live_news.set()
        if state != self._state:
            self._state = state
            self._state_sent.clear()
            self._state_news.set()

    def end(self, linger_s: float) -> None:
        """Send what waits, at most so long while the broker answers, then say goodbye."""
        self._linger_s = linger_s
        self._stop.set()

    # Connections ----------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Publish until `end`."""
        waits, short = BackOff(), 0
        while not self._stop.is_set():
            before = self._report.connections
            began_s = time.monotonic()
            error = await self._until_broken()
            if error is None:
                return
            if not isinstance(_first(error), aiomqtt.MqttError | LashmapError | OSError):
                _LOG.error("the bus failed in a way nobody foresaw; it goes on", exc_info=error)
            refused = isinstance(_first(error), Refused)  # will be so again, however long it stood
            lasted = time.monotonic() - began_s > _LASTED_S
            short = short + 1 if self._report.connections > before and (refused or not lasted) else 0
            self._away(reason_of(error) + (_TAKEN_OVER if short >= _SUSPICIOUS and not refused else ""))
            if self._report.connections > before:
                waits.reset(short)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(waits.next_s()):
                    await self._stop.wait()

    async def _until_broken(self) -> BaseException | None:
        """One connection; what broke it, or None when the end was asked for."""
        connection = asyncio.create_task(self._one_connection())
        stop = asyncio.create_task(self._stop.wait())
        await asyncio.wait({connection, stop}, return_when=asyncio.FIRST_COMPLETED)
        stop.cancel()
        if not self._report.connected:
            connection.cancel()  # asked to stop while still connecting; otherwise it is done
        await asyncio.wait({connection})
        return None if connection.cancelled() else connection.exception()

    async def _one_connection(self) -> None:
        self._waiting = self._report.waiting = await self.records.waiting()
        self._since = dt.datetime.now(dt.UTC)
        async with connect(
            self._settings,
            f"lashmap-{self._identity.stand}",
            will=self._identity.will(since=self._since),
            most_bytes=_MOST_BYTES,
        ) as client:
            self._status_news.clear()
            await self._send(client, STATUS, self._status())
            if self._listens:
                topic = self._identity.topic(COMMAND)
                await client.listen_to(topic, qos=COMMAND.qos, as_published=True)
            self._report.reached()
            _LOG.info("%s was reached; %d records wait for it", self._settings.broker, self._waiting)
            self._state_news.set()
            try:
                await self._talk(client)
                client.timeout = _FAREWELL_S
            except Exception as error:
                client.timeout = _FAREWELL_S
                # After a clean disconnect the broker sends no last will, so send it first.
                with contextlib.suppress(aiomqtt.MqttError):
                    await self._send(client, STATUS, self._status(offline=reason_of(error)))
                raise
            await self._send(client, STATUS, self._status(offline="the program ended"))

    async def _talk(self, client: BusClient) -> None:
        async with asyncio.TaskGroup() as group:
            tasks = [
                group.create_task(self._requests.run(client)),
                group.create_task(self._send_live(client)),
                group.create_task(self._send_state(client)),
                group.create_task(self._send_status(client)),
                group.create_task(self.records.run(lambda record: self._send_record(client, record))),
            ]
            await self._stop.wait()
            with contextlib.suppress(TimeoutError):  # whoever closes the bus says what is left
                async with asyncio.timeout(self._linger_s):
                    await self.records.emptied()
                    await self._state_sent.wait()
            for task in tasks:
                task.cancel()

    # What goes out --------------------------------------------------------------------------------------

    async def _send_live(self, client: BusClient) -> None:
        while True:
            await self._live_news.wait()
            self._live_news.clear()
            if self._live is not None:
                await self._send(client, LIVE, self._live)
                self._report.live_sent += 1

    async def _send_status(self, client: BusClient) -> None:
        while True:
            await self._status_news.wait()
            self._status_news.clear()
            await self._send(client, STATUS, self._status())

    async def _send_state(self, client: BusClient) -> None:
        while True:
            await self._state_news.wait()
            state = self._state
            if state is not None:
                await self._send(client, STATE, state)
            if state is self._state:
                self._state_news.clear()
                self._state_sent.set()
            await asyncio.sleep(_STATE_PAUSE_S)

    async def _send(self, client: BusClient, topic: Topic, message: messages.Message) -> None:
        async with self._in_flight if topic.qos else contextlib.nullcontext():
            await client.send(self._identity.topic(topic), topic, messages.payload(message))

    async def _send_record(self, client: BusClient, record: Outgoing) -> None:
        async with self._in_flight:
            await client.send_record(self._identity.topic(record.topic), record)
        self._report.records_sent += 1

    def _one_refused(self) -> None:
        self._report.requests_refused += 1

    def _status(self, offline: str = "") -> messages.Status:
        return self._identity.status(
            since=self._since, test=self._test, offline=offline, waiting=self._waiting
        )

    def _away(self, problem: str) -> None:
        """The broker is away; reported once for each reason, since it may stay so for hours."""
        if self._report.connected or problem != self._report.problem:
            _LOG.warning(
                "%s is away: %s; records wait in the logbook, and it is tried again",
                self._settings.broker,
                problem,
            )
        self._report.lost(problem)

    def _counted(self, waiting: int) -> None:
        self._report.waiting = waiting

    def _trouble(self, problem: str) -> None:
        if problem != self._report.problem:
            _LOG.warning("%s", problem)
        self._report.problem = problem


def _first(error: BaseException) -> BaseException:
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return error
