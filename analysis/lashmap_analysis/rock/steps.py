"""From the levels of the dwells to the lash of one rock, with its uncertainty and degrees of freedom.

Decided here: how the steps are averaged, how the linear drift is removed, what is known about the mean, where
a lasting shift fits best, and how unlike the scatter of both flanks is. Not decided: whether the lash may be
used (`rock.checks`).

The levels follow y_j = a + b t_j + s_j L/2 + e_j (s_j = ±1 the flank). The reading is the mean of the
steps |y_j+1 − y_j| less what the drift b contributes. Neighbouring steps share a dwell, so their scatter
is no measure of the uncertainty of their mean; the reading is taken as the linear function c·y that it
is, with variance σ² c·c, where σ² is the scatter of the levels about the fitted model (GUM 4.2 and
F.1.2.3: correlated input quantities).

What repeats on every visit to a flank does not show as scatter and is added as type B terms: rounding
(`rock.creep`), creep on the flanks, and a flank that is not always reached.
"""

from __future__ import annotations

from math import inf, nan, sqrt
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from lashmap_analysis.rock.creep import NO_CREEP, Creep, measure_creep, repeated_rounding
from lashmap_analysis.rock.flanks import drift_weights, mean_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from lashmap_analysis.rock.dwells import Settled
    from lashmap_analysis.rock.flanks import Booleans, Floats, Stays


class Unlike(NamedTuple):
    """The levels of one flank that scatter more than those of the other.

    Attributes:
        high: True when they are those of the high flank.
        scatter_mm: Their standard deviation.
        other_mm: That of the other flank, or what noise and rounding allow at best.
        short_mm: How far their mean may lie inward of contact, if they stop anywhere short of it.
        chance: That they are unlike, as a standard normal deviate.
        own_mm: As `scatter_mm`, but not more than the levels themselves show.
        freedom: Degrees of freedom of both.
    """

    high: bool
    scatter_mm: float
    other_mm: float
    short_mm: float
    chance: float
    own_mm: float
    freedom: int

    @property
    def allowed_mm(self) -> float:
        """What the uncertainty allows for; nothing where both flanks scatter alike."""
        begins, ends = UNLIKE
        return self.short_mm * min(max((self.chance - begins) / (ends - begins), 0.0), 1.0)


class Lash(NamedTuple):
    """Mean step of one rock.

    Attributes:
        mean_mm: The reading.
        standard_uncertainty_mm: Of the reading.
        degrees_of_freedom: Effective, Welch–Satterthwaite (GUM G.4.1).
        spread_mm: Largest less smallest step, drift removed.
        steps: Number of steps.
        centre_mm: Middle between the mean levels of both flanks, as an offset.
        slope: Drift beyond that of the levels of the stays, in mm over the unit of the time axis.
        scatter_mm: Standard deviation of a level about the model; NaN with fewer than four dwells.
        shift_mm: Lasting shift between two dwells that explains most of the scatter.
        shift_error_mm: Its standard error, for the choice of the best of several.
        peak_to_peak_mm: Mean over the same steps from extreme to extreme.
        rounding_mm: Standard uncertainty of the step by rounding that repeats on every visit.
        creep: Movement on the flanks.
        without_creep_mm: Standard uncertainty of all but creep.
        level_mm: Standard uncertainty of a level by noise and rounding alone.
        unreached_mm: What the uncertainty allows for a flank that is not always reached, half-width.
        unlike: The flank that scatters more; None with too few dwells to tell.
        unseen_mm: What the uncertainty allows for stops short of a flank that would not be seen, half-width.
    """

    mean_mm: float
    standard_uncertainty_mm: float
    degrees_of_freedom: float
    spread_mm: float
    steps: int
    centre_mm: float
    slope: float
    scatter_mm: float
    shift_mm: float
    shift_error_mm: float
    peak_to_peak_mm: float
    rounding_mm: float
    creep: Creep
    without_creep_mm: float
    level_mm: float
    unreached_mm: float
    unlike: Unlike | None
    unseen_mm: float = 0.0


NO_LASH = Lash(
    mean_mm=nan,
    standard_uncertainty_mm=nan,
    degrees_of_freedom=nan,
    spread_mm=nan,
    steps=0,
    centre_mm=0.0,
    slope=0.0,
    scatter_mm=nan,
    shift_mm=0.0,
    shift_error_mm=inf,
    peak_to_peak_mm=nan,
    rounding_mm=0.0,
    creep=NO_CREEP,
    without_creep_mm=nan,
    level_mm=0.0,
    unreached_mm=0.0,
    unlike=None,
)


def measure_steps(padded_time: Floats, stays: Stays, settled: Settled, broken: Booleans | None) -> Lash:
    """Average the steps between neighbouring settled dwells.

    Args:
        padded_time: Time of the samples, centred, then a zero.
        stays: The stays on the flanks.
        settled: Their settled parts.
        broken: Shape (m,), true where the samples after a stay are missing for so long that it is no
            neighbour of the next; None when nowhere.
    """
    followed = _followed(settled.settled, broken)
    if not np.count_nonzero(followed):
        return NO_LASH
    kept = settled.kept
    near = followed[kept][:-1]
    sign, time, level = stays.sign[kept], settled.time[kept], settled.offset_mm[kept]
    count, extreme = settled.count[kept].astype(np.float64), settled.extreme_mm[kept]
    high, freedom = sign > 0, sign.size - 3
    drift_weight = drift_weights(time, sign)
    slope = float(drift_weight.dot(level))
    straight = level - slope * time
    residual, centre = _residuals(straight, high)
    scatter2 = float(residual.dot(residual)) / max(freedom, 1)
    steps = (sign[1:] * (straight[1:] - straight[:-1]))[near]
    mean, weight = mean_of(steps), _weights(near, sign, time, drift_weight)
    sampling2 = settled.noise_mm**2 * mean_of(1 / count)
    level_error = sqrt(sampling2 + settled.resolution_mm**2 / 12)
    random2 = max(scatter2, sampling2) * float(weight.dot(weight))
    # the levels cannot repeat better than the noise of their samples allows, which is known far better
    known = freedom if scatter2 >= sampling2 else float(np.add.reduce(count)) - sign.size
    slope_error = sqrt(max(scatter2, sampling2) * float(drift_weight.dot(drift_weight)))
    creep = measure_creep(padded_time, stays, settled, (slope, slope_error), mean)
    unlike = compare_flanks(level, time, high, level_error)
    dither = _dither(stays.levels.slope, settled, count, high)
    rounding2 = 2 * repeated_rounding(dither, settled.resolution_mm)
    unreached = min(unlike.allowed_mm, MOST_SHORT * mean) if unlike is not None else 0.0
    other_b2 = rounding2 + unreached**2 / 3
    combined = _combine(random2, known, other_b2 + creep.uncertainty_mm**2) if freedom > 0 else (nan, nan)
    shift, shift_error = 0.0, 0.0
    if sqrt(scatter2 * max(freedom, 1) / LEAST_POWER) >= LEAST_SHIFT * mean:  # no more is in the scatter
        shift, shift_error = largest_shift(drift_weight, sign, residual, level_error)
    return Lash(
        mean_mm=mean,
        standard_uncertainty_mm=combined[0],
        degrees_of_freedom=combined[1],
        spread_mm=float(np.maximum.reduce(steps) - np.minimum.reduce(steps)),
        steps=steps.size,
        centre_mm=centre,
        slope=slope,
        scatter_mm=sqrt(scatter2) if freedom > 0 else nan,
        shift_mm=shift,
        shift_error_mm=shift_error,
        peak_to_peak_mm=mean_of((extreme[1:] + extreme[:-1])[near]),
        rounding_mm=sqrt(rounding2),
        creep=creep,
        without_creep_mm=sqrt(random2 + other_b2),
        level_mm=sqrt(sampling2 + 0.5 * rounding2),
        unreached_mm=unreached,
        unlike=unlike,
    )


def _followed(settled: Booleans, broken: Booleans | None) -> Booleans:
    """Shape (m,), true for a settled stay whose next one is settled and its neighbour."""
    followed = settled.copy()
    followed[:-1] &= settled[1:]
    followed[-1] = False
    if broken is not None:
        followed &= ~broken
    return followed


def _weights(near: Booleans, sign: Floats, time: Floats, drift_weight: Floats) -> Floats:
    """Weights of the levels in the mean of the steps between neighbours, drift removed, shape (k,)."""
    # c with c·y = mean of the steps between neighbours
    weight = np.zeros(sign.size)
    weight[1:] = near
    weight[:-1] += near
    weight *= sign / np.count_nonzero(near)
    # the drift is itself a linear function of the levels, and c·t of it enters the mean
    weight -= float(weight.dot(time)) * drift_weight
    return weight


def _residuals(straight: Floats, high: Booleans) -> tuple[Floats, float]:
    """Drift-free levels less the mean of their flank, shape (k,), and the middle of both means.

    Where there is a step there are levels on both flanks.
    """
    highs = int(np.count_nonzero(high))
    total, total_high = float(np.add.reduce(straight)), float(straight.dot(high))
    high_mean, low_mean = total_high / highs, (total - total_high) / (high.size - highs)
    return straight - np.where(high, high_mean, low_mean), 0.5 * (high_mean + low_mean)


def _combine(random2: float, freedom: float, type_b2: float) -> tuple[float, float]:
    """Standard uncertainty and its degrees of freedom (GUM G.4.1; those of the type B part are infinite)."""
    variance = random2 + type_b2
    if not variance > 0:
        return nan, nan
    # a millionth of the uncertainty is what the last digits leave of no scatter
    return sqrt(variance), freedom * (variance / random2) ** 2 if random2 > 1e-12 * variance else inf


NOISE_ENOUGH = 2.5
"""Variance within the dwells, in squared resolutions, from which on no rounding repeats."""


def _dither(slope: float, settled: Settled, count: Floats, high: Booleans) -> float:
    """Variance of the signal on a flank before rounding, mean of both flanks (Sheppard's correction)."""
    within = float(count.dot(settled.variance_mm2[settled.kept])) / float(np.add.reduce(count))
    if within > NOISE_ENOUGH * settled.resolution_mm**2:
        # half of that is the least that the mean of both flanks can be, and nothing of rounding repeats
        return 0.5 * within
    kept = settled.kept
    level = settled.offset_mm[kept] + slope * settled.time[kept]
    spread = settled.variance_mm2[kept] + level * level
    total = 0.0
    for flank in (high, ~high):
        weight = count * flank
        samples = float(np.add.reduce(weight))
        if samples:
            total += float(weight.dot(spread)) / samples - (float(weight.dot(level)) / samples) ** 2
    return max(0.5 * total - settled.resolution_mm**2 / 12, 0.0)


LEAST_LEVELS = 3
"""Levels on either flank from which on their scatters are compared."""

UNLIKE = (0.4, 1.0)
"""Standard deviations of that root from which on the uncertainty allows for a flank that is not always
reached, and from which on wholly.
"""

BEYOND = 0.004
"""Chance that contact lies farther beyond the outermost stop than is allowed for."""


MOST_SHORT = 0.2
"""Most that is allowed for, as a share of the step: who stops farther short is refused, unless rounding alone
looks like it.
"""


def compare_flanks(level: Floats, time: Floats, high: Booleans, level_error: float) -> Unlike | None:
    """Compare the scatter of the levels of both flanks.

    The drift is taken from the flank that repeats. The cube root of the ratio of two variances is nearly
    normal (Paulson 1942; Abramowitz & Stegun 26.6.15); with few levels it errs towards alike.

    For n stops that are evenly scattered between two unknown ends, an end is more than c ranges beyond the
    outermost stop with chance (1 + c)^(1 − n): the joint density of smallest and largest is
    n (n − 1) R^(n − 2) / w^n, so that this chance is the same for every width w.
    """
    flanks: tuple[list[tuple[float, float]], list[tuple[float, float]]] = ([], [])
    for up, one, when in zip(high.tolist(), level.tolist(), time.tolist(), strict=True):
        flanks[not up].append((one, when))
    if min(map(len, flanks)) < LEAST_LEVELS:
        return None
    lines = [_line(flank) for flank in flanks]
    shown = [sqrt(left2 / (len(flank) - 2)) for flank, (_, _, left2) in zip(flanks, lines, strict=True)]
    deviation = [max(one, level_error) for one in shown]
    # where noise is all that both may show, what they show decides
    more = 0 if (deviation[0], shown[0]) >= (deviation[1], shown[1]) else 1
    (slope, lever, _), tight = lines[1 - more], deviation[1 - more]
    if not tight > 0:
        return None
    straight = [one - slope * when for one, when in flanks[more]]
    mean = sum(straight) / len(straight)
    loose = [one - mean for one in straight]
    # a slope from elsewhere costs no degree of freedom; its own error adds this part of one
    borrowed = min(lines[more][1] / lever, 1.0) if lever > 0 else 1.0
    squares = sum([one * one for one in loose])
    own = sqrt(squares / (len(loose) - 1 + borrowed))
    scatter = max(own, tight)
    sure = _sure(scatter / tight, len(loose) - 1, len(flanks[1 - more]) - 2)
    span = max(max(loose) - min(loose) - level_error, 0.0)
    outermost = max(loose) if more == 0 else -min(loose)
    return Unlike(
        high=more == 0,
        scatter_mm=scatter,
        other_mm=tight,
        short_mm=outermost + span * (BEYOND ** (-1 / (len(loose) - 1)) - 1),
        chance=sure,
        own_mm=own,
        freedom=len(loose) - 1,
    )


def _sure(ratio: float, more: int, less: int) -> float:
    """Normal deviate of a ratio of two standard deviations, by their degrees of freedom (A & S 26.6.15)."""
    root: float = ratio ** (2 / 3)
    a, b = 2 / (9 * more), 2 / (9 * less)
    return ((1 - b) * root - (1 - a)) / sqrt(b * root * root + a)


def pool_flanks(rocks: Iterable[Sequence[tuple[float, float, bool]]], resolution_mm: float) -> Unlike | None:
    """Compare the scatter of both flanks over all rocks of a test, each flank of a rock about its own line.

    Stops that are too few in one rock to say so show it together: evenly scattered ones reach from contact to
    twice the mean shortfall, which is √3 standard deviations.

    Args:
        rocks: The dwells of each rock: time, level, and true on the high flank.
        resolution_mm: Least step of the indicator.

    Returns:
        The flank that scatters more, `short_mm` for evenly scattered stops; None without enough dwells.
    """
    squares, freedom = [0.0, 0.0], [0, 0]
    for dwells in rocks:
        for low in (False, True):
            levels = [(level, when) for when, level, high in dwells if high is not low]
            if len(levels) >= LEAST_LEVELS:
                squares[low] += _line(levels)[2]
                freedom[low] += len(levels) - 2
    if not min(freedom):
        return None
    least2 = resolution_mm**2 / 12
    deviation = [sqrt(max(left / free, least2)) for left, free in zip(squares, freedom, strict=True)]
    more = 0 if deviation[0] >= deviation[1] else 1
    scatter, tight = deviation[more], deviation[1 - more]
    return Unlike(
        high=more == 0,
        scatter_mm=scatter,
        other_mm=tight,
        short_mm=sqrt(3 * (scatter**2 - tight**2)),
        chance=_sure(scatter / tight, freedom[more], freedom[1 - more]),
        own_mm=scatter,
        freedom=freedom[more],
    )


def _line(levels: list[tuple[float, float]]) -> tuple[float, float, float]:
    """Least squares line through levels, each with its time: slope, squares of the times, squares left."""
    count = len(levels)
    ones, times = zip(*levels, strict=True)
    level, time = sum(ones) / count, sum(times) / count
    lever = product = squares = 0.0
    for one, when in levels:
        up, later = one - level, when - time
        lever += later * later
        product += up * later
        squares += up * up
    slope = product / lever if lever > 0 else 0.0
    return slope, lever, max(squares - slope * product, 0.0)


LEAST_DWELLS = 2
"""Dwells on either side of a shift: one alone may be wrong for other reasons."""

LEAST_POWER = 0.05
"""Squared length of a pattern once level, drift and step are taken off, below which it looks like these."""

LEAST_SHIFT = 0.04
"""Share of the step below which a shift is not looked for: it would be believed by nobody (`rock.checks`)."""

STUDENT = 3.5
"""Widening of the error by few degrees of freedom: few levels happen to be alike without the best shift."""


def largest_shift(
    drift_weight: Floats, sign: Floats, residual: Floats, level_error: float
) -> tuple[float, float]:
    """Look for a shift between every two neighbouring dwells and within every dwell.

    For the step function h of a shift after dwell k and residuals r of the fit on the columns of X, the size
    is r·h / |M h|² with M the projection off X; r·h is the sum of the later residuals, and |M h|² = |h|² less
    the squares of its parts along an orthonormal basis of X. Within dwell k, its own level may be anything:
    M h is taken off the pattern of that dwell alone as well.

    Args:
        drift_weight: Shape (k,), those of `drift_weights` on these dwells, orthogonal to level and step.
        sign: Shape (k,), flank.
        residual: Shape (k,), levels less (level, drift, step).
        level_error: What a level may be wrong by noise and rounding alone.

    Returns:
        Size and standard error of the surer of the two.
    """
    count = residual.size
    # a dozen dwells: plain numbers are quicker than arrays
    left, drift = residual.tolist(), drift_weight.tolist()
    mean = mean_of(sign)
    side = [one - mean for one in sign.tolist()]
    side2 = sum([one * one for one in side]) or inf
    drift2 = sum([one * one for one in drift]) or inf
    total = sum([one * one for one in left])
    between = within = (0.0, 0.0, LEAST_POWER)
    later_side = later_drift = later_left = 0.0
    # from the last dwell backwards; `after` dwells come later
    for after in range(count - LEAST_DWELLS + 1):
        k = count - 1 - after
        in_side, in_drift, in_left = side[k], drift[k], left[k]
        if after >= LEAST_DWELLS:
            power = after - after * after / count - later_side * later_side / side2
            power -= later_drift * later_drift / drift2
            outer = max(LEAST_POWER, power)
            size = later_left / outer
            gain = size * later_left
            if gain >= between[0]:
                between = (gain, size, outer)
            if k >= LEAST_DWELLS:
                cross = -(after / count + later_side * in_side / side2 + later_drift * in_drift / drift2)
                own = 1 - 1 / count - in_side * in_side / side2 - in_drift * in_drift / drift2
                own = max(LEAST_POWER, own)
                inner = power - cross * cross / own
                inner = max(LEAST_POWER, inner)
                size = (later_left - cross / own * in_left) / inner
                gain = size * size * inner + in_left * in_left / own
                if gain >= within[0]:
                    within = (gain, size, inner)
        later_side += in_side
        later_drift += in_drift
        later_left += in_left
    found = [
        _sized(one, total, count - unknowns, level_error) for one, unknowns in ((between, 4), (within, 5))
    ]
    return max(found, key=lambda one: abs(one[0]) / one[1] if one[1] > 0 else 0.0)


def _sized(
    best: tuple[float, float, float], total: float, freedom: int, level_error: float
) -> tuple[float, float]:
    """Size and standard error of the shift that explains most of the squares; gain, size and power go in."""
    gain, size, power = best
    known = max(freedom, 1)
    error = max(sqrt(max(total - gain, 0.0) / known) * (1 + STUDENT / known), level_error)
    return size, error / sqrt(power)
