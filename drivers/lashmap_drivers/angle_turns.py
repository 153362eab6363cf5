"""From an angle in degrees that begins again each turn to one that goes on; and a watch over any other angle.

An angle that begins again is followed as a count that wraps, in whole millionths of a degree: in particular
nobody knows the turns after missing samples. An angle that is said to go on, but jumps by half a turn or more
between two samples close together, was not turned by a hand: it begins again and its profile does not say so.
From there on no angle is given, since every tooth named by it would be the wrong one.
"""

from __future__ import annotations

import math
from collections import Counter

import numpy as np

from lashmap_drivers.count_tracker import JUMPS_TO_BELIEVE, Counting, CountTracker, Sample
from lashmap_drivers.parser import BEYOND, JUMPED
from lashmap_drivers.readings import Floats

FASTEST_DEG_S = 3600.0  # of an encoder's shaft, by hand or on a slow drive (common practice, no source)
SURE_S = 0.05  # less may be the machine's own business
_PER_DEG = 1e6  # six decimals and ten digits before them are whole numbers exactly
_JUMP_DEG = 180.0
_CLOSE_S = 0.2  # two and a half turns a second, and more than a turn a sample: nothing could be measured


class AngleTurns:
    """Follows the angle of one encoder.

    Args:
        wraps_at_deg: After which it begins again; None when it goes on.
        marks: Where is noted that it could not be followed.
    """

    def __init__(self, wraps_at_deg: float | None, marks: Counter[str]) -> None:
        self._wraps_at_deg = wraps_at_deg
        self._marks = marks
        self._tracker: CountTracker | None = None
        if wraps_at_deg is not None:
            self._tracker = CountTracker(Counting(wraps_at=round(wraps_at_deg * _PER_DEG)), marks)
        self._last_deg = math.nan
        self._before_s = -math.inf  # time of the sample before, whatever it was
        self._jumps = 0
        self._lost = False

    def follow(self, angle_deg: Floats, time_s: Floats) -> Floats:
        """The angles without an end.

        Args:
            angle_deg: As sent, at least one; nan where a frame carried none.
            time_s: Their times; shape as ``angle_deg``.

        Returns:
            Shape as ``angle_deg``; nan where the angle is not known.
        """
        if self._tracker is not None:
            return np.array([self._followed(one) for one in angle_deg.tolist()])
        steps_deg = np.abs(np.diff(angle_deg, prepend=self._last_deg))
        known = steps_deg[1:] if math.isnan(self._last_deg) else steps_deg
        is_known = (known < _JUMP_DEG).all() and not math.isnan(angle_deg[0])
        if is_known and not (self._lost or self._jumps):
            self._last_deg, self._before_s = float(angle_deg[-1]), float(time_s[-1])
            return angle_deg  # as nearly always
        pairs = zip(angle_deg.tolist(), time_s.tolist(), strict=True)
        return np.array([self._watched(one, at_s) for one, at_s in pairs])

    def pause(self) -> None:
        """Samples are missing from here on."""
        self._last_deg, self._jumps = math.nan, 0
        if self._tracker is not None:
            self._tracker.pause()

    def _followed(self, angle_deg: float) -> float:
        if math.isnan(angle_deg) or self._tracker is None or self._wraps_at_deg is None:
            return math.nan
        if abs(angle_deg) > self._wraps_at_deg:
            self._marks[BEYOND] += 1
            return math.nan
        return self._tracker.follow(Sample(round(angle_deg * _PER_DEG))) / _PER_DEG

    def _watched(self, angle_deg: float, at_s: float) -> float:
        close = at_s - self._before_s <= _CLOSE_S
        self._before_s = at_s
        if self._lost or math.isnan(angle_deg):
            return math.nan
        if close and abs(angle_deg - self._last_deg) >= _JUMP_DEG:
            self._jumps += 1
            if self._jumps >= JUMPS_TO_BELIEVE:
                self._lost = True
                self._marks[JUMPED] += 1
            return math.nan
        self._last_deg, self._jumps = angle_deg, 0
        return angle_deg


def first_gap(time_s: Floats, wraps_at_deg: float) -> tuple[float, float] | None:
    """The first stretch without samples in which such an angle may have gone round unseen.

    Args:
        time_s: Times of the samples, shape (n,).
        wraps_at_deg: After which the angle begins again.

    Returns:
        Times of the samples around it; None when there is none.
    """
    waits_s = np.diff(time_s)
    unseen_s = waits_s - np.median(waits_s) if len(waits_s) else waits_s
    long = (unseen_s > SURE_S) & (unseen_s * FASTEST_DEG_S > wraps_at_deg / 2.0)
    at = int(long.argmax()) if long.any() else None
    return None if at is None else (float(time_s[at]), float(time_s[at + 1]))
