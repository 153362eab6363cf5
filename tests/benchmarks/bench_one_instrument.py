"""Is the interval true of a stand with an indicator only, and of one with an encoder only?

Run: ``PYTHONPATH=tests python tests/benchmarks/bench_one_instrument.py [seeds [first]]``
    (default 40 seeds of each kind; some 3 s of processor time a test).

The demonstration box as shipped, with all that its simulated stand does wrong, another gearbox by each seed,
measured in virtual time: by a person who counts teeth and reads the indicator's wire (no encoder), by the
encoder on the gear's shaft alone (no indicator), and by both for comparison. Rates are 200 and 100 a second.
The encoder has the counts, and the gear's coupling the faults, of the simulated stand: none of its own, so
that *encoder only* says nothing of a worn coupling. Confirmed by our own model alone.
"""

from __future__ import annotations

import sys
import tempfile
import time
from math import sqrt
from pathlib import Path

import numpy as np
from daemon.virtual_time import DEMO_BOX, VirtualTest
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile

KINDS = ("indicator only", "encoder only", "both")


def tested(kind: str, seed: int) -> tuple[float, float, float, float, float] | None:
    """One box: interval and its low end true, (stated − true) / u, width in µm, whether *conforming*.

    None where the test came to no result.
    """
    box = toml_file.load(DEMO_BOX, BoxFile)
    with tempfile.TemporaryDirectory() as folder:
        counted, by_angle = kind == "indicator only", kind == "encoder only"
        test = VirtualTest(Path(folder), box, seed=seed, counted=counted, by_angle=by_angle)
        test.run()
        assessment = conclude(test.logbook, None)
        test.logbook.close()
    stated = assessment.stated
    if stated is None:
        return None
    low, high = stated.interval_mm
    least = min(test.truth.normal_backlash_mm)
    off = (stated.normal_backlash_mm - least) / ((high - low) / 4.0)
    outcome = assessment.verdict.outcome
    return low <= least <= high, low <= least, off, 1e3 * (high - low), outcome == "conforming"


def main() -> None:
    """Print the table."""
    count, first = (int(one) for one in (*sys.argv[1:], *("40", "1")[len(sys.argv) - 1 :]))
    print(
        "| stand | tests | interval holds the truth | low end true | mean of 2 (stated - true) / U ", end=""
    )
    print("| width µm (median) | conforming |\n|" + "---|" * 7)
    for kind in KINDS:
        began = time.process_time()
        found = [tested(kind, seed) for seed in range(first, first + count)]
        done = np.array([one for one in found if one is not None], dtype=np.float64)
        held, low, off, _, conforming = done.mean(axis=0)
        error = sqrt(max(held * (1.0 - held), 0.25 / len(done)) / len(done))
        print(f"| {kind} | {len(done)} of {count} | {100 * held:.1f} ± {100 * error:.1f} % ", end="")
        print(f"| {100 * low:.1f} % | {off:+.2f} | {np.median(done[:, 3]):.1f} | {100 * conforming:.0f} % |")
        print(f"  {time.process_time() - began:.0f} s", file=sys.stderr, flush=True)


if __name__ == "__main__":
    main()
