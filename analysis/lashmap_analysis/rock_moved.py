"""Whether the flanks stayed where they were: slip of the pinion or the base, creep larger than the lash.

A lasting shift is looked for between every two dwells, with level, drift and step fitted beside it; samples
that belong to neither flank and are not on their way from one to the other say the same.
"""

from __future__ import annotations

from math import isfinite, sqrt
from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.flags import Flag, FlagName

if TYPE_CHECKING:
    from collections.abc import Iterator

    from lashmap_analysis.rock_evidence import Evidence

SLIP = 0.04
"""Lasting shift of both flanks as a share of the step."""

SLIP_FEW = 0.06
"""The same with few samples a stay, where a single sample on its way moves a level."""

SURE = 3.6
"""A shift in its standard errors; the best of several is looked at."""

MOST_SCATTER = 0.06
"""Scatter of the levels of one flank as a share of the step."""

MOST_BEYOND = 0.02
"""Share of the samples that may lie beyond the flanks: impacts are shorter."""

LEAST_NEAR = 0.6
"""Share of the samples that lie near a flank: travel takes less than the rest."""


def check_moved(evidence: Evidence) -> Iterator[Flag]:
    """Yield the flag for flanks that moved, with all that was looked at."""
    lash = evidence.lash
    step = lash.mean_mm
    if not isfinite(step):
        return
    good = evidence.settled
    samples = float((evidence.stop - evidence.start)[good].mean())
    level_error = sqrt(evidence.noise_mm**2 / samples + evidence.resolution_mm**2 / 12)
    scatter = lash.scatter_mm if isfinite(lash.scatter_mm) else 0.0
    scatter_limit = max(MOST_SCATTER * step, 2.5 * level_error)
    shift = lash.shift_mm if isfinite(lash.scatter_mm) else 0.0
    shift_limit = max(
        (SLIP_FEW if evidence.few else SLIP) * step, evidence.resolution_mm, SURE * lash.shift_error_mm
    )
    drift = (evidence.slope_mm_per_s + lash.slope) * float(evidence.time_s[-1] - evidence.time_s[0])
    near, beyond = _place(evidence)
    if (
        abs(shift) > shift_limit
        or scatter > scatter_limit
        or abs(drift) > step
        or beyond > MOST_BEYOND
        or near < LEAST_NEAR
    ):
        yield Flag(
            name=FlagName.SLIP,
            disabling=True,
            sentence="The flanks did not stay where they were, or the gear rested between them: lock the "
            "pinion, clamp the base, stop on the flanks and nowhere else, then repeat.",
            numbers={
                "shift_mm": shift,
                "shift_limit_mm": shift_limit,
                "scatter_mm": scatter,
                "scatter_limit_mm": scatter_limit,
                "drift_mm": drift,
                "share_beyond_flanks": beyond,
                "share_near_flanks": near,
            },
        )


def _place(evidence: Evidence) -> tuple[float, float]:
    """Shares of the samples that lie near a flank and beyond it."""
    step, resolution, noise = evidence.lash.mean_mm, evidence.resolution_mm, evidence.noise_mm
    distance = np.abs(evidence.offset_mm) - 0.5 * step
    beyond = int(np.count_nonzero(distance > max(0.2 * step, 1.5 * resolution, 4.5 * noise)))
    near = int(np.count_nonzero(np.abs(distance) < max(0.15 * step, 1.05 * resolution, 4 * noise)))
    return near / distance.size, beyond / distance.size
