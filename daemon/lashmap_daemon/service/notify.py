"""Messages to systemd, after sd_notify(3): a datagram of ``NAME=value`` lines to the socket it named.

Only the protocol is here; the service decides what is sent. Without systemd nothing
is sent.
"""

from __future__ import annotations

import contextlib
import os
import socket
import time
from collections.abc import Mapping

from lashmap_daemon.system import HAS_LOCAL_SOCKETS

_MICROSECONDS = 1_000_000
_PATIENCE_S = 0.5  # for a message that is sent once: the queue of a busy manager may be full


class Notifier:
    """Tells the service manager how the service is.

    Attributes:
        watchdog_s: Longest time between two signs of life that it bears, in seconds; None when it does not
            watch this process.

    Args:
        environment: Of the process; ``NOTIFY_SOCKET``, ``WATCHDOG_USEC`` and ``WATCHDOG_PID`` are read.
    """

    def __init__(self, environment: Mapping[str, str]) -> None:
        self._address = _address(environment.get("NOTIFY_SOCKET", ""))
        self.watchdog_s = _watchdog_s(environment)
        self._status = ""

    def ready(self) -> None:
        """The service does its work."""
        self._send("READY=1", patience_s=_PATIENCE_S)

    def reloading(self) -> None:
        """The service reads its files again; `ready` follows."""
        self._send("RELOADING=1", f"MONOTONIC_USEC={time.monotonic_ns() // 1000}", patience_s=_PATIENCE_S)

    def stopping(self) -> None:
        """The service ends."""
        self._send("STOPPING=1", patience_s=_PATIENCE_S)

    def status(self, text: str) -> None:
        """A line for a person; sent when it changes."""
        if text != self._status:
            self._status = text
            self._send("STATUS=" + " ".join(text.split()))

    def alive(self) -> None:
        """A sign of life."""
        self._send("WATCHDOG=1")

    def _send(self, *lines: str, patience_s: float = 0.0) -> None:
        if self._address is None:
            return
        # A service manager that does not read must not stop or delay a test.
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as one:
            one.settimeout(patience_s)  # 0 is not to wait at all
            one.sendto("\n".join(lines).encode(), self._address)


def _address(named: str) -> str | None:
    if not named.startswith(("/", "@")) or not HAS_LOCAL_SOCKETS:
        return None
    return "\0" + named[1:] if named.startswith("@") else named  # sd_notify(3): @ is the abstract namespace


def _watchdog_s(environment: Mapping[str, str]) -> float | None:
    """After sd_watchdog_enabled(3): for this process alone when ``WATCHDOG_PID`` names one."""
    process = environment.get("WATCHDOG_PID", "")
    try:
        period = int(environment.get("WATCHDOG_USEC", ""))
        mine = not process or int(process) == os.getpid()
    except ValueError:
        return None
    return period / _MICROSECONDS if mine and period > 0 else None
