"""Times for the samples of a streaming instrument, from the arrival of the reads that brought them.

A read returns several lines at once, so the samples are spread back from its arrival: over the time since the
last read while the stream runs, and at the stream's usual pace after a pause, so that a real gap stays a gap.
"""

from __future__ import annotations

import numpy as np

from lashmap_drivers.readings import Floats

_PAUSE_PERIODS = 1.5  # a read that took this much longer than its lines explain followed a pause
_MEMORY = 0.05  # weight of the newest read in the running period


class StreamClock:
    """Stamps the samples of one instrument; times never run backwards."""

    def __init__(self) -> None:
        self._last_s: float | None = None
        self._period_s: float | None = None

    def stamp(self, arrival_s: float, count: int) -> Floats:
        """Times of ``count`` samples that one read delivered.

        Args:
            arrival_s: Monotonic time at which the read returned.
            count: Number of samples, at least 1.

        Returns:
            Shape (count,), increasing, the last at ``arrival_s`` unless that would run backwards.
        """
        back = np.arange(count - 1, -1, -1, dtype=np.float64)
        if self._last_s is None:
            # Nothing is known of the pace: the samples share the arrival, a microsecond apart to keep order.
            times = arrival_s - 1e-6 * back
        else:
            period = max(arrival_s - self._last_s, 0.0) / count
            if self._period_s is None:
                self._period_s = period
            elif period < _PAUSE_PERIODS * self._period_s + 0.010 / count:
                self._period_s += _MEMORY * (period - self._period_s)
            else:
                period = min(period, self._period_s)
            times = np.maximum(arrival_s - period * back, self._last_s + 1e-9 * (count - back))
        self._last_s = float(times[-1])
        return times
