"""A test in virtual time whose stand is on the bus."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from daemon.virtual_time import VirtualTest
from lashmap_daemon.bus.stand_bus import StandBus
from lashmap_daemon.setup.bus_table import BusTable


class OnBus:
    """Ticks a virtual test and shows the bus what a live test would.

    Args:
        test: Not yet begun.
        bus: Entered.
    """

    def __init__(self, test: VirtualTest, bus: StandBus) -> None:
        self.test = test
        self.bus = bus
        self._told = 0
        bus.begin(test.started)
        self._tell()

    def tick(self, count: int = 1) -> None:
        for _ in range(count):
            if self.test.conductor.closed:
                return
            self.test.tick()
            self._tell()
            self.bus.take_snapshot(self.test.conductor, self.test.now_s)
            for words in self.bus.commands():
                self.obey(words)

    def tick_for(self, seconds: float) -> None:
        self.tick(round(seconds / self.test.tick_s))

    def obey(self, words: str) -> None:
        """As the live test does, for what these tests ask."""
        if words.startswith("note "):
            self.test.conductor.note(words.removeprefix("note "))
        elif words == "stop":
            self.test.stop()
        self._tell()

    def run(self, most_s: float = 600.0) -> None:
        while not self.test.conductor.closed:
            self.tick()
            assert self.test.now_s < most_s

    def until(self, enough: Callable[[], bool], within_s: float = 60.0) -> bool:
        """Go on in real time until something holds; False when it did not in time."""
        deadline_s = time.monotonic() + within_s
        while not (holds := enough()) and time.monotonic() < deadline_s:
            self.tick()
            time.sleep(0.02)
        return holds

    def _tell(self) -> None:
        for stamped in self.test.stream[self._told :]:
            self.bus.hear(stamped)
        self._told = len(self.test.stream)


def settings(url: str, **other: object) -> BusTable:
    """A table as the stand file would have it."""
    return BusTable.model_validate({"broker": url, "stand": "bench-1", **other})


@contextmanager
def on_bus(test: VirtualTest, table: BusTable, *, patience_s: float = 60.0) -> Iterator[OnBus]:
    """The test on the bus until this is left."""
    # On leaving it waits for no longer than it must; how patient it is must not decide what has arrived.
    with StandBus(table, "Bench 1", logbook_of(test), patience_s=(patience_s, patience_s)) as bus:
        yield OnBus(test, bus)


def logbook_of(test: VirtualTest) -> Path:
    return test.folder / "virtual.logbook"
