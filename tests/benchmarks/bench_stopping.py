"""What stopping as soon as the verdict is settled saves at the stand, and what it risks.

Run: ``PYTHONPATH=tests python tests/benchmarks/bench_stopping.py [boxes]`` (default 60 a row, some minutes).

Truths and readings are those of `bench_coverage`, with a common error of the set-up drawn from the budget's
own lines. Every box is judged against a least backlash that it keeps comfortably, closely, or breaks. Three
ways: the plan to its end; the plan, stopped when `may_stop` says so; equally spaced positions to the end. The
confirming positions are asked for in all of them. Time at the stand: 13 s a position (index, settle, rock)
and 0.1 s for every gear tooth of travel (a guess, the same for all).
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from analysis.lash_truth import gear_set
from benchmarks.bench_coverage import ROCK_UM, Cell, Shape, made_truth
from lashmap_analysis import fit_lash_map, plan_positions
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.gears.indicator import Indicator
from lashmap_analysis.judge.settling import FIRST_LOOK, may_stop
from lashmap_analysis.judge.tight_spot import from_lash_map, set_up_mm
from lashmap_analysis.judge.verdict import Evidence, settled, tooth_allowance_mm, touched
from lashmap_analysis.lash_map.lash_map import LashMap
from lashmap_analysis.lash_map.positions import equal_spacing, next_position
from lashmap_analysis.record.conditions import Conditions
from lashmap_analysis.record.record import Limits
from lashmap_analysis.uncertainty.backlash import budget
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
POSITION_S, TOOTH_S = 13.0, 0.1
CONFIRMING = 3
CASES = ((13, 40, 24, 13), (15, 45, 20, 1), (17, 46, 30, 17))
SHAPES: tuple[Shape, ...] = ("smooth", "heavy-tailed", "one bad tooth")
SETTING_UM = 0.5
MARGINS_UM = {
    "good by 40": 40.0,
    "good by 20": 20.0,
    "good by 6": 6.0,
    "too tight by 3": -3.0,
    "too tight by 10": -10.0,
}
ACCURACY_MM = 0.016  # what the box says that a tooth nobody touched may take: the deepest that is drawn here
INDICATOR = Indicator(
    resolution_mm=0.0001,
    touch_radius_mm=75.0,
    direction="plane of rotation",
    on_arm=True,
    calibration_uncertainty_mm=0.0008,
)
CONDITIONS = Conditions(
    housing_c=20.0,
    gears_c=20.0,
    temperature_uncertainty_c=0.5,
    housing_expansion_um_per_m_k=11.5,
    pinion_distance_mm=105.0,
    gear_distance_mm=62.0,
    pinion_end_play_mm=0.0,
    gear_end_play_mm=0.0,
    rock_nm=0.5,
    rock_uncertainty_nm=0.1,
    compliance_um_per_nm=0.4,
    compliance_uncertainty_um_per_nm=0.1,
    roll_variation_mm=0.001,
)


@dataclass
class Bench:
    """One box on the stand."""

    gears: GearSet
    truth: Floats
    limits: Limits
    chance: np.random.Generator
    common_mm: float

    def __post_init__(self) -> None:
        self.engagements: list[int] = []
        self.readings: list[float] = []

    def measure(self, engagement: int) -> None:
        """Take one reading, the tip set anew."""
        error_um = ROCK_UM * self.chance.standard_normal() + SETTING_UM * self.chance.standard_normal()
        true = self.truth[engagement % len(self.truth)]
        self.engagements.append(engagement)
        self.readings.append(float(true) + self.common_mm + 1e-3 * error_um)

    def fitted(self) -> LashMap:
        """The lash map of what was measured so far."""
        return fit_lash_map(self.gears, np.array(self.engagements), np.array(self.readings), 1e-3 * ROCK_UM)

    def run(self, plan: Integers, *, stop: bool) -> tuple[bool, bool, int, float]:
        """(conforming, nonconforming, positions, seconds) of one test."""
        for engagement in plan.tolist():
            self.measure(engagement)
            if (
                stop
                and len(self.engagements) >= FIRST_LOOK
                and may_stop(self.fitted(), INDICATOR, CONDITIONS, self.limits)
            ):
                break
        known: set[int] = set()
        for _ in range(CONFIRMING):
            fitted = self.fitted()
            spot = fitted.tight_spot.engagement
            wanted = spot if spot not in known else next_position(fitted)
            if wanted in known:
                break
            known.add(wanted)
            cycle = len(self.truth)
            here = self.engagements[-1]
            self.measure(here + (wanted - here + cycle // 2) % cycle - cycle // 2)
        fitted = self.fitted()
        stated, _ = from_lash_map(fitted, INDICATOR, CONDITIONS)
        teeth = touched(self.gears, self.engagements)
        evidence = Evidence(
            interval_mm=stated.interval_mm,
            untouched_mm=0.0 if teeth.every else tooth_allowance_mm(self.gears, self.limits),
        )
        least = self.limits.minimum_mm or 0.0
        outside = stated.interval_mm[1] < least
        inside = settled(evidence, self.limits, self.gears) and not outside
        travel = float(np.abs(np.diff(self.engagements)).sum())
        seconds = POSITION_S * len(self.engagements) + TOOTH_S * travel
        return inside, outside, len(self.engagements), seconds


def set_up_of(gears: GearSet) -> float:
    """Standard uncertainty that every reading has in common, as the budget states it."""
    total = budget(
        gear_set=gears,
        indicator=INDICATOR,
        conditions=CONDITIONS,
        normal_backlash_mm=0.15,
        random_standard_uncertainty_mm=0.0,
    )
    return set_up_mm(total)


def row(case: tuple[int, int, int, int], margin_um: float, way: str, boxes: int) -> list[float]:
    """Shares and means over the boxes."""
    gears = gear_set(*case[:2])
    plans: dict[str, Callable[[], Integers]] = {
        "to its end": lambda: plan_positions(gears, case[2], case[3]),
        "stopped when settled": lambda: plan_positions(gears, case[2], case[3]),
        "equally spaced": lambda: equal_spacing(gears, case[2], case[3]),
    }
    plan = plans[way]()
    found = []
    for seed in range(boxes):
        chance = np.random.default_rng([seed, *case])
        cell = Cell(case=case, setting_um=SETTING_UM, shape=SHAPES[seed % 3], plan="sample")
        truth = made_truth(cell, chance)
        least = float(truth.min())
        limits = Limits(minimum_mm=least - 1e-3 * margin_um, untouched_tooth_mm=ACCURACY_MM)
        common_mm = set_up_of(gears) * chance.standard_normal()
        bench = Bench(gears, truth, limits, chance, common_mm)
        found.append(bench.run(plan, stop=way == "stopped when settled"))
    return [float(one) for one in np.mean(np.array(found, dtype=np.float64), axis=0)]


def main() -> None:
    """Print the table."""
    boxes = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    print("| set | box | way | conforming | nonconforming | positions | minutes at the stand |")
    print("|---|---|---|---:|---:|---:|---:|")
    for case in CASES:
        for name, margin_um in MARGINS_UM.items():
            for way in ("to its end", "stopped when settled", "equally spaced"):
                inside, outside, positions, seconds = row(case, margin_um, way, boxes)
                print(f"| {case[0]}:{case[1]} | {name} µm | {way} | {inside:.1%} | {outside:.1%} ", end="")
                print(f"| {positions:.1f} | {seconds / 60.0:.1f} |", flush=True)


if __name__ == "__main__":
    main()
