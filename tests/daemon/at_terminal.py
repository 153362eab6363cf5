"""A person at a pseudo-terminal: starts a command, waits for what it asks, and types the answer."""

from __future__ import annotations

import codecs
import contextlib
import os
import pty
import re
import select
import signal
import subprocess
import termios
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from daemon import warm_start

_CONTROL = re.compile(r"\x1b\[[0-?]*[ -/]*[@-~]|\x1b[()][0-9A-Za-z]|\x1b[=>78]|\r")
_ROWS, _COLUMNS = 24, 200


class AtTerminal:
    """A running command and what it showed.

    Attributes:
        shown: All of it, without colours and movements of the cursor.
    """

    def __init__(self, process: warm_start.Forked, terminal: int) -> None:
        self.shown = ""
        self._process, self._terminal, self._read_to = process, terminal, 0
        self._decoder = codecs.getincrementaldecoder("utf-8")("replace")

    def wait_for(self, pattern: str, within_s: float = 120.0) -> str:
        """What was shown since the last answer, once it holds ``pattern``."""
        deadline_s = time.monotonic() + within_s
        while True:
            new = self.shown[self._read_to :]
            if re.search(pattern, new):
                return new
            assert self._take(deadline_s), f"{pattern!r} is not in\n{new[-3000:]}"

    def type(self, line: str) -> None:
        """Type a line; what was shown before is read."""
        self.press(f"{line}\n")

    def press(self, keys: str) -> None:
        """Press keys, without Enter; what was shown before is read."""
        self._read_to = len(self.shown)
        os.write(self._terminal, keys.encode())

    def interrupt(self) -> int:
        """Ctrl-C; returns the status."""
        self._process.send_signal(signal.SIGINT)
        return self.end()

    def end(self, within_s: float = 120.0) -> int:
        """Wait for its end; returns the status."""
        deadline_s = time.monotonic() + within_s
        while self._take(deadline_s):
            pass
        return self._process.wait(max(0.1, deadline_s - time.monotonic()))

    def _take(self, deadline_s: float) -> bool:
        """Read what comes next; false when it has ended or time is over."""
        left_s = deadline_s - time.monotonic()
        if left_s <= 0.0 or not select.select([self._terminal], [], [], left_s)[0]:
            return False
        try:
            data = os.read(self._terminal, 65_536)
        except OSError:  # nobody has the other end any more
            return False
        self.shown += _CONTROL.sub("", self._decoder.decode(data))
        return bool(data)


@contextmanager
def at_terminal(folder: Path, *words: str) -> Iterator[AtTerminal]:
    """A command in a session and at a terminal of its own, ended at the latest when the person leaves."""
    ours, theirs = pty.openpty()
    termios.tcsetwinsize(theirs, (_ROWS, _COLUMNS))
    environment = {**os.environ, "TERM": "xterm", "COLUMNS": str(_COLUMNS)}
    try:
        process = warm_start.Forked(words, environment, [theirs] * 3, session=True, folder=folder)
        os.close(theirs)
        try:
            yield AtTerminal(process, ours)
        finally:
            process.terminate()
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(60.0)
    finally:
        os.close(ours)
