"""Rock traces made from a known lash; shares no code with the estimator.

Decided here: how a trace looks that a technician or a powered stand would record, and how it goes wrong. The
motion is written as a path of the gear between two hard flanks: travel with constant acceleration and arrival
at speed, rebounds that lose height geometrically, dwells of irregular length, creep of the base, noise and
rounding. All values are invented; shapes are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

PRESSES = {
    "a hump": (0.2, 0.6, 0.6, 1.0),
    "more and more": (0.1, 0.999, 1.0, 1.001),
    "held, and let go": (0.2, 0.3, 0.8, 0.9),
    "held to the end": (0.25, 0.45, 1.0, 1.001),
    "late": (0.5, 0.6, 1.0, 1.001),
}
"""Ways to lean on the gear while it rests, as `Rock.press_at`."""


@dataclass(frozen=True, kw_only=True)
class Rock:
    """What a rock is made of.

    Attributes:
        lash_mm: The truth.
        resolution_mm: Rounding of the indicator; 0 for none.
        noise_mm: Standard deviation of each sample.
        rate_hz: Mean sampling rate.
        dwell_s: Mean time at rest on a flank.
        travel_s: Mean time from flank to flank.
        reversals: Complete changes of flank in the trace.
        irregularity: Relative standard deviation of dwell times (log-normal).
        seating_mm: Standard deviation of where a flank is found, dwell by dwell.
        bounce: First rebound as a share of the lash.
        drift_mm: Creep of the base over the whole trace, linear.
        relax: Press into the flank at arrival that relaxes before the middle of the dwell, share of the lash.
        press: How far the gear is leaned into its flank while it rests, mean share of the lash.
        press_at: When, as shares of the dwell: begins, is there, is let go, is gone.
        eased: Way that the gear is led off its flank at an even speed before it is let go, share of the lash.
        eased_s: Time of that, at the end of the dwell.
        jitter: Sampling time jitter as a share of the sampling interval.
        partial_ends: Start and end anywhere within the first and the last dwell or travel.
    """

    lash_mm: float
    resolution_mm: float = 0.001
    noise_mm: float = 0.0003
    rate_hz: float = 1000.0
    dwell_s: float = 0.12
    travel_s: float = 0.03
    reversals: int = 12
    irregularity: float = 0.2
    seating_mm: float = 0.0002
    bounce: float = 0.05
    drift_mm: float = 0.0
    relax: float = 0.0
    press: float = 0.0
    press_at: tuple[float, float, float, float] = PRESSES["a hump"]
    eased: float = 0.0
    eased_s: float = 0.0
    jitter: float = 0.0
    partial_ends: bool = True


@dataclass(frozen=True, kw_only=True)
class Path:
    """When the gear sits where: arrays of shape (reversals + 1,).

    Attributes:
        arrive_s: Arrival on the flank.
        leave_s: Departure from it.
        level_mm: Where the flank is.
        length_s: Duration of the trace.
    """

    arrive_s: Floats
    leave_s: Floats
    level_mm: Floats
    length_s: float


@dataclass(frozen=True, kw_only=True)
class Trace:
    """A made trace: time and value of each sample, and the path behind it."""

    time_s: Floats
    indicator_mm: Floats
    path: Path


def plan(rock: Rock, rng: np.random.Generator) -> Path:
    """Draw dwells and travels."""
    count = rock.reversals + 1
    width = np.sqrt(np.log1p(rock.irregularity**2))
    dwell = rock.dwell_s * np.exp(width * rng.standard_normal(count) - width**2 / 2)
    dwell = np.maximum(dwell, 0.5 * rock.dwell_s)
    travel = rock.travel_s * rng.uniform(0.8, 1.2, count)
    arrive = np.concatenate(([0.0], np.cumsum(dwell + travel)[:-1]))
    leave = arrive + dwell
    side = (-1.0) ** (np.arange(count) + rng.integers(2))
    level = side * rock.lash_mm / 2 + rock.seating_mm * rng.standard_normal(count) + rng.uniform(-3, 3)
    return Path(arrive_s=arrive, leave_s=leave, level_mm=level, length_s=float(leave[-1]))


def sample_times(rock: Rock, path: Path, rng: np.random.Generator) -> Floats:
    """Times at which the indicator is read."""
    step = 1 / rock.rate_hz
    start, stop = 0.0, path.length_s
    if rock.partial_ends:
        start = rng.uniform(0, path.leave_s[0])
        stop = path.length_s - rng.uniform(0, path.leave_s[-1] - path.arrive_s[-1])
    time = np.arange(start + rng.uniform(0, step), stop, step)
    time = time + rock.jitter * step * rng.uniform(-0.5, 0.5, time.size)
    return np.sort(time)


def position(rock: Rock, path: Path, time: Floats) -> Floats:
    """Where the gear is at the given times, without drift, noise and rounding."""
    at = np.clip(np.searchsorted(path.arrive_s, time, side="right") - 1, 0, path.level_mm.size - 1)
    after = np.minimum(at + 1, path.level_mm.size - 1)
    here, there = path.level_mm[at], path.level_mm[after]
    since = time - path.leave_s[at]
    span = np.where(after > at, path.arrive_s[after] - path.leave_s[at], 1.0)
    share = np.clip(since / span, 0, 1)
    # constant torque: the way grows with the square of time
    moving = here + (there - here) * (rock.eased + (1 - rock.eased) * share**2)
    led = np.clip(1 + since / rock.eased_s, 0, 1) * (after > at) if rock.eased_s > 0 else np.zeros_like(time)
    resting = here + rest(rock, path, at, time) + (there - here) * rock.eased * led
    return np.where(since > 0, moving, resting)


def rest(rock: Rock, path: Path, at: NDArray[np.int64], time: Floats) -> Floats:
    """Movement on the flank after arrival: rebounds inward, then a press outward that relaxes."""
    outward = np.sign(path.level_mm[at] - np.median(path.level_mm))
    since = time - path.arrive_s[at]
    travel = (
        np.diff(path.arrive_s)[np.maximum(at - 1, 0)] - (path.leave_s - path.arrive_s)[np.maximum(at - 1, 0)]
    )
    inward = np.zeros_like(time)
    # arrival at speed 2 lash / travel under constant torque, coefficient of restitution e: the rebound is
    # e² lash high and lasts 2 e travel, the next one e times as fast; less where part of the way was led
    restitution = np.sqrt(rock.bounce)
    height, begin, length = (
        rock.bounce * (1 - rock.eased) * rock.lash_mm,
        np.zeros_like(time),
        2 * restitution * travel,
    )
    for _ in range(6 if rock.bounce > 0 else 0):
        part = (since - begin) / length
        inward += np.where((part >= 0) & (part < 1), 4 * height * part * (1 - part), 0.0)
        begin, length, height = begin + length, length * restitution, height * rock.bounce
    press = rock.relax * rock.lash_mm * np.exp(-((since / (0.3 * travel)) ** 2))
    return outward * (np.where(at > 0, press - inward, 0.0) + leaned_on(rock, path, at, since))


def leaned_on(rock: Rock, path: Path, at: NDArray[np.int64], since: Floats) -> Floats:
    """How far the gear is beyond contact, a time after it arrived; 30 % more or less from dwell to dwell."""
    part = since / (path.leave_s - path.arrive_s)[at]
    firm = 1 + 0.3 * np.sin(2.4 * at)
    # one that ends with the dwell is gone at once
    return np.asarray(rock.press * rock.lash_mm * firm * np.interp(part, rock.press_at, (0.0, 1.0, 1.0, 0.0)))


def finish(rock: Rock, path: Path, time: Floats, value: Floats, rng: np.random.Generator) -> Floats:
    """Add drift and noise, and round."""
    value = (
        value + rock.drift_mm * (time / path.length_s - 0.5) + rock.noise_mm * rng.standard_normal(time.size)
    )
    if rock.resolution_mm > 0:
        value = np.round(value / rock.resolution_mm) * rock.resolution_mm
    return value


def make(rock: Rock, rng: np.random.Generator) -> Trace:
    """Make one good trace."""
    path = plan(rock, rng)
    time = sample_times(rock, path, rng)
    return Trace(
        time_s=time, indicator_mm=finish(rock, path, time, position(rock, path, time), rng), path=path
    )
