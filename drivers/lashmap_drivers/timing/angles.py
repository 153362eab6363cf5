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

import numpy as np

from lashmap_drivers.errors import BEYOND, JUMPED, LOST_COUNT
from lashmap_drivers.readings import Floats

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
        """No sample came while the shaft may have turned by ``most`` counts; true when that loses it."""
        wraps_at = self._counting.wraps_at
        if wraps_at is None or self._last_raw is None or 2.0 * most < wraps_at:
            return False
        self._lose()
        return True

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


class Counted:
    """A parser that follows a count; goes before the parser among the bases of a class."""

    _tracker: CountTracker

    @property
    def index_passes(self) -> int:
        """As `CountTracker.index_passes`."""
        return self._tracker.index_passes

    def unseen(self, most: float) -> bool:
        """As `CountTracker.unseen`."""
        return self._tracker.unseen(most)


def nearest(step: int, period: int) -> int:
    """The step of least size that differs from this one by whole periods."""
    return (step + period // 2) % period - period // 2


# How far a shaft can have turned from sample to sample, and what an angle that begins again says then.
#
# No gear at a stand turns quicker than `FASTEST_DEG_S`, and no pinion with it. One rule for every encoder,
# be it in degrees or counts, wrapped or not, on whichever shaft: a step that would need more is not
# believed. A lone one is a glitch on the wire and is left out; when the angle does not come back, the
# encoder has jumped (`AngleTurns.jump`), and no angle is given any more, since every tooth named by it
# would be a wrong one.
#
# An angle in degrees that begins again is followed from sample to sample, as long as they come closely.
# Nobody knows the turn after a longer stretch without one than that speed would need for half of the range.
# An angle that is said to go on, but goes by half a turn between close samples, begins again and its
# profile does not say so. The turns of a count are its parser's (`timing.angles`), which knows no times.


# Ten turns a second of an encoder's shaft. By hand or on a slow drive a gear makes two at most, a pinion five
# times as many on the steepest usual set (common practice, no source).
FASTEST_DEG_S = 3600.0
CLOSE_S = 0.2  # further apart, samples tell nothing about what lay between them
_PER_DEG = 1e6  # six decimals and ten digits before them are whole numbers exactly
# Times may be squeezed together where a clock was set right, and 50 ms of samples be missing unseen.
_SLACK_DEG = 45.0
_HALF_TURN_DEG = 180.0


@dataclass(frozen=True, kw_only=True)
class Jump:
    """A step that no shaft makes.

    Attributes:
        step_deg: How far, in degrees of the encoder's shaft; of a wrapped angle the shorter way.
        wait_s: In what time, in seconds.
    """

    step_deg: float
    wait_s: float


class AngleTurns:
    """Follows the angle of one encoder.

    Args:
        wraps_at_deg: After which it begins again; None when it goes on.
        marks: Where is noted that it could not be followed.
        in_degrees: The encoder sends degrees, which may begin again though nobody says so; counts do not.

    Attributes:
        jump: The first of the steps for which the angle is not believed any more; None while it is, and when
            it was lost by a gap.
    """

    def __init__(self, wraps_at_deg: float | None, marks: Counter[str], *, in_degrees: bool = True) -> None:
        self.jump: Jump | None = None
        self._wraps_at_deg = wraps_at_deg
        self._in_degrees = in_degrees
        self._marks = marks
        self._last_deg = math.nan  # the last angle that was believed, as sent …
        self._total = 0  # … and without an end, in millionths
        self._believed_s = self._heard_s = -math.inf  # when; and when an angle came last, believed or not
        self._missing = False  # samples were, since then
        self._jumps: list[Jump] = []  # since then, one after the other
        self._lost = False

    def follow(self, angle_deg: Floats, time_s: Floats) -> Floats:
        """The angles without an end.

        Args:
            angle_deg: As sent, at least one; nan where a frame carried none.
            time_s: Their times; shape as ``angle_deg``.

        Returns:
            Shape as ``angle_deg``; nan where the angle is not known.
        """
        pairs = zip(angle_deg.tolist(), time_s.tolist(), strict=True)
        if self._wraps_at_deg is not None:
            wraps_at_deg = self._wraps_at_deg
            return np.array([self._followed(one, at_s, wraps_at_deg) for one, at_s in pairs])
        first_deg = angle_deg.item(0)
        from_last_deg = 0.0 if math.isnan(self._last_deg) else abs(first_deg - self._last_deg)
        is_known = (
            from_last_deg <= _SLACK_DEG and (np.abs(angle_deg[1:] - angle_deg[:-1]) <= _SLACK_DEG).all()
        )
        if is_known and not (math.isnan(first_deg) or self._lost or self._jumps):
            self._last_deg, self._heard_s = float(angle_deg[-1]), float(time_s[-1])
            return angle_deg  # as nearly always
        return np.array([self._watched(one, at_s) for one, at_s in pairs])

    def pause(self) -> None:
        """Samples are missing from here on."""
        self._missing = True

    def _followed(self, angle_deg: float, at_s: float, wraps_at_deg: float) -> float:
        if abs(angle_deg) > wraps_at_deg:
            self._marks[BEYOND] += 1
        if self._lost or math.isnan(angle_deg) or abs(angle_deg) > wraps_at_deg:
            self._missing = True
            return math.nan
        sent = round(angle_deg * _PER_DEG)
        if math.isnan(self._last_deg):
            self._total = sent
        else:
            unseen_s, round_s = at_s - self._believed_s, wraps_at_deg / 2.0 / FASTEST_DEG_S
            if unseen_s > (round_s if self._missing or self._jumps else max(CLOSE_S, round_s)):
                self._lose(LOST_COUNT)
                return math.nan
            step = nearest(sent - round(self._last_deg * _PER_DEG), round(wraps_at_deg * _PER_DEG))
            if not self._can_turn(step / _PER_DEG, at_s, wraps_at_deg / 4.0):
                return math.nan
            self._total += step
        self._last_deg, self._believed_s, self._heard_s, self._missing = angle_deg, at_s, at_s, False
        return self._total / _PER_DEG

    def _watched(self, angle_deg: float, at_s: float) -> float:
        if self._lost or math.isnan(angle_deg):
            return math.nan
        may_begin_again = self._in_degrees and at_s - self._heard_s <= CLOSE_S
        if not math.isnan(self._last_deg) and not self._can_turn(
            angle_deg - self._last_deg, at_s, _HALF_TURN_DEG if may_begin_again else math.inf
        ):
            return math.nan
        self._last_deg, self._heard_s = angle_deg, at_s
        return angle_deg

    def _can_turn(self, step_deg: float, at_s: float, most_deg: float) -> bool:
        """Whether the shaft can have turned so far since an angle came last; after some jumps it is lost."""
        wait_s, self._heard_s = at_s - self._heard_s, at_s
        most_deg = min(most_deg, _SLACK_DEG + FASTEST_DEG_S * wait_s)
        # After jumps only a return to about where it was shows that they were wrong, and not the angle.
        if abs(step_deg) <= most_deg / (len(self._jumps) + 1):
            self._jumps.clear()
            return True
        self._jumps.append(Jump(step_deg=step_deg, wait_s=wait_s))
        if len(self._jumps) >= JUMPS_TO_BELIEVE:
            begins_again = self._in_degrees and self._wraps_at_deg is None
            self._lose(JUMPED if begins_again else LOST_COUNT)
        return False

    def _lose(self, mark: str) -> None:
        if not self._lost:
            self._marks[mark] += 1
            self.jump = self._jumps[0] if self._jumps else None
        self._lost = True
