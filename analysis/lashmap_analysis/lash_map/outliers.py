"""Readings that the rest of the map cannot explain: named, never silently removed.

A position is named when the backlash predicted there from all other positions (scales fitted without it, so
that it cannot hide behind the scatter it causes) is further from the reading than chance allows: externally
studentised residual, Bonferroni over the positions (Cook & Weisberg, Residuals and Influence in Regression,
1982, §2.2.2; *from memory*).  It then no longer bends the curve, nor widens the scatter of the other teeth.
What it was is decided on the side of caution: a tight reading is taken for a real tooth until it is measured
again, a loose one for a bad reading unless other readings at that tooth say the same.  A tight one that other
readings at both its teeth contradict does not shape the map, but stands as it was read, tight spot included,
until that engagement is measured again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.gears.tooth_names import teeth_met
from lashmap_analysis.lash_map.model import scales_of
from lashmap_analysis.lash_map.posterior import data_covariance, error_um, log_likelihood, sample_scales
from lashmap_analysis.lash_map.tight_spot import Standing

if TYPE_CHECKING:
    from lashmap_analysis.lash_map.model import PatternModel
    from lashmap_analysis.lash_map.posterior import Readings


Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Suspect = Literal["reading", "gear tooth", "pinion tooth"]

FALSE_ALARM = 0.01  # chance to name any position of a map without outliers
LOOKS_ODD = 2.5  # standardised residual above which the scales are fitted again without the position
LEAST_POSITIONS = 8  # below this the rest cannot tell which reading is the odd one
APART_UM = 1000.0  # a standard deviation that leaves a reading no say
SPECIAL_UM = 30.0  # deviation believed of a tooth with a nick or a burr (common practice, no source)
NO_TELLING = 2.0  # difference of log likelihood below which two explanations are as good


@dataclass(frozen=True, kw_only=True)
class Outlier:
    """One reading that the others do not explain.

    Attributes:
        index: Into the readings.
        residual_um: Reading minus what the others predict.
        suspect: What it is taken for.
    """

    index: int
    residual_um: float
    suspect: Suspect


@dataclass(frozen=True, kw_only=True)
class Finding:
    """An outlier as the finished map keeps it, for whoever puts it into words.

    Attributes:
        index: Into the readings as they were given.
        residual_mm: Reading minus what the others predict.
        suspect: What it is taken for.
        stands: True when a tight reading stands as it was read until its engagement is measured again.
    """

    index: int
    residual_mm: float
    suspect: Suspect
    stands: bool


@dataclass(frozen=True, kw_only=True)
class Screened:
    """Readings after screening.

    Attributes:
        readings: With the bad ones set free.
        special_um2: Extra variance of single teeth, shape (m,), µm².
        outliers: In the order they were found.
        points: Logarithms of the scales that these readings allow, as from `sample_scales`.
        weight: Weight of each of those points.
    """

    readings: Readings
    special_um2: Floats
    outliers: tuple[Outlier, ...]
    points: Floats
    weight: Floats


def screen(model: PatternModel, readings: Readings, prior: tuple[Floats, Floats]) -> Screened:
    """Find outliers one by one, largest first, at most one in six positions."""
    special = np.zeros(len(model.features))
    found: list[Outlier] = []
    count = len(readings.value_um)
    points, weight = sample_scales(model, readings, prior, special)
    while count >= LEAST_POSITIONS and len(found) < count // 6:
        scales = _typical(points, weight)
        residual, deviation = left_out(model, readings, scales, special)
        odd = np.abs(residual / deviation).mean(axis=0)
        odd[[outlier.index for outlier in found]] = 0.0
        index = int(odd.argmax())
        if odd[index] < LOOKS_ODD:
            break
        apart = _set_free(readings, index)
        scales = _typical(*sample_scales(model, apart, prior, special))
        residual, deviation = left_out(model, apart, scales, special)
        ratio = np.abs(residual[:, index] / deviation[:, index])
        chance = float(np.mean([math.erfc(value / math.sqrt(2.0)) for value in ratio]))
        if chance * count > FALSE_ALARM:
            break
        step = float(residual[:, index].mean())
        suspect = _suspect(model, readings, scales, special, index, tight=step < 0.0)
        found.append(Outlier(index=index, residual_um=step, suspect=suspect))
        if suspect == "reading":
            readings = apart
        else:
            tooth = readings.gear[index] if suspect == "gear tooth" else readings.pinion[index]
            special[tooth] = SPECIAL_UM**2
        points, weight = sample_scales(model, readings, prior, special)
    return Screened(
        readings=readings, special_um2=special, outliers=tuple(found), points=points, weight=weight
    )


def standing(model: PatternModel, screened: Screened) -> tuple[Standing, ...]:
    """Tight bad readings at engagements where no other reading, itself not an outlier, says otherwise."""
    readings = screened.readings
    cycle = model.cycle
    engagement = cycle.engagement_of(readings.gear, readings.pinion - cycle.gear_teeth)
    error = np.sqrt(np.square(error_um(readings, _typical(screened.points, screened.weight))).mean(axis=0))
    trusted = np.ones(len(engagement), dtype=bool)
    trusted[[outlier.index for outlier in screened.outliers]] = False
    found = []
    for outlier in screened.outliers:
        again = np.any(trusted & (engagement == engagement[outlier.index]))
        if outlier.suspect == "reading" and outlier.residual_um < 0.0 and not again:
            found.append(
                Standing(
                    engagement=int(engagement[outlier.index]),
                    value_um=float(readings.value_um[outlier.index]),
                    uncertainty_um=float(error[outlier.index]),
                )
            )
    return tuple(found)


def finding(
    model: PatternModel, engagement: int, index: int, outlier: Outlier, stand: tuple[Standing, ...]
) -> Finding:
    """An outlier as reading `index` (of the readings as given) at `engagement`."""
    return Finding(
        index=index,
        residual_mm=1e-3 * outlier.residual_um,
        suspect=outlier.suspect,
        stands=any(one.engagement == engagement % model.cycle.length for one in stand),
    )


def remark(model: PatternModel, engagement: int, outlier: Finding) -> str:
    """Sentence about a reading at `engagement`, counted among the readings as given, from 1."""
    teeth = teeth_met(model.cycle, engagement)
    side = "above" if outlier.residual_mm > 0 else "below"
    meaning = {
        "reading": "It is taken for a bad reading and does not shape the map"
        + (", but stands as it was read until this engagement is measured again" if outlier.stands else ""),
        "gear tooth": f"It is taken for gear tooth {teeth.gear_tooth} itself (the marked one is 1)",
        "pinion tooth": f"It is taken for pinion tooth {teeth.pinion_tooth} itself (the marked one is 1)",
    }[outlier.suspect]
    return (
        f"Reading {outlier.index + 1} at engagement {engagement} lies "
        f"{abs(1e3 * outlier.residual_mm):.1f} µm {side} what "
        f"all other positions predict. {meaning}: clean the teeth and measure there again."
    )


def left_out(
    model: PatternModel, readings: Readings, scales: Floats, special: Floats
) -> tuple[Floats, Floats]:
    """Reading minus prediction from all others, and its standard deviation, shape (s, n) each.

    From the inverse covariance Q of the readings: (Q y)_i / Q_ii and 1 / √Q_ii (Rasmussen & Williams,
    Gaussian Processes for Machine Learning, eqs 5.10–5.12).
    """
    precision = np.linalg.inv(data_covariance(model, readings, scales, special))
    diagonal = np.einsum("sii->si", precision)
    residual = (precision @ readings.value_um) / diagonal
    variance = 1.0 / diagonal - np.square(readings.free_um)
    return np.asarray(residual), np.sqrt(np.maximum(variance, 1e-12))


def _typical(points: Floats, weight: Floats) -> Floats:
    """Sixteen equally likely scales, shape (16, 10)."""
    comb = (np.arange(16) + 0.5) / 16
    return scales_of(points[np.minimum(np.searchsorted(np.cumsum(weight), comb), len(weight) - 1)])


def _set_free(readings: Readings, index: int) -> Readings:
    free = readings.free_um.copy()
    free[index] = APART_UM
    return replace(readings, free_um=free)


def _suspect(
    model: PatternModel, readings: Readings, scales: Floats, special: Floats, index: int, *, tight: bool
) -> Suspect:
    """The likeliest explanation; where several are as good, the cautious one."""
    free = readings.free_um.copy()
    free[index] = SPECIAL_UM
    likelihood: dict[Suspect, float] = {}
    likelihood["reading"] = _log_mean(log_likelihood(model, replace(readings, free_um=free), scales, special))
    teeth: tuple[tuple[Suspect, Integers], ...] = (
        ("gear tooth", readings.gear),
        ("pinion tooth", readings.pinion),
    )
    for name, tooth in teeth:
        trial = special.copy()
        trial[tooth[index]] += SPECIAL_UM**2
        likelihood[name] = _log_mean(log_likelihood(model, readings, scales, trial))
    best = max(likelihood.values())
    likely = [name for name, value in likelihood.items() if value > best - NO_TELLING]
    order: tuple[Suspect, ...] = ("gear tooth", "pinion tooth", "reading")
    if not tight:
        order = ("reading", "gear tooth", "pinion tooth")
    return next(name for name in order if name in likely)


def _log_mean(values: Floats) -> float:
    return float(np.logaddexp.reduce(values) - math.log(len(values)))
