"""A pseudo-terminal stands for the cable; the kernel is the peer."""

from __future__ import annotations

import contextlib
import os
import pty
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
from lashmap_drivers.errors import InstrumentLost, PortNotOpened
from lashmap_drivers.port import Port
from lashmap_drivers.profile import PortSettings
from lashmap_drivers.readings import Chunk


@pytest.fixture
def cable() -> Iterator[tuple[int, str]]:
    controller, terminal = pty.openpty()
    tty.setraw(terminal)
    name = os.ttyname(terminal)
    os.close(terminal)
    yield controller, name
    with contextlib.suppress(OSError):  # the test may have unplugged it
        os.close(controller)


def take_until(port: Port, length: int, within_s: float = 5.0) -> list[Chunk]:
    chunks: list[Chunk] = []
    deadline_s = time.monotonic() + within_s
    while sum(len(chunk.data) for chunk in chunks) < length and time.monotonic() < deadline_s:
        chunks += port.take()
    return chunks


def test_bytes_arrive_unchanged_and_stamped(cable: tuple[int, str]) -> None:
    controller, name = cable
    sent = bytes(range(256)) * 8
    with Port("indicator", name, PortSettings()) as port:
        before_s = time.monotonic()
        os.write(controller, sent)
        chunks = take_until(port, len(sent))
        after_s = time.monotonic()
    assert b"".join(chunk.data for chunk in chunks) == sent
    assert all(before_s <= chunk.arrival_s <= after_s for chunk in chunks)
    assert port.dropped_chunks == 0


def test_an_unplugged_cable_is_reported_after_what_came_before(cable: tuple[int, str]) -> None:
    controller, name = cable
    with Port("indicator", name, PortSettings()) as port:
        os.write(controller, b"last words\r\n")
        assert take_until(port, 12)
        os.close(controller)
        with pytest.raises(InstrumentLost, match=f"indicator on {name}") as caught:
            take_until(port, 1)
    assert caught.value.port == name


def test_a_missing_port_says_which_and_what_to_do(tmp_path: Path) -> None:
    name = str(tmp_path / "no-such-port")
    with pytest.raises(PortNotOpened, match="Check the name in the stand file") as caught:
        Port("encoder", name, PortSettings())
    assert caught.value.instrument == "encoder"
    assert name in str(caught.value)


def test_a_port_in_use_is_refused(cable: tuple[int, str]) -> None:
    _, name = cable
    with (
        Port("indicator", name, PortSettings()),
        pytest.raises(PortNotOpened, match="no other program holds it"),
    ):
        Port("encoder", name, PortSettings())


def test_a_closed_port_leaves_no_descriptor_behind(cable: tuple[int, str]) -> None:
    _, name = cable
    before = len(list(Path("/proc/self/fd").iterdir()))
    for _ in range(5):
        Port("indicator", name, PortSettings()).close()
    assert len(list(Path("/proc/self/fd").iterdir())) == before
