"""What the tests of ports share: waiting for chunks without sleeping, and quick waits between attempts."""

from __future__ import annotations

import time

from lashmap_drivers.port import Port
from lashmap_drivers.readings import Chunk
from lashmap_drivers.reconnect import Backoff

QUICK = Backoff(first_s=0.001, most_s=0.004)


def take_bytes(port: Port, length: int, within_s: float = 5.0) -> list[Chunk]:
    """Chunks until ``length`` bytes have come or the time is up."""
    chunks: list[Chunk] = []
    deadline_s = time.monotonic() + within_s
    while sum(len(chunk.data) for chunk in chunks) < length and time.monotonic() < deadline_s:
        port.wait(0.1)
        chunks += port.take()
    return chunks


def take_until_break(port: Port, within_s: float = 5.0) -> list[Chunk]:
    """Chunks up to and with the mark of a break."""
    chunks: list[Chunk] = []
    deadline_s = time.monotonic() + within_s
    while not any(chunk.is_break for chunk in chunks):
        assert time.monotonic() < deadline_s, "the loss was not noticed"
        port.wait(0.1)
        chunks += port.take()
    return chunks


def wait_back(port: Port, reconnects: int, within_s: float = 5.0) -> None:
    """Wait until the port has come back so many times."""
    deadline_s = time.monotonic() + within_s
    while port.reconnects < reconnects:
        assert time.monotonic() < deadline_s, f"not back: {port.lost}"
        time.sleep(0.001)


def joined(chunks: list[Chunk]) -> bytes:
    """The bytes of several chunks."""
    return b"".join(chunk.data for chunk in chunks)
