"""What becomes of a gear that a thick tooth throws off its flank: held, not settled, refused, or wrong.

Two tables. *Own*: pairs of `analysis/cycle/driven_pair.py` whose gear falls back at a constant rate and lands
without a rebound; tooth, member, rate and speeds are drawn anew for every run (where both flanks are thick,
half of it is on a flank of one tooth, half on the other flank of another). *Stand*: whole passes of the
simulated stand over its 13:40 box, latched, at fixed speeds.
``PYTHONPATH=tests python tests/benchmarks/bench_cycle_thrown.py [own runs] [stand boxes] [first seed]``, 12
runs and no box without numbers; ``analysis/README.md`` says how many its table is of.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from analysis.cycle.cycle_runs import gear_set_of, rocks_at, turned
from analysis.cycle.driven_pair import DrivenPair, Turning, ordinary_pair
from daemon.simulated_boxes import COARSE
from daemon.virtual_time import CONFIGS
from lashmap_analysis.cycle.checks import CycleFlagName
from lashmap_analysis.cycle.cycle import CycleFit, fit_cycle
from lashmap_analysis.cycle.passes import CyclePass
from lashmap_analysis.cycle.ties import TiedRock
from lashmap_daemon.commands.simulate import simulated_box, simulated_stand
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.simulated_stand import SimulatedDrive
from lashmap_daemon.simulated_stand.mesh import Mesh
from lashmap_daemon.simulated_stand.passes import PassOrder
from numpy.typing import NDArray

Floats = NDArray[np.float64]

TEETH_UM = (0, 20, 35, 50, 65, 80)
SPEEDS = ((360.0, 240.0), (300.0, 200.0), (240.0, 160.0), (150.0, 100.0), (360.0, 180.0))
WORDS = ("held", "held, not settled", "missed, not settled", "missed", "refused")
ROCKED = (5, 130, 260, 390, 500)
STAND_SPEEDS = ((360.0, 240.0), (240.0, 160.0), (150.0, 100.0))
LATCHED = replace(COARSE, encoders="latched", encoder_rate_hz=1000.0, encoder_counts_per_turn=20_000)


def flying(pair: DrivenPair, falls_mm_per_s2: float) -> Callable[[Floats, Floats, Floats], Floats]:
    """The gear under its brake: pushed and never pulled, and stopped by the other flank of that place."""

    def flies(time: Floats, place: Floats, advance: Floats) -> Floats:
        way = 1.0 if place[-1] > place[0] else -1.0
        falls = falls_mm_per_s2 * float(time[1] - time[0]) ** 2
        at = before = float(way * advance[0])
        ahead = []
        for pushed, room in zip((way * advance).tolist(), pair.lash(place).tolist(), strict=True):
            at, before = min(max(2 * at - before - falls, pushed), pushed + room), at
            ahead.append(at)
        return way * np.array(ahead)

    return flies


def word_of(fit: CycleFit, least_mm: float) -> tuple[str, float]:
    """What became of it, and how much too low the least is, µm."""
    if fit.tight_spot is None:
        return "refused", 0.0
    spot = fit.tight_spot
    held = spot.low_mm <= least_mm <= spot.high_mm
    named = any(flag.name is CycleFlagName.THROWN for flag in fit.flags)
    word = "held" if held else "missed"
    return f"{word}, not settled" if named else word, 1e3 * (least_mm - spot.backlash_mm)


def own_run(seed: int) -> tuple[str, str, float]:
    """Row, word and how much too low."""
    rng = np.random.default_rng([seed, 61])
    tooth_um, speeds = int(rng.choice(TEETH_UM)), SPEEDS[int(rng.integers(len(SPEEDS)))]
    pair = ordinary_pair(
        (13, 40),
        rng,
        runout_um=float(rng.uniform(3.0, 15.0)),
        tooth_um=float(rng.uniform(0.5, 3.0)),
        relief_mm=float(rng.uniform(0.001, 0.006)),
        wave=(float(rng.choice([0.0, 0.0005, 0.001])), 3.0),
    )
    member = int(rng.random() < 0.25)
    sides = ((0,), (1,), (0, 1))[int(rng.integers(3))]
    for side in sides:
        pair.errors_mm[side + 2 * member][int(rng.integers(13))] += 1e-3 * tooth_um / len(sides)
    throws = flying(pair, float(10 ** rng.uniform(3.3, 5.0)))
    passes = [Turning(speed_deg_per_s=speed, disturb=throws) for speed in speeds]
    fit = fit_cycle(gear_set_of(pair), *turned(pair, *passes, seed=seed), rocks=rocks_at(pair, *ROCKED))
    per = fit.gear_set.normal_per_transverse
    return f"own, {tooth_um}", *word_of(fit, per * pair.least_mm[0])


def stand_run(box: BoxFile, speeds: tuple[float, float], seed: int) -> tuple[str, float]:
    """Word and how much too low, of four passes of the simulated stand and five rocks that read right."""
    drive = SimulatedDrive(pass_deg_per_s=speeds[0], second_pass_deg_per_s=speeds[1])
    stand, simulated = simulated_stand(box, LATCHED, drive, seed=seed), simulated_box(box)
    gear_set = box.gear_set.gear_set()
    sides: tuple[list[CyclePass], list[CyclePass]] = ([], [])
    for number in range(1, 5):
        way = "forward" if number % 2 else "back"
        stand.make_pass(
            PassOrder(number=number, direction=way, engagements=gear_set.mesh_cycle + 4)  # type: ignore[arg-type]
        )
        times: list[float] = []
        counts: list[list[float]] = []
        while not stand.pass_is_over:
            window = stand.advance(1.0)
            times += window.encoder_times_s
            counts += [[float(one) for one in line.split(b",")] for line in window.encoder_lines]
        deg = np.array(counts) * 360.0 / LATCHED.encoder_counts_per_turn
        time_s = np.array(times)
        sides[(number - 1) % 2].append(
            CyclePass(
                pinion_time_s=time_s,
                pinion_deg=deg[:, 1] - simulated.matched_teeth_pinion_deg,
                gear_time_s=time_s,
                gear_deg=deg[:, 0] - simulated.matched_teeth_encoder_deg,
            )
        )
    mesh, per = Mesh(simulated, seed=seed), gear_set.normal_per_transverse
    rocks = [
        TiedRock(
            engagement=one,
            transverse_mm=mesh.normal_backlash_mm(one) / per,
            standard_uncertainty_mm=0.0005,
        )
        for one in ROCKED
    ]
    return word_of(fit_cycle(gear_set, *sides, rocks=rocks), min(stand.truth.normal_backlash_mm))


def table(counts: dict[str, Counter[str]], most_low: dict[str, float]) -> str:
    """One line for each row so far."""
    lines = [
        f"| too thick, µm | runs | {' | '.join(WORDS)} | too low by up to, µm | the same, unsaid |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for row in sorted(counts):
        seen = counts[row]
        figures = " | ".join(str(seen[word]) for word in WORDS)
        unsaid = max(most_low[f"{row}/{word}"] for word in ("held", "missed"))
        every = max(most_low[f"{row}/{word}"] for word in WORDS)
        lines.append(f"| {row} | {seen.total()} | {figures} | {every:.1f} | {unsaid:.1f} |")
    return "\n".join(lines)


def main() -> None:
    """Print what missed unsaid, and the table."""
    own, boxes, first = (
        int(sys.argv[at]) if len(sys.argv) > at else default for at, default in ((1, 12), (2, 0), (3, 0))
    )
    counts: dict[str, Counter[str]] = {}
    most_low: dict[str, float] = Counter()  # type: ignore[assignment]  # nought where nothing was seen

    def count(row: str, word: str, low_um: float, seed: int) -> None:
        counts.setdefault(row, Counter())[word] += 1
        most_low[f"{row}/{word}"] = max(most_low[f"{row}/{word}"], low_um)
        if word == "missed":
            print(f"{row}, seed {seed}: {low_um:+.2f} µm too low", flush=True)

    for seed in range(first, first + own):
        count(*own_run(seed), seed)
    shipped = toml_file.load(CONFIGS / "boxes" / "spiral-13x40.toml", BoxFile)
    for seed in range(first + 1, first + boxes + 1):
        for tooth_um in TEETH_UM:
            for speeds in STAND_SPEEDS:
                thick = shipped.simulated.model_copy(update={"bad_tooth_mm": 1e-3 * tooth_um})
                box = shipped.model_copy(update={"simulated": thick})
                count(
                    f"stand, {tooth_um}, {speeds[0]:.0f}/{speeds[1]:.0f}", *stand_run(box, speeds, seed), seed
                )
    print(table(counts, most_low))


if __name__ == "__main__":
    main()
