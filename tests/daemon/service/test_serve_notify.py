"""What systemd is told: read from the other end of a real datagram socket, as sd_notify(3) describes it."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from lashmap_daemon.service.notify import Notifier


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as one:
        one.bind(str(tmp_path / "notify"))
        one.settimeout(60.0)
        yield one


def test_the_words_are_those_of_the_protocol(manager: socket.socket) -> None:
    notifier = Notifier({"NOTIFY_SOCKET": manager.getsockname()})
    notifier.ready()
    notifier.status("testing 3 of\n26")
    notifier.status("testing 3 of\n26")  # said once
    notifier.alive()
    notifier.reloading()
    notifier.stopping()
    assert manager.recv(500) == b"READY=1"
    assert manager.recv(500) == b"STATUS=testing 3 of 26"
    assert manager.recv(500) == b"WATCHDOG=1"
    assert manager.recv(500).startswith(b"RELOADING=1\nMONOTONIC_USEC=")
    assert manager.recv(500) == b"STOPPING=1"


def test_the_abstract_namespace_is_written_with_an_at(tmp_path: Path) -> None:
    name = f"lashmap-{os.getpid()}-{tmp_path.name}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as one:
        one.bind(f"\0{name}")
        one.settimeout(60.0)
        Notifier({"NOTIFY_SOCKET": f"@{name}"}).ready()
        assert one.recv(100) == b"READY=1"


@pytest.mark.parametrize("named", ["", "relative", "/no/such/socket"])
def test_nobody_to_tell_is_no_failure(named: str) -> None:
    Notifier({"NOTIFY_SOCKET": named}).ready()


def test_a_manager_that_does_not_listen_delays_nobody(manager: socket.socket) -> None:
    notifier = Notifier({"NOTIFY_SOCKET": manager.getsockname()})
    for number in range(5000):  # more than any queue of datagrams holds
        notifier.status(f"status {number}")


# sd_watchdog_enabled(3): WATCHDOG_USEC in microseconds, for the process that WATCHDOG_PID names.
@pytest.mark.parametrize(
    ("environment", "expected"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "30000000"}, 30.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": str(os.getpid())}, 30.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
    ],
)
def test_the_watchdogs_time(environment: dict[str, str], expected: float | None) -> None:
    assert Notifier(environment).watchdog_s == expected
