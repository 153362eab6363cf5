"""The instruments of a service: opened when they are there, drained while nobody tests, never given up.

A port that was open once finds its own way back; here it is only opened first, and again when its reader
ended for good. While no test runs, what comes in is decoded to know reading, rate and age, then forgotten.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
import time
from collections.abc import Callable
from typing import Literal, TypeAlias

from lashmap_analysis.record.lengths import format_length
from lashmap_drivers.decoder import Decoder
from lashmap_drivers.errors import InstrumentError
from lashmap_drivers.parser import FOR_GOOD
from lashmap_drivers.ports.source import Backoff, Source
from lashmap_drivers.profile import InstrumentProfile
from lashmap_drivers.readings import Chunk, Chunks

from lashmap_daemon.service.words import InstrumentState
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR, Stand
from lashmap_daemon.testing.channels import SILENT_S

LOG = logging.getLogger("lashmap.ports")
BACKOFF = Backoff(first_s=0.5, most_s=10.0)
_RATE_S = 2.0
_Judged: TypeAlias = Literal["heard", "absent", "away", "silent", "not understood", "without reading"]
Tap: TypeAlias = Callable[[str, list[Chunk]], None]


class Ear:
    """One instrument, as long as the service lives.

    Attributes:
        name: Its role.
        source: Its port; None while it could not be opened.
        problem: Why it is not open.

    Args:
        name: Its role.
        port: As the stand file names it.
        profile: What it does on the wire.
        decoder: Makes a fresh decoder of its bytes.
    """

    def __init__(
        self, name: str, port: str, profile: InstrumentProfile, decoder: Callable[[], Decoder]
    ) -> None:
        self.name, self.port_name = name, port
        self.source: Source | None = None
        self.problem = "not opened yet"
        self.ended = asyncio.Event()
        self._profile, self._make_decoder = profile, decoder
        self._decoder = decoder()
        self._listen_anew(0.0)

    async def open(self) -> None:
        """Open the port; what cannot be opened is named in `problem`."""
        opening = asyncio.ensure_future(asyncio.to_thread(self._profile.open, self.name, self.port_name))
        try:
            source = await asyncio.shield(opening)
        except InstrumentError as error:
            self.problem = str(error)
            LOG.warning("%s", error, extra={"instrument": self.name})
        except asyncio.CancelledError:
            opening.add_done_callback(_close_late)  # a port that opens after the end must not stay open
            raise
        else:
            self.source, self.problem = source, ""
            self.ended.clear()
            self._listen_anew(time.monotonic())
            LOG.info("the %s is open on %s", self.name, self.port_name, extra={"instrument": self.name})

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
        for chunk in _joined(chunks):
            samples = self._decoder.feed(Chunks.of(chunk))
            if not chunk.is_break:
                self._heard_s = chunk.arrival_s
            if len(samples):
                self._value, self._value_s = float(samples.value[-1]), chunk.arrival_s
                self._counts.append((chunk.arrival_s, len(samples)))
        if any(self._decoder.parser.marks[mark] for mark in FOR_GOOD):
            self._decoder = self._make_decoder()  # between two tests nobody needs to know the turns
        while self._counts and time.monotonic() - self._counts[0][0] > _RATE_S:
            del self._counts[0]

    def give_up(self, why: str) -> None:
        """The reader of this port ended for good: it is closed and to be opened anew."""
        LOG.warning("%s; it is opened again", why, extra={"instrument": self.name})
        self.problem = why
        self.close()
        self.ended.set()

    def skip_rest(self, now_s: float) -> None:
        """A test took this instrument's samples meanwhile: begin to listen anew."""
        self._listen_anew(now_s)

    def state(self, now_s: float) -> InstrumentState:
        """What is known now."""
        parser = self._decoder.parser
        state, detail = self._judged(now_s)
        age_s = now_s - self._value_s
        return InstrumentState(
            instrument=self.name,
            port=self.port_name,
            state=state,
            detail=detail,
            reading=self._reading(),
            age_s=max(age_s, 0.0) if math.isfinite(age_s) else None,
            rate_hz=self.rate_hz(now_s),
            bad_frames=parser.bad_frames,
            dropped_chunks=self.source.dropped_chunks if self.source else 0,
            reconnects=getattr(self.source, "reconnects", 0),  # a recording has none
        )

    def rate_hz(self, now_s: float) -> float:
        """Samples a second over the last moments."""
        span_s = min(now_s - self._since_s, _RATE_S)
        return sum(count for _, count in self._counts) / span_s if span_s > 0.0 else 0.0

    @property
    def alive(self) -> bool:
        """False when the reader of an open port ended without anybody having noticed yet."""
        return self.source is None or bool(getattr(self.source, "alive", True))

    def close(self) -> None:
        """Release the port."""
        source, self.source = self.source, None
        if source is not None:
            source.close()

    def _judged(self, now_s: float) -> tuple[_Judged, str]:
        where = f"{self.name} on {self.port_name}"
        if self.source is None:
            return "absent", self.problem
        if self.source.lost is not None:
            return "away", f"{where}: the port stopped working ({self.source.lost.reason}); plug it in again"
        heard_s = self._value_s if math.isfinite(self._value_s) else self._since_s
        if now_s - heard_s < SILENT_S or self._profile.sends == "on its button":
            return "heard", ""
        parser = self._decoder.parser
        if math.isnan(self._heard_s) or now_s - self._heard_s >= SILENT_S:
            return "silent", f"{where}: no bytes for {SILENT_S:.0f} s; check power and cable"
        if parser.good_frames:
            said = ", ".join(sorted(parser.marks)) or "no reading"
            return "without reading", f"{where}: it sends, but gives no reading ({said}); look at its display"
        bad = repr(parser.last_bad[:40])
        return "not understood", f"{where}: bytes that do not fit the profile, as {bad}; try lashmap check"

    def _listen_anew(self, now_s: float) -> None:
        self._decoder = self._make_decoder()
        self._since_s = now_s
        self._value = self._value_s = self._heard_s = math.nan
        self._counts: list[tuple[float, int]] = []

    def _reading(self) -> str:
        if math.isnan(self._value):
            return ""
        return (
            format_length(self._value, "mm", signed=True) if self.name == INDICATOR else f"{self._value:.4f}°"
        )


class StandPorts:
    """Both instruments of a stand.

    Args:
        stand: Names them.
        backoff: Waits between attempts to open one.
    """

    def __init__(self, stand: Stand, backoff: Backoff = BACKOFF) -> None:
        self._backoff = backoff
        file = stand.file
        self.ears = {
            INDICATOR: Ear(
                INDICATOR,
                file.indicator.port,
                stand.indicator_profile,
                lambda: stand.decoders()[INDICATOR],
            ),
            ENCODER: Ear(
                ENCODER, file.encoder.port, stand.encoder_profile, lambda: stand.decoders()[ENCODER]
            ),
        }
        self.tap: Tap | None = None

    async def keep(self, name: str) -> None:
        """Open one instrument whenever it is not open, with growing waits; for ever."""
        ear = self.ears[name]
        while True:
            for wait_s in self._backoff.waits():
                await ear.open()
                if ear.source is not None:
                    break
                await asyncio.sleep(wait_s)
            await ear.ended.wait()
            await asyncio.sleep(next(self._backoff.waits()))

    def drain(self) -> None:
        """Take what came from both."""
        for ear in self.ears.values():
            ear.take(self.tap)

    def sources(self) -> dict[str, Source] | None:
        """Both ports by channel; None while one is not open."""
        found = {name: ear.source for name, ear in self.ears.items() if ear.source is not None}
        return found if len(found) == len(self.ears) else None

    def states(self, now_s: float) -> list[InstrumentState]:
        """What is known of both."""
        return [ear.state(now_s) for ear in self.ears.values()]

    def close(self) -> None:
        """Release both ports."""
        for ear in self.ears.values():
            ear.close()


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
