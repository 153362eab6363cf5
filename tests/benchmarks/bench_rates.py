"""Rocks of the simulated stand at every rate of an indicator: how many are refused, and what as.

Run: ``python tests/benchmarks/bench_rates.py`` (a minute), or with a number of boxes a row. A sound stand,
slower, quicker and eased off its flanks, and one that is leaned on, each with the same motion at every rate.
The truth is the simulated gearbox's; a stand of our own making confirms our own figures only.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.bench_rock import holds
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


def main() -> None:
    """Print the table."""
    boxes = int(sys.argv[1]) if len(sys.argv) > 1 else 4
    print(
        "| stand | rate | rocks | refused | accepted, outside | refused as |\n|---|---:|---:|---:|---:|---|"
    )
    for name, drive, fault in ROWS:
        for rate_hz in RATES_HZ:
            print(row(name, rate_hz, drive, fault, boxes), flush=True)


if __name__ == "__main__":
    main()
