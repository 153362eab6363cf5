"""Reads of one instrument as columns, with the sums that its clock needs again and again."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lashmap_drivers.readings import Floats, Integers


@dataclass(frozen=True, kw_only=True)
class Reads:
    """Consecutive reads, each of which brought samples.

    Attributes:
        arrival_s: Shape (n,), when they returned.
        wait_s: Shape (n,), since the read before.
        count: Shape (n,), samples of each.
        total: Shape (n,), samples up to and with each.
    """

    arrival_s: Floats
    wait_s: Floats
    count: Integers
    total: Floats

    @classmethod
    def of(cls, arrival_s: Floats, count: Integers, previous_s: float) -> Reads:
        """With their sums; ``previous_s`` is when the read before the first of them returned."""
        return cls(
            arrival_s=arrival_s,
            wait_s=np.diff(arrival_s, prepend=previous_s),
            count=count,
            total=np.cumsum(count).astype(np.float64),
        )


def first_beyond(since_s: Floats, from_s: float, stretch_s: float) -> int:
    """Index of the first that lies at least a stretch after ``from_s``.

    Args:
        since_s: Shape (n,), never falling; the last lies so far after.
        from_s: Where the stretch begins.
        stretch_s: How long it is.
    """
    first = int(since_s.searchsorted(from_s + stretch_s))
    while first and since_s.item(first - 1) - from_s >= stretch_s:  # a sum rounds other than a difference
        first -= 1
    while since_s.item(first) - from_s < stretch_s:
        first += 1
    return first
