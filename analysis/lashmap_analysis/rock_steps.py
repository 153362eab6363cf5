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
    drift_weight = _drift_weights(time, sign)
    slope, freedom = float(drift_weight.dot(level)), level.size - 3
    straight = level - slope * time
    residual = _residuals(straight, sign)
    steps = (sign[1:] * np.diff(straight))[near]
    # the drift is itself a linear function of the levels, and c·t of it enters the mean
    weight = _weights(sign, near)
    weight -= float(weight.dot(time)) * drift_weight
    square = float(weight.dot(weight))
    scatter2 = float(residual.dot(residual)) / freedom if freedom > 0 else nan
    uncertainty, effective = _combine(stays, settled, kept, square, scatter2, freedom)
    extreme = settled.extreme_mm[kept]
    return Lash(
        mean_mm=float(steps.mean()),
        standard_uncertainty_mm=uncertainty,
        degrees_of_freedom=effective,
        spread_mm=float(steps.max() - steps.min()),
        steps=int(steps.size),
        slope=slope,
        scatter_mm=sqrt(scatter2) if freedom > 0 else nan,
        residual_mm=residual,
        peak_to_peak_mm=float((extreme[:-1] + extreme[1:])[near].mean()),
    )


def _residuals(straight: Floats, sign: Floats) -> Floats:
    """What is left of drift-free levels about the mean of their flank."""
    high = sign > 0
    residual = straight.copy()
    for flank in (high, ~high):
        if flank.any():
            residual[flank] -= straight[flank].mean()
    return residual


def _weights(sign: Floats, near: Booleans) -> Floats:
    """Weights c with c·y = mean of the steps between neighbours."""
    weight = np.zeros_like(sign)
    weight[1:] += near
    weight[:-1] += near
    weight *= sign / np.count_nonzero(near)
    return weight


def _drift_weights(time: Floats, sign: Floats) -> Floats:
    """Weights d with d·y = slope of the least squares fit of y on (1, time, sign)."""
    across, flank = time - time.mean(), sign - sign.mean()
    power = float(flank.dot(flank))
    if power > 0:
        across = across - flank * (float(across.dot(flank)) / power)
    left = float(across.dot(across))
    return across / left if left > 0 else np.zeros_like(across)


def _combine(  # noqa: PLR0917 - numbers of one formula
    stays: Stays, settled: Settled, kept: Integers, square: float, scatter2: float, freedom: int
) -> tuple[float, float]:
    """Standard uncertainty of the mean step and its effective degrees of freedom."""
    if freedom < 1:
        return nan, nan
    count = (settled.stop - settled.start)[kept]
    sampling2 = settled.noise_mm**2 * float((1 / count).mean())
    if scatter2 >= sampling2:
        random2, random_freedom = scatter2 * square, float(freedom)
    else:
        random2, random_freedom = sampling2 * square, float(count.sum() - count.size)
    rounding2 = 2 * repeated_rounding(_dither(stays, settled, kept), settled.resolution_mm)
    variance = random2 + rounding2
    if variance <= 0:
        return nan, nan
    return sqrt(variance), random_freedom * (variance / random2) ** 2 if random2 > 0 else inf


def _dither(stays: Stays, settled: Settled, kept: Integers) -> float:
    """Variance of the signal on a flank before rounding, mean of both flanks (Sheppard's correction)."""
    time, sign = settled.time[kept], stays.sign[kept]
    level = settled.offset_mm[kept] + stays.levels.slope * time
    count = (settled.stop - settled.start)[kept]
    total = 0.0
    for flank in (sign > 0, sign < 0):
        weight = count[flank] / count[flank].sum()
        mean = weight.dot(level[flank])
        total += weight.dot(settled.variance_mm2[kept][flank]) + weight.dot((level[flank] - mean) ** 2)
    return max(0.5 * float(total) - settled.resolution_mm**2 / 12, 0.0)


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
