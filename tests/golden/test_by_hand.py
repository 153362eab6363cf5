"""The golden results worked out again from their own JSON, in formulas written down here and nowhere else.

Sources: ISO 23509:2016 (spiral angle along the face, eq. 193; outer normal backlash), the shim relation of
handbooks (from memory) with the lever of the contact, GUM (JCGM 100:2008, G.4) for Welch-Satterthwaite.
"""

from __future__ import annotations

import json
from math import asin, atan2, cos, inf, radians, sin, sqrt
from pathlib import Path
from typing import Any

import pytest
import scipy.stats

HERE = Path(__file__).resolve().parent
BOXES = ("spiral", "straight", "inch", "mitre")


def result_of(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((HERE / name / "result.json").read_text("utf-8"))
    return found


def spiral_angle(gear_set: dict[str, Any], outer_mm: float, at_mm: float) -> float:
    mean = radians(gear_set["mean_spiral_angle_deg"])
    cutter: float | None = gear_set["cutter_radius_mm"]
    if cutter is None:
        return mean
    face: float = gear_set["face_width_mm"]
    middle = outer_mm - face / 2
    return asin((2 * middle * cutter * sin(mean) - middle**2 + at_mm**2) / (2 * at_mm * cutter))


def by_hand(result: dict[str, Any], reading_mm: float) -> float:
    """Normal backlash at the outer end, at 20 °C and no torque, least within the pitch."""
    gear_set, tip, box = result["gear_set"], result["indicator"], result["conditions"]
    pressure: float = radians(gear_set["normal_pressure_angle_deg"])
    gear_cone = atan2(gear_set["gear_teeth"], gear_set["pinion_teeth"])  # all of these shafts cross square
    radius = gear_set["outer_module_mm"] * gear_set["gear_teeth"] / 2
    outer = radius / sin(gear_cone)
    heel = cos(spiral_angle(gear_set, outer, outer))
    arc: float = reading_mm * cos(radians(tip["lever_deg"] or 0.0))
    if tip["direction"] == "normal":
        at_tip = spiral_angle(gear_set, outer, tip["touch_radius_mm"] / sin(gear_cone))
        arc /= cos(pressure) * cos(at_tip)
    normal: float = arc * radius / tip["touch_radius_mm"] * cos(pressure) * heel
    pressed: float = 1e-3 * (box["compliance_um_per_nm"] or 0.0) * (box["rock_nm"] or 0.0)
    normal -= normal / reading_mm * pressed
    rolled: float = box["roll_variation_mm"] or 0.0
    normal -= rolled / 2
    if box["housing_c"] is None:
        return normal
    apart: float = 1e-6 * (
        box["gears_expansion_um_per_m_k"] * (box["gears_c"] - 20.0)
        - box["housing_expansion_um_per_m_k"] * (box["housing_c"] - 20.0)
    )
    place: float = 0.5 if gear_set["contact_from_toe"] is None else gear_set["contact_from_toe"]
    contact: float = outer - gear_set["face_width_mm"] * (1.0 - place)
    lever: float = outer * heel / (contact * cos(spiral_angle(gear_set, outer, contact)))
    moved: float = box["pinion_distance_mm"] * cos(gear_cone) + box["gear_distance_mm"] * sin(gear_cone)
    opened: float = 2 * sin(pressure) * lever * moved * apart
    return normal + opened


@pytest.mark.parametrize("name", BOXES)
def test_every_reading_gives_its_backlash(name: str) -> None:
    result = result_of(name)
    usable = [one for one in result["positions"] if one["usable"]]
    assert len(usable) >= 4
    for one in usable:
        assert by_hand(result, one["reading_mm"]) == pytest.approx(one["normal_backlash_mm"], abs=1e-9)


@pytest.mark.parametrize("name", BOXES)
def test_the_budget_combines_as_the_gum_says(name: str) -> None:
    budget = result_of(name)["budget"]
    parts = [(one["standard_uncertainty_mm"], one["degrees_of_freedom"] or inf) for one in budget["lines"]]
    combined = sqrt(sum(u**2 for u, _ in parts))
    assert combined == pytest.approx(budget["combined_standard_uncertainty_mm"], rel=1e-12)
    slack = sum(u**4 / freedom for u, freedom in parts)
    freedom = combined**4 / slack if slack else inf
    assert freedom == pytest.approx(budget["degrees_of_freedom"] or inf, rel=1e-9)
    factor = float(scipy.stats.t.ppf(0.975, min(freedom, 1e9)))
    assert budget["coverage_factor"] == pytest.approx(factor, rel=1e-3)  # GUM G.4.1: freedom cut off to whole
    assert budget["expanded_uncertainty_mm"] == pytest.approx(budget["coverage_factor"] * combined, rel=1e-12)
