"""Ways to put a message on a broker, ours and others', for `bench_bus`."""

from __future__ import annotations

import asyncio
import math
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, replace
from pathlib import Path

import aiomqtt

sys.path.insert(0, str(Path(__file__).parents[1]))
from daemon.bus.broker import Broker
from daemon.bus.on_bus import settings
from daemon.virtual_time import AS_SHIPPED, VirtualTest, load_box
from lashmap_daemon.bus import from_test, messages, outbox
from lashmap_daemon.bus.connection import BusClient, Identity, connect
from lashmap_daemon.bus.messages import LIVE, Topic, payload
from lashmap_daemon.bus.publisher import Publisher, Report
from lashmap_daemon.bus.records import Records
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.story import events

MESSAGES = 1500
UTC = "2026-11-25T08:00:00Z"
NODELAY = [(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)]
Way = Callable[[], Coroutine[None, None, "Used"]]


@dataclass(frozen=True)
class Used:
    """Seconds a message: by the clock, and of this process's processor time."""

    clock_s: float
    processor_s: float


class Stopwatch:
    """Measures from its making on."""

    def __init__(self) -> None:
        self._clock_s, self._processor_s = time.perf_counter(), time.process_time()

    def used(self) -> Used:
        """So far, for each of the messages."""
        return Used(
            (time.perf_counter() - self._clock_s) / MESSAGES,
            (time.process_time() - self._processor_s) / MESSAGES,
        )


class Rivals:
    """Ways to publish, each a coroutine that returns what a message used."""

    def __init__(self, broker: Broker, folder: Path) -> None:
        self.broker, self.folder = broker, folder
        test = VirtualTest(folder / "seen", load_box(), **AS_SHIPPED)
        test.run_until(events.RockStarted)
        test.tick(60)
        snapshots = from_test.SnapshotTaker(test.started, 0.1)
        seen = snapshots.take(test.conductor, test.now_s)
        assert seen is not None
        self.seen, self.started = seen, test.started
        self.live = payload(from_test.live(seen, "bench-1", "t"))
        self.state = payload(from_test.state(seen, "bench-1", "Bench 1", self.started, UTC))
        self.number = 0

    def bare(self, qos: int, *, at_once: int = 1, data: bytes | None = None) -> Way:
        """Aiomqtt as its documentation shows it, the same bytes every time."""

        async def run() -> Used:
            async with aiomqtt.Client(
                "127.0.0.1",
                self.broker.port,
                protocol=aiomqtt.ProtocolVersion.V5,
                socket_options=NODELAY,
                max_inflight_messages=max(20, at_once),
            ) as client:
                watch = Stopwatch()
                if at_once == 1:
                    for _ in range(MESSAGES):
                        await client.publish("bare/live", data or self.live, qos=qos)
                else:
                    for _ in range(MESSAGES // at_once):
                        await asyncio.gather(
                            *(client.publish("bare/live", data or self.live, qos=qos) for _ in range(at_once))
                        )
                return watch.used()

        return run

    def ours(self, topic: Topic) -> Way:
        """From a snapshot of a running test to the broker: message made, checked, written, published."""

        async def run() -> Used:
            publisher = self._publisher()
            async with self._client() as client:
                moments = [replace(self.seen, number=number) for number in range(MESSAGES)]
                watch = Stopwatch()
                for seen in moments:
                    message: messages.Message = (
                        from_test.live(seen, "bench-1", "t")
                        if topic is LIVE
                        else from_test.state(seen, "bench-1", "Bench 1", self.started, UTC)
                    )
                    await publisher._send(client, topic, message)
                return watch.used()

        return run

    def records(self) -> Way:
        """From events in a logbook to acknowledged records, in order."""

        async def run() -> Used:
            self.number += 1
            path = self.folder / f"records{self.number}.logbook"
            with Logbook(path, create=True) as book:
                for position in range(MESSAGES):
                    book.append("t", stamped(position))
            outbox.enrol(path, "lashmap/bench-1", "t")
            box = outbox.Outbox(path, "lashmap/bench-1")
            records = Records(box, 0.0, print)
            publisher = self._publisher()
            async with self._client() as client:
                watch = Stopwatch()
                task = asyncio.create_task(records.run(lambda one: publisher._send_record(client, one)))
                await records.emptied()
                used = watch.used()
                task.cancel()
                records.close()
            assert records.sent == MESSAGES
            box.close()
            return used

        return run

    def command_line(self, qos: int) -> Way:
        """mosquitto_pub, one message a line; starting it is taken off."""

        async def run() -> Used:
            command = [
                "mosquitto_pub",
                "-V",
                "5",
                "-p",
                str(self.broker.port),
                "-q",
                str(qos),
                "-t",
                "bare/live",
                "-l",
            ]
            text = (self.live + b"\n") * (20 * MESSAGES)

            def timed(lines: bytes) -> float:
                start_s = time.perf_counter()
                subprocess.run(command, input=lines, check=True)
                return time.perf_counter() - start_s

            start_s = min(timed(self.live + b"\n") for _ in range(2))
            return Used(max(timed(text) - start_s, 0.0) / (20 * MESSAGES), math.nan)

        return run

    def _publisher(self) -> Publisher:
        path = self.folder / "publisher.logbook"
        Logbook(path, create=True).close()
        identity = Identity(root="lashmap", stand="bench-1", name="Bench 1", version="0")
        box = outbox.Outbox(path, identity.base)
        return Publisher(identity, settings(self.broker.url), box, None, Report())

    def _client(self) -> BusClient:
        return connect(settings(self.broker.url), "bench", most_bytes=65536)


def stamped(position: int) -> events.Stamped:
    """A record of the usual size."""
    accepted = events.RockAccepted(
        number=position,
        engagement=position,
        purpose="planned",
        attempt=1,
        start_s=position + 0.25,
        end_s=position + 1.75,
        reading_mm=0.12653426828920936,
        normal_backlash_mm=0.1269235914069502,
        standard_uncertainty_mm=0.000018975283626518875,
        reversals=8,
        flags=(),
    )
    return events.Stamped(time_s=position + 2.0, utc=UTC, event=accepted)
