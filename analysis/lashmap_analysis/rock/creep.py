"""Movement of the gear while it should rest on a flank: wind-up, a film of oil, an unsteady hand.

Decided here: how far the gear moves from the first to the last third of its dwells, flank by flank and with
its sign, what of it is more than noise, and what it adds to the uncertainty. A flank level means contact
under a light, steady torque. Where it still grows outward, part of it is the shaft winding up and the lash is
read too large, or oil is pressed out and the lash is read too small: which of both, the trace does not say,
so that creep is never corrected for.

A creep that noise could hide counts as well, up to what a light rock may bring: as a rectangular distribution
(GUM 4.3.7) whose half-width is the limit of detection. It shrinks with the number of samples at rest.

A gear that is leaned on is out on its flank when the dwell is found, and was not when it came: the dwell lies
where the press is steady, or on its slope, and its thirds show little. So the dwell is held against the first
fifth of the time on the flank, from the last sample clearly inward of it on: a rebound there is short, and a
press is not there yet. With few samples a stay the mean shape of all stays says it too (`rock.shape`): what
neighbours differ by holds the slope then, so that noise is no measure of what could be hidden.

Not seen: a press that is the same from contact to departure. Its deflection belongs to the stand, not to the
trace. What went outward soon after contact and came back before the dwell does no harm to the level.
"""

from __future__ import annotations

from math import exp, inf, pi, sqrt
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from lashmap_analysis.rock.dwells import thirds_of
from lashmap_analysis.rock.flanks import mean_of
from lashmap_analysis.rock.shape import PLENTY, measure_shape

if TYPE_CHECKING:
    from lashmap_analysis.rock.dwells import Settled
    from lashmap_analysis.rock.flanks import Floats, Stays


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

ON_FLANK = 0.04
"""Distance inward of the dwell, as a share of the step, within which the gear may be on the flank."""

EARLY = 5
"""Part of the time on the flank that is held against the dwell, one in so many."""

LEAST_EARLY = 4
"""Samples there, of all stays on a flank, from which on they are looked at."""

LATE = (0.01, 0.005)
"""That distance, as a share of the step, that is refused: any, and one that the mean shape confirms.

An oil film of 1 % of the step makes 0.5 to 0.9 % of it.
"""

LATE_CODES = 0.65
"""The same in resolutions: rounding to another code in every stay looks like that much."""

HIDDEN_BY_NOISE = 2.0
"""Standard deviations of a sample that may reach as far."""

LATE_NONE = 0.0005
"""The same that is none: it adds nothing to the uncertainty, nor does half a resolution."""

LATE_REACH = 2.0
"""Error of the level per distance between the dwell and the first fifth: 0.9 to 1.6, up to 2.2 for a press
that begins at contact (simulated stand, leaned on in nine ways).
"""

BULGE_REACH = 1.2
"""The same per arch and half the tilt of the mean shape."""

BULGE = (1.0, 2.0)
"""Standard errors of these from which on they count, and from which on wholly."""

RISE_REACH = 1.7
"""The same per rise over the middle half of the mean stay, mean of both flanks: a press that grows all the
while makes 1.6 to 1.7.
"""

RISE = (1.5, 3.0)
"""Standard errors of it, as `BULGE`; of 1,100 sound rocks one in a hundred has 2.6 or more."""

SURE_RISE = 5.5
"""Standard errors of it from which on it is refused when it is more than the first of `LATE`."""

SURE_BULGE = (3.0, 0.01)
"""Standard errors, and share of the step, from which on the mean shape confirms it."""


class Creep(NamedTuple):
    """Movement on the flank.

    Attributes:
        travel_mm: Mean outward movement on the flank where it is largest against its limit.
        limit_mm: Above it, either way, the levels are no flank levels.
        seen: True when the movement is more than noise.
        uncertainty_mm: What seen or hidden movement adds to the uncertainty of the step.
        late_mm: How far inward of its dwells the gear surely was when it had come to the flank.
        late_limit_mm: Above it, the gear was leaned on in its dwells.
    """

    travel_mm: float
    limit_mm: float
    seen: bool
    uncertainty_mm: float
    late_mm: float
    late_limit_mm: float


NO_CREEP = Creep(travel_mm=0.0, limit_mm=inf, seen=False, uncertainty_mm=0.0, late_mm=0.0, late_limit_mm=inf)


def measure_creep(
    padded_time: Floats, stays: Stays, settled: Settled, slope: tuple[float, float], step_mm: float
) -> Creep:
    """Compare the last third of the dwells with the first, and the dwells with the time before them.

    Args:
        padded_time: Time of the samples.
        stays: The stays on the flanks.
        settled: Their settled parts.
        slope: Drift still in the offsets, and how well that is known.
        step_mm: Mean step.
    """
    flanks, lasted = _thirds(padded_time, stays, settled, slope[0])
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
    pressed, late, late_limit = _leaned_on(padded_time, stays, settled, (slope[0], step_mm))
    return Creep(
        travel_mm=worst,
        limit_mm=limit,
        seen=seen or pressed > half_width,
        uncertainty_mm=max(half_width, pressed) / sqrt(3),
        late_mm=late,
        late_limit_mm=late_limit,
    )


def _thirds(
    padded_time: Floats, stays: Stays, settled: Settled, slope: float
) -> tuple[list[tuple[list[float], int]], float]:
    """Movements on the high and the low flank, samples in all their thirds; mean time from third to third."""
    # from the touch on: what moves most does so at once
    kept = settled.kept
    sign, start, stop = stays.sign[kept], settled.touch[kept], settled.stop[kept]
    third, early, _, late = thirds_of(stays.padded_mm, start, stop)
    lasted = padded_time[stop - third] - padded_time[start]
    outward = sign * ((late - early) / third - slope * lasted)
    high = sign > 0
    # a flank has a dozen dwells: plain numbers are quicker than arrays
    flanks = [(outward[flank].tolist(), sum(third[flank].tolist())) for flank in (high, ~high)]
    return flanks, mean_of(lasted)


def _leaned_on(
    padded_time: Floats, stays: Stays, settled: Settled, slope_and_step: tuple[float, float]
) -> tuple[float, float, float]:
    """How far the step may be off by a press; how far out the dwells surely are, and the limit for that."""
    step_mm = slope_and_step[1]
    late = _find_late(padded_time, stays, settled, slope_and_step)
    width = LATE_REACH * sum([usual for usual, _, _ in late])
    least, surely = max([one for _, one, _ in late]), max([one for _, _, one in late])
    share, few = LATE[0], settled.middles.few
    codes = LATE_CODES * settled.resolution_mm
    if few or min(settled.middles.typical_samples) < PLENTY:
        # a single early sample of each stay may be that of a rebound
        (bulge, sure), (rise, rise_error) = _find_bulge(padded_time, stays, settled, step_mm)
        confirmed = sure > SURE_BULGE[0] and bulge > SURE_BULGE[1] * step_mm
        share, surely = LATE[1] if confirmed else inf, least
        if few:
            width = max(
                width,
                BULGE_REACH * bulge * _believed(sure, BULGE),
                RISE_REACH * (rise + HIDDEN * rise_error) * _believed(rise / rise_error, RISE),
            )
        if rise > max(SURE_RISE * rise_error, LATE[0] * step_mm, codes):
            share, surely = LATE[0], rise
    return width, surely, max(share * step_mm, codes)


def _find_late(
    padded_time: Floats, stays: Stays, settled: Settled, slope_and_step: tuple[float, float]
) -> list[tuple[float, float, float]]:
    """How far inward of its dwells the gear was early on each flank: the median, and two bounds of it.

    It exceeds them with 97.5 and 99.9 % (binomial, normal approximation). All are 0 where that is next to
    nothing, and where noise reaches as far as is looked at.
    """
    slope, step_mm = slope_and_step
    # with few samples a stay it holds the slope
    if not settled.middles.few and HIDDEN_BY_NOISE * settled.middles.noise_mm > ON_FLANK * step_mm:
        return [(0.0, 0.0, 0.0)]
    first, end = int(stays.start[0]), int(stays.stop[-1])
    nothing = max(LATE_NONE * step_mm, 0.5 * settled.resolution_mm)
    spans = np.append(stays.start[1:], end) - stays.start
    level = stays.sign * (settled.offset_mm - slope * settled.time)
    outward = stays.sign.repeat(spans) * (stays.padded_mm[first:end] - slope * padded_time[first:end])
    inward = level.repeat(spans) - outward
    off = (inward > ON_FLANK * step_mm).nonzero()[0] + first
    walls = np.concatenate(([-1], off, [end]))
    begin = np.maximum(stays.start, walls[off.searchsorted(settled.start)] + 1)
    stop = np.minimum(stays.stop, walls[off.searchsorted(settled.stop) + 1])
    count = np.maximum((stop - begin) // EARLY, 1)
    looked_at = settled.settled.copy()
    # the first stay may begin in its midst
    looked_at[0] = False
    found = [(0.0, 0.0, 0.0)]
    for flank in (looked_at & (stays.sign > 0), looked_at & (stays.sign < 0)):
        some = count[flank]
        size = int(np.add.reduce(some))
        if size < LEAST_EARLY:
            continue
        index = np.arange(size) + (begin[flank] - np.add.accumulate(some) + some - first).repeat(some)
        early = np.sort(inward[index]).tolist()
        middle = 0.5 * (size - 1)
        least, surely = (early[max(int(middle - half * sqrt(size)), 0)] for half in (1.0, 1.5))
        if least > nothing:
            found.append((early[int(middle)], least, surely))
    return found


def _believed(sure: float, bounds: tuple[float, float]) -> float:
    """What counts of a movement that is so many standard errors: from nothing at the first bound to all."""
    begins, ends = bounds
    return min(max((sure - begins) / (ends - begins), 0.0), 1.0)


def _find_bulge(
    padded_time: Floats, stays: Stays, settled: Settled, step_mm: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """How far the mean stays bulge, also in standard errors, and how far they rise, with its standard error.

    A bulge is outward in their midst or at their end, both flanks together; a rise goes on over the middle
    half of the stay, mean of both flanks, so that a drift of the base is none.
    """
    least_mm = stays.sign * settled.offset_mm - ON_FLANK * step_mm
    shape = measure_shape(padded_time[:-1], stays, settled.resolution_mm, step_mm, least_mm=least_mm)
    if shape is None:
        return (0.0, 0.0), (0.0, abs(step_mm))
    # high and low flank
    bulge = float((shape.arch_mm + 0.25 * shape.tilt_mm)[:2].sum())
    error2 = float((shape.arch_error_mm**2 + (0.25 * shape.tilt_error_mm) ** 2)[:2].sum())
    rise = 0.5 * float(shape.tilt_mm[:2].sum())
    rise_error2 = 0.25 * float((shape.tilt_error_mm**2)[:2].sum())
    return (bulge, bulge / (sqrt(error2) * shape.wide)), (rise, sqrt(rise_error2) * shape.wide)


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
