"""The far end of a cable that can go wrong: a pseudo-terminal whose other side breaks, garbles and hangs up.

Nothing of the package is used here, so that a fault is a fault and not what the package thinks of one.
"""

from __future__ import annotations

import contextlib
import os
import random
import select
import time
import tty
from pathlib import Path
from types import TracebackType
from typing import Self


class FaultyPeer:
    """An instrument's end of a cable, seeded.

    Attributes:
        name: What to open; stays the same over replugging, like a link that the system makes for a device.
        sent: Every byte that was put on the wire whole, in order.
    """

    def __init__(self, folder: Path, name: str = "instrument", seed: int = 1) -> None:
        self._link = folder / name
        self.name = str(self._link)
        self.sent = b""
        self._chance = random.Random(seed)  # noqa: S311 - faults, not secrets
        self._controller = -1
        self.plug_in()

    def plug_in(self) -> str:
        """Connect, on whatever device the system gives; returns its own name."""
        self.unplug()
        self._controller, terminal = os.openpty()
        tty.setraw(terminal)
        device = os.ttyname(terminal)
        os.close(terminal)
        self._link.unlink(missing_ok=True)
        self._link.symlink_to(device)
        return device

    def unplug(self) -> None:
        """Pull the cable; once is enough."""
        if self._controller >= 0:
            self._link.unlink(missing_ok=True)
            os.close(self._controller)
            self._controller = -1

    def say(self, data: bytes) -> None:
        """Send bytes, as many at a time as the terminal takes."""
        self.sent += data
        deadline_s = time.monotonic() + 60.0
        while data:
            assert time.monotonic() < deadline_s, "nobody reads"
            _, ready, _ = select.select([], [self._controller], [], 1.0)
            if ready:
                data = data[os.write(self._controller, data[:1024]) :]

    def say_split(self, data: bytes, most: int) -> None:
        """Send bytes in pieces of random length, each in a write of its own."""
        while data:
            length = self._chance.randint(1, most)
            self.say(data[:length])
            data = data[length:]

    def half_dead(self, data: bytes, share: float) -> bytes:
        """The same bytes after a bad cable: a share of them lost or with a bit turned."""
        out = bytearray()
        for byte in data:
            if self._chance.random() >= share:
                out.append(byte)
            elif self._chance.random() < 0.5:
                out.append(byte ^ (1 << self._chance.randrange(8)))
        return bytes(out)

    def noise(self, length: int) -> bytes:
        """What a wrong baud rate looks like: bytes of any value."""
        return self._chance.randbytes(length)

    def hear(self, length: int, within_s: float = 60.0) -> bytes:
        """Bytes that the other side wrote, at least ``length`` unless the time is up."""
        heard = b""
        deadline_s = time.monotonic() + within_s
        while len(heard) < length and (left_s := deadline_s - time.monotonic()) > 0.0:
            ready, _, _ = select.select([self._controller], [], [], left_s)
            if ready:
                with contextlib.suppress(OSError):  # nobody has it open yet
                    heard += os.read(self._controller, 4096)
        return heard

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.unplug()
