"""The instruments of a stand, each with a monitor: its readings, their rate and age, and what is wrong.

The same monitor serves `lashmap check`, the instruments of a service, the moments before a test and the test
itself, so that all of them report the same of the same instrument. A port that was open once reconnects by
itself; `StandPorts` opens it first, and again when its reader ended for good. What an instrument sends while
no test runs is decoded for reading, rate and age, then forgotten.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from lashmap_analysis.record.lengths import format_length
from lashmap_drivers.decoder import Decoder
from lashmap_drivers.errors import (
    FOR_GOOD,
    InstrumentError,
    InstrumentGarbled,
    InstrumentLost,
    InstrumentSilent,
    InstrumentWaits,
    InstrumentWithoutReading,
)
from lashmap_drivers.parser import Parser
from lashmap_drivers.ports.source import Backoff, Loss, Source
from lashmap_drivers.profile import InstrumentProfile
from lashmap_drivers.readings import Chunk, Chunks, Samples

from lashmap_daemon.errors import StandError
from lashmap_daemon.replay.wire_errors import LoneSamples
from lashmap_daemon.setup.stand_file import Stand
from lashmap_daemon.story.recorded import ENCODER, INDICATOR, PINION_ENCODER
from lashmap_daemon.story.recorded import Stand as RecordedStand

SILENT_S = 3.0  # twenty times the interval of the slowest instrument this is meant for
_RATE_S = 2.0


@dataclass(frozen=True)
class _Read:
    """One read that brought samples."""

    arrival_s: float
    time_s: float
    samples: int


class InstrumentMonitor:
    """Decodes what one instrument sends, and judges it.

    Attributes:
        name: Its role.
        port: Its port, as the stand file names it.
        profile: How its bytes are read.
        decoder: Reads them; a fresh one after `forget_turns` and `start_over`.
        latest: (time_s, value) of the newest sample; None before the first.
        bytes_s: When the newest bytes came, whatever they were; None before the first.
        time_uncertainty_s: Of the newest samples, in seconds; nan before the first and where nobody knows.
        lone: Leaves out single angles that no gear could have made; None leaves them in.
    """

    def __init__(
        self, stand: RecordedStand, name: str, *, since_s: float = 0.0, lone: LoneSamples | None = None
    ) -> None:
        self.name, self.lone = name, lone
        self.port = stand.port(name)
        self.profile: InstrumentProfile = stand.profile(name)
        self._fresh: Callable[[], Decoder] = lambda: stand.decoder(name)
        self.start_over(since_s)

    def forget_turns(self) -> None:
        """Decode from here on as if nothing had come before, for an encoder whose turns nobody needs."""
        self.decoder = self._fresh()
        self._marks_before: dict[str, int] = {}  # marks before the chunk with the newest sample

    def start_over(self, since_s: float) -> None:
        """Forget all that came, and begin anew."""
        self.forget_turns()
        self.latest: tuple[float, float] | None = None
        self.time_uncertainty_s = math.nan
        self._since_s = since_s
        self.bytes_s: float | None = None
        self._reads: deque[_Read] = deque()

    def feed(self, *chunks: Chunk) -> Samples:
        """Decode the next chunks; empty when they complete no sample."""
        marks = dict(self.parser.marks)
        samples = self.decoder.feed(Chunks.of(*chunks))
        newest = next((chunk for chunk in reversed(chunks) if not chunk.is_break), None)
        self.bytes_s = self.bytes_s if newest is None else newest.arrival_s
        if len(samples):
            self._marks_before = marks
            self.time_uncertainty_s = float(samples.time_uncertainty_s[-1])
        right = samples if self.lone is None else self.lone.feed(samples)
        if len(right):
            arrival_s = chunks[-1].arrival_s
            self.latest = float(right.time_s[-1]), float(right.value[-1])
            self._reads.append(_Read(arrival_s, self.latest[0], len(right)))
            self._forget(arrival_s)
        return right

    @property
    def parser(self) -> Parser:
        """Its tallies: good and bad frames, marks."""
        return self.decoder.parser

    @property
    def on_button(self) -> bool:
        """It sends at a press of its button only: it has no pace, and is not silent between two presses."""
        return self.profile.sends == "on its button"

    @property
    def reading(self) -> str:
        """Its newest value, for people; empty before the first."""
        if self.latest is None:
            return ""
        value = self.latest[1]
        if self.name != INDICATOR:
            return f"{value:.4f}°"
        return format_length(value, "in" if self.profile.unit == "in" else "mm", signed=True)

    def age_s(self, now_s: float) -> float | None:
        """Since when the newest value is there, in seconds; None before the first."""
        # Chunks taken after the clock was read arrived a moment later than "now".
        return None if self.latest is None else max(now_s - self.latest[0], 0.0)

    def rate_hz(self, now_s: float) -> float:
        """Samples a second over the last moments."""
        self._forget(now_s)
        span_s = min(now_s - self._since_s, _RATE_S)
        return sum(read.samples for read in self._reads) / span_s if span_s > 0.0 else 0.0

    @property
    def jitter_s(self) -> float:
        """Unevenness over the last moments, as a standard deviation; nan while there is too little.

        Of a stream: of how late its reads came against its own even pace. Of one that is asked or sends on
        its button: of the time from sample to sample.
        """
        if len(self._reads) < 3:
            return math.nan
        if self.profile.streams:
            return float(np.std([read.arrival_s - read.time_s for read in self._reads]))
        return float(np.std(np.diff([read.time_s for read in self._reads])))

    def problem(
        self,
        now_s: float,
        *,
        since_s: float | None = None,
        lost: Loss | None = None,
        patience_s: float = SILENT_S,
    ) -> InstrumentError | None:
        """What is wrong with it; None while nothing is.

        Args:
            now_s: The time now, on the clock of the chunks.
            since_s: Silence before it counts for nothing; when monitoring began, unless given.
            lost: What is known of a port that stopped working.
            patience_s: How long it may give no sample.

        Returns:
            `InstrumentLost` (not there), `InstrumentSilent`, `InstrumentGarbled` (bytes that do not fit the
            profile), `InstrumentWithoutReading` (also an encoder that lost its count), or `InstrumentWaits`
            (for the first press of its button), which stops nothing.
        """
        if lost is not None:
            what = f"the port stopped working ({lost.reason})"
            return InstrumentLost(self.name, self.port, what, "Plug the cable in again.")
        since_s = self._since_s if since_s is None else since_s
        silent_s = now_s - max(since_s, self.latest[0] if self.latest else since_s)
        return None if silent_s < patience_s else self._why_no_sample(now_s, silent_s)

    def _why_no_sample(self, now_s: float, silent_s: float) -> InstrumentError | None:
        """Why there is no sample."""
        parser, last = self.parser, self.parser.last_bad
        if parser.bytes_seen and not parser.good_frames:
            sample, expected = last or parser.unfinished, self.profile.expected
            return InstrumentGarbled(self.name, self.port, parser.bytes_seen, sample, expected)
        if self.on_button and not parser.bytes_seen:
            return InstrumentWaits(self.name, self.port, silent_s)
        if self.on_button and self.latest is not None:
            return None
        if self.on_button or (self.bytes_s is not None and now_s - self.bytes_s < SILENT_S):
            # A mark of an hour ago explains nothing.
            before = self._marks_before
            marks = tuple(mark for mark, count in sorted(parser.marks.items()) if count > before.get(mark, 0))
            return InstrumentWithoutReading(self.name, self.port, silent_s, marks, last)
        return InstrumentSilent(self.name, self.port, silent_s, asked=self.profile.sends == "when asked")

    def _forget(self, now_s: float) -> None:
        while self._reads and now_s - self._reads[0].arrival_s > _RATE_S:
            self._reads.popleft()


LOG = logging.getLogger("lashmap.ports")
BACKOFF = Backoff(first_s=0.5, most_s=10.0)
Tap: TypeAlias = Callable[[str, list[Chunk]], None]


class StandInstrument:
    """One instrument, whether its port is open or not.

    Attributes:
        name: Its role.
        monitor: Its readings, and what is wrong with it.
        source: Its port; None while it could not be opened.
        problem: Why it is not open.
        beside: An encoder whose counts come in the same frames, and so at the same port.
    """

    def __init__(self, stand: RecordedStand, name: str) -> None:
        self.name = name
        self.monitor = InstrumentMonitor(stand, name)
        self.port_name = self.monitor.port
        self.source: Source | None = None
        self.problem = "not opened yet"
        self.beside: StandInstrument | None = None
        self.ended = asyncio.Event()

    async def open(self) -> None:
        """Open the port; what cannot be opened is named in `problem`."""
        open_port = self.monitor.profile.open
        opening = asyncio.ensure_future(asyncio.to_thread(open_port, self.name, self.port_name))
        try:
            source = await asyncio.shield(opening)
        except InstrumentError as error:
            self._say(str(error))
            LOG.warning("%s", error, extra={"instrument": self.name})
        except asyncio.CancelledError:
            opening.add_done_callback(_close_late)  # a port that opens after the end must not stay open
            raise
        else:
            self.hang_on(source)
            LOG.info("the %s is open on %s", self.name, self.port_name, extra={"instrument": self.name})

    def hang_on(self, source: Source) -> None:
        """Listen to a port that is open."""
        self.source, self.problem = source, ""
        self.ended.clear()
        self.monitor.start_over(time.monotonic())
        if self.beside is not None:
            self.beside.hang_on(source)

    def take(self, tap: Tap | None) -> None:
        """Decode what came since the last call, and forget it."""
        if self.source is None:
            return
        try:
            chunks = self.source.take()
        except InstrumentError as error:
            self.give_up(str(error))
            return
        if tap is not None:
            tap(self.name, chunks)
        joined = _joined(chunks)
        for one in (self, self.beside):
            if one is not None:
                one.read(joined)

    def read(self, chunks: list[Chunk]) -> None:
        """Decode some chunks, and forget them."""
        for chunk in chunks:
            self.monitor.feed(chunk)
        if any(self.monitor.parser.marks[mark] for mark in FOR_GOOD):
            self.monitor.forget_turns()  # between two tests nobody needs to know the turns

    def _say(self, problem: str) -> None:
        self.problem = problem
        if self.beside is not None:
            self.beside.problem = problem

    def give_up(self, why: str) -> None:
        """The reader of this port ended for good: it is closed and may be opened anew."""
        self._say(why)
        self.close()
        self.ended.set()

    def skip_rest(self, now_s: float) -> None:
        """A test took this instrument's samples meanwhile: begin anew."""
        self.monitor.start_over(now_s)

    @property
    def alive(self) -> bool:
        """False when the reader of an open port ended without anybody having noticed yet."""
        return self.source is None or bool(getattr(self.source, "alive", True))

    def close(self) -> None:
        """Release the port."""
        source, self.source = self.source, None
        if self.beside is not None:
            self.beside.source = None
        if source is not None:
            source.close()


class StandPorts:
    """The instruments of a stand.

    Attributes:
        instruments: By channel.
        wires: Those with a port of their own.
        tap: Is given what comes in as well, by channel.
    """

    def __init__(self, stand: Stand, backoff: Backoff = BACKOFF) -> None:
        self._backoff = backoff
        recorded = stand.recorded()
        self.instruments = {name: StandInstrument(recorded, name) for name in recorded.channels}
        self.wires = recorded.wires
        if recorded.is_latched:
            self.instruments[ENCODER].beside = self.instruments[PINION_ENCODER]
        self.tap: Tap | None = None

    def open_both(self) -> None:
        """Open all ports now; when any fails, all failures are reported at once.

        Raises:
            StandError: Naming every port that did not open.
        """
        failures: list[str] = []
        for instrument in self._of_wires():
            try:
                instrument.hang_on(instrument.monitor.profile.open(instrument.name, instrument.port_name))
            except InstrumentError as error:
                failures.append(str(error))
        if failures:
            raise StandError(*failures)

    def _of_wires(self) -> list[StandInstrument]:
        return [self.instruments[name] for name in self.wires]

    async def keep(self, name: str) -> None:
        """Open one instrument whenever it is not open, with growing waits; for ever."""
        instrument = self.instruments[name]
        while True:
            for wait_s in self._backoff.waits():
                await instrument.open()
                if instrument.source is not None:
                    break
                await asyncio.sleep(wait_s)
            await instrument.ended.wait()
            LOG.warning("%s; it is opened again", instrument.problem, extra={"instrument": name})
            await asyncio.sleep(next(self._backoff.waits()))

    def drain(self) -> None:
        """Take what came from all."""
        for instrument in self._of_wires():
            instrument.take(self.tap)

    def sources(self) -> dict[str, Source] | None:
        """All ports by channel; None while one is not open."""
        found = {one.name: one.source for one in self._of_wires() if one.source is not None}
        return found if len(found) == len(self.wires) else None

    def opened(self) -> dict[str, Source]:
        """The ports that are open now, by channel."""
        return {name: one.source for name, one in self.instruments.items() if one.source is not None}

    def rates_hz(self, now_s: float) -> dict[str, float]:
        """Samples a second by channel, of those that spoke: one on its button may not have."""
        monitors = (instrument.monitor for instrument in self.instruments.values())
        return {one.name: one.rate_hz(now_s) for one in monitors if one.parser.good_frames}

    def close(self) -> None:
        """Release all ports."""
        for instrument in self._of_wires():
            instrument.close()


def _joined(chunks: list[Chunk]) -> list[Chunk]:
    """The same bytes in fewer pieces: only the age of the newest matters while nobody tests."""
    joined: list[Chunk] = []
    for chunk in chunks:
        if joined and not chunk.is_break and not joined[-1].is_break:
            joined[-1] = Chunk(chunk.arrival_s, joined[-1].data + chunk.data)
        else:
            joined.append(chunk)
    return joined


def _close_late(opening: asyncio.Future[Source]) -> None:
    if not opening.cancelled() and opening.exception() is None:
        with contextlib.suppress(Exception):
            opening.result().close()
