"""Gaps in the samples of a rock trace that could hide a dwell, and the changes of flank they interrupt."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from lashmap_analysis.rock_flanks import Stays
    from lashmap_analysis.rock_groups import Booleans, Floats

USUAL_PAUSES = 5.0
"""Sample times that a hand or a busy port may let pass."""

SHARE_OF_STAY = 0.5
"""Share of a typical stay that may be missing."""


@dataclass(frozen=True, kw_only=True)
class Gaps:
    """Gaps of one trace.

    Attributes:
        lengths_s: Shape (number of gaps,).
        broken: Shape (m,), true for a stay after which so much is missing that the next is no neighbour; None
            when there is no gap.
    """

    lengths_s: Floats
    broken: Booleans | None


def find_gaps(time_s: Floats, stays: Stays, typical_samples: float) -> Gaps:
    """Find gaps longer than half a typical stay and five sample times."""
    pause = time_s[1:] - time_s[:-1]
    mean = float(time_s[-1] - time_s[0]) / pause.size
    if float(pause.max()) <= (USUAL_PAUSES - 1) * mean:
        return Gaps(lengths_s=np.zeros(0), broken=None)
    least = max(USUAL_PAUSES, SHARE_OF_STAY * typical_samples) * float(np.median(pause))
    lengths = pause[pause > least]
    if not lengths.size:
        return Gaps(lengths_s=lengths, broken=None)
    broken = np.zeros(stays.start.size, dtype=np.bool_)
    broken[:-1] = time_s[stays.start[1:]] - time_s[stays.stop[:-1] - 1] > least
    return Gaps(lengths_s=lengths, broken=broken)
