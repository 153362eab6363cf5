"""How a stand is, in figures for a monitoring system: ``/metrics`` in the Prometheus text format.

Decided here: which figures there are, and what they are called. Test or service tells once a second how it
is; a scrape reads the newest of that, adds how old it has become, and asks for what costs nothing to ask
(counters of the ports, the outbox, the disk). No figure of a measurement is here, and nothing that is judged.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

from prometheus_client import CollectorRegistry
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.exposition import choose_encoder
from prometheus_client.registry import Collector
from starlette.responses import Response
from starlette.routing import Route

from lashmap_daemon.page.health import STATES, BusHealth, Count, Health

if TYPE_CHECKING:
    from starlette.requests import Request

LATE_S = 10.0  # a stand that has not said for so long how it is does not go on


@dataclass(eq=False)
class Metrics(Collector):
    """The figures of one stand; `tell` from any thread, the rest in the page's.

    Attributes:
        stand: Its name.
        looking: How many look at the page, and how many requests were refused.
        logbook: Whose disk is told of; None before it is known.
        ports: The open port of each instrument.
        bus: How the bus is; None for a stand without one.
    """

    stand: str
    looking: Callable[[], tuple[int, int]]
    logbook: Path | None = None
    ports: Callable[[], Mapping[str, object]] = dict
    bus: Callable[[], BusHealth | None] = lambda: None
    _told: tuple[Health, float] | None = field(default=None, init=False)
    _counts: dict[tuple[str, str], Count] = field(default_factory=dict, init=False)

    def tell(self, health: Health) -> None:
        """How the stand is now."""
        for one in health.instruments:
            self._counted("bad_frames", one.name, health.source, one.bad_frames)
        self._told = (health, time.monotonic())

    def route(self) -> Route:
        """The path that a scrape asks for."""
        registry = CollectorRegistry(auto_describe=False)
        registry.register(self)

        async def scraped(request: Request) -> Response:
            encode, kind = choose_encoder(request.headers.get("accept", ""))
            return Response(encode(registry), headers={"content-type": kind})

        return Route("/metrics", scraped, methods=["GET"])

    def collect(self) -> Iterator[Metric]:
        """What a registry asks for."""
        about = {"stand": self.stand, "version": version("lashmap")}
        yield _gauge("info", "Name and version of the stand.", (1, about))
        if self._told is not None:  # a test that a person still prepares says nothing
            yield from _of_stand(self._told[0], time.monotonic() - self._told[1])
        yield from self._counters()
        yield from self._around()

    def _counters(self) -> Iterator[Metric]:
        for name, port in self.ports().items():
            for what in _OF_PORTS:
                # A recording that is played has no such counters.
                self._counted(what, name, str(id(port)), int(getattr(port, what, 0)))
        told = dict(self._counts)  # the thread of a test may add to it meanwhile
        for what, meaning in (_OF_FRAMES | _OF_PORTS).items():
            counts = [(key[1], one) for key, one in sorted(told.items()) if key[0] == what]
            found = [(one.total, {"instrument": name}) for name, one in counts]
            yield _counter(f"instrument_{what}", meaning, *found)

    def _around(self) -> Iterator[Metric]:
        bus = self.bus()
        if bus is not None:
            yield _gauge("broker_connected", "1 while the broker answers.", (bus.connected, {}))
        if bus is not None and bus.waiting is not None:
            words = "Records that the broker does not surely have, as last counted."
            yield _gauge("outbox_records", words, (bus.waiting, {}))
        if self.logbook is not None:
            try:
                free = shutil.disk_usage(self.logbook.parent).free
            except OSError:
                pass  # it is gone, which test and service say in their own way
            else:
                yield _gauge("disk_free_bytes", "Left on the disk of the logbook.", (free, {}))
        lookers, refused = self.looking()
        yield _gauge("page_lookers", "How many look at the page.", (lookers, {}))
        yield _counter("page_requests_refused", "Requests to the page that were refused.", (refused, {}))

    def _counted(self, what: str, instrument: str, source: str, value: int) -> None:
        self._counts.setdefault((what, instrument), Count()).take(source, value)


def _of_stand(health: Health, age_s: float) -> Iterator[Metric]:
    """What was told, and how old that is by now."""
    up = age_s < LATE_S
    yield _gauge("up", f"1 while test or service said within {LATE_S:.0f} s how they are.", (up, {}))
    yield _gauge("told_age_seconds", "Since test or service last said how they are.", (age_s, {}))
    states = [(health.state == state, {"state": state}) for state in STATES]
    yield _gauge("state", "1 for what the stand does now.", *states)
    yield _gauge("test_positions_accepted", "Positions accepted in the running test.", (health.done, {}))
    yield _gauge("test_positions", "Positions of the running test, as planned.", (health.total, {}))
    named = [(one, {"instrument": one.name}) for one in health.instruments]
    heard = [(one.heard, labels) for one, labels in named]
    yield _gauge("instrument_up", "1 while the instrument is heard and understood.", *heard)
    ages = [(one.age_s + age_s, labels) for one, labels in named if one.age_s is not None]
    yield _gauge("instrument_age_seconds", "Age of its newest value; none before the first.", *ages)


_OF_FRAMES = {"bad_frames": "Frames that could not be used."}
_OF_PORTS = {
    "missed_polls": "Requests without a whole reply in time.",
    "dropped_chunks": "Reads that were lost because nobody took them in time.",
    "reconnects": "How often the port came back.",
}


_Sample = tuple[float, dict[str, str]]


def _gauge(name: str, meaning: str, *samples: _Sample) -> Metric:
    return _filled(GaugeMetricFamily(f"lashmap_{name}", meaning), samples)


def _counter(name: str, meaning: str, *samples: _Sample) -> Metric:
    return _filled(CounterMetricFamily(f"lashmap_{name}", meaning), samples, suffix="_total")


def _filled(metric: Metric, samples: tuple[_Sample, ...], suffix: str = "") -> Metric:
    for value, labels in samples:
        metric.add_sample(f"{metric.name}{suffix}", labels, float(value))
    return metric
