"""The even pace of streamed angles: stamps that moved against it are put back on it, and tell how far.

An encoder that streams takes its angles at the pace of its own crystal.  What stamped them knew only when
reads brought them, and where within a sample a read finds the stream may change: after a reader was held
up, or as two crystals pass each other.  From then on all stamps lie elsewhere, by up to a sample.  At
150 mm/s a millisecond is 0.15 mm, and it stays: a step that looks like contact that was lost.  Over a whole
run such stamps leave a straight line over their number.

**Stamps that scatter by themselves**, as raw ones do, show their pace only over many samples, and an encoder
that is asked each time has none.  Its angles tell: where they run more evenly over the number of the sample
than over the stamps, samples were taken at an even pace, and the scatter is that of the stamps alone.  Each
pass then has a line of its own, unless a step shows that a sample is missing.

**Deliveries in step with the samples** find the stream at one place within a sample, and stamps keep the pace
of whoever delivers, not of the encoder: no stamp shows it, and from pass to pass it may change by as much as
is hidden.  Whoever stamped states that.

Decided here: what the line is, and how well it is known.  Not decided here: what this does to the skew
(`cycle/estimate.py`).  **What no stamp can tell** is a pace that was wrong from beginning to end, or off by a
whole sample that looks like one that is missing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot, sqrt
from typing import overload

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.cycle.passes import OF_PACKETS, CyclePass

Floats = NDArray[np.float64]

EVEN = 0.02  # of the period: neighbours that differ by no more keep the pace
MOST_EVEN = 0.8  # of the neighbours; stamps with a scatter of their own show no pace
ROUNDS = 3
TELLING_STAMPS = 40_000  # tell a line and what leaves it as well as all do
WITHIN = (0.025, 0.975)  # single reads that came late are left out
UNAMBIGUOUS = 0.1  # of the period: how well the line must be known across a pause that is counted over
# A stamp moves on by less than a sample; one that is missing leaves all of it, but for the rounding of times.
MISSING = 0.9
# Of the period. Stated of a delivery in step is 0.58 (all of a sample, over √3), of reads that scatter less
# than 0.3 (the drivers' clock, measured); more, of samples that were sent late: then nothing is hidden.
IN_STEP = (0.4, 0.7)
OFTEN = 8  # moves to and fro, of which their mean may be believed
SCATTERED_BLOCKS = 50  # of stamps with a scatter of their own, over the means of which it is looked for steps
STEADY = 0.2  # of the period: a sample that is missing moves the means beside it by half of one
EVENER = 0.95  # of the mean square of angles beside their neighbours: a hundredth is chance
BESIDE = 4  # samples to either neighbour
WORST_OFF = 0.99  # of them the rest may be angles that went wrong


@dataclass(frozen=True, kw_only=True)
class _Line:
    """Stamps of one stream, one after the other, with the number of each."""

    time_s: Floats
    number: Floats
    period_s: float
    scattered: bool = False

    @classmethod
    def of(cls, time_s: Floats, angle_deg: Floats) -> _Line | None:
        """None where neither stamps nor angles show an even pace."""
        apart = np.diff(time_s)
        period = float(np.median(apart[:: max(apart.size // TELLING_STAMPS, 1)])) if apart.size else 0.0
        if period <= 0.0:
            return None
        if np.mean(np.abs(apart - period) <= EVEN * period) < MOST_EVEN:
            return cls._of_scattered(time_s, angle_deg)
        # A stamp that is given twice takes no place; one that is squeezed between others takes its own.
        steps = np.where(apart > 0.0, np.maximum(np.floor(apart / period + 1.0 - MISSING), 1.0), 0.0)
        return cls(time_s=time_s, number=np.concatenate(([0.0], steps.cumsum())), period_s=period)

    @classmethod
    def _of_scattered(cls, time_s: Floats, angle_deg: Floats) -> _Line | None:
        """A line for stamps that scatter about an even pace, of which none is missing."""
        if time_s.size < SCATTERED_BLOCKS * BESIDE or not _evener_by_number(time_s, angle_deg):
            return None
        period = float(time_s[-1] - time_s[0]) / (time_s.size - 1)
        line = cls(
            time_s=time_s, number=np.arange(time_s.size, dtype=np.float64), period_s=period, scattered=True
        )
        return line if line.moved(line.fitted()).half_range_s <= STEADY * period else None

    def fitted(self) -> _Straight:
        """The straight line through them."""
        number, time = self.number[:: self._step], self.time_s[:: self._step]
        keep = np.ones(number.size, dtype=np.bool_)
        line = _Straight(slope_s=self.period_s, start_s=0.0)
        for _ in range(ROUNDS):
            middle, when = float(number[keep].mean()), float(time[keep].mean())
            beside = number[keep] - middle
            # No BLAS: threads of its own that wait for one another took half of a whole analysis.
            slope = float(np.sum(beside * (time[keep] - when)) / np.sum(beside**2))
            line = _Straight(slope_s=slope, start_s=when - slope * middle)
            off = np.abs(time - line.at(number))
            keep = off <= max(self.period_s, float(np.quantile(off, WITHIN[1])))
        return line

    def moved(self, line: _Straight) -> _Moved:
        """How stamps leave the line."""
        if self.scattered:
            # What single stamps scatter by is no move; means over many of them are.
            every = self.time_s - line.at(self.number)
            whole = every.size // SCATTERED_BLOCKS * SCATTERED_BLOCKS
            off = every[:whole].reshape(SCATTERED_BLOCKS, -1).mean(axis=1)
            low, high = float(off.min()), float(off.max())
        else:
            off = self.time_s[:: self._step] - line.at(self.number[:: self._step])
            low, high = np.quantile(off, WITHIN)
        off = np.clip(off, low, high)
        off = off - off.mean()
        rms = float(np.sqrt(np.mean(off**2)))
        side = np.sign(off[np.abs(off) > rms / 2])
        return _Moved(
            half_range_s=float(high - low) / 2,
            rms_s=rms,
            times=int(np.count_nonzero(np.diff(side))) + 1,
        )

    def followed_by(self, other: _Line) -> _Line | None:
        """Both as one stream; None where the pause is too long to tell how many samples it took."""
        if self.scattered or other.scattered:
            return None
        line, after = self.fitted(), other.fitted()
        last = float(self.number[-1])
        # From line to line: a single stamp may be late by most of a sample.
        pause = after.at(0.0) - line.at(last)
        if 2 * self.moved(line).half_range_s * pause > UNAMBIGUOUS * self.period_s * line.slope_s * last:
            return None
        first = last + max(round(pause / line.slope_s), 1)
        return _Line(
            time_s=np.concatenate((self.time_s, other.time_s)),
            number=np.concatenate((self.number, first + other.number)),
            period_s=self.period_s,
        )

    @property
    def _step(self) -> int:
        return max(self.number.size // TELLING_STAMPS, 1)


def _evener_by_number(time_s: Floats, angle_deg: Floats) -> bool:
    """Whether angles lie better between their neighbours by number than by stamp."""
    if angle_deg.shape != time_s.shape or np.mean(np.diff(time_s) <= 0.0) > OF_PACKETS:
        return False
    at = np.arange(BESIDE, time_s.size - BESIDE, max(time_s.size // TELLING_STAMPS, 1))
    before, here, after = (angle_deg[at + step] for step in (-BESIDE, 0, BESIDE))
    since_s, span_s = time_s[at] - time_s[at - BESIDE], time_s[at + BESIDE] - time_s[at - BESIDE]
    if span_s.min() <= 0.0:
        return False
    by_number, by_stamp = (
        (here - before - share * (after - before)) ** 2 for share in (0.5, since_s / span_s)
    )
    usual = by_stamp <= np.quantile(by_stamp, WORST_OFF)
    return float(by_number[usual].mean()) < EVENER * float(by_stamp[usual].mean())


@dataclass(frozen=True, kw_only=True)
class _Straight:
    """Time over the number of the sample."""

    slope_s: float
    start_s: float

    @overload
    def at(self, number: float) -> float: ...
    @overload
    def at(self, number: Floats) -> Floats: ...
    def at(self, number: Floats | float) -> Floats | float:
        """Time of a sample."""
        return self.start_s + self.slope_s * number


@dataclass(frozen=True, kw_only=True)
class _Moved:
    """How stamps leave their line: half the range, root mean square, and how often to the other side."""

    half_range_s: float
    rms_s: float
    times: int

    def uncertainty_s(self, period_s: float, stated_s: float) -> float:
        """Standard uncertainty of the line's ends against its middle.

        Of moves to and fro it is that of a straight line through so many points at its ends, 2 σ/√n
        (derived); of a few it is taken as large as the moves. Deliveries in step move by whole samples too,
        which look like missing ones: there no mean is believed, and what they hide comes beside it.
        """
        if _in_step(stated_s, period_s):
            return hypot(self.half_range_s, stated_s)
        if self.times < OFTEN:
            return self.half_range_s
        return min(2.0 * self.rms_s / sqrt(self.times), self.half_range_s)


def _in_step(stated_s: float, period_s: float) -> bool:
    return IN_STEP[0] * period_s <= stated_s <= IN_STEP[1] * period_s


@dataclass(frozen=True, kw_only=True)
class EvenPace:
    """Passes with stamps on the line of their pace.

    Attributes:
        passes: In the order given; stamps that moved by more than a sample stay as they are.
        uncertainty_s: Standard uncertainty of the times of one stream against those of the other, as far as
            it differs from pass to pass; 0 where stamps show no pace.
        moved_s: How far stamps of the worse stream left the line, half their range.
        in_step: Deliveries kept step with the samples, so that most of a sample may be hidden.
    """

    passes: list[CyclePass]
    uncertainty_s: float = 0.0
    moved_s: float = 0.0
    in_step: bool = False


def at_even_pace(passes: Sequence[CyclePass]) -> EvenPace:
    """Put stamps of streams on the line of their pace.

    Args:
        passes: All of a run, in any order; arrays as `advance_of` takes them.
    """
    streams = [
        _Stream.of(
            [np.asarray(one.pinion_time_s, dtype=np.float64) for one in passes],
            [np.asarray(one.pinion_deg, dtype=np.float64) for one in passes],
            [one.pinion_time_uncertainty_s for one in passes],
        ),
        _Stream.of(
            [np.asarray(one.gear_time_s, dtype=np.float64) for one in passes],
            [np.asarray(one.gear_deg, dtype=np.float64) for one in passes],
            [one.gear_time_uncertainty_s for one in passes],
        ),
    ]
    evened = [
        replace(one, pinion_time_s=first, gear_time_s=second)
        for one, first, second in zip(passes, streams[0].times_s, streams[1].times_s, strict=True)
    ]
    return EvenPace(
        passes=evened,
        uncertainty_s=hypot(*(one.uncertainty_s for one in streams)),
        moved_s=max(one.moved_s for one in streams),
        in_step=any(one.in_step for one in streams),
    )


@dataclass(kw_only=True)
class _Stream:
    """Stamps of one encoder in each pass, and what was found of them so far."""

    times_s: list[Floats]
    stated_s: list[float]
    uncertainty_s: float = 0.0
    moved_s: float = 0.0
    in_step: bool = False

    @classmethod
    def of(cls, times_s: list[Floats], angles_deg: list[Floats], stated_s: list[float]) -> _Stream:
        """Put each run of passes that can be counted through on one line."""
        stream = cls(times_s=list(times_s), stated_s=stated_s)
        in_time = sorted(range(len(times_s)), key=lambda number: float(times_s[number][0]))
        run: list[int] = []
        joined: _Line | None = None
        for number in [*in_time, None]:
            line = None if number is None else _Line.of(times_s[number], angles_deg[number])
            longer = None if joined is None or line is None else joined.followed_by(line)
            if longer is None:
                stream._put_on(joined, run)
                run = []
            if number is not None:
                run.append(number)
            joined = longer or line
        return stream

    def _put_on(self, joined: _Line | None, run: list[int]) -> None:
        """Put the passes of a run of them on their common line."""
        if joined is None:
            return
        line = joined.fitted()
        moved = joined.moved(line)
        stated_s = max(
            (self.stated_s[number] for number in run), key=lambda one: _in_step(one, joined.period_s)
        )
        self.uncertainty_s = max(self.uncertainty_s, moved.uncertainty_s(joined.period_s, stated_s))
        self.moved_s = max(self.moved_s, moved.half_range_s)
        self.in_step |= _in_step(stated_s, joined.period_s)
        if moved.half_range_s <= joined.period_s:
            ends = np.cumsum([self.times_s[number].size for number in run])
            for number, part in zip(run, np.split(line.at(joined.number), ends[:-1]), strict=True):
                self.times_s[number] = part
