"""Why a rock trace may not be believed: every refusal and warning, with the numbers behind it.

Decided here: the order of the checks, and whether there are two flanks and enough reversals. Whether the
gear came to rest is judged in `rock_at_rest`, whether the flanks stayed in place in `rock_moved`, whether
the samples can be trusted in `rock_samples`. All limits are relative to the lash, to the resolution or to the
noise of the trace, so that nobody has to set them. Nothing here changes the number itself.
"""

from __future__ import annotations

from math import isfinite, log, sqrt
from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.flags import Flag, FlagName
from lashmap_analysis.rock_at_rest import check_rest
from lashmap_analysis.rock_moved import check_moved
from lashmap_analysis.rock_samples import check_samples, undersampled

if TYPE_CHECKING:
    from collections.abc import Iterator

    from lashmap_analysis.rock_evidence import Evidence
    from lashmap_analysis.rock_flanks import Floats, Stays
    from lashmap_analysis.rock_steps import Lash

LEAST_STEPS = 4
"""Five dwells leave two degrees of freedom after mean, drift and step: the least that shows repeatability."""

MOST_UNCERTAIN = 0.4
"""Expanded uncertainty as a share of the reading above which there is hardly a reading."""

LEAST_SEPARATION = 3.0
"""Step over noise of a sample below which two levels may be two halves of one noisy level (about 2.7)."""

LEAST_CLEAR = 0.55
"""Share of the samples near a flank where samples are few; of evenly spread ones it is less than a half."""

LEAST_RESOLUTIONS = 2.0
"""Step in resolutions below which rounding makes the lash."""


def check(evidence: Evidence) -> Iterator[Flag]:
    """Yield every refusal and warning of a trace that has stays on two levels."""
    yield from _check_separation(evidence)
    yield from check_samples(evidence)
    yield from check_rest(evidence)
    yield from check_moved(evidence)
    lash = evidence.lash
    if lash.steps < LEAST_STEPS or not isfinite(lash.standard_uncertainty_mm):
        yield too_few(lash.steps)
    else:
        yield from _check_certainty(lash)
    yield from _check_heavy(evidence)


def without_stays(indicator_mm: Floats, stays: Stays, resolution_mm: float) -> Iterator[Flag]:
    """Yield the refusals of a trace in which fewer than two stays were found."""
    offset, step = stays.offset_mm, stays.levels.step_mm
    strong = np.sign(offset[np.abs(offset) > 0.35 * step]) if step > 0 else offset[:0]
    changes = int(np.count_nonzero(np.diff(strong)))
    if changes >= max(4, 0.4 * strong.size) and step > 3 * resolution_mm:
        yield undersampled(strong.size / (changes + 1))
    if indicator_mm.size > 1:
        movement = float(np.ptp(indicator_mm))
        if movement == 0:
            yield Flag(
                name=FlagName.STUCK,
                disabling=True,
                sentence="The indicator did not move: check that its tip touches and its plunger is free.",
                numbers={"samples": float(indicator_mm.size), "value_mm": float(indicator_mm[0])},
            )
        yield Flag(
            name=FlagName.SINGLE_FLANK,
            disabling=True,
            sentence="Only one level was seen: rock the gear until it touches both flanks.",
            numbers={"movement_mm": movement, "resolution_mm": resolution_mm},
        )
    yield too_few(0)


def too_few(steps: int) -> Flag:
    """The flag for a rock that has to go on."""
    return Flag(
        name=FlagName.TOO_FEW_REVERSALS,
        disabling=True,
        sentence=f"{steps} reversals could be used, {LEAST_STEPS} are needed: keep rocking.",
        numbers={"reversals": float(steps), "least_reversals": float(LEAST_STEPS)},
    )


def _check_certainty(lash: Lash) -> Iterator[Flag]:
    """A mean step that is hardly known: chance makes a few alike steps in any trace."""
    expanded = _student(lash.degrees_of_freedom) * lash.standard_uncertainty_mm
    if expanded > MOST_UNCERTAIN * lash.mean_mm:
        yield Flag(
            name=FlagName.TOO_FEW_REVERSALS,
            disabling=True,
            sentence="The steps differ too much for so few reversals: keep rocking, evenly and lightly.",
            numbers={
                "reversals": float(lash.steps),
                "expanded_uncertainty_mm": expanded,
                "limit_mm": MOST_UNCERTAIN * lash.mean_mm,
            },
        )


def _student(freedom: float) -> float:
    """97.5 % point of Student's t within 3 % from two degrees of freedom on (Abramowitz & Stegun 26.7.5)."""
    z = 1.959964
    return (
        z
        + (z**3 + z) / (4 * freedom)
        + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * freedom**2)
        + (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / (384 * freedom**3)
    )


def _check_separation(evidence: Evidence) -> Iterator[Flag]:
    """The least-step test that a flat or noisy trace cannot pass."""
    noise, resolution = evidence.noise_mm, evidence.resolution_mm
    step = evidence.lash.mean_mm if evidence.lash.steps else evidence.step_mm
    # a step of exactly two resolutions passes whatever the last bit says
    unclear = evidence.few and _clear_share(evidence, step) < LEAST_CLEAR
    if step < LEAST_RESOLUTIONS * resolution * (1 - 1e-9) or step < LEAST_SEPARATION * noise or unclear:
        yield Flag(
            name=FlagName.SINGLE_FLANK,
            disabling=True,
            sentence="No two flanks stand out from noise and resolution: rock until both flanks are touched.",
            numbers={"step_mm": step, "noise_mm": noise, "resolution_mm": resolution},
        )


def _clear_share(evidence: Evidence, step: float) -> float:
    """Share of the samples within a quarter step of a flank (and a code, which rounding may move them)."""
    away = np.abs(np.abs(evidence.offset_mm) - 0.5 * step)
    return float(np.count_nonzero(away < max(0.25 * step, 1.05 * evidence.resolution_mm)) / away.size)


def _check_heavy(evidence: Evidence) -> Iterator[Flag]:
    """Peak to peak above the settled step by more than noise, rounding and a light bounce."""
    lash = evidence.lash
    if not isfinite(lash.peak_to_peak_mm):
        return
    # expected largest of n normal values is below sqrt(2 ln n) standard deviations
    noise = 2 * evidence.noise_mm * sqrt(2 * log(max(evidence.typical_samples, 2.0)))
    limit = max(0.1 * lash.mean_mm, 1.5 * evidence.resolution_mm) + noise
    excess = lash.peak_to_peak_mm - lash.mean_mm
    if excess > limit:
        yield Flag(
            name=FlagName.HEAVY_ROCKING,
            disabling=False,
            sentence="Peak to peak is well above the settled step: rock more lightly.",
            numbers={
                "peak_to_peak_mm": lash.peak_to_peak_mm,
                "reading_mm": lash.mean_mm,
                "excess_mm": excess,
                "limit_mm": limit,
            },
        )
