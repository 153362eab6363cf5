"""The even pace of streamed angles: stamps that moved against it are put back on it, and tell how far.

An encoder that streams takes its angles at the pace of its own crystal.  What stamped them knew only when
reads brought them, and where within a sample a read finds the stream may change: after a reader was held
up, or as two crystals pass each other.  From then on all stamps lie elsewhere, by up to a sample.  At
150 mm/s a millisecond is 0.15 mm, and it stays: a step that looks like contact that was lost.  Over a whole
run such stamps leave a straight line over their number.

Decided here: what that line is, and how far stamps leave it.  Not decided here: what this does to the skew
(`cycle/estimate.py`).  **What no stamp can tell** is a pace that was wrong from beginning to end, or off by a
whole sample that looks like one that is missing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.cycle.passes import CyclePass

Floats = NDArray[np.float64]

EVEN = 0.02  # of the period: neighbours that differ by no more keep the pace
MOST_EVEN = 0.8  # of the neighbours; stamps with a scatter of their own show no pace
ROUNDS = 3
WITHIN = (0.025, 0.975)  # single reads that came late are left out
UNAMBIGUOUS = 0.1  # of the period: how well the line must be known across a pause that is counted over


@dataclass(frozen=True, kw_only=True)
class _Line:
    """Stamps of one stream, one after the other, with the number of each."""

    time_s: Floats
    number: Floats
    period_s: float

    @classmethod
    def of(cls, time_s: Floats) -> _Line | None:
        """None where stamps show no even pace."""
        apart = np.diff(time_s)
        period = float(np.median(apart)) if apart.size else 0.0
        if period <= 0.0 or np.mean(np.abs(apart - period) <= EVEN * period) < MOST_EVEN:
            return None
        # A stamp that is given twice takes no place; one that is squeezed between others takes its own.
        steps = np.where(apart > 0.0, np.maximum(np.round(apart / period), 1.0), 0.0)
        return cls(time_s=time_s, number=np.concatenate(([0.0], steps.cumsum())), period_s=period)

    def fitted(self) -> tuple[Floats, float]:
        """The straight line at each stamp, and half the range by which stamps leave it."""
        keep = np.ones(self.number.size, dtype=np.bool_)
        line = self.time_s
        for _ in range(ROUNDS):
            number, time = self.number[keep], self.time_s[keep]
            middle, when = number.mean(), time.mean()
            number = number - middle
            slope = float(number @ (time - when) / (number @ number))
            line = when + slope * (self.number - middle)
            off = np.abs(self.time_s - line)
            keep = off <= max(self.period_s, float(np.quantile(off, WITHIN[1])))
        low, high = np.quantile(self.time_s - line, WITHIN)
        return line, float(high - low) / 2

    def followed_by(self, other: _Line) -> _Line | None:
        """Both as one stream; None where the pause is too long to tell how many samples it took."""
        line, moved = self.fitted()
        slope = (line[-1] - line[0]) / self.number[-1]
        pause = other.time_s[0] - line[-1]
        if 2 * moved * pause > UNAMBIGUOUS * self.period_s * (line[-1] - line[0]):
            return None
        first = self.number[-1] + max(round(pause / slope), 1)
        return _Line(
            time_s=np.concatenate((self.time_s, other.time_s)),
            number=np.concatenate((self.number, first + other.number)),
            period_s=self.period_s,
        )


def at_even_pace(passes: Sequence[CyclePass]) -> tuple[list[CyclePass], float]:
    """Put stamps of streams on the line of their pace.

    Args:
        passes: All of a run, in any order; arrays as `advance_of` takes them.

    Returns:
        The passes, and by how much the times of one stream moved against those of the other, seconds: 0 where
        stamps show no pace. Stamps that moved by more than a sample stay as they are.
    """
    pinion, by_pinion = _evened([np.asarray(one.pinion_time_s, dtype=np.float64) for one in passes])
    gear, by_gear = _evened([np.asarray(one.gear_time_s, dtype=np.float64) for one in passes])
    evened = [
        replace(one, pinion_time_s=first, gear_time_s=second)
        for one, first, second in zip(passes, pinion, gear, strict=True)
    ]
    return evened, hypot(by_pinion, by_gear)


def _evened(times_s: list[Floats]) -> tuple[list[Floats], float]:
    """Stamps of one encoder in each pass on their lines; how far the worst of them moved."""
    evened, worst = list(times_s), 0.0
    in_time = sorted(range(len(times_s)), key=lambda number: float(times_s[number][0]))
    run: list[int] = []
    joined: _Line | None = None
    for number in [*in_time, None]:
        line = None if number is None else _Line.of(times_s[number])
        longer = None if joined is None or line is None else joined.followed_by(line)
        if longer is None:
            worst = max(worst, _put_on(joined, run, evened))
            run = []
        if number is not None:
            run.append(number)
        joined = longer or line
    return evened, worst


def _put_on(joined: _Line | None, run: list[int], evened: list[Floats]) -> float:
    """Put the passes of a run of them on their common line; how far they moved."""
    if joined is None:
        return 0.0
    line, moved = joined.fitted()
    if moved <= joined.period_s:
        ends = np.cumsum([evened[number].size for number in run])
        for number, part in zip(run, np.split(line, ends[:-1]), strict=True):
            evened[number] = part
    return moved
