"""How well the interval of a whole test with a cycle run holds the truth, from raw angles to the verdict.

Pairs are turned and rocked by brute force (`analysis/cycle/cycle_records.py`). ``PYTHONPATH=tests python
tests/benchmarks/bench_cycle_verdict.py [runs]``, 60 runs a row without a number; the table stands in
``analysis/README.md``.
"""

from __future__ import annotations

import sys
from collections import Counter

import numpy as np
from analysis.cycle.cycle_records import SPREAD, CycleBench
from analysis.cycle.driven_pair import ordinary_pair
from lashmap_analysis.judge.assess import assess


def row(runs: int, setting_mm: float, places: tuple[int, ...]) -> str:
    """One line of the table: the confirming rock is one more than the places."""
    held = confirmed = contradicted = 0
    widths, outcomes = [], Counter[str]()
    for seed in range(runs):
        pair = ordinary_pair((13, 40), np.random.default_rng(1000 + seed))
        box = CycleBench(pair=pair, seed=seed, setting_mm=setting_mm)
        found = assess(box.record(plan=places))
        outcomes[found.verdict.outcome] += 1
        if found.stated is None or found.cycle_run is None:
            continue
        low, high = found.stated.interval_mm
        held += low <= box.least_mm <= high
        confirmed += found.confirmed
        contradicted += bool(found.cycle_run.disagree)
        widths.append(1e3 * (high - low))
    shares = ", ".join(f"{name} {count}" for name, count in sorted(outcomes.items()))
    return (
        f"| {1e3 * setting_mm:.1f} | {len(places) + 1} | {held} of {runs} | {np.median(widths):.2f} | "
        f"{confirmed} | {contradicted} | {shares} |"
    )


def main() -> None:
    """Print the table."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    print("| scatter µm | rocks | least held | interval µm, median | confirmed | contradicted | outcomes |")
    print("|---|---|---|---|---|---|---|")
    for setting_mm in (0.0003, 0.0015, 0.003):
        for places in (SPREAD[1:3], SPREAD):
            print(row(runs, setting_mm, places), flush=True)


if __name__ == "__main__":
    main()
