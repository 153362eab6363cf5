"""Time at the stand until a verdict is proven: rocks alone, a cycle run, and both, on the same boxes.

Whole tests in virtual time on the simulated stand, whose technician turns, rocks and makes the passes; boxes
as shipped but for the seed, which draws their errors. What a person does before the box turns and after it
(brake on and off, tip away and back, cautions, lock-out) takes no time here, nor do reading and walking.
``PYTHONPATH=tests python tests/benchmarks/bench_cycle_stand.py [boxes]``, 5 of each gear set without a
number; the table stands in the ``README.md`` of the root.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
from daemon.simulated_boxes import COARSE
from daemon.virtual_time import CONFIGS, VirtualTest
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.simulated_stand import SimulatedDrive
from lashmap_daemon.story.method import Method

BOXES = (("spiral-13x40", 0.0), ("spiral-15x45-inch", 0.0), ("spiral-13x40", 0.05))
"""Box, and the metal too much on one gear tooth, drawn from the seed."""
LATCHED = replace(COARSE, encoders="latched", encoder_rate_hz=1000.0, encoder_counts_per_turn=20_000)
DRIVE = SimulatedDrive(pass_deg_per_s=360.0, second_pass_deg_per_s=240.0)
METHODS: tuple[Method, ...] = ("rock", "cycle", "both")
MOST_S = 3600.0


def row(name: str, bad_tooth_mm: float, method: Method, boxes: int) -> str:
    """One line of the table."""
    shipped = toml_file.load(CONFIGS / "boxes" / f"{name}.toml", BoxFile)
    simulated = shipped.simulated.model_copy(update={"bad_tooth_mm": bad_tooth_mm})
    box = shipped.model_copy(update={"simulated": simulated})
    minutes, widths, held, outcomes = [], [], 0, Counter[str]()
    for seed in range(1, boxes + 1):
        with tempfile.TemporaryDirectory() as folder:
            test = VirtualTest(Path(folder), box, seed=seed, instruments=LATCHED, drive=DRIVE, method=method)
            test.run(MOST_S)
            found = conclude(test.logbook, test.started.test)
        outcomes[found.verdict.outcome] += 1
        minutes.append(test.now_s / 60.0)
        if found.stated is None:
            continue
        low, high = found.stated.interval_mm
        widths.append(1e3 * (high - low))
        held += low <= min(test.truth.normal_backlash_mm) <= high
    took = f"{np.median(minutes):.1f} ({min(minutes):.1f} to {max(minutes):.1f})"
    shares = ", ".join(f"{outcome} {count}" for outcome, count in sorted(outcomes.items()))
    return (
        f"| {name}, {1e3 * bad_tooth_mm:.0f} | {method} | {took} | "
        f"{np.median(widths):.1f} | {held} of {boxes} | {shares} |"
    )


def main() -> None:
    """Print the table."""
    boxes = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    print("| box, bad tooth µm | method | minutes, median | interval µm, median | least held | outcomes |")
    print("|---|---|---|---|---|---|")
    for name, bad_tooth_mm in BOXES:
        for method in METHODS:
            print(row(name, bad_tooth_mm, method, boxes), flush=True)


if __name__ == "__main__":
    main()
