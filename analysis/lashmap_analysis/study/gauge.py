"""What a crossed study says about the gauge: the stand, its indicator and the people who use them.

Decided here: the parts of the variance, their 95 % intervals, and the share of a tolerance that they take.

For a random-effects model with p parts, o operators and n repeats the expected mean squares give (Montgomery,
Design and Analysis of Experiments; *from memory*)

    repeatability σ_e² = MS_e,  interaction σ_po² = (MS_po − MS_e) / n,
    operator σ_o² = (MS_o − MS_po) / (p n),  part σ_p² = (MS_p − MS_po) / (o n).

Where MS_po does not exceed MS_e, nothing speaks for an interaction: both are pooled. A part below zero is 0.
Intervals are generalised confidence intervals: each mean square is drawn as ν MS / χ²(ν), the parts are
computed from the draws (Hamada & Weerahandi, Journal of Quality Technology 32, 2000; *from memory*).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import nan, sqrt
from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.study.anova import Source, StudyError, crossed

if TYPE_CHECKING:
    from lashmap_analysis.study.anova import Floats

DRAWS = 20_000
SEED = 1_947
SPREAD = 6.0  # standard deviations that are set against a tolerance: 99.7 % of a normal distribution
CATEGORIES = sqrt(
    2
)  # times part over gauge: how many classes of parts the gauge tells apart (common practice)


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
