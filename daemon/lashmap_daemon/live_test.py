"""A live test: ports, clock, operator and listeners around a conductor.

Everything that can fail here fails into a closing record: whatever ends a test, the logbook's last event says
why, and what was recorded stays.
"""

from __future__ import annotations

import asyncio
import contextlib
import datetime as dt
import signal
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import Protocol

from lashmap_analysis.record import Precondition
from lashmap_drivers.errors import InstrumentError
from lashmap_drivers.readings import Chunk
from lashmap_drivers.source import Source

from lashmap_daemon import events
from lashmap_daemon import sequence_words as words
from lashmap_daemon.channels import SILENT_S, Channels
from lashmap_daemon.conductor import Conductor
from lashmap_daemon.errors import StandError
from lashmap_daemon.logbook import Logbook
from lashmap_daemon.logbook_pack import on_test_clock
from lashmap_daemon.stand_file import ENCODER, INDICATOR, Stand

TICK_S = 0.02
_SAMPLES_TO_BELIEVE = 5  # good lines before an instrument counts as heard
_LISTEN_S = 1.0
_STOPPING = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)  # the last one: the terminal went away


class Screen(Protocol):
    """What a live test needs of a screen."""

    def hear(self, stamped: events.Stamped) -> None:
        """An event happened."""

    def show(self, conductor: Conductor, now_s: float) -> None:
        """Time to draw."""

    def commands(self) -> list[str]:
        """What the operator asked for since the last call: ``repeat``, ``skip``, ``stop``, ``note …``."""


@dataclass(frozen=True, kw_only=True)
class Opening:
    """What is known when the instruments have been heard and the sequence may begin.

    Attributes:
        started: The start record.
        cautions: Who confirmed the cautions, and how.
        preconditions: Each with its state.
        matched: The encoder's angle at engagement 0.
        rates_hz: Samples a second as heard, by channel.
    """

    started: events.TestStarted
    cautions: events.CautionsConfirmed
    preconditions: tuple[Precondition, ...]
    matched: events.MatchedTeethSet
    rates_hz: dict[str, float]


def open_ports(stand: Stand, stack: ExitStack) -> dict[str, Source]:
    """Open both ports; when any fails, all failures are reported at once.

    Raises:
        StandError: Naming every port that did not open.
    """
    ports: dict[str, Source] = {}
    failures: list[str] = []
    for name, port, profile in (
        (INDICATOR, stand.file.indicator.port, stand.indicator_profile),
        (ENCODER, stand.file.encoder.port, stand.encoder_profile),
    ):
        try:
            ports[name] = stack.enter_context(profile.open(name, port))
        except InstrumentError as error:
            failures.append(str(error))
    if failures:
        raise StandError("\n".join(failures))
    return ports


def listen(ports: dict[str, Source], channels: Channels) -> dict[str, float]:
    """Wait until both instruments speak; returns samples a second by channel.

    Raises:
        StandError: Naming every instrument that is silent or not understood.
    """
    start_s = time.monotonic()
    while True:
        time.sleep(TICK_S)
        now_s = time.monotonic()
        for name, port in ports.items():
            channels.feed(name, port.take())
        heard = all(channels.good_frames(name) >= _SAMPLES_TO_BELIEVE for name in ports)
        if heard and now_s - start_s >= _LISTEN_S:
            return {name: channels.good_frames(name) / (now_s - start_s) for name in ports}
        gone = [
            f"{name} on {port.name}: the port stopped working ({port.lost.reason}). Plug the cable in again."
            for name, port in ports.items()
            if port.lost is not None and now_s - port.lost.since_s >= SILENT_S
        ]
        if gone:
            raise StandError("\n".join(gone))
        failures = [str(bad) for name in ports if (bad := channels.failure(name, now_s, start_s))]
        if failures and not heard:
            raise StandError("\n".join(failures))


class LiveTest:
    """Runs one test to its closing record.

    Args:
        opening: Identity, preconditions and reference of the test.
        ports: Open ports by channel.
        logbook: Where everything is kept.
        screen: Where it is shown.
        listeners: Further listeners to the events.
        handle_signals: Signals stop the test; false for a program that has its own way with them.
    """

    def __init__(
        self,
        opening: Opening,
        ports: dict[str, Source],
        logbook: Logbook,
        screen: Screen,
        listeners: tuple[events.Listener, ...] = (),
        *,
        handle_signals: bool = True,
    ) -> None:
        self._handle_signals = handle_signals
        self._opening = opening
        self._ports = ports
        self._logbook = logbook
        self._screen = screen
        self._listeners = (screen.hear, *listeners)
        self._test = opening.started.test
        self._start_s = time.monotonic()
        self._closed: events.TestClosed | None = None
        gear_set = opening.started.box.gear_set.gear_set()
        channels = Channels(opening.started.stand, gear_set)
        channels.matched_encoder_deg = opening.matched.encoder_deg
        self.conductor = Conductor(
            opening.started,
            channels,
            emit=self._emit,
            keep=lambda name, chunks: logbook.keep(self._test, name, chunks),
        )

    async def run(self) -> events.TestClosed:
        """Lead the test; returns its closing record.

        Raises:
            StandError: When the stand failed; the closing record is written first.
            InstrumentError: When an instrument failed; the closing record is written first.
        """
        with self._closing_record(), self._stopped_by_signals():
            self._emit(self._opening.started)
            self._emit(self._opening.cautions)
            self._emit(events.PreconditionsRecorded(preconditions=self._opening.preconditions))
            for name, rate_hz in self._opening.rates_hz.items():
                self._emit(
                    events.InstrumentHeard(
                        instrument=name, port=self.conductor.channels.port(name), rate_hz=rate_hz
                    )
                )
            self._emit(self._opening.matched)
            while not self.conductor.closed:
                self._tick()
                self._screen.show(self.conductor, self._now_s())
                await asyncio.sleep(TICK_S)
        return self._closing()

    def _closing(self) -> events.TestClosed:
        if self._closed is None:
            raise RuntimeError("a test ended without its closing record")
        return self._closed

    def _tick(self) -> None:
        chunks: dict[str, list[Chunk]] = {}
        failed: InstrumentError | None = None
        lost: dict[str, str] = {}
        for name, port in self._ports.items():
            try:
                taken = port.take()
            except InstrumentError as error:
                failed = error  # what the other port brought is kept first
            else:
                chunks[name] = [on_test_clock(chunk, self._start_s) for chunk in taken]
            if port.lost is not None:
                lost[name] = port.lost.reason
        self.conductor.tick(self._now_s(), chunks, lost)
        if failed is not None:
            raise failed
        for command in self._screen.commands():
            self._obey(command)

    def _obey(self, command: str) -> None:
        word, _, rest = command.partition(" ")
        match word:
            case "repeat":
                self.conductor.happen(words.Repeat())
            case "skip":
                self.conductor.happen(words.Skip())
            case "note" if rest:
                self.conductor.note(rest)
            case "stop":
                self.conductor.happen(words.Stop("stopped", "by the operator"))

    @contextmanager
    def _closing_record(self) -> Iterator[None]:
        """A closing event is written whatever happens, cancellation included."""
        try:
            yield
        except BaseException as error:
            if self._closed is None:
                stopped = isinstance(error, KeyboardInterrupt | asyncio.CancelledError)
                reason = "by the operator" if stopped else str(error) or type(error).__name__
                with contextlib.suppress(Exception):  # the first failure is the one to report
                    self._emit(events.TestClosed(outcome="stopped" if stopped else "failed", reason=reason))
            raise

    @contextmanager
    def _stopped_by_signals(self) -> Iterator[None]:
        if not self._handle_signals:
            yield
            return
        loop = asyncio.get_running_loop()
        stop = words.Stop("stopped", "by the operator")
        for number in _STOPPING:
            loop.add_signal_handler(number, self.conductor.happen, stop)
        try:
            yield
        finally:
            for number in _STOPPING:
                loop.remove_signal_handler(number)

    def _emit(self, event: events.Event) -> None:
        utc = f"{dt.datetime.now(dt.UTC):%Y-%m-%dT%H:%M:%SZ}"
        stamped = events.Stamped(time_s=self._now_s(), utc=utc, event=event)
        self._logbook.append(self._test, stamped)
        if isinstance(event, events.TestClosed):
            self._closed = event
        for listener in self._listeners:
            listener(stamped)

    def _now_s(self) -> float:
        return time.monotonic() - self._start_s
