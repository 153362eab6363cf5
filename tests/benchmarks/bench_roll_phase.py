"""What three phases of the roll at the tight spot are worth: the interval with and without them.

Run: ``PYTHONPATH=tests python tests/benchmarks/bench_roll_phase.py [seeds]`` (default 60 a row).

Whole tests in virtual time of the demonstration box on a simulated stand without other errors than those of
the row, and nobody recorded how the play varies within a pitch. Each test is judged as it was recorded, and
once more without its two rocks a third of a pitch away. The stand rolls by a model of its own (parabolas with
cusps on each flank, undulation), where in its pitch the whole engagements stand is drawn by the seed.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from statistics import fmean, median
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from daemon.virtual_time import VirtualTest, load_box
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.record.record import ROLLED, TestRecord
from lashmap_analysis.uncertainty.mesh_state import ROLL
from lashmap_daemon.replay.conclude import conclude

# The gear's axial place from position to position: 0.65 of it is scatter of the normal backlash here.
SEATING_MM = {0.2: 0.0003, 0.5: 0.0008, 1.5: 0.0023, 3.0: 0.0046}
ROWS: tuple[tuple[str, float, dict[str, Any]], ...] = (
    ("crowning 0.5 µm", 0.2, {"roll_crowning_mm": 0.0005}),
    ("crowning 1 µm", 0.2, {"roll_crowning_mm": 0.001}),
    ("crowning 2 µm", 0.2, {"roll_crowning_mm": 0.002}),
    ("crowning 4 µm", 0.2, {"roll_crowning_mm": 0.004}),
    ("crowning 2 µm", 0.5, {"roll_crowning_mm": 0.002}),
    ("crowning 2 µm", 1.5, {"roll_crowning_mm": 0.002}),
    ("crowning 2 µm", 3.0, {"roll_crowning_mm": 0.002}),
    (
        "crowning 2 µm, coast flanks 0.3 of a pitch apart",
        0.5,
        {"roll_crowning_mm": 0.002, "coast_roll_phase": 0.3},
    ),
    ("crowning 2 µm, undulation of 0.3 µm", 0.5, {"roll_crowning_mm": 0.002, "profile_ripple_mm": 0.0003}),
    ("crowning 2 µm, placed to 0.5°", 0.5, {"roll_crowning_mm": 0.002, "position_error_deg": 0.5}),
)
_FORMS = (".1f", "+.2f", ".2f", ".2f")


def judged(record: TestRecord, truth_mm: float) -> tuple[bool, float, float, float]:
    """Whether the interval holds the truth; its width, the error and the roll's uncertainty, µm."""
    found = assess(record)
    if found.stated is None or found.budget is None:
        return False, float("inf"), float("nan"), float("nan")
    low, high = found.stated.interval_mm
    roll = next(line for line in found.budget.lines if line.quantity == ROLL)
    off = found.stated.normal_backlash_mm - truth_mm
    return low <= truth_mm <= high, 1e3 * (high - low), 1e3 * off, 1e3 * roll.standard_uncertainty_mm


def tested(seed: int, scatter_um: float, errors: dict[str, Any]) -> list[tuple[bool, float, float, float]]:
    """One test, judged without and with the rocks at other phases."""
    box = load_box(positions=20, gear_turns=13.0, confirming_positions=2, repeats=3, roll_phases=3)
    update = {**errors, "gear_seating_mm": SEATING_MM[scatter_um]}
    box = box.model_copy(
        update={
            "simulated": box.simulated.model_copy(update=update),
            "contact": box.contact.model_copy(update={"roll_variation_mm": None}),
        }
    )
    with tempfile.TemporaryDirectory() as folder:
        test = VirtualTest(Path(folder), box, seed=seed)
        test.run(most_s=600.0)
        record = conclude(test.logbook, None).record
        test.logbook.close()
    whole = tuple(one for one in record.traces if one.purpose not in ROLLED)
    truth_mm = test.truth.tight_spot_normal_backlash_mm
    return [judged(one, truth_mm) for one in (replace(record, traces=whole), record)]


def main() -> None:
    """Print the table, a row as soon as it is done."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    print("| within a pitch | scatter between settings µm | holds the truth: without, with ", end="")
    print("| width µm, median | mean error µm | rms error µm | u of the roll µm, median |")
    print("|---" * 7 + "|")
    for name, scatter_um, errors in ROWS:
        pairs = [tested(seed, scatter_um, errors) for seed in range(1, seeds + 1)]
        cells = []
        for one in zip(*pairs, strict=True):
            held, width, off, roll = zip(*one, strict=True)
            rms = fmean(value * value for value in off) ** 0.5
            figures = (median(width), fmean(off), rms, median(roll))
            cells.append(
                (str(sum(held)), *(f"{one:{form}}" for one, form in zip(figures, _FORMS, strict=True)))
            )
        both = " | ".join(", ".join(pair) for pair in zip(*cells, strict=True))
        print(f"| {name} | {scatter_um} | {both} |", flush=True)


if __name__ == "__main__":
    main()
