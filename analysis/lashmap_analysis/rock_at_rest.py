"""Whether the gear came to rest on both flanks: settled dwells, pauses between travels, no wind-up."""

from __future__ import annotations

from math import erfc, isfinite, sqrt
from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.flags import Flag, FlagName
from lashmap_analysis.rock_shape import measure_shape

if TYPE_CHECKING:
    from collections.abc import Iterator

    from lashmap_analysis.rock_evidence import Evidence

MOST_UNSETTLED = 0.3
"""Share of the stays that may lack a settled part."""

WANDER = 2.5
"""Deviation of samples from their dwell over that of neighbours from each other; 1 for plain noise."""

WANDER_SHARE = 0.05
"""Share of the step below which wandering does no harm."""

MOST_TRAVEL = 0.46
"""Share of the time between the flanks, as of a trapezoid, both together or on either side.

A sine wave counts as 2/3, a triangle as all; a gear that is thrown and falls back as about 1/2 on that side.
"""

MOST_TRAVEL_FEW = (0.42, 0.6)
"""The same with few samples a stay: both flanks together, and either side, where the count is uncertain."""

SURE = (4.0, 4.5)
"""Movement on the mean flank over its standard error that is no chance: with few samples a stay, and many."""

LEAST_MOVEMENT = (0.05, 0.08)
"""Share of the step above which it matters; with many samples a stay `rock_creep` sees finer ones."""

LEAST_CODES = 0.5
"""The same in resolutions: a bounce that is rounded away or up in every stay looks like that much."""

TILT_TO_ARCH = 1.3
"""Bounce at arrival and travel at departure tilt a flank more than they arch it."""

HIDDEN = (1.65, 0.3)
"""An arch of so large a share of the step that noise may hide at 95 %: that of a gear that is thrown back."""

PLENTY = (60.0, 0.05)
"""Samples a stay, and noise as a share of the step, with which every stay shows its own shape."""

FLAT = 0.02
"""Arch or half tilt over the middle three fifths, as a share of the step, below which nothing is refused."""


def check_rest(evidence: Evidence) -> Iterator[Flag]:
    """Yield what speaks against rest on the flanks."""
    settled = evidence.settled
    share = np.count_nonzero(settled) / settled.size
    travel = _travel_share(evidence)
    numbers = {"settled_dwells": float(np.count_nonzero(settled)), "dwells": float(settled.size)}
    if share < 1 - MOST_UNSETTLED:
        yield from _check_one_sided(evidence)
        yield Flag(
            name=FlagName.FLANK_NOT_SETTLED,
            disabling=True,
            sentence="The gear did not come to rest on the flanks: pause at each end of the rock.",
            numbers=numbers,
        )
    elif travel > 1:
        yield Flag(
            name=FlagName.FLANK_NOT_SETTLED,
            disabling=True,
            sentence="The gear moved most of the time: pause at each end of the rock.",
            numbers={"travel_share_over_limit": float(travel)},
        )
    elif share < 1:
        yield Flag(
            name=FlagName.FLANK_NOT_SETTLED,
            disabling=False,
            sentence="Some dwells were not at rest and were left out.",
            numbers=numbers,
        )
    yield from _check_wind_up(evidence)
    yield from _check_shape(evidence)


def _check_one_sided(evidence: Evidence) -> Iterator[Flag]:
    """Rest on one flank while the gear turns round before it reaches the other."""
    settled, high = evidence.settled, evidence.high
    shares = [np.count_nonzero(settled[flank]) / np.count_nonzero(flank) for flank in (high, ~high)]
    if max(shares) > 0.8 and min(shares) < 0.3:
        yield Flag(
            name=FlagName.SINGLE_FLANK,
            disabling=True,
            sentence="The gear came to rest on one flank only: rock until it rests on both.",
            numbers={"settled_share_high": shares[0], "settled_share_low": shares[1]},
        )


def _travel_share(evidence: Evidence) -> float:
    """Share of the time between the flanks, as of a trapezoid with ramps of constant speed, over its limit.

    Both flanks together and each by itself: a gear that is thrown and falls back travels on one side only.
    """
    step = max(evidence.step_mm, evidence.lash.mean_mm if evidence.lash.steps else 0.0)
    resolution = evidence.resolution_mm
    noise = evidence.noise_mm
    if step < 2 * resolution:
        return 0.0
    inner = max(0.25 * step, 0.5 * step - max(0.75 * resolution, 4 * noise, 0.1 * step))
    first, last = evidence.stay_start[1], evidence.stay_stop[-2]
    offset = evidence.offset_mm[first:last]
    low, high = np.count_nonzero(offset < 0), np.count_nonzero(offset > 0)
    near_low = np.count_nonzero(offset < -inner)
    near_high = np.count_nonzero(offset > inner)
    # samples at rest that noise and rounding carry between the flanks
    reach = 0.5 * step - inner - 0.5 * resolution
    astray = 0.5 * erfc(reach / (noise * sqrt(2))) if noise > 0 else 0.0
    most_of_both, most_of_one = MOST_TRAVEL_FEW if evidence.few else (MOST_TRAVEL, MOST_TRAVEL)
    worst = 0.0
    for count, near, most in (
        (low + high, near_low + near_high, most_of_both),
        (low, near_low, most_of_one),
        (high, near_high, most_of_one),
    ):
        if count:
            expected = astray + (1.5 * sqrt(astray / count) if astray > 0.01 else 0.0)
            between = (1 - near / count - expected) / (1 - expected)
            worst = max(worst, between * 0.5 * step / inner / most)
    return worst


def _check_wind_up(evidence: Evidence) -> Iterator[Flag]:
    """Movement within the dwell, flank by flank, as `rock_steps` measured it for the uncertainty."""
    lash = evidence.lash
    if not isfinite(lash.mean_mm):
        return
    travel, limit = lash.creep.travel_mm, lash.creep.limit_mm
    jitter = max(evidence.jitter_mm, 0.3 * evidence.resolution_mm)
    if evidence.noise_mm > max(WANDER * jitter, WANDER_SHARE * lash.mean_mm):
        yield Flag(
            name=FlagName.UNSTEADY_FLANK,
            disabling=True,
            sentence="The indicator wanders while the gear should rest: hold still, check its clamping.",
            numbers={"wander_mm": evidence.noise_mm, "noise_mm": evidence.jitter_mm},
        )
    if travel > limit:
        yield Flag(
            name=FlagName.UNSTEADY_FLANK,
            disabling=True,
            sentence="The gear kept moving on the flank (wind-up): rock more lightly and hold still.",
            numbers={"travel_on_flank_mm": travel, "limit_mm": limit},
        )
    elif lash.creep.uncertainty_mm > 0:
        yield Flag(
            name=FlagName.UNSTEADY_FLANK,
            disabling=False,
            sentence="The gear moved a little on the flank; the uncertainty allows for it.",
            numbers={"travel_on_flank_mm": travel, "limit_mm": limit},
        )


def _check_shape(evidence: Evidence) -> Iterator[Flag]:
    """The mean shape of all stays: no wind-up, no turning back before the flank, and enough to tell."""
    step = evidence.lash.mean_mm
    if not step > 0:
        return
    samples, quiet = PLENTY
    plenty = evidence.typical_samples > samples
    if plenty and (evidence.noise_mm < quiet * step or _looks_flat(evidence, FLAT * step)):
        return
    shape = measure_shape(evidence, step)
    if shape is None:
        if evidence.few:
            # any movement up to the lash itself could hide
            yield _unknown_shape(evidence, step, step)
        return
    # Student's factor, roughly: the errors come from few samples themselves
    wide = 1 + 2 / shape.freedom
    sure = SURE[not evidence.few] * wide
    least = max(LEAST_MOVEMENT[not evidence.few] * step, LEAST_CODES * evidence.resolution_mm)
    tilt_limit = np.maximum(TILT_TO_ARCH * least, sure * shape.tilt_error_mm)
    arch_limit = np.maximum(least, sure * shape.arch_error_mm)
    tilt, arch = (
        int(np.argmax(np.abs(shape.tilt_mm) / tilt_limit)),
        int(np.argmax(shape.arch_mm / arch_limit)),
    )
    if abs(shape.tilt_mm[tilt]) > tilt_limit[tilt] or shape.arch_mm[arch] > arch_limit[arch]:
        yield Flag(
            name=FlagName.UNSTEADY_FLANK,
            disabling=True,
            sentence="The gear did not rest on the flanks (wind-up, or it turned back early): "
            "rock more lightly and hold still at each end.",
            numbers={
                "tilt_mm": float(shape.tilt_mm[tilt]),
                "tilt_limit_mm": float(tilt_limit[tilt]),
                "arch_mm": float(shape.arch_mm[arch]),
                "arch_limit_mm": float(arch_limit[arch]),
            },
        )
    elif evidence.few:
        hidden = float((shape.arch_mm + HIDDEN[0] * wide * shape.arch_error_mm)[:2].max())
        if hidden > HIDDEN[1] * step:
            yield _unknown_shape(evidence, hidden, step)


def _looks_flat(evidence: Evidence, least_mm: float) -> bool:
    """True when the fifths of many samples already tell that neither flank is tilted or arched."""
    for flank in (evidence.high, ~evidence.high):
        if flank.any():
            before, middle, after = evidence.shape_mm[flank].mean(axis=0).tolist()
            if max(abs(middle - 0.5 * (before + after)), 0.5 * abs(after - before)) > least_mm:
                return False
    return True


def _unknown_shape(evidence: Evidence, hidden_mm: float, step_mm: float) -> Flag:
    """The flag for a trace too thin to show that the gear rested."""
    return Flag(
        name=FlagName.UNDERSAMPLED_DWELL,
        disabling=True,
        sentence="Too few samples to show that the gear rested on the flanks: rock more slowly, or longer.",
        numbers={
            "samples_per_dwell": evidence.typical_samples,
            "dwells": float(evidence.stay_start.size),
            "hidden_movement_mm": hidden_mm,
            "limit_mm": HIDDEN[1] * step_mm,
        },
    )
