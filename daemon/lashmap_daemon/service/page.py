"""The page of a service: a test while there is one, otherwise what is awaited and the instruments' values.

It lives as long as the service. Requests reach a test the same way as those of the local socket and are
refused for the same reasons; none begins a test.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lashmap_daemon.page.camera import keep_photo
from lashmap_daemon.page.health import Health, InstrumentHealth
from lashmap_daemon.page.on_page import OnThePage, place_of
from lashmap_daemon.page.picture import Instrument, no_test, of_no_test, preparing
from lashmap_daemon.service.bus import Obey, ServiceBus, carried_out

if TYPE_CHECKING:
    from lashmap_daemon.page.picture import Parts
    from lashmap_daemon.page.stand_page import StandPage
    from lashmap_daemon.service.words import StatusReport
    from lashmap_daemon.story import events
    from lashmap_daemon.testing.conductor import Conductor
    from lashmap_daemon.testing.live_test import Screen
    from lashmap_daemon.testing.relay import Relay

LOG = logging.getLogger("lashmap.page")
_LOOK_S = 0.05
_IDLE_S = 0.25  # from one picture to the next while there is no test
_UNSEEN_S = 1.0


class ServicePage:
    """The page of one service; without one when the stand file has none."""

    def __init__(self, page: StandPage | None) -> None:
        self._page = page
        self._shown_s = float("-inf")

    @property
    def line(self) -> str:
        """How it is, for a person; empty without a page."""
        return self._page.line if self._page is not None else ""

    @property
    def relays(self) -> tuple[Relay[Any], ...]:
        """Of a page that is there: its end in the middle of a test is noted with that test."""
        return () if self._page is None or self._page.failed else (self._page.relay,)

    def follow(self, logbook: Path, ports: Callable[[], Mapping[str, object]], bus: ServiceBus) -> None:
        """What a scrape asks for beside what it is told."""
        if self._page is not None:
            metrics = self._page.metrics
            metrics.logbook, metrics.ports, metrics.bus = logbook, ports, bus.health

    def tell(self, report: StatusReport) -> None:
        """How the service is, for a monitoring system; a running test says it itself."""
        if self._page is not None and report.state != "testing":
            self._page.metrics.tell(health_of(report))

    def screen(self, screen: Screen, started: events.TestStarted) -> Screen:
        """The screen of a test, or one through which the page sees it too."""
        return screen if self._page is None else OnThePage(screen, self._page, started, asks=False)

    async def go_on(
        self, report: Callable[[], StatusReport], running: Callable[[], Conductor | None], obey: Obey
    ) -> None:
        """Show what there is between tests and hand requests on, for as long as the service lives.

        Args:
            report: How the service is.
            running: The running test.
            obey: Does what a word asks, or raises a `LashmapError` that says why not.
        """
        page = self._page
        while page is not None and not page.failed:
            conductor = running()
            if conductor is None:
                self._show(page, report)
            if page.orders.are_waiting:
                place = "" if conductor is None else place_of(conductor)
                for pending in page.orders.take(report().test, place):
                    asked = pending.order
                    if pending.photo:
                        none = "no test is running"
                        pending.refusal = none if conductor is None else keep_photo(conductor, pending)
                        continue
                    what = f"{asked.deed}, asked on the page,"
                    pending.refusal = await carried_out(asked.as_commands, obey, what)
            await asyncio.sleep(_LOOK_S)
        if page is not None:
            LOG.error("the page is gone (%s); everything else goes on", page.failed)

    def _show(self, page: StandPage, report: Callable[[], StatusReport]) -> None:
        now_s = time.monotonic()
        if now_s - self._shown_s >= (_IDLE_S if page.is_seen else _UNSEEN_S):
            self._shown_s, status = now_s, report()
            page.show(lambda: picture_of(status))


def health_of(status: StatusReport) -> Health:
    """A service without a running test, in figures."""
    return Health(
        state=status.state,
        instruments=tuple(
            InstrumentHealth(
                name=one.instrument, heard=one.state == "heard", age_s=one.age_s, bad_frames=one.bad_frames
            )
            for one in status.instruments
        ),
    )


def picture_of(status: StatusReport) -> Parts:
    """The picture of a service without a running test."""
    cue = no_test() if status.state == "idle" else preparing(status.awaits)
    instruments = [
        Instrument(
            name=one.instrument,
            reading=one.reading,
            age_s=one.age_s,
            problem="" if one.state == "heard" else f"{one.state}: {one.detail}".rstrip(": "),
        )
        for one in status.instruments
    ]
    return of_no_test(cue, [status.last_test] if status.last_test else [], instruments)
