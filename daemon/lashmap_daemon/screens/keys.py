"""Keys of a terminal, read without waiting; a note is typed on the screen's last line."""

from __future__ import annotations

import contextlib
import errno
import os
import select
import sys
import termios
import tty
from types import TracebackType
from typing import Self

COMMANDS = {"r": "repeat", "s": "skip", "m": "matched", "q": "stop"}
_NOTE_KEY = "n"
_BACKSPACES = {"\x7f", "\b"}
_ENTERS = {"\r", "\n"}
_ESCAPE = "\x1b"


class Keyboard:
    """Single keys while it is entered; the terminal is given back as it was."""

    def __init__(self) -> None:
        self._descriptor = sys.stdin.fileno()
        self._before: list[object] | None = None
        self.note: str | None = None

    def __enter__(self) -> Self:
        self._before = termios.tcgetattr(self._descriptor)
        tty.setcbreak(self._descriptor)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._before is not None:
            with contextlib.suppress(termios.error):  # a terminal that is gone wants nothing back
                termios.tcsetattr(self._descriptor, termios.TCSADRAIN, self._before)  # type: ignore[arg-type]

    def commands(self) -> list[str]:
        """Commands completed since the last call.

        Raises:
            OSError: When the terminal is gone.
        """
        found = []
        while select.select([self._descriptor], [], [], 0)[0]:
            typed = os.read(self._descriptor, 64).decode("utf-8", "ignore")
            if not typed:  # single keys have no end of input: the terminal hung up
                raise OSError(errno.EIO, "the terminal hung up")
            # Escape gives up a note; what follows it in the same read is an arrow or function key.
            plain, escape, _ = typed.partition(_ESCAPE)
            found += [command for key in plain if (command := self._key(key))]
            if escape:
                self.note = None
        return found

    def _key(self, key: str) -> str | None:
        if self.note is None:
            if key == _NOTE_KEY:
                self.note = ""
            return COMMANDS.get(key)
        if key in _ENTERS:
            text, self.note = self.note.strip(), None
            return f"note {text}" if text else None
        if key in _BACKSPACES:
            self.note = self.note[:-1]
        elif key.isprintable():
            self.note += key
        return None
