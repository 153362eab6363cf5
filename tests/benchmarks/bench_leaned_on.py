"""Whole tests in which every rock is leaned on the same way: what does the stated interval say then?

Run: ``python tests/benchmarks/bench_leaned_on.py`` (minutes), or with a number of tests a row. One rock that
is leaned on a little is within its own interval (`bench_rates.py`); over a test such errors go one way and do
not average out. Boxes come from `made_record.py`, traces from `rock_traces.py`: invented, and our own model
of what a hand does. First the torque is not given, so that its line in the budget is the default one; then a
person says that it was none, which is not true, and the rocks alone stand between that and the interval.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from analysis.made_record import KNOWN, Bench
from analysis.rock_traces import PRESSES, Rock, make
from benchmarks.bench_rock import generator
from benchmarks.bench_short_stops import HEAD, Tally, judge, whole_test

if TYPE_CHECKING:
    from analysis.rock_traces import Trace
    from lashmap_analysis.record.conditions import Conditions

NOT_GIVEN = replace(KNOWN, rock_nm=None, compliance_um_per_nm=None)
# samples a second, time at rest on a flank
PACES = ((1000.0, 0.12), (200.0, 0.2), (80.0, 0.2), (20.0, 0.6))
STEADY = (-0.002, -0.001, 1.0, 1.001)
"""A press that is there from contact to departure: no trace shows it, and it is what a torque does."""
WAYS = {**PRESSES, "from contact to departure": STEADY}
SHARES = (0.002, 0.004, 0.008, 0.015)


def measure(tally: Tally, way: str, share: float, number: int, conditions: Conditions) -> None:
    """Make one test and judge it."""
    rng = generator("leaned", way, share, number)
    bench = Bench(seed=number, mean_mm=float(rng.uniform(0.08, 0.2)))
    rate_hz, dwell_s = PACES[number % len(PACES)]
    whole = Rock(
        lash_mm=0.1,
        resolution_mm=float(rng.choice((0.0001, 0.001))),
        noise_mm=float(rng.choice((0.0001, 0.0003, 0.001))),
        rate_hz=rate_hz,
        dwell_s=dwell_s,
        travel_s=float(rng.uniform(0.02, 0.04)),
        bounce=float(rng.choice((0.02, 0.05, 0.1))),
        press_at=WAYS[way],
    )

    def rock(lash_mm: float) -> Trace:
        # leaned on by a force, so by the same length whatever the lash is
        press = share * bench.mean_mm / lash_mm
        return make(replace(whole, lash_mm=lash_mm, press=press, reversals=int(rng.integers(8, 17))), rng)

    record = whole_test(tally, bench, whole.resolution_mm, rock, conditions)
    judge(tally, record, bench.tightest()[1])


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    rows = [("late", 0.0), *((way, share) for way in WAYS for share in SHARES)]
    for said, conditions in (("torque not given", NOT_GIVEN), ("torque said to be none", KNOWN)):
        print(f"\n| {said}; leaned on, on each flank {HEAD}")
        for way, share in rows:
            tally = Tally()
            for number in range(count):
                measure(tally, way, share, number, conditions)
            print(tally.row(f"{way}, {share:.1%} of the mean lash" if share else "not"), flush=True)


if __name__ == "__main__":
    main()
