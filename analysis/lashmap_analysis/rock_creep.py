"""Movement of the gear while it should rest on a flank: elastic wind-up, or a hand that does not hold still.

Decided here: how far the gear moves on a flank from the middle of a stay on, flank by flank, what of it is
more than noise, and what it adds to the uncertainty. A flank level means contact under a light, steady
torque; where it still changes, part of it is the shaft winding up, and the lash is read too large.

Not seen: a press that is the same from contact to departure. Its deflection belongs to the stand, not to the
trace.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, sqrt
from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.rock_groups import ratio

if TYPE_CHECKING:
    from lashmap_analysis.rock_dwells import Settled
    from lashmap_analysis.rock_groups import Floats, Groups, Integers
    from lashmap_analysis.rock_stack import StayStack

SHARE = 0.01
"""Movement from the middle of the stay to a fifth later, as a share of the step, that is refused."""

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


NO_CREEP = Creep(travel_mm=0.0, limit_mm=inf, uncertainty_mm=0.0)
"""With few samples a stay nothing is seen stay by stay; `rock_shape` lays all stays over each other."""


def measure_creep(  # noqa: PLR0917 - parallel arrays of one stage
    stays: StayStack,
    settled: Settled,
    kept: Integers,
    groups: Groups,
    trace: Integers,
    slope: Floats,
    step_mm: Floats,
) -> list[Creep]:
    """Compare the middle of the stays with what comes before and after it, trace by trace.

    Args:
        stays: The stays on the flanks.
        settled: Their settled parts.
        kept: Shape (k,), indices of the settled stays.
        groups: Those of each trace.
        trace: Shape (h,), number of each of these traces in the stack.
        slope: Shape (h,), drift still in the offsets.
        step_mm: Shape (h,), mean step.
    """
    sign, shape = stays.sign[kept], settled.middles.shape_mm[kept]
    drifting = sign * groups.each(slope) * settled.middles.apart_time[kept]
    late = shape[:, 2] - shape[:, 1] - drifting
    jitter, resolution = settled.middles.jitter_mm[trace], settled.resolution_mm
    noise = jitter * np.sqrt(10 / settled.middles.typical_samples[trace])
    creeps = _creep_of_many(sign, late, groups, noise, step_mm, resolution)
    for at in np.flatnonzero(settled.middles.few[trace]).tolist():
        creeps[at] = NO_CREEP
    return creeps


def _creep_of_many(  # noqa: PLR0917 - parallel arrays of one stage
    sign: Floats, late: Floats, groups: Groups, noise: Floats, step_mm: Floats, resolution_mm: float
) -> list[Creep]:
    """Movement from the middle fifth of the stay to the next one; the bounce is over by then."""
    least = SHARE * step_mm
    worst_travel, worst_limit = np.zeros_like(step_mm), np.maximum(least, resolution_mm)
    both, sure = np.zeros_like(step_mm), np.zeros(step_mm.size, dtype=np.bool_)
    high = (sign > 0).astype(np.float64)
    squared = late * late
    for on in (np.ones_like(late), high, 1 - high):
        count = groups.total(on)
        mean = ratio(groups.total(on * late), count)
        squares = np.maximum(groups.total(on * squared) - count * mean * mean, 0.0)
        deviation = np.sqrt(squares / np.maximum(count - 1, 1.0))
        travel, count = np.abs(mean), np.maximum(count, 1.0)
        # movement itself makes the stays differ: little more is allowed than noise explains
        error = np.maximum(noise, np.minimum(deviation, noise + 0.03 * step_mm)) / np.sqrt(count)
        both = np.maximum(both, 2 * travel)
        # creep of the base carries single stays across the edge of a code
        coarse = np.maximum(0.2, 1.05 / count) * resolution_mm
        limit = np.maximum(np.maximum(least, coarse), 3.6 * error)
        sure |= travel > np.maximum(np.maximum(0.25 * least, coarse), 3.4 * error)
        worse = travel * worst_limit > worst_travel * limit
        worst_travel, worst_limit = np.where(worse, travel, worst_travel), np.where(worse, limit, worst_limit)
    uncertainty = np.where(sure, REACH / sqrt(3) * both, 0.0)
    rows = zip(worst_travel.tolist(), worst_limit.tolist(), uncertainty.tolist(), strict=True)
    return [Creep(travel_mm=travel, limit_mm=limit, uncertainty_mm=extra) for travel, limit, extra in rows]
