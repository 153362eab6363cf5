"""Whether the indicator was at the end of its range: one flank gives the same value again and again.

Decided here: when that is no chance. A live flank shows noise and creep; how much is seen on the other flank,
and the values on the flank in doubt are compared with that. Where the other side has no life either (no
noise, no creep, a coarse indicator) nothing is said.
"""

from __future__ import annotations

from math import erf, isfinite, log, sqrt
from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.rock.at_rest import check_rest
from lashmap_analysis.rock.flags import Flag, FlagName
from lashmap_analysis.rock.flanks import mean_of
from lashmap_analysis.rock.shape import overlay
from lashmap_analysis.rock.steps import LEAST_SHIFT
from lashmap_analysis.rock.unseen import unseen

if TYPE_CHECKING:
    from collections.abc import Iterator

    from lashmap_analysis.rock.flags import Evidence
    from lashmap_analysis.rock.flanks import Floats, Stays
    from lashmap_analysis.rock.steps import Lash, Unlike


MOST_SAME = 0.75
"""Share of the samples on a flank that must show just the end of the range; bounces spoil some."""

LEAST_AT_END = 0.02
"""Share of all samples at one end of what was seen, below which no flank is there."""

LOG_CHANCE = -7.0
"""One in a thousand: below it, a flank that never changes its value is at the end of the range."""

MOST_BESIDE = 0.08
"""Samples one or two codes off the end of the range, on their way, per sample at it."""

WIDER = 0.6
"""Part of a stay that few travels and bounces reach."""

INNER = 0.5
"""Part of a stay that no travel and hardly a bounce reaches."""


def out_of_range(samples: int) -> Flag:
    """The flag for an indicator that said so itself."""
    return Flag(
        name=FlagName.OUT_OF_RANGE,
        disabling=True,
        sentence="The indicator ran out of its range: set it nearer to the middle of its travel.",
        numbers={"samples_out_of_range": float(samples)},
    )


def check_range(evidence: Evidence) -> Iterator[Flag]:
    """Yield the flag for an indicator at the end of its range: the samples of all stays together."""
    value, resolution = evidence.indicator_mm, evidence.resolution_mm
    ends = np.maximum.reduce(value) - 0.25 * resolution, np.minimum.reduce(value) + 0.25 * resolution
    at_end = max(np.count_nonzero(value > ends[0]), np.count_nonzero(value < ends[1]))
    if evidence.stays.start.size < 4 or at_end < LEAST_AT_END * value.size:
        return
    stays = overlay(evidence.time_s, evidence.stays)
    changes = np.zeros(value.size + 1)
    np.add.at(changes, evidence.settled.start, 1.0)
    np.add.at(changes, evidence.settled.stop, -1.0)
    resting = np.add.accumulate(changes) > 0
    inner, wider = np.abs(stays.place) < INNER, np.abs(stays.place) < WIDER
    for flank, side in ((stays.high, 1.0), (~stays.high, -1.0)):
        doubtful, other = stays.index[flank & inner], stays.index[~flank & wider]
        if not evidence.few:
            # a slow departure is no life
            other = other[resting[other]]
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
        life, spans = _life(value[other], resolution)
        chance = samples * _log_chance_of_same(life, resolution)
        if spans and chance < LOG_CHANCE:
            yield _end_of_range(life, samples, chance)


def _life(value: Floats, resolution_mm: float) -> tuple[float, bool]:
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


def _log_chance_of_same(deviation_mm: float, resolution_mm: float) -> float:
    """Logarithm of the best chance that one more normal value is rounded to the same code."""
    return log(erf(0.5 * resolution_mm / (deviation_mm * sqrt(2)))) if deviation_mm > 0 else 0.0


# Whether the samples can be trusted: enough of them, none missing, the indicator alive.


LEAST_SAMPLES_PER_STAY = 3.0
"""Two agreeing samples and one on the way."""

MOST_LOST = 0.5
"""Share of the time that gaps may take."""


def check_samples(evidence: Evidence) -> Iterator[Flag]:
    """Yield what speaks against the samples."""
    if evidence.typical_samples < LEAST_SAMPLES_PER_STAY:
        yield undersampled(evidence.typical_samples)
    if evidence.gaps_s.size:
        yield _gap(evidence)
    yield from check_range(evidence)
    yield from _check_freeze(evidence)


def spikes(count: int, of: int) -> Flag:
    """The warning for samples that were left out."""
    return Flag(
        name=FlagName.SPIKES,
        disabling=False,
        sentence=f"{count} of {of} samples jumped away and back at once and were left out: "
        "check cable and plunger.",
        numbers={"spikes": float(count), "samples": float(of)},
    )


def undersampled(samples: float) -> Flag:
    """The flag for a rock too fast for its indicator."""
    return Flag(
        name=FlagName.UNDERSAMPLED_DWELL,
        disabling=True,
        sentence="Too few samples on each flank: rock more slowly, or let the indicator send faster.",
        numbers={"samples_per_dwell": samples, "least_samples": LEAST_SAMPLES_PER_STAY},
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


def _check_freeze(evidence: Evidence) -> Iterator[Flag]:
    """One value repeated far longer than any dwell while the indicator is alive elsewhere."""
    value = evidence.indicator_mm
    # a run longer than that covers two samples that are half of it apart
    usual = max(10.0, 3 * max(evidence.settled.middles.typical_samples))
    sparse = value[:: max(int(usual) // 2, 1)]
    if not np.count_nonzero(sparse[1:] == sparse[:-1]):
        return
    changes = np.flatnonzero(value[1:] != value[:-1])
    ends = np.concatenate(([-1], changes, [value.size - 1]))
    longest = int((ends[1:] - ends[:-1]).max())
    if longest <= usual:
        return
    start, stop = (
        evidence.settled.start[evidence.settled.settled],
        evidence.settled.stop[evidence.settled.settled],
    )
    inside = np.searchsorted(changes, stop - 1) - np.searchsorted(changes, start)
    alive = float(np.median(inside / np.maximum(stop - start - 1, 1))) if start.size else 0.0
    if alive > 0.25:
        yield Flag(
            name=FlagName.STUCK,
            disabling=True,
            sentence="The indicator repeated one value for longer than a dwell: check plunger and cable.",
            numbers={"same_value_samples": float(longest), "samples_per_dwell": evidence.typical_samples},
        )


# Whether the flanks stayed where they were: slip of the pinion or the base, creep larger than the lash.
#
# A lasting shift is looked for between every two dwells, with level, drift and step fitted beside it;
# samples that belong to neither flank and are not on their way from one to the other say the same.


SLIP = LEAST_SHIFT
"""Lasting shift of both flanks as a share of the step."""

SLIP_FEW = 0.06
"""The same with few samples a stay, where a single sample on its way moves a level."""

ONE_CODE = 1.2
"""The same in resolutions: a slow drift carries both flanks over the edge of a code."""

SURE = 3.6
"""A shift in its standard errors; the best of several is looked at."""

MOST_SCATTER = 0.06
"""Scatter of the levels of one flank as a share of the step."""

MOST_BEYOND = 0.02
"""Share of the samples that may lie beyond the flanks: impacts are shorter."""

LEAST_NEAR_FEW = 0.6
"""Share of the samples that lie near a flank, with few samples a stay: travel takes less than the rest."""

LEAST_NEAR_MANY = 0.4
"""The same with many, where a rest between the flanks is looked for besides: slow departures take half of
the time.
"""

LONGEST_BETWEEN = 0.7
"""Time between the flanks without a break, over a mean stay: of a sine it is a half."""

SHORT = 0.06
"""How far the gear may have stopped short of contact, as a share of the step, above which it is refused."""

UNREACHED = ((0.0, 2.33), (0.02, 0.7))
"""Scatter of that flank as a share of the step, and how sure it is more than the other's, for that."""

CLEAR = 3.0
"""That scatter in what noise and rounding make of a level, for a refusal."""

CLEAR_FEW = 0.01
"""With few samples a stay, where a single sample on its way moves a level: as a share of the step besides."""

LIKELY = (2.0, 0.005)
"""How sure it is, and what is allowed for as a share of the step, for a warning."""


def check_moved(evidence: Evidence) -> Iterator[Flag]:
    """Yield the flag for flanks that moved, with all that was looked at."""
    lash = evidence.lash
    step = lash.mean_mm
    if not isfinite(step):
        return
    good = evidence.settled.settled
    samples = mean_of(evidence.settled.count[good].astype(np.float64))
    level_error = sqrt(evidence.noise_mm**2 / samples + evidence.resolution_mm**2 / 12)
    scatter = lash.scatter_mm if isfinite(lash.scatter_mm) else 0.0
    scatter_limit = max(MOST_SCATTER * step, 2.5 * level_error)
    shift = lash.shift_mm if isfinite(lash.scatter_mm) else 0.0
    shift_limit = max(
        (SLIP_FEW if evidence.few else SLIP) * step,
        ONE_CODE * evidence.resolution_mm,
        SURE * lash.shift_error_mm,
    )
    drift = _drift_mm(evidence)
    near, beyond, between = _place(evidence)
    unlike, refused = lash.unlike, False
    if unlike is not None:
        clear = unlike.scatter_mm > max(CLEAR * level_error, CLEAR_FEW * step if evidence.few else 0.0)
        refused = (clear and unlike.short_mm > SHORT * step) and any(
            unlike.scatter_mm > share * step and unlike.chance > sure for share, sure in UNREACHED
        )
        if refused or (unlike.chance > LIKELY[0] and unlike.allowed_mm > LIKELY[1] * step):
            yield _unlike_flanks(unlike, disabling=refused)
    if lash.unseen_mm > 0:
        yield unseen(evidence)
    if (
        (abs(shift) > shift_limit and not refused)
        or (scatter > scatter_limit and not refused)
        or abs(drift) > step
        or beyond > MOST_BEYOND
        or near < (LEAST_NEAR_FEW if evidence.few else LEAST_NEAR_MANY)
        or (between > LONGEST_BETWEEN and not evidence.few)
    ):
        yield Flag(
            name=FlagName.SLIP,
            disabling=True,
            sentence="The flanks did not stay where they were, or the gear rested between them: lock the "
            "pinion, clamp the base, stop on the flanks and nowhere else, then repeat.",
            numbers={
                "shift_mm": shift,
                "shift_limit_mm": shift_limit,
                "scatter_mm": scatter,
                "scatter_limit_mm": scatter_limit,
                "drift_mm": drift,
                "share_beyond_flanks": beyond,
                "share_near_flanks": near,
                "longest_between_flanks_of_stay": between,
            },
        )


def _drift_mm(evidence: Evidence) -> float:
    """Drift over the whole trace."""
    slope = evidence.stays.levels.slope + evidence.lash.slope
    return slope * float(evidence.time_s[-1] - evidence.time_s[0])


def _unlike_flanks(unlike: Unlike, *, disabling: bool) -> Flag:
    """The flag for a flank whose levels scatter more than chance while the other's repeat."""
    which = "larger" if unlike.high else "smaller"
    return Flag(
        name=FlagName.FLANK_NOT_REACHED,
        disabling=disabling,
        sentence=f"At the {which} readings the gear stopped at different places: does it reach that flank? "
        + (
            "Look for friction, then rock until it touches both flanks."
            if disabling
            else "The uncertainty allows for it."
        ),
        numbers={
            "scatter_mm": unlike.scatter_mm,
            "other_flank_scatter_mm": unlike.other_mm,
            "short_of_outermost_mm": unlike.short_mm,
        },
    )


def _place(evidence: Evidence) -> tuple[float, float, float]:
    """Shares of the samples near a flank and beyond it; the longest run that is not near, in mean stays."""
    step, resolution, noise = evidence.lash.mean_mm, evidence.resolution_mm, evidence.noise_mm
    distance = np.abs(evidence.stays.offset_mm - evidence.lash.centre_mm) - 0.5 * step
    beyond = int(np.count_nonzero(distance > max(0.2 * step, 1.5 * resolution, 4.5 * noise)))
    near = (np.abs(distance) < max(0.15 * step, 1.05 * resolution, 4 * noise)).nonzero()[0]
    if not near.size:
        return 0.0, beyond / distance.size, 1.0
    longest = max(int(np.maximum.reduce(near[1:] - near[:-1], initial=1)), int(near[0]) + 1)
    longest = max(longest, distance.size - int(near[-1])) - 1
    mean_stay = distance.size / evidence.stays.start.size
    return near.size / distance.size, beyond / distance.size, longest / mean_stay


# Why a rock trace may not be believed: every refusal and warning, with the numbers behind it.
#
# Decided here: the order of the checks, and whether there are two flanks and enough reversals. Whether the
# gear came to rest is judged in `rock.at_rest`, whether the flanks stayed in place in `rock.checks`, whether
# the samples can be trusted in `rock.checks`. All limits are relative to the lash, to the resolution or to
# the noise of the trace, so that nobody has to set them. Nothing here changes the number itself.


LEAST_STEPS = 4
"""Five dwells leave two degrees of freedom after mean, drift and step: the least that shows repeatability."""

MOST_UNCERTAIN = 0.4
"""Expanded uncertainty as a share of the reading above which there is hardly a reading."""

LEAST_SEPARATION = 3.0
"""Step over noise of a sample below which two levels may be two halves of one noisy level (about 2.7)."""

LEAST_RESOLUTIONS = (2.0, 2.75)
"""Step in resolutions below which rounding makes the lash: any trace, and one without noise to dither it."""

UNDITHERED = 0.1
"""Uncertainty of a step by repeated rounding, in resolutions, above which noise does not dither it."""


def check(evidence: Evidence) -> Iterator[Flag]:
    """Yield every refusal and warning of a trace that has stays on two levels."""
    if _is_coarse(evidence):
        # what rounding does to such a trace looks like slip, wind-up or a dead indicator, and is none
        yield _coarse(evidence)
        return
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
    """97.5 % point of Student's t within 3.1 % from two degrees of freedom (Abramowitz & Stegun 26.7.5)."""
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
    step = evidence.lash.mean_mm if evidence.lash.steps else evidence.stays.levels.step_mm
    if step < LEAST_SEPARATION * noise:
        yield Flag(
            name=FlagName.SINGLE_FLANK,
            disabling=True,
            sentence="No two flanks stand out from noise and resolution: rock until both flanks are touched.",
            numbers={"step_mm": step, "noise_mm": noise, "resolution_mm": resolution},
        )


def _is_coarse(evidence: Evidence) -> bool:
    """True when two flanks stand out and yet are hardly more than rounding apart."""
    step = evidence.lash.mean_mm
    if evidence.lash.steps < LEAST_STEPS or abs(_drift_mm(evidence)) > step:
        return False
    undithered = evidence.lash.rounding_mm > UNDITHERED * evidence.resolution_mm
    # a step of exactly two resolutions passes whatever the last bit says
    return step < LEAST_RESOLUTIONS[int(undithered)] * evidence.resolution_mm * (1 - 1e-9)


def _coarse(evidence: Evidence) -> Flag:
    """The flag for an indicator with too large steps."""
    step = evidence.lash.mean_mm
    steps = step / evidence.resolution_mm
    return Flag(
        name=FlagName.COARSE_INDICATOR,
        disabling=True,
        sentence=f"What moved is only {steps:.1f} steps of the indicator: use a finer one.",
        numbers={
            "step_mm": step,
            "resolution_mm": evidence.resolution_mm,
            "least_steps": LEAST_RESOLUTIONS[1],
        },
    )


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
