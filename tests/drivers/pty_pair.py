"""Two serial ports joined back to back, of pseudo-terminals alone: what one end writes, the other reads."""

from __future__ import annotations

import contextlib
import os
import pty
import select
import threading
import tty
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def pty_pair() -> Iterator[tuple[str, str]]:
    """Names of both ends."""
    controllers, names = [], []
    for _ in range(2):
        controller, terminal = pty.openpty()
        tty.setraw(terminal)
        controllers.append((controller, terminal))  # an end that nobody has open would read as hung up
        names.append(os.ttyname(terminal))
    wake, stop = os.pipe()
    first, second = controllers[0][0], controllers[1][0]
    relay = threading.Thread(target=_relay, args=(first, second, wake), daemon=True)
    relay.start()
    try:
        yield names[0], names[1]
    finally:
        os.close(stop)
        relay.join(timeout=60.0)
        for descriptor in (wake, *(one for pair in controllers for one in pair)):
            os.close(descriptor)


def _relay(first: int, second: int, wake: int) -> None:
    other = {first: second, second: first}
    while True:
        ready, _, _ = select.select([first, second, wake], [], [])
        if wake in ready:
            return
        for one in ready:
            with contextlib.suppress(OSError):
                os.write(other[one], os.read(one, 4096))
