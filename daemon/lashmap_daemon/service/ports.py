"""The instruments of a service: opened when they are there, drained while nobody tests, never given up.

A port that was open once finds its own way back; here it is only opened first, and again when its reader
ended for good. While no test runs, what comes in is decoded to know reading, rate and age, then forgotten.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections.abc import Callable
from typing import Literal, TypeAlias

from lashmap_drivers.errors import (
    InstrumentError,
    InstrumentGarbled,
    InstrumentLost,
    InstrumentSilent,
    InstrumentWithoutReading,
)
from lashmap_drivers.parser import FOR_GOOD
from lashmap_drivers.ports.source import Backoff, Source
from lashmap_drivers.readings import Chunk

from lashmap_daemon.service.words import InstrumentState
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR, Stand
from lashmap_daemon.testing.monitor import InstrumentMonitor

LOG = logging.getLogger("lashmap.ports")
BACKOFF = Backoff(first_s=0.5, most_s=10.0)
Judged: TypeAlias = Literal["heard", "absent", "away", "silent", "not understood", "without reading"]
Tap: TypeAlias = Callable[[str, list[Chunk]], None]


class Ear:
    """One instrument, as long as the service lives.

    Attributes:
        name: Its role.
        monitor: What is heard of it, and what is wrong with it.
        source: Its port; None while it could not be opened.
        problem: Why it is not open.

    Args:
        stand: Names its port and profile.
        name: Its role.
    """

    def __init__(self, stand: Stand, name: str) -> None:
        self.name = name
        self.monitor = InstrumentMonitor(stand, name)
        self.port_name = self.monitor.port
        self.source: Source | None = None
        self.problem = "not opened yet"
        self.ended = asyncio.Event()

    async def open(self) -> None:
        """Open the port; what cannot be opened is named in `problem`."""
        open_port = self.monitor.profile.open
        opening = asyncio.ensure_future(asyncio.to_thread(open_port, self.name, self.port_name))
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
            self.monitor.start_over(time.monotonic())
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
            self.monitor.feed(chunk)
        if any(self.monitor.parser.marks[mark] for mark in FOR_GOOD):
            self.monitor.forget_turns()  # between two tests nobody needs to know the turns

    def give_up(self, why: str) -> None:
        """The reader of this port ended for good: it is closed and to be opened anew."""
        LOG.warning("%s; it is opened again", why, extra={"instrument": self.name})
        self.problem = why
        self.close()
        self.ended.set()

    def skip_rest(self, now_s: float) -> None:
        """A test took this instrument's samples meanwhile: begin to listen anew."""
        self.monitor.start_over(now_s)

    def state(self, now_s: float) -> InstrumentState:
        """What is known now."""
        state, detail = self._judged(now_s)
        return InstrumentState(
            instrument=self.name,
            port=self.port_name,
            state=state,
            detail=detail,
            reading=self.monitor.reading,
            age_s=self.monitor.age_s(now_s),
            rate_hz=self.monitor.rate_hz(now_s),
            bad_frames=self.monitor.parser.bad_frames,
            dropped_chunks=self.source.dropped_chunks if self.source else 0,
            reconnects=getattr(self.source, "reconnects", 0),  # a recording has none
        )

    @property
    def alive(self) -> bool:
        """False when the reader of an open port ended without anybody having noticed yet."""
        return self.source is None or bool(getattr(self.source, "alive", True))

    def close(self) -> None:
        """Release the port."""
        source, self.source = self.source, None
        if source is not None:
            source.close()

    def _judged(self, now_s: float) -> tuple[Judged, str]:
        if self.source is None:
            return "absent", self.problem
        return in_a_word(self.monitor.problem(now_s, lost=self.source.lost))


def in_a_word(problem: InstrumentError | None) -> tuple[Judged, str]:
    """What is wrong with an instrument as state and detail of a status."""
    word: Judged = "heard"  # also one that waits for its button: nothing is wrong with it
    match problem:
        case InstrumentLost():
            word = "away"
        case InstrumentSilent():
            word = "silent"
        case InstrumentGarbled():
            word = "not understood"
        case InstrumentWithoutReading():
            word = "without reading"
    return word, "" if problem is None else str(problem)


class StandPorts:
    """Both instruments of a stand.

    Args:
        stand: Names them.
        backoff: Waits between attempts to open one.
    """

    def __init__(self, stand: Stand, backoff: Backoff = BACKOFF) -> None:
        self._backoff = backoff
        self.ears = {name: Ear(stand, name) for name in (INDICATOR, ENCODER)}
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

    def rates_hz(self, now_s: float) -> dict[str, float]:
        """Samples a second by channel, of those that spoke: one on its button may not have."""
        monitors = (ear.monitor for ear in self.ears.values())
        return {one.name: one.rate_hz(now_s) for one in monitors if one.parser.good_frames}

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
