"""The budget against the GUM, against automatic propagation and against simulation."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.gears.indicator import Direction, Indicator
from lashmap_analysis.uncertainty.backlash import budget
from lashmap_analysis.uncertainty.budget import (
    Budget,
    BudgetLine,
    combine,
    coverage_factor,
    degrees_of_freedom_of,
)
from lashmap_analysis.uncertainty.set_up import (
    SPIRAL,
    against_angle_mm,
    set_up_lines,
    spiral_relative_half_width,
    tilt_relative_uncertainty,
)
from uncertainties import ufloat, umath

GEAR_SET = GearSet(
    pinion_teeth=13,
    gear_teeth=40,
    outer_module_mm=4.0,
    face_width_mm=25.0,
    mean_spiral_angle_deg=35.0,
    cutter_radius_mm=75.0,
)
NO_CUTTER = replace(GEAR_SET, cutter_radius_mm=None)
INDICATOR = Indicator(
    resolution_mm=0.001,
    touch_radius_mm=74.0,
    off_normal_deg=12.0,
    lever_deg=18.0,
    touch_radius_uncertainty_mm=0.3,
    angle_uncertainty_deg=0.5,
    calibration_uncertainty_mm=0.0012,
)
SIZE_MM = 0.16


def line(standard_uncertainty: float, degrees_of_freedom: float) -> BudgetLine:
    return BudgetLine(
        quantity="x",
        value="",
        distribution="normal",
        standard_uncertainty_mm=standard_uncertainty,
        degrees_of_freedom=degrees_of_freedom,
        source="test",
    )


def by_name(total: Budget, quantity: str) -> BudgetLine:
    return next(one for one in total.lines if one.quantity == quantity)


def test_gum_annex_h1_end_gauge() -> None:
    # JCGM 100:2008 annex H.1, table H.1 and H.1.6 (nm): u_c = 32, ν_eff = 16 after rounding down,
    # t99(16) = 2.92, U99 = 93.
    total = combine(line(u, nu) for u, nu in [(25, 18), (5.8, 24), (3.9, 5), (6.7, 8), (2.9, 50), (16.6, 2)])
    assert round(total.combined_mm) == 32
    assert math.floor(total.degrees_of_freedom) == 16
    assert round(coverage_factor(16, 0.99), 2) == 2.92
    assert round(coverage_factor(total.degrees_of_freedom, 0.99) * 32) == 93


def test_ea_4_02_s4_gauge_block() -> None:
    # EA-4/02 supplement S4, a gauge block of 50 mm (nm; from memory): standard, drift, comparator, repeats,
    # difference of temperatures, expansion, place of the probes: u = 36.4, U = 73 with k = 2.
    total = combine(line(u, math.inf) for u in (15.0, 17.3, 18.5, 5.37, 16.6, 11.8, 3.87))
    assert round(total.combined_mm, 1) == 36.4
    assert round(2 * total.combined_mm) == 73


@pytest.mark.parametrize(
    ("widest", "combined", "by_the_budget", "by_simulation"),
    [
        # JCGM 101:2008, 9.2.3 and 9.2.4 (from memory): the sum of four rectangular inputs.
        (1.0, 2.0, 3.92, 3.88),
        (10.0, 10.1, 19.9, 17.0),  # one of them rules: the budget is then on the safe side
    ],
)
def test_jcgm_101_additive_models(
    widest: float, combined: float, by_the_budget: float, by_simulation: float
) -> None:
    scales = np.array([1.0, 1.0, 1.0, widest])
    total = combine(line(scale, math.inf) for scale in scales)
    assert total.combined_mm == pytest.approx(combined, abs=0.06)
    assert total.expanded_mm == pytest.approx(by_the_budget, abs=0.06)
    drawn = np.random.default_rng(101).uniform(-1.0, 1.0, (400_000, 4)) * math.sqrt(3.0) @ scales
    half = float(np.diff(np.quantile(drawn, [0.025, 0.975]))[0]) / 2.0
    assert half == pytest.approx(by_simulation, abs=0.06)
    assert half <= total.expanded_mm


@pytest.mark.parametrize(
    ("degrees_of_freedom", "factor"),
    [(1, 12.71), (2, 4.30), (3, 3.18), (5, 2.57), (10, 2.23), (20, 2.09), (50, 2.01), (math.inf, 1.96)],
)
def test_coverage_factors_are_those_of_gum_table_g2(degrees_of_freedom: float, factor: float) -> None:
    # JCGM 100:2008 table G.2, column 95 %.
    assert round(coverage_factor(degrees_of_freedom), 2) == factor


@given(st.floats(1, 500))
def test_degrees_of_freedom_invert_the_coverage_factor(degrees_of_freedom: float) -> None:
    factor = float(scipy.stats.t.ppf(0.975, degrees_of_freedom))
    assert math.isclose(coverage_factor(degrees_of_freedom), factor, rel_tol=1e-9)
    assert math.isclose(degrees_of_freedom_of(factor), degrees_of_freedom, rel_tol=1e-4)


def test_degrees_of_freedom_stay_within_students_t() -> None:
    assert degrees_of_freedom_of(1.5) == math.inf
    assert degrees_of_freedom_of(40.0) == 1.0


@given(st.lists(st.tuples(st.floats(1e-6, 1), st.floats(1, 1e6)), min_size=1, max_size=6))
def test_effective_degrees_of_freedom_lie_between_the_least_and_the_sum(
    parts: list[tuple[float, float]],
) -> None:
    # GUM G.4.1, note: ν_eff is at most the sum of the ν_i.
    total = combine(line(u, nu) for u, nu in parts)
    freedoms = [nu for _, nu in parts]
    assert min(freedoms) * (1 - 1e-9) <= total.degrees_of_freedom <= sum(freedoms) * (1 + 1e-9)
    assert math.isclose(total.combined_mm, math.hypot(*(u for u, _ in parts)), rel_tol=1e-9)


@pytest.mark.parametrize(("uncertainty", "freedom"), [(-1e-9, 5), (math.nan, 5), (1.0, 0), (1.0, math.nan)])
def test_impossible_lines_are_refused(uncertainty: float, freedom: float) -> None:
    with pytest.raises(ValueError, match="x: expected"):
        combine([line(uncertainty, freedom)])


def propagated(gear_set: GearSet, indicator: Indicator, free: str) -> float:
    """Standard uncertainty of j_en with one input free, by the uncertainties package."""
    reading = SIZE_MM / indicator.normal_per_reading(gear_set)
    angle_u = math.radians(indicator.angle_uncertainty_deg)
    values = {
        "touch radius": (indicator.touch_radius_mm, indicator.touch_radius_uncertainty_mm),
        "indicator direction": (math.radians(indicator.off_normal_deg), angle_u),
        "lever inclination": (math.radians(indicator.lever_deg or 0.0), angle_u),
        "indicator calibration": (reading, (indicator.calibration_uncertainty_mm or 0.0) / 2),
    }
    given_as: dict[str, Any] = {name: ufloat(x, u) if name == free else x for name, (x, u) in values.items()}
    radius = given_as["touch radius"]
    # ISO 23509:2016 eq. 193 written out again, on uncertain numbers.
    distance = radius / math.sin(gear_set.gear_pitch_angle_rad)
    mean, cutter = gear_set.mean_cone_distance_mm, gear_set.cutter_radius_mm
    spiral: Any = math.radians(gear_set.mean_spiral_angle_deg)
    if cutter is not None:
        sine = 2 * mean * cutter * umath.sin(spiral) - mean**2 + distance**2
        spiral = umath.asin(sine / (2 * distance * cutter))
    on_normal = math.cos(math.radians(gear_set.normal_pressure_angle_deg)) * umath.cos(spiral)
    arc = given_as["indicator calibration"] * umath.cos(given_as["indicator direction"])
    arc *= umath.cos(given_as["lever inclination"])
    if indicator.direction == "normal":
        arc /= on_normal
    backlash = arc * gear_set.outer_gear_pitch_radius_mm / radius * gear_set.normal_per_transverse
    assert math.isclose(backlash.n, SIZE_MM, rel_tol=1e-9)
    return float(backlash.s)


@pytest.mark.parametrize("gear_set", [GEAR_SET, NO_CUTTER])
@pytest.mark.parametrize("direction", ["normal", "arm"])
@pytest.mark.parametrize(
    "quantity", ["touch radius", "indicator direction", "lever inclination", "indicator calibration"]
)
def test_lines_are_those_of_automatic_propagation(gear_set: GearSet, direction: str, quantity: str) -> None:
    # Reference: the uncertainties package. At 12° and 18° off the first order rules; half a degree keeps the
    # second-order part of the budget below a percent of it.
    indicator = INDICATOR
    if direction == "arm":
        indicator = replace(INDICATOR, direction="plane of rotation", on_arm=True)
    lines = set_up_lines(gear_set, indicator, SIZE_MM)
    seen = next(one for one in lines if one.quantity == quantity).standard_uncertainty_mm
    assert math.isclose(seen, propagated(gear_set, indicator, quantity), rel_tol=0.01)


def test_direction_at_zero_is_taken_to_second_order() -> None:
    # Reference: Monte Carlo (JCGM 101): cos θ − 1 about the uncorrected value 0, its bias included.
    spread = math.radians(3.0)
    drawn = np.cos(np.random.default_rng(5).normal(0.0, spread, 400_000)) - 1.0
    expected = math.sqrt(float(np.mean(drawn**2)))
    assert math.isclose(tilt_relative_uncertainty(0.0, spread, 0.0), expected, rel_tol=0.01)


def test_tilt_in_the_plane_of_rotation_is_of_first_order() -> None:
    # Reference: Monte Carlo over tilt and its way, with the reading of a tip on a plane by vectors:
    # s / reading = u·n / t·n.
    spread, lean = math.radians(2.0), math.tan(math.radians(40))
    rng = np.random.default_rng(6)
    tilt, way = rng.normal(0.0, spread, 400_000), rng.uniform(0, 2 * np.pi, 400_000)
    normal = np.array([1.0, lean, 0.0]) / math.hypot(1.0, lean)
    aim = np.stack([np.cos(tilt), np.sin(tilt) * np.cos(way), np.sin(tilt) * np.sin(way)])
    true = normal @ aim / normal[0]
    expected = math.sqrt(float(np.mean((true - 1.0) ** 2)))
    assert math.isclose(tilt_relative_uncertainty(0.0, spread, lean), expected, rel_tol=0.01)


@pytest.mark.parametrize("direction", ["normal", "plane of rotation"])
@pytest.mark.parametrize("spiral", [20.0, 35.0])
@pytest.mark.parametrize("cutter_per_cone", [0.75, 0.9, 1.2, 2.0, 1e4])
def test_spiral_line_bounds_every_usual_cutter(
    direction: Direction, spiral: float, cutter_per_cone: float
) -> None:
    # Reference: the conversion itself with the cutter known.
    unknown = replace(NO_CUTTER, mean_spiral_angle_deg=spiral)
    known = replace(unknown, cutter_radius_mm=cutter_per_cone * unknown.mean_cone_distance_mm)
    indicator = replace(INDICATOR, direction=direction)
    change = indicator.normal_per_reading(known) / indicator.normal_per_reading(unknown) - 1
    assert abs(change) <= 1.0001 * spiral_relative_half_width(unknown, indicator)


def test_spiral_line_is_there_only_when_the_angle_is_not_known() -> None:
    straight = replace(NO_CUTTER, mean_spiral_angle_deg=0.0)
    names = [
        [one.quantity for one in set_up_lines(gear_set, INDICATOR, SIZE_MM)]
        for gear_set in (GEAR_SET, straight, NO_CUTTER)
    ]
    assert names[0] == names[1] == names[2][:-1]
    assert names[2][-1] == SPIRAL


def test_budget_has_the_scatter_once_and_no_line_for_resolution() -> None:
    total = budget(
        gear_set=GEAR_SET,
        indicator=INDICATOR,
        normal_backlash_mm=SIZE_MM,
        random_standard_uncertainty_mm=0.0008,
        random_degrees_of_freedom=7.0,
    )
    assert total.lines[0].standard_uncertainty_mm == 0.0008
    assert total.lines[0].degrees_of_freedom == 7.0
    assert not any(one.quantity == "resolution" for one in total.lines)
    assert "resolution" in total.lines[0].source
    coarse = replace(INDICATOR, resolution_mm=0.01)
    assert set_up_lines(GEAR_SET, coarse, SIZE_MM) == set_up_lines(GEAR_SET, INDICATOR, SIZE_MM)
    parts = [one.standard_uncertainty_mm for one in total.lines]
    assert math.isclose(total.combined_mm, math.hypot(*parts), rel_tol=1e-12)
    assert math.isclose(total.expanded_mm, total.coverage_factor * total.combined_mm, rel_tol=1e-12)
    assert total.degrees_of_freedom > 7.0
    assert all(one.value and one.source for one in total.lines)


def test_missing_certificate_is_said() -> None:
    total = budget(
        gear_set=GEAR_SET,
        indicator=replace(INDICATOR, calibration_uncertainty_mm=None),
        normal_backlash_mm=SIZE_MM,
        random_standard_uncertainty_mm=0.0008,
    )
    assert "not given" in by_name(total, "indicator calibration").value


def test_comparison_with_the_angle_needs_no_outer_spiral_angle() -> None:
    # In the plane of rotation both instruments need the same cos β_e, which cancels: with the cutter unknown
    # the comparison stays as sharp as with it known.
    in_plane = replace(INDICATOR, direction="plane of rotation", on_arm=True)
    on_arm = set_up_lines(GEAR_SET, in_plane, SIZE_MM)
    assert against_angle_mm(GEAR_SET, in_plane, SIZE_MM) == math.hypot(
        *(one.standard_uncertainty_mm for one in on_arm)
    )
    without = [one for one in set_up_lines(NO_CUTTER, in_plane, SIZE_MM) if one.quantity != SPIRAL]
    assert against_angle_mm(NO_CUTTER, in_plane, SIZE_MM) == math.hypot(
        *(one.standard_uncertainty_mm for one in without)
    )
    # Along the normal cos β at the touch radius is needed, so that touching at R_m is as good as knowing it.
    at_mean = replace(
        INDICATOR,
        touch_radius_mm=NO_CUTTER.mean_cone_distance_mm * math.sin(NO_CUTTER.gear_pitch_angle_rad),
    )
    without_spiral = [
        one.standard_uncertainty_mm
        for one in set_up_lines(NO_CUTTER, at_mean, SIZE_MM)
        if one.quantity != SPIRAL
    ]
    assert math.isclose(against_angle_mm(NO_CUTTER, at_mean, SIZE_MM), math.hypot(*without_spiral))
    assert against_angle_mm(NO_CUTTER, INDICATOR, SIZE_MM) > math.hypot(*without_spiral)
