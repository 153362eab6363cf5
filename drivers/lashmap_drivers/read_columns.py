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
