"""Readings that a person typed become the reading of a rock, with its uncertainty and its flags.

Decided here: what a few differences between two readings of a scale are worth. There is no trace, so nothing
of it can be checked: every such reading says that it was read by eye. Few repeats know their own scatter
badly, so that of all positions is pooled; and since a scale that shows the same value again and again hides
what it rounds away, the rounding of both readings stands beside it and is not averaged over repeats.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf, nan, sqrt
from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.rock.flags import Flag, FlagName
from lashmap_analysis.rock.rock import RockReading

if TYPE_CHECKING:
    from lashmap_analysis.record.record import TypedReadings

FEWEST_ROCKS = 2
# Repeats of one position may differ by a step for each of two roundings, and by so many standard deviations
# of other positions (range of five normal values, 95 %: 3.9; statistical tables, from memory).
RANGE_FACTOR = 4.0
LEAST_SCATTER_MM = 0.001  # between rocks of one setting by hand (common practice, no source)
# Repeats that differ by more than this part of their mean are not readings of one lash.
MOST_UNEVEN = 0.5
# With so many readings and none between the coarser steps the finer one is not believed (chance 1 in 500).
ENOUGH_TO_TELL = 9
# Lashes that differ by so many steps over the positions are rounded up and down alike often.
DITHERING_STEPS = 4.0


def measure_typed(
    typed: TypedReadings, others: Sequence[TypedReadings], *, step_mm: float, most_mm: float
) -> RockReading:
    """Measure the lash from typed readings.

    The lash is the mean of n differences. Its standard uncertainty has two parts, combined after GUM 5.1.2:
    s / √n with s pooled over all positions (type A; GUM 4.2.4), and the rounding of the two readings of a
    difference, each rectangular with half a step to either side (GUM 4.3.7), so 2 · (step/2)² / 3.

    Args:
        typed: Of the position.
        others: Of the other positions of the test, for the pooled scatter and the step that the person
            reads to.
        step_mm: To which the scale is read; where the readings show a step of twice the size, that counts.
        most_mm: A lash above that cannot be.

    Returns:
        The reading; NaN with disabling flags where the readings hold no lash.

    Raises:
        ValueError: The step is not positive, or a reading is not finite.
    """
    lashes = differences_mm(typed)
    if not (step_mm > 0 and np.isfinite(lashes).all()):
        raise ValueError(f"expected a positive step and finite readings; got {step_mm} and {lashes.tolist()}")
    step_mm = shown_step_mm((typed, *others), step_mm)
    if not lashes.size:
        return _reading(nan, nan, nan, lashes, (_too_few(0),))
    mean, count = float(lashes.mean()), int(lashes.size)
    spread = float(np.ptp(lashes))
    allowed = 2 * step_mm + RANGE_FACTOR * max(pooled_mm(others)[0], LEAST_SCATTER_MM)
    flags = [_by_eye(step_mm)]
    scatter, freedom = pooled_mm((typed, *others))
    if count < FEWEST_ROCKS:
        flags.append(_too_few(count))
    if not 0 < mean <= most_mm:
        flags.append(_out_of_range(mean, most_mm))
    elif spread > allowed:
        flags.append(_uneven(spread, allowed, disabling=spread > MOST_UNEVEN * mean))
        own, own_freedom = pooled_mm((typed,))
        scatter, freedom = max((scatter, freedom), (own, own_freedom))
    repeats = scatter / sqrt(count)
    scale = scale_uncertainty_mm(step_mm)
    uncertainty = sqrt(repeats**2 + scale**2)
    # Welch-Satterthwaite (GUM G.4.1); the rounding is known.
    degrees = freedom * (uncertainty / repeats) ** 4 if repeats > 0 else inf
    return _reading(mean, uncertainty, degrees, lashes, tuple(flags))


def differences_mm(typed: TypedReadings) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """The lash of each rock, shape (n,): which flank was read first does not matter."""
    return np.array([abs(other - first) for first, other in typed.rocks_mm], dtype=np.float64)


def pooled_mm(every: Sequence[TypedReadings]) -> tuple[float, int]:
    """Standard deviation of a single difference, pooled over positions, and its degrees of freedom.

    ISO 5725-2:2019, 7.4 (*from memory*): √(Σ (x − mean of its position)² / Σ (n − 1)); 0 and 0 when no
    position has two rocks.
    """
    rocks = [differences_mm(one) for one in every]
    freedom = sum(max(one.size - 1, 0) for one in rocks)
    if not freedom:
        return 0.0, 0
    return sqrt(sum(float(np.sum((one - one.mean()) ** 2)) for one in rocks if one.size) / freedom), freedom


def scale_uncertainty_mm(step_mm: float) -> float:
    """Standard uncertainty that rounding both readings of a difference leaves: √2 · (step/2) / √3."""
    return step_mm / sqrt(6)


def shown_step_mm(every: Sequence[TypedReadings], step_mm: float) -> float:
    """The step a person really reads to: twice the stated one where all readings lie on that grid."""
    read = np.array([value for one in every for rock in one.rocks_mm for value in rock if value])
    coarse = 2 * step_mm
    off = np.abs(read / coarse - np.round(read / coarse))
    return coarse if read.size >= ENOUGH_TO_TELL and bool((off < 1e-3).all()) else step_mm


def rounded_alike(every: Sequence[TypedReadings], step_mm: float) -> bool:
    """Whether rounding may be the same at all positions: their lashes lie within a few steps."""
    means = [float(differences_mm(one).mean()) for one in every if one.rocks_mm]
    return not means or max(means) - min(means) < DITHERING_STEPS * shown_step_mm(every, step_mm)


def _reading(
    mean: float,
    uncertainty: float,
    degrees: float,
    lashes: np.ndarray[tuple[int], np.dtype[np.float64]],
    flags: tuple[Flag, ...],
) -> RockReading:
    return RockReading(
        reading_mm=mean,
        standard_uncertainty_mm=uncertainty,
        degrees_of_freedom=degrees,
        peak_to_peak_mm=mean,
        spread_mm=float(np.ptp(lashes)) if lashes.size else nan,
        reversals=int(lashes.size),
        drift_mm_per_s=0.0,
        dwells=(),
        flags=flags,
    )


def _by_eye(step_mm: float) -> Flag:
    return Flag(
        name=FlagName.READ_BY_EYE,
        disabling=False,
        sentence="Read by eye and typed: there is no trace that shows whether the gear was rocked lightly, "
        "the flanks were settled, or the pinion stood still.",
        numbers={"read_to_mm": step_mm},
    )


def _too_few(rocks: int) -> Flag:
    return Flag(
        name=FlagName.TOO_FEW_ROCKS,
        disabling=True,
        sentence=f"Too few rocks: {FEWEST_ROCKS} or more say whether a reading repeats. Rock again and type "
        "each.",
        numbers={"rocks": float(rocks)},
    )


def _out_of_range(mean_mm: float, most_mm: float) -> Flag:
    return Flag(
        name=FlagName.OUT_OF_RANGE,
        disabling=True,
        sentence="Typed readings that are no backlash of this gear set: the same on both flanks, or further "
        "apart than half a module. Look for a slip of the pen, or turns of the pointer not counted.",
        numbers={"lash_mm": mean_mm, "most_mm": most_mm},
    )


def _uneven(spread_mm: float, allowed_mm: float, *, disabling: bool) -> Flag:
    return Flag(
        name=FlagName.UNEVEN_ROCKS,
        disabling=disabling,
        sentence="The rocks of one position differ by more than the scale and the other positions explain: "
        "look for a slip of the pen, a tip that slides or a pinion that is not held, and measure again.",
        numbers={"spread_mm": spread_mm, "allowed_mm": allowed_mm},
    )
