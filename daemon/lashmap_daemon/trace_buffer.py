"""The last minutes of one channel, cut by time."""

from __future__ import annotations

import math
from collections import deque

import numpy as np
from lashmap_drivers.readings import EMPTY, Batch


class TraceBuffer:
    """Keeps the recent batches of one channel in memory.

    Args:
        keep_s: Older batches are let go; the logbook has them.
    """

    def __init__(self, keep_s: float) -> None:
        self._keep_s = keep_s
        self._batches: deque[Batch] = deque()

    def append(self, batch: Batch) -> None:
        """Add the next samples."""
        if not len(batch):
            return
        self._batches.append(batch)
        oldest_s = float(batch.time_s[-1]) - self._keep_s
        while float(self._batches[0].time_s[-1]) < oldest_s:
            self._batches.popleft()

    @property
    def latest(self) -> tuple[float, float] | None:
        """(time_s, value) of the newest sample; None before the first."""
        if not self._batches:
            return None
        last = self._batches[-1]
        return float(last.time_s[-1]), float(last.value[-1])

    @property
    def time_uncertainty_s(self) -> float:
        """Standard uncertainty of the newest times, in seconds; nan before the first sample."""
        return self._batches[-1].time_uncertainty_s if self._batches else math.nan

    def window(self, start_s: float, end_s: float = float("inf")) -> Batch:
        """Samples with start_s <= time <= end_s.

        Their time uncertainty is the largest of the batches they are from, and unknown when any of them is.
        """
        chosen: list[Batch] = []
        for batch in reversed(self._batches):
            if batch.time_s[-1] < start_s:
                break
            if batch.time_s[0] <= end_s:
                chosen.append(batch)
        if not chosen:
            return EMPTY
        chosen.reverse()
        time_s = np.concatenate([batch.time_s for batch in chosen])
        value = np.concatenate([batch.value for batch in chosen])
        inside = (time_s >= start_s) & (time_s <= end_s)
        uncertainty_s = float(np.max([batch.time_uncertainty_s for batch in chosen]))
        return Batch(time_s[inside], value[inside], uncertainty_s)
