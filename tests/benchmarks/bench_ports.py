"""Ports side by side: this reader, a ``readline()`` loop, and pyserial-asyncio-fast, in one run.

A peer in a process of its own writes 11-byte lines at a steady rate on pseudo-terminals, each line carrying
the time of its writing. Shown: lines lost, processor time of the reader as a share of one core (the peer
excluded), and the time from the write of a line to its decoded sample in the consumer's hands.

Run: ``python tests/benchmarks/bench_ports.py [seconds]``.
"""

from __future__ import annotations

import asyncio
import os
import resource
import select
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import serial
from lashmap_drivers.decoder import Decoder
from lashmap_drivers.ports.port import Port
from lashmap_drivers.ports.source import PortSettings
from lashmap_drivers.readings import Chunks
from lashmap_drivers.wire.ascii_line import LineProfile

LINE_BYTES = 11
PROFILE = LineProfile(kind="ascii line", pattern=r"(?P<value>[+-]\d{4}\.\d{3})")
END = 9999.0  # the value of the last line


@dataclass
class Heard:
    """What a reader got of one instrument."""

    lines: int = 0
    ended: bool = False
    delays_s: list[float] = field(default_factory=list)

    def take(self, value: float, now_s: float, start_s: float, *, timed: bool) -> None:
        """One line: its value is the time at which it was written, in seconds from the start."""
        if value >= END:
            self.ended = True
            return
        self.lines += 1
        if timed:
            self.delays_s.append(now_s - start_s - value)


def feed(rate_hz: int, seconds: float, descriptors: list[int], start_s: float) -> None:
    """The peer: writes what is due, again and again; a line's value is when its write began."""
    for descriptor in descriptors:
        os.set_blocking(descriptor, False)
    sent = 0
    total = int(rate_hz * seconds)
    while sent < total:
        now_s = time.monotonic() - start_s
        due = min(int(now_s * rate_hz), total)
        if due > sent:
            data = (b"%+09.3f\r\n" % now_s)[:LINE_BYTES] * (due - sent)
            for descriptor in descriptors:
                put(descriptor, data)
            sent = due
        time.sleep(max(0.0, (sent + 1) / rate_hz - (time.monotonic() - start_s)))
    time.sleep(0.2)
    for descriptor in descriptors:
        put(descriptor, b"%+09.3f\r\n" % END * 3)
    time.sleep(0.5)


def put(descriptor: int, data: bytes) -> None:
    """Write to a terminal; what a full one does not take within 20 ms is lost, as on a cable."""
    while data:
        _, ready, _ = select.select([], [descriptor], [], 0.02)
        if not ready:
            return
        data = data[os.write(descriptor, data[:1024]) :]


@dataclass(frozen=True)
class Job:
    """What a reader is asked to do."""

    names: list[str]
    start_s: float
    end_s: float  # by when a reader that missed the end gives up
    timed: bool


Reader = Callable[[Job], list[Heard]]


def with_port(job: Job) -> list[Heard]:
    """This project: a thread a port, and one consumer that decodes."""
    heard = [Heard() for _ in job.names]
    decoders = [Decoder.for_indicator(PROFILE) for _ in job.names]
    with ExitStack() as stack:
        ports = [stack.enter_context(Port("indicator", name, PortSettings())) for name in job.names]
        while not all(one.ended for one in heard) and time.monotonic() < job.end_s:
            ports[0].wait(0.005)
            for port, decoder, one in zip(ports, decoders, heard, strict=True):
                for chunk in port.take():
                    values = decoder.feed(Chunks.of(chunk)).value
                    now_s = time.monotonic()
                    if not len(values):
                        continue
                    one.ended |= bool(values[-1] >= END)
                    times = values[values < END]
                    one.lines += len(times)
                    if job.timed:
                        one.delays_s += (now_s - job.start_s - times).tolist()
    return heard


def with_readline(job: Job) -> list[Heard]:
    """The usual script: one ``readline()`` loop a port, a thread each."""
    heard = [Heard() for _ in job.names]

    def loop(name: str, one: Heard) -> None:
        with serial.Serial(name, timeout=1.0) as port:
            port.readline()
            while not one.ended and time.monotonic() < job.end_s:
                line = port.readline()
                if len(line) == LINE_BYTES:
                    one.take(float(line), time.monotonic(), job.start_s, timed=job.timed)

    threads = [threading.Thread(target=loop, args=pair) for pair in zip(job.names, heard, strict=True)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return heard


def with_asyncio(job: Job) -> list[Heard]:
    """pyserial-asyncio-fast with a protocol that splits what came."""
    import serial_asyncio_fast  # noqa: PLC0415 - this reader's own

    class Lines(asyncio.Protocol):
        def __init__(self, one: Heard, done: asyncio.Future[None]) -> None:
            self._one, self._done, self._rest, self._in_step = one, done, b"", False

        def data_received(self, data: bytes) -> None:
            *lines, self._rest = (self._rest + data).split(b"\r\n")
            now_s = time.monotonic()
            for line in lines if self._in_step else lines[1:]:
                if len(line) == LINE_BYTES - 2:
                    self._one.take(float(line), now_s, job.start_s, timed=job.timed)
            self._in_step |= bool(lines)
            if self._one.ended and not self._done.done():
                self._done.set_result(None)

    async def main(heard: list[Heard]) -> None:
        loop = asyncio.get_running_loop()
        ends = []
        for name, one in zip(job.names, heard, strict=True):
            end: asyncio.Future[None] = loop.create_future()
            make = partial(Lines, one, end)
            transport, _ = await serial_asyncio_fast.create_serial_connection(loop, make, name)
            ends.append((end, transport))
        for end, transport in ends:
            await asyncio.wait({end}, timeout=max(0.0, job.end_s - time.monotonic()))
            transport.close()
        await asyncio.sleep(0.05)

    heard = [Heard() for _ in job.names]
    asyncio.run(main(heard))
    return heard


READERS: dict[str, Reader] = {
    "lashmap Port + Decoder": with_port,
    "pyserial readline()": with_readline,
    "pyserial-asyncio-fast": with_asyncio,
}


def measure(reader: Reader, ports: int, rate_hz: int, seconds: float, *, timed: bool) -> str:
    """Run one reader against a peer in another process; returns the cells of its row."""
    pairs = [os.openpty() for _ in range(ports)]
    names = [os.ttyname(terminal) for _, terminal in pairs]
    for _, terminal in pairs:
        tty.setraw(terminal)
    start_s = time.monotonic() + 0.6
    controllers = [controller for controller, _ in pairs]
    code = (
        f"import sys; sys.path.insert(0, {os.path.dirname(__file__)!r}); import bench_ports, time;"  # noqa: PTH120
        f"time.sleep(max(0, {start_s} - time.monotonic()));"
        f"bench_ports.feed({rate_hz}, {seconds}, {controllers}, {start_s})"
    )
    with subprocess.Popen([sys.executable, "-c", code], pass_fds=controllers) as peer:
        before = resource.getrusage(resource.RUSAGE_SELF)
        heard = reader(Job(names, start_s, start_s + seconds + 2.0, timed))
        after = resource.getrusage(resource.RUSAGE_SELF)
        peer.wait()
    for pair in pairs:
        for descriptor in pair:
            os.close(descriptor)
    busy_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    sent = int(rate_hz * seconds) * ports
    # The first line of each port only tells where lines begin.
    lost = sent - ports - sum(one.lines for one in heard)
    cells = f"{sent:>9} {lost:>7} {100.0 * busy_s / seconds:>9.1f} %"
    if timed:
        delays_ms = 1000.0 * np.array(heard[0].delays_s)
        middle, late, worst = np.percentile(delays_ms, [50.0, 99.0, 100.0])
        cells += f" {middle:>9.2f} {late:>9.2f} {worst:>9.2f}"
    return cells


def main() -> None:
    """Print both tables."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 8.0
    print(f"{'lines sent':>35} {'lost':>7} {'of a core':>11} {'median ms':>9} {'99 % ms':>9} {'worst ms':>9}")
    print("one instrument at 1 kHz: from the write of a line to its value")
    for name, reader in READERS.items():
        print(f"  {name:24}", measure(reader, 1, 1000, seconds, timed=True))
    print("two instruments at 10 kHz each")
    for name, reader in READERS.items():
        print(f"  {name:24}", measure(reader, 2, 10_000, seconds, timed=False))
    print("one instrument at 50,000 lines a second")
    for name, reader in READERS.items():
        print(f"  {name:24}", measure(reader, 1, 50_000, seconds, timed=False))


if __name__ == "__main__":
    main()
