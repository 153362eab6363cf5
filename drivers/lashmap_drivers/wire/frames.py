"""Binary frames of a fixed length, cut out of a byte stream that may begin or break anywhere.

A start mark alone does not make a frame: its bytes may stand in the middle of another. So a stream is
believed only after several frames in a row fit, and only while they fit at no other place as well; a static
reading whose bytes look like a frame boundary is refused until it moves. What is inside a frame is left to
the caller.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Generic, Literal, Self, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from lashmap_drivers.parser import Tally
from lashmap_drivers.ports.source import Poll, Polling
from lashmap_drivers.wire.checksums import Checksum

Content = TypeVar("Content")
_LOCK_FRAMES = 3  # in a row, before a stream is believed
_LONGEST_FRAME = 256


def from_hex(text: str) -> bytes:
    """Bytes written as pairs of hexadecimal digits.

    Raises:
        ValueError: When the text is something else.
    """
    try:
        return bytes.fromhex(text)
    except ValueError:
        raise ValueError(f'write bytes as pairs of hexadecimal digits, like "AA 55"; got {text!r}') from None


def _checked_hex(text: str) -> str:
    from_hex(text)
    return text


Hex = Annotated[str, AfterValidator(_checked_hex)]


class FramePolling(Polling):
    """How an instrument is asked for a frame; ``request`` in hexadecimal digits."""

    request: Annotated[Hex, Field(min_length=2, max_length=200)]


class FrameChecksum(Checksum):
    """A checksum inside a frame.

    Attributes:
        first: Offset of the first byte that it covers; it covers all from there to itself.
        at: Offset of its own first byte; negative counts from the end of the frame.
    """

    written: Literal["binary", "hex"] = "binary"
    first: Annotated[int, Field(ge=0)] = 0
    at: int

    @property
    def size(self) -> int:
        """Bytes of the checksum in the frame."""
        return self.width // (8 if self.written == "binary" else 4)


class FrameShape(BaseModel):
    """What the frames of an instrument look like from outside.

    Attributes:
        length: Bytes of a whole frame, marks and checksum included.
        start: First bytes of every frame, in hexadecimal digits.
        end: Last bytes of every frame, in hexadecimal digits.
        checksum: How the frame is checked.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    length: Annotated[int, Field(ge=1, le=_LONGEST_FRAME)]
    start: Hex = ""
    end: Hex = ""
    checksum: FrameChecksum | None = None

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if len(from_hex(self.start)) + len(from_hex(self.end)) >= self.length:
            raise ValueError("start and end leave no room in a frame of this length")
        if self.checksum is not None:
            at = self.checksum.at + (self.length if self.checksum.at < 0 else 0)
            if not self.checksum.first < at <= self.length - self.checksum.size:
                raise ValueError("checksum.at: the checksum must lie inside the frame, behind what it covers")
        return self

    def fits(self) -> Callable[[bytes], bool]:
        """The test of marks and checksum of one frame of the right length."""
        start, end, check = from_hex(self.start), from_hex(self.end), self.checksum
        if check is None:
            return lambda frame: frame.startswith(start) and frame.endswith(end)
        compute, at, first, size = check.compute(), check.at % self.length, check.first, check.size

        def whole(frame: bytes) -> bool:
            return (
                frame.startswith(start)
                and frame.endswith(end)
                and check.read(frame[at : at + size]) == compute(frame[first:at])
            )

        return whole

    def check_sends(self, sends: str) -> None:
        """Refuse frames whose boundaries nothing on the wire tells.

        Raises:
            ValueError: Then.
        """
        if sends != "when asked" and not self.start and self.checksum is None:
            raise ValueError("frame: needs a start or a checksum, or nobody could tell where a frame begins")

    def poll(self, polling: FramePolling | None) -> Poll | None:
        """The poll of an instrument whose reply is one frame."""
        if polling is None:
            return None
        length = self.length
        return Poll(
            request=from_hex(polling.request),
            interval_s=polling.interval_s,
            timeout_s=polling.timeout_s,
            complete=lambda reply: len(reply) >= length,
        )


class FrameCutter(Tally, Generic[Content]):
    """Cuts frames and reads them.

    Args:
        shape: What they look like.
        read: Content of a frame whose marks and checksum are right; None when the content cannot be.
        sends: ``by itself``: frames follow one another; ``when asked``: every feed is one whole reply; ``on
            its button``: single frames.
    """

    def __init__(self, shape: FrameShape, read: Callable[[bytes], Content | None], sends: str) -> None:
        super().__init__()
        self._length = shape.length
        self._start = from_hex(shape.start)
        self._fits = shape.fits()
        self._read = read
        self._sends = sends
        self._in_step = sends != "by itself"
        self._rest = b""

    @property
    def unfinished(self) -> bytes:
        """Bytes that wait for more before they can be judged."""
        return self._rest

    def start_over(self) -> None:
        """Bytes are missing: forget what waits, and find the frames anew."""
        self._rest = b""
        self._in_step = self._sends != "by itself"

    def cut(self, data: bytes) -> list[Content]:
        """Take the next bytes; return the contents of the frames that they complete."""
        self.bytes_seen += len(data)
        if self._sends == "when asked":
            return self._reply(data)
        buffer, place = self._rest + data, 0
        contents: list[Content] = []
        while True:
            if self._in_step:
                place = self._take_frames(buffer, place, contents)
                if self._in_step:
                    break
            found = (
                self._single(buffer, place) if self._sends == "on its button" else self._lock(buffer, place)
            )
            if found is None:
                break
            place, self._in_step = found
        self._rest = buffer[place:]
        return contents

    def _content(self, buffer: bytes, place: int) -> Content | None:
        frame = buffer[place : place + self._length]
        return self._read(frame) if self._fits(frame) else None

    def _take_frames(self, buffer: bytes, place: int, contents: list[Content]) -> int:
        while place + self._length <= len(buffer):
            content = self._content(buffer, place)
            if content is None:
                self._in_step = False
                return place
            contents.append(content)
            self.good_frames += 1
            place += self._length
        return place

    def _lock(self, buffer: bytes, place: int) -> tuple[int, bool] | None:
        """Next place and whether the stream is in step there; None when more bytes are needed."""
        if place + (_LOCK_FRAMES + 1) * self._length - 1 > len(buffer):
            return None
        fitting = [phase for phase in self._phases(buffer, place) if self._run_fits(buffer, place + phase)]
        if len(fitting) == 1:
            if fitting[0]:
                self.reject(buffer[place : place + fitting[0]])
            return place + fitting[0], True
        self.reject(buffer[place : place + self._length])
        return place + self._length, False

    def _phases(self, buffer: bytes, place: int) -> list[int]:
        if not self._start:
            return list(range(self._length))
        phases, end = [], place + self._length - 1 + len(self._start)
        at = buffer.find(self._start, place, end)
        while at >= 0:
            phases.append(at - place)
            at = buffer.find(self._start, at + 1, end)
        return phases

    def _run_fits(self, buffer: bytes, place: int) -> bool:
        return all(
            self._content(buffer, place + step * self._length) is not None for step in range(_LOCK_FRAMES)
        )

    def _single(self, buffer: bytes, place: int) -> tuple[int, bool] | None:
        """As `_lock`, for frames that stand alone: the next place at which one could begin."""
        if place + self._length > len(buffer):
            return None
        at = buffer.find(self._start, place + 1)
        if at < 0:
            at = len(buffer) - len(self._start) + 1
        self.reject(buffer[place:at])
        return at, True

    def _reply(self, reply: bytes) -> list[Content]:
        # The answer comes last: an adapter may echo the request before it.
        content = self._content(reply, len(reply) - self._length) if len(reply) >= self._length else None
        if content is None:
            if reply:
                self.reject(reply)
            return []
        self.good_frames += 1
        return [content]
