"""Whether the indicator was at the end of its range: one flank gives the same value again and again.

Decided here: when that is no chance. A live flank shows noise and creep; how much is seen on the other flank,
and the values on the flank in doubt are compared with that. Where the other side has no life either (no
noise, no creep, a coarse indicator) nothing is said.
"""

from __future__ import annotations

from math import erf, log, sqrt
from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.flags import Flag, FlagName
from lashmap_analysis.rock_shape import overlay

if TYPE_CHECKING:
    from collections.abc import Iterator

    from lashmap_analysis.rock_evidence import Evidence
    from lashmap_analysis.rock_groups import Booleans, Floats

MOST_SAME = 0.75
"""Share of the dwells on a flank that must show just the end of the range; bounces spoil some."""

LOG_CHANCE = -7.0
"""One in a thousand: below it, a flank that never changes its value is at the end of the range."""

LOG_CHANCE_FEW = -7.0
"""The same with few samples a stay, where no sample beside the end of the range is asked for besides."""

MOST_BESIDE = 0.08
"""Samples one or two codes off the end of the range, on their way, per sample at it."""

WIDER = 0.6
"""Part that few travels and bounces reach."""

INNER = 0.5
"""Part of a stay of few samples that no travel and hardly a bounce reaches."""


def out_of_range(samples: int) -> Flag:
    """The flag for an indicator that said so itself."""
    return Flag(
        name=FlagName.OUT_OF_RANGE,
        disabling=True,
        sentence="The indicator ran out of its range: set it nearer to the middle of its travel.",
        numbers={"samples_out_of_range": float(samples)},
    )


def check_range(evidence: Evidence) -> Iterator[Flag]:
    """Yield the flag for an indicator at the end of its range."""
    yield from _check_few(evidence) if evidence.few else _check_many(evidence)


def _check_few(evidence: Evidence) -> Iterator[Flag]:
    """With few samples a stay: the samples of all stays together, whatever their dwells look like."""
    if evidence.stay_start.size < 4:
        return
    stays = overlay(evidence)
    resolution, value = evidence.resolution_mm, evidence.indicator_mm
    inner, wider = np.abs(stays.place) < INNER, np.abs(stays.place) < WIDER
    for flank, side in ((stays.high, 1.0), (~stays.high, -1.0)):
        doubtful, other = stays.index[flank & inner], stays.index[~flank & wider]
        if min(doubtful.size, other.size) < 4:
            continue
        code = float(side * (side * value).max())
        away = np.abs(value - code)
        samples = float(np.count_nonzero(away < 0.25 * resolution))
        same = np.count_nonzero(away[doubtful] < 0.25 * resolution)
        # a live flank flickers to the codes beside
        beside = np.count_nonzero((away > 0.5 * resolution) & (away < 2.5 * resolution))
        if same < MOST_SAME * doubtful.size or beside > 1 + MOST_BESIDE * samples:
            continue
        life, spans = _life_of_few(value[other], resolution)
        chance = samples * _log_chance_of_same(life, resolution)
        if spans and chance < LOG_CHANCE_FEW:
            yield _end_of_range(life, samples, chance)


def _life_of_few(value: Floats, resolution_mm: float) -> tuple[float, bool]:
    """Standard deviation of the samples near their median, rounding taken off; more than two codes seen.

    Creep is life as well: it moves both flanks.
    """
    away = value - np.median(value)
    near = np.abs(away) < 3 * max(resolution_mm, float(np.median(np.abs(away))))
    variance = float(np.mean((away[near] - np.mean(away[near])) ** 2)) - resolution_mm**2 / 12
    # rounding alone can hide one code of movement, not two
    return sqrt(max(variance, 0.0)), bool(np.ptp(value[near]) > 1.5 * resolution_mm)


def _end_of_range(life_mm: float, samples: float, chance: float) -> Flag:
    return Flag(
        name=FlagName.OUT_OF_RANGE,
        disabling=True,
        sentence="One flank always gives the same value: the indicator is at the end of its range.",
        numbers={"other_flank_noise_mm": life_mm, "samples": samples, "log_chance": float(chance)},
    )


def _check_many(evidence: Evidence) -> Iterator[Flag]:
    """One flank always shows the very same value while the other one lives: the end of the range."""
    good, resolution = evidence.settled, evidence.resolution_mm
    longest = float((evidence.time_s[evidence.stay_stop - 1] - evidence.time_s[evidence.stay_start]).max())
    creep = evidence.slope_mm_per_s * longest
    if _livelier(evidence, 0.05 * resolution**2 + creep * creep):
        return
    bounds = np.stack((evidence.start[good], evidence.stop[good] - 1), axis=1).ravel()
    if bounds.size < 8:
        return
    value = evidence.indicator_mm
    lowest, highest = np.minimum.reduceat(value, bounds)[::2], np.maximum.reduceat(value, bounds)[::2]
    high, counts = evidence.high[good], (evidence.stop - evidence.start)[good]
    for flank, other, side in ((high, ~high, 1.0), (~high, high, -1.0)):
        if not (flank.any() and other.any()):
            continue
        code = float(highest[flank].max() if side > 0 else lowest[flank].min())
        same = flank & (lowest == highest) & (highest == code)
        if np.count_nonzero(same) < MOST_SAME * np.count_nonzero(flank):
            continue
        within, between = _life(evidence, other)
        samples = float(counts[same].sum())
        if (value.max() - code if side > 0 else code - value.min()) > 0.5 * resolution:
            continue
        # nothing beyond: the samples that were trimmed off the dwells count as well
        samples = max(samples, 0.8 * np.count_nonzero(value == code))
        # rounding alone can hide one code of movement, not two
        spans = bool(highest[other].max() - lowest[other].min() > 1.5 * resolution)
        chance = (
            samples * _log_chance_of_same(within, resolution)
            + np.count_nonzero(same) * _log_chance_of_same(between, resolution)
            if spans
            else 0.0
        )
        # the bounce that every arrival on the other flank shows is cut off here
        overshoot = evidence.extreme_mm[good] - np.where(high, 1.0, -1.0) * evidence.level_mm[good]
        cut = float(np.median(overshoot[other])) > 4 * resolution
        if chance < LOG_CHANCE or cut:
            yield _end_of_range(within, samples, chance)


def _livelier(evidence: Evidence, variance_mm2: float) -> bool:
    """True when at least half of the dwells of both flanks vary by more than that within themselves."""
    above = (evidence.variance_mm2 > variance_mm2) | ~evidence.settled
    highs, lows = np.count_nonzero(evidence.high), np.count_nonzero(~evidence.high)
    return bool(
        2 * np.count_nonzero(above & evidence.high) > highs
        and 2 * np.count_nonzero(above & ~evidence.high) > lows
    )


def _life(evidence: Evidence, flank: Booleans) -> tuple[float, float]:
    """Standard deviations within the dwells of a flank and between them, drift included."""
    good = evidence.settled
    level = (evidence.level_mm + evidence.slope_mm_per_s * evidence.level_time)[good][flank]
    count = (evidence.stop - evidence.start)[good][flank]
    within = float(count @ evidence.variance_mm2[good][flank]) / max(float((count - 1).sum()), 1.0)
    return sqrt(within), float(level.std())


def _log_chance_of_same(deviation_mm: float, resolution_mm: float) -> float:
    """Logarithm of the best chance that one more normal value is rounded to the same code."""
    return log(erf(0.5 * resolution_mm / (deviation_mm * sqrt(2)))) if deviation_mm > 0 else 0.0
