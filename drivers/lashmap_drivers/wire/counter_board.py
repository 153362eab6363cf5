"""The kind ``counter board``: counts of an incremental encoder, as ASCII lines or as binary frames.

A board with two counters may send both in one frame, latched together. Each count has a parser of its own,
and both see the same bytes: a frame is good for both of them or for neither, so that their samples fall on
the same frames and get the same times. What is lost by one count alone (a jump, a gap) is lost by that one.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Literal, Self

from pydantic import Field, PrivateAttr, model_validator

from lashmap_drivers.parser import Frames, Parser, Tally
from lashmap_drivers.ports.source import Poll
from lashmap_drivers.profile import InstrumentProfile
from lashmap_drivers.readings import Floats, Integers
from lashmap_drivers.timing.angles import Counted, Counting, CountTracker, Sample
from lashmap_drivers.wire.ascii_line import (
    LineParser,
    LinePolling,
    check_polling,
    decimal,
    line_groups,
    line_poll,
)
from lashmap_drivers.wire.checksums import Checksum
from lashmap_drivers.wire.frames import FrameCutter, FramePolling, FrameShape
from lashmap_drivers.wire.patterns import Match, checked_groups, refuse_torn_numbers
from lashmap_drivers.wire.plain_lines import pair_reader

_GROUPS = ("count", "second_count", "index", "index_count", "checked", "checksum")


class CountShape(FrameShape):
    """Where the count stands in a binary frame.

    Attributes:
        count_at: Offset of its first byte.
        count_bytes: Its bytes.
        byte_order: Of the count.
        signed: Two's complement.
        index_at: Offset of the byte with the index flag; None when there is none.
        index_mask: Bits of that byte, any of which says that the index pulse has passed since the last frame.
        index_count_at: Offset of the count latched at the latest index pulse, of the same form as the count.
        second_count_at: Offset of the count of a second encoder, of the same form and latched together with
            the first; None when there is none.
    """

    count_at: Annotated[int, Field(ge=0)]
    count_bytes: Annotated[int, Field(ge=1, le=6)]
    byte_order: Literal["little", "big"] = "little"
    signed: bool = True
    index_at: Annotated[int, Field(ge=0)] | None = None
    index_mask: Annotated[int, Field(ge=1, le=255)] = 1
    index_count_at: Annotated[int, Field(ge=0)] | None = None
    second_count_at: Annotated[int, Field(ge=0)] | None = None

    @model_validator(mode="after")
    def _lies_inside(self) -> Self:
        ends = {
            "count_at": self.count_at + self.count_bytes,
            "index_at": 0 if self.index_at is None else self.index_at + 1,
            "index_count_at": 0 if self.index_count_at is None else self.index_count_at + self.count_bytes,
            "second_count_at": 0 if self.second_count_at is None else self.second_count_at + self.count_bytes,
        }
        if self.second_count_at is not None and abs(self.second_count_at - self.count_at) < self.count_bytes:
            raise ValueError("second_count_at: lies upon the first count (count_at, count_bytes)")
        if beyond := [key for key, end in ends.items() if end > self.length]:
            raise ValueError(f"{beyond[0]}: lies behind the end of the frame")
        return self


class CounterBoardProfile(InstrumentProfile):
    r"""A board that counts an incremental encoder.

    Either ``pattern`` (ASCII lines, with the groups ``count`` and perhaps ``second_count``, ``index``,
    ``index_count``, ``checked``, ``checksum``) or ``frame`` (binary) says what it sends. ``counts_per_turn``,
    ``direction``, ``zero`` and the index belong to the first count; of a second one the stand file has counts
    and sense.

    Attributes:
        pattern: What a line looks like without its terminator.
        terminator: Characters that end a line.
        checksum: How each line is checked.
        polling: How it is asked for a line.
        frame: Where the count stands in a binary frame.
        frame_polling: How it is asked for a frame.
        wraps_at: Number of different counts before the counter starts again. A binary count wraps at its
            width unless told otherwise, an ASCII count never.
        counts_per_turn: Of the encoder after interpolation; the stand file's figure must agree.
        direction: −1 turns the count around.
        zero: Where zero is: where the board was switched on, or at the first index pulse that passes.
        index_width: Counts by which the index may seem to move before it counts as a slip.
    """

    kind: Literal["counter board"]
    unit: Literal["count"] = "count"
    pattern: Annotated[str, Field(max_length=1000)] | None = None
    terminator: Annotated[str, Field(min_length=1, max_length=4)] = "\r\n"
    checksum: Checksum | None = None
    polling: LinePolling | None = None
    frame: CountShape | None = None
    frame_polling: FramePolling | None = None
    wraps_at: Annotated[int, Field(ge=16, le=2**48)] | None = None
    counts_per_turn: Annotated[int, Field(gt=0)] | None = None
    direction: Literal[1, -1] = 1
    zero: Literal["power-up", "index"] = "power-up"
    index_width: Annotated[int, Field(ge=0)] = 4
    _reads_second: bool = PrivateAttr(default=False)

    @property
    def is_checked(self) -> bool:
        """True with a checksum."""
        return (self.frame or self).checksum is not None

    @property
    def expected(self) -> str:
        """The pattern of a line, or the length and start of a frame."""
        if self.frame is None:
            return self.pattern or ""
        return f"frames of {self.frame.length} bytes that begin with {self.frame.start}"

    def counts_of_a_turn(self) -> int | None:
        """As the board is set."""
        return self.counts_per_turn

    def poll(self) -> Poll | None:
        """The request, and a reply that is whole at its terminator or length."""
        if self.frame is not None:
            return self.frame.poll(self.frame_polling)
        return line_poll(self.polling, self.terminator)

    def second(self) -> Self | None:
        """With its second count in the place of the first; None when its frames carry one."""
        if self.frame is None and "second_count" not in checked_groups(self.pattern or ""):
            return None
        if self.frame is not None and self.frame.second_count_at is None:
            return None
        own: dict[str, object] = {"counts_per_turn": None, "direction": 1, "zero": "power-up"}
        other = self.model_copy(update=own)
        other._reads_second = True  # noqa: SLF001 - of its own class
        return other

    def make_parser(self) -> Parser:
        """A parser of one of the counts of its lines or frames."""
        if self.frame is not None:
            return CountFrameParser(self.frame, self.counting(), self.sends, second=self._reads_second)
        return CountLineParser(self, second=self._reads_second)

    def counting(self) -> Counting:
        """How it counts."""
        width = None if self.frame is None else 1 << (8 * self.frame.count_bytes)
        return Counting(
            wraps_at=self.wraps_at if self.wraps_at is not None else width,
            counts_per_turn=self.counts_per_turn,
            direction=self.direction,
            zero_at_index=self.zero == "index",
            index_width=self.index_width,
        )

    def repeats_after(self, counts_per_turn: int) -> int | None:
        """The counter's range; a turn when zero is at the index, since it passes once in each."""
        return counts_per_turn if self.zero == "index" else self.counting().wraps_at

    @model_validator(mode="after")
    def _is_usable(self) -> Self:
        if (self.pattern is None) == (self.frame is None):
            raise ValueError("give either pattern (ASCII lines) or frame (binary frames)")
        if self.frame is not None:
            if self.checksum is not None or self.polling is not None:
                raise ValueError("with frame, write frame.checksum and frame_polling")
            check_polling(self.sends, self.frame_polling)
            self.frame.check_sends(self.sends)
            has_index = self.frame.index_at is not None or self.frame.index_count_at is not None
        else:
            if self.frame_polling is not None:
                raise ValueError("with pattern, write polling instead of frame_polling")
            check_polling(self.sends, self.polling)
            has_index = self._check_pattern(self.pattern or "")
        if self.zero == "index" and not has_index:
            raise ValueError("zero: is at the index, but nothing on the wire tells the index")
        return self

    def _check_pattern(self, pattern: str) -> bool:
        groups = line_groups(pattern, self.terminator)
        if "count" not in groups:
            raise ValueError("pattern has no group (?P<count>…), which holds the count")
        if unknown := groups - set(_GROUPS):
            raise ValueError(f"pattern: unknown group {min(unknown)}; known are {', '.join(_GROUPS)}")
        if ("checksum" in groups) != (self.checksum is not None):
            raise ValueError("the pattern's group (?P<checksum>…) and the key checksum belong together")
        if self.checksum is not None and self.checksum.written == "binary":
            raise ValueError(
                "checksum.written: an ASCII line cannot carry binary bytes; write hex or decimal"
            )
        for number in groups & {"count", "second_count"}:
            refuse_torn_numbers(pattern, number)
        return bool(groups & {"index", "index_count"})


class CountLineParser(Counted, LineParser):
    """Reads counts from ASCII lines.

    Args:
        profile: What they look like.
        second: Give the second count of a line.
    """

    def __init__(self, profile: CounterBoardProfile, *, second: bool = False) -> None:
        own = "second_count" if second else "count"
        pattern = (profile.pattern or "").replace(f"(?P<{own}>", "(?P<value>")
        super().__init__(
            profile.terminator.encode("ascii"),
            pattern,
            checksum=profile.checksum,
            whole_replies=profile.sends == "when asked",
            in_step=profile.sends != "by itself",
        )
        counting = profile.counting()
        self._wraps_at = counting.wraps_at
        self._tracker = CountTracker(counting, self.marks)
        self._other = self._groups.get("count" if second else "second_count")
        self._has_index = bool(self._groups.keys() & {"index", "index_count"})
        self._sees_index = self._has_index and not second
        self._is_plain = counting.wraps_at is None and not self._sees_index
        if self._is_plain:
            self._scale = float(counting.direction)
        self._samples: list[Sample] = []
        may_be_broken = re.search("[.Ee]", pattern.replace("(?P<value>", "")) is not None
        if may_be_broken or self._has_index or self._other is not None or not self._is_plain:
            self._plain = self._fixed = None  # each line must be looked at: a count is a whole number
        if self._other is not None and profile.checksum is None:
            terminator = profile.terminator.encode("ascii")
            self._plain = pair_reader(profile.pattern or "", terminator, own, below=counting.wraps_at)

    def feed(self, data: bytes) -> list[float] | Floats:
        """Take the next bytes; return unwrapped counts, nan while they are not known."""
        self._samples.clear()
        counts = super().feed(data)
        if self._is_plain:
            return counts
        if not self._sees_index:
            return [self._tracker.follow(Sample(int(count))) for count in counts]
        samples = self._samples[-len(counts) :] if counts else []
        return [self._tracker.follow(sample) for sample in samples]

    def feed_reads(self, data: bytes, lengths: Integers) -> Frames:
        """As `LineParser.feed_reads`; counts that are followed one by one are read so."""
        if self._is_plain:
            return super().feed_reads(data, lengths)
        return Tally.feed_reads(self, data, lengths)

    def _read(self, found: Match) -> float | None:
        count = super()._read(found)
        if count is None or not self._can_be(count):
            return None
        if self._other is not None and not self._can_be(decimal(found[self._other], comma=False)):
            return None
        if self._has_index:
            sample = _sample(int(count), found, self._groups)
            if sample is None:
                return None
            self._samples.append(sample)
        return count

    def _can_be(self, count: float | None) -> bool:
        """Whether the board can count so; if not, the line or the profile is wrong."""
        if count is None or not count.is_integer():
            return False
        return self._wraps_at is None or abs(count) < self._wraps_at


def _sample(count: int, found: Match, groups: Mapping[str, int]) -> Sample | None:
    index = found[groups["index"]] if "index" in groups else None
    latched = found[groups["index_count"]] if "index_count" in groups else None
    try:
        return Sample(
            count,
            index=bool(index and index.strip() not in {b"", b"0"}),
            index_count=None if latched is None else int(latched),
        )
    except ValueError:
        return None


class CountFrameParser(Counted, FrameCutter[Sample]):
    """Reads counts from binary frames.

    Args:
        shape: Where the count stands.
        counting: How the board counts.
        sends: As in `FrameCutter`.
        second: Give the second count of a frame.
    """

    def __init__(self, shape: CountShape, counting: Counting, sends: str, *, second: bool = False) -> None:
        wraps_at = counting.wraps_at
        own_at, other_at = shape.count_at, shape.second_count_at
        if second and other_at is not None:
            own_at, other_at = other_at, own_at

        def number(frame: bytes, at: int) -> int:
            return int.from_bytes(frame[at : at + shape.count_bytes], shape.byte_order, signed=shape.signed)

        def can_be(count: int) -> bool:
            return wraps_at is None or abs(count) < wraps_at

        def read(frame: bytes) -> Sample | None:
            count = number(frame, own_at)
            if not can_be(count) or (other_at is not None and not can_be(number(frame, other_at))):
                return None
            if second:
                return Sample(count)
            index = shape.index_at is not None and bool(frame[shape.index_at] & shape.index_mask)
            latched = None if shape.index_count_at is None else number(frame, shape.index_count_at)
            return Sample(count, index=index, index_count=latched)

        super().__init__(shape, read, sends)
        self._tracker = CountTracker(counting, self.marks)

    def feed(self, data: bytes) -> list[float]:
        """Take the next bytes; return unwrapped counts, nan while they are not known."""
        return [self._tracker.follow(sample) for sample in self.cut(data)]
