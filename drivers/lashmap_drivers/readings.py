"""What flows from a port: chunks of raw bytes, then batches of timestamped values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Chunk(NamedTuple):
    """Bytes as received, and when the read that brought them returned (monotonic seconds)."""

    arrival_s: float
    data: bytes


@dataclass(frozen=True)
class Batch:
    """Consecutive samples of one instrument.

    Attributes:
        time_s: Shape (n,), monotonic seconds, increasing.
        value: Shape (n,), mm for an indicator, degrees of its shaft for an encoder.
    """

    time_s: Floats
    value: Floats

    def __len__(self) -> int:
        return len(self.time_s)


EMPTY = Batch(np.empty(0), np.empty(0))
