"""Movement of the gear while it should rest on a flank: wind-up, a film of oil, an unsteady hand.

Decided here: how far the gear moves from the first to the last third of its dwells, flank by flank and with
its sign, what of it is more than noise, and what it adds to the uncertainty. A flank level means contact
under a light, steady torque. Where it still grows outward, part of it is the shaft winding up and the lash is
read too large, or oil is pressed out and the lash is read too small: which of both, the trace does not say,
so that creep is never corrected for.

A creep that noise could hide counts as well, up to what a light rock may bring: as a rectangular distribution
(GUM 4.3.7) whose half-width is the limit of detection. It shrinks with the number of samples at rest.

Not seen: a press that is the same from contact to departure. Its deflection belongs to the stand, not to the
trace.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, pi, sqrt
from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.rock.flanks import mean_of

if TYPE_CHECKING:
    from lashmap_analysis.rock.dwells import Settled
    from lashmap_analysis.rock.flanks import Floats, Integers, Stays


SHARE = 0.01
"""Mean movement from the first to the last third, as a share of the step, that is refused."""

LIGHT = 0.01
"""Movement on a flank, as a share of the step, that a light rock may bring without being seen (practice)."""

REACH = 4.0
"""Error of the level per movement between the thirds: 0.8 for a steady rise, up to 4 for one that slows
down.
"""

HIDDEN_REACH = 2.5
"""The same for a movement that is not seen: among all such, few slow down so much."""

HIDDEN = 1.645
"""Standard errors of a movement that noise hides with 5 % chance (one-sided, normal)."""

SURE = 3.6
"""Standard errors of a movement that is no chance."""


@dataclass(frozen=True, kw_only=True)
class Creep:
    """Movement on the flank.

    Attributes:
        travel_mm: Mean outward movement on the flank where it is largest against its limit.
        limit_mm: Above it, either way, the levels are no flank levels.
        seen: True when the movement is more than noise.
        uncertainty_mm: What seen or hidden movement adds to the uncertainty of the step.
    """

    travel_mm: float
    limit_mm: float
    seen: bool
    uncertainty_mm: float


NO_CREEP = Creep(travel_mm=0.0, limit_mm=inf, seen=False, uncertainty_mm=0.0)


def measure_creep(  # noqa: PLR0917 - everything known about the dwells
    padded_time: Floats,
    stays: Stays,
    settled: Settled,
    kept: Integers,
    slope: tuple[float, float],
    step_mm: float,
) -> Creep:
    """Compare the last third of the dwells with the first.

    Args:
        padded_time: Time of the samples.
        stays: The stays on the flanks.
        settled: Their settled parts.
        kept: Shape (k,), indices of the settled stays.
        slope: Drift still in the offsets, and how well that is known.
        step_mm: Mean step.
    """
    flanks, lasted = _thirds(padded_time, stays, settled, kept, slope[0])
    drift_error2 = (slope[1] * lasted) ** 2
    noise2 = settled.jitter_mm**2
    rounding2 = 2 * repeated_rounding(noise2, settled.resolution_mm)
    worst, limit, seen = 0.0, max(SHARE * step_mm, settled.resolution_mm), False
    means, variances = [], []
    for moves, samples in flanks:
        count = len(moves)
        if not count:
            continue
        mean = sum(moves) / count
        sampling2 = 2 * noise2 / samples
        # movement itself makes the dwells differ: little more is allowed than noise explains
        scatter2 = sum([(move - mean) ** 2 for move in moves]) / count / max(count - 1, 1)
        bound = sqrt(sampling2) + 0.03 * step_mm / sqrt(count)
        error2 = max(sampling2, min(scatter2, bound * bound))
        # creep of the base carries dwells across the edge of a code
        sure = SURE * sqrt(error2 + drift_error2 + rounding2 / count)
        least = max(SHARE * step_mm, sure)
        if abs(mean) * limit > abs(worst) * least:
            worst, limit = mean, least
        seen = seen or abs(mean) > sure
        means.append(mean)
        variances.append(error2)
    half_width = _half_width(means, variances, step_mm, seen=seen)
    return Creep(
        travel_mm=worst,
        limit_mm=limit,
        seen=seen,
        uncertainty_mm=half_width / sqrt(3),
    )


def _thirds(
    padded_time: Floats, stays: Stays, settled: Settled, kept: Integers, slope: float
) -> tuple[list[tuple[list[float], int]], float]:
    """Movements on the high and the low flank, samples in all their thirds; mean time from third to third."""
    # from the touch on: what moves most does so at once
    sign, start, stop = stays.sign[kept], settled.touch[kept], settled.stop[kept]
    third = np.maximum((stop - start) // 3, 1)
    edges = np.empty((third.size, 4), dtype=np.int64)
    edges[:, 0], edges[:, 1], edges[:, 2], edges[:, 3] = start, start + third, stop - third, stop
    early, _, late, _ = np.add.reduceat(stays.padded_mm, edges.ravel()).reshape(-1, 4).T
    lasted = padded_time[stop - third] - padded_time[start]
    outward = sign * ((late - early) / third - slope * lasted)
    high = sign > 0
    # a flank has a dozen dwells: plain numbers are quicker than arrays
    flanks = [(outward[flank].tolist(), sum(third[flank].tolist())) for flank in (high, ~high)]
    return flanks, mean_of(lasted)


def _half_width(means: list[float], variances: list[float], step_mm: float, *, seen: bool) -> float:
    """How far the step may be off by what was seen, or by what noise could hide."""
    # an error of the drift moves both flanks apart and together in turn: it cancels in their sum
    hidden = HIDDEN * sqrt(sum(variances))
    half_width = max(REACH * abs(sum(means)), HIDDEN_REACH * hidden)
    if seen:
        return max(half_width, *(REACH * abs(one) for one in means))
    return min(half_width, 2 * LIGHT * step_mm)


def repeated_rounding(dither_mm2: float, resolution_mm: float) -> float:
    """Variance of the rounding error that repeats on every visit to a level, in mm².

    With little noise the same level is rounded the same way each time. For normal dither of variance v that
    is Σ_k q²/(2π²k²) exp(−4π²k² v/q²) (Widrow & Kollár, Quantization Noise, 2008, ch. 4 and app. G
    *(memory)*), q²/12 for no dither.

    Args:
        dither_mm2: Variance of the signal about its level before rounding.
        resolution_mm: Least step of the indicator.
    """
    ratio = 4 * pi**2 * dither_mm2 / resolution_mm**2
    if ratio > 40:
        return 0.0
    tail = 1 / 12 - sum(1 / (2 * pi**2 * k**2) for k in range(1, 5))
    series = sum(exp(-ratio * k**2) / (2 * pi**2 * k**2) for k in range(1, 5))
    return resolution_mm**2 * (series + tail * exp(-25 * ratio))
