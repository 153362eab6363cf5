"""USB ports are listed by hand; identity and place are invented."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from drivers.faulty_peer import FaultyPeer
from drivers.port_help import QUICK, joined, take_bytes, take_until_break, wait_back
from hypothesis import given
from hypothesis import strategies as st
from lashmap_drivers.errors import PortNotOpened
from lashmap_drivers.ports.finding import (
    Marks,
    PortNotFound,
    UsbPort,
    find_again,
    marks_of,
    resolve,
    usb_ports,
)
from lashmap_drivers.ports.port import Port
from lashmap_drivers.ports.source import Backoff, PortSettings

ONE = UsbPort(device="/dev/ttyUSB0", vendor=0x1A86, product=0x7523, serial="S1", location="1-1.1")
TWO = UsbPort(device="/dev/ttyUSB1", vendor=0x1A86, product=0x7523, serial="S2", location="1-1.2")
BARE = UsbPort(device="/dev/ttyUSB2", vendor=0x0403, product=0x6001, location="1-2")


@pytest.mark.parametrize(
    "name", ["/dev/ttyS0", "COM3", "socket://shop-floor:4001", "rfc2217://shop-floor:4001"]
)
def test_paths_and_urls_stand_for_themselves(name: str) -> None:
    assert resolve(name, lambda: [ONE]) == name


@pytest.mark.parametrize(
    ("name", "device"),
    [("usb:1a86:7523:S2", TWO.device), ("usb:1A86:7523:S1", ONE.device), ("usb:403:6001", BARE.device)],
)
def test_a_usb_identity_finds_its_device(name: str, device: str) -> None:
    assert resolve(name, lambda: [ONE, TWO, BARE]) == device


@pytest.mark.parametrize(
    ("name", "complaint"),
    [
        ("usb:1a86:7523", "more than one USB port fits: usb:1a86:7523:S1 on /dev/ttyUSB0, usb:1a86:7523:S2"),
        ("usb:1a86:7523:S3", "no such USB port is plugged in; there are: usb:1a86:7523:S1 on /dev/ttyUSB0"),
    ],
)
def test_none_or_two_are_refused_with_what_is_there(name: str, complaint: str) -> None:
    with pytest.raises(PortNotFound, match=complaint):
        resolve(name, lambda: [ONE, TWO, BARE])


def test_a_usb_identity_that_is_none_says_how_it_is_written() -> None:
    with pytest.raises(PortNotOpened, match="expected usb:vendor:product"):
        Port("indicator", "usb:xyz", PortSettings())


def test_with_a_serial_number_it_is_found_on_any_socket_under_any_name() -> None:
    marks = marks_of("/dev/ttyUSB0", "/dev/ttyUSB0", lambda: [ONE, TWO])
    moved = replace(ONE, device="/dev/ttyUSB7", location="3-4")
    assert find_again(marks, lambda: [TWO, moved]) == "/dev/ttyUSB7"


def test_another_instrument_under_the_old_name_is_not_taken_for_it() -> None:
    marks = marks_of("/dev/ttyUSB0", "/dev/ttyUSB0", lambda: [ONE, TWO])
    with pytest.raises(PortNotFound, match="usb:1a86:7523:S1 is not plugged in"):
        find_again(marks, lambda: [replace(TWO, device="/dev/ttyUSB0")])


def test_without_a_serial_number_only_the_same_socket_counts() -> None:
    marks = marks_of("/dev/ttyUSB2", "/dev/ttyUSB2", lambda: [BARE])
    assert find_again(marks, lambda: [replace(BARE, device="/dev/ttyUSB9")]) == "/dev/ttyUSB9"
    with pytest.raises(PortNotFound, match=r"plug it into the same socket \(1-2\)"):
        find_again(marks, lambda: [replace(BARE, location="1-3")])


def test_a_serial_number_that_two_adapters_share_is_none() -> None:
    twin = replace(TWO, serial="S1")
    marks = marks_of("/dev/ttyUSB0", "/dev/ttyUSB0", lambda: [ONE, twin])
    with pytest.raises(PortNotFound, match="same socket"):
        find_again(marks, lambda: [twin])  # only the other one is there yet
    assert find_again(marks, lambda: [twin, replace(ONE, device="/dev/ttyUSB5")]) == "/dev/ttyUSB5"


def test_a_port_that_is_not_on_usb_is_known_by_its_name() -> None:
    marks = marks_of("/dev/ttyS0", "/dev/ttyS0", lambda: [ONE])
    assert marks == Marks(name="/dev/ttyS0")
    assert find_again(marks, lambda: [ONE]) == "/dev/ttyS0"
    assert marks_of("socket://a:1", "socket://a:1", lambda: [ONE]).usb is None


def test_the_systems_own_list_has_the_shape_of_ours() -> None:
    assert all(port.device and 0 <= port.vendor <= 0xFFFF for port in usb_ports())


def test_an_adapter_that_comes_back_as_another_device_goes_on(tmp_path: Path) -> None:
    with FaultyPeer(tmp_path, "ttyUSB0") as before, FaultyPeer(tmp_path, "ttyUSB1") as after:
        plugged = [replace(ONE, device=before.name)]
        name = "usb:1a86:7523:S1"
        with Port("indicator", name, PortSettings(), backoff=QUICK, listing=lambda: plugged) as port:
            before.say(b"before")
            assert joined(take_bytes(port, 6)) == b"before"
            plugged.clear()
            before.unplug()
            take_until_break(port)
            plugged.append(replace(ONE, device=after.name, location="9-9"))
            wait_back(port, 1)
            after.say(b"after")
            assert joined(take_bytes(port, 5)) == b"after"


@given(st.lists(st.floats(0.0, 1.0, exclude_max=True), min_size=12, max_size=12))
def test_waits_grow_to_the_cap_and_never_past_it(chances: list[float]) -> None:
    drawn = iter(chances)
    waits = Backoff(first_s=0.1, most_s=2.0, chance=lambda: next(drawn)).waits()
    limits = [min(0.1 * 2.0**attempt, 2.0) for attempt in range(12)]
    for limit, chance in zip(limits, chances, strict=True):
        wait = next(waits)
        assert wait == pytest.approx(limit * (0.5 + 0.5 * chance))
        assert limit / 2.0 <= wait <= limit


@pytest.mark.parametrize(("first_s", "most_s", "growth"), [(0.0, 1.0, 2.0), (2.0, 1.0, 2.0), (0.1, 1.0, 0.5)])
def test_waits_that_cannot_work_are_refused(first_s: float, most_s: float, growth: float) -> None:
    with pytest.raises(ValueError, match="waits must be positive"):
        Backoff(first_s=first_s, most_s=most_s, growth=growth)
