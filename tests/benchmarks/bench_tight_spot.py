"""Is the stated tight spot true? The demonstration box over many seeds, in virtual time, without a screen.

Run with the folder ``tests`` on the path, as the Makefile does. By itself it takes the box on a stand that
measures without errors, prints a line a seed and fails when the bars are missed: the 95 % interval holds the
true least backlash in at least 18 of 20, and the named engagement is the true one, or truly within 2 µm of
it, in at least 19 of 20.

``--effect`` adds one imperfection of the stand, or names ``shipped``, the box as its file has it; ``--table``
runs all of them, a line each, and fails at nothing: it says how far the interval can be believed on a stand
like that. The sizes are invented, each about what a careful bench may have (common practice, no source).
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from math import nan
from pathlib import Path
from statistics import fmean, pstdev
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from daemon.virtual_time import AS_SHIPPED, DEMO_BOX, VirtualTest, load_box
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile

CLOSE_MM = 0.002
HELD_AT_LEAST = 0.90
NAMED_AT_LEAST = 0.95

NONE, SHIPPED = "none", "shipped"
EFFECTS: dict[str, dict[str, Any]] = {
    "tip set anew": {"setting_radius_mm": 0.3},
    "gear seats anew": {"gear_seating_mm": 0.001},
    "roll phase": {"roll_crowning_mm": 0.002, "position_error_deg": 0.5},
    "contact at mid-face": {"contact_face_fraction": 0.5},
    "contact at the toe": {"contact_face_fraction": 0.1},
    "tip height": {"tip_height_error_mm": 1.0},
    "warm aluminium housing": {
        "housing_temperature_c": 24.0,
        "gears_temperature_c": 24.0,
        "temperature_drift_k_per_h": 4.0,
        "housing_expansion_um_per_m_k": 23.0,
    },
    "gears warmer than housing": {"housing_temperature_c": 22.0, "gears_temperature_c": 27.0},
    "press": {"press_torque_nm": 2.0, "flank_compliance_mm_per_nm": 0.0003},
    "oil film": {"oil_film_mm": 0.001, "oil_film_s": 0.05},
    "hysteresis": {"hysteresis_mm": 0.0005},
    "correction": {"linear_error": 0.002, "periodic_error_mm": 0.0005, "periodic_error_every_mm": 0.2},
    "bad tooth": {"bad_tooth_mm": 0.005},
    "bad pinion tooth": {"bad_tooth_mm": 0.005, "bad_tooth_member": "pinion"},
    "slow departure": {"slow_departure": 0.3, "rocks_per_s": 2.0},
    "unequal dwells": {"forward_dwell_share": 0.3, "rocks_per_s": 2.0},
}


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What came of one test; lengths in mm, those of the statement not numbers when there is none.

    Attributes:
        positions: How many were measured.
        stated_mm: The least backlash as stated.
        interval_mm: Its 95 % interval.
        truth_mm: The least backlash.
        named_excess_mm: Backlash at the named engagement beyond it.
        verdict: Its word.
        used_s: Processor time.
    """

    positions: int
    stated_mm: float
    interval_mm: tuple[float, float]
    truth_mm: float
    named_excess_mm: float
    verdict: str
    used_s: float

    @property
    def held(self) -> bool:
        """Whether the interval holds the truth."""
        return self.interval_mm[0] <= self.truth_mm <= self.interval_mm[1]

    @property
    def named(self) -> bool:
        """Whether the named engagement is as good as the tightest."""
        return self.named_excess_mm <= CLOSE_MM


def outcomes(box: BoxFile, seeds: int) -> Iterator[Outcome]:
    """Test a box with one seed after the other."""
    for seed in range(1, seeds + 1):
        began_s = time.process_time()
        with tempfile.TemporaryDirectory() as folder:
            test = VirtualTest(Path(folder), box, seed=seed, **AS_SHIPPED)
            test.run()
            assessment = conclude(test.logbook, None)
            test.logbook.close()
        truth, stated = test.truth, assessment.stated
        lash, least_mm = truth.normal_backlash_mm, truth.tight_spot_normal_backlash_mm
        yield Outcome(
            positions=len(assessment.positions),
            stated_mm=nan if stated is None else stated.normal_backlash_mm,
            interval_mm=(nan, nan) if stated is None else stated.interval_mm,
            truth_mm=least_mm,
            named_excess_mm=nan if stated is None else lash[stated.engagement % len(lash)] - least_mm,
            verdict=assessment.verdict.outcome,
            used_s=time.process_time() - began_s,
        )


def with_effect(path: Path, name: str) -> BoxFile:
    """A box on a stand with one imperfection, or with none, or as its file has it."""
    if name == SHIPPED:
        return toml_file.load(path, BoxFile)
    box = load_box(path)
    simulated = type(box.simulated)(**(box.simulated.model_dump() | EFFECTS.get(name, {})))
    return box.model_copy(update={"simulated": simulated})


def one_by_one(box: BoxFile, seeds: int) -> int:
    """Print a line a seed; returns the exit status."""
    print("| seed | positions | stated, µm | 95 %, µm | truth, µm | held | named excess, µm | verdict | s |")
    print("| --: | --: | --: | :-: | --: | :-: | --: | --- | --: |")
    held = named = 0
    for seed, one in enumerate(outcomes(box, seeds), start=1):
        low, high = one.interval_mm
        held, named = held + one.held, named + one.named
        print(
            f"| {seed} | {one.positions} | {1e3 * one.stated_mm:.2f} | {1e3 * low:.2f} to {1e3 * high:.2f} "
            f"| {1e3 * one.truth_mm:.2f} | {'yes' if one.held else 'no'} | {1e3 * one.named_excess_mm:.2f} "
            f"| {one.verdict} | {one.used_s:.1f} |",
            flush=True,
        )
    print(f"\nheld {held} of {seeds}, named {named} of {seeds}")
    return int(held < HELD_AT_LEAST * seeds or named < NAMED_AT_LEAST * seeds)


def table(path: Path, seeds: int) -> int:
    """Print a line for each imperfection; returns 0."""
    print(
        "| stand with | held | named | none stated | stated - truth, µm | its scatter, µm | 95 % wide, µm |"
    )
    print("| --- | --: | --: | --: | --: | --: | --: |")
    for name in (NONE, *EFFECTS, SHIPPED):
        all_of_them = list(outcomes(with_effect(path, name), seeds))
        stated = [one for one in all_of_them if one.stated_mm == one.stated_mm]
        errors_um = [1e3 * (one.stated_mm - one.truth_mm) for one in stated] or [nan]
        widths_um = [1e3 * (one.interval_mm[1] - one.interval_mm[0]) for one in stated] or [nan]
        print(
            f"| {name} | {sum(one.held for one in stated)} of {seeds} | {sum(one.named for one in stated)} "
            f"| {seeds - len(stated)} | {fmean(errors_um):+.2f} | {pstdev(errors_um):.2f} "
            f"| {fmean(widths_um):.2f} |",
            flush=True,
        )
    return 0


def main() -> int:
    """Run the seeds; returns the exit status."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--seeds", type=int, default=20)
    words.add_argument("--box", type=Path, default=DEMO_BOX)
    words.add_argument("--effect", choices=[NONE, *EFFECTS, SHIPPED], default=NONE)
    words.add_argument("--table", action="store_true")
    options = words.parse_args()
    if options.table:
        return table(options.box, options.seeds)
    return one_by_one(with_effect(options.box, options.effect), options.seeds)


if __name__ == "__main__":
    sys.exit(main())
