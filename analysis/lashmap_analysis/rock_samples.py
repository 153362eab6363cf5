"""Whether the samples can be trusted: enough of them, none missing, indicator alive and within its range."""

from __future__ import annotations

from math import erf, log, sqrt
from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.flags import Flag, FlagName

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from lashmap_analysis.rock_evidence import Evidence
    from lashmap_analysis.rock_groups import Floats

LEAST_SAMPLES_PER_STAY = 3.0
"""Two agreeing samples and one on the way."""

MOST_LOST = 0.5
"""Share of the time that gaps may take."""

LOG_CHANCE = -7.0
"""One in a thousand: below it, a flank that never changes its value is at the end of the range."""


def check_samples(evidence: Evidence) -> Iterator[Flag]:
    """Yield what speaks against the samples."""
    if evidence.typical_samples < LEAST_SAMPLES_PER_STAY:
        yield undersampled(evidence.typical_samples)
    if evidence.gaps_s.size:
        yield _gap(evidence)
    yield from _check_range(evidence)
    yield from _check_freeze(evidence)


def undersampled(samples: float) -> Flag:
    """The flag for a rock too fast for its indicator."""
    return Flag(
        name=FlagName.UNDERSAMPLED_DWELL,
        disabling=True,
        sentence="Too few samples on each flank: rock more slowly, or let the indicator send faster.",
        numbers={"samples_per_dwell": samples, "least_samples": LEAST_SAMPLES_PER_STAY},
    )


def out_of_range(samples: int) -> Flag:
    """The flag for an indicator that said so itself."""
    return Flag(
        name=FlagName.OUT_OF_RANGE,
        disabling=True,
        sentence="The indicator ran out of its range: set it nearer to the middle of its travel.",
        numbers={"samples_out_of_range": float(samples)},
    )


def _gap(evidence: Evidence) -> Flag:
    length, lost = float(evidence.time_s[-1] - evidence.time_s[0]), float(evidence.gaps_s.sum())
    grave = lost > MOST_LOST * length
    return Flag(
        name=FlagName.GAP_IN_SAMPLES,
        disabling=grave,
        sentence="Most of the rock is missing: check the cable, then repeat the rock."
        if grave
        else "Samples are missing; steps across a gap were left out.",
        numbers={
            "gaps": float(evidence.gaps_s.size),
            "longest_gap_s": float(evidence.gaps_s.max()),
            "lost_s": lost,
            "trace_s": length,
        },
    )


def _check_range(evidence: Evidence) -> Iterator[Flag]:
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
    high = evidence.high[good]
    for flank, other, side in ((high, ~high, 1.0), (~high, high, -1.0)):
        if not (flank.any() and other.any()) or highest[flank].max() > lowest[flank].min():
            continue
        within, between = _life(evidence, other)
        samples = float((evidence.stop - evidence.start)[good][flank].sum())
        if value.max() <= highest[flank].max() or value.min() >= lowest[flank].min():
            # nothing beyond: the samples that were trimmed off the dwells count as well
            samples = max(samples, 0.8 * np.count_nonzero(value == highest[flank][0]))
        # rounding alone can hide one code of movement, not two
        spans = bool(highest[other].max() - lowest[other].min() > 1.5 * resolution)
        if evidence.few and not _flickers(value, float(highest[flank][0]), resolution):
            outward, farthest = _outward_life(evidence, other, -side)
            within, spans = max(within, outward), spans or farthest > 1.05 * resolution
        chance = (
            samples * _log_chance_of_same(within, resolution)
            + np.count_nonzero(flank) * _log_chance_of_same(between, resolution)
            if spans
            else 0.0
        )
        # the bounce that every arrival on the other flank shows is cut off here
        edge = (value.max() - highest[flank].max()) if side > 0 else (lowest[flank].min() - value.min())
        overshoot = evidence.extreme_mm[good] - np.where(high, 1.0, -1.0) * evidence.level_mm[good]
        cut = edge <= 0 and float(np.median(overshoot[other])) > 4 * resolution
        if chance < LOG_CHANCE or cut:
            yield Flag(
                name=FlagName.OUT_OF_RANGE,
                disabling=True,
                sentence="One flank always gives the same value: the indicator is at the end of its range.",
                numbers={"other_flank_noise_mm": within, "samples": samples, "log_chance": chance},
            )


def _livelier(evidence: Evidence, variance_mm2: float) -> bool:
    """True when the dwells of both flanks vary by more than that within themselves, at least one of each."""
    above = (evidence.variance_mm2 > variance_mm2) & evidence.settled
    return bool((above & evidence.high).any() and (above & ~evidence.high).any())


def _life(evidence: Evidence, flank: NDArray[np.bool_]) -> tuple[float, float]:
    """Standard deviations within the dwells of a flank and between them, drift included."""
    good = evidence.settled
    level = (evidence.level_mm + evidence.slope_mm_per_s * evidence.level_time)[good][flank]
    count = (evidence.stop - evidence.start)[good][flank]
    within = float(count @ evidence.variance_mm2[good][flank]) / max(float((count - 1).sum()), 1.0)
    return sqrt(within), float(level.std())


def _flickers(value: Floats, code: float, resolution_mm: float) -> bool:
    """True when samples one or two codes away show that the flank is alive."""
    away = np.abs(value - code)
    return bool(((away > 0.5 * resolution_mm) & (away < 2.5 * resolution_mm)).any())


def _outward_life(evidence: Evidence, flank: NDArray[np.bool_], side: float) -> tuple[float, float]:
    """Standard deviation and farthest sample beyond the level of a flank, where no travel reaches.

    With few samples a stay most of the noise is trimmed off the dwells; half of it is seen beyond the level.
    """
    level = float(evidence.level_mm[evidence.settled][flank].mean())
    beyond = side * (evidence.offset_mm - level)
    near = np.abs(beyond) < max(4 * evidence.resolution_mm, 4 * evidence.noise_mm)
    outward = beyond[near & (beyond > 0)]
    if not outward.size:
        return 0.0, 0.0
    return sqrt(2 * float(outward @ outward) / np.count_nonzero(near)), float(outward.max())


def _log_chance_of_same(deviation_mm: float, resolution_mm: float) -> float:
    """Logarithm of the best chance that one more normal value is rounded to the same code."""
    return log(erf(0.5 * resolution_mm / (deviation_mm * sqrt(2)))) if deviation_mm > 0 else 0.0


def _check_freeze(evidence: Evidence) -> Iterator[Flag]:
    """One value repeated far longer than any dwell while the indicator is alive elsewhere."""
    value = evidence.indicator_mm
    # a run longer than that covers two samples that are half of it apart
    sparse = value[:: max(int(max(10.0, 3 * evidence.typical_samples)) // 2, 1)]
    if not (sparse[1:] == sparse[:-1]).any():
        return
    changes = np.flatnonzero(value[1:] != value[:-1])
    ends = np.concatenate(([-1], changes, [value.size - 1]))
    longest = int((ends[1:] - ends[:-1]).max())
    if longest <= max(10.0, 3 * evidence.typical_samples):
        return
    start, stop = evidence.start[evidence.settled], evidence.stop[evidence.settled]
    inside = np.searchsorted(changes, stop - 1) - np.searchsorted(changes, start)
    alive = float(np.median(inside / np.maximum(stop - start - 1, 1))) if start.size else 0.0
    if alive > 0.25:
        yield Flag(
            name=FlagName.STUCK,
            disabling=True,
            sentence="The indicator repeated one value for longer than a dwell: check plunger and cable.",
            numbers={"same_value_samples": float(longest), "samples_per_dwell": evidence.typical_samples},
        )
