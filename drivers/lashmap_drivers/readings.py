"""What flows from a port: chunks of raw bytes, then batches of timestamped values."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Chunk(NamedTuple):
    """Bytes as received, and when the read that brought them returned (monotonic seconds).

    A chunk without bytes marks a break: bytes are missing between what came before and what follows (the
    cable was out, or reads had to be dropped), so that half lines on either side never merge into one. The
    mark travels with the bytes into every record of them.

    Attributes:
        arrival_s: When the read returned; the middle of the transaction for an instrument that is asked.
        data: As received.
        within_s: Half the length of that transaction: the reading was taken at ``arrival_s`` ± this. nan for
            an instrument that sends of its own accord.
    """

    arrival_s: float
    data: bytes
    within_s: float = math.nan

    @property
    def is_break(self) -> bool:
        """True when this marks missing bytes instead of carrying some."""
        return not self.data


@dataclass(frozen=True)
class Batch:
    """Consecutive samples of one instrument.

    Attributes:
        time_s: Shape (n,), monotonic seconds, increasing; the same clock for every instrument of a process.
        value: Shape (n,), mm for an indicator, degrees of its shaft for an encoder.
        time_uncertainty_s: Standard uncertainty of the times, in seconds: of a stream what it can tell itself
            (see `StreamClock.uncertainty_s`), of an instrument that is asked half the transaction over √3
            (GUM 4.3.7); nan where nobody has stated one.
    """

    time_s: Floats
    value: Floats
    time_uncertainty_s: float = math.nan

    def __len__(self) -> int:
        return len(self.time_s)


EMPTY = Batch(np.empty(0), np.empty(0))
