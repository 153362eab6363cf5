"""Movement of the gear while it should rest on a flank: elastic wind-up, or a hand that does not hold still.

Decided here: how far the gear moves on a flank from the middle of a stay on, flank by flank, what of it is
more than noise, and what it adds to the uncertainty. A flank level means contact under a light, steady torque;
where it still changes, part of it is the shaft winding up, and the lash is read too large.

Not seen: a press that is the same from contact to departure. Its deflection belongs to the stand, not to the
trace.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.rock_dwells import FEW_SAMPLES, median_of

if TYPE_CHECKING:
    from lashmap_analysis.rock_dwells import Settled
    from lashmap_analysis.rock_flanks import Floats, Stays

SHARE = 0.01
"""Movement from the middle of the stay to a fifth later, as a share of the step, that is refused."""

SHARE_FEW = 0.03
"""The same with few samples a stay, towards both ends of the stay: a travel reaches into one end of some."""

MOST_FEW = 0.2
"""Share of the step above which it is refused whatever the noise."""

REACH = 4.0
"""Deflection of the level per movement over a fifth: 2.5 for a steady rise, 4.7 for half a sine wave."""


@dataclass(frozen=True, kw_only=True)
class Creep:
    """Movement on the flank.

    Attributes:
        travel_mm: Largest mean movement on either flank.
        limit_mm: Above it the levels are no flank levels.
        uncertainty_mm: What it adds to the uncertainty of the step; 0 when it may be noise.
    """

    travel_mm: float
    limit_mm: float
    uncertainty_mm: float


def measure_creep(stays: Stays, settled: Settled, kept: np.ndarray, slope: float, step_mm: float) -> Creep:
    """Compare the middle of the stays with the fifths before and after it.

    Args:
        stays: The stays on the flanks.
        settled: Their settled parts and shapes.
        kept: Indices of the settled stays.
        slope: Drift still in the offsets.
        step_mm: Mean step.
    """
    sign, shape = stays.sign[kept], settled.shape_mm[kept]
    drifting = sign * slope * settled.apart_time[kept]
    early, late = shape[:, 1] - shape[:, 0] - drifting, shape[:, 2] - shape[:, 1] - drifting
    if settled.typical_samples < FEW_SAMPLES:
        return _creep_of_few(sign, early, late, settled, step_mm)
    return _creep_of_many(sign, late, settled, step_mm)


def _creep_of_many(sign: Floats, late: Floats, settled: Settled, step_mm: float) -> Creep:
    """Movement from the middle fifth of the stay to the next one; the bounce is over by then."""
    noise = settled.jitter_mm * sqrt(10 / settled.typical_samples)
    least = SHARE * step_mm
    worst_travel, worst_limit, both, sure = 0.0, max(least, settled.resolution_mm), 0.0, False
    high = (sign > 0).astype(np.float64)
    squared = late * late
    for on in (np.ones_like(late), high, 1 - high):
        count = float(np.add.reduce(on))
        if count == 0:
            continue
        mean = float(on.dot(late)) / count
        travel = abs(mean)
        deviation = sqrt(max(float(on.dot(squared)) - count * mean * mean, 0.0) / max(count - 1, 1.0))
        # movement itself makes the stays differ: little more is allowed than noise explains
        error = max(noise, min(deviation, noise + 0.03 * step_mm)) / sqrt(count)
        both = max(both, 2 * travel)
        # creep of the base carries single stays across the edge of a code
        coarse = max(0.2, 1.05 / count) * settled.resolution_mm
        limit = max(least, coarse, 3.6 * error)
        sure |= travel > max(0.25 * least, coarse, 3 * error)
        if travel * worst_limit > worst_travel * limit:
            worst_travel, worst_limit = travel, limit
    return Creep(
        travel_mm=worst_travel,
        limit_mm=worst_limit,
        uncertainty_mm=REACH * both / sqrt(3) if sure else 0.0,
    )


def _creep_of_few(sign: Floats, early: Floats, late: Floats, settled: Settled, step_mm: float) -> Creep:
    """Movement towards both ends of the stay, on both flanks together and on each by itself.

    Medians, because a travel reaches into the outer samples of some stays, but not into most.
    """
    floor = max(SHARE_FEW * step_mm, 0.4 * settled.resolution_mm)
    noise = 1.1 * max(settled.jitter_mm, 0.25 * settled.resolution_mm)
    worst = (0.0, floor)
    for on, base in ((sign != 0, floor), (sign > 0, 1.6 * floor), (sign < 0, 1.6 * floor)):
        count = int(np.count_nonzero(on))
        if count < 2:
            continue
        rise, rise_spread = _robust(early[on])
        fall, fall_spread = _robust(-late[on])
        # a steady shape looks like noise within a stay, but repeats from stay to stay
        error = min(noise, 1.5 * max(rise_spread, fall_spread) + 0.01 * step_mm)
        # a travel lowers the ends of the stay; anything else needs less to be seen
        limit = (base if min(rise, fall) > 0 else 0.6 * base) + 2.5 * error / sqrt(count)
        # movement itself looks like noise where samples are few
        limit = min(limit, max(base, MOST_FEW * step_mm * base / floor))
        travel = min(abs(rise), abs(fall))
        if travel * worst[1] > worst[0] * limit:
            worst = (travel, limit)
    return Creep(travel_mm=worst[0], limit_mm=worst[1], uncertainty_mm=0.0)


def _robust(values: Floats) -> tuple[float, float]:
    """Median and standard deviation by the median distance from it (1.4826: normal distribution)."""
    listed = values.tolist()
    centre = median_of(listed)
    return centre, 1.4826 * median_of([abs(value - centre) for value in listed])
