"""Whether the gear came to rest on both flanks.

Decided here: settled dwells, pauses between travels, a flank reached at speed, no wind-up. How far the gear
moves on its flanks is measured in `rock.creep`, the mean shape of all stays in `rock.shape`.

A gear that winds up or never stops lingers near its farthest place and is hardly at it; one that rests and
then leaves, however slowly, is at it for most of that time. So both times are compared, and a movement inward
alone is no wind-up.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from math import acos, erfc, isfinite, sqrt
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from lashmap_analysis.rock.creep import repeated_rounding
from lashmap_analysis.rock.dwells import NOISY, SHELF, thirds_of
from lashmap_analysis.rock.flags import Flag, FlagName
from lashmap_analysis.rock.shape import PLENTY, measure_shape

if TYPE_CHECKING:
    from collections.abc import Iterator

    from lashmap_analysis.rock.flags import Evidence
    from lashmap_analysis.rock.flanks import Booleans, Floats, Integers
    from lashmap_analysis.rock.shape import Shape


EDGE = 1e-7
"""Of a part, or of a step: what rounding of numbers may decide falls on one side."""

LEAST_IN_PART = 3
"""Samples in each part of the mean stay."""

MOST_UNSETTLED = 0.3
"""Share of the stays that may lack a settled part."""

MOST_TRAVEL_FEW = (0.42, 0.6)
"""Share of the time between the flanks, as of a trapezoid, with few samples a stay: both flanks together, and
either.

A sine wave counts as 2/3, a triangle as all; a gear that is thrown and falls back as about 1/2 on that side.
"""

MOST_TRAVEL = (0.6, 0.58)
"""The same with many samples a stay, where the time near the flank tells more."""

MOST_TRAVEL_CLEAR = ((0.75, NOISY), (0.62, 0.03))
"""On either flank where what counts as level is less than that share of the step: single stays, or in noise
all stays together, show how long the gear was at its level, so that a short rest between slow travels is one.
"""

COARSE = 0.12
"""Tolerance as a share of the step above which time near a level and at it are not told apart: two or three
parts of sixteen would be the limit, and noise makes as much.
"""

MOST_LINGERING = (1.6, 0.45)
"""Time near a level over time at it, and as a share of that of a sine wave."""

SURE = 4.0
"""Movement on the mean flank over its standard error that is no chance."""

LEAST_MOVEMENT = (0.05, 0.21)
"""Share of the step above which it matters; with more samples a stay a gear that rests may leave slowly, and
one that is thrown and falls back has 0.25.
"""

LEAST_CODES = 0.65
"""The same in resolutions: a bounce that is rounded away or up in every stay looks like that much."""

TILT_TO_ARCH = 1.3
"""Bounce at arrival and travel at departure tilt a flank more than they arch it."""

NOTABLE = (0.01, 2.0)
"""Uncertainty by creep, as a share of the step and over that of all else, from which on a warning says so.

A film of oil of 0.3 µm on a lash of 0.14 mm, as the simulated bench has it, makes 0.5 to 0.7 %: no news.
"""

HIDDEN = (1.65, 0.3)
"""An arch of so large a share of the step that noise may hide at 95 %: that of a gear that is thrown back."""

RESTED_UNTIL = 0.35
"""Place in the mean stay, from −1 to +1, up to which a gear that is eased off its flank rests."""

FLAT = (3.0, 0.02)
"""Distance of a part of the mean stay from its level that is none, in standard errors and as a share of the
step.
"""


ARCH = (4.0, 0.002)
"""How far the middle third of the dwells may stand out over the outer ones: errors, share of the step.

Who leans on the gear for a third of its rest makes a share of 0.003 to 0.009 of it, a sound gear less than
0.001 (simulated stand, our own model).
"""

LEAST_TO_ARCH = 5
"""Samples in a dwell that show it."""

LEAST_DWELLS_TO_ARCH = 4
"""Dwells that do."""


ARRIVAL = (0.2, 0.04)
"""Shares of the step that are left to go: the time between them says whether the gear is braked."""

BRAKED = (0.71, 0.16)
"""That time over the time from halfway to the first of them, and what is added over the samples in it.

A gear that moves evenly has 0.53, one that speeds up less, a drive like a sine that the flanks clip 0.7;
braked evenly from halfway or before it has 0.8 to 1.
"""

CLEAR_OF_NOISE = 1.6
"""Standard deviations of a sample, and one code, that must go into the smaller share for samples to show it.
"""

LEAST_SEEN = 1.0
"""Samples from halfway to the first of them, on the mean of all arrivals, that show it."""

REBOUND = 0.5
"""Share of its speed that a gear keeps when a flank throws it back: it comes back by a quarter of its way."""

STILL_OFF = 0.15
"""Share of its way to the flank that it still has a sample later: a hand that aims is there by then."""

FASTER = 1.25
"""Speed of a sample time over that of the one before, of a gear that speeds up whatever noise there is."""

STOPPED = 0.5
"""Share of what its speed would have carried it on, below which it was stopped between two samples."""


def check_rest(evidence: Evidence) -> Iterator[Flag]:
    """Yield what speaks against rest on the flanks."""
    settled = evidence.settled.settled
    count = np.count_nonzero(settled)
    share = count / settled.size
    near_flanks = (0.0, (0.0, 0.0)) if evidence.few else _time_near_flanks(evidence)
    travel = _travel_share(evidence, near_flanks[0])
    numbers = {"settled_dwells": float(count), "dwells": float(settled.size)}
    if share < 1 - MOST_UNSETTLED:
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
    elif np.count_nonzero(settled[1:-1]) < settled.size - 2:
        # the first and the last stay may be cut by the ends of the trace
        yield Flag(
            name=FlagName.FLANK_NOT_SETTLED,
            disabling=False,
            sentence="Some dwells were not at rest and were left out.",
            numbers=numbers,
        )
    yield from _check_arrival(evidence)
    yield from _check_creep(evidence)
    if not evidence.few:
        yield from _check_lingering(evidence, *near_flanks)
        yield from _check_press(evidence)
    if evidence.typical_samples < PLENTY:
        yield from _check_shape(evidence)


def _check_arrival(evidence: Evidence) -> Iterator[Flag]:
    """A gear that slows down before it stops: by friction or a hand, not by the flank.

    Who is stopped within a share c of the way that sped it up is braked by 1 / c times what sped it up: below
    4 % only metal does that.
    """
    if not is_arrival_clear(evidence):
        return
    shares = braking(evidence)
    ends = [word for word, one in zip(("smaller", "larger"), shares, strict=True) if one.share > one.limit]
    if ends:
        yield Flag(
            name=FlagName.FLANK_NOT_REACHED,
            disabling=True,
            sentence=f"At the {' and the '.join(ends)} readings the gear slowed down before it stopped: does "
            "it reach the flank? Let it run onto the flank, lightly, and hold it there.",
            numbers={"braking_low": shares[0].share, "braking_high": shares[1].share, "limit": BRAKED[0]},
        )


def is_arrival_clear(evidence: Evidence) -> bool:
    """Whether noise, rounding and gaps let the last part of the way be seen."""
    clear_mm = ARRIVAL[1] * evidence.lash.mean_mm if evidence.lash.steps else 0.0
    loudest = max(CLEAR_OF_NOISE * evidence.noise_mm, evidence.resolution_mm)
    return loudest <= clear_mm and not evidence.gaps_s.size


class Arrival(NamedTuple):
    """How the gear comes to a flank, pooled over all arrivals.

    Attributes:
        share: Time for the last part over that for the one before, as in `BRAKED`; 0 where it is not seen.
        limit: Most of it.
        samples: Samples from halfway to the first of them, of all arrivals.
    """

    share: float
    limit: float
    samples: float


def braking(evidence: Evidence) -> list[Arrival]:
    """How the gear comes to the low and the high flank."""
    stays, step = evidence.stays, evidence.lash.mean_mm
    first, end, level = stays.start[0], stays.stop[-1], stays.sign * evidence.settled.offset_mm
    time = evidence.time_s[first:end]
    # who leaves a dwell is on the way to the next one
    bounds = np.concatenate((stays.start[:1], evidence.settled.stop[:-1], stays.stop[-1:]))
    lengths = bounds[1:] - bounds[:-1]
    left = level.repeat(lengths) - stays.sign.repeat(lengths) * stays.offset_mm[first:end]
    leaves = bounds[1:-1] - first
    # halfway, and the two shares that are left
    to_go = step * np.array((0.5, *ARRIVAL))
    at = np.empty((to_go.size, leaves.size), dtype=np.int64)
    for row, distance in enumerate(to_go):
        near = (left <= distance).nonzero()[0]
        at[row] = near[near.searchsorted(leaves)]
    # only what is between halfway and the flank is looked at
    spans = at[2] - at[0] + 1
    ends = np.add.accumulate(spans)
    begin = ends - spans
    fall = _fall(evidence, left, (at[0] - begin).repeat(spans) + np.arange(int(ends[-1])), spans)
    place = at + (begin - at[0])
    gone = _over(fall.last[place] - to_go[:, None], fall.fell[place], 1.0)
    before = time[at - 1]
    when = before + (time[at] - before) * np.minimum(np.maximum(gone, 0.0), 1.0)
    far, close = when[1:] - when[:-1]
    # where the touch was not seen, later samples see the end of the rebound
    so_far = np.zeros(fall.touched.size + 1, dtype=np.int64)
    np.add.accumulate(fall.touched, out=so_far[1:])
    told = so_far[ends - 1] == so_far[begin]
    sample_s = (evidence.time_s[-1] - evidence.time_s[0]) / (evidence.time_s.size - 1)
    found = []
    for flank in (~evidence.high[1:] & told, evidence.high[1:] & told):
        time_s = float(far.dot(flank))
        count = max(np.count_nonzero(flank), 1)
        samples = time_s / (sample_s * count)
        seen = samples > LEAST_SEEN
        limit = BRAKED[0] + BRAKED[1] / samples if seen else 1.0
        found.append(Arrival(float(close.dot(flank)) / time_s if seen else 0.0, limit, samples * count))
    return found


class _Fall(NamedTuple):
    """How the gear came to where k samples see it, from the sample before; shapes (k,).

    Attributes:
        last: How far it had to go at the sample before.
        fell: How far it came from there; at its speed before where it may have touched the flank.
        touched: Whether it may have.
    """

    last: Floats
    fell: Floats
    touched: Booleans


def _fall(evidence: Evidence, left: Floats, index: Integers, spans: Integers) -> _Fall:
    """Look at the samples of all arrivals.

    The gear may have touched the flank between a sample and the one before when it would have been there in
    time, had it gone on to speed up as it did, could have been thrown back as far as it was found, and is not
    at rest in the next sample, or was stopped between them.

    Args:
        evidence: The trace.
        left: Shape (n,), how far the gear had to go to the flank it is on or on its way to.
        index: Shape (k,), samples, as indices of `left`.
        spans: How many of them each arrival has.
    """
    first = evidence.stays.start[0]
    sign = evidence.stays.sign[1:].repeat(spans)
    # now, and one, two and three samples before
    trail = np.maximum(index - np.arange(4)[:, None], 0) + first
    offset, time = evidence.stays.offset_mm[trail], evidence.time_s[trail]
    step, pause = sign * (offset[:-1] - offset[1:]), time[:-1] - time[1:]
    here, fell = left[index], step[0]
    last = here + fell
    came, earlier = step[1:] * _over(pause[0], pause[1:])
    # half a sample time from the mean speed in one to that at its end
    speed = came + 0.5 * (came - earlier)
    touched = (index > 2) & (here <= REBOUND * (speed + came - earlier - last))
    # slower than that it would have been seen near the flank, on its way there or back
    touched &= came >= ARRIVAL[1] * (1 + 1 / REBOUND) * evidence.lash.mean_mm
    # who had not slowed down a sample before, and is stopped within one, was stopped by steel
    stopped = (came > FASTER * earlier) & (fell < STOPPED * speed)
    touched &= (left[np.minimum(index + 1, left.size - 1)] > STILL_OFF * here) | stopped
    return _Fall(last, np.where(touched, np.maximum(came, fell), fell), touched)


def _over(a: Floats, b: Floats, otherwise: float = 0.0) -> Floats:
    """Quotient where the divisor is positive."""
    quotient: Floats = np.divide(a, b, out=np.full(b.shape, otherwise), where=b > 0)
    return quotient


def _travel_share(evidence: Evidence, tolerance_mm: float) -> float:
    """Share of the time between the flanks, as of a trapezoid with ramps of constant speed, over its limit.

    Both flanks together and each by itself: a gear that is thrown and falls back travels on one side only.

    Args:
        evidence: The trace.
        tolerance_mm: What counts as level where the time at it is known, else 0.
    """
    step = max(evidence.stays.levels.step_mm, evidence.lash.mean_mm if evidence.lash.steps else 0.0)
    resolution = evidence.resolution_mm
    noise = evidence.noise_mm
    if step < 2 * resolution:
        return 0.0
    inner = max(0.25 * step, 0.5 * step - max(0.75 * resolution, 4 * noise, 0.1 * step))
    first, last = evidence.stays.start[1], evidence.stays.stop[-2]
    offset = evidence.stays.offset_mm[first:last] - evidence.lash.centre_mm
    low, high = np.count_nonzero(offset < 0), np.count_nonzero(offset > 0)
    near_low = np.count_nonzero(offset < -inner)
    near_high = np.count_nonzero(offset > inner)
    # samples at rest that noise and rounding carry between the flanks
    reach = 0.5 * step - inner - 0.5 * resolution
    astray = 0.5 * erfc(reach / (noise * sqrt(2))) if noise > 0 else 0.0
    most_of_both, most_of_one = MOST_TRAVEL_FEW if evidence.few else MOST_TRAVEL
    noisy = evidence.settled.tolerance_mm > NOISY * step
    most, clear = MOST_TRAVEL_CLEAR[noisy]
    if 0 < tolerance_mm < clear * step:
        # the time at the level tells a short rest from none (`_check_lingering`)
        most_of_one = most
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


def _check_creep(evidence: Evidence) -> Iterator[Flag]:
    """Movement within the dwell, flank by flank, as `rock.creep` measured it for the uncertainty."""
    lash = evidence.lash
    if not isfinite(lash.mean_mm):
        return
    travel, limit = lash.creep.travel_mm, lash.creep.limit_mm
    numbers = {"travel_on_flank_mm": travel, "limit_mm": limit}
    if lash.creep.late_mm > lash.creep.late_limit_mm:
        yield Flag(
            name=FlagName.UNSTEADY_FLANK,
            disabling=True,
            sentence="The gear went on into the flank after it had come there (it was leaned on: wind-up): "
            "rock more lightly and hold still.",
            numbers={"press_mm": lash.creep.late_mm, "limit_mm": lash.creep.late_limit_mm},
        )
    # with few samples a stay the shape of all stays together says it
    elif abs(travel) > limit and not evidence.few:
        yield Flag(
            name=FlagName.UNSTEADY_FLANK,
            disabling=True,
            sentence="The gear kept moving into the flank (wind-up): rock more lightly and hold still."
            if travel > 0
            else "The gear drew back from the flank while it should rest: hold it there, lightly.",
            numbers=numbers,
        )
    elif lash.creep.seen and lash.creep.uncertainty_mm > max(
        NOTABLE[0] * lash.mean_mm, NOTABLE[1] * lash.without_creep_mm
    ):
        # less than that is budgeted and no news: a film of oil creeps in every dwell
        yield Flag(
            name=FlagName.UNSTEADY_FLANK,
            disabling=False,
            sentence="The gear moved a little on the flank; the uncertainty allows for it.",
            numbers=numbers,
        )


def _check_lingering(
    evidence: Evidence, tolerance_mm: float, lingering: tuple[float, float]
) -> Iterator[Flag]:
    """More time near the flanks than on them: wind-up, or a gear that never stops."""
    step = evidence.lash.mean_mm if evidence.lash.steps else evidence.stays.levels.step_mm
    if not 0 < tolerance_mm < COARSE * step:
        return
    # a sine is within a distance d of its top for acos(1 − 2 d / step) of a half-period, either side
    sine = acos(1 - 2 * SHELF) / acos(1 - 2 * tolerance_mm / step) - 1
    most, share = MOST_LINGERING
    limit, worst = min(most, share * sine), max(lingering)
    if worst > limit:
        yield _turned_back({"time_near_over_time_at_flank": worst, "limit": limit})


def _check_press(evidence: Evidence) -> Iterator[Flag]:
    """A gear that is leaned on while it rests: farther out in the middle of its dwells than at their ends.

    What is first and last third alike is no creep, and with few samples a dwell looks like their noise.
    """
    settled, step = evidence.settled, evidence.lash.mean_mm
    kept = (settled.settled[1:-1] & (settled.count[1:-1] >= LEAST_TO_ARCH)).nonzero()[0] + 1
    if kept.size < LEAST_DWELLS_TO_ARCH or not step > 0:
        return
    start, stop = settled.start[kept], settled.stop[kept]
    third, early, middle, late = thirds_of(evidence.stays.padded_mm, start, stop)
    arches = evidence.stays.sign[kept] * (middle / (stop - start - 2 * third) - 0.5 * (early + late) / third)
    arch = float(np.add.reduce(arches)) / kept.size
    apart = arches - arch
    scatter2 = float(apart.dot(apart)) / kept.size / (kept.size - 1)
    limit = max(ARCH[1] * step, LEAST_CODES * evidence.resolution_mm, ARCH[0] * sqrt(scatter2))
    if arch <= limit:
        return
    # what noise alone would do is said by samples and both their neighbours, blind to slow movement
    bent = np.abs(np.diff(evidence.stays.offset_mm, 2))
    noise = min(float(np.median(bent)) / 1.652, settled.jitter_mm)
    sampling2 = 1.5 * noise**2 / float(np.add.reduce(third))
    limit = max(limit, ARCH[0] * sqrt(sampling2))
    if arch > limit:
        yield Flag(
            name=FlagName.UNSTEADY_FLANK,
            disabling=True,
            sentence="The gear went on into the flank and came back (it was leaned on: wind-up): rock more "
            "lightly and hold still.",
            numbers={"press_mm": arch, "limit_mm": limit},
        )


def _time_near_flanks(evidence: Evidence) -> tuple[float, tuple[float, float]]:
    """What counts as level, and the time near it over the time at it; in noise that of all stays together."""
    step = evidence.lash.mean_mm if evidence.lash.steps else evidence.stays.levels.step_mm
    if evidence.settled.tolerance_mm > NOISY * evidence.stays.levels.step_mm:
        return _mean_stay(evidence, step)
    return evidence.settled.tolerance_mm, evidence.settled.lingering


def _mean_stay(evidence: Evidence, step: float) -> tuple[float, tuple[float, float]]:
    """What counts as level in the mean of all stays, and the time near the level over the time at it."""
    middles = evidence.settled.middles
    # the flanks alternate; the stays at the ends of the trace may be cut
    first_low = 1 + int(evidence.high[1])
    both = middles.parts_mm[first_low:-1:2], middles.parts_mm[3 - first_low : -1 : 2]
    parts = both[0].shape[1]
    counts = both[0].shape[0], both[1].shape[0]
    least = min(counts) * min(middles.typical_samples) / max(parts, 1)
    if least < LEAST_IN_PART:
        return 0.0, (0.0, 0.0)
    rounding2 = repeated_rounding(evidence.settled.jitter_mm**2, evidence.resolution_mm) / min(counts)
    errors, share = FLAT
    tolerance = max(errors * sqrt(evidence.noise_mm**2 / least + rounding2), share * step)
    outward = np.empty((parts, 2))
    outward[:, 0], outward[:, 1] = np.add.reduce(both[0]) / -counts[0], np.add.reduce(both[1]) / counts[1]
    return tolerance, _time_near(outward, tolerance, step)


def _time_near(outward: Floats, tolerance: float, step: float) -> tuple[float, float]:
    """Parts near the level over those at it, in the mean stay on the low and on the high flank.

    Args:
        outward: Shape (parts, 2), the mean stays.
        tolerance: What counts as level.
        step: Mean step.
    """
    quarter, places = outward.shape[0] // 4, outward.shape[0] - outward.shape[0] // 4 + 1
    highest = lowest = outward[:places]
    for k in range(1, quarter):
        highest = np.maximum(highest, outward[k : k + places])
        lowest = np.minimum(lowest, outward[k : k + places])
    ranges = highest - lowest
    flattest = (ranges <= np.minimum.reduce(ranges) + EDGE * abs(step)).argmax(axis=0).tolist()
    found = []
    for values, first in zip(outward.T.tolist(), flattest, strict=True):
        level = sum(values[first : first + quarter]) / quarter
        away = sorted([value - level for value in values])
        below, above = bisect_left(away, -tolerance), bisect_right(away, tolerance)
        near = max(below - bisect_right(away, -SHELF * step), 0)
        near += sum([value - level > tolerance for value in values[first + 1 :]])
        # one part may be half travel, wherever it ends
        found.append(max(near - 1.0, 0.0) / max(above - below, 1))
    return found[0], found[1]


def _turned_back(numbers: dict[str, float]) -> Flag:
    """The flag for a gear that hardly stops."""
    return Flag(
        name=FlagName.UNSTEADY_FLANK,
        disabling=True,
        sentence="The gear did not rest on the flanks (wind-up, or it turned back early or too slowly): "
        "rock more lightly, hold still at each end, then let go at once.",
        numbers=numbers,
    )


def _check_shape(evidence: Evidence) -> Iterator[Flag]:
    """The mean shape of stays of few samples: no wind-up, no turning back early, and enough to tell."""
    step = evidence.lash.mean_mm
    if not step > 0:
        return
    shape = measure_shape(evidence.time_s, evidence.stays, evidence.resolution_mm, step)
    if shape is None:
        if evidence.few:
            # any movement up to the lash itself could hide
            yield _unknown_shape(evidence, step, step)
        return
    tilt_limit, arch_limit = _shape_limits(evidence, shape)
    # outward only: who leaves the flank slowly tilts it the other way
    tilt, arch = int(np.argmax(shape.tilt_mm / tilt_limit)), int(np.argmax(shape.arch_mm / arch_limit))
    arched = shape.arch_mm > arch_limit
    if shape.tilt_mm[tilt] > tilt_limit[tilt] or (arched.any() and not _eased_off(evidence, shape, arched)):
        yield _turned_back(
            {
                "tilt_mm": float(shape.tilt_mm[tilt]),
                "tilt_limit_mm": float(tilt_limit[tilt]),
                "arch_mm": float(shape.arch_mm[arch]),
                "arch_limit_mm": float(arch_limit[arch]),
            }
        )
    elif evidence.few:
        hidden = float((shape.arch_mm + HIDDEN[0] * shape.wide * shape.arch_error_mm)[:2].max())
        if hidden > HIDDEN[1] * step:
            yield _unknown_shape(evidence, hidden, step)


def _shape_limits(evidence: Evidence, shape: Shape) -> tuple[Floats, Floats]:
    """Most tilt and most arch of a gear that rests, shapes (3,)."""
    least = LEAST_MOVEMENT[not evidence.few] * evidence.lash.mean_mm
    least, sure = max(least, LEAST_CODES * evidence.resolution_mm), SURE * shape.wide
    tilt_limit = np.maximum(TILT_TO_ARCH * least, sure * shape.tilt_error_mm)
    return tilt_limit, np.maximum(least, sure * shape.arch_error_mm)


def _eased_off(evidence: Evidence, shape: Shape, arched: Booleans) -> bool:
    """Whether the arch comes from the end of the stays alone: a gear that rested and was let go slowly.

    Up to there the stays are flat, and are seen to be: no more than noise could hide is left of the arch.
    """
    if shape.tilt_mm[arched].max() >= 0:
        return False
    step = evidence.lash.mean_mm
    early = measure_shape(evidence.time_s, evidence.stays, evidence.resolution_mm, step, until=RESTED_UNTIL)
    if early is None:
        return False
    hidden = float((early.arch_mm + HIDDEN[0] * early.wide * early.arch_error_mm)[:2].max())
    tilted = float((early.tilt_mm + HIDDEN[0] * early.wide * early.tilt_error_mm)[:2].max())
    most = max(LEAST_MOVEMENT[0] * step, LEAST_CODES * evidence.resolution_mm)
    return hidden <= most and tilted <= TILT_TO_ARCH * most


def _unknown_shape(evidence: Evidence, hidden_mm: float, step_mm: float) -> Flag:
    """The flag for a trace too thin to show that the gear rested."""
    return Flag(
        name=FlagName.UNDERSAMPLED_DWELL,
        disabling=True,
        sentence="Too few samples to show that the gear rested on the flanks: rock more slowly, or longer.",
        numbers={
            "samples_per_dwell": evidence.typical_samples,
            "dwells": float(evidence.stays.start.size),
            "hidden_movement_mm": hidden_mm,
            "limit_mm": HIDDEN[1] * step_mm,
        },
    )
