"""The kind ``ascii line``: an instrument that sends one line of ASCII text a sample."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Annotated, Literal, Self

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from lashmap_drivers.errors import OVERLOAD
from lashmap_drivers.parser import Frames, Tally
from lashmap_drivers.ports.source import Poll, Polling
from lashmap_drivers.profile import MM_PER_UNIT, InstrumentProfile, Scale
from lashmap_drivers.readings import Floats, Integers
from lashmap_drivers.wire.checksums import Checksum
from lashmap_drivers.wire.patterns import Match, checked_groups, engine, groups_of, refuse_torn_numbers
from lashmap_drivers.wire.plain_lines import FEWEST_BYTES, fixed_reader, plain_reader

GROUPS = ("value", "sign", "unit", "status", "checked", "checksum")
LengthUnit = Literal["mm", "um", "in"]


class LinePolling(Polling):
    """How an instrument is asked for a line; ``request`` is text, control characters as TOML escapes."""

    request: Annotated[str, Field(min_length=1, max_length=64)]

    @field_validator("request")
    @classmethod
    def _is_bytes(cls, request: str) -> str:
        try:
            request.encode("latin-1")
        except UnicodeEncodeError as error:
            raise ValueError("every character must be one byte: write \\u0000 to \\u00FF") from error
        return request


class Marks(BaseModel):
    """Texts of the group ``status`` and what they mean; any other text makes a bad frame.

    Attributes:
        good: The reading is sound.
        overload: There is no reading, whatever the number says.
        low_battery: The reading is sound, the battery will not be for long.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    good: tuple[str, ...] = ()
    overload: tuple[str, ...] = ()
    low_battery: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _one_meaning_each(self) -> Self:
        texts = Counter(text for texts in (self.good, self.overload, self.low_battery) for text in set(texts))
        if twice := [text for text, meanings in texts.items() if meanings > 1]:
            raise ValueError(f"{twice[0]!r} cannot mean two things; name it once")
        return self


class LineProfile(InstrumentProfile):
    r"""An instrument that sends ASCII lines.

    The pattern is a regular expression (`lashmap_drivers.wire.patterns`) that must match a whole line without
    its terminator. Its named groups say what is what: ``value`` (required), and where the instrument has them
    ``sign``, ``unit``, ``status``, ``checksum`` and ``checked`` (what the checksum covers; all before the
    checksum when left out).

    Attributes:
        terminator: Characters that end a line.
        pattern: What a line looks like.
        decimal: Decimal point or comma.
        scale: The number on the wire times this is the value in ``unit``; for a decimal point that is not
        sent. negative: Texts of the group ``sign`` that make the value negative; any other leaves it as it
        is. units: Texts of the group ``unit`` and the unit each stands for; any other makes a bad frame.
        status: Texts of the group ``status``.
        checksum: How each line is checked.
        polling: How it is asked, when it ``sends`` only ``when asked``.
    """

    kind: Literal["ascii line"]
    unit: Literal["mm", "um", "in", "deg"] = "mm"
    terminator: Annotated[str, Field(min_length=1, max_length=4)] = "\r\n"
    pattern: Annotated[str, Field(max_length=1000)]
    decimal: Literal[".", ","] = "."
    scale: Scale = 1.0
    negative: tuple[str, ...] = ("-",)
    units: dict[str, LengthUnit] | None = None
    status: Marks | None = None
    checksum: Checksum | None = None
    polling: LinePolling | None = None

    @property
    def is_checked(self) -> bool:
        """True with a checksum."""
        return self.checksum is not None

    @property
    def expected(self) -> str:
        """The pattern of a line."""
        return self.pattern

    def poll(self) -> Poll | None:
        """The request, and a reply that is whole at its terminator."""
        return line_poll(self.polling, self.terminator)

    def make_parser(self) -> LineParser:
        """A parser of its lines."""
        return LineParser(
            self.terminator.encode("ascii"),
            self.pattern,
            decimal=self.decimal,
            scale=self.scale,
            negative=self.negative,
            unit_factors=self._unit_factors(),
            status=self._status(),
            checksum=self.checksum,
            whole_replies=self.sends == "when asked",
            in_step=self.sends != "by itself",
        )

    def _unit_factors(self) -> dict[bytes, float] | None:
        if self.units is None:
            return None
        own = MM_PER_UNIT[self.unit]
        return {text.encode("ascii"): MM_PER_UNIT[unit] / own for text, unit in self.units.items()}

    def _status(self) -> dict[bytes, str] | None:
        if self.status is None:
            return None
        meanings = {
            "": self.status.good,
            "overload": self.status.overload,
            "low battery": self.status.low_battery,
        }
        return {text.encode("ascii"): meaning for meaning, texts in meanings.items() for text in texts}

    @model_validator(mode="after")
    def _is_usable(self) -> Self:
        groups = line_groups(self.pattern, self.terminator)
        if "value" not in groups:
            raise ValueError("pattern has no group (?P<value>…), which holds the number")
        if unknown := groups - set(GROUPS):
            raise ValueError(f"pattern: unknown group {min(unknown)}; known are {', '.join(GROUPS)}")
        for group, key, given in (
            ("unit", "units", self.units),
            ("status", "status", self.status),
            ("checksum", "checksum", self.checksum),
        ):
            if (group in groups) != (given is not None):
                raise ValueError(f"the pattern's group (?P<{group}>…) and the key {key} belong together")
        refuse_torn_numbers(self.pattern, "value")
        if "sign" in groups and not self.negative:
            raise ValueError("negative: name at least one text of the group (?P<sign>…) that means minus")
        if "sign" not in groups and self.negative != ("-",):
            raise ValueError("negative: belongs to the group (?P<sign>…), which the pattern does not have")
        if "checked" in groups and self.checksum is None:
            raise ValueError("the pattern's group (?P<checked>…) needs a checksum")
        if self.checksum is not None and self.checksum.written == "binary":
            raise ValueError(
                "checksum.written: an ASCII line cannot carry binary bytes; write hex or decimal"
            )
        if self.units is not None and self.unit == "deg":
            raise ValueError("units: are units of length, but unit is 'deg'")
        texts = [
            *self.negative,
            *(self.units or ()),
            *(text for kind in _texts(self.status) for text in kind),
        ]
        if not all(text.isascii() for text in texts):
            raise ValueError("negative, units and status must be ASCII")
        check_polling(self.sends, self.polling)
        return self


def _texts(status: Marks | None) -> tuple[tuple[str, ...], ...]:
    return () if status is None else (status.good, status.overload, status.low_battery)


def line_groups(pattern: str, terminator: str) -> frozenset[str]:
    """Names of the groups of a pattern of lines that end so.

    Raises:
        ValueError: When the pattern or the terminator cannot be used.
    """
    if not terminator.isascii():
        raise ValueError("terminator must be ASCII")
    if part := set(terminator) & set("0123456789+-.,"):
        raise ValueError(f"terminator: {min(part)!r} may be part of a number and cannot end a line")
    return checked_groups(pattern)


def check_polling(sends: str, polling: Polling | None) -> None:
    """Refuse a profile whose ``sends`` and ``polling`` do not go together.

    Raises:
        ValueError: Then.
    """
    if (sends == "when asked") != (polling is not None):
        raise ValueError('sends = "when asked" and the table polling belong together')


def line_poll(polling: LinePolling | None, terminator: str) -> Poll | None:
    """The poll of an instrument whose reply is one line.

    Raises:
        ValueError: When the request holds a character beyond one byte.
    """
    if polling is None:
        return None
    ending = terminator.encode("ascii")

    def complete(reply: bytes) -> bool:
        return reply.endswith(ending)

    return Poll(
        request=polling.request.encode("latin-1"),
        interval_s=polling.interval_s,
        timeout_s=polling.timeout_s,
        complete=complete,
    )


# ASCII lines: bytes in, numbers out. Pure, bounded, and back in step at the next terminator.
#
# Whatever stands before the first terminator is thrown away: the tail of a line can look like a whole,
# wrong number. A frame that does not fit the pattern is counted and its bytes are kept for the message. The
# numbers are the same however the stream is cut into reads.
#
# Reads of plain lines are taken in one go (`lashmap_drivers.wire.plain_lines`); reads in which anything is
# odd are read line by line, with the same result.


MAX_LINE_BYTES = 256  # longer than any instrument line seen; what exceeds it is not a line
_FEWEST_READS = 16  # fewer are as quickly fed one by one


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

    def feed_reads(self, data: bytes, lengths: Integers) -> Frames:
        """Take the bytes of some reads: plain lines all at once, others read by read."""
        if len(lengths) > 1 and self._plain is not None and self._in_step and not self._whole_replies:
            frames = self._plain_reads(data, lengths)
            if frames is not None:
                return frames
        if len(lengths) < _FEWEST_READS or self._plain is None or self._whole_replies:
            return super().feed_reads(data, lengths)
        middle = len(lengths) // 2  # what is odd is mostly one line, or the beginning
        cut = int(lengths[:middle].sum())
        halves = self.feed_reads(data[:cut], lengths[:middle]), self.feed_reads(data[cut:], lengths[middle:])
        return Frames(*(np.concatenate(both) for both in zip(*halves, strict=True)))

    def _plain_reads(self, data: bytes, lengths: Integers) -> Frames | None:
        """Plain lines of some reads; None, with nothing taken, when anything needs a closer look."""
        buffer, ending = self._rest + data, len(self._terminator)
        end = buffer.rfind(self._terminator) + ending
        if end < ending or len(buffer) - end > MAX_LINE_BYTES or self._plain is None:
            return None
        whole = buffer[:end]
        numbers = self._fixed(whole) if self._fixed is not None and end >= FEWEST_BYTES else None
        if numbers is not None:
            longest = end // len(numbers)
            ends = np.arange(longest, end + 1, longest)
        else:
            lines = whole.split(self._terminator)[:-1]
            longest = max(map(len, lines)) + ending
            read = self._plain(whole, lines) if longest <= MAX_LINE_BYTES else None
            if read is None:
                return None
            numbers = np.array(read)
            ends = np.flatnonzero(np.frombuffer(whole, np.uint8) == self._terminator[-1]) + 1
        numbers = numbers if self._scale == 1.0 else numbers * self._scale
        if longest > MAX_LINE_BYTES or len(numbers) != len(ends) or not np.isfinite(numbers).all():
            return None
        counts = np.searchsorted(ends, len(self._rest) + np.cumsum(lengths), side="right")
        counts[1:] -= counts[:-1].copy()
        self.bytes_seen += len(data)
        self.good_frames += len(numbers)
        self._rest = buffer[end:]
        return Frames(numbers, counts, np.zeros(len(counts), dtype=np.int64))

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
        return self._read(found) if found is not None and self._is_right(line, found) else None

    def _read(self, found: Match) -> float | None:
        """The number of one line that matches; as `_number`."""
        if self._status is not None and (status := found[self._groups["status"]]) is not None:
            meaning = self._status.get(status)
            if meaning is None:
                return None
            if meaning:
                self.marks[meaning] += 1
            if meaning == OVERLOAD:
                return math.nan
        number = decimal(found[self._groups["value"]], comma=self._comma)
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


def decimal(text: bytes | None, *, comma: bool) -> float | None:
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
