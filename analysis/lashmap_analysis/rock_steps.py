"""From the levels of the dwells to the lash of one rock, with its uncertainty and degrees of freedom.

Decided here: how the steps are averaged, how the linear drift is removed, and what is known about the mean.
Not decided: whether it may be used (`rock_checks`).

The levels follow y_j = a + b t_j + s_j L/2 + e_j (s_j = ±1 the flank). The reading is the mean of the steps
|y_j+1 − y_j| less what the drift b contributes. Neighbouring steps share a dwell, so their scatter is no
measure of the uncertainty of their mean; the reading is taken as the linear function c·y that it is, with
variance σ² c·c, where σ² is the scatter of the levels about the fitted model (GUM 4.2 and F.1.2.3: correlated
input quantities).

What repeats on every visit to a flank does not show as scatter: with little noise the same level is rounded
the same way each time. The part of the rounding error that repeats has, per level, the variance
Σ_k q²/(2π²k²) exp(−4π²k² v/q²) for normal dither of variance v (Widrow & Kollár, Quantization Noise, 2008,
ch. 4 and app. G *(memory)*; q²/12 for no dither), and is added as a type B term.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, nan, pi, sqrt
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.rock_creep import Creep, measure_creep
from lashmap_analysis.rock_dwells import drift_weights

if TYPE_CHECKING:
    from lashmap_analysis.rock_dwells import Settled
    from lashmap_analysis.rock_flanks import Floats, Integers, Stays

Booleans = NDArray[np.bool_]


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
        scatter_mm: Standard deviation of a level about the model.
        residual_mm: Levels less model, in the order of the settled dwells.
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
    residual_mm: Floats
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
    residual_mm=np.zeros(0),
    peak_to_peak_mm=nan,
    creep=Creep(travel_mm=0.0, limit_mm=inf, uncertainty_mm=0.0),
)


def measure_steps(stays: Stays, settled: Settled, broken: Booleans | None) -> Lash:
    """Average the steps between neighbouring settled dwells.

    Args:
        stays: The stays on the flanks.
        settled: Their settled parts.
        broken: Shape (m − 1,), true where the samples between two stays are missing for so long that they
            are no neighbours; None when nowhere.
    """
    kept = np.flatnonzero(settled.settled)
    if kept.size < 2:
        return NO_LASH
    near = np.diff(kept) == 1
    if broken is not None:
        near &= ~broken[kept[:-1]]
    if not near.any():
        return NO_LASH
    sign, time, level = stays.sign[kept], settled.time[kept], settled.offset_mm[kept]
    drift_weight = drift_weights(time, sign)
    slope, freedom = float(drift_weight.dot(level)), level.size - 3
    straight = level - slope * time
    residual = _residuals(straight, sign)
    steps = (sign[1:] * np.diff(straight))[near]
    # the drift is itself a linear function of the levels, and c·t of it enters the mean
    weight = _weights(sign, near)
    weight -= float(weight.dot(time)) * drift_weight
    square = float(weight.dot(weight))
    scatter2 = float(residual.dot(residual)) / freedom if freedom > 0 else nan
    mean = float(steps.sum()) / steps.size
    creep = measure_creep(stays, settled, kept, slope, mean)
    rounding2 = 2 * repeated_rounding(_dither(stays, settled, kept), settled.resolution_mm)
    random = _random(settled, kept, square, scatter2, freedom)
    uncertainty, effective = _combine(random, rounding2 + creep.uncertainty_mm**2)
    extreme = settled.extreme_mm[kept]
    return Lash(
        mean_mm=mean,
        standard_uncertainty_mm=uncertainty,
        degrees_of_freedom=effective,
        spread_mm=float(steps.max() - steps.min()),
        steps=int(steps.size),
        slope=slope,
        scatter_mm=sqrt(scatter2) if freedom > 0 else nan,
        residual_mm=residual,
        peak_to_peak_mm=float((extreme[:-1] + extreme[1:])[near].mean()),
        creep=creep,
    )


def _residuals(straight: Floats, sign: Floats) -> Floats:
    """What is left of drift-free levels about the mean of their flank."""
    high = sign > 0
    count, highs = sign.size, int(np.count_nonzero(high))
    total, total_high = float(np.add.reduce(straight)), float(high.dot(straight))
    low_mean = (total - total_high) / (count - highs) if count > highs else 0.0
    high_mean = total_high / highs if highs else 0.0
    return straight - low_mean - (high_mean - low_mean) * high


def _weights(sign: Floats, near: Booleans) -> Floats:
    """Weights c with c·y = mean of the steps between neighbours."""
    weight = np.zeros_like(sign)
    weight[1:] += near
    weight[:-1] += near
    weight *= sign / np.count_nonzero(near)
    return weight


def _random(
    settled: Settled, kept: Integers, square: float, scatter2: float, freedom: int
) -> tuple[float, float]:
    """Variance of the mean step by scatter, and its degrees of freedom.

    The levels cannot repeat better than the noise of their samples allows: where few levels happen to agree
    better than that, the noise within the dwells, which is known far better, stands in for their scatter.
    """
    if freedom < 1:
        return nan, nan
    count = (settled.stop - settled.start)[kept]
    sampling2 = settled.noise_mm**2 * float((1 / count).sum()) / kept.size
    if scatter2 >= sampling2:
        return scatter2 * square, float(freedom)
    return sampling2 * square, float(count.sum() - kept.size)


def _combine(random: tuple[float, float], type_b2: float) -> tuple[float, float]:
    """Standard uncertainty and its degrees of freedom (GUM G.4.1; those of the type B part are infinite)."""
    random2, freedom = random
    variance = random2 + type_b2
    if not variance > 0:
        return nan, nan
    return sqrt(variance), freedom * (variance / random2) ** 2 if random2 > 0 else inf


def _dither(stays: Stays, settled: Settled, kept: Integers) -> float:
    """Variance of the signal on a flank before rounding, mean of both flanks (Sheppard's correction)."""
    level = settled.offset_mm[kept] + stays.levels.slope * settled.time[kept]
    count = (settled.stop - settled.start)[kept]
    spread = settled.variance_mm2[kept] + level * level
    high = count * (stays.sign[kept] > 0)
    total = 0.0
    for weight in (high, count - high):
        samples = float(np.add.reduce(weight))
        if samples > 0:
            total += float(weight.dot(spread)) / samples - (float(weight.dot(level)) / samples) ** 2
    return max(0.5 * total - settled.resolution_mm**2 / 12, 0.0)


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
