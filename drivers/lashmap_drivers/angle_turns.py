"""From an angle in degrees that begins again each turn to one that goes on; and a watch over any other angle.

An angle that begins again is followed from sample to sample, as long as they come closely and none is odd:
further than a hand turns, beyond its range, or not there. Nobody knows the turn after a longer stretch of
such samples than ten turns a second would need for half of one.

An angle that is said to go on, but goes further between two samples than anybody turns, begins again and its
profile does not say so. From there on no angle is given, since every tooth named by it would be a wrong one.
"""

from __future__ import annotations

import math
from collections import Counter

import numpy as np

from lashmap_drivers.count_tracker import JUMPS_TO_BELIEVE, nearest
from lashmap_drivers.parser import BEYOND, JUMPED, LOST_COUNT
from lashmap_drivers.readings import Floats

FASTEST_DEG_S = 3600.0  # of an encoder's shaft, by hand or on a slow drive (common practice, no source)
CLOSE_S = 0.2  # further apart, samples tell nothing about what lay between them
_PER_DEG = 1e6  # six decimals and ten digits before them are whole numbers exactly
_SLACK_DEG = 45.0  # times may be squeezed together where a clock was set right; no encoder wraps so soon
_HALF_TURN_DEG = 180.0


class AngleTurns:
    """Follows the angle of one encoder.

    Args:
        wraps_at_deg: After which it begins again; None when it goes on.
        marks: Where is noted that it could not be followed.
    """

    def __init__(self, wraps_at_deg: float | None, marks: Counter[str]) -> None:
        self._wraps_at_deg = wraps_at_deg
        self._marks = marks
        self._last_deg = math.nan  # the last angle that was believed, as sent …
        self._total = 0  # … and without an end, in millionths
        self._believed_s = self._heard_s = -math.inf  # when; and when an angle came last, believed or not
        self._odd = 0  # samples since then that were not
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
        steps_deg = np.abs(np.diff(angle_deg, prepend=self._last_deg))
        known = steps_deg[1:] if math.isnan(self._last_deg) else steps_deg
        is_known = (known <= _SLACK_DEG).all() and not math.isnan(angle_deg[0])
        if is_known and not (self._lost or self._odd):
            self._last_deg, self._heard_s = float(angle_deg[-1]), float(time_s[-1])
            return angle_deg  # as nearly always
        return np.array([self._watched(one, at_s) for one, at_s in pairs])

    def pause(self) -> None:
        """Samples are missing from here on."""
        if self._wraps_at_deg is not None and not math.isnan(self._last_deg):
            self._lose(LOST_COUNT)
        self._last_deg, self._odd = math.nan, 0

    def _followed(self, angle_deg: float, at_s: float, wraps_at_deg: float) -> float:
        if abs(angle_deg) > wraps_at_deg:
            self._marks[BEYOND] += 1
        if self._lost or math.isnan(angle_deg) or abs(angle_deg) > wraps_at_deg:
            self._odd += 1
            return math.nan
        sent = round(angle_deg * _PER_DEG)
        if math.isnan(self._last_deg):
            self._total = sent
        else:
            wait_s = at_s - self._believed_s
            if wait_s > CLOSE_S or (self._odd and wait_s * FASTEST_DEG_S > wraps_at_deg / 2.0):
                self._lose(LOST_COUNT)
                return math.nan
            step = nearest(sent - round(self._last_deg * _PER_DEG), round(wraps_at_deg * _PER_DEG))
            if abs(step) > _PER_DEG * min(wraps_at_deg / 4.0, _SLACK_DEG + FASTEST_DEG_S * wait_s):
                self._odd += 1
                return math.nan
            self._total += step
        self._last_deg, self._believed_s, self._odd = angle_deg, at_s, 0
        return self._total / _PER_DEG

    def _watched(self, angle_deg: float, at_s: float) -> float:
        if self._lost or math.isnan(angle_deg):
            return math.nan
        wait_s, self._heard_s = at_s - self._heard_s, at_s
        most_deg = min(_HALF_TURN_DEG, _SLACK_DEG + FASTEST_DEG_S * wait_s)
        # After odd ones only a return to about where it was shows that they were wrong, and not the angle.
        if wait_s <= CLOSE_S and abs(angle_deg - self._last_deg) > most_deg / (self._odd + 1):
            self._odd += 1
            if self._odd >= JUMPS_TO_BELIEVE:
                self._lose(JUMPED)
            return math.nan
        self._last_deg, self._odd = angle_deg, 0
        return angle_deg

    def _lose(self, mark: str) -> None:
        if not self._lost:
            self._marks[mark] += 1
        self._lost = True
