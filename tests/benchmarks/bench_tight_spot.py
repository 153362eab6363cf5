"""Is the stated tight spot true? The demonstration box over many seeds, in virtual time, without a screen.

Run with the folder ``tests`` on the path, as the Makefile does. Prints a line a seed and fails when the bars
are missed: the 95 % interval holds the true least backlash in at least 18 of 20, and the named engagement is
the true one, or truly within 2 µm of it, in at least 19 of 20.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from daemon.virtual_time import DEMO_BOX, VirtualTest, load_box
from lashmap_daemon.replay.conclude import conclude

CLOSE_MM = 0.002
HELD_AT_LEAST = 0.90
NAMED_AT_LEAST = 0.95


def main() -> int:
    """Run the seeds; returns the exit status."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--seeds", type=int, default=20)
    words.add_argument("--box", type=Path, default=DEMO_BOX)
    options = words.parse_args()
    print("| seed | positions | stated, µm | 95 %, µm | truth, µm | held | named excess, µm | verdict | s |")
    print("| --: | --: | --: | :-: | --: | :-: | --: | --- | --: |")
    held = named = 0
    for seed in range(1, options.seeds + 1):
        began_s = time.process_time()
        with tempfile.TemporaryDirectory() as folder:
            test = VirtualTest(Path(folder), load_box(options.box), seed=seed)
            test.run()
            assessment = conclude(test.logbook, None)
            test.logbook.close()
        truth, stated = test.truth, assessment.stated
        if stated is None:
            print(
                f"| {seed} | {len(assessment.positions)} | none | | | no | | {assessment.verdict.outcome} | |"
            )
            continue
        low, high = stated.interval_mm
        least = truth.tight_spot_normal_backlash_mm
        holds = low <= least <= high
        there = truth.normal_backlash_mm[stated.engagement % len(truth.normal_backlash_mm)]
        held += holds
        named += there - least <= CLOSE_MM
        print(
            f"| {seed} | {len(assessment.positions)} | {1e3 * stated.normal_backlash_mm:.2f} "
            f"| {1e3 * low:.2f} to {1e3 * high:.2f} | {1e3 * least:.2f} | {'yes' if holds else 'no'} "
            f"| {1e3 * (there - least):.2f} | {assessment.verdict.outcome} "
            f"| {time.process_time() - began_s:.1f} |",
            flush=True,
        )
    print(f"\nheld {held} of {options.seeds}, named {named} of {options.seeds}")
    return int(held < HELD_AT_LEAST * options.seeds or named < NAMED_AT_LEAST * options.seeds)


if __name__ == "__main__":
    sys.exit(main())
