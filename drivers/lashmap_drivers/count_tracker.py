"""From the counts of a board to an angle without end: wrap-around undone, index pulse checked.

A wrapped count tells the turns only while it is followed closely. After a jump of more than a quarter of its
range, or a gap in which it may have gone on by half of it, nobody knows how often it went round: from there
on no count is given, and `marks` say ``lost count``. How far it may have gone in a gap is the decoder's to
say, which knows the times. A count that does not wrap loses nothing by a gap.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass

from lashmap_drivers.parser import LOST_COUNT

INDEX_SLIP = "index slip"
JUMPS_TO_BELIEVE = 3  # a lone jump is a glitch on the wire; this many in a row are a real one


@dataclass(frozen=True)
class Sample:
    """One count as it stood on the wire.

    Attributes:
        count: As sent.
        index: The index pulse has passed since the previous sample.
        index_count: Count latched at the latest index pulse; None when the board latches none.
    """

    count: int
    index: bool = False
    index_count: int | None = None


@dataclass(frozen=True, kw_only=True)
class Counting:
    """How a board counts.

    Attributes:
        wraps_at: Number of different counts before it starts again; None when it never does.
        counts_per_turn: Needed to check the index.
        direction: −1 turns the count around.
        zero_at_index: Counts are given from the first index pulse on, which becomes zero.
        index_width: Counts by which the index may seem to move: the width of its pulse, and the play between
            both directions of travel.
    """

    wraps_at: int | None = None
    counts_per_turn: int | None = None
    direction: int = 1
    zero_at_index: bool = False
    index_width: int = 4


class CountTracker:
    """Follows one counter.

    Args:
        counting: How it counts.
        marks: Where lost counts and index slips are noted.
    """

    def __init__(self, counting: Counting, marks: Counter[str]) -> None:
        self._counting = counting
        self._marks = marks
        self._last_raw: int | None = None
        self._total = 0
        self._lost = False
        self._jumps = 0
        self._latched: int | None = None
        self._index: int | None = None  # where it passed first, in unwrapped counts
        self._first: int | None = None  # the first count of all
        self._passes = 0  # of the index at its place, after the first
        self._passed_at = 0  # the last of them

    def follow(self, sample: Sample) -> float:
        """The count without wrap-around; nan when it is not known."""
        before = self._total
        if not self._advance(sample.count):
            return math.nan
        self._watch_index(sample, before)
        if self._lost or (self._counting.zero_at_index and self._index is None):
            return math.nan
        zero = self._index if self._counting.zero_at_index and self._index is not None else 0
        return float(self._counting.direction * (self._total - zero))

    @property
    def index_passes(self) -> int:
        """How often the index came back to its place; 0 when it did not come in each turn.

        A count that kept its place all along passes it in each turn: the first time within one of where it
        began, the last within one of where it is.
        """
        per_turn = self._counting.counts_per_turn
        if per_turn is None or self._index is None or self._first is None or self._marks[INDEX_SLIP]:
            return 0
        near = per_turn + self._counting.index_width
        known = abs(self._index - self._first) <= near and abs(self._total - self._passed_at) <= near
        return self._passes if known and not self._lost else 0

    def unseen(self, most: float) -> bool:
        """No sample came while the shaft may have turned by ``most`` counts; true when the count is lost."""
        wraps_at = self._counting.wraps_at
        if wraps_at is not None and self._last_raw is not None and 2.0 * most >= wraps_at:
            self._lose()
        return self._lost

    def _advance(self, raw: int) -> bool:
        """Go to a new count; False when it is too far to be believed."""
        if self._last_raw is None or self._counting.wraps_at is None:
            self._total = raw
            self._first = raw if self._first is None else self._first
        else:
            step = nearest(raw - self._last_raw, self._counting.wraps_at)
            # After a jump only a return to about where it was shows that the jump was wrong, not the count.
            if abs(step) > self._counting.wraps_at // 4 // (self._jumps + 1):
                self._jumps += 1
                if self._jumps >= JUMPS_TO_BELIEVE:
                    self._lose()
                return False
            self._total += step
        self._jumps = 0
        self._last_raw = raw
        return True

    def _lose(self) -> None:
        if not self._lost:
            self._marks[LOST_COUNT] += 1
        self._lost = True

    def _watch_index(self, sample: Sample, before: int) -> None:
        if sample.index_count is not None:
            passed = self._latched is not None and sample.index_count != self._latched
            self._latched = sample.index_count
            if passed:
                step = sample.index_count - sample.count
                wraps_at = self._counting.wraps_at
                at = self._total + (step if wraps_at is None else nearest(step, wraps_at))
                self._index_passed(at, at)
        elif sample.index:
            self._index_passed(min(before, self._total), max(before, self._total))

    def _index_passed(self, low: int, high: int) -> None:
        width = self._counting.index_width
        if self._index is None:
            if high - low <= width:  # turned slowly enough to say where it is
                self._index = (low + high) // 2
            return
        per_turn = self._counting.counts_per_turn
        if per_turn is None:
            return
        middle = (low + high) / 2.0
        off = nearest(round(middle) - self._index, per_turn)
        if abs(off) > width + (high - low + 1) // 2:
            self._marks[INDEX_SLIP] += 1
        elif high - low <= per_turn // 4:  # a pulse that lies anywhere in a turn proves nothing
            self._passes += 1
            self._passed_at = round(middle)


def nearest(step: int, period: int) -> int:
    """The step of least size that differs from this one by whole periods."""
    return (step + period // 2) % period - period // 2
