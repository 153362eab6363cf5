"""The last minutes of one channel, cut by time."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from lashmap_drivers.readings import EMPTY, Batch, Floats, Samples

_FIRST = 1024  # samples that there is room for at first


class TraceBuffer:
    """Keeps the recent samples of one channel in memory.

    Args:
        keep_s: Older ones are let go; the logbook has them.
    """

    def __init__(self, keep_s: float) -> None:
        self._keep_s = keep_s
        self._rows: Floats = np.empty((3, _FIRST))  # time, value, uncertainty of the time
        self._end = 0

    def append(self, batch: Batch | Samples) -> None:
        """Add the next samples; their times come after all before."""
        count = len(batch)
        if not count:
            return
        if self._end + count > self._rows.shape[1]:
            self._make_room(count, float(batch.time_s[-1]) - self._keep_s)
        end = self._end + count
        self._rows[0, self._end : end] = batch.time_s
        self._rows[1, self._end : end] = batch.value
        self._rows[2, self._end : end] = batch.time_uncertainty_s
        self._end = end

    @property
    def latest(self) -> tuple[float, float] | None:
        """(time_s, value) of the newest sample; None before the first."""
        if not self._end:
            return None
        return float(self._rows[0, self._end - 1]), float(self._rows[1, self._end - 1])

    @property
    def time_uncertainty_s(self) -> float:
        """Standard uncertainty of the newest times, in seconds; nan before the first sample."""
        return float(self._rows[2, self._end - 1]) if self._end else math.nan

    def count(self, start_s: float) -> int:
        """Samples with start_s <= time."""
        return self._end - self._place(start_s, "left")

    def window(self, start_s: float, end_s: float = float("inf")) -> Batch:
        """Samples with start_s <= time <= end_s.

        Their time uncertainty is the largest among them, and unknown when any of them is.
        """
        first, end = self._place(start_s, "left"), self._place(end_s, "right")
        if first >= end:
            return EMPTY
        time_s, value, uncertainty_s = self._rows[:, first:end].copy()
        return Batch(time_s, value, float(np.max(uncertainty_s)))

    def _place(self, time_s: float, side: Literal["left", "right"]) -> int:
        return int(np.searchsorted(self._rows[0, : self._end], time_s, side=side))

    def _make_room(self, count: int, oldest_s: float) -> None:
        """Let go what is too old; where that leaves less than a quarter of the room free, take more of it."""
        kept = self._rows[:, self._place(oldest_s, "left") : self._end]
        size = self._rows.shape[1]
        while kept.shape[1] + count > size * 3 // 4:
            size *= 2
        rows = np.empty((3, size))
        rows[:, : kept.shape[1]] = kept
        self._rows, self._end = rows, kept.shape[1]
