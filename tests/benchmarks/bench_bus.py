"""The bus beside a bare aiomqtt publisher and the Mosquitto command-line clients, in one run on one broker.

Run with ``python tests/benchmarks/bench_bus.py``; it starts Mosquitto on a loopback port of its own.
Rounds of the rivals take turns. Bars: a message may cost half as much again as with bare aiomqtt; live data
reach a subscriber within one interval plus 20 ms at the 99th percentile. That no record is lost when the
broker is killed is asked by ``make attack``.
"""

from __future__ import annotations

import asyncio
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import aiomqtt
import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1]))
from benchmarks.bus_rivals import MESSAGES, NODELAY, Rivals, Used, Way
from daemon.bus.broker import Broker
from daemon.bus.on_bus import on_bus, settings
from daemon.virtual_time import AS_SHIPPED, VirtualTest, load_box
from lashmap_daemon.bus.messages import LIVE, STATE

ROUNDS = 7
LIVE_HZ = 10.0
WATCHED_S = 40.0
Floats = NDArray[np.float64]


def overhead(broker: Broker, folder: Path) -> None:
    """What a message costs, beside the same message sent by others."""
    rivals = Rivals(broker, folder)
    ways: dict[str, Way] = {
        "bare aiomqtt, QoS 0": rivals.bare(0),
        "ours, live (QoS 0), from snapshot to broker": rivals.ours(LIVE),
        "bare aiomqtt, QoS 1, one after the other": rivals.bare(1),
        "bare aiomqtt, QoS 1, ten awaited together": rivals.bare(1, at_once=10),
        "bare aiomqtt, QoS 1, the bytes of a state": rivals.bare(1, data=rivals.state),
        "ours, state (QoS 1), 26 positions, from snapshot to broker": rivals.ours(STATE),
        "ours, records (QoS 1), from logbook to acknowledged": rivals.records(),
        "mosquitto_pub -l, QoS 0": rivals.command_line(0),
        "mosquitto_pub -l, QoS 1": rivals.command_line(1),
    }
    used: dict[str, list[Used]] = {name: [] for name in ways}
    for _ in range(ROUNDS):
        for name, way in ways.items():
            used[name].append(asyncio.run(way()))
    print(
        f"\nmicroseconds a message of {len(rivals.live)} bytes (state: more), {ROUNDS} rounds of {MESSAGES}"
    )
    print("  clock: median     best   processor: best")
    best: dict[str, float] = {}
    for name, rounds in used.items():
        clock = [one.clock_s for one in rounds]
        best[name] = min(clock)
        processor_us = 1e6 * min(one.processor_s for one in rounds)
        clock_us = 1e6 * statistics.median(clock)
        print(f"  {clock_us:13.1f} {1e6 * best[name]:8.1f} {processor_us:17.1f}  {name}")
    names = list(best)
    for mine, bare in ((names[1], names[0]), (names[5], names[4]), (names[6], names[2])):
        ratio = best[mine] / best[bare]
        verdict = "met" if ratio <= 1.5 else "MISSED"
        print(f"  {ratio:8.2f}  times {bare} (bar 1.50: {verdict}): {mine}")


@contextmanager
def mosquitto_sub(broker: Broker, topic: str) -> Iterator[Callable[[], list[tuple[float, bytes]]]]:
    """Arrival times (s since the epoch) and payloads, as an independent program writes them down."""
    with tempfile.TemporaryFile() as kept:
        command = ["mosquitto_sub", "-V", "5", "-p", str(broker.port), "-t", topic, "-F", "%U %p"]
        process = subprocess.Popen(command, stdout=kept)
        time.sleep(0.5)

        def heard() -> list[tuple[float, bytes]]:
            process.terminate()
            process.wait(10.0)
            kept.seek(0)
            return [(float(one[0]), one[1]) for line in kept if len(one := line.strip().split(b" ", 1)) == 2]

        yield heard
        process.kill()
        process.wait(10.0)


async def bare_stamps(broker: Broker, seconds: float) -> None:
    """A bare publisher that sends the time, as often as the live values."""
    async with aiomqtt.Client(
        "127.0.0.1", broker.port, protocol=aiomqtt.ProtocolVersion.V5, socket_options=NODELAY
    ) as client:
        for _ in range(int(seconds * LIVE_HZ)):
            await client.publish("bare/stamp", f"{time.time():.6f}")
            await asyncio.sleep(1.0 / LIVE_HZ)


def command_line_stamps(broker: Broker, seconds: float) -> None:
    """mosquitto_pub fed with the time."""
    command = ["mosquitto_pub", "-V", "5", "-p", str(broker.port), "-t", "bare/stamp", "-l"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, text=True) as process:
        assert process.stdin is not None
        for _ in range(int(seconds * LIVE_HZ)):
            process.stdin.write(f"{time.time():.6f}\n")
            process.stdin.flush()
            time.sleep(1.0 / LIVE_HZ)


def latency(broker: Broker, folder: Path) -> None:
    """From the time of a sample to a subscriber."""
    print(f"\nmilliseconds to mosquitto_sub at {LIVE_HZ:.0f} messages a second: 50th, 99th percentile, most")
    others: dict[str, Callable[[], None]] = {
        "bare aiomqtt, from publish": lambda: asyncio.run(bare_stamps(broker, WATCHED_S / 2)),
        "mosquitto_pub -l, from its input": lambda: command_line_stamps(broker, WATCHED_S / 2),
    }
    for name, publish in others.items():
        with mosquitto_sub(broker, "bare/stamp") as heard:
            publish()
            time.sleep(0.3)
            report(name, np.array([arrived_s - float(sent) for arrived_s, sent in heard()]))
    newest, every, calls, late = ours_live(broker, folder)
    report("ours, from the newest sample in each message", newest)
    report("ours, from every sample of 1 kHz to the first message that covers it", every)
    bar_ms = 1000.0 / LIVE_HZ + 20.0
    percentile = 1000.0 * float(np.percentile(every, 99.0))
    verdict = "met" if percentile <= bar_ms else "MISSED"
    print(f"  {percentile:8.2f}  bar {bar_ms:.0f} ms at the 99th percentile: {verdict}")
    report("how late the ticks of the test itself were (the machine's part of it)", late)
    report("what a tick of the test pays for the bus", calls)


def report(name: str, seconds: Floats) -> None:
    """One line of the table."""
    p50, p99 = (1000.0 * float(np.percentile(seconds, share)) for share in (50.0, 99.0))
    print(f"  {p50:8.3f} {p99:8.3f} {1000.0 * float(np.max(seconds)):8.3f}  {name}")


def ours_live(broker: Broker, folder: Path) -> tuple[Floats, Floats, Floats, Floats]:
    """A test on the simulated stand in real time; latencies in s, and seconds a tick spent in the bus."""
    test = VirtualTest(folder / "live", load_box(), **AS_SHIPPED)
    calls, late = [], []
    with (
        mosquitto_sub(broker, "lashmap/bench-1/live") as heard,
        on_bus(test, settings(broker.url, live_hz=LIVE_HZ)) as stand,
    ):
        began_s, epoch_s = time.monotonic(), time.time()
        while test.now_s < WATCHED_S and not test.conductor.closed:
            time.sleep(max(0.0, began_s + test.now_s + test.tick_s - time.monotonic()))
            test.tick()
            late.append(time.monotonic() - began_s - test.now_s)
            start_s = time.perf_counter()
            stand._tell()
            stand.bus.take_snapshot(test.conductor, test.now_s)
            calls.append(time.perf_counter() - start_s)
        time.sleep(0.3)
        found = heard()
    arrived = np.array([arrived_s - epoch_s for arrived_s, _ in found])
    lives = [LIVE.adapter.validate_json(text) for _, text in found]
    sample = np.array([one.time_s - (one.indicator_age_s or 0.0) for one in lives])
    grid = np.arange(sample[0], sample[-1], 0.001)
    covered = arrived[np.searchsorted(sample, grid)]
    return arrived - sample, covered - grid, np.array(calls), np.array(late)


def main() -> None:
    """Print all tables."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker = Broker(folder / "broker")
        broker.start()
        try:
            overhead(broker, folder)
            latency(broker, folder)
        finally:
            broker.kill()


if __name__ == "__main__":
    main()
