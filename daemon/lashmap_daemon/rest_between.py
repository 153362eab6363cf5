"""A gear that rests between its flanks before it is rocked, or after: friction holds it anywhere in its lash.

Decided here: how much of such a rest does not belong to the rock. A rest between the flanks is no dwell on
one; taken for one, it looks as if a flank had moved. Leaving it out hides nothing: what remains is a
rock that began later, or ended earlier. A rest in the midst of it stays, for the analysis to judge.
"""

from __future__ import annotations

import numpy as np
from lashmap_drivers.readings import Floats

LEAST_S = 0.1
"""A shorter stay is part of a travel."""
_FROM_FLANKS = 0.15  # of the whole span, at least that far from both of its ends
_STILL = 0.1  # of the whole span, at most that far from where the rest began
_BEGINNING = 5  # samples whose median says where that was


def rest_before(time_s: Floats, value: Floats) -> int:
    """Count the samples at the beginning in which the gear rests between the flanks.

    Args:
        time_s: Shape (n,), increasing.
        value: Shape (n,), of the indicator.

    Returns:
        How many samples precede the first that moves; 0 where the recording begins on a flank, on the way, or
        where nothing was rocked yet.
    """
    if len(value) == 0:
        return 0
    low, high = float(np.min(value)), float(np.max(value))
    span, begun = high - low, float(np.median(value[:_BEGINNING]))
    if not low + _FROM_FLANKS * span < begun < high - _FROM_FLANKS * span:
        return 0
    moved = np.flatnonzero(np.abs(value - begun) > _STILL * span)
    first = int(moved[0])  # there is one: both ends of the span lie farther away
    return first if time_s[first] - time_s[0] >= LEAST_S else 0


def rest_after(time_s: Floats, value: Floats) -> int:
    """Count the samples at the end in which the gear rests between the flanks; as `rest_before`."""
    return rest_before(-time_s[::-1], value[::-1])
