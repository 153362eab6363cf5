"""Planned positions against equal spacing: worst prediction, and how often the tightest engagement is found.

Run: ``PYTHONPATH=tests python tests/benchmarks/bench_positions.py [seeds]`` (default 150 a row, minutes).

First table: worst standard deviation of prediction over the mesh cycle, by the lash map and by a plain
least-squares fit of a constant and both once-per-turn terms (in units of one reading's).  Second table: how
often the engagement named is the tightest or within 2 µm of it, with n planned positions; with n of which two
thirds are planned and the others chosen one by one (`next_position`) as readings come in; and with 1.5 n and
2 n equally spaced over the same turns.  Truth from `lash_truth.py`; readings 0.2 µm.
"""

from __future__ import annotations

import math
import sys
import time
from typing import TYPE_CHECKING

import numpy as np
from analysis.lash_truth import gear_set, made_truth
from lashmap_analysis import fit_lash_map, plan_positions
from lashmap_analysis.lash_map.positions import equal_spacing, next_position, worst_deviation_mm

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Integers = NDArray[np.int64]

PLANS = (
    (20, 20, 12, 1),
    (20, 40, 12, 1),
    (20, 40, 24, 1),
    (15, 45, 4, 1),
    (15, 45, 8, 1),
    (15, 45, 16, 1),
    (13, 40, 8, 13),
    (13, 40, 12, 13),
    (13, 40, 24, 1),
    (13, 40, 24, 13),
    (13, 40, 48, 13),
    (11, 45, 24, 11),
    (17, 46, 24, 17),
    (17, 46, 48, 17),
)
SEARCHES = (
    (20, 40, 12, 1),
    (15, 45, 12, 1),
    (13, 40, 12, 13),
    (13, 40, 18, 13),
    (11, 45, 18, 11),
    (17, 46, 18, 17),
)
READING_MM = 0.0002
TOOTH_UM = 1.0


def plain_worst(teeth: tuple[int, int], plan: Integers) -> float:
    """Worst standard deviation of a plain fit; infinite where the positions do not separate its terms."""

    def columns(engagements: Integers) -> NDArray[np.float64]:
        every = [np.ones(len(engagements))]
        for count in sorted(set(teeth)):
            angle = 2.0 * math.pi * engagements / count
            every += [np.cos(angle), np.sin(angle)]
        return np.stack(every, axis=1)

    design = columns(plan)
    if np.linalg.matrix_rank(design, tol=1e-6) < design.shape[1]:
        return math.inf
    every = columns(np.arange(math.lcm(*teeth)))
    return math.sqrt(float(np.sum(every @ np.linalg.inv(design.T @ design) * every, axis=1).max()))


def found(case: tuple[int, int, int, int], plan: Integers, more: int, seeds: int) -> float:
    """Share of invented sets on which the named engagement is within 2 µm of the tightest."""
    pinion, gear = case[:2]
    gears = gear_set(pinion, gear)
    hits = 0
    for seed in range(seeds):
        generator = np.random.default_rng([seed, pinion, gear])
        truth = made_truth(pinion, gear, generator, gear_tooth_um=TOOTH_UM, pinion_tooth_um=TOOTH_UM)
        engagements, readings = plan, truth.read(plan, READING_MM, generator)
        fitted = fit_lash_map(gears, engagements, readings, READING_MM)
        for _ in range(more):
            fresh = np.array([next_position(fitted)])
            engagements = np.append(engagements, fresh)
            readings = np.append(readings, truth.read(fresh, READING_MM, generator))
            fitted = fit_lash_map(gears, engagements, readings, READING_MM)
        named = truth.backlash_mm[fitted.tight_spot.engagement]
        hits += bool(named - truth.backlash_mm.min() <= 0.002)
    return hits / seeds


def main() -> None:
    """Print both tables."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 150
    print("| set | positions | turns | planned µm | equal µm | plain: planned | equal | plan ms |")
    print("|---" * 8 + "|")
    for pinion, gear, count, turns in PLANS:
        gears = gear_set(pinion, gear)
        began = time.perf_counter()
        plan = plan_positions(gears, count, turns, repeats=0)
        spent = 1e3 * (time.perf_counter() - began)
        equal = equal_spacing(gears, count, turns)
        print(f"| {pinion}:{gear} | {count} | {turns} ", end="")
        print(
            f"| {1e3 * worst_deviation_mm(gears, plan):.2f} | {1e3 * worst_deviation_mm(gears, equal):.2f} ",
            end="",
        )
        print(
            f"| {plain_worst((pinion, gear), plan):.3f} | {plain_worst((pinion, gear), equal):.3f} ", end=""
        )
        print(f"| {spent:.0f} |", flush=True)
    print()
    print("| set | n | n planned | n planned and revised | 1.5 n equal | 2 n equal |")
    print("|---" * 6 + "|")
    for case in SEARCHES:
        pinion, gear, count, turns = case
        gears = gear_set(pinion, gear)
        first = max(4, 2 * count // 3)
        shares = [
            found(case, plan_positions(gears, count, turns, repeats=0), 0, seeds),
            found(case, plan_positions(gears, first, turns, repeats=0), count - first, seeds),
            found(case, equal_spacing(gears, 3 * count // 2, turns), 0, seeds),
            found(case, equal_spacing(gears, 2 * count, turns), 0, seeds),
        ]
        figures = " | ".join(f"{100 * share:.0f} %" for share in shares)
        print(f"| {pinion}:{gear} | {count} | {figures} |", flush=True)


if __name__ == "__main__":
    main()
