"""What was read of a test, in one digest an instrument: so that its check need not read it all again.

Reading a record back goes through every pack anyhow. When what was read is, pack by pack, what the rows say
they hold, the check has only the rows left to go through; otherwise it reads the packs itself, to name the
ones that are wrong.
"""

from __future__ import annotations

import hashlib
import sqlite3
import struct

_PACK = struct.Struct("<qQ32sdd")


class Tally:
    """Takes in the packs of one test, each instrument's in the order of their places."""

    def __init__(self) -> None:
        self._digests: dict[str, hashlib._Hash] = {}
        self._spoilt = False

    def add(self, channel: str, place: int, content: bytes, first_s: float, last_s: float) -> None:
        """A pack: its content, and its first and last arrival. Spoilt by what no pack of a good record is."""
        digest = self._digests.get(channel)
        if digest is None:
            digest = self._digests[channel] = hashlib.sha256()
        try:
            digest.update(_PACK.pack(place, len(content), content, first_s, last_s))
        except (struct.error, TypeError):
            self.spoil()

    def spoil(self) -> None:
        """A pack could not be read."""
        self._spoilt = True

    def fits(self, base: sqlite3.Connection, test: str) -> bool:
        """Every pack of the test was read, and is what its row says.

        Raises:
            sqlite3.Error: When the rows cannot be read.
        """
        said = Tally()
        for row in base.execute(
            "SELECT channel, place, content, first_s, last_s FROM raw WHERE test = ? ORDER BY place", (test,)
        ):
            said.add(*row)
        return not (self._spoilt or said._spoilt) and self._all() == said._all()

    def _all(self) -> dict[str, bytes]:
        return {channel: digest.digest() for channel, digest in self._digests.items()}
