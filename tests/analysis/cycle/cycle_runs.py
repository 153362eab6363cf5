"""Cycle runs for the tests: passes over a pair, and what the program calls the same set."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from analysis.cycle.driven_pair import DrivenPair, Turning, turn
from lashmap_analysis.cycle.passes import CyclePass
from lashmap_analysis.cycle.ties import TiedRock
from lashmap_analysis.gears.gear_set import GearSet

SETTING_MM = 0.0015  # between settings of the tip: nobody tells the analysis
ROCK_MM = 0.0003

Runs = tuple[list[CyclePass], list[CyclePass]]


def gear_set_of(pair: DrivenPair) -> GearSet:
    """The set as the program knows it."""
    return GearSet(
        pinion_teeth=pair.pinion_teeth,
        gear_teeth=pair.gear_teeth,
        outer_module_mm=pair.module_mm,
        face_width_mm=18.0,
        mean_spiral_angle_deg=35.0,
    )


def turned(pair: DrivenPair, *passes: Turning, seed: int = 1) -> Runs:
    """Each of the passes forward and back, one after the other."""
    rng = np.random.default_rng(seed)
    drive: list[CyclePass] = []
    coast: list[CyclePass] = []
    start_s = 0.0
    for how in passes:
        for kept, speed in ((drive, how.speed_deg_per_s), (coast, -how.speed_deg_per_s)):
            kept.append(turn(pair, replace(how, speed_deg_per_s=speed), rng, start_s=start_s))
            start_s = float(kept[-1].pinion_time_s[-1]) + 5.0
    return drive, coast


def rocks_at(pair: DrivenPair, *engagements: int, off_mm: float = 0.0) -> list[TiedRock]:
    """Rocks that read right but for `off_mm`."""
    rocked = pair.rocked_mm
    return [
        TiedRock(engagement=one, transverse_mm=float(rocked[one]) + off_mm, standard_uncertainty_mm=0.0010)
        for one in engagements
    ]


def rocks_of(pair: DrivenPair, count: int, rng: np.random.Generator) -> list[TiedRock]:
    """Rocks at some engagements, the tip set anew for each."""
    truth = pair.rocked_mm
    places = rng.choice(pair.length, count, replace=False)
    return [
        TiedRock(
            engagement=int(place),
            transverse_mm=float(truth[place] + np.hypot(SETTING_MM, ROCK_MM) * rng.standard_normal()),
            standard_uncertainty_mm=ROCK_MM,
        )
        for place in places
    ]
