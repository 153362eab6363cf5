"""ASCII lines: bytes in, number texts out. Pure, bounded, and back in step at the next terminator.

Whatever stands before the first terminator is thrown away: the tail of a line can look like a whole, wrong
number. A frame that does not fit the pattern is counted and its bytes are kept for the message.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

MAX_LINE_BYTES = 256  # longer than any instrument line seen; what exceeds it is not a line


class LineParser:
    """Cuts a byte stream into lines and takes one named group out of each.

    Args:
        terminator: Bytes that end a line.
        pattern: Must match the whole line without its terminator.
        group: Name of the group that holds the number.
    """

    def __init__(self, terminator: bytes, pattern: str, group: str) -> None:
        self._terminator = terminator
        self._match = re.compile(pattern.encode("ascii")).fullmatch
        self._group = group
        self._rest = b""
        self._in_step = False
        self.good_frames = 0
        self.bad_frames = 0
        self.bytes_seen = 0
        self.last_bad = b""

    def feed(self, data: bytes) -> list[float]:
        """Take the next bytes, in pieces of any size; return the numbers of the lines they complete."""
        self.bytes_seen += len(data)
        *lines, self._rest = (self._rest + data).split(self._terminator)
        if not self._in_step and lines:
            self._in_step = True
            lines = lines[1:]
        if len(self._rest) > MAX_LINE_BYTES:
            self._reject(self._rest)
            # Keep a possible first half of the terminator, drop the rest, and wait for a line's start.
            self._rest = self._rest[-(len(self._terminator) - 1) :] if len(self._terminator) > 1 else b""
            self._in_step = False
        return list(self._numbers(lines))

    @property
    def unfinished(self) -> bytes:
        """The beginning of a line whose terminator has not come yet."""
        return self._rest

    def _numbers(self, lines: Iterable[bytes]) -> Iterable[float]:
        for line in lines:
            found = self._match(line)
            if found is None:
                self._reject(line)
                continue
            try:
                number = float(found[self._group])
            except (TypeError, ValueError):  # a pattern may leave its group out, or let letters in
                number = math.nan
            if not math.isfinite(number):
                self._reject(line)
                continue
            self.good_frames += 1
            yield number

    def _reject(self, frame: bytes) -> None:
        self.bad_frames += 1
        self.last_bad = frame
