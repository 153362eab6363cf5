"""Is the stated 95 % interval of the least backlash true when settings scatter and single teeth are bad?

Run: ``PYTHONPATH=tests python tests/benchmarks/bench_coverage.py [seeds [first step [offset]]]``
    (default 200 seeds a cell, all cells, some ten minutes; `first step` takes every step-th cell from first
    on, `offset` other seeds, for development).

Truths are made here and share no code with the analysis: sums of harmonics, accumulated pitch, correlated
teeth (AR), heavy-tailed teeth (t, 3 degrees of freedom), one bad gear tooth 8 to 16 µm tight. A reading is
the truth plus the scatter of its rock (0.1 µm, stated) and the scatter between settings of the tip (not
stated). The box is 5 K too warm (aluminium housing) or too cold (cast iron): each of two thermometers is
wrong by a normal error of 1 K, both coefficients of expansion are wrong by up to their half-width of
1 µm/(m K), and the teeth touch up to 0.15 of the face away from where somebody saw it.
Confirming positions are chosen as the daemon chooses them. Cells are laid out pairwise: every pair of
conditions occurs in at least one cell. The indicator is without error and the budget says so: what its lines
claim is no matter of coverage here. Eight set-ups are drawn for every box, apart from truths and readings.
"""

from __future__ import annotations

import math
import sys
import time
from dataclasses import dataclass, fields, replace
from itertools import combinations, product
from typing import TYPE_CHECKING, Literal

import numpy as np
from analysis.lash_truth import gear_set
from analysis.made_positions import made_position, made_trace
from lashmap_analysis import fit_lash_map, plan_positions
from lashmap_analysis.gears.indicator import Indicator
from lashmap_analysis.judge.tight_spot import confirms, from_lash_map
from lashmap_analysis.judge.verdict import tooth_allowance_mm, touched
from lashmap_analysis.lash_map.positions import every_tooth, next_position
from lashmap_analysis.record.conditions import Conditions
from lashmap_analysis.record.record import Limits
from lashmap_analysis.uncertainty.mesh_state import correction_mm

if TYPE_CHECKING:
    from lashmap_analysis.gears.gear_set import GearSet
    from lashmap_analysis.judge.assessment import PositionResult
    from lashmap_analysis.lash_map.lash_map import LashMap
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

Shape = Literal["smooth", "harmonics", "accumulated", "correlated", "heavy-tailed", "one bad tooth"]
Plan = Literal["every tooth", "sample"]
Contact = Literal["heel", "mean", "toe"]

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
FROM_TOE: dict[Contact, float] = {"heel": 1.0, "mean": 0.5, "toe": 0.0}
HOUSINGS = {-5.0: 10.5, 5.0: 23.0}  # K warmer than 20 °C: expansion in µm/(m K), cast iron and aluminium
SET_UPS = 8  # drawn for every box: they change nothing but one figure common to all readings
THERMOMETER_K, COEFFICIENT, SEEN_WITHIN = 1.0, 1.0, 0.15
STEEL = 11.5
DISTANCES_MM = (105.0, 85.0)  # mounting distances of pinion and gear, invented
INDICATOR = Indicator(
    resolution_mm=1e-6,
    touch_radius_mm=75.0,
    direction="plane of rotation",
    on_arm=True,
    touch_radius_uncertainty_mm=0.0,
    angle_uncertainty_deg=0.0,
    calibration_uncertainty_mm=0.0,
    hysteresis_mm=0.0,
    height_mm=0.0,
    height_uncertainty_mm=0.0,
)
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
    contact: Contact = "heel"
    warmer_k: float = 5.0


def cells() -> list[Cell]:
    """Every set with every shape; the rest so that every other pair occurs too."""
    found = [
        Cell(
            case=case,
            setting_um=SETTING_UM[(i + j) % 4],
            shape=shape,
            plan=PLANS[(i // 2 + j + (i + j) // 4) % 2],
            contact=tuple(FROM_TOE)[(2 * i + (i + j) // 2) % 3],
            warmer_k=tuple(HOUSINGS)[(i + j + j // 3) % 2],
        )
        for i, case in enumerate(SETS)
        for j, shape in enumerate(SHAPES)
    ]
    values = [tuple(getattr(cell, one.name) for one in fields(cell)) for cell in found]
    for a, b in combinations(range(len(fields(Cell))), 2):
        pairs = {(value[a], value[b]) for value in values}
        missing = set(product({x for x, _ in pairs}, {y for _, y in pairs})) - pairs
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


def set_up(cell: Cell, gears: GearSet, generator: np.random.Generator) -> tuple[Conditions, float]:
    """Conditions as recorded, and what all readings are too large by after their correction, in mm.

    Straight teeth.  A member that moves out by ΔA opens both flanks by 2 ΔA sin α sin δ together where they
    touch, at cone distance R_c; the turn that closes them is worth R_e / R_c as much at the outer end.
    """
    housing_k, gears_k = cell.warmer_k + 2.0 * generator.standard_normal(2)  # apart as after a day in a hall
    recorded = Conditions(
        housing_c=20.0 + housing_k + THERMOMETER_K * generator.standard_normal(),
        gears_c=20.0 + gears_k + THERMOMETER_K * generator.standard_normal(),
        temperature_uncertainty_c=THERMOMETER_K,
        housing_expansion_um_per_m_k=HOUSINGS[cell.warmer_k],
        gears_expansion_um_per_m_k=STEEL,
        pinion_distance_mm=DISTANCES_MM[0],
        gear_distance_mm=DISTANCES_MM[1],
        pinion_end_play_mm=0.0,
        gear_end_play_mm=0.0,
        rock_nm=0.0,
        compliance_um_per_nm=0.0,
        roll_variation_mm=0.0,
    )
    housing, steel = (
        1e-6 * (one + COEFFICIENT * generator.uniform(-1.0, 1.0)) for one in (HOUSINGS[cell.warmer_k], STEEL)
    )
    out = [(housing * housing_k - steel * gears_k) * distance for distance in DISTANCES_MM]
    pinion_cone = math.atan2(gears.pinion_teeth, gears.gear_teeth)
    opened = (
        2.0
        * math.sin(math.radians(20.0))
        * math.fsum(
            moved * turn
            for moved, turn in zip(out, (math.sin(pinion_cone), math.cos(pinion_cone)), strict=True)
        )
    )
    touches = min(max(FROM_TOE[cell.contact] + SEEN_WITHIN * generator.uniform(-1.0, 1.0), 0.0), 1.0)
    cone = gears.outer_module_mm * gears.gear_teeth / 2.0 / math.cos(pinion_cone)
    opened *= cone / (cone - gears.face_width_mm * (1.0 - touches))
    return recorded, opened + correction_mm(gears, INDICATOR, recorded)


def tested(cell: Cell, gears: GearSet, plan: Integers, seed: int) -> Floats:
    """One box of a cell in some set-ups: figures in the order of the table's columns."""
    names = [seed, *cell.case, int(10 * cell.setting_um), SHAPES.index(cell.shape)]
    generator = np.random.default_rng(names)
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
        last = int(engagements[-1])
        wanted = spot if spot not in known else next_position(fitted, leave_out=last)
        known.add(wanted)
        fresh = np.array([wanted])
        value = read(fresh)
        answers.append(confirms(position(number + 1, wanted, float(value[0]), gears), fitted))
        engagements, readings = np.append(engagements, fresh), np.append(readings, value)
        fitted = fit_lash_map(gears, engagements, readings, 1e-3 * ROCK_UM)
    confirmed = next((bool(answer) for answer in reversed(answers) if answer is not None), False)
    chance = np.random.default_rng([*names, 20])
    every = [
        figures(fitted, float(truth.min()), set_up(cell, gears, chance), confirmed=confirmed)
        for _ in range(SET_UPS)
    ]
    return np.asarray(np.mean(every, axis=0), dtype=np.float64)


def figures(
    fitted: LashMap, least: float, set_up: tuple[Conditions, float], *, confirmed: bool
) -> list[float]:
    """What one box in one set-up adds to a row: the verdict that the rule gives at three limits."""
    recorded, common_mm = set_up
    stated, _ = from_lash_map(fitted, INDICATOR, recorded)
    least -= common_mm  # all readings, and so the whole map, would be higher by that
    low, high = stated.interval_mm
    lower = low - allowance_mm(fitted)
    reach = stated.normal_backlash_mm - lower
    band_low, band_high = fitted.tight_spot.band_mm
    return [
        band_low <= least + common_mm <= band_high,
        low <= least <= high,
        lower <= least,
        least <= high,
        confirmed and lower >= least + 1e-3 * TOO_TIGHT_UM,
        confirmed and lower >= least - 3.0 * reach,
        high < least - 1e-3 * GOOD_BY_UM,
        (stated.normal_backlash_mm - least) / stated.standard_uncertainty_mm,
        1e3 * (band_high - band_low) / 2.0,
        1e3 * stated.expanded_uncertainty_mm,
    ]


def row(cell: Cell, seeds: range) -> tuple[list[float], list[float]]:
    """Means over the seeds of all figures but the last two, medians of those."""
    gears = replace(gear_set(*cell.case[:2]), contact_from_toe=FROM_TOE[cell.contact])
    plan = planned(cell, gears)
    every = np.array([tested(cell, gears, plan, seed) for seed in seeds], dtype=np.float64)
    return every[:, :-2].mean(axis=0).tolist(), np.median(every[:, -2:], axis=0).tolist()


def main() -> None:
    """Print the table."""
    offset = int(sys.argv[4]) if len(sys.argv) > 4 else 0
    seeds = range(offset, offset + (int(sys.argv[1]) if len(sys.argv) > 1 else 200))
    chosen = cells()[int(sys.argv[2]) :: int(sys.argv[3])] if len(sys.argv) > 3 else cells()
    print("| set | setting µm | teeth | plan | contact | warmer K | band covers | interval covers ", end="")
    print("| low end true | high end true | conforming, 3 µm too tight | conforming, good by 3 U ", end="")
    print("| nonconforming, good | bias / u | half band µm | U µm |")
    print("|---" * 16 + "|")
    began = time.process_time()
    for cell in chosen:
        (z, a, b, c, d, e, f, g), (h, u) = row(cell, seeds)
        print(f"| {cell.case[0]}:{cell.case[1]} | {cell.setting_um} | {cell.shape} | {cell.plan} ", end="")
        print(f"| {cell.contact} | {cell.warmer_k:+g} | {z:.1%} | {a:.1%} | {b:.1%} | {c:.1%} ", end="")
        print(f"| {d:.1%} | {e:.1%} | {f:.1%} | {g:+.2f} | {h:.1f} | {u:.1f} |", flush=True)
    print(f"\n{time.process_time() - began:.0f} s")


if __name__ == "__main__":
    main()
