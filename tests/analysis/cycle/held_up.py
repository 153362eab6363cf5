"""Angles of two streams as the drivers' clock stamps them where whoever reads is held up now and then."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from analysis.cycle.cycle_runs import Runs
from lashmap_drivers.timing.stream_clock import StreamClock
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Stream = tuple[Floats, Floats, Floats]
OFF = 50e-6  # of a crystal's pace (common practice, no source)
LEAD_S = 5.0  # a stream is read for a while before anything turns …
ON_S = 2.0  # … and goes on afterwards, so that a read that was held up is as full at the end
BOOTED_S = 5000.0  # a monotonic clock does not begin at nought
COUNTS = 20_000  # a turn, of either encoder
FINE = (20_000_000, 20_000_000)
"""Counts of passes that are to be held up: their angles are taken at other moments, and counted then."""


def held_up(
    runs: Runs,
    rng: np.random.Generator,
    *,
    share: float = 0.05,
    every_s: float = 0.03,
    uneven_s: float = 0.0,
) -> Runs:
    """The same passes, taken at the paces of two crystals and stamped from the reads that bring them.

    Where reads come exactly every `every_s`, as an adapter's deliveries do, a read finds its stream at one
    place within a sample until it is held up, by 50 to 500 ms.  What was sent meanwhile comes with it:
    nothing is lost.

    Args:
        runs: With times on steady clocks, turned with `FINE` counts.
        rng: Draws the crystals and the reads.
        share: Of the reads, which are held up.
        every_s: From read to read.
        uneven_s: How much later than that a read comes, on average (exponential).
    """
    every = [one for side in runs for one in side]
    end_s = max(float(one.gear_time_s[-1]) for one in every)
    period_s = float(np.median(np.diff(every[0].pinion_time_s)))
    pinion, gear = (_stream(end_s, period_s, rng, (share, every_s, uneven_s)) for _ in (0, 1))

    def seen(stream: Stream, time_s: Floats, deg: Floats) -> tuple[Floats, Floats, float]:
        inside = (stream[0] >= time_s[0]) & (stream[0] <= time_s[-1])
        # Of that very moment, and counted only then: a mean of two counts would hide the step of the count.
        taken_deg = np.interp(stream[0][inside], time_s, deg)
        counted_deg = np.floor(taken_deg * COUNTS / 360.0) * 360.0 / COUNTS
        return stream[1][inside], counted_deg, float(np.median(stream[2][inside]))

    sides: Runs = ([], [])
    for made, side in zip(sides, runs, strict=True):
        for one in side:
            pinion_s, pinion_deg, pinion_stated_s = seen(pinion, one.pinion_time_s, one.pinion_deg)
            gear_s, gear_deg, gear_stated_s = seen(gear, one.gear_time_s, one.gear_deg)
            made.append(
                replace(
                    one,
                    pinion_time_s=pinion_s,
                    pinion_deg=pinion_deg,
                    gear_time_s=gear_s,
                    gear_deg=gear_deg,
                    pinion_time_uncertainty_s=pinion_stated_s,
                    gear_time_uncertainty_s=gear_stated_s,
                )
            )
    return sides


def _stream(
    end_s: float, period_s: float, rng: np.random.Generator, reads: tuple[float, float, float]
) -> Stream:
    """When samples were taken, from `LEAD_S` before the first pass on; their stamps, and what these state."""
    share, every_s, uneven_s = reads
    own_s = period_s * (1 + rng.uniform(-OFF, OFF))
    samples = int((end_s + LEAD_S + ON_S) / own_s)
    taken_s = rng.uniform(0.0, period_s) - LEAD_S + own_s * np.arange(samples)
    count = int((end_s + LEAD_S + ON_S + 1.0) / every_s)
    waits_s = np.where(rng.random(count) < share, rng.uniform(0.05, 0.5, count), every_s)
    waits_s += rng.exponential(uneven_s, count)
    reads_s = rng.uniform(0.0, every_s) - LEAD_S + waits_s.cumsum()
    came = np.bincount(np.searchsorted(reads_s, taken_s), minlength=count)
    came_s: Floats = np.asarray(BOOTED_S + reads_s)
    stamps = StreamClock().stamp(came_s, came, np.zeros_like(came))
    return np.asarray(taken_s), np.asarray(stamps.time_s - BOOTED_S), np.asarray(stamps.uncertainty_s)
