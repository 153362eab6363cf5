"""One pseudo-terminal that an instrument speaks on, with a link to it under a name that stays.

Decided here: raw mode, whole lines only, and that an instrument which nobody listens to speaks on: what does
not fit into the terminal is dropped line by line, and counted. What is said is not decided here.
"""

from __future__ import annotations

import os
import tty
from typing import TYPE_CHECKING, Self

from lashmap_daemon.simulated_stand.settings import StandError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path
    from types import TracebackType


class Terminal:
    """An open pseudo-terminal; a context manager that closes it and takes its link away.

    Attributes:
        link: The name to open, a symbolic link to the device.
        lines_sent: Lines that went out whole.
        lines_dropped: Lines that found no room, because nobody was reading.
    """

    def __init__(self, link: Path) -> None:
        """Open a pseudo-terminal and point the link at it.

        Raises:
            StandError: When something other than an old link is in the way.
        """
        if link.exists() and not link.is_symlink():
            raise StandError(
                what=str(link), expected="nothing, or an old link of a stand", got="another file"
            )
        self.link = link
        self.lines_sent = self.lines_dropped = 0
        self._tail = b""
        # The stand keeps the instrument's side open as well: a reader that leaves and comes back changes
        # nothing, and the raw mode stays.
        self._master, self._slave = os.openpty()
        try:
            tty.setraw(self._slave)
            os.set_blocking(self._master, False)
            self._device = os.ttyname(self._slave)
            link.unlink(missing_ok=True)
            link.symlink_to(self._device)
        except BaseException:
            self._close_both()
            raise

    def __enter__(self) -> Self:
        """Return itself, already open."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the terminal."""
        self.close()

    def say(self, lines: Sequence[bytes]) -> None:
        """Send lines; those that do not fit whole are dropped, but one that has begun is finished first."""
        if self._master < 0:
            self.lines_dropped += len(lines)
            return
        self._swallow_input()
        if self._tail:
            self._tail = self._tail[self._write(self._tail) :]
            if self._tail:
                self.lines_dropped += len(lines)
                return
            self.lines_sent += 1
        room = self._write(b"".join(lines))
        for line in lines:
            if room >= len(line):
                self.lines_sent += 1
            elif room > 0:
                self._tail = line[room:]
            else:
                self.lines_dropped += 1
            room = max(0, room - len(line))

    def close(self) -> None:
        """Close the terminal, and remove the link if it is still this terminal's; once is enough."""
        if self._master < 0:
            return
        # The link first: whoever sees the hang-up finds no name to come back to.
        if self.link.is_symlink() and str(self.link.readlink()) == self._device:
            self.link.unlink()
        self._close_both()

    def _write(self, data: bytes) -> int:
        try:
            return os.write(self._master, data) if data else 0
        except BlockingIOError:
            return 0

    def _swallow_input(self) -> None:
        # These instruments take no commands; unread ones would fill the terminal.
        try:
            while os.read(self._master, 4096):
                pass
        except BlockingIOError:
            return

    def _close_both(self) -> None:
        master, slave, self._master, self._slave = self._master, self._slave, -1, -1
        os.close(master)
        os.close(slave)
