"""The rock measurement over a grid of rates, resolutions, noise, lash and faults, and beside general methods.

Run: ``python tests/benchmarks/bench_rock.py`` (minutes), ``--quick`` for a first look. Traces
come from `rock_traces.py`, which shares no code with the estimator; quantiles are SciPy's.
"""

from __future__ import annotations

import itertools
import sys
import time
import zlib
from collections import Counter, defaultdict
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from analysis.rock_faults import FAULTS, make_faulty
from analysis.rock_motions import Motion, drive
from analysis.rock_traces import Rock, Trace, make
from benchmarks.rock_rivals import RIVALS, lash_of
from lashmap_analysis.rock.rock import RockReading, measure_rock, measure_rocks

PACES = {8: (0.55, 0.08), 20: (0.35, 0.06), 100: (0.15, 0.04), 1000: (0.12, 0.03)}
RESOLUTIONS_MM = (0.0001, 0.001, 0.00254, 0.01, 0.0127)
NOISES = (0.0, 0.3, 1.0)
FEW_SAMPLES = 12
THIN_NOISE = 0.012
LEAST_FOR_BIAS = 5
PACES_HZ = (0.3, 1.0, 2.0, 3.0, 4.0, 8.0)
SAMPLING_HZ = (8.0, 20.0, 100.0, 1000.0)
DEPARTURES = (("ramp", 0.15), ("ramp", 0.3), ("cosine", 0.5), ("exponential", 0.5), ("clipped sine", 0.55))
RATIOS = (3.0, 6.0, 12.0)
CREEPS = (0.003, 0.01, -0.003, -0.01)
PAIRS = ((1.0, 1000.0), (3.0, 1000.0), (0.3, 100.0), (0.3, 20.0))
STOPS = (
    ("even", 0.02, 0.0),
    ("even", 0.05, 0.0),
    ("even", 0.1, 0.0),
    ("even", 0.2, 0.0),
    ("friction", 0.02, 0.03),
    ("friction", 0.05, 0.03),
    ("friction", 0.05, 0.1),
    ("friction", 0.1, 0.05),
    ("hand", 0.02, 0.02),
    ("hand", 0.05, 0.02),
    ("hand", 0.05, 0.05),
    ("hand", 0.1, 0.02),
    ("hand", 0.2, 0.02),
    ("fixed", 0.05, 0.0),
)
FEWEST = 3.0
UNDECIDED = {(8, 0.001): 5, (8, 0.00254): 5, (100, 0.00254): 5}
"""Rows whose refusals once lay above the bar, by chance or not: so many times the traces of the others."""

THIN_RATES = (20.0, 50.0, 100.0)
THIN_RESTS = (3.0, 5.0, 8.0, 11.0, 14.0, 17.0)
COLOUR = 0.8
SHAPE_FAULTS = ("sine", "triangle", "single flank", "wind-up")


def draw(rate: int, lash_mm: float, resolution_mm: float, noise_mm: float, rng: np.random.Generator) -> Rock:
    """A rock as a hand or a stand would make it."""
    dwell, travel = PACES[rate]
    return Rock(
        # anywhere between two codes
        lash_mm=min(lash_mm + rng.uniform(0, 1) * resolution_mm, 1.01),
        resolution_mm=resolution_mm,
        noise_mm=noise_mm,
        rate_hz=float(rate),
        dwell_s=dwell,
        travel_s=travel,
        reversals=int(rng.integers(6, 20)),
        drift_mm=rng.uniform(-0.3, 0.3) * lash_mm,
        seating_mm=float(rng.choice((0.0, 0.003))) * lash_mm,
        bounce=float(rng.choice((0.0, 0.05, 0.1))),
        relax=float(rng.choice((0.0, 0.02))),
        jitter=float(rng.choice((0.0, 0.6))),
        irregularity=float(rng.choice((0.05, 0.3))),
    )


def is_thin(rock: Rock, trace: Trace) -> bool:
    """Refused by design: hand-polled, with too few samples in all dwells to show that the gear rested.

    That is, with fewer than twelve samples a dwell on the mean: fewer than twelve in the complete dwells of a
    flank, or noise and rounding of the mean over all complete dwells above 1.2 % of the lash. Such traces are
    measured, but counted apart. What counts is where this trace has its samples, not where it was meant to.
    """
    if rock.rate_hz * rock.dwell_s >= FEW_SAMPLES:
        return False
    path = trace.path
    begin, end = np.searchsorted(trace.time_s, (path.arrive_s[1:-1], path.leave_s[1:-1]))
    samples = end - begin
    deviation = float(np.hypot(rock.noise_mm, rock.resolution_mm / np.sqrt(12)))
    least = min(samples[0::2].sum(), samples[1::2].sum())
    return bool(least < FEW_SAMPLES or deviation > THIN_NOISE * rock.lash_mm * np.sqrt(samples.sum()))


def holds(reading: RockReading, truth_mm: float) -> bool:
    """Whether the 95 % interval holds the truth."""
    quantile = float(stats.t.ppf(0.975, reading.degrees_of_freedom))
    return abs(reading.reading_mm - truth_mm) <= quantile * reading.standard_uncertainty_mm


def generator(*key: object) -> np.random.Generator:
    """Seeded by what it is for, so that every cell of the grid can be repeated alone."""
    return np.random.default_rng(zlib.crc32(repr(key).encode()))


@dataclass(kw_only=True)
class Tally:
    """What happened to the good traces of one row of the table."""

    traces: int = 0
    usable: int = 0
    covered: int = 0
    cells: int = 0
    biased: int = 0
    relative_bias: list[float] = field(default_factory=list)


def good_cell(  # noqa: PLR0917 - the axes of the grid
    tally: Tally, apart: Tally, rate: int, resolution: float, noise: float, lash: float, count: int
) -> None:
    """Measure the traces of one cell."""
    rng = generator(rate, resolution, noise, lash)
    spread = min(noise * max(resolution, 0.0002), lash / (10 if rate <= 20 else 4))
    errors = []
    for _ in range(count):
        rock = draw(rate, lash, resolution, spread, rng)
        trace = make(rock, rng)
        reading = measure_rock(trace.time_s, trace.indicator_mm, resolution_mm=resolution)
        thin = is_thin(rock, trace)
        own = apart if thin else tally
        own.traces += 1
        if not reading.usable:
            continue
        error = reading.reading_mm - rock.lash_mm
        if not thin:
            errors.append(error)
        own.usable += 1
        own.covered += holds(reading, rock.lash_mm)
    if len(errors) < LEAST_FOR_BIAS:
        return
    bar = max(resolution / 10, 0.0003)
    bias, error = float(np.mean(errors)), float(np.std(errors)) / np.sqrt(len(errors))
    tally.cells += 1
    tally.biased += abs(bias) > bar + 2 * error
    tally.relative_bias.append(bias / bar)


def print_good(count: int) -> None:
    """Bias, coverage and refusals of good traces."""
    print("| rate | resolution | good traces | refused | bias / bar | cells over the bar | 95 % intervals |")
    print("|---:|---:|---:|---:|---:|---:|---:|")
    whole, apart = Tally(), Tally()
    for rate in PACES:
        for resolution in RESOLUTIONS_MM:
            tally = Tally()
            floors = ((3, 0.002), (10, 0.02), (30, 0.1))
            lashes = {1.0} | {max(codes * resolution, least) for codes, least in floors}
            for noise in NOISES:
                for lash in sorted(lashes):
                    many = UNDECIDED.get((rate, resolution), 1) * count
                    good_cell(tally, apart, rate, resolution, noise, lash, many)
            print_row(f"{rate} Hz | {1000 * resolution:g} µm", tally)
            for name in ("traces", "usable", "covered", "cells", "biased"):
                setattr(whole, name, getattr(whole, name) + getattr(tally, name))
            whole.relative_bias += tally.relative_bias
    print_row("all | all", whole)
    share, covered = 1 - apart.usable / apart.traces, apart.covered / apart.usable
    print(f"\nThin: {apart.traces} traces, {100 * share:.1f} % refused, intervals {100 * covered:.1f} %")


def print_row(name: str, tally: Tally) -> None:
    """One line of the table of good traces."""
    refused, covered = 1 - tally.usable / tally.traces, tally.covered / tally.usable
    print(
        f"| {name} | {tally.traces} | {100 * refused:.2f} % | {np.mean(tally.relative_bias):+.2f} | "
        f"{tally.biased} of {tally.cells} | {100 * covered:.1f} % |"
    )


def fault_cells(fault: str) -> list[tuple[int, float, float, float]]:
    """Rate, resolution, noise and lash at which the fault can be seen at all.

    A shape shows from ten resolutions of lash on, and where the noise of a sample is at most a twentieth of
    the lash when few samples are taken on a flank.
    """
    cells = []
    for rate in PACES:
        for resolution in (0.0001, 0.001, 0.01):
            for noise in NOISES:
                for codes in (10, 100) if fault in SHAPE_FAULTS else (4, 15, 100):
                    lash = codes * resolution
                    spread = min(noise * max(resolution, 0.0002), lash / (20 if rate <= 100 else 4))
                    if lash >= 0.002:
                        cells.append((rate, resolution, spread, lash))
    return cells


def print_faults(count: int) -> None:
    """Refusals of faulty traces."""
    print(
        "| fault | traces | refused | at 8 and 20 Hz | at 100 Hz and 1 kHz | accepted, outside | named as |"
    )
    print("|---|---:|---:|---:|---:|---:|---|")
    total: Counter[str] = Counter()
    for fault in FAULTS:
        made: Counter[str] = Counter()
        refused: Counter[str] = Counter()
        names: Counter[str] = Counter()
        wrong = 0
        for rate, resolution, noise, lash in fault_cells(fault):
            rng = generator(fault, rate, resolution, noise, lash)
            pace = "slow" if rate <= 20 else "fast"
            for _ in range(count):
                rock = draw(rate, lash, resolution, noise, rng)
                rock = replace(rock, reversals=max(rock.reversals, 8), drift_mm=0.6 * rock.drift_mm)
                trace = make_faulty(rock, fault, rng)
                reading = measure_rock(trace.time_s, trace.indicator_mm, resolution_mm=resolution)
                made[pace] += 1
                refused[pace] += not reading.usable
                names.update({flag.name.value for flag in reading.flags if flag.disabling})
                wrong += reading.usable and not holds(reading, rock.lash_mm)
        total.update({"made": made.total(), "refused": refused.total(), "wrong": wrong})
        common = ", ".join(name for name, _ in names.most_common(3))
        shares = [100 * refused[pace] / made[pace] for pace in ("slow", "fast")]
        print(
            f"| {fault} | {made.total()} | {100 * refused.total() / made.total():.2f} % | "
            f"{shares[0]:.2f} % | {shares[1]:.2f} % | {100 * wrong / made.total():.2f} % | {common} |"
        )
    refused_share, wrong_share = (100 * total[which] / total["made"] for which in ("refused", "wrong"))
    print(f"| all | {total['made']} | {refused_share:.2f} % | | | {wrong_share:.2f} % | |")


def draw_motion(rng: np.random.Generator, **given: object) -> Motion:
    """A driven rock with what the row of the table does not fix."""
    lash = float(rng.uniform(0.05, 0.3))
    drawn = Motion(
        lash_mm=lash,
        rocks_hz=1.0,
        rate_hz=1000.0,
        resolution_mm=float(rng.choice((0.0001, 0.001))),
        noise_mm=float(rng.choice((0.0001, 0.0003, 0.002))),
        seating_mm=float(rng.choice((0.0, 0.002))) * lash,
        drift_mm=float(rng.uniform(-0.1, 0.1)) * lash,
        reversals=int(rng.integers(8, 17)),
    )
    return replace(drawn, **given)  # type: ignore[arg-type]


@dataclass(kw_only=True)
class Driven:
    """What happened to the traces of one row of driven rocks."""

    traces: int = 0
    usable: int = 0
    covered: int = 0
    errors_um: list[float] = field(default_factory=list)
    uncertainties_um: list[float] = field(default_factory=list)
    names: Counter[str] = field(default_factory=Counter)

    def measure(self, motion: Motion, rng: np.random.Generator, *, coloured: bool = False) -> None:
        """Make one trace and measure it."""
        trace = drive(motion, rng)
        if coloured:
            trace = with_coloured_noise(trace, motion, rng)
        reading = measure_rock(trace.time_s, trace.indicator_mm, resolution_mm=motion.resolution_mm)
        self.traces += 1
        if not reading.usable:
            self.names.update({flag.name.value for flag in reading.flags if flag.disabling})
            return
        error = reading.reading_mm - motion.lash_mm
        self.usable += 1
        self.covered += holds(reading, motion.lash_mm)
        self.errors_um.append(1000 * error)
        self.uncertainties_um.append(1000 * reading.standard_uncertainty_mm)

    def add(self, other: Driven) -> None:
        """Count another row in."""
        self.traces += other.traces
        self.usable += other.usable
        self.covered += other.covered
        self.errors_um += other.errors_um
        self.uncertainties_um += other.uncertainties_um
        self.names.update(other.names)

    def row(self, name: str) -> str:
        """One line of a table."""
        refused = 100 * (1 - self.usable / self.traces)
        wrong = f"{100 * (self.usable - self.covered) / self.traces:.1f} %"
        said = ", ".join(name for name, _ in self.names.most_common(2))
        if not self.usable:
            return f"| {name} | {self.traces} | {refused:.1f} % | – | {wrong} | – | – | {said} |"
        covered = f"{100 * self.covered / self.usable:.1f} %"
        return (
            f"| {name} | {self.traces} | {refused:.1f} % | {covered} | {wrong} | "
            f"{np.mean(self.errors_um):+.2f} µm | {np.median(self.uncertainties_um):.2f} µm | {said} |"
        )


HEAD = (
    "| driven rocks | traces | refused | 95 % intervals | accepted, outside | mean error | median u "
    "| refused as |\n"
    "|---|" + "---:|" * 6 + "---|"
)


def print_driven(count: int) -> None:
    """Paces, sampling and departures; thin ones have fewer than twelve samples a rest, least three."""
    print(HEAD)
    whole = {"good": Driven(), "thin": Driven()}
    for departure, travel in DEPARTURES:
        rows = {"good": Driven(), "thin": Driven()}
        for pace in PACES_HZ:
            for rate in SAMPLING_HZ:
                rng = generator("driven", departure, travel, pace, rate)
                for _ in range(count):
                    motion = draw_motion(rng, rocks_hz=pace, rate_hz=rate, departure=departure, travel=travel)
                    if motion.rest_samples < FEWEST:
                        break
                    kind = "good" if motion.rest_samples >= FEW_SAMPLES else "thin"
                    rows[kind].measure(motion, rng)
        for kind, tally in rows.items():
            whole[kind].add(tally)
            print(tally.row(f"{kind}: {departure}, {travel:.0%} of the time in travel"))
    for kind, tally in whole.items():
        print(tally.row(f"{kind}: all of these"))


def print_uneven(count: int) -> None:
    """Unequal dwells, spikes and creep of good rocks, and rocks that stop short of a flank."""
    print(HEAD)
    for ratio in RATIOS:
        for departure, travel in (("ramp", 0.15), ("cosine", 0.15), ("cosine", 0.3)):
            given = {"departure": departure, "travel": travel}
            print_cases(f"dwells {ratio:g}:1, {departure} {travel:.0%}", given, count, ratio=ratio)
    print_cases("spikes in 1 % of samples", {"spikes": 0.01}, count)
    for share in CREEPS:
        for flanks in ("both", "high"):
            way = "outward from contact" if share > 0 else "inward of contact, then to it"
            name = f"creep {abs(share):.1%} of the lash {way}, {flanks}"
            print_cases(name, {"creep_flanks": flanks}, count, creep=share)
    for stop, share, scatter in STOPS:
        spread = f", scatter {scatter:.0%}" if scatter else ""
        name = f"**faulty**: stops short, {stop}, {share:.0%} of the lash{spread}"
        print_cases(name, {"stop": stop, "stop_scatter": scatter}, count, short=share)


def print_cases(
    name: str,
    given: dict[str, object],
    count: int,
    *,
    ratio: float = 1.0,
    creep: float = 0.0,
    short: float = 0.0,
) -> None:
    """One row, over combinations of pace and sampling; who stops short is also looked at at a hand's pace."""
    tally = Driven()
    for pace, rate in PAIRS if short else PAIRS[:-1]:
        rng = generator(name, pace, rate)
        for number in range(count):
            motion = draw_motion(rng, **{"rocks_hz": pace, "rate_hz": rate, **given})
            motion = replace(
                motion,
                ratio=ratio if number % 2 else 1 / ratio,
                creep_mm=creep * motion.lash_mm,
                creep_shape=("exponential", "log")[number % 4 // 2],
                creep_time=float(rng.uniform(0.2, 1.0)),
                short_mm=short * motion.lash_mm,
            )
            tally.measure(motion, rng)
    print(tally.row(name))


def with_coloured_noise(trace: Trace, motion: Motion, rng: np.random.Generator) -> Trace:
    """The trace with as much noise again, whose neighbours are alike: the hand trembles, the floor shakes."""
    kicks = motion.noise_mm * np.sqrt(1 - COLOUR**2) * rng.standard_normal(trace.time_s.size)
    wander = np.asarray(list(itertools.accumulate(kicks.tolist(), lambda old, kick: COLOUR * old + kick)))
    value = np.round((trace.indicator_mm + wander) / motion.resolution_mm) * motion.resolution_mm
    return replace(trace, indicator_mm=value)


def print_thin(count: int) -> None:
    """Stops short of a flank with few samples a rest, beside sound rocks; every second has coloured noise."""
    print(HEAD)
    for resolution, name in ((None, "0.1 or 1 µm"), (0.01, "10 µm")):
        for stop, share, scatter in (("none", 0.0, 0.0), *STOPS):
            tally = Driven()
            for rate in THIN_RATES:
                for rest in THIN_RESTS:
                    rng = generator("thin", name, stop, share, scatter, rate, rest)
                    for number in range(count):
                        travel = float(rng.choice((0.1, 0.2, 0.3)))
                        motion = draw_motion(
                            rng,
                            rocks_hz=(1 - travel) / 2 * rate / rest,
                            rate_hz=rate,
                            travel=travel,
                            departure=("ramp", "cosine")[number % 4 // 2],
                        )
                        motion = replace(motion, resolution_mm=resolution or motion.resolution_mm)
                        if stop != "none":
                            short = share * motion.lash_mm
                            motion = replace(motion, stop=stop, stop_scatter=scatter, short_mm=short)
                        tally.measure(motion, rng, coloured=number % 2 == 1)
            spread = f", scatter {scatter:.0%}" if scatter else ""
            said = f"**faulty**: stops short, {stop}, {share:.0%} of the lash{spread}" if share else "sound"
            print(tally.row(f"{name}, {said}"), flush=True)


def rival_rocks(count: int) -> list[Rock]:
    """Powered rocks of 2,000 samples, from quiet to noise of a quarter of the lash."""
    rng = generator("rivals")
    rocks = []
    for noise in (0.003, 0.03, 0.1, 0.25):
        for lash in (0.02, 0.1, 0.3):
            for _ in range(count):
                rock = draw(1000, lash, 0.0001, noise * lash, rng)
                rocks.append(replace(rock, reversals=18))
    return rocks


def print_rivals(count: int) -> None:
    """Errors and processor times of all methods on the same traces."""
    made = []
    for number, rock in enumerate(rival_rocks(count)):
        trace = make(rock, generator("rival", number))
        made.append((rock, trace.time_s[:2000], trace.indicator_mm[:2000]))
    errors: dict[str, list[float]] = defaultdict(list)
    spent: dict[str, float] = defaultdict(float)
    found: dict[str, float] = defaultdict(float)
    for rock, when, value in made:
        for name, rival in RIVALS.items():
            begin = time.process_time()
            changes = rival(value)
            found[name] += time.process_time() - begin
            lash, _ = lash_of(value, changes)
            spent[name] += time.process_time() - begin
            errors[name].append(lash / rock.lash_mm - 1 if np.isfinite(lash) else -1.0)
        begin = time.process_time()
        reading = measure_rock(when, value, resolution_mm=rock.resolution_mm)
        spent["measure_rock"] += time.process_time() - begin
        errors["measure_rock"].append(reading.reading_mm / rock.lash_mm - 1 if reading.usable else -1.0)
    size = min(value.size for _, _, value in made)
    times = np.stack([when[:size] for _, when, _ in made])
    values = np.stack([value[:size] for _, _, value in made])
    begin = time.process_time()
    stack = measure_rocks(times, values, resolution_mm=0.0001)
    spent["measure_rocks"] += time.process_time() - begin
    errors["measure_rocks"] = [
        reading.reading_mm / rock.lash_mm - 1 if reading.usable else -1.0
        for reading, (rock, _, _) in zip(stack, made, strict=True)
    ]
    print(
        "| method | median error | 95 % of errors below | off by more than 10 % or none | time a trace "
        "| of it change points |\n|---|---:|---:|---:|---:|---:|"
    )
    for name, relative in errors.items():
        size_of = np.abs(relative)
        print(
            f"| {name} | {100 * np.median(size_of):.3f} % | {100 * np.quantile(size_of, 0.95):.2f} % | "
            f"{100 * np.mean(size_of > 0.1):.1f} % | {1000 * spent[name] / len(made):.2f} ms | "
            f"{f'{1000 * found[name] / len(made):.2f} ms' if name in found else '–'} |"
        )


def main() -> None:
    """Print the six tables."""
    quick = "--quick" in sys.argv[1:]
    begin = time.perf_counter()
    print_good(12 if quick else 100)
    print()
    print_faults(2 if quick else 25)
    print()
    print_driven(4 if quick else 60)
    print()
    print_uneven(12 if quick else 200)
    print()
    print_thin(1 if quick else 12)
    print()
    print_rivals(2 if quick else 20)
    print(f"\n{time.perf_counter() - begin:.0f} s")


if __name__ == "__main__":
    main()
