"""Rocks of the simulated stand at every rate of an indicator: how many are refused, and what as.

Run: ``python tests/benchmarks/bench_rates.py`` (a minute), or with a number of boxes a row. A sound stand,
slower, quicker and eased off its flanks, and one that is leaned on, each with the same motion at every rate.
The truth is the simulated gearbox's; a stand of our own making confirms our own figures only. Then traces of
`rock_traces.py` that are leaned on in five ways, by more and by less.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from analysis.rock_traces import PRESSES, Rock, make
from benchmarks.bench_rock import generator, holds
from daemon.simulated_boxes import PLAIN_BOX, values
from lashmap_analysis.rock.rock import RockReading, measure_rock
from lashmap_daemon.simulated_stand import Fault, SimulatedDrive, SimulatedInstruments, Stand

RATES_HZ = (25, 40, 50, 80, 100, 125, 160, 200, 250, 300, 333, 400, 500, 800, 1000)
POSITIONS = 6
ROCK_S = 1.3
ROWS: tuple[tuple[str, SimulatedDrive, Fault], ...] = (
    ("sound", SimulatedDrive(), Fault.NONE),
    ("sound, slower across", SimulatedDrive(flank_time_s=0.04), Fault.NONE),
    ("sound, quicker across", SimulatedDrive(flank_time_s=0.012), Fault.NONE),
    ("sound, eased off its flanks", SimulatedDrive(slow_departure=0.3), Fault.NONE),
    ("**faulty**: leaned on", SimulatedDrive(), Fault.HEAVY),
)


def rocks(
    rate_hz: float, drive: SimulatedDrive, fault: Fault, *, seed: int
) -> list[tuple[RockReading, float]]:
    """The readings at some positions of one box, each with its truth."""
    instruments = SimulatedInstruments(indicator_rate_hz=rate_hz, encoder_rate_hz=10.0)
    stand = Stand(PLAIN_BOX, instruments, drive, seed=seed, fault=fault)
    found = []
    for engagement in range(POSITIONS):
        stand.ask(engagement)
        stand.advance(2.0)
        wire = stand.advance(ROCK_S)
        reading = measure_rock(
            wire.indicator_times_s,
            values(wire.indicator_lines),
            resolution_mm=instruments.indicator_resolution_mm,
        )
        found.append((reading, stand.truth.normal_backlash_mm[engagement]))
    return found


def row(name: str, rate_hz: float, drive: SimulatedDrive, fault: Fault, boxes: int) -> str:
    """One line of the table."""
    found = [one for seed in range(boxes) for one in rocks(rate_hz, drive, fault, seed=seed)]
    usable = [(reading, truth) for reading, truth in found if reading.usable]
    outside = sum(not holds(reading, truth) for reading, truth in usable)
    names = Counter(
        flag.name.value
        for reading, _ in found
        for flag in {f.name: f for f in reading.flags if f.disabling}.values()
    )
    said = ", ".join(f"{flag} {count}" for flag, count in names.most_common())
    return f"| {name} | {rate_hz:g} Hz | {len(found)} | {len(found) - len(usable)} | {outside} | {said} |"


PRESS_RATES_HZ = (20, 40, 80, 125, 200, 500, 1000)
PRESS_SHARES = (0.008, 0.03)
ROCKS_A_BOX = 15


def leaned_on(rate_hz: float, press: float, press_at: tuple[float, float, float, float], count: int) -> str:
    """How many rocks of a way to lean on the gear are refused, and how many are accepted and outside."""
    refused = outside = 0
    for number in range(count):
        rng = generator("press", rate_hz, press, press_at, number)
        dwell_s = float(rng.choice((0.3, 0.6) if rate_hz < 80 else (0.1, 0.3)))
        rock = Rock(
            lash_mm=float(rng.uniform(0.05, 0.3)),
            resolution_mm=float(rng.choice((0.0001, 0.001))),
            noise_mm=float(rng.choice((0.0001, 0.0003, 0.001))),
            rate_hz=rate_hz,
            dwell_s=dwell_s,
            travel_s=float(rng.uniform(0.02, 0.04)),
            reversals=int(rng.integers(8, 16)),
            bounce=float(rng.choice((0.02, 0.05, 0.1))),
            press=press,
            press_at=press_at,
        )
        trace = make(rock, rng)
        reading = measure_rock(trace.time_s, trace.indicator_mm, resolution_mm=rock.resolution_mm)
        refused += not reading.usable
        outside += reading.usable and not holds(reading, rock.lash_mm)
    return f"{refused}, {outside}"


def main() -> None:
    """Print the tables."""
    boxes = int(sys.argv[1]) if len(sys.argv) > 1 else 4
    print(
        "| stand | rate | rocks | refused | accepted, outside | refused as |\n|---|---:|---:|---:|---:|---|"
    )
    for name, drive, fault in ROWS:
        for rate_hz in RATES_HZ:
            print(row(name, rate_hz, drive, fault, boxes), flush=True)
    count = ROCKS_A_BOX * boxes
    print(f"\n| of {count}: refused, outside | " + " | ".join(f"{rate} Hz" for rate in PRESS_RATES_HZ) + " |")
    print("|---|" + "---:|" * len(PRESS_RATES_HZ))
    rows = [("not leaned on", 0.0, PRESSES["late"])]
    rows += [
        (f"{way}, {share:.1%} of the lash", share, at)
        for way, at in PRESSES.items()
        for share in PRESS_SHARES
    ]
    for name, press, press_at in rows:
        cells = [leaned_on(rate, press, press_at, count) for rate in PRESS_RATES_HZ]
        print(f"| {name} | " + " | ".join(cells) + " |", flush=True)


if __name__ == "__main__":
    main()
