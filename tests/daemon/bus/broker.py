"""A real Mosquitto on a loopback port, with a configuration of its own, to be killed and restarted."""

from __future__ import annotations

import getpass
import itertools
import os
import signal
import socket
import subprocess
import time
from pathlib import Path

import pytest
from tools import tool

_PLAIN = "allow_anonymous true\nset_tcp_nodelay true\n"


def mosquitto() -> str:
    """The broker."""
    return tool("mosquitto")


_OF_OURS = itertools.count()


def free_port() -> int:
    """A port that nobody listens on, and nobody takes meanwhile.

    Not one of those that the system gives to whoever asks for any (ip(7), ip_local_port_range), and each
    worker of the tests has its own thousand: a broker that was away finds its port free when it comes back.
    """
    worker = int(os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw")) % 16
    for _ in range(1000):
        port = 16_000 + 1000 * worker + (os.getpid() + next(_OF_OURS)) % 1000
        with socket.socket() as probe:
            probe.setsockopt(
                socket.SOL_SOCKET, socket.SO_REUSEADDR, 1
            )  # as a broker does: old ends may linger
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
        return port
    raise AssertionError("no port is free")


class Broker:
    """One broker; `start` after `kill` begins anew on the same port with what it had saved.

    Args:
        folder: Its own.
        settings: Lines of its configuration besides the listener and where it saves.
        listener: Lines that belong to the listener.
        keep: True to save every change at once.
        port: Where it listens; any free one when None.
    """

    def __init__(
        self,
        folder: Path,
        settings: str = _PLAIN,
        *,
        listener: str = "",
        keep: bool = False,
        port: int | None = None,
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._program = mosquitto()
        self.port = port or free_port()
        self._settings = folder / "mosquitto.conf"
        self.log = folder / "mosquitto.log"
        saving = f"persistence {'true' if keep else 'false'}\npersistence_location {folder}/\n"
        if keep:
            saving += "autosave_interval 1\nautosave_on_changes true\n"
        self._settings.write_text(
            # Started by root it would become another user, who may not read a test's folder.
            f"user {getpass.getuser()}\nlistener {self.port} 127.0.0.1\n{listener}{settings}{saving}"
        )
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"mqtt://127.0.0.1:{self.port}"

    def start(self) -> None:
        """Start it and wait until it takes connections."""
        # Mosquitto tells a service manager that it is up, and waits until the manager has room for the word.
        environment = {name: value for name, value in os.environ.items() if name != "NOTIFY_SOCKET"}
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                [self._program, "-c", str(self._settings)],
                stdout=log,
                stderr=log,
                env=environment,
                start_new_session=True,
            )
        deadline_s = time.monotonic() + 60.0
        while time.monotonic() < deadline_s and self._process.poll() is None:
            try:
                socket.create_connection(("127.0.0.1", self.port), 1.0).close()
            except OSError:
                time.sleep(0.005)
            else:
                return
        pytest.fail(f"the broker did not start: {self.log.read_text(errors='replace')[-2000:]}")

    def kill(self, how: signal.Signals = signal.SIGKILL) -> None:
        """End it as a power cut would, or in another way."""
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(60.0)
            self._process = None

    def freeze(self) -> None:
        """It holds its connections and answers nothing."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)
