"""A pseudo-terminal stands for the cable; the kernel is the peer."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from drivers.faulty_peer import FaultyPeer
from drivers.port_help import (
    PATIENCE_S,
    QUICK,
    joined,
    open_descriptors,
    take_bytes,
    take_until_break,
    wait_back,
)
from lashmap_drivers.errors import InstrumentLost, PortBusy, PortNotOpened
from lashmap_drivers.ports import port as port_module
from lashmap_drivers.ports.finding import UsbPort
from lashmap_drivers.ports.link import Link
from lashmap_drivers.ports.port import Port
from lashmap_drivers.ports.source import PortSettings


@pytest.fixture
def peer(tmp_path: Path) -> Iterator[FaultyPeer]:
    with FaultyPeer(tmp_path) as peer:
        yield peer


def test_bytes_arrive_unchanged_and_stamped(peer: FaultyPeer) -> None:
    sent = bytes(range(256)) * 8
    with Port("indicator", peer.name, PortSettings()) as port:
        before_s = time.monotonic()
        peer.say(sent)
        chunks = take_bytes(port, len(sent))
        after_s = time.monotonic()
    assert joined(chunks) == sent
    assert all(before_s <= chunk.arrival_s <= after_s for chunk in chunks)
    assert port.dropped_chunks == 0


def test_an_unplugged_cable_is_reported_after_what_came_before(peer: FaultyPeer) -> None:
    with Port("indicator", peer.name, PortSettings(), backoff=None) as port:
        peer.say(b"last words\r\n")
        assert take_bytes(port, 12)
        peer.unplug()
        with pytest.raises(InstrumentLost, match=f"indicator on {peer.name}") as caught:
            take_bytes(port, 1)
    assert caught.value.port == peer.name


def test_a_missing_port_says_which_and_what_to_do(tmp_path: Path) -> None:
    name = str(tmp_path / "no-such-port")
    with pytest.raises(PortNotOpened, match="Check the name in the stand file") as caught:
        Port("encoder", name, PortSettings())
    assert caught.value.instrument == "encoder"
    assert name in str(caught.value)


def test_a_file_that_is_no_port_is_refused_and_let_go(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    before = open_descriptors()
    with pytest.raises(PortNotOpened, match="cannot open the port"):
        Port("encoder", str(tmp_path / "file"), PortSettings())
    assert open_descriptors() <= before


def test_a_system_that_cannot_list_its_ports_leaves_none_of_them_taken(peer: FaultyPeer) -> None:
    def broken() -> list[UsbPort]:
        raise OSError("no bus")

    before = open_descriptors()
    for name in (peer.name, "usb:1a86:7523"):
        with pytest.raises(PortNotOpened, match="no bus"):
            Port("indicator", name, PortSettings(), listing=broken)
    assert open_descriptors() <= before


def test_two_instruments_on_one_port_are_refused(peer: FaultyPeer) -> None:
    with (
        Port("indicator", peer.name, PortSettings()),
        pytest.raises(PortBusy, match="held by this program itself, for another instrument"),
    ):
        Port("encoder", peer.name, PortSettings())


HOLD = """
import sys
from lashmap_drivers.ports.finding import UsbPort
from lashmap_drivers.ports.link import Link
from lashmap_drivers.ports.port import Port
from lashmap_drivers.ports.source import PortSettings
with Port("indicator", sys.argv[1], PortSettings()):
    print("open", flush=True)
    sys.stdin.read()
"""


def test_another_program_on_the_port_is_named(peer: FaultyPeer) -> None:
    command = [sys.executable, "-c", HOLD, peer.name]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "open\n"
        with pytest.raises(PortBusy) as caught:
            Port("indicator", peer.name, PortSettings())
        other.communicate("")
    assert f"process {other.pid} (" in str(caught.value)
    assert Path(sys.executable).name in str(caught.value)
    Port("indicator", peer.name, PortSettings()).close()  # and once that program is gone, it opens


def test_a_full_queue_drops_the_oldest_counts_them_and_marks_the_break(
    peer: FaultyPeer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(port_module, "_MOST_QUEUED_BYTES", 70_000)  # one read and a little
    lines = b"".join(b"%09d\r\n" % number for number in range(30_000))
    with Port("indicator", peer.name, PortSettings()) as port:
        peer.say(lines)
        peer.say(b"end")
        deadline_s = time.monotonic() + PATIENCE_S
        while not port.dropped_chunks:
            assert time.monotonic() < deadline_s, "nothing was dropped"
            time.sleep(0.001)
        chunks = take_bytes(port, 1)
        assert len(joined(chunks)) <= 70_000 or len(chunks) == 2  # a break and the newest read, however long
        while not joined(chunks).endswith(b"end"):
            chunks += take_bytes(port, 1)
    assert chunks[0].is_break
    # Between one break and the next nothing is missing; a reader that is held up here causes another one.
    breaks = [index for index, chunk in enumerate(chunks) if chunk.is_break]
    stretches = [joined(chunks[first:last]) for first, last in pairwise([*breaks, len(chunks)])]
    said, place = lines + b"end", 0
    for stretch in stretches:
        found = said.find(stretch, place)
        assert found > place
        place = found + len(stretch)
    assert place == len(said)


def test_control_lines_flow_and_framing_reach_the_port(peer: FaultyPeer) -> None:
    # What is checked is pyserial's own description of the port; a pseudo-terminal has no such lines.
    settings = PortSettings(
        baud=9600, data_bits=7, parity="even", stop_bits=2, flow_control="xon/xoff", dtr=False, rts=False
    )
    link = Link("indicator", peer.name, peer.name, settings)
    for words in ("baudrate=9600", "bytesize=7", "parity='E'", "stopbits=2", "xonxoff=True", "rtscts=False"):
        assert words in repr(link._serial)
    assert (link._serial.dtr, link._serial.rts) == (False, False)
    link.close()
    link = Link("indicator", peer.name, peer.name, PortSettings(flow_control="rts/cts"))
    assert "rtscts=True" in repr(link._serial)
    assert (link._serial.dtr, link._serial.rts) == (True, True)  # as the system sets them
    link.close()


def test_stale_bytes_are_dropped_and_half_lines_kept_apart(peer: FaultyPeer) -> None:
    with Port("indicator", peer.name, PortSettings(), backoff=QUICK) as port:
        peer.say(b"+1.000\r\n+2.0")
        chunks = take_bytes(port, 12)
        peer.unplug()
        chunks += take_until_break(port)
        assert port.lost is not None
        assert port.lost.reason
        peer.plug_in()
        wait_back(port, 1)
        peer.say(b"03\r\n+4.000\r\n")
        chunks += take_bytes(port, 12)
    breaks = [index for index, chunk in enumerate(chunks) if chunk.is_break]
    assert len(breaks) == 1
    assert joined(chunks[: breaks[0]]) == b"+1.000\r\n+2.0"
    assert joined(chunks[breaks[0] :]) == b"03\r\n+4.000\r\n"
    assert port.lost is None


def test_a_reader_that_breaks_is_told_to_the_consumer(
    peer: FaultyPeer, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Port("indicator", peer.name, PortSettings(), backoff=QUICK) as port:

        def broken(_: object) -> None:
            raise ZeroDivisionError("a mistake in the program")

        monkeypatch.setattr(port, "_give", broken)
        peer.say(b"+1.000\r\n")
        with pytest.raises(InstrumentLost, match="a mistake in the program"):
            take_bytes(port, 1)


def test_a_hundred_unplug_cycles_leak_nothing(peer: FaultyPeer) -> None:
    with Port("indicator", peer.name, PortSettings(), backoff=QUICK) as port:
        descriptors, threads = open_descriptors(), set(threading.enumerate())
        for cycle in range(100):
            word = b"%03d\r\n" % cycle
            peer.say(word + b"half a li")
            assert joined(take_bytes(port, len(word) + 9)) == word + b"half a li"
            peer.unplug()
            take_until_break(port)
            peer.plug_in()
            wait_back(port, cycle + 1)
        assert port.reconnects == 100
        assert set(threading.enumerate()) <= threads
        assert open_descriptors() <= descriptors
    assert not port._thread.is_alive()


def test_a_closed_port_leaves_no_descriptor_behind(peer: FaultyPeer) -> None:
    before = open_descriptors()
    for _ in range(5):
        Port("indicator", peer.name, PortSettings()).close()
    assert open_descriptors() <= before


def test_a_lost_port_can_be_closed(peer: FaultyPeer) -> None:
    port = Port("indicator", peer.name, PortSettings())
    peer.unplug()
    take_until_break(port)
    port.close()
    port.close()
    assert not port._thread.is_alive()


def test_the_device_may_come_back_under_another_name(tmp_path: Path) -> None:
    with (
        FaultyPeer(tmp_path) as peer,
        FaultyPeer(tmp_path, "other") as other,
        Port("indicator", peer.name, PortSettings(), backoff=QUICK) as port,
    ):
        other.unplug()
        old, backs = os.path.realpath(peer.name), 0
        while True:
            peer.unplug()
            take_until_break(port)
            other.plug_in()  # takes the number that became free, unless a program beside is quicker
            if os.path.realpath(other.name) == old:
                break
            assert backs < 50
            other.unplug()
            peer.plug_in()
            backs += 1
            wait_back(port, backs)
            old = os.path.realpath(peer.name)
        assert peer.plug_in() != old
        wait_back(port, backs + 1)
        other.say(b"wrong instrument\r\n")
        peer.say(b"right instrument\r\n")
        assert joined(take_bytes(port, 18)) == b"right instrument\r\n"


@pytest.mark.parametrize(
    ("bytes_per_s", "tick_s"),
    [(0.0, 0.001), (4999.0, 0.001), (9000.0, 0.02), (102_000.0, 0.02), (103_000.0, 0.004), (2e6, 0.001)],
)
def test_the_more_comes_the_longer_it_gathers_but_never_more_than_half_a_terminal_holds(
    bytes_per_s: float, tick_s: float
) -> None:
    # A terminal of Linux holds 4096 bytes (N_TTY_BUF_SIZE).
    assert port_module._tick_s(bytes_per_s) == tick_s
    assert tick_s == port_module.TICK_S or bytes_per_s * tick_s <= 2048
