"""Whether the flanks stayed where they were: slip of the pinion or the base, creep larger than the lash.

A lasting shift is looked for between every two dwells, with level, drift and step fitted beside it; samples
that belong to neither flank and are not on their way from one to the other say the same.
"""

from __future__ import annotations

from math import isfinite, sqrt
from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.flags import Flag, FlagName
from lashmap_analysis.rock_dwells import FEW_SAMPLES, drift_weights

if TYPE_CHECKING:
    from collections.abc import Iterator

    from lashmap_analysis.rock_evidence import Evidence
    from lashmap_analysis.rock_flanks import Floats

SLIP = 0.04
"""Lasting shift of both flanks as a share of the step."""

SLIP_FEW = 0.06
"""The same with few samples a stay, where a single sample on its way moves a level."""

MOST_SCATTER = 0.06
"""Scatter of the levels of one flank as a share of the step."""

MOST_BEYOND = 0.02
"""Share of the samples that may lie beyond the flanks: impacts are shorter."""

LEAST_NEAR = 0.6
"""Share of the samples that lie near a flank: travel takes less than the rest."""


def check_moved(evidence: Evidence) -> Iterator[Flag]:
    """Yield the flag for flanks that moved, with all that was looked at."""
    lash, stays, settled = evidence.lash, evidence.stays, evidence.settled
    step, residual = lash.mean_mm, lash.residual_mm
    if not isfinite(step):
        return
    good = settled.settled
    samples = float((settled.stop - settled.start)[good].sum()) / residual.size
    rounding = evidence.resolution_mm**2 / 12
    level_error = sqrt(settled.noise_mm**2 / samples + rounding)
    scatter = lash.scatter_mm if isfinite(lash.scatter_mm) else 0.0
    scatter_limit = max(MOST_SCATTER * step, 2.5 * level_error)
    few = settled.typical_samples < FEW_SAMPLES
    shift, shift_limit = 0.0, (SLIP_FEW if few else SLIP) * step
    if residual.size >= 4:
        shift, shift_error = _lasting_shift(settled.time[good], stays.sign[good], residual, level_error)
        shift_limit = max(shift_limit, evidence.resolution_mm, 4.5 * shift_error)
    drift = (stays.levels.slope + lash.slope) * float(evidence.time_s[-1] - evidence.time_s[0])
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
            sentence="The flanks did not stay where they were: lock the pinion, clamp the base, then repeat.",
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


def _lasting_shift(time: Floats, sign: Floats, residual: Floats, level_error: float) -> tuple[float, float]:
    """Largest shift between two neighbouring dwells that explains the residuals, and its standard error."""
    count = residual.size
    flank = sign - np.add.reduce(sign) / count
    across = drift_weights(time, sign)
    # what the shift shares with level, step and drift, from the sums over all dwells after it
    after = np.arange(count - 1, 0, -1.0)
    shared = after * after / count
    for direction in (flank, across):
        length = float(direction.dot(direction))
        if length > 0:
            sums = np.cumsum(direction[:0:-1])[::-1]
            shared += sums * sums / length
    # a shift that drift or step explain as well is not looked for
    power = np.maximum(after - shared, 0.05)
    sizes = np.cumsum(residual[:0:-1])[::-1] / power
    gains = sizes * sizes * power
    at = int(gains.argmax())
    freedom = max(count - 4, 1)
    left = sqrt(max(float(residual @ residual) - float(gains[at]), 0.0) / freedom)
    # few levels happen to be alike once the best shift is taken out; the factor follows Student's t
    error = max(left, level_error) * (1 + 3.5 / freedom)
    return float(sizes[at]), error / sqrt(float(power[at]))


def _place(evidence: Evidence) -> tuple[float, float]:
    """Shares of the samples that lie near a flank and beyond it."""
    step, resolution, noise = evidence.lash.mean_mm, evidence.resolution_mm, evidence.settled.noise_mm
    distance = np.abs(evidence.stays.offset_mm) - 0.5 * step
    beyond = np.count_nonzero(distance > max(0.2 * step, 1.5 * resolution, 4.5 * noise))
    near = np.count_nonzero(np.abs(distance) < max(0.15 * step, 1.05 * resolution, 4 * noise))
    return near / distance.size, beyond / distance.size
