"""What a service tells the bus and takes from it; with no bus in the stand file, nothing.

The bus lives as long as the service (`bus.stand_bus`), whatever becomes of the broker. Requests reach a test
the same way as those of the local socket and are refused for the same reasons; none begins a test, since the
cautions are confirmed by who stands there.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING

from lashmap_daemon.bus.join import OnTheBus
from lashmap_daemon.errors import LashmapError
from lashmap_daemon.page.health import BusHealth

if TYPE_CHECKING:
    from lashmap_analysis.judge.assessment import Assessment

    from lashmap_daemon.bus.requests import Pending
    from lashmap_daemon.bus.stand_bus import StandBus
    from lashmap_daemon.service.words import StatusReport
    from lashmap_daemon.story import events
    from lashmap_daemon.story.recorded import BoxName
    from lashmap_daemon.testing.live_test import Screen


LOG = logging.getLogger("lashmap.bus")
_LOOK_S = 0.05
_LATE_S = 2.0  # a skip that comes later may hit another position than the one that was meant
Obey = Callable[[str], Awaitable[object]]


class ServiceBus:
    """The bus of one service; without one when the stand file names none."""

    def __init__(self, bus: StandBus | None, broker: str = "") -> None:
        self._bus = bus
        self._broker = broker

    @property
    def line(self) -> str:
        """How it is, for a person; empty without a bus."""
        return self._bus.report.line(self._broker) if self._bus is not None else ""

    def health(self) -> BusHealth | None:
        """The same in figures; None without a bus."""
        return None if self._bus is None else BusHealth.of(self._bus.report)

    async def begin(self, started: events.TestStarted) -> None:
        """A test is about to start; a logbook that is locked for a moment must not hold up the loop."""
        if self._bus is not None:
            await asyncio.to_thread(self._bus.begin, started)

    def screen(self, screen: Screen) -> Screen:
        """The screen of a test, or one through which the bus sees it too."""
        return screen if self._bus is None else OnTheBus(screen, self._bus, asks=False)

    def over(self) -> None:
        """The test has ended, however it did."""
        if self._bus is not None:
            self._bus.over()

    def conclude(self, assessment: Assessment) -> None:
        """Its result is to go out; called in a thread."""
        if self._bus is None:
            return
        try:
            self._bus.conclude(assessment)
        except Exception as error:  # noqa: BLE001 - the result stands in the logbook; the service goes on
            LOG.error("the result will not be published: %s", error)  # noqa: TRY400 - its message says all

    def show(self, report: StatusReport, prepared: BoxName | None) -> None:
        """Say what the service does, when that changed, and which box waits for its marked teeth."""
        if self._bus is None:
            return
        from lashmap_daemon.bus import from_test, messages  # noqa: PLC0415 - only a stand on the bus pays for it

        instruments = [
            messages.InstrumentIs(instrument=one.instrument[:200], state=one.state)
            for one in report.instruments
        ]
        service = messages.Service(
            doing=report.state, awaits=report.awaits[:2000], instruments=instruments[:10]
        )
        self._bus.show(from_test.Standing(service=service, prepared=prepared))

    async def take_requests(self, obey: Obey) -> None:
        """Hand requests on for as long as the service lives.

        ``obey`` does what a word asks, or raises a `LashmapError` that says why not.
        """
        while True:
            taken_s = time.monotonic()
            for pending in self._bus.asked() if self._bus is not None else []:
                late = time.monotonic() - taken_s > _LATE_S
                pending.refusal = "others came first; ask again" if late else await _done(pending, obey)
            await asyncio.sleep(_LOOK_S)


async def _done(pending: Pending, obey: Obey) -> str:
    asked = pending.command
    return await carried_out(pending.as_words, obey, f"{asked.command}, asked over the bus by {asked.by},")


async def carried_out(commands: list[str], obey: Obey, what: str) -> str:
    """Do what is asked; why that did not succeed, or nothing. ``what`` begins a line of the log."""
    try:
        for words in commands:
            await obey(words)
    except LashmapError as error:
        LOG.info("%s was refused: %s", what, error)
        return str(error)
    except Exception as error:
        LOG.exception("%s failed", what)
        return f"it failed ({type(error).__name__}); the log of the service has more"
    return ""
