"""Whole tests whose rocks stop short of a flank: is a wrong interval ever stated with an outcome allowed?

Run: ``python tests/benchmarks/bench_short_stops.py`` (minutes), or with a number of tests a row. One rock
does not show every such stop (`bench_rock.py`); what a person signs for is the test. Boxes come from
`made_record.py`, traces from `rock_motions.py`: invented, and our own model of what a bench does.

A refused rock is repeated, `TRIES` times in all; a position without a rock is left out. Doubts other than
that of scattered stops do not count: what is asked is what stands between such a box and a verdict.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from analysis.made_record import GEAR_SET, INDICATOR, KNOWN, LIMITS, PLAN, PROVEN, Bench
from analysis.rock_motions import drive
from benchmarks.bench_rock import draw_motion, generator
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.record.record import Identity, RockTrace, TestRecord
from lashmap_analysis.rock.rock import measure_rock

if TYPE_CHECKING:
    from collections.abc import Callable

    from analysis.rock_traces import Trace
    from lashmap_analysis.record.conditions import Conditions

TRIES = 4
FEWEST_POSITIONS = 12
PACES = ((1.0, 1000.0), (0.3, 100.0), (0.3, 20.0))
ROWS: tuple[tuple[str, float, float], ...] = (
    ("none", 0.0, 0.0),
    ("even", 0.01, 0.0),
    ("even", 0.02, 0.0),
    ("even", 0.05, 0.0),
    ("even", 0.1, 0.0),
    ("friction", 0.05, 0.1),
    ("hand", 0.05, 0.02),
    ("hand", 0.1, 0.02),
    ("hand", 0.2, 0.02),
    ("fixed", 0.05, 0.0),
)


@dataclass(kw_only=True)
class Tally:
    """What became of the tests of one row."""

    tests: int = 0
    rocks: int = 0
    refused: int = 0
    broken_off: int = 0
    doubted: int = 0
    stated: int = 0
    held: int = 0
    too_small: int = 0
    too_large: int = 0

    def row(self, name: str) -> str:
        """One line of the table."""
        shares = [self.refused / self.rocks]
        shares += [count / self.tests for count in (self.broken_off, self.doubted, self.stated)]
        said = " | ".join(f"{100 * share:.0f} %" for share in shares)
        wrong = " | ".join(f"{100 * count / self.tests:.1f} %" for count in (self.too_small, self.too_large))
        held = f"{100 * self.held / self.stated:.1f} %" if self.stated else "–"
        return f"| {name} | {self.tests} | {said} | {held} | {wrong} |"


def whole_test(
    tally: Tally,
    bench: Bench,
    resolution_mm: float,
    rock: Callable[[float], Trace],
    conditions: Conditions = KNOWN,
) -> TestRecord | None:
    """Rock every position until a rock is accepted; None when too few positions have one.

    Args:
        tally: Where rocks are counted.
        bench: The box.
        resolution_mm: Of the indicator.
        rock: Makes one trace of a given lash, in mm.
        conditions: What the person gave.
    """
    lashes = bench.truth_mm(np.array(PLAN))
    traces: list[RockTrace] = []
    for engagement, lash in zip(PLAN, lashes.tolist(), strict=True):
        for _ in range(TRIES):
            trace = rock(lash)
            tally.rocks += 1
            if measure_rock(trace.time_s, trace.indicator_mm, resolution_mm=resolution_mm).usable:
                traces.append(
                    RockTrace(
                        position=len(traces) + 1,
                        engagement=engagement,
                        purpose="planned",
                        time_s=trace.time_s,
                        indicator_mm=trace.indicator_mm,
                        encoder_time_s=np.zeros(0),
                        encoder_deg=np.zeros(0),
                    )
                )
                break
            tally.refused += 1
    if len(traces) < FEWEST_POSITIONS:
        return None
    return TestRecord(
        identity=Identity(test="t1", box="invented", serial="0001"),
        gear_set=GEAR_SET,
        encoder=None,
        indicator=replace(INDICATOR, resolution_mm=resolution_mm),
        limits=LIMITS,
        preconditions=PROVEN,
        conditions=conditions,
        traces=tuple(traces),
    )


def judge(tally: Tally, record: TestRecord | None, truth_mm: float, *doubts: str) -> None:
    """Count one test: broken off, doubted for one of these reasons, or stated and true or not."""
    tally.tests += 1
    if record is None:
        tally.broken_off += 1
        return
    found = assess(record)
    reasons = found.verdict.reasons
    if found.stated is None or any(doubt in reason for reason in reasons for doubt in doubts):
        tally.doubted += 1
        return
    low, high = found.stated.interval_mm
    tally.stated += 1
    tally.held += low <= truth_mm <= high
    tally.too_small += truth_mm > high
    tally.too_large += truth_mm < low


HEAD = (
    "| tests | rocks refused | broken off | doubted | interval stated | of these true | "
    "stated, all below the truth | all above it |\n|---|" + "---:|" * 8
)


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    print("| stops " + HEAD)
    for stop, share, scatter in ROWS:
        tally = Tally()
        for number in range(count):
            measure(tally, stop, share, scatter, number)
        spread = f", scatter {scatter:.0%}" if scatter else ""
        print(tally.row(f"{stop}, {share:.0%} of the lash{spread}" if share else "none"), flush=True)


def measure(tally: Tally, stop: str, share: float, scatter: float, number: int) -> None:
    """Make one test and judge it."""
    rng = generator("short", stop, share, scatter, number)
    bench = Bench(seed=number, mean_mm=float(rng.uniform(0.08, 0.2)))
    pace, rate = PACES[number % len(PACES)]
    whole = draw_motion(rng, rocks_hz=pace, rate_hz=rate)

    def rock(lash_mm: float) -> Trace:
        motion = replace(whole, lash_mm=lash_mm, reversals=int(rng.integers(8, 17)))
        if share > 0:
            motion = replace(motion, stop=stop, short_mm=share * lash_mm, stop_scatter=scatter)
        return drive(motion, rng)

    record = whole_test(tally, bench, whole.resolution_mm, rock)
    judge(tally, record, bench.tightest()[1], "stopped at scattered places")


if __name__ == "__main__":
    main()
