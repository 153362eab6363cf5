"""ASCII lines: bytes in, numbers out. Pure, bounded, and back in step at the next terminator.

Whatever stands before the first terminator is thrown away: the tail of a line can look like a whole, wrong
number. A frame that does not fit the pattern is counted and its bytes are kept for the message. The numbers
are the same however the stream is cut into reads.

A chunk of many plain lines is read in one go (`lashmap_drivers.plain_lines`); a chunk in which anything is
odd is read line by line, with the same result.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from lashmap_drivers.checksums import Checksum
from lashmap_drivers.fixed_lines import FEWEST_BYTES
from lashmap_drivers.parser import OVERLOAD, Tally
from lashmap_drivers.pattern import Match, engine, groups_of
from lashmap_drivers.plain_lines import fixed_reader, plain_reader
from lashmap_drivers.readings import Floats, Integers

MAX_LINE_BYTES = 256  # longer than any instrument line seen; what exceeds it is not a line


class LineParser(Tally):
    """Cuts a byte stream into lines and takes the number out of each.

    Args:
        terminator: Bytes that end a line.
        pattern: Must match the whole line without its terminator; its group ``value`` holds the number.
        decimal: Decimal point or comma.
        scale: Factor on every number.
        negative: Texts of the group ``sign`` that turn the number around.
        unit_factors: Factor for each text of the group ``unit``; None when there is no such group.
        status: Meaning of each text of the group ``status``: empty, ``overload`` or ``low battery``.
        checksum: How the group ``checksum`` is checked against ``checked``, or all before it.
        whole_replies: Every feed is one whole reply: lines never span two, and the last one is the answer.
        in_step: The stream begins with a whole line.
    """

    def __init__(
        self,
        terminator: bytes,
        pattern: str,
        *,
        decimal: str = ".",
        scale: float = 1.0,
        negative: Sequence[str] = ("-",),
        unit_factors: Mapping[bytes, float] | None = None,
        status: Mapping[bytes, str] | None = None,
        checksum: Checksum | None = None,
        whole_replies: bool = False,
        in_step: bool = False,
    ) -> None:
        super().__init__()
        compiled = engine(pattern.encode("ascii"))
        self._match = compiled.fullmatch
        self._groups = groups_of(compiled)
        self._terminator = terminator
        self._comma = decimal == ","
        self._scale = scale
        self._negative = frozenset(text.encode("ascii") for text in negative)
        self._unit_factors = unit_factors
        self._status = status
        self._checksum = checksum
        self._compute = checksum.compute() if checksum is not None else None
        self._plain = plain_reader(pattern, terminator, decimal=decimal)
        self._fixed = None if whole_replies else fixed_reader(pattern, terminator, decimal=decimal)
        self._whole_replies = whole_replies
        self._begins_whole = self._in_step = in_step or whole_replies
        self._rest = b""

    def feed(self, data: bytes) -> list[float] | Floats:
        """Take the next bytes, in pieces of any size; return the numbers of the lines they complete."""
        self.bytes_seen += len(data)
        buffer = self._rest + data
        columns = self._by_columns(buffer)
        numbers = self._by_lines(buffer) if columns is None else columns
        if self._whole_replies:
            return self._answer(list(numbers))
        # A terminator may have come in part: that does not make the line longer.
        if len(self._rest) > MAX_LINE_BYTES + len(self._terminator) - 1:
            self._overflow()
        return numbers

    def feed_many(self, data: bytes, lengths: Integers) -> tuple[Floats, Integers] | None:
        """What feeding the pieces of ``data`` one by one gives, when all of it is plain lines.

        Args:
            data: The pieces, one after the other.
            lengths: Shape (n,), bytes of each piece.

        Returns:
            Numbers of all lines, and how many lines each piece completes, shape (n,). None, with nothing
            taken, when anything needs a closer look: then the pieces are to be fed.
        """
        buffer = self._rest + data
        end = buffer.rfind(self._terminator) + len(self._terminator)
        plain = self._in_step and not self._whole_replies
        if not plain or end < len(self._terminator) or len(buffer) - end > MAX_LINE_BYTES:
            return None
        whole = buffer[:end]
        numbers = self._fixed(whole) if self._fixed is not None else None
        if numbers is not None:
            width = end // len(numbers)
            ends = np.arange(width, end + 1, width)
        else:
            ends = np.flatnonzero(np.frombuffer(whole, np.uint8) == self._terminator[-1]) + 1
        if int(np.diff(ends, prepend=0).max()) > MAX_LINE_BYTES:
            return None
        if numbers is None and self._plain is not None:
            read = self._plain(whole, whole.split(self._terminator)[:-1])
            numbers = None if read is None else np.array(read)
        if numbers is None or len(numbers) != len(ends):
            return None
        numbers = numbers if self._scale == 1.0 else numbers * self._scale
        if not np.isfinite(numbers).all():
            return None
        reached = np.searchsorted(ends, len(self._rest) + np.cumsum(lengths), side="right")
        self.bytes_seen += len(data)
        self.good_frames += len(numbers)
        self._rest = buffer[end:]
        return numbers, np.diff(reached, prepend=0)

    @property
    def reads_many(self) -> bool:
        """Whether `feed_many` can be worth a try."""
        return not self._whole_replies and (self._fixed is not None or self._plain is not None)

    def start_over(self) -> None:
        """Bytes are missing: forget the unfinished line; a stream waits for the start of the next.

        A line that is sent at the press of a button comes whole, after a break as at the beginning.
        """
        self._rest = b""
        self._in_step = self._begins_whole

    @property
    def unfinished(self) -> bytes:
        """The beginning of a line whose terminator has not come yet."""
        return self._rest

    def _by_columns(self, buffer: bytes) -> Floats | None:
        """All whole lines at once, when they are of one layout and there are many."""
        if self._fixed is None or not self._in_step or len(buffer) < FEWEST_BYTES:
            return None
        end = buffer.rfind(self._terminator)
        if end < 0:
            return None
        end += len(self._terminator)
        numbers = self._fixed(buffer[:end])
        if numbers is None:
            return None
        self._rest = buffer[end:]
        self.good_frames += len(numbers)
        return numbers if self._scale == 1.0 else numbers * self._scale

    def _by_lines(self, buffer: bytes) -> list[float]:
        *lines, self._rest = buffer.split(self._terminator)
        first = 0
        if lines and not self._in_step:
            self._in_step = True
            first = len(lines[0]) + len(self._terminator)
            lines = lines[1:]
        return self._numbers(buffer[first : len(buffer) - len(self._rest)], lines) if lines else []

    def _overflow(self) -> None:
        if self._in_step:  # out of step it is rubbish that was thrown away already
            self.reject(self._rest)
        # Keep a possible first half of the terminator, drop the rest, and wait for a line's start.
        self._rest = self._rest[-(len(self._terminator) - 1) :] if len(self._terminator) > 1 else b""
        self._in_step = False

    def _answer(self, numbers: list[float]) -> list[float]:
        if self._rest:
            self.reject(self._rest)
            self._rest = b""
        if len(numbers) > 1:  # a late reply to an earlier request: not what was asked for now
            self.bad_frames += len(numbers) - 1
            self.good_frames -= len(numbers) - 1
        return numbers[-1:]

    def _numbers(self, whole: bytes, lines: list[bytes]) -> list[float]:
        if self._plain is not None and max(map(len, lines)) <= MAX_LINE_BYTES:
            numbers = self._plain(whole, lines)
            if numbers is not None and self._scale != 1.0:
                numbers = [number * self._scale for number in numbers]
                numbers = numbers if math.isfinite(sum(numbers)) else None
            if numbers is not None:
                self.good_frames += len(numbers)
                return numbers
        numbers = []
        for line in lines:
            number = self._number(line)
            if number is None:
                self.reject(line)
            else:
                self.good_frames += 1
                numbers.append(number)
        return numbers

    def _number(self, line: bytes) -> float | None:
        """The number of one line; nan when it says that there is none, None when it is no good line."""
        found = self._match(line) if len(line) <= MAX_LINE_BYTES else None
        if found is None or not self._is_right(line, found):
            return None
        if self._status is not None and (status := found[self._groups["status"]]) is not None:
            meaning = self._status.get(status)
            if meaning is None:
                return None
            if meaning:
                self.marks[meaning] += 1
            if meaning == OVERLOAD:
                return math.nan
        number = _decimal(found[self._groups["value"]], comma=self._comma)
        if number is None:
            return None
        number *= self._scale
        if "sign" in self._groups and found[self._groups["sign"]] in self._negative:
            number = -number
        if self._unit_factors is not None:
            factor = self._unit_factors.get(found[self._groups["unit"]] or b"")
            if factor is None:
                return None
            number *= factor
        return number if math.isfinite(number) else None

    def _is_right(self, line: bytes, found: Match) -> bool:
        if self._checksum is None or self._compute is None:
            return True
        at, covers = self._groups["checksum"], self._groups.get("checked")
        written = found[at]
        if written is None:
            return False
        covered = line[: found.start(at)] if covers is None else found[covers]
        return covered is not None and self._checksum.read(written) == self._compute(covered)


def _decimal(text: bytes | None, *, comma: bool) -> float | None:
    """A number as instruments write it; what only a program would write (``1_0``, ``nan``) is none."""
    if text is None or b"_" in text:
        return None
    if comma:
        if b"." in text:
            return None
        text = text.replace(b",", b".")
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) else None
