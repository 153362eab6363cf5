"""Does the stated high point of a runout sweep cover the true one, from the arrival of the bytes on?

Run: ``PYTHONPATH=tests python tests/benchmarks/bench_sweep_time.py [seeds]`` (default 200 a row, minutes).

A simulated shaft is turned by hand, faster and slower by a third. Two instruments take samples on their own
clocks (each up to 2 % off its nominal rate), and what they send arrives late in the ways that cables and
adapters make it late; none of that knows the formulas of the clock or of the sweep. The chunks go through the
decoder as in a test. Columns: mean, root mean square and worst error of the high point; the mean stated
standard uncertainty; how often the error lies within 1.96 of it (95 % asked for). Where one delay that never
varies rules the error, its distribution is flat, so that an honest share is 100 %.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from math import hypot
from typing import TYPE_CHECKING, Literal

import numpy as np
from analysis.made_assessment import made_assessment
from lashmap_analysis.judge.assess import sweep_result
from lashmap_analysis.record.record import RunoutTrace
from lashmap_drivers.decoder import Decoder
from lashmap_drivers.readings import Chunk, Chunks
from lashmap_drivers.wire.ascii_line import LinePolling, LineProfile

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Readings = Callable[[Floats], Floats]
    Arrivals = Callable[[np.random.Generator, Floats], Floats]

SPEEDS_DEG_PER_S = (60.0, 240.0)
SETTLED_S = 3.0  # the ports have been read for so long when the sweep begins
TURNS_DEG = 740.0
HIGH_DEG, AMPLITUDE_MM, NOISE_MM = 75.0, 0.010, 0.0002
TIMER_S, TICK_S = 0.016, 0.02  # of an adapter; of a port that is read while much comes
NUMBER = r"(?P<value>[+-]?\d+\.\d+)"


def scheduler(rng: np.random.Generator, arrivals: Floats) -> Floats:
    """Mostly a little late, sometimes a lot, never early; reads keep their order."""
    moments, read = np.unique(arrivals, return_inverse=True)
    held_s = rng.exponential(0.0002, moments.size) + 0.008 * (rng.random(moments.size) < 0.01)
    return np.asarray(np.maximum.accumulate(moments + held_s)[read])


def line_by_line(rng: np.random.Generator, truth: Floats) -> Floats:
    return scheduler(rng, truth)


def at_ticks(every_s: float) -> Arrivals:
    """Handed over at every tick of a clock of its own, begun anywhere."""

    def arrivals(rng: np.random.Generator, truth: Floats) -> Floats:
        start_s = rng.uniform(0.0, every_s)
        return scheduler(rng, start_s + np.ceil((truth - start_s) / every_s) * every_s)

    return arrivals


def in_step(rng: np.random.Generator, truth: Floats) -> Floats:
    """An adapter whose clock is in step with the samples: each is late by the same, up to a period."""
    most_s = min(truth[1] - truth[0], TIMER_S)
    return scheduler(rng, truth + rng.uniform(0.0, most_s))


@dataclass(frozen=True)
class Instrument:
    """One instrument and its cable; ``asked_s`` is the length of a transaction, 0 for a stream."""

    name: str
    rate_hz: float
    arrivals: Arrivals = line_by_line
    asked_s: float = 0.0

    def heard(
        self, rng: np.random.Generator, longest_s: float, readings: Readings, unit: Literal["mm", "deg"]
    ) -> tuple[Floats, Floats, Floats]:
        """Times, values and time uncertainties as the program has them, from the settled moment on."""
        period_s = 1.0 / (self.rate_hz * rng.uniform(0.98, 1.02))
        truth = np.arange(rng.uniform(0.0, period_s), SETTLED_S + longest_s, period_s)
        values = readings(truth - SETTLED_S)
        polling = LinePolling(request="?", interval_s=period_s) if self.asked_s else None
        profile = LineProfile(
            kind="ascii line",
            pattern=NUMBER,
            terminator="\n",
            unit=unit,
            sends="when asked" if polling else "by itself",
            polling=polling,
        )
        length = unit == "mm"
        decoder = (
            Decoder.for_indicator(profile) if length else Decoder.for_encoder(profile, counts_per_turn=1)
        )
        chunks = self._asked(rng, truth, values) if self.asked_s else self._sent(rng, truth, values)
        batches = [batch for chunk in chunks if len(batch := decoder.feed(Chunks.of(chunk)))]
        time_s = np.concatenate([batch.time_s for batch in batches]) - SETTLED_S
        value = np.concatenate([batch.value for batch in batches])
        known_s = np.concatenate([batch.time_uncertainty_s for batch in batches])
        return time_s[time_s >= 0.0], value[time_s >= 0.0], known_s[time_s >= 0.0]

    def _sent(self, rng: np.random.Generator, truth: Floats, values: Floats) -> list[Chunk]:
        arrivals = self.arrivals(rng, truth)
        first = np.flatnonzero(np.diff(arrivals, prepend=-1.0))
        lines = [f"{value:.5f}\n" for value in values]
        ends = [*first[1:].tolist(), len(lines)]
        return [
            Chunk(float(arrivals[start]), "".join(lines[start:end]).encode())
            for start, end in zip(first.tolist(), ends, strict=True)
        ]

    def _asked(self, rng: np.random.Generator, truth: Floats, values: Floats) -> list[Chunk]:
        """The value is from one and the same part of each transaction, and nobody knows which."""
        part = rng.uniform(0.0, 1.0)
        lasts_s = self.asked_s * rng.uniform(0.9, 1.1, truth.size)
        middle_s = truth - part * lasts_s + lasts_s / 2.0
        return [
            Chunk(float(at), f"{value:.5f}\n".encode(), float(half))
            for at, value, half in zip(middle_s, values, lasts_s / 2.0, strict=True)
        ]


ENCODER = Instrument("1 kHz, ticks of 20 ms", 1000.0, at_ticks(TICK_S))
PAIRS = (
    (Instrument("1 kHz, ticks of 20 ms", 1000.0, at_ticks(TICK_S)), ENCODER),
    (Instrument("1 kHz, timer of 16 ms", 1000.0, at_ticks(TIMER_S)), ENCODER),
    (Instrument("100 Hz, line by line", 100.0), ENCODER),
    (Instrument("100 Hz, timer of 16 ms", 100.0, at_ticks(TIMER_S)), ENCODER),
    (Instrument("100 Hz, in step with adapter", 100.0, in_step), ENCODER),
    (
        Instrument("100 Hz, in step with adapter", 100.0, in_step),
        Instrument("100 Hz, in step too", 100.0, in_step),
    ),
    (Instrument("50 Hz, in step with adapter", 50.0, in_step), ENCODER),
    (Instrument("20 Hz, asked for 30 ms", 20.0, asked_s=0.030), ENCODER),
    (Instrument("50 Hz, asked for 6 ms", 50.0, asked_s=0.006), ENCODER),
)


def swept(
    rng: np.random.Generator, indicator: Instrument, encoder: Instrument, speed: float
) -> tuple[RunoutTrace, float]:
    """A sweep as recorded, and its true high point."""
    phase = rng.uniform(0.0, 2.0 * np.pi)

    def angle_deg(time_s: Floats) -> Floats:
        even = speed * np.maximum(time_s, 0.0)
        return np.asarray(even + 360.0 / 7.0 / (2 * np.pi) / 3.0 * np.sin(7.0 * np.radians(even) + phase))

    def probe_mm(time_s: Floats) -> Floats:
        wave = AMPLITUDE_MM * np.cos(np.radians(angle_deg(time_s) - HIGH_DEG))
        return np.asarray(wave + rng.normal(0.0, NOISE_MM, time_s.size))

    longest_s = TURNS_DEG / speed
    time_s, value, probe_known_s = indicator.heard(rng, longest_s, probe_mm, "mm")
    turned_s, turned_deg, encoder_known_s = encoder.heard(rng, longest_s, angle_deg, "deg")
    trace = RunoutTrace(
        member="gear",
        time_s=time_s,
        indicator_mm=value,
        encoder_time_s=turned_s,
        encoder_deg=turned_deg,
        times_apart_uncertainty_s=hypot(float(probe_known_s.max()), float(encoder_known_s.max())),
    )
    return trace, HIGH_DEG


def row(seeds: int, indicator: Instrument, encoder: Instrument, speed: float) -> None:
    """Print one row."""
    record = made_assessment(count=5).record
    off, stated = [], []
    for seed in range(seeds):
        rng = np.random.default_rng([seed, int(speed)])
        trace, high_deg = swept(rng, indicator, encoder, speed)
        sweep = sweep_result(trace, record, None).sweep
        if sweep is None:
            continue
        off.append((sweep.once.high_point_deg - high_deg + 180.0) % 360.0 - 180.0)
        stated.append(sweep.once.high_point_uncertainty_deg)
    wrong, known = np.array(off), np.array(stated)
    if not wrong.size:
        print(f"{indicator.name:30} {encoder.name:22} {speed:5.0f}  all refused")
        return
    covered = np.mean(np.abs(wrong) <= 1.96 * known)
    rms = np.sqrt(np.mean(wrong**2))
    print(
        f"{indicator.name:30} {encoder.name:22} {speed:5.0f} {wrong.mean():7.2f} {rms:6.2f} "
        f"{np.abs(wrong).max():6.2f} {known.mean():7.2f} {covered:8.1%} {seeds - wrong.size:8}",
        flush=True,
    )


def main() -> None:
    """Print the table."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    begun_s = time.perf_counter()
    print(f"{seeds} sweeps a row; high point, degrees")
    print(f"{'indicator':30} {'encoder':22}   °/s    mean    rms  worst  stated  covered  refused")
    for indicator, encoder in PAIRS:
        for speed in SPEEDS_DEG_PER_S:
            row(seeds, indicator, encoder, speed)
    print(f"{time.perf_counter() - begun_s:.0f} s")


if __name__ == "__main__":
    main()
