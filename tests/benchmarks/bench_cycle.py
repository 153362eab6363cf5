"""How well a cycle run finds lash, tight spot and skew.

Pairs are turned by brute force (`analysis/cycle/driven_pair.py`), which shares nothing with the analysis.
``PYTHONPATH=tests python tests/benchmarks/bench_cycle.py [runs] [row] [first seed]``, 20 runs a row without
numbers; the table stands in ``analysis/README.md``. Every row draws pairs and rocks of its own.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from dataclasses import dataclass, field, replace

import numpy as np
from analysis.cycle.cycle_runs import gear_set_of, rocks_of
from analysis.cycle.driven_pair import DrivenPair, Turning, ordinary_pair, turn
from analysis.cycle.held_up import FINE, held_up
from lashmap_analysis.cycle.cycle import CycleFit, fit_cycle
from lashmap_analysis.cycle.passes import CyclePass
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Row:
    """What is turned, and how."""

    teeth: tuple[int, int] = (13, 40)
    speeds: tuple[float, ...] = (60.0, 120.0)
    how: Turning = field(default_factory=Turning)
    rocks: int = 5
    bad_tooth_um: float = 0.0
    wave: tuple[float, float] = (0.0, 3.0)
    brakes_nm: tuple[float, ...] = (2.0, 2.0)
    skews_s: tuple[float, float] | None = None
    reads: dict[str, float] | None = None
    """Where stamps are those of the drivers' clock: what `held_up` is told of the reads."""


UNSTEADY = Turning(skew_s=0.0, ripple=(0.05, 0.2), stamp_noise_s=0.0002)
STREAMS = Turning(skew_s=0.0, ripple=(0.05, 0.2), counts=FINE)
RAW = Turning(skew_s=0.0, ripple=(0.05, 0.2), held_up_s=0.005)
READS_IN_STEP = {"share": 0.0, "every_s": 0.016, "uneven_s": 0.0}
STEADY_READS = {"share": 0.0, "every_s": 0.005, "uneven_s": 0.0002}
STALLING_READS = {"share": 0.05, "every_s": 0.03, "uneven_s": 0.0}
ROWS: dict[str, Row] = {
    "latched, 60 and 120 °/s": Row(),
    "latched, 360 °/s twice": Row(speeds=(360.0, 360.0)),
    "latched, 60 °/s, one pair": Row(speeds=(60.0,)),
    "latched, one bad tooth 8-16 µm": Row(bad_tooth_um=12.0),
    "latched, 360 °/s, bad tooth": Row(speeds=(360.0, 360.0), bad_tooth_um=12.0),
    "latched, bad tooth 40-80 µm": Row(bad_tooth_um=60.0),
    "latched, profiles wave by 1 µm": Row(wave=(0.001, 3.0)),
    "latched, 360 °/s, profiles wave": Row(speeds=(360.0, 360.0), wave=(0.001, 3.0)),
    "latched, brake changes by 20 % in a turn": Row(how=Turning(brake_swing=0.2)),
    "latched, the same, of 1 and 4 N m": Row(how=Turning(brake_swing=0.2), brakes_nm=(1.0, 4.0)),
    "latched, 360 °/s, 500 Hz, one pair": Row(speeds=(360.0,), how=Turning(rate_hz=500.0)),
    "latched, contact lost 20 times a pass": Row(how=Turning(lost=20.0)),
    "latched, no rocks": Row(rocks=0),
    "latched, stick and drift": Row(how=Turning(drift_mm_per_s=2e-5)),
    "20:20": Row(teeth=(20, 20), speeds=(30.0, 60.0)),
    "15:45": Row(teeth=(15, 45)),
    "16:46": Row(teeth=(16, 46)),
    "two streams, 30 and 45 °/s": Row(speeds=(30.0, 45.0), how=UNSTEADY, skews_s=(0.0, 0.016)),
    "two streams, 60 and 180 °/s": Row(speeds=(60.0, 180.0), how=UNSTEADY, skews_s=(0.0, 0.016)),
    "two streams, 45 °/s, speed varies 20 %": Row(speeds=(45.0,), how=UNSTEADY, skews_s=(0.0, 0.016)),
    "two streams, 40 and 60 °/s, reads of 5 ms": Row(
        speeds=(60.0, 40.0), how=STREAMS, skews_s=(0.0, 0.016), reads=STEADY_READS
    ),
    "two streams, 40 and 60 °/s, 5 % of reads stall": Row(
        speeds=(60.0, 40.0), how=STREAMS, skews_s=(0.0, 0.016), reads=STALLING_READS
    ),
    "two streams, 15:45, 240 and 360 °/s, 5 % of reads stall": Row(
        teeth=(15, 45), speeds=(360.0, 240.0), how=STREAMS, skews_s=(0.0, 0.016), reads=STALLING_READS
    ),
    "two streams, 30 and 45 °/s, raw times up to 5 ms late": Row(
        speeds=(30.0, 45.0), how=RAW, skews_s=(0.0, 0.016)
    ),
    "two streams, 40 and 60 °/s, 5 % of uneven reads stall": Row(
        speeds=(60.0, 40.0), how=STREAMS, skews_s=(0.0, 0.016), reads={**STALLING_READS, "uneven_s": 0.0002}
    ),
    "two streams, 40 and 60 °/s, deliveries in step": Row(
        speeds=(60.0, 40.0), how=STREAMS, skews_s=(0.0, 0.016), reads=READS_IN_STEP
    ),
}


def passes(
    row: Row, pair: DrivenPair, rng: np.random.Generator
) -> tuple[list[CyclePass], list[CyclePass], float]:
    """Drive and coast passes of a row, and the skew."""
    skew = None if row.skews_s is None else float(rng.uniform(*row.skews_s))
    how, start_s = replace(row.how, skew_s=skew), 0.0
    drive: list[CyclePass] = []
    coast: list[CyclePass] = []
    for speed, brake_nm in zip(row.speeds, row.brakes_nm, strict=False):
        for sign, kept in ((1, drive), (-1, coast)):
            one = replace(how, speed_deg_per_s=sign * speed, brake_nm=brake_nm)
            kept.append(turn(pair, one, rng, start_s=start_s))
            start_s = float(kept[-1].pinion_time_s[-1]) + 5.0
    if row.reads is not None:
        drive, coast = held_up((drive, coast), rng, **row.reads)
    return drive, coast, skew or 0.0


def one_run(row: Row, *seed: int) -> tuple[DrivenPair, CycleFit, float, float]:
    """A pair, what was found, its skew, and the processor time of the analysis."""
    rng = np.random.default_rng(seed)
    bad = row.bad_tooth_um * rng.uniform(2 / 3, 4 / 3)
    pair = ordinary_pair(
        row.teeth, rng, tooth_um=float(rng.uniform(1.0, 3.0)), bad_tooth_um=bad, wave=row.wave
    )
    drive, coast, skew = passes(row, pair, rng)
    rocks = rocks_of(pair, row.rocks, rng)
    start_s = time.process_time()
    fit = fit_cycle(gear_set_of(pair), drive, coast, rocks=rocks)
    return pair, fit, skew, time.process_time() - start_s


def row_line(name: str, row: Row, runs: int, first: int = 0) -> str:
    """Measure a row."""
    rms, held, near, skews, stated, spent, holds = [], 0, 0, [], [], [], []
    flags: Counter[str] = Counter()
    refused = 0
    for seed in range(first, first + runs):
        pair, fit, skew, cpu_s = one_run(row, list(ROWS).index(name), seed)
        flags.update(flag.name.value for flag in fit.flags)
        spent.append(cpu_s)
        if fit.tight_spot is None:
            refused += 1
            continue
        per = fit.gear_set.normal_per_transverse
        error_um = 1e3 * (fit.normal_mm / per - pair.rocked_mm)
        rms.append(float(np.sqrt(np.nanmean(error_um**2))))
        holds.append(float(np.mean(np.abs(error_um) <= 1.96e3 * fit.normal_uncertainty_mm / per)))
        least_mm, _ = pair.least_mm
        spot = fit.tight_spot
        held += spot.low_mm / per <= least_mm <= spot.high_mm / per
        there = float(pair.lash(np.array([spot.place]))[0])
        near += there - least_mm <= 0.001
        if fit.disturbances is not None:
            skews.append(abs(1e3 * (fit.disturbances.skew_s.value - skew)))
            stated.append(1e3 * fit.disturbances.skew_s.standard_uncertainty)
    good = runs - refused
    told = ", ".join(f"{flag} {count}" for flag, count in flags.items())
    if not good:
        return f"| {name} | – | – | – | – | – | – | – | – | {refused} | {np.median(spent):.2f} | {told} |"
    return (
        f"| {name} | {np.median(rms):.2f} | {max(rms):.2f} | {100 * np.mean(holds):.0f} % | "
        f"{100 * held / good:.0f} % | {100 * near / good:.0f} % | "
        f"{np.max(skews):.3f} | {np.median(stated):.3f} | {_over(skews, stated):.2f} | {refused} | "
        f"{np.median(spent):.2f} | {told} |"
    )


def _over(errors: list[float], stated: list[float]) -> float:
    """Root mean square of errors over what is stated of them; 0 where none is."""
    over = [error / one for error, one in zip(errors, stated, strict=True) if one > 0.0]
    return float(np.sqrt(np.mean(np.square(over)))) if over else 0.0


def main() -> None:
    """Print the table."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    only = sys.argv[2] if len(sys.argv) > 2 else ""
    first = int(sys.argv[3]) if len(sys.argv) > 3 else 0
    print(
        "| row | rms µm, median | worst | engagements held | least held | tight spot within 1 µm | "
        "worst skew error ms | stated ms, median | error over stated, rms | refused | processor s | flags |"
    )
    for name, row in ROWS.items():
        if only in name:
            print(row_line(name, row, runs, first), flush=True)


if __name__ == "__main__":
    main()
