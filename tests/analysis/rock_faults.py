"""Rock traces with one fault each, made from `rock_traces`.

Decided here: what goes wrong on a bench, and how much of it must be there for a trace to be called faulty: a
slip or a wind-up below the noise of a dwell is in nobody's power to see. With few samples a dwell, wind-up is
at least 35 % of the lash, otherwise 15 %.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from analysis.rock_traces import Rock, Trace, finish, make, plan, position, sample_times


def level_noise(rock: Rock) -> float:
    """Noise of the mean of one dwell."""
    return rock.noise_mm / float(np.sqrt(max(rock.rate_hz * rock.dwell_s, 1.0)))


def make_faulty(rock: Rock, fault: str, rng: np.random.Generator) -> Trace:
    """Make one trace with the named fault, by `FAULTS`."""
    return FAULTS[fault](rock, rng)


def _slip(rock: Rock, rng: np.random.Generator) -> Trace:
    path = plan(rock, rng)
    time = sample_times(rock, path, rng)
    # somewhere in the middle half of the reversals the pinion or the base gives by 15 to 50 % of the lash
    count = path.level_mm.size
    when = path.arrive_s[int(rng.integers(count // 4 + 1, count - count // 4))] + rng.uniform(0, rock.dwell_s)
    least = max(0.15 * rock.lash_mm, 3 * rock.resolution_mm, 8 * level_noise(rock))
    size = max(rng.uniform(0.15, 0.5) * rock.lash_mm, least) * rng.choice((-1, 1))
    value = position(rock, path, time) + size * (time > when)
    return Trace(time_s=time, indicator_mm=finish(rock, path, time, value, rng), path=path)


def _wind_up(rock: Rock, rng: np.random.Generator) -> Trace:
    path = plan(rock, rng)
    time = sample_times(rock, path, rng)
    at = np.clip(np.searchsorted(path.arrive_s, time, side="right") - 1, 0, path.level_mm.size - 1)
    dwell = path.leave_s[at] - path.arrive_s[at]
    part = np.clip((time - path.arrive_s[at]) / dwell, 0, 1)
    resting = time <= path.leave_s[at]
    # a movement within the dwell that hides between a few noisy samples is no fault that could be asked for
    share = 0.35 if rock.rate_hz * rock.dwell_s < 12 else 0.15
    least = max(share * rock.lash_mm, 4 * rock.resolution_mm, 8 * level_noise(rock))
    size = max(rng.uniform(0.15, 0.5) * rock.lash_mm, least)
    shape = np.sin(np.pi * part) if rng.random() < 0.5 else part
    outward = np.sign(path.level_mm[at] - np.median(path.level_mm))
    value = position(rock, path, time) + np.where(resting, outward * size * shape, 0.0)
    return Trace(time_s=time, indicator_mm=finish(rock, path, time, value, rng), path=path)


def _clipped(rock: Rock, rng: np.random.Generator) -> Trace:
    alive = replace(rock, noise_mm=max(rock.noise_mm, rock.resolution_mm), drift_mm=0.0)
    path = plan(alive, rng)
    time = sample_times(alive, path, rng)
    value = finish(alive, path, time, position(alive, path, time), rng)
    flank = float(path.level_mm.max())
    depth = max(rng.uniform(0.1, 0.5) * rock.lash_mm, rock.resolution_mm + 3 * alive.noise_mm)
    edge = flank - depth
    edge = np.round(edge / rock.resolution_mm) * rock.resolution_mm if rock.resolution_mm else edge
    return Trace(time_s=time, indicator_mm=np.minimum(value, edge), path=path)


def _one_flank(rock: Rock, rng: np.random.Generator) -> Trace:
    """Rests on the low flank only: thrown away from it, the gear falls back before it reaches the other."""
    path = plan(rock, rng)
    time = sample_times(rock, path, rng)
    low = float(path.level_mm.min())
    value = np.full(time.size, low)
    high = np.flatnonzero(path.level_mm > np.median(path.level_mm))
    for k in high:
        begin = path.leave_s[k - 1] if k > 0 else path.arrive_s[0] - rock.travel_s
        end = path.arrive_s[k + 1] if k + 1 < path.level_mm.size else path.leave_s[-1] + rock.travel_s
        part = np.clip((time - begin) / (end - begin), 0, 1)
        value += 0.8 * rock.lash_mm * 4 * part * (1 - part)
    return Trace(time_s=time, indicator_mm=finish(rock, path, time, value, rng), path=path)


def _few(rock: Rock, rng: np.random.Generator) -> Trace:
    return make(replace(rock, reversals=int(rng.integers(1, 4))), rng)


def _sine(rock: Rock, rng: np.random.Generator) -> Trace:
    path = plan(rock, rng)
    time = sample_times(rock, path, rng)
    period = 2 * (rock.dwell_s + rock.travel_s)
    value = 0.5 * rock.lash_mm * np.sin(2 * np.pi * time / period + rng.uniform(0, 2 * np.pi))
    return Trace(time_s=time, indicator_mm=finish(rock, path, time, value, rng), path=path)


def _triangle(rock: Rock, rng: np.random.Generator) -> Trace:
    path = plan(rock, rng)
    time = sample_times(rock, path, rng)
    period = 2 * (rock.dwell_s + rock.travel_s)
    phase = (time / period + rng.uniform()) % 1
    value = rock.lash_mm * (2 * np.abs(phase - 0.5) - 0.5)
    return Trace(time_s=time, indicator_mm=finish(rock, path, time, value, rng), path=path)


def _walk(rock: Rock, rng: np.random.Generator) -> Trace:
    path = plan(rock, rng)
    time = sample_times(rock, path, rng)
    value = np.cumsum(rng.standard_normal(time.size)) * rock.lash_mm / np.sqrt(time.size)
    return Trace(time_s=time, indicator_mm=finish(rock, path, time, value, rng), path=path)


def _ramp(rock: Rock, rng: np.random.Generator) -> Trace:
    path = plan(rock, rng)
    time = sample_times(rock, path, rng)
    value = rock.lash_mm * rng.uniform(-3, 3) * time / path.length_s
    return Trace(time_s=time, indicator_mm=finish(rock, path, time, value, rng), path=path)


def _flat(rock: Rock, rng: np.random.Generator) -> Trace:
    path = plan(rock, rng)
    time = sample_times(rock, path, rng)
    loud = replace(rock, noise_mm=rock.lash_mm * rng.uniform(0.05, 0.3))
    value = np.full(time.size, rng.uniform(-3, 3))
    return Trace(time_s=time, indicator_mm=finish(loud, path, time, value, rng), path=path)


def _stuck(rock: Rock, rng: np.random.Generator) -> Trace:
    path = plan(rock, rng)
    time = sample_times(rock, path, rng)
    value = np.full(time.size, rng.uniform(-3, 3))
    return Trace(
        time_s=time, indicator_mm=finish(replace(rock, noise_mm=0.0), path, time, value, rng), path=path
    )


def _undersampled(rock: Rock, rng: np.random.Generator) -> Trace:
    return make(replace(rock, rate_hz=rng.uniform(0.5, 1.2) / (rock.dwell_s + rock.travel_s)), rng)


def _gap(rock: Rock, rng: np.random.Generator) -> Trace:
    trace = make(rock, rng)
    length = trace.time_s[-1] - trace.time_s[0]
    start = trace.time_s[0] + rng.uniform(0.1, 0.3) * length
    keep = (trace.time_s < start) | (trace.time_s > start + 0.6 * length)
    return replace(trace, time_s=trace.time_s[keep], indicator_mm=trace.indicator_mm[keep])


FAULTS = {
    "slip": _slip,
    "wind-up": _wind_up,
    "out of range": _clipped,
    "single flank": _one_flank,
    "too few reversals": _few,
    "sine": _sine,
    "triangle": _triangle,
    "random walk": _walk,
    "ramp": _ramp,
    "flat noise": _flat,
    "stuck": _stuck,
    "undersampled": _undersampled,
    "gap": _gap,
}
