"""The gauge's own proof: a crossed study of stand and people, and a control chart of a check standard.

Analysis of variance: every operator measures every part several times. Sums are taken of deviations from the
grand mean, so that a large common part of all values costs no digits (the reference sets NIST StRD SmLs04 to
SmLs09 show what happens otherwise). For a random-effects model with p parts, o operators and n repeats the
expected mean squares give (Montgomery, Design and Analysis of Experiments; *from memory*)

    repeatability σ_e² = MS_e,  interaction σ_po² = (MS_po − MS_e) / n,
    operator σ_o² = (MS_o − MS_po) / (p n),  part σ_p² = (MS_p − MS_po) / (o n).

Where MS_po does not exceed MS_e, nothing speaks for an interaction: both are pooled. A part below zero is 0.
Intervals are generalised confidence intervals: each mean square is drawn as ν MS / χ²(ν), the parts are
computed from the draws (Hamada & Weerahandi, Journal of Quality Technology 32, 2000; *from memory*).

Drift: a check standard is a box or an artefact that does not change, measured on the same stand every
morning. Two charts share one series: the single values see a jump, the moving mean (exponentially weighted)
sees a slow drift. Formulas and constants: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 and
6.3.2.4.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import nan, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.errors import FieldError

Floats = NDArray[np.float64]


class StudyError(FieldError):
    """Measurements from which no study can be made; see `FieldError` for the attributes."""


@dataclass(frozen=True)
class Source:
    """One line of an analysis of variance.

    Attributes:
        name: What varies.
        sum_of_squares: In the square of the unit of the values.
        degrees_of_freedom: At least 1.
        f: Mean square over the one that it is tested against; nan in the last line.
    """

    name: str
    sum_of_squares: float
    degrees_of_freedom: int
    f: float

    @property
    def mean_square(self) -> float:
        """Sum of squares over degrees of freedom."""
        return self.sum_of_squares / self.degrees_of_freedom


def crossed(values: Floats) -> tuple[Source, ...]:
    """Variation of a crossed study, parts and operators both taken as drawn from many.

    Part and operator are tested against their interaction, the interaction against the repeats.

    Args:
        values: Shape (parts, operators, repeats), at least two of each.

    Returns:
        The lines *part*, *operator*, *part and operator together* and *repeats*.

    Raises:
        StudyError: Another shape, or a value that is not finite.
    """
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 3 or min(array.shape) < 2:
        raise StudyError("values", array.shape, "two parts, two operators and two repeats or more")
    if not np.all(np.isfinite(array)):
        raise StudyError("values", array.tolist(), "finite numbers")
    parts, operators, repeats = array.shape
    centred = array - array.mean()
    part = centred.mean(axis=(1, 2))
    operator = centred.mean(axis=(0, 2))
    cell = centred.mean(axis=2)
    together = cell - part[:, np.newaxis] - operator
    squares = (
        operators * repeats * float(np.square(part).sum()),
        parts * repeats * float(np.square(operator).sum()),
        repeats * float(np.square(together).sum()),
        float(np.square(centred - cell[:, :, np.newaxis]).sum()),
    )
    freedom = (parts - 1, operators - 1, (parts - 1) * (operators - 1), parts * operators * (repeats - 1))
    of_part, of_operator, interaction, rest = (one / own for one, own in zip(squares, freedom, strict=True))
    tested = ((of_part, interaction), (of_operator, interaction), (interaction, rest))
    f = (*(one / other if other > 0 else nan for one, other in tested), nan)
    names = ("part", "operator", "part and operator together", "repeats")
    return tuple(Source(*line) for line in zip(names, squares, freedom, f, strict=True))


DRAWS = 20_000
SEED = 1_947
SPREAD = 6.0  # standard deviations that are set against a tolerance: 99.7 % of a normal distribution
CATEGORIES = sqrt(2)  # times part over gauge: classes of parts that it tells apart (common practice)


@dataclass(frozen=True, kw_only=True)
class Part:
    """One part of the variation, as a standard deviation.

    Attributes:
        name: What varies.
        deviation_mm: Standard deviation; 0 where the mean squares speak for none.
        interval_mm: (low, high) at 95 %.
    """

    name: str
    deviation_mm: float
    interval_mm: tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class GaugeStudy:
    """A crossed study, analysed.

    Attributes:
        parts: Number of parts.
        operators: Number of operators.
        repeats: Measurements of each part by each operator.
        mean_mm: Of all values.
        sources: The analysis of variance, as from `crossed`.
        pooled: True when no interaction was seen, so that its mean square counts with the repeats.
        repeatability: The same part and operator again.
        reproducibility: From operator to operator, interaction included.
        gauge: Both together.
        part: From part to part.
        tolerance_share: Six standard deviations of the gauge over the tolerance; nan without a tolerance.
        categories: Classes of parts that the gauge tells apart, √2 times part over gauge; nan where the gauge
            shows no variation at all.
    """

    parts: int
    operators: int
    repeats: int
    mean_mm: float
    sources: tuple[Source, ...]
    pooled: bool
    repeatability: Part
    reproducibility: Part
    gauge: Part
    part: Part
    tolerance_share: float
    categories: float


def gauge_study(values_mm: Floats, tolerance_mm: float | None = None) -> GaugeStudy:
    """Analyse a crossed study.

    Args:
        values_mm: Shape (parts, operators, repeats), at least two of each.
        tolerance_mm: Largest less smallest value that the drawing allows; None when it has no two limits.

    Raises:
        StudyError: Another shape, values that are not finite, or a tolerance that is not above zero.
    """
    if tolerance_mm is not None and not tolerance_mm > 0:
        raise StudyError("tolerance_mm", tolerance_mm, "a tolerance above 0 mm, or none")
    sources = crossed(values_mm)
    _, _, interaction, repeat = sources
    pooled = interaction.mean_square <= repeat.mean_square
    squares = np.array([one.mean_square for one in sources])
    freedom = np.array([one.degrees_of_freedom for one in sources])
    if pooled:
        both = interaction.degrees_of_freedom + repeat.degrees_of_freedom
        squares[2:] = (interaction.sum_of_squares + repeat.sum_of_squares) / both
        freedom[2:] = both
    shape = np.shape(values_mm)
    drawn = freedom * squares / np.random.default_rng(SEED).chisquare(freedom, (DRAWS, 4))
    if pooled:
        drawn[:, 2] = drawn[:, 3]  # one mean square under two names
    found, ranges = _deviations(squares[np.newaxis], shape)[0], _deviations(drawn, shape)
    names = ("repeatability", "reproducibility", "gauge", "part")
    low, high = np.quantile(ranges, (0.025, 0.975), axis=0)
    parts = [
        Part(name=name, deviation_mm=float(value), interval_mm=(float(least), float(most)))
        for name, value, least, most in zip(names, found, low, high, strict=True)
    ]
    gauge = parts[2].deviation_mm
    return GaugeStudy(
        parts=shape[0],
        operators=shape[1],
        repeats=shape[2],
        mean_mm=float(np.mean(values_mm)),
        sources=sources,
        pooled=pooled,
        repeatability=parts[0],
        reproducibility=parts[1],
        gauge=parts[2],
        part=parts[3],
        tolerance_share=nan if tolerance_mm is None else SPREAD * gauge / tolerance_mm,
        categories=CATEGORIES * parts[3].deviation_mm / gauge if gauge > 0 else nan,
    )


def _deviations(squares: Floats, shape: tuple[int, ...]) -> Floats:
    """Repeatability, reproducibility, gauge and part, shape (d, 4), from mean squares, shape (d, 4)."""
    parts, operators, repeats = shape
    of_part, of_operator, together, repeat = squares.T
    interaction = np.maximum(together - repeat, 0.0) / repeats
    operator = np.maximum(of_operator - together, 0.0) / (parts * repeats)
    part = np.maximum(of_part - together, 0.0) / (operators * repeats)
    reproducibility = operator + interaction
    both = repeat + reproducibility
    return np.asarray(np.sqrt(np.stack([repeat, reproducibility, both, part], axis=1)))


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
