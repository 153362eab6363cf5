"""Whether the stand drifts: a check standard, measured again and again, on a control chart.

Decided here: the limits of the chart and what is a signal. A check standard is a box or an artefact that does
not change, measured on the same stand every morning. Two charts share one series: the single values see a
jump, the moving mean (exponentially weighted) sees a slow drift. Formulas and constants: NIST/SEMATECH
e-Handbook of Statistical Methods, 6.3.2.2 and 6.3.2.4.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from lashmap_analysis.study.anova import StudyError

if TYPE_CHECKING:
    from lashmap_analysis.study.anova import Floats

LEAST_BASELINE = 8  # with fewer values the limits are a guess (common practice, no source)
RANGE_PER_DEVIATION = 1.128  # mean range of two values of a normal distribution, in standard deviations: d₂
LIMIT = 3.0  # standard deviations; one false alarm in some 370 values (normal distribution)
WEIGHT = 0.3  # of the newest value in the moving mean

Kind = Literal["jump", "drift"]


@dataclass(frozen=True, kw_only=True)
class Signal:
    """A value at which a chart says that the stand has changed.

    Attributes:
        index: Of the value, from 0.
        kind: A single value outside its limits, or the moving mean outside its own.
        away_mm: How far the value, or the moving mean, lies from the centre.
    """

    index: int
    kind: Kind
    away_mm: float


@dataclass(frozen=True, kw_only=True)
class DriftChart:
    """Both charts over one series.

    Attributes:
        values_mm: Shape (n,), in order of time.
        baseline: How many of the first values made centre and limits.
        centre_mm: Mean of the baseline.
        deviation_mm: Standard deviation of a value: mean moving range of the baseline over 1.128.
        limits_mm: (low, high) of a single value.
        moving_mm: Moving mean after each value, shape (n,).
        moving_limits_mm: (low, high) of the moving mean.
        signals: In order of time; those of the baseline itself included.
    """

    values_mm: Floats
    baseline: int
    centre_mm: float
    deviation_mm: float
    limits_mm: tuple[float, float]
    moving_mm: Floats
    moving_limits_mm: tuple[float, float]
    signals: tuple[Signal, ...]

    @property
    def steady(self) -> bool:
        """True when neither chart gives a signal at the newest value."""
        return all(signal.index != len(self.values_mm) - 1 for signal in self.signals)


def drift_chart(values_mm: Floats, baseline: int | None = None) -> DriftChart:
    """Set a series of measurements of one check standard on both charts.

    Args:
        values_mm: Shape (n,), in order of time.
        baseline: How many of the first values make the limits; all, up to 20, when None.

    Raises:
        StudyError: Too few values, values that are not finite, or none of the baseline differs from another.
    """
    values = np.asarray(values_mm, dtype=np.float64)
    first = min(len(values), 20) if baseline is None else baseline
    if values.ndim != 1 or not LEAST_BASELINE <= first <= len(values):
        expected = f"at least {LEAST_BASELINE} measurements of the check standard for the limits of the chart"
        raise StudyError("values_mm", min(len(values), first), expected)
    if not np.all(np.isfinite(values)):
        raise StudyError("values_mm", values.tolist(), "finite numbers")
    base = values[:first]
    centre, deviation = float(base.mean()), float(np.abs(np.diff(base)).mean()) / RANGE_PER_DEVIATION
    if not deviation > 0:
        raise StudyError("values_mm", deviation, "values that differ: the resolution hides all variation")
    moving = moving_mean(values, centre)
    reach = LIMIT * deviation
    moving_reach = reach * float(np.sqrt(WEIGHT / (2.0 - WEIGHT)))
    series: tuple[tuple[Kind, Floats, float], ...] = (
        ("jump", values - centre, reach),
        ("drift", moving - centre, moving_reach),
    )
    signals = [
        Signal(index=int(index), kind=kind, away_mm=float(away[index]))
        for kind, away, most in series
        for index in np.flatnonzero(np.abs(away) > most)
    ]
    return DriftChart(
        values_mm=values,
        baseline=first,
        centre_mm=centre,
        deviation_mm=deviation,
        limits_mm=(centre - reach, centre + reach),
        moving_mm=moving,
        moving_limits_mm=(centre - moving_reach, centre + moving_reach),
        signals=tuple(sorted(signals, key=lambda one: (one.index, one.kind))),
    )


def moving_mean(values: Floats, start: float, weight: float = WEIGHT) -> Floats:
    """Exponentially weighted moving mean: m_t = λ x_t + (1 − λ) m_(t−1), m_0 = `start`; shape (n,)."""
    moving = np.empty(len(values))
    mean = start
    for index, value in enumerate(values):
        mean += weight * (value - mean)
        moving[index] = mean
    return moving
