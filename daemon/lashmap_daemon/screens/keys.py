"""Keys of a terminal, read without waiting; a note is typed on the screen's last line."""

from __future__ import annotations

from lashmap_daemon.system import SingleKeys

COMMANDS = {"r": "repeat", "s": "skip", "m": "matched", "q": "stop"}
_NOTE_KEY = "n"
_BACKSPACES = {"\x7f", "\b"}
_ENTERS = {"\r", "\n"}
_ESCAPE = "\x1b"


class Keyboard(SingleKeys):
    """Single keys while it is entered; the terminal is given back as it was."""

    def __init__(self) -> None:
        super().__init__()
        self.note: str | None = None

    def commands(self) -> list[str]:
        """Commands completed since the last call.

        Raises:
            OSError: When the terminal is gone.
        """
        found = []
        for typed in self.typed():
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
