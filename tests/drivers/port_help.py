"""What the tests of ports share: waiting for chunks without sleeping, quick waits, and a clock to set."""

from __future__ import annotations

import gc
import time
from pathlib import Path

from lashmap_drivers.ports.port import Port
from lashmap_drivers.ports.source import Backoff
from lashmap_drivers.readings import Chunk

QUICK = Backoff(first_s=0.001, most_s=0.004)
PATIENCE_S = 60.0  # what holds at once on a quiet machine may take a while on one that pauses


class SetClock:
    """The time of a port, to be set ahead; stands in for the module ``time`` there.

    With limits of minutes, what is late is late because the test says so, whoever was held up meanwhile.
    """

    sleep = staticmethod(time.sleep)

    def __init__(self) -> None:
        self._ahead_s = 0.0

    def monotonic(self) -> float:
        """As `time.monotonic`, and ahead of it."""
        return time.monotonic() + self._ahead_s

    def ahead(self, seconds: float) -> None:
        """Let so much time have passed."""
        self._ahead_s += seconds


def take_bytes(port: Port, length: int, within_s: float = PATIENCE_S) -> list[Chunk]:
    """Chunks until ``length`` bytes have come or the time is up."""
    chunks: list[Chunk] = []
    deadline_s = time.monotonic() + within_s
    while sum(len(chunk.data) for chunk in chunks) < length and time.monotonic() < deadline_s:
        port.wait(0.1)
        chunks += port.take()
    return chunks


def take_until_break(port: Port, within_s: float = PATIENCE_S) -> list[Chunk]:
    """Chunks up to and with the mark of a break."""
    chunks: list[Chunk] = []
    deadline_s = time.monotonic() + within_s
    while not any(chunk.is_break for chunk in chunks):
        assert time.monotonic() < deadline_s, "the loss was not noticed"
        port.wait(0.1)
        chunks += port.take()
    return chunks


def wait_back(port: Port, reconnects: int, within_s: float = PATIENCE_S) -> None:
    """Wait until the port has come back so many times."""
    deadline_s = time.monotonic() + within_s
    while port.reconnects < reconnects:
        assert time.monotonic() < deadline_s, f"not back: {port.lost}"
        time.sleep(0.001)


def open_descriptors() -> int:
    """Of this process, without those that only wait to be collected; more than before are leaked ones."""
    gc.collect()
    return len(list(Path("/proc/self/fd").iterdir()))


def joined(chunks: list[Chunk]) -> bytes:
    """The bytes of several chunks."""
    return b"".join(chunk.data for chunk in chunks)
