"""Does the interval of a test by hand hold the truth: a plain dial gauge, a person who reads and types?

Run: ``PYTHONPATH=tests python tests/benchmarks/bench_by_hand.py [seeds]``.

Invented boxes: runout of both members and single teeth, made here. A person rocks the gear two to five times
at each position and reads both flanks to half a division; the dial stands anywhere, or is set to 0 on the
first flank. Between two settings the lash scatters by 0.5 to 3 µm, between rocks of one setting by 0.5 µm.
The certificate of the gauge, its hysteresis and the touch radius are wrong by what their stated uncertainty
allows, once for each box. In the last columns (every third seed) the person miscounts: from some position on
engagements are one tooth further than written down. Nobody but our own model says that benches are like this.
"""

from __future__ import annotations

import math
import sys
import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from analysis.made_record import GEAR_SET, INDICATOR, KNOWN, LIMITS, PROVEN
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.lash_map.positions import plan_positions
from lashmap_analysis.record.record import Identity, Purpose, RockTrace, TestRecord, TypedReadings

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

WITHIN_UM = 0.5
CERTIFICATE_MM, HYSTERESIS_MM, RADIUS_MM = 0.002, 0.001, 0.1


@dataclass(frozen=True, kw_only=True)
class Row:
    """One combination of conditions."""

    division_mm: float
    setting_um: float
    rocks: int
    set_to_zero: bool
    positions: int = 24
    gear_um: float = 12.0


def rows() -> list[Row]:
    """Both scales with every scatter; rocks and the dial's zero in turn; quiet gears, few positions."""
    found = [
        Row(division_mm=division, setting_um=setting, rocks=2 + (at + side) % 4, set_to_zero=bool(at % 2))
        for side, division in enumerate((0.01, 0.002))
        for at, setting in enumerate((0.5, 1.0, 2.0, 3.0))
    ]
    quiet = [
        Row(division_mm=0.01, setting_um=0.5, rocks=3, set_to_zero=zero, gear_um=0.5)
        for zero in (False, True)
    ]
    few = [
        Row(division_mm=one, setting_um=1.0, rocks=2, set_to_zero=True, positions=10) for one in (0.01, 0.002)
    ]
    return [*found, *quiet, *few]


def truth_mm(row: Row, generator: np.random.Generator) -> Floats:
    """True backlash over the mesh cycle."""
    gear, pinion = (
        generator.normal(0.0, 0.5, teeth) for teeth in (GEAR_SET.gear_teeth, GEAR_SET.pinion_teeth)
    )
    phase = generator.uniform(0.0, 2.0 * math.pi, 2)
    k = np.arange(GEAR_SET.mesh_cycle)
    wave = row.gear_um * np.cos(2.0 * math.pi * k / GEAR_SET.gear_teeth - phase[0])
    wave += 0.5 * row.gear_um * np.cos(2.0 * math.pi * k / GEAR_SET.pinion_teeth - phase[1])
    mean_um = generator.uniform(140.0, 160.0)
    return np.asarray(
        1e-3 * (mean_um + wave + gear[k % GEAR_SET.gear_teeth] + pinion[k % GEAR_SET.pinion_teeth])
    )


def typed(row: Row, lash_mm: float, generator: np.random.Generator) -> TypedReadings:
    """What a person reads of a lash and types."""
    step = row.division_mm / 2.0
    here = lash_mm + 1e-3 * row.setting_um * generator.standard_normal()
    rocks = here + 1e-3 * WITHIN_UM * generator.standard_normal(row.rocks)
    if row.set_to_zero:
        first = np.full(row.rocks, generator.uniform(-step / 2.0, step / 2.0))
    else:
        first = generator.uniform(0.1, 0.5) + 1e-3 * WITHIN_UM * generator.standard_normal(row.rocks)
    low, high = (np.round(one / step) * step for one in (first, first + rocks))
    return TypedReadings(rocks_mm=tuple(zip(low.tolist(), high.tolist(), strict=True)))


def tested(row: Row, seed: int, *, miscounts: bool) -> tuple[bool, float, bool]:
    """One box: whether its interval holds the truth, its width in µm, and whether the low end is below it."""
    generator = np.random.default_rng(
        [seed, round(1e4 * row.division_mm), round(10 * row.setting_um), row.rocks]
    )
    truth = truth_mm(row, generator)
    wrong_mm = generator.normal(0.0, CERTIFICATE_MM / 2.0) + generator.uniform(-HYSTERESIS_MM, HYSTERESIS_MM)
    radius = INDICATOR.touch_radius_mm + generator.normal(0.0, RADIUS_MM)
    slips_at = int(generator.integers(1, row.positions)) if miscounts else row.positions + 99

    def trace(number: int, engagement: int, purpose: Purpose = "planned") -> RockTrace:
        really = engagement + (number > slips_at)
        lash = float(truth[really % GEAR_SET.mesh_cycle]) * radius / INDICATOR.touch_radius_mm + wrong_mm
        given = typed(row, lash, generator)
        return RockTrace.of_typed(given, position=number, engagement=engagement, purpose=purpose)

    plan = plan_positions(GEAR_SET, row.positions, GEAR_SET.pinion_teeth)
    traces = [trace(number, int(engagement)) for number, engagement in enumerate(plan, start=1)]
    record = TestRecord(
        identity=Identity(test="by hand", box="invented", serial="INV-1"),
        gear_set=GEAR_SET,
        indicator=replace(
            INDICATOR,
            resolution_mm=row.division_mm / 2.0,
            by_eye=True,
            calibration_uncertainty_mm=CERTIFICATE_MM,
            hysteresis_mm=HYSTERESIS_MM,
            touch_radius_uncertainty_mm=RADIUS_MM,
        ),
        encoder=None,
        limits=LIMITS,
        conditions=KNOWN,
        preconditions=PROVEN,
        traces=tuple(traces),
    )
    before = assess(record).stated
    if before is None:
        return False, math.nan, False
    traces.append(trace(len(traces) + 1, before.engagement, "confirming"))
    stated = assess(replace(record, traces=tuple(traces))).stated
    if stated is None:
        return False, math.nan, False
    low, high = stated.interval_mm
    least = float(truth.min())
    return low <= least <= high, 1e3 * (high - low), low <= least


def main() -> None:
    """Print the table."""
    seeds = range(int(sys.argv[1]) if len(sys.argv) > 1 else 60)
    print(
        "| division mm | setting µm | rocks | set to 0 | positions | gear µm ",
        "| covers | low end true | width µm ",
        end="",
    )
    print("| miscounted: covers | low end true |")
    print("|---" * 11 + "|")
    began, every = time.process_time(), []
    for row in rows():
        right = np.array([tested(row, seed, miscounts=False) for seed in seeds], dtype=np.float64).mean(
            axis=0
        )
        wrong = np.array([tested(row, seed, miscounts=True) for seed in seeds[::3]], dtype=np.float64).mean(
            axis=0
        )
        every.append([*right, *wrong])
        print(f"| {row.division_mm} | {row.setting_um} | {row.rocks} | {row.set_to_zero} ", end="")
        print(f"| {row.positions} | {row.gear_um} | {100 * right[0]:.0f} % | {100 * right[2]:.0f} % ", end="")
        print(f"| {right[1]:.1f} | {100 * wrong[0]:.0f} % | {100 * wrong[2]:.0f} % |", flush=True)
    mean = np.array(every).mean(axis=0)
    print(f"\nall: covers {100 * mean[0]:.1f} %, low end true {100 * mean[2]:.1f} %, ", end="")
    print(f"miscounted {100 * mean[3]:.1f} % and {100 * mean[5]:.1f} %; {time.process_time() - began:.0f} s")


if __name__ == "__main__":
    main()
