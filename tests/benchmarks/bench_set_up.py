"""How often the stated interval holds the truth when a box is not what it was taken for.

Monte Carlo after JCGM 101:2008: every row draws boxes, reads them by a model of its own (moment arm on the
sphere, expansion, contact along the face: nothing of the program's conversion), states them with the
program's conversion and budget, and counts. ``python tests/benchmarks/bench_set_up.py [draws]``, 2,000
without a number; the table stands in ``analysis/README.md``.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from math import asin, atan2, cos, hypot, radians, sin

import numpy as np
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.gears.indicator import Indicator
from lashmap_analysis.judge.shims import shift_mm, shift_uncertainty_mm
from lashmap_analysis.record.conditions import Conditions
from lashmap_analysis.uncertainty.backlash import budget
from lashmap_analysis.uncertainty.mesh_state import correction_mm

SPIRAL = GearSet(
    pinion_teeth=13,
    gear_teeth=40,
    outer_module_mm=4.0,
    face_width_mm=25.0,
    mean_spiral_angle_deg=35.0,
    cutter_radius_mm=75.0,
)
MITRE = GearSet(pinion_teeth=20, gear_teeth=20, outer_module_mm=3.5, face_width_mm=15.0)
TIP = Indicator(
    resolution_mm=0.0001,
    touch_radius_mm=1.0,
    touch_radius_uncertainty_mm=0.15,
    angle_uncertainty_deg=1.0,
    calibration_uncertainty_mm=0.0005,
    hysteresis_mm=0.0005,
    height_mm=0.0,
    height_uncertainty_mm=0.0,
)
DISTANCES = {(13, 40): (105.0, 62.4), (20, 20): (58.0, 58.0)}
EVERYTHING = Conditions(
    housing_c=20.0,
    gears_c=20.0,
    temperature_uncertainty_c=0.0,
    housing_expansion_um_per_m_k=11.5,
    rock_nm=0.0,
    compliance_um_per_nm=0.0,
    roll_variation_mm=0.0,
)
REPEATS_MM, FREEDOM = 0.0003, 20.0
PLACES = {"toe": 0.0, "mean": 0.5, "heel": 1.0}


@dataclass(frozen=True, kw_only=True)
class Row:
    """What is wrong with the boxes of a row, and what was recorded of it.

    Attributes:
        name: What is printed.
        gear_set: As recorded.
        height: The tip lies off the pitch cone: nobody knows, or somebody measured it to 0.3 mm.
        warm: Temperatures are anywhere within 5 K of 20 °C: unrecorded, or given to 1 K.
        housing: True coefficient of expansion in µm per metre and kelvin; recorded with the temperatures.
        place: True place of contact.
        rest: Torque and roll phase are what they may be, and nothing is recorded of them.
    """

    name: str
    gear_set: GearSet = field(default=SPIRAL)
    height: str = ""
    warm: str = ""
    housing: float = 11.5
    place: float = 0.5
    rest: bool = False


def rows() -> Iterator[Row]:
    """The rows of the table."""
    for name, gear_set in (("13:40 spiral", SPIRAL), ("20:20 straight", MITRE)):
        seen = replace(gear_set, contact_from_toe=0.5)
        yield Row(name=f"{name}, all as recorded", gear_set=seen)
        for height in ("not given", "measured"):
            yield Row(name=f"{name}, tip off by up to m/2, {height}", gear_set=seen, height=height)
        yield Row(name=f"{name}, ±5 K not given", gear_set=seen, warm="not given")
    for material, figure in (("steel", 11.5), ("aluminium", 23.0)):
        for word, place in PLACES.items():
            for known in ("seen", "not seen"):
                gear_set = replace(SPIRAL, contact_from_toe=place if known == "seen" else None)
                name = f"13:40, ±5 K given to 1 K, {material}, contact at {word}, {known}"
                yield Row(name=name, gear_set=gear_set, warm="given", housing=figure, place=place)
    nothing = Row(name="", height="not given", warm="not given", rest=True)
    for name, gear_set in (("13:40 spiral", SPIRAL), ("20:20 straight", MITRE)):
        yield replace(nothing, name=f"{name}, nothing recorded", gear_set=gear_set)


def spiral_rad(gear_set: GearSet, reach_mm: float) -> float:
    """ISO 23509:2016 eq. 193, written out again."""
    if gear_set.cutter_radius_mm is None:
        return radians(gear_set.mean_spiral_angle_deg)
    mean, cutter = gear_set.mean_cone_distance_mm, gear_set.cutter_radius_mm
    sine = 2 * mean * cutter * sin(radians(gear_set.mean_spiral_angle_deg)) - mean**2 + reach_mm**2
    return asin(sine / (2 * reach_mm * cutter))


def opened_mm(gear_set: GearSet, moves_mm: tuple[float, float], place: float) -> float:
    """Outer normal backlash that moves of pinion and gear open where the flanks touch."""
    outer = gear_set.outer_module_mm / 2 * hypot(gear_set.pinion_teeth, gear_set.gear_teeth)
    reach = outer - gear_set.face_width_mm * (1 - place)
    delta = atan2(gear_set.pinion_teeth, gear_set.gear_teeth)
    gap = 2 * sin(radians(20)) * (moves_mm[0] * sin(delta) + moves_mm[1] * cos(delta))
    turn = gap / (reach * cos(spiral_rad(gear_set, reach)))
    return turn * outer * cos(spiral_rad(gear_set, outer))


def draw(row: Row, rng: np.random.Generator) -> tuple[bool, float]:
    """One box: whether the stated interval holds the truth, and its width in mm."""
    gear_set, conditions = row.gear_set, EVERYTHING
    teeth = (gear_set.pinion_teeth, gear_set.gear_teeth)
    truth = rng.uniform(0.10, 0.18)
    rocked = truth
    pinion, gear = DISTANCES[teeth]
    conditions = replace(conditions, pinion_distance_mm=pinion, gear_distance_mm=gear)
    if row.warm:
        housing = rng.uniform(-5, 5)
        gears = housing + rng.uniform(-2, 2)
        moved = 1e-6 * (row.housing * housing - 11.5 * gears)
        rocked += opened_mm(gear_set, (moved * pinion, moved * gear), row.place)
        given = row.warm == "given"
        conditions = replace(
            conditions,
            housing_c=20 + housing + rng.normal(0, 1) if given else None,
            gears_c=20 + gears + rng.normal(0, 1) if given else None,
            temperature_uncertainty_c=1.0,
            housing_expansion_um_per_m_k=row.housing if given else None,
        )
    if row.rest:
        rocked += rng.uniform(0, 0.001) + rng.uniform(0, 1) * rng.uniform(0.001, 0.003)
        conditions = replace(conditions, rock_nm=None, compliance_um_per_nm=None, roll_variation_mm=None)
    # The tip's foot at 0.9 of the way from toe to heel, its radius known to 0.15 mm.
    outer = gear_set.outer_cone_distance_mm
    foot, height = outer - 0.1 * gear_set.face_width_mm, 0.0
    if row.height:
        height = rng.uniform(-0.5, 0.5) * gear_set.outer_module_mm
    delta = gear_set.gear_pitch_angle_rad
    reach = hypot(foot, height)
    arm = reach * sin(delta) * cos(radians(20)) * cos(spiral_rad(gear_set, foot))
    turn = rocked / (outer * sin(delta) * cos(radians(20)) * cos(spiral_rad(gear_set, outer)))
    reading = turn * arm + rng.normal(0, 0.00025) - rng.uniform(0, 0.0005) + rng.normal(0, REPEATS_MM)
    tip = replace(TIP, touch_radius_mm=foot * sin(delta) + height * cos(delta) + rng.normal(0, 0.15))
    if row.height:
        measured = row.height == "measured"
        tip = replace(
            tip,
            height_mm=height + rng.normal(0, 0.3) if measured else None,
            height_uncertainty_mm=0.3 if measured else None,
        )
    value = tip.to_normal_backlash(gear_set, reading) + correction_mm(gear_set, tip, conditions)
    total = budget(
        gear_set=gear_set,
        indicator=tip,
        conditions=conditions,
        normal_backlash_mm=value,
        random_standard_uncertainty_mm=REPEATS_MM,
        random_degrees_of_freedom=FREEDOM,
    )
    return abs(value - truth) <= total.expanded_mm, 2 * total.expanded_mm


def shim_row(
    gear_set: GearSet, place: float, draws: int, rng: np.random.Generator
) -> tuple[float, float, float]:
    """A gear moved by 0.1 mm: share of predictions that hold, prediction, and its mean half width, in µm."""
    held, half = 0, 0.0
    move = np.array([0.1])
    stated = float(shift_mm(gear_set, move, np.zeros(1))[0])
    for _ in range(draws):
        # The roll of the pair adds or takes (π m / 2) cos α cos β_e cos δ2 / R_c of the move.
        outer = gear_set.outer_cone_distance_mm
        reach = outer - gear_set.face_width_mm * (1 - place)
        roll = np.pi * gear_set.outer_module_mm / 2 * cos(radians(20)) * cos(spiral_rad(gear_set, outer))
        roll *= cos(gear_set.gear_pitch_angle_rad) / reach
        true = opened_mm(gear_set, (0.0, 0.1), place) + 0.1 * roll * sin(rng.uniform(0, 2 * np.pi))
        true += rng.normal(0, 0.002) * 2 * sin(radians(20)) * sin(gear_set.gear_pitch_angle_rad)
        u = float(shift_uncertainty_mm(gear_set, (move, np.zeros(1)), (np.array([0.002]), np.zeros(1)))[0])
        held += abs(true - stated) <= 1.96 * u
        half += 1.96 * u / draws
    return held / draws, 1e3 * stated, 1e3 * half


def main() -> None:
    """Print the tables."""
    draws = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    print("| boxes | holds the truth | width µm |\n|---|---|---|")
    for number, row in enumerate(rows()):
        rng = np.random.default_rng([11, number])
        seen = [draw(row, rng) for _ in range(draws)]
        held = 100 * sum(one for one, _ in seen) / draws
        width = 1e3 * sum(size for _, size in seen) / draws
        print(f"| {row.name} | {held:.1f} % | {width:.1f} |")
    print("\n| gear moved out by 0.1 mm, 13:40 | holds | predicted µm | ± µm |\n|---|---|---|---|")
    for word, place in PLACES.items():
        for known in ("seen", "not seen"):
            gear_set = replace(SPIRAL, contact_from_toe=place if known == "seen" else None)
            held, stated, half = shim_row(gear_set, place, draws, np.random.default_rng(5))
            print(f"| contact at {word}, {known} | {100 * held:.1f} % | {stated:.1f} | {half:.1f} |")


if __name__ == "__main__":
    main()
