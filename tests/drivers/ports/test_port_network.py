"""Serial device servers: a plain socket, and a telnet port whose far side is pyserial's own server code."""

from __future__ import annotations

import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
import serial
from drivers.port_help import (
    PATIENCE_S,
    QUICK,
    joined,
    open_descriptors,
    take_bytes,
    take_until_break,
    wait_back,
)
from lashmap_drivers.errors import PortNotOpened
from lashmap_drivers.ports.link import Link
from lashmap_drivers.ports.port import Port
from lashmap_drivers.ports.source import PortSettings
from serial.rfc2217 import PortManager
from tools import tool

LINES = b"".join(b"%+08.3f\r\n" % (0.001 * number) for number in range(2000))


class Server:
    """A device server for one client at a time."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]

    def accept(self) -> socket.socket:
        self._listener.settimeout(60.0)
        connection, _ = self._listener.accept()
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return connection

    def close(self) -> None:
        self._listener.close()


@pytest.fixture
def server() -> Iterator[Server]:
    server = Server()
    yield server
    server.close()


def test_a_socket_brings_bytes_and_comes_back(server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    sent = threading.Event()
    drop_stale = Link._drop_stale

    def once_sent(link: Link) -> None:
        assert sent.wait(PATIENCE_S)
        drop_stale(link)

    before = open_descriptors()
    with Port("indicator", f"socket://127.0.0.1:{server.port}", PortSettings(), backoff=QUICK) as port:
        with server.accept() as connection:
            connection.sendall(LINES + b"+0.1")
            assert joined(take_bytes(port, len(LINES) + 4)) == LINES + b"+0.1"
            monkeypatch.setattr(Link, "_drop_stale", once_sent)
        assert take_until_break(port)[-1].is_break
        with server.accept() as connection:
            connection.sendall(b"kept for nobody\r\n")  # sent before anyone could have asked for it
            sent.set()
            wait_back(port, 1)
            connection.sendall(LINES)
            assert joined(take_bytes(port, len(LINES))) == LINES
    assert open_descriptors() <= before


def test_what_was_kept_is_dropped_by_one_who_was_held_up(
    server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        "lashmap_drivers.ports.link._SETTLE_S", 0.0
    )  # over before it is looked for the first time
    serial_for_url = serial.serial_for_url

    def connection_of(*words: Any, **more: Any) -> Any:  # noqa: ANN401 - as pyserial's
        port = serial_for_url(*words, **more)
        opened = port.open

        def open_and_wait() -> None:
            opened()
            accepted.append(server.accept())
            accepted[0].sendall(b"kept for nobody\r\n")

        port.open = open_and_wait  # type: ignore[method-assign]
        return port

    accepted: list[socket.socket] = []
    monkeypatch.setattr(serial, "serial_for_url", connection_of)
    with Port("indicator", f"socket://127.0.0.1:{server.port}", PortSettings(), backoff=None) as port:
        accepted[0].sendall(b"+0.1\r\n")
        assert joined(take_bytes(port, 6)) == b"+0.1\r\n"
        accepted[0].close()


def test_a_server_that_is_not_there_is_named(server: Server) -> None:
    server.close()
    with pytest.raises(PortNotOpened, match=f"socket://127.0.0.1:{server.port}") as caught:
        Port("indicator", f"socket://127.0.0.1:{server.port}", PortSettings())
    assert "refused" in str(caught.value)


@contextmanager
def telnet_server(server: Server, wire: Any) -> Iterator[None]:  # noqa: ANN401 - its class is pyserial's secret
    """An RFC 2217 server in front of a serial port."""
    stop = threading.Event()

    def serve() -> None:
        with server.accept() as connection:
            connection.settimeout(0.01)

            class Writer:
                def write(self, data: bytes) -> None:
                    connection.sendall(data)

            manager = PortManager(wire, Writer())  # type: ignore[arg-type]  # the stubs ask for a port
            while not stop.is_set():
                with suppress(TimeoutError):
                    heard = connection.recv(1024)
                    if not heard:
                        break
                    wire.write(b"".join(manager.filter(heard)))
                if wire.in_waiting:
                    connection.sendall(b"".join(manager.escape(wire.read(wire.in_waiting))))

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # in pyserial's own telnet client
def test_a_telnet_port_is_set_up_and_read(server: Server) -> None:
    # Bytes of value 255 are doubled on the wire (RFC 854) and must come out single.
    sent = LINES[:2000] + bytes([255, 254, 255, 255, 0]) * 10
    settings = PortSettings(baud=19200, parity="even", stop_bits=2, dtr=False)
    with serial.serial_for_url("loop://", timeout=1.0) as wire:
        with (
            telnet_server(server, wire),
            Port("encoder", f"rfc2217://127.0.0.1:{server.port}?timeout=60", settings, backoff=None) as port,
        ):
            wire.write(sent)
            assert joined(take_bytes(port, len(sent))) == sent
        assert (wire.baudrate, wire.parity, wire.stopbits) == (19200, "E", 2)
        assert (wire.dtr, wire.rts) == (False, True)


@contextmanager
def socat(folder: Path) -> Iterator[tuple[str, str]]:
    """Two linked ports made by a program that is not ours."""
    ends = (folder / "near", folder / "far")
    command = [tool("socat"), *(f"pty,rawer,link={end}" for end in ends)]
    with subprocess.Popen(command) as process:
        deadline_s = time.monotonic() + 60.0
        while not all(end.exists() for end in ends):
            assert time.monotonic() < deadline_s
            time.sleep(0.01)
        yield str(ends[0]), str(ends[1])
        process.terminate()


def test_a_socat_pair_carries_every_byte_and_comes_back(tmp_path: Path) -> None:
    port: Port | None = None
    for turn in range(3):
        with socat(tmp_path) as (near, far), serial.Serial(far) as instrument:
            if port is None:
                port = Port("indicator", near, PortSettings(), backoff=QUICK)
            wait_back(port, turn)
            writer = threading.Thread(target=instrument.write, args=(LINES,))
            writer.start()
            assert joined(take_bytes(port, len(LINES))) == LINES
            writer.join()
        take_until_break(port)
    assert port is not None
    port.close()
