"""Movement of the gear while it should rest on a flank: elastic wind-up, or a hand that does not hold still.

Decided here: how far the gear moves on a flank from the middle of a stay on, flank by flank, what of it is
more than noise, and what it adds to the uncertainty. A flank level means contact under a light, steady
torque; where it still changes, part of it is the shaft winding up, and the lash is read too large.

Not seen: a press that is the same from contact to departure. Its deflection belongs to the stand, not to the
trace.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, nan, pi, sqrt
from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.rock.stays import Groups, drift_weights, ratio

if TYPE_CHECKING:
    from lashmap_analysis.rock.dwells import Settled
    from lashmap_analysis.rock.stays import Booleans, Floats, Integers, StayStack


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
"""With few samples a stay nothing is seen stay by stay; `rock.at_rest` lays all stays over each other."""


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


# The lasting shift between two dwells that explains most of the scatter of the levels.
#
# Decided here: where a shift fits best when level, drift and step are fitted beside it, its size and how
# well that is known. Not decided: whether it is a slip (`rock.checks`).


LEAST_DWELLS = 2
"""Dwells on either side of a shift: one alone may be wrong for other reasons."""

LEAST_POWER = 0.05
"""Squared length of a pattern once level, drift and step are taken off, below which it looks like these."""

STUDENT = 3.5
"""Widening of the error by few degrees of freedom: few levels happen to be alike without the best shift."""


def largest_shift(
    drift_weight: Floats, sign: Floats, residual: Floats, groups: Groups, level_error: Floats
) -> tuple[Floats, Floats]:
    """Look for a shift between every two neighbouring dwells and within every dwell.

    For the step function h of a shift after dwell k and residuals r of the fit on the columns of X, the size
    is r·h / |M h|² with M the projection off X; r·h is the sum of the later residuals, and |M h|² = |h|² less
    the squares of its parts along an orthogonal basis of X. Within dwell k, its own level may be anything:
    M h is taken off the pattern of that dwell alone as well.

    Args:
        drift_weight: Shape (k,), those of `drift_weights` on these dwells, orthogonal to level and step.
        sign: Shape (k,), flank.
        residual: Shape (k,), levels less (level, drift, step).
        groups: The dwells of each trace.
        level_error: Shape (g,), what a level may be wrong by noise and rounding alone.

    Returns:
        Size and standard error of the surer of the two, shape (g,) each.
    """
    ones = np.ones_like(residual)
    after = groups.later(ones)
    power, cross, own = after.copy(), np.zeros_like(after), ones.copy()
    flank = sign - groups.each(groups.mean(sign))
    for direction in (ones, flank, drift_weight):
        later = groups.later(direction)
        total = groups.total(direction * direction)
        scale = groups.each(ratio(np.ones_like(total), total))
        scaled = direction * scale
        power -= later * later * scale
        cross -= later * scaled
        own -= direction * scaled
    before = groups.each(groups.size.astype(np.float64)) - 1 - after
    later, own = groups.later(residual), np.maximum(own, LEAST_POWER)
    alone = residual * residual / own
    left = np.maximum(power, LEAST_POWER), np.maximum(power - cross * cross / own, LEAST_POWER)
    between = _best(
        later / left[0], left[0], 0 * alone, np.minimum(after, before + 1), residual, groups, level_error
    )
    within = _best(
        (later - cross / own * residual) / left[1],
        left[1],
        alone,
        np.minimum(after, before),
        residual,
        groups,
        level_error,
    )
    surer = np.abs(within[0]) * between[1] > np.abs(between[0]) * within[1]
    return np.where(surer, within[0], between[0]), np.where(surer, within[1], between[1])


def _best(  # noqa: PLR0917 - parallel arrays of one stage
    size: Floats,
    power: Floats,
    alone: Floats,
    sides: Floats,
    residual: Floats,
    groups: Groups,
    level_error: Floats,
) -> tuple[Floats, Floats]:
    """The shift that explains most of the squares, and its standard error."""
    gain = np.where(sides >= LEAST_DWELLS, size * size * power + alone, 0.0)
    best = np.maximum.reduceat(gain, groups.first)
    candidates = np.flatnonzero(gain == groups.each(best))
    at = candidates[np.searchsorted(candidates, groups.first)]
    freedom = np.maximum(groups.size - (5 if alone.any() else 4), 1)
    left = np.sqrt(np.maximum(groups.total(residual * residual) - best, 0.0) / freedom)
    error = np.maximum(left * (1 + STUDENT / freedom), level_error)
    return np.where(best > 0, size[at], 0.0), error / np.sqrt(power[at])


# From the levels of the dwells to the lash of one rock, with its uncertainty and degrees of freedom.
#
# Decided here: how the steps are averaged, how the linear drift is removed, and what is known about the
# mean. Not decided: whether it may be used (`rock.checks`).
#
# The levels follow y_j = a + b t_j + s_j L/2 + e_j (s_j = ±1 the flank). The reading is the mean of the
# steps |y_j+1 − y_j| less what the drift b contributes. Neighbouring steps share a dwell, so their scatter
# is no measure of the uncertainty of their mean; the reading is taken as the linear function c·y that it
# is, with variance σ² c·c, where σ² is the scatter of the levels about the fitted model (GUM 4.2 and
# F.1.2.3: correlated input quantities).
#
# What repeats on every visit to a flank does not show as scatter: with little noise the same level is
# rounded the same way each time. The part of the rounding error that repeats has, per level, the variance
# Σ_k q²/(2π²k²) exp(−4π²k² v/q²) for normal dither of variance v (Widrow & Kollár, Quantization Noise,
# 2008, ch. 4 and app. G *(memory)*; q²/12 for no dither), and is added as a type B term.


@dataclass(frozen=True, kw_only=True)
class Lash:
    """Mean step of one rock.

    Attributes:
        mean_mm: The reading.
        standard_uncertainty_mm: Of the reading.
        degrees_of_freedom: Effective, Welch–Satterthwaite (GUM G.4.1).
        spread_mm: Largest less smallest step, drift removed.
        steps: Number of steps.
        slope: Drift beyond that of the levels of the stays, in mm over the unit of the time axis.
        scatter_mm: Standard deviation of a level about the model; NaN with fewer than four dwells.
        shift_mm: Lasting shift between two dwells that explains most of the scatter.
        shift_error_mm: Its standard error, for the choice of the best of several.
        peak_to_peak_mm: Mean over the same steps from extreme to extreme.
        creep: Movement on the flanks.
    """

    mean_mm: float
    standard_uncertainty_mm: float
    degrees_of_freedom: float
    spread_mm: float
    steps: int
    slope: float
    scatter_mm: float
    shift_mm: float
    shift_error_mm: float
    peak_to_peak_mm: float
    creep: Creep


NO_LASH = Lash(
    mean_mm=nan,
    standard_uncertainty_mm=nan,
    degrees_of_freedom=nan,
    spread_mm=nan,
    steps=0,
    slope=0.0,
    scatter_mm=nan,
    shift_mm=0.0,
    shift_error_mm=inf,
    peak_to_peak_mm=nan,
    creep=NO_CREEP,
)


@dataclass(frozen=True, kw_only=True)
class _Dwells:
    """The k settled dwells of those h traces that have steps.

    `near` has shape (k − 1,): true where two dwells are neighbours of the same trace. The rest is (k,), but
    for `trace`, shape (h,), the number of the trace in the stack.
    """

    kept: Integers
    groups: Groups
    trace: Integers
    near: Booleans
    sign: Floats
    time: Floats
    level: Floats
    count: Floats


def measure_steps(stays: StayStack, settled: Settled, broken: Booleans | None) -> list[Lash]:
    """Average the steps between neighbouring settled dwells, trace by trace.

    Args:
        stays: The stays on the flanks.
        settled: Their settled parts.
        broken: Shape (m,), true where the samples after a stay are missing for so long that it is no
            neighbour of the next; None when nowhere.
    """
    lashes = [NO_LASH] * stays.groups.size.size
    dwells = _find_neighbours(stays, settled, broken)
    if dwells is None:
        return lashes
    groups, sign = dwells.groups, dwells.sign
    drift_weight = drift_weights(dwells.time, sign, groups)
    slope = groups.total(drift_weight * dwells.level)
    straight = dwells.level - groups.each(slope) * dwells.time
    residual = _residuals(straight, sign, groups)
    freedom = groups.size - 3
    scatter2 = groups.total(residual * residual) / np.maximum(freedom, 1)
    # a pair belongs to the trace of its first dwell
    pairs = Groups.of_sizes(groups.counts(np.append(dwells.near, values=False)))
    extreme = settled.extreme_mm[dwells.kept]
    steps = (sign[1:] * (straight[1:] - straight[:-1]))[dwells.near]
    mean = pairs.mean(steps)
    # the drift is itself a linear function of the levels, and c·t of it enters the mean
    weight = _weights(dwells, pairs)
    weight -= groups.each(groups.total(weight * dwells.time)) * drift_weight
    square = groups.total(weight * weight)
    creeps = measure_creep(stays, settled, dwells.kept, groups, dwells.trace, slope, mean)
    sampling2 = settled.noise_mm[dwells.trace] ** 2 * groups.mean(1 / dwells.count)
    level_error = np.sqrt(sampling2 + settled.resolution_mm**2 / 12)
    shift, shift_error = largest_shift(drift_weight, sign, residual, groups, level_error)
    spread = np.maximum.reduceat(steps, pairs.first) - np.minimum.reduceat(steps, pairs.first)
    peak = pairs.mean((extreme[1:] + extreme[:-1])[dwells.near])
    random = _random(square, scatter2, sampling2, freedom, groups.total(dwells.count - 1))
    type_b2 = [
        2 * repeated_rounding(dither, settled.resolution_mm) + creep.uncertainty_mm**2
        for dither, creep in zip(_dither(stays, settled, dwells), creeps, strict=True)
    ]
    scatter = np.where(freedom > 0, np.sqrt(scatter2), nan)
    columns = (mean, *random, spread, slope, scatter, shift, shift_error, peak)
    rows = zip(*(column.tolist() for column in columns), strict=True)
    for at, row in enumerate(rows):
        uncertainty, effective = _combine(row[1], row[2], type_b2[at])
        lashes[int(dwells.trace[at])] = Lash(
            mean_mm=row[0],
            standard_uncertainty_mm=uncertainty,
            degrees_of_freedom=effective,
            spread_mm=row[3],
            steps=int(pairs.size[at]),
            slope=row[4],
            scatter_mm=row[5],
            shift_mm=row[6],
            shift_error_mm=row[7],
            peak_to_peak_mm=row[8],
            creep=creeps[at],
        )
    return lashes


def _find_neighbours(stays: StayStack, settled: Settled, broken: Booleans | None) -> _Dwells | None:
    """Settled dwells of the traces that have at least one step; None when no trace has."""
    count = stays.groups.size
    good = settled.settled
    # a stay and the next one of the same trace
    followed = np.append(good[:-1] & good[1:], values=False)
    followed[stays.groups.first + count - 1] = False
    if broken is not None:
        followed &= ~broken
    some = stays.groups.counts(followed) > 0
    if not some.any():
        return None
    if not some.all():
        good = good & np.repeat(some, count)
    kept = np.flatnonzero(good)
    kept_count = stays.groups.counts(good)
    return _Dwells(
        kept=kept,
        groups=Groups.of_sizes(kept_count[some]),
        trace=np.flatnonzero(some),
        near=followed[kept[:-1]],
        sign=stays.sign[kept],
        time=settled.time[kept],
        level=settled.offset_mm[kept],
        count=settled.count[kept].astype(np.float64),
    )


def _residuals(straight: Floats, sign: Floats, groups: Groups) -> Floats:
    """What is left of drift-free levels about the mean of their flank, shape (k,)."""
    high = (sign > 0).astype(np.float64)
    highs = groups.total(high)
    total, total_high = groups.total(straight), groups.total(straight * high)
    low_mean = ratio(total - total_high, groups.size - highs)
    high_mean = ratio(total_high, highs)
    return straight - groups.each(low_mean) - groups.each(high_mean - low_mean) * high


def _weights(dwells: _Dwells, pairs: Groups) -> Floats:
    """Weights c with c·y = mean of the steps between neighbours, shape (k,)."""
    weight = np.zeros_like(dwells.sign)
    weight[1:] += dwells.near
    weight[:-1] += dwells.near
    weight *= dwells.sign / dwells.groups.each(pairs.size.astype(np.float64))
    return weight


def _random(
    square: Floats, scatter2: Floats, sampling2: Floats, freedom: Integers, pooled_freedom: Floats
) -> tuple[Floats, Floats]:
    """Variance of the mean step by scatter, and its degrees of freedom, shape (h,); NaN with too few dwells.

    The levels cannot repeat better than the noise of their samples allows: where few levels happen to agree
    better than that, the noise within the dwells, which is known far better, stands in for their scatter.
    """
    scattered = scatter2 >= sampling2
    variance = np.where(scattered, scatter2, sampling2) * square
    known = np.where(scattered, freedom, pooled_freedom)
    enough = freedom > 0
    return np.where(enough, variance, nan), np.where(enough, known, nan)


def _combine(random2: float, freedom: float, type_b2: float) -> tuple[float, float]:
    """Standard uncertainty and its degrees of freedom (GUM G.4.1; those of the type B part are infinite)."""
    variance = random2 + type_b2
    if not variance > 0:
        return nan, nan
    return sqrt(variance), freedom * (variance / random2) ** 2 if random2 > 0 else inf


def _dither(stays: StayStack, settled: Settled, dwells: _Dwells) -> list[float]:
    """Variance of the signal on a flank before rounding, mean of both flanks (Sheppard's correction)."""
    groups, kept = dwells.groups, dwells.kept
    level = dwells.level + groups.each(stays.slope[dwells.trace]) * dwells.time
    spread = settled.variance_mm2[kept] + level * level
    high = dwells.count * (dwells.sign > 0)
    total = np.zeros(groups.size.size)
    for weight in (high, dwells.count - high):
        samples = groups.total(weight)
        total += ratio(groups.total(weight * spread), samples)
        total -= ratio(groups.total(weight * level), samples) ** 2
    values: list[float] = np.maximum(0.5 * total - settled.resolution_mm**2 / 12, 0.0).tolist()
    return values


def repeated_rounding(dither_mm2: float, resolution_mm: float) -> float:
    """Variance of the rounding error that repeats on every visit to a level, in mm².

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
