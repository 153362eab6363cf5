"""What every parser offers, and the tallies they share.

Parsers are pure: bytes in, numbers out, no clock and no port. They are bounded, back in step by themselves
after rubbish, and give the same numbers however the stream is cut into reads.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple, Protocol

import numpy as np

from lashmap_drivers.readings import Floats, Integers

KEEP_BAD_BYTES = 256  # of a bad frame, for the message


class Frames(NamedTuple):
    """What some reads of one instrument hold.

    Attributes:
        numbers: Shape (n,), of all frames that they complete.
        counts: Shape (reads,), how many numbers each read completes.
        missed: Shape (reads,), how many bad frames each read completes.
    """

    numbers: Floats
    counts: Integers
    missed: Integers


class Parser(Protocol):
    """Turns the bytes of one instrument into numbers in its own unit.

    Attributes:
        good_frames: Frames that were whole and right, also those that carry no reading.
        bad_frames: Frames that were not.
        bytes_seen: Bytes fed.
        last_bad: The newest bad frame as received, its first 256 bytes.
        marks: How often the instrument said something beside the number: ``overload``, ``low battery``,
            ``lost count``, and what `AngleTurns` notes.
    """

    good_frames: int
    bad_frames: int
    bytes_seen: int
    last_bad: bytes
    marks: Counter[str]

    @property
    def unfinished(self) -> bytes:
        """The beginning of a frame that has not come to its end."""

    @property
    def index_passes(self) -> int:
        """How often the index pulse came back to its place, when it did so in each turn; 0 otherwise."""

    def feed(self, data: bytes) -> Sequence[float] | Floats:
        """Take the next bytes, in pieces of any size.

        Returns:
            One number for each frame they complete, in the instrument's unit or counts; nan stands for a
            frame that is right but carries no reading (an overload), so that the stream keeps its pace.
        """

    def feed_reads(self, data: bytes, lengths: Integers) -> Frames:
        """Take the bytes of some reads, as `feed` does one read after another.

        Args:
            data: Their bytes, one after the other.
            lengths: Shape (reads,), bytes of each, none of them 0.
        """

    def start_over(self) -> None:
        """Bytes are missing from here on: forget the unfinished frame."""

    def unseen(self, most: float) -> bool:
        """The number may have changed by ``most`` while no sample came; true when that loses its count.

        Asked only of an instrument whose count begins again.
        """


class Tally:
    """Counts good and bad frames, and takes reads one by one; base of the parsers here."""

    def __init__(self) -> None:
        self.good_frames = 0
        self.bad_frames = 0
        self.bytes_seen = 0
        self.last_bad = b""
        self.marks: Counter[str] = Counter()

    def feed(self, data: bytes) -> Sequence[float] | Floats:
        """As `Parser.feed`; each parser has its own."""
        raise NotImplementedError

    def feed_reads(self, data: bytes, lengths: Integers) -> Frames:
        """As `Parser.feed_reads`."""
        found: list[Sequence[float] | Floats] = []
        missed: list[int] = []
        start = 0
        for length in lengths.tolist():
            bad_before = self.bad_frames
            found.append(self.feed(data[start : start + length]))
            missed.append(self.bad_frames - bad_before)
            start += length
        some = [np.asarray(numbers, dtype=np.float64) for numbers in found]
        numbers = some[0] if len(some) == 1 else np.concatenate(some)
        return Frames(numbers, np.array([len(one) for one in some]), np.array(missed))

    @property
    def index_passes(self) -> int:
        """None came: a parser that sees an index pulse needs it."""
        return 0

    def unseen(self, most: float) -> bool:  # noqa: ARG002 - a parser that follows a count needs it
        """A number that says all by itself loses nothing by a gap."""
        return False

    def reject(self, frame: bytes) -> None:
        """Count a bad frame and keep its bytes."""
        self.bad_frames += 1
        self.last_bad = frame[:KEEP_BAD_BYTES]
