"""Rocks as a drive makes them: slow departures, clipped sines, unequal dwells, creep, spikes.

Decided here: the path of a gear that is driven from flank to flank at a given pace, beside the freely thrown
one of `rock_traces`, with which this shares the arrays of a trace and the rounding; nothing is shared with
the estimator. All values are invented; shapes are common practice, no source.

A half-period is the time from arrival on one flank to arrival on the other. The gear rests for some share of
it and travels for the remainder; contact ends the travel at once, so that the flank is `lash_mm` from the
other by construction. Creep starts from contact: an elastic flank or a steady press moves outward from it, an
oil film that is squeezed out starts short of it and approaches it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from analysis.rock_traces import Path, Trace, finish
from analysis.rock_traces import Rock as Indicator
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Callable

    from analysis.rock_traces import Floats

STEEPNESS = 5.0
"""Of an exponential departure: it has gone a twelfth of its way after half of its time."""


@dataclass(frozen=True, kw_only=True)
class Motion:
    """What a driven rock is made of.

    Attributes:
        lash_mm: The truth.
        rocks_hz: Full rocks per second.
        rate_hz: Mean sampling rate.
        departure: `ramp`, `cosine`, `exponential` or `clipped sine`.
        travel: Share of the half-period in travel; a slow departure takes all of it.
        ratio: Dwell on the high flank over dwell on the low one.
        resolution_mm: Rounding of the indicator.
        noise_mm: Standard deviation of each sample.
        reversals: Complete changes of flank in the trace.
        irregularity: Relative standard deviation of dwell times (log-normal).
        seating_mm: Standard deviation of where a flank is found, dwell by dwell.
        drift_mm: Creep of the base over the whole trace, linear.
        spikes: Share of the samples that are spikes.
        creep_mm: Movement on each dwell from contact to its end; negative: an oil film that starts so far
            short of the flank.
        creep_shape: `exponential` or `log`.
        creep_time: Time constant of the creep as a share of the dwell.
        creep_flanks: `both`, `high` or `low`.
        short_mm: How far short of contact the gear stops on the high flank, as `stop` says.
        stop: `even`: at once, anywhere from contact to `short_mm`, as nothing known does; `fixed`: at once
            and always there, as on dirt; `friction`: let go on its way, it is braked by a steady friction and
            means to stop there; `hand`: a hand moves it there in one smooth movement. Whoever would go beyond
            the flank is stopped by it.
        stop_scatter: Relative standard deviation of the speed given (`friction`) or of the way (`hand`).
    """

    lash_mm: float
    rocks_hz: float
    rate_hz: float
    departure: str = "ramp"
    travel: float = 0.2
    ratio: float = 1.0
    resolution_mm: float = 0.001
    noise_mm: float = 0.0003
    reversals: int = 12
    irregularity: float = 0.05
    seating_mm: float = 0.0002
    drift_mm: float = 0.0
    spikes: float = 0.0
    creep_mm: float = 0.0
    creep_shape: str = "exponential"
    creep_time: float = 0.5
    creep_flanks: str = "both"
    short_mm: float = 0.0
    stop: str = "even"
    stop_scatter: float = 0.05

    @property
    def rest_s(self) -> float:
        """Mean time at rest on the flank that is left sooner."""
        return (1 - self.travel) / self.rocks_hz / (1 + max(self.ratio, 1 / self.ratio))

    @property
    def rest_samples(self) -> float:
        """Mean number of samples of one rest on the flank that is left sooner."""
        return self.rest_s * self.rate_hz


def _ramp(share: Floats) -> Floats:
    return share


def _cosine(share: Floats) -> Floats:
    return np.asarray(1 - np.cos(0.5 * np.pi * share))


def _exponential(share: Floats) -> Floats:
    return np.asarray(np.expm1(STEEPNESS * share) / np.expm1(STEEPNESS))


def _between_clips(share: Floats, travel: float) -> Floats:
    """A sine between the angles at which it meets the flanks: slow at both ends when the rests are short."""
    reach = 0.5 * np.pi * travel
    return np.asarray(0.5 * (1 + np.sin(reach * (2 * share - 1)) / np.sin(reach)))


def _braked(share: Floats) -> Floats:
    """Slowed down evenly until it stands: dry friction."""
    return np.asarray(1 - (1 - share) ** 2)


def _least_jerk(share: Floats) -> Floats:
    """An aimed movement of the arm (Flash & Hogan 1985, from memory)."""
    return np.asarray(share**3 * (10 - 15 * share + 6 * share**2))


BRAKES: dict[str, Callable[[Floats], Floats]] = {"friction": _braked, "hand": _least_jerk}

SHAPES: dict[str, Callable[[Floats], Floats]] = {
    "ramp": _ramp,
    "cosine": _cosine,
    "exponential": _exponential,
}


def drive(motion: Motion, rng: np.random.Generator) -> Trace:
    """Make one trace."""
    count = motion.reversals + 1
    half_s = 0.5 / motion.rocks_hz
    side: Floats = ((-1.0) ** (np.arange(count) + rng.integers(2))).astype(np.float64)
    share = np.where(side > 0, motion.ratio, 1.0) * 2 / (1 + motion.ratio)
    width = np.sqrt(np.log1p(motion.irregularity**2))
    dwell = (1 - motion.travel) * half_s * share * np.exp(width * rng.standard_normal(count) - width**2 / 2)
    travel = np.full(count, motion.travel * half_s)
    arrive = np.concatenate(([0.0], np.cumsum(dwell + travel)[:-1]))
    leave = arrive + dwell
    level = side * motion.lash_mm / 2 + motion.seating_mm * rng.standard_normal(count)
    short, beyond = _stops(motion, rng, count)
    level -= np.where(side > 0, short, 0.0)
    level += rng.uniform(-3, 3)
    path = Path(arrive_s=arrive, leave_s=leave, level_mm=level, length_s=float(leave[-1]))
    begin, end = rng.uniform(0, leave[0]), path.length_s - rng.uniform(0, dwell[-1])
    first = begin + rng.uniform(0, 1 / motion.rate_hz)
    time: Floats = np.arange(first, end, 1 / motion.rate_hz).astype(np.float64)
    value = _where(motion, path, side, time, beyond)
    alike = Indicator(
        lash_mm=motion.lash_mm,
        resolution_mm=motion.resolution_mm,
        noise_mm=motion.noise_mm,
        drift_mm=motion.drift_mm,
    )
    value = finish(alike, path, time, value, rng)
    if motion.spikes > 0:
        hit = rng.random(time.size) < motion.spikes
        size = rng.choice((-1.0, 1.0), time.size) * rng.uniform(0.3, 5.0, time.size) * motion.lash_mm
        value = value + np.where(hit, size, 0.0)
        value = np.round(value / motion.resolution_mm) * motion.resolution_mm
    return Trace(time_s=time, indicator_mm=value, path=path)


def _stops(motion: Motion, rng: np.random.Generator, count: int) -> tuple[Floats, Floats]:
    """How far short of the high flank the gear stops, and the way it was to go over the way that it goes."""
    if motion.stop == "even":
        return rng.uniform(0, 1, count) * motion.short_mm, np.ones(count)
    if motion.stop == "fixed":
        return np.full(count, motion.short_mm), np.ones(count)
    aim = motion.lash_mm - motion.short_mm
    chance = motion.stop_scatter * rng.standard_normal(count)
    # braked by friction, the way goes as the square of the speed
    way = aim * (1 + chance) ** 2 if motion.stop == "friction" else aim + motion.lash_mm * chance
    gone = np.minimum(way, motion.lash_mm)
    return motion.lash_mm - gone, way / gone


def _gone(motion: Motion, share: Floats, beyond: Floats, high: NDArray[np.bool_]) -> Floats:
    """Share of the way that is gone after a share of its time."""
    if motion.departure == "clipped sine":
        gone = _between_clips(share, motion.travel)
    else:
        gone = SHAPES[motion.departure](share)
    if motion.stop in BRAKES:
        grid = np.linspace(0, 1, 4001)
        brake = BRAKES[motion.stop]
        ends = np.interp(1 / beyond, brake(grid), grid)
        gone = np.where(high, brake(share * ends) * beyond, gone)
    return gone


def _where(motion: Motion, path: Path, side: Floats, time: Floats, beyond: Floats) -> Floats:
    """Where the gear is at the given times."""
    last = path.level_mm.size - 1
    at = np.asarray(np.clip(np.searchsorted(path.arrive_s, time, side="right") - 1, 0, last), dtype=np.intp)
    after = np.asarray(np.minimum(at + 1, last), dtype=np.intp)
    rest = path.level_mm[at] + side[at] * _crept(motion, side[at], path, at, time)
    leaves = path.leave_s[at]
    goal = path.level_mm[after] + side[after] * _crept(motion, side[after], path, after, path.arrive_s[after])
    span = np.where(after > at, path.arrive_s[after] - leaves, 1.0)
    share = np.clip((time - leaves) / span, 0, 1)
    gone = _gone(motion, share, beyond[after], side[after] > 0)
    last_rest = path.level_mm[at] + side[at] * _crept(motion, side[at], path, at, leaves)
    return np.where(time <= leaves, rest, last_rest + (goal - last_rest) * gone)


def _crept(motion: Motion, side: Floats, path: Path, at: NDArray[np.intp], time: Floats) -> Floats:
    """How far beyond its flank the gear is by creep, outward positive."""
    dwell = (path.leave_s - path.arrive_s)[at]
    part = np.clip((time - path.arrive_s[at]) / dwell, 0, 1)
    if motion.creep_shape == "log":
        grown = np.log1p(part / motion.creep_time) / np.log1p(1 / motion.creep_time)
    else:
        grown = np.expm1(-part / motion.creep_time) / np.expm1(-1 / motion.creep_time)
    moved = motion.creep_mm * grown if motion.creep_mm >= 0 else -motion.creep_mm * (grown - 1)
    on = {"both": np.ones_like(side), "high": side > 0, "low": side < 0}[motion.creep_flanks]
    return np.where(on, moved, 0.0)
