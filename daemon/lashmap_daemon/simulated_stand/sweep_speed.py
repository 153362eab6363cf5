"""How evenly a shaft is turned for a runout sweep: it gathers speed, then goes on a little unevenly.

Decided here: the swept member's angle against time. Which member, from where and how it ends is `motion`.
"""

from __future__ import annotations

from math import cos, pi, sin
from random import Random

# Share of the mean speed, and times per second, of the two swings in it.
_SWINGS = ((0.08, 0.37), (0.04, 1.3))
_GATHER_S = 0.4


class SweepSpeed:
    """One sweep's turning, always forward."""

    def __init__(self, turns_per_s: float, *, chance: Random) -> None:
        """Draw where in its swings the speed begins."""
        self._rad_per_s = 2.0 * pi * turns_per_s
        self._swings = [(share, 2.0 * pi * per_s, chance.uniform(0.0, 2.0 * pi)) for share, per_s in _SWINGS]

    def angle_rad(self, seconds: float) -> float:
        """Return how far the member has been turned since the sweep began."""
        run = _run_s(seconds)
        swung = sum(
            share * (sin(rate * run + start) - sin(start)) / rate for share, rate, start in self._swings
        )
        return self._rad_per_s * (run + swung)

    def speed_rad_per_s(self, seconds: float) -> float:
        """Return how fast it turns then."""
        run = _run_s(seconds)
        swing = sum(share * cos(rate * run + start) for share, rate, start in self._swings)
        return self._rad_per_s * (1.0 + swing) * min(1.0, seconds / _GATHER_S)


def _run_s(seconds: float) -> float:
    """Return the time at full speed that covers the same way."""
    if seconds < _GATHER_S:
        return seconds**2 / (2.0 * _GATHER_S)
    return seconds - _GATHER_S / 2.0
