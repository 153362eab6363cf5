"""How well a cycle run finds lash, tight spot and skew, and what it makes of faults.

Pairs are turned by brute force (`analysis/cycle/driven_pair.py`), which shares nothing with the analysis.
``PYTHONPATH=tests python tests/benchmarks/bench_cycle.py [runs] [row]``, 20 runs a row without numbers; the
tables stand in ``analysis/README.md``.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from analysis.cycle.cycle_runs import gear_set_of
from analysis.cycle.driven_pair import DrivenPair, Turning, ordinary_pair, turn
from lashmap_analysis.cycle.cycle import CycleFit, TiedRock, fit_cycle
from lashmap_analysis.cycle.passes import CycleError, CyclePass
from numpy.typing import NDArray

Floats = NDArray[np.float64]
SETTING_MM = 0.0015


@dataclass(frozen=True, kw_only=True)
class Row:
    """What is turned, and how."""

    teeth: tuple[int, int] = (13, 40)
    speeds: tuple[float, ...] = (60.0, 120.0)
    how: Turning = field(default_factory=Turning)
    rocks: int = 5
    bad_tooth_um: float = 0.0
    skews_s: tuple[float, float] | None = None


UNSTEADY = Turning(skew_s=0.0, ripple=(0.05, 0.2), stamp_noise_s=0.0002)
ROWS: dict[str, Row] = {
    "latched, 60 and 120 °/s": Row(),
    "latched, 360 °/s twice": Row(speeds=(360.0, 360.0)),
    "latched, 60 °/s, one pair": Row(speeds=(60.0,)),
    "latched, one bad tooth 8-16 µm": Row(bad_tooth_um=12.0),
    "latched, 360 °/s, bad tooth": Row(speeds=(360.0, 360.0), bad_tooth_um=12.0),
    "latched, contact lost 20 times a pass": Row(how=Turning(lost=20.0)),
    "latched, no rocks": Row(rocks=0),
    "latched, stick and drift": Row(how=Turning(drift_mm_per_s=2e-5)),
    "20:20": Row(teeth=(20, 20), speeds=(30.0, 60.0)),
    "15:45": Row(teeth=(15, 45)),
    "16:46": Row(teeth=(16, 46)),
    "two streams, 30 and 45 °/s": Row(speeds=(30.0, 45.0), how=UNSTEADY, skews_s=(0.0, 0.016)),
    "two streams, 60 and 180 °/s": Row(speeds=(60.0, 180.0), how=UNSTEADY, skews_s=(0.0, 0.016)),
    "two streams, 45 °/s, speed varies 20 %": Row(speeds=(45.0,), how=UNSTEADY, skews_s=(0.0, 0.016)),
}


def passes(
    row: Row, pair: DrivenPair, rng: np.random.Generator
) -> tuple[list[CyclePass], list[CyclePass], float]:
    """Drive and coast passes of a row, and the skew."""
    skew = None if row.skews_s is None else float(rng.uniform(*row.skews_s))
    how, start_s = replace(row.how, skew_s=skew), 0.0
    drive: list[CyclePass] = []
    coast: list[CyclePass] = []
    for speed in row.speeds:
        for sign, kept in ((1, drive), (-1, coast)):
            kept.append(turn(pair, replace(how, speed_deg_per_s=sign * speed), rng, start_s=start_s))
            start_s = float(kept[-1].pinion_time_s[-1]) + 5.0
    return drive, coast, skew or 0.0


def rocks_of(pair: DrivenPair, count: int, rng: np.random.Generator) -> list[TiedRock]:
    """Rocks at some engagements, the tip set anew for each."""
    truth = pair.rocked_mm
    places = rng.choice(pair.length, count, replace=False)
    return [
        TiedRock(
            engagement=int(place),
            transverse_mm=float(truth[place] + SETTING_MM * rng.standard_normal()),
            standard_uncertainty_mm=SETTING_MM,
        )
        for place in places
    ]


def one_run(row: Row, seed: int) -> tuple[DrivenPair, CycleFit, float, float]:
    """A pair, what was found, its skew, and the processor time of the analysis."""
    rng = np.random.default_rng(seed)
    bad = row.bad_tooth_um * rng.uniform(2 / 3, 4 / 3)
    pair = ordinary_pair(row.teeth, rng, tooth_um=float(rng.uniform(1.0, 3.0)), bad_tooth_um=bad)
    drive, coast, skew = passes(row, pair, rng)
    rocks = rocks_of(pair, row.rocks, rng)
    start_s = time.process_time()
    fit = fit_cycle(gear_set_of(pair), drive, coast, rocks=rocks)
    return pair, fit, skew, time.process_time() - start_s


def row_line(name: str, row: Row, runs: int) -> str:
    """Measure a row."""
    rms, held, near, skews, spent, holds = [], 0, 0, [], [], []
    flags: Counter[str] = Counter()
    refused = 0
    for seed in range(runs):
        pair, fit, skew, cpu_s = one_run(row, seed)
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
    good = max(runs - refused, 1)
    told = ", ".join(f"{flag} {count}" for flag, count in flags.items())
    return (
        f"| {name} | {np.median(rms):.2f} | {max(rms):.2f} | {100 * np.mean(holds):.0f} % | "
        f"{100 * held / good:.0f} % | {100 * near / good:.0f} % | "
        f"{np.max(skews):.3f} | {refused} | {np.median(spent):.2f} | {told} |"
    )


# Faults ----------------------------------------------------------------------------------------------------

Fault = Callable[[CyclePass, np.random.Generator], CyclePass]


def _swapped(one: CyclePass, _: np.random.Generator) -> CyclePass:
    return replace(
        one,
        pinion_time_s=one.gear_time_s,
        gear_time_s=one.pinion_time_s,
        pinion_deg=one.gear_deg,
        gear_deg=one.pinion_deg,
    )


def _backwards(one: CyclePass, _: np.random.Generator) -> CyclePass:
    return replace(one, gear_deg=-one.gear_deg)


def _counts(one: CyclePass, rng: np.random.Generator) -> CyclePass:
    return replace(one, gear_deg=one.gear_deg * float(rng.choice([0.5, 2.0, 0.9, 1.024, 4.0, 1.25])))


def _slip(one: CyclePass, rng: np.random.Generator) -> CyclePass:
    """The coupling slips once, by a hundredth of a degree up to a tooth."""
    at = int(rng.uniform(0.1, 0.9) * one.gear_deg.size)
    slip = float(10 ** rng.uniform(-1.3, 1.0)) * float(rng.choice([-1, 1]))
    moved = one.gear_deg + np.where(np.arange(one.gear_deg.size) >= at, slip, 0.0)
    return replace(one, gear_deg=moved)


def _wrapped(one: CyclePass, rng: np.random.Generator) -> CyclePass:
    """A count of 16 bits that nobody counted on: 65,536 counts are 3.28 turns of 20,000."""
    turns = 65536 * 360.0 / 20000
    start = float(rng.uniform(0, turns))
    return replace(one, gear_deg=(one.gear_deg + start) % turns - start)


FAULTS: dict[str, Fault] = {
    "encoders swapped": _swapped,
    "encoder backwards": _backwards,
    "counts per turn wrong": _counts,
    "coupling slips by 0.05 to 10°": _slip,
    "count wrapped at 16 bits": _wrapped,
}


def _brake_forgotten(pair: DrivenPair, row: Row, rng: np.random.Generator) -> CycleFit:
    """The gear stays on one flank in both directions, as under a load of its own."""
    forward = turn(pair, replace(row.how, speed_deg_per_s=60.0), rng)
    back = replace(
        forward,
        pinion_time_s=forward.pinion_time_s + forward.pinion_time_s[-1] + 5,
        gear_time_s=forward.gear_time_s + forward.pinion_time_s[-1] + 5,
        pinion_deg=forward.pinion_deg[::-1].copy(),
        gear_deg=forward.gear_deg[::-1].copy(),
    )
    return fit_cycle(gear_set_of(pair), [forward], [back])


def fault_lines(runs: int) -> Iterator[str]:
    """What becomes of each fault: refused with a name, an error, or a lash and how far off it is."""
    row = Row(speeds=(60.0, 120.0))
    for name in (*FAULTS, "brake forgotten"):
        outcomes: Counter[str] = Counter()
        wrong = 0
        for seed in range(runs):
            rng = np.random.default_rng(seed)
            pair = ordinary_pair((13, 40), rng)
            try:
                if name in FAULTS:
                    drive, coast, _ = passes(row, pair, rng)
                    in_all = name != "coupling slips by 0.05 to 10°"
                    hit = range(2) if in_all else [int(rng.integers(2))]
                    drive = [
                        FAULTS[name](one, rng) if number in hit else one for number, one in enumerate(drive)
                    ]
                    if in_all:
                        coast = [FAULTS[name](one, rng) for one in coast]
                    fit = fit_cycle(gear_set_of(pair), drive, coast)
                else:
                    fit = _brake_forgotten(pair, row, rng)
            except CycleError as error:
                outcomes[f"error: {error.field}"] += 1
                continue
            if fit.tight_spot is None:
                outcomes[next(flag.name.value for flag in fit.flags if flag.disabling)] += 1
                continue
            off = fit.tight_spot.backlash_mm / fit.gear_set.normal_per_transverse - pair.least_mm[0]
            outcomes[f"lash taken ({', '.join(flag.name.value for flag in fit.flags)})"] += 1
            wrong += abs(off) > 0.008
        told = ", ".join(f"{outcome} {count}" for outcome, count in outcomes.most_common())
        yield f"| {name} | {wrong} of {runs} | {told} |"


def main() -> None:
    """Print both tables."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    only = sys.argv[2] if len(sys.argv) > 2 else ""
    print(
        "| row | rms µm, median | worst | engagements held | least held | tight spot within 1 µm | "
        "worst skew error ms | refused | processor s | flags |"
    )
    for name, row in ROWS.items():
        if only in name:
            print(row_line(name, row, runs), flush=True)
    if only in "faults":
        print("| fault | wrong by more than 8 µm | what was said |")
        for line in fault_lines(runs):
            print(line, flush=True)


if __name__ == "__main__":
    main()
