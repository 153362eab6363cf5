"""Why a rock trace may not be believed: every refusal and warning, with the numbers behind it.

Decided here: what is accepted. All limits are relative to the lash itself, to the resolution or to the noise
of the trace, so that nobody has to set them. Not decided: anything about the number itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erf, erfc, inf, isfinite, log, sqrt
from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.flags import Flag, FlagName

if TYPE_CHECKING:
    from collections.abc import Iterator

    from lashmap_analysis.rock_dwells import Settled
    from lashmap_analysis.rock_flanks import Floats, Stays
    from lashmap_analysis.rock_steps import Lash

LEAST_STEPS = 4
"""Five dwells leave two degrees of freedom after mean, drift and step: the least that shows repeatability."""

LEAST_SEPARATION = 3.0
"""Step over noise of a sample below which two levels may be two halves of one noisy level (about 2.7)."""

LEAST_RESOLUTIONS = 2.0
"""Step in resolutions below which rounding makes the lash."""

MOST_UNSETTLED = 0.3
"""Share of the stays that may lack a settled part."""

MOST_TRAVEL = 0.5
"""Share of the time between the flanks, as of a trapezoid; a sine wave counts as 2/3, a triangle as all."""

WINDUP = 0.01
"""Outward travel during the dwell, from one fifth of the stay to the next, as a share of the step."""

SLIP = 0.04
"""Lasting shift of both flanks as a share of the step."""

MOST_SCATTER = 0.06
"""Scatter of the levels of one flank as a share of the step."""


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """All that the checks look at."""

    time_s: Floats
    indicator_mm: Floats
    stays: Stays
    settled: Settled | None
    lash: Lash
    resolution_mm: float
    not_finite: int
    missing: int
    gaps: Floats


def check(evidence: Evidence) -> Iterator[Flag]:
    """Yield every refusal and warning, most telling first."""
    trace = evidence.indicator_mm
    if evidence.not_finite:
        yield Flag(
            name=FlagName.OUT_OF_RANGE,
            disabling=True,
            sentence="The indicator ran out of its range: set it nearer to the middle of its travel.",
            numbers={"samples_out_of_range": float(evidence.not_finite)},
        )
    if trace.size and trace.max() == trace.min():
        yield Flag(
            name=FlagName.STUCK,
            disabling=True,
            sentence="The indicator did not move at all: check that its tip touches and its plunger is free.",
            numbers={"samples": float(trace.size), "value_mm": float(trace[0])},
        )
    settled = evidence.settled
    if settled is None:
        yield from _without_stays(evidence)
        return
    yield from _separation(evidence, settled)
    yield from _sampling(evidence, settled)
    yield from _settling(evidence, settled)
    yield from _wind_up(evidence, settled)
    yield from _movement(evidence, settled)
    yield from _range(evidence, settled)
    yield from _freeze(evidence, settled)
    yield from _count(evidence)
    yield from _heavy(evidence, settled)


def _without_stays(evidence: Evidence) -> Iterator[Flag]:
    offset, step = evidence.stays.offset_mm, evidence.stays.levels.step_mm
    strong = np.sign(offset[np.abs(offset) > 0.35 * step]) if step > 0 else offset[:0]
    changes = int(np.count_nonzero(np.diff(strong)))
    if strong.size and changes >= max(4, 0.4 * strong.size) and step > 3 * evidence.resolution_mm:
        yield _undersampled(strong.size / (changes + 1))
    yield Flag(
        name=FlagName.SINGLE_FLANK,
        disabling=True,
        sentence="Only one level was seen: rock the gear until it touches both flanks.",
        numbers={"movement_mm": float(np.ptp(evidence.indicator_mm)) if evidence.indicator_mm.size else 0.0},
    )
    yield _too_few(0)


def _undersampled(samples: float) -> Flag:
    return Flag(
        name=FlagName.UNDERSAMPLED_DWELL,
        disabling=True,
        sentence="Too few samples on each flank: rock more slowly, or let the indicator send faster.",
        numbers={"samples_per_dwell": samples, "least_samples": 3.0},
    )


def _too_few(steps: int) -> Flag:
    return Flag(
        name=FlagName.TOO_FEW_REVERSALS,
        disabling=True,
        sentence=f"Only {steps} reversals could be used, {LEAST_STEPS} are needed: keep rocking.",
        numbers={"reversals": float(steps), "least_reversals": float(LEAST_STEPS)},
    )


def _count(evidence: Evidence) -> Iterator[Flag]:
    if evidence.lash.steps < LEAST_STEPS or not isfinite(evidence.lash.standard_uncertainty_mm):
        yield _too_few(evidence.lash.steps)


def _separation(evidence: Evidence, settled: Settled) -> Iterator[Flag]:
    """The least-step test that a flat or noisy trace cannot pass."""
    step = evidence.lash.mean_mm if evidence.lash.steps else evidence.stays.levels.step_mm
    noise = max(settled.noise_mm, 1e-300)
    least = LEAST_RESOLUTIONS * evidence.resolution_mm * (1 - 1e-9)
    if step < least or step < LEAST_SEPARATION * noise:
        yield Flag(
            name=FlagName.SINGLE_FLANK,
            disabling=True,
            sentence="No two flanks stand out from noise and resolution: rock until both flanks are touched.",
            numbers={"step_mm": step, "noise_mm": settled.noise_mm, "resolution_mm": evidence.resolution_mm},
        )


def _sampling(evidence: Evidence, settled: Settled) -> Iterator[Flag]:
    dwell_samples = settled.typical_samples
    if dwell_samples < 3:
        yield _undersampled(dwell_samples)
    if evidence.gaps.size:
        length = float(evidence.time_s[-1] - evidence.time_s[0])
        lost = float(evidence.gaps.sum())
        grave = lost > 0.5 * length
        yield Flag(
            name=FlagName.GAP_IN_SAMPLES,
            disabling=grave,
            sentence="Most of the rock is missing: check the cable, then repeat the rock."
            if grave
            else "Samples are missing; steps across the gap were left out.",
            numbers={
                "gaps": float(evidence.gaps.size),
                "longest_gap_s": float(evidence.gaps.max()),
                "lost_s": lost,
                "trace_s": length,
            },
        )


def _settling(evidence: Evidence, settled: Settled) -> Iterator[Flag]:
    good = settled.settled
    high = evidence.stays.sign > 0
    share_high, share_low = (float(good[flank].mean()) if flank.any() else 0.0 for flank in (high, ~high))
    if good.mean() < 1 - MOST_UNSETTLED:
        if max(share_high, share_low) > 0.8 and min(share_high, share_low) < 0.3:
            yield Flag(
                name=FlagName.SINGLE_FLANK,
                disabling=True,
                sentence="The gear came to rest on one flank only: rock until it rests on both.",
                numbers={"settled_high": share_high, "settled_low": share_low},
            )
        yield Flag(
            name=FlagName.FLANK_NOT_SETTLED,
            disabling=True,
            sentence="The gear did not come to rest on the flanks: pause at each end of the rock.",
            numbers={"settled_dwells": float(good.sum()), "dwells": float(good.size)},
        )
        return
    travel = _travel(evidence, settled)
    if travel > MOST_TRAVEL:
        yield Flag(
            name=FlagName.FLANK_NOT_SETTLED,
            disabling=True,
            sentence="The gear moved nearly all the time: pause at each end of the rock.",
            numbers={"travel_share": travel, "most_travel_share": MOST_TRAVEL},
        )
    elif not good.all():
        yield Flag(
            name=FlagName.FLANK_NOT_SETTLED,
            disabling=False,
            sentence="Some dwells were not at rest and were left out.",
            numbers={"settled_dwells": float(good.sum()), "dwells": float(good.size)},
        )


def _travel(evidence: Evidence, settled: Settled) -> float:
    """Share of the time spent between the flanks, as of a trapezoid with ramps of constant speed."""
    step, resolution, noise = evidence.lash.mean_mm, evidence.resolution_mm, settled.noise_mm
    if not step > 2 * resolution:
        return 0.0
    inner = max(0.25 * step, 0.5 * step - max(0.75 * resolution, 4 * noise, 0.1 * step))
    first, last = evidence.stays.start[1], evidence.stays.stop[-2]
    offset = evidence.stays.offset_mm[first:last]
    between = np.count_nonzero(np.abs(offset) < inner) / max(offset.size, 1)
    # samples at rest that noise carries there
    astray = 0.5 * erfc((0.5 * step - inner) / (noise * sqrt(2))) if noise > 0 else 0.0
    return float((between - astray) / (1 - astray) * 0.5 * step / inner)


def _wind_up(evidence: Evidence, settled: Settled) -> Iterator[Flag]:
    step = evidence.lash.mean_mm
    good = settled.settled
    if not isfinite(step) or not good.any():
        return
    if settled.profile_mm.size:
        profile = settled.profile_mm[good]
        changes = np.stack(
            (profile[:, 3] - profile[:, 2], profile[:, 2] - 0.5 * (profile[:, 1] + profile[:, 3]))
        )
    else:
        changes = settled.trend_mm[None, good]
    mean = changes.mean(axis=1)
    error = changes.std(axis=1) / sqrt(max(good.sum() - 1, 1))
    limit = np.maximum(np.maximum(WINDUP * step, 0.35 * evidence.resolution_mm), 5 * error)
    worst = int(np.argmax(np.abs(mean) / limit))
    if abs(mean[worst]) > limit[worst]:
        yield Flag(
            name=FlagName.UNSTEADY_FLANK,
            disabling=True,
            sentence="The gear kept moving on the flank (wind-up): rock more lightly and hold still.",
            numbers={"travel_on_flank_mm": float(mean[worst]), "limit_mm": float(limit[worst])},
        )


def _movement(evidence: Evidence, settled: Settled) -> Iterator[Flag]:
    """Pinion or base moved: a lasting shift, a drift larger than the lash, or levels that do not repeat."""
    lash = evidence.lash
    step, residual = lash.mean_mm, lash.residual_mm
    count = residual.size
    if count < 4 or not isfinite(step):
        return
    good = settled.settled
    time, sign = settled.time[good], evidence.stays.sign[good]
    design = np.stack((np.ones(count), time - time.mean(), sign))
    basis = np.linalg.qr(design.T)[0]
    shift = np.tri(count, k=-1)[:, : count - 1]
    shift = shift - basis @ (basis.T @ shift)
    power = np.einsum("ij,ij->j", shift, shift)
    power = np.maximum(power, 1e-3)
    size = residual @ shift / power
    at = int(np.argmax(size * size * power))
    left = max(float(residual @ residual) - float(size[at] ** 2 * power[at]), 0.0) / max(count - 4, 1)
    samples = float((settled.stop - settled.start)[good].mean())
    level_error = sqrt(settled.noise_mm**2 / samples + evidence.resolution_mm**2 / 12)
    error = sqrt((left + level_error**2) / power[at])
    limit = max(SLIP * step, evidence.resolution_mm, 4 * error)
    scatter_limit = max(MOST_SCATTER * step, 2.5 * level_error)
    drift = (evidence.stays.levels.slope + lash.slope) * float(time[-1] - time[0])
    scatter = lash.scatter_mm if isfinite(lash.scatter_mm) else 0.0
    if abs(size[at]) > limit or scatter > scatter_limit or abs(drift) > step:
        yield Flag(
            name=FlagName.SLIP,
            disabling=True,
            sentence="The flanks did not stay where they were: lock the pinion, clamp the base, then repeat.",
            numbers={
                "shift_mm": float(size[at]),
                "shift_limit_mm": limit,
                "scatter_mm": scatter,
                "scatter_limit_mm": scatter_limit,
                "drift_mm": drift,
            },
        )


def _range(evidence: Evidence, settled: Settled) -> Iterator[Flag]:
    """One flank always shows the very same value while the other one lives: the end of the range."""
    good, resolution = settled.settled, evidence.resolution_mm
    high = evidence.stays.sign > 0
    levels = settled.offset_mm + evidence.stays.levels.slope * settled.time
    life: list[tuple[float, float, float]] = []
    for flank, sign in ((high & good, 1.0), (~high & good, -1.0)):
        if np.count_nonzero(flank) < 2:
            return
        count = (settled.stop - settled.start)[flank]
        mean = float(count @ levels[flank]) / count.sum()
        variance = float(count @ (settled.variance_mm2[flank] + (levels[flank] - mean) ** 2)) / count.sum()
        overshoot = float(np.median(settled.extreme_mm[flank] - sign * settled.offset_mm[flank]))
        life.append((sqrt(variance), float(count.sum()), overshoot))
    for dead, alive in (life, life[::-1]):
        if dead[0] > 1e-3 * resolution:
            continue
        chance = -inf
        if alive[0] > 0.4 * resolution:
            chance = dead[1] * log(erf(0.5 * resolution / (alive[0] * sqrt(2))))
            chance = chance if chance < -14 else 0.0
        bounce = alive[2] > 4 * resolution and dead[2] < 0.5 * resolution
        if (alive[0] > 0.4 * resolution and chance < -14) or bounce:
            yield Flag(
                name=FlagName.OUT_OF_RANGE,
                disabling=True,
                sentence="One flank always gives the same value: the indicator is at the end of its range.",
                numbers={"other_flank_deviation_mm": alive[0], "samples": dead[1]},
            )


def _freeze(evidence: Evidence, settled: Settled) -> Iterator[Flag]:
    """One value repeated far longer than any dwell while the indicator is alive elsewhere."""
    changes = np.flatnonzero(np.diff(evidence.indicator_mm))
    if not changes.size:
        return
    runs = np.diff(np.concatenate(([-1], changes, [evidence.indicator_mm.size - 1])))
    longest = int(runs.max())
    if longest <= max(10.0, 3 * settled.typical_samples):
        return
    counts = (settled.stop - settled.start)[settled.settled]
    inside = np.searchsorted(changes, settled.stop[settled.settled] - 1) - np.searchsorted(
        changes, settled.start[settled.settled]
    )
    alive = float(np.median(inside / np.maximum(counts - 1, 1))) if counts.size else 0.0
    if alive > 0.25:
        yield Flag(
            name=FlagName.STUCK,
            disabling=True,
            sentence="The indicator repeated one value for longer than a dwell: check plunger and cable.",
            numbers={"same_value_samples": float(longest), "samples_per_dwell": settled.typical_samples},
        )


def _heavy(evidence: Evidence, settled: Settled) -> Iterator[Flag]:
    lash = evidence.lash
    if not isfinite(lash.peak_to_peak_mm):
        return
    excess = lash.peak_to_peak_mm - lash.mean_mm
    noise = 2 * settled.noise_mm * sqrt(2 * log(max(settled.typical_samples, 2.0)))
    limit = max(0.1 * lash.mean_mm, 1.5 * evidence.resolution_mm) + noise
    if excess > limit:
        yield Flag(
            name=FlagName.HEAVY_ROCKING,
            disabling=False,
            sentence="Peak to peak is well above the settled step: rock more lightly.",
            numbers={"peak_to_peak_mm": lash.peak_to_peak_mm, "reading_mm": lash.mean_mm, "limit_mm": limit},
        )
