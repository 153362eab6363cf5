"""Is the stated band of the least backlash true when settings scatter and single teeth are bad?

Run: ``PYTHONPATH=tests python tests/benchmarks/bench_coverage.py [seeds [first step [offset]]]``
    (default 200 seeds a cell, all cells, some minutes; `first step` takes every step-th cell from first on,
    `offset` other seeds, for development).

Truths are made here and share no code with the analysis: sums of harmonics, accumulated pitch, correlated
teeth (AR), heavy-tailed teeth (t, 3 degrees of freedom), one bad gear tooth 8 to 16 µm tight. A reading is
the truth plus the scatter of its rock (0.1 µm, stated) and the scatter between settings of the tip (not
stated). Confirming positions are chosen as the daemon chooses them. Cells are laid out pairwise: every pair
of conditions occurs in at least one cell. Set-up uncertainties are left out: both boxes of a comparison share
them.
"""

from __future__ import annotations

import math
import sys
import time
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING, Literal

import numpy as np
from analysis.lash_truth import gear_set
from analysis.made_positions import made_position, made_trace
from lashmap_analysis import fit_lash_map, plan_positions
from lashmap_analysis.judge.tight_spot import confirms
from lashmap_analysis.judge.verdict import tooth_allowance_mm, touched
from lashmap_analysis.lash_map.positions import every_tooth, next_position
from lashmap_analysis.record.record import Limits

if TYPE_CHECKING:
    from lashmap_analysis.gears.gear_set import GearSet
    from lashmap_analysis.judge.assessment import PositionResult
    from lashmap_analysis.lash_map.lash_map import LashMap
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

Shape = Literal["smooth", "harmonics", "accumulated", "correlated", "heavy-tailed", "one bad tooth"]
Plan = Literal["every tooth", "sample"]

# pinion and gear teeth, positions of a sample, turns of the gear
SETS = (
    (20, 20, 12, 1),
    (20, 40, 24, 1),
    (15, 45, 20, 1),
    (13, 40, 24, 13),
    (17, 46, 30, 17),
    (11, 45, 24, 11),
    (16, 45, 24, 16),
)
SETTING_UM = (0.2, 0.5, 1.5, 3.0)
SHAPES: tuple[Shape, ...] = (
    "smooth",
    "harmonics",
    "accumulated",
    "correlated",
    "heavy-tailed",
    "one bad tooth",
)
PLANS: tuple[Plan, ...] = ("every tooth", "sample")
ROCK_UM = 0.1
CONFIRMING = 3
TOO_TIGHT_UM = 3.0
GOOD_BY_UM = 1.0


@dataclass(frozen=True, kw_only=True)
class Cell:
    """One combination of conditions."""

    case: tuple[int, int, int, int]
    setting_um: float
    shape: Shape
    plan: Plan


def cells() -> list[Cell]:
    """Every set with every shape; scatter and plan so that every other pair occurs too."""
    found = [
        Cell(
            case=case,
            setting_um=SETTING_UM[(i + j) % 4],
            shape=shape,
            plan=PLANS[(i // 2 + j + (i + j) // 4) % 2],
        )
        for i, case in enumerate(SETS)
        for j, shape in enumerate(SHAPES)
    ]
    values = [(cell.case, cell.setting_um, cell.shape, cell.plan) for cell in found]
    for (a, first), (b, second) in combinations(enumerate((SETS, SETTING_UM, SHAPES, PLANS)), 2):
        missing = {(x, y) for x in first for y in second} - {(value[a], value[b]) for value in values}
        if missing:
            raise RuntimeError(f"pairs that no cell has: {missing}")
    return found


def turned(teeth: int, orders: range, sizes: Floats, generator: np.random.Generator) -> Floats:
    """Waves per turn at every tooth, with random phases."""
    angle = 2.0 * math.pi * np.arange(teeth) / teeth
    phases = generator.uniform(0.0, 2.0 * math.pi, len(orders))
    waves = np.cos(np.array(orders)[:, np.newaxis] * angle - phases[:, np.newaxis])
    return np.asarray(sizes @ waves, dtype=np.float64)


def pattern(teeth: int, shape: Shape, generator: np.random.Generator) -> Floats:
    """What each tooth of a member takes or gives, µm."""
    once = turned(teeth, range(1, 3), generator.uniform((5.0, 0.0), (25.0, 2.0)), generator)
    normal = generator.standard_normal(teeth)
    if shape == "harmonics":
        sizes = generator.uniform(0.3, 1.0, 6) * np.array([20.0, 4.0, 3.0, 2.0, 1.5, 1.0])
        return turned(teeth, range(1, 7), sizes, generator) + 0.3 * normal
    if shape == "accumulated":  # pitch deviations add up round the member and close
        walk = np.cumsum(2.0 * normal)
        closing = walk[-1] * np.arange(1, teeth + 1) / teeth
        return np.asarray(once + walk - closing)
    if shape == "correlated":  # AR(1) with 0.7 from tooth to tooth, standard deviation 2 µm
        chain = [normal[0]]
        for fresh in normal[1:]:
            chain.append(0.7 * chain[-1] + math.sqrt(1.0 - 0.49) * fresh)
        return once + 2.0 * np.array(chain)
    if shape == "heavy-tailed":
        return once + generator.standard_t(3.0, teeth)
    return once + 0.5 * normal


def made_truth(cell: Cell, generator: np.random.Generator) -> Floats:
    """True backlash over the mesh cycle, mm."""
    pinion_teeth, gear_teeth = cell.case[:2]
    gear, pinion = (pattern(teeth, cell.shape, generator) for teeth in (gear_teeth, pinion_teeth))
    if cell.shape == "one bad tooth":
        gear[generator.integers(gear_teeth)] -= generator.uniform(8.0, 16.0)
    k = np.arange(math.lcm(pinion_teeth, gear_teeth))
    return np.asarray(0.15 + 1e-3 * (gear[k % gear_teeth] + pinion[k % pinion_teeth]))


def planned(cell: Cell, gears: GearSet) -> Integers:
    """The plan of a cell, settings repeated as the program's default does."""
    _, _, count, turns = cell.case
    if cell.plan == "every tooth":
        return every_tooth(gears, turns)
    return plan_positions(gears, count, turns)


def allowance_mm(lash_map: LashMap) -> float:
    """What teeth that no position touched may take at the lower end of the interval."""
    left = touched(lash_map.gear_set, lash_map.engagements.tolist())
    return 0.0 if left.every else tooth_allowance_mm(lash_map.gear_set, Limits(minimum_mm=0.0))


def position(number: int, engagement: int, backlash_mm: float, gears: GearSet) -> PositionResult:
    """A reading as the confirming test takes it."""
    made = made_position(made_trace(number, engagement, 0.1, samples=20), gears, backlash_mm)
    rock = replace(made.rock, degrees_of_freedom=7.0)
    return replace(made, rock=rock, standard_uncertainty_mm=1e-3 * ROCK_UM)


def tested(cell: Cell, gears: GearSet, plan: Integers, seed: int) -> list[float]:
    """One box of a cell: figures in the order of `COLUMNS`."""
    generator = np.random.default_rng([seed, *cell.case, int(10 * cell.setting_um), SHAPES.index(cell.shape)])
    truth = made_truth(cell, generator)

    def read(engagements: Integers) -> Floats:
        scatter = generator.standard_normal((2, len(engagements)))
        error = ROCK_UM * scatter[0] + cell.setting_um * scatter[1]
        return np.asarray(truth[engagements % len(truth)] + 1e-3 * error)

    engagements, readings = plan, read(plan)
    fitted = fit_lash_map(gears, engagements, readings, 1e-3 * ROCK_UM)
    known: set[int] = set()
    answers = []
    for number in range(CONFIRMING):
        spot = fitted.tight_spot.engagement
        wanted = spot if spot not in known else next_position(fitted)
        if wanted in known:
            break
        known.add(wanted)
        fresh = np.array([wanted])
        value = read(fresh)
        answers.append(confirms(position(number + 1, wanted, float(value[0]), gears), fitted))
        engagements, readings = np.append(engagements, fresh), np.append(readings, value)
        fitted = fit_lash_map(gears, engagements, readings, 1e-3 * ROCK_UM)
    confirmed = next((bool(answer) for answer in reversed(answers) if answer is not None), False)
    return figures(fitted, float(truth.min()), confirmed=confirmed)


def figures(fitted: LashMap, least: float, *, confirmed: bool) -> list[float]:
    """What one box adds to a row: the verdict that the rule gives at three limits."""
    spot = fitted.tight_spot
    low, high = spot.band_mm
    lower = low - allowance_mm(fitted)
    reach = spot.backlash_mm - lower
    return [
        low <= least <= high,
        lower <= least,
        confirmed and lower >= least + 1e-3 * TOO_TIGHT_UM,
        confirmed and lower >= least - 3.0 * reach,
        high < least - 1e-3 * GOOD_BY_UM,
        (spot.backlash_mm - least) / spot.standard_uncertainty_mm,
        1e3 * (high - low),
        1e3 * reach,
    ]


def row(cell: Cell, seeds: range) -> Floats:
    """Means over the seeds."""
    gears = gear_set(*cell.case[:2])
    plan = planned(cell, gears)
    every = [tested(cell, gears, plan, seed) for seed in seeds]
    return np.asarray(np.mean(every, axis=0), dtype=np.float64)


def main() -> None:
    """Print the table."""
    offset = int(sys.argv[4]) if len(sys.argv) > 4 else 0
    seeds = range(offset, offset + (int(sys.argv[1]) if len(sys.argv) > 1 else 200))
    chosen = cells()[int(sys.argv[2]) :: int(sys.argv[3])] if len(sys.argv) > 3 else cells()
    print("| set | setting µm | teeth | plan | covers | low end true | conforming, 3 µm too tight ", end="")
    print("| conforming, good by 3 U | nonconforming, good | bias / u | width µm | U down µm |")
    print("|---" * 12 + "|")
    began = time.process_time()
    for cell in chosen:
        a, b, c, d, e, f, g, h = row(cell, seeds)
        print(f"| {cell.case[0]}:{cell.case[1]} | {cell.setting_um} | {cell.shape} | {cell.plan} ", end="")
        print(f"| {100 * a:.1f} % | {100 * b:.1f} % | {100 * c:.1f} % | {100 * d:.1f} % ", end="")
        print(f"| {100 * e:.1f} % | {f:+.2f} | {g:.1f} | {h:.1f} |", flush=True)
    print(f"\n{time.process_time() - began:.0f} s")


if __name__ == "__main__":
    main()
