"""When a confirming position confirms, and how each side of a band is widened by the set-up.

Probability of conformance against worked examples and the normal closed form.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from analysis.made_positions import made_map, made_position, made_trace, refused
from analysis.made_record import KNOWN
from hypothesis import given
from hypothesis import strategies as st
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.gears.indicator import Indicator
from lashmap_analysis.judge.tight_spot import (
    confirms,
    from_lash_map,
    from_position,
    kept,
    one_sided,
    set_up_mm,
    widened,
)
from scipy import stats

GEAR_SET = GearSet(pinion_teeth=13, gear_teeth=40, outer_module_mm=4.0, face_width_mm=25.0)
MAP = made_map(GEAR_SET, ())
PREDICTED_MM, SPREAD_MM = MAP.tight_spot.backlash_mm, 0.0009  # of the invented curve, and of its prediction
SCATTER_MM = 0.0005  # of the invented reading
TRACE = made_trace(3, MAP.tight_spot.engagement, 0.1)
INDICATOR = Indicator(
    resolution_mm=0.0001, touch_radius_mm=72.0, direction="normal", calibration_uncertainty_mm=0.0012
)


@pytest.mark.parametrize("side", [-1.0, 1.0])
@pytest.mark.parametrize(("standard_uncertainties", "agrees"), [(1.7, True), (2.55, True), (2.60, False)])
def test_a_position_confirms_within_99_percent_of_the_difference_of_two_readings(
    side: float, standard_uncertainties: float, *, agrees: bool
) -> None:
    # Two-sided 99 % of a normal distribution is 2.576 standard deviations, 90 % is 1.645 (GUM table G.1).
    apart_mm = standard_uncertainties * math.hypot(SPREAD_MM, SCATTER_MM)
    read = made_position(TRACE, GEAR_SET, PREDICTED_MM + side * apart_mm)
    known = replace(read, rock=replace(read.rock, degrees_of_freedom=math.inf))
    assert confirms(known, MAP) is agrees


def test_a_reading_of_few_reversals_is_given_students_factor() -> None:
    # Student's t for 99 % and 2 degrees of freedom is 9.92, for infinitely many 2.58 (GUM table G.2).
    for factor, agrees in ((9.8, True), (10.0, False)):
        apart_mm = math.hypot(2.576 * SPREAD_MM, factor * SCATTER_MM)
        read = made_position(TRACE, GEAR_SET, PREDICTED_MM + apart_mm)
        few = replace(read, rock=replace(read.rock, degrees_of_freedom=2.0))
        assert confirms(few, MAP) is agrees


def test_each_side_of_a_band_is_widened_for_itself() -> None:
    low, high = widened((0.097, 0.104), 0.100, 0.004)
    assert low == pytest.approx(0.100 - 0.005)  # 3, 4, 5
    assert high == pytest.approx(0.100 + math.hypot(0.004, 0.004))
    assert widened((0.101, 0.104), 0.100, 0.004)[0] == pytest.approx(
        0.096
    )  # a band that lies beside its value


@pytest.mark.parametrize(
    ("degrees_of_freedom", "factor", "agrees"),
    [
        # Student's t for 99 % is 63.66 at 1 degree of freedom and 9.92 at 2 (GUM table G.2).
        (1.0, 60.0, True),
        (0.0, 60.0, True),  # the rock could not say: the least there is
        (1.5, 60.0, False),
        (1.5, 11.0, True),
    ],
)
def test_a_reading_that_cannot_say_its_freedom_has_the_least(
    degrees_of_freedom: float, factor: float, *, agrees: bool
) -> None:
    apart_mm = math.hypot(2.576 * SPREAD_MM, factor * SCATTER_MM)
    read = made_position(TRACE, GEAR_SET, PREDICTED_MM + apart_mm)
    unsure = replace(read, rock=replace(read.rock, degrees_of_freedom=degrees_of_freedom))
    assert confirms(unsure, MAP) is agrees


def test_a_maps_band_gives_the_freedom_of_its_first_budget_line() -> None:
    # The band is 2.000 standard uncertainties to each side, Student's factor of 60 degrees of freedom at 95 %
    # (NIST/SEMATECH e-Handbook, table of the t distribution).
    spot, total = from_lash_map(MAP, INDICATOR, KNOWN)
    assert total.lines[0].standard_uncertainty_mm == pytest.approx(SPREAD_MM)
    assert total.lines[0].degrees_of_freedom == pytest.approx(60.0, abs=1.5)
    # Each side of the interval: that side of the band and 1.96 set-up uncertainties, in quadrature.
    set_up = math.sqrt(total.combined_mm**2 - SPREAD_MM**2)
    assert set_up_mm(total) == pytest.approx(set_up)
    assert set_up > 0.0005
    low, high = spot.interval_mm
    assert spot.normal_backlash_mm - low == pytest.approx(math.hypot(0.0022, 1.96 * set_up), rel=1e-4)
    assert high - spot.normal_backlash_mm == pytest.approx(math.hypot(0.0014, 1.96 * set_up), rel=1e-4)


def test_a_map_without_scatter_is_known_for_certain_beside_the_set_up() -> None:
    exact = replace(MAP.tight_spot, standard_uncertainty_mm=0.0, band_mm=(PREDICTED_MM, PREDICTED_MM))
    _, total = from_lash_map(replace(MAP, tight_spot=exact), INDICATOR, KNOWN)
    assert total.lines[0].degrees_of_freedom == math.inf


def test_a_measured_spot_lies_in_the_middle_of_its_interval() -> None:
    read = made_position(TRACE, GEAR_SET, 0.1)
    measured = from_position(read, GEAR_SET, INDICATOR, KNOWN)
    assert measured is not None
    low, high = measured.interval_mm
    assert (low + high) / 2.0 == pytest.approx(0.1)
    assert high - low == pytest.approx(2.0 * measured.expanded_uncertainty_mm)
    assert measured.expanded_uncertainty_mm > 2.0 * SCATTER_MM
    assert from_position(refused(read), GEAR_SET, INDICATOR, KNOWN) is None


@pytest.mark.parametrize("turns", [0, 1, 3])
def test_the_tight_spot_itself_is_always_a_place_to_confirm_it(turns: int) -> None:
    # The least over a whole mesh cycle is less than what its place is expected to read; here by a lot.
    least = replace(MAP.tight_spot, backlash_mm=PREDICTED_MM - 0.02)
    engagement = MAP.tight_spot.engagement + turns * GEAR_SET.mesh_cycle
    read = made_position(made_trace(3, engagement, 0.1), GEAR_SET, PREDICTED_MM)
    assert confirms(read, replace(MAP, tight_spot=least)) is True


def test_one_sided_ends_of_a_normal_map_are_1_645_combined_uncertainties_away() -> None:
    # Normal distribution, one-sided 95 %: 1.645 (GUM table G.1 has 90 % two-sided); map and set-up add in
    # quadrature.
    quantiles = (np.arange(4000) + 0.5) / 4000
    draws = MAP.tight_spot.backlash_mm + 0.002 * stats.norm.ppf(quantiles)
    made = replace(MAP, least_draws_mm=draws)
    _, total = from_lash_map(made, INDICATOR, KNOWN)
    ends = one_sided(made, total)
    assert ends is not None
    away = 1.645 * math.hypot(0.002, set_up_mm(total))
    assert ends[0] == pytest.approx(MAP.tight_spot.backlash_mm - away, abs=1e-5)
    assert ends[1] == pytest.approx(MAP.tight_spot.backlash_mm + away, abs=1e-5)
    assert one_sided(MAP, total) is None


def test_the_zener_diode_of_jcgm_106() -> None:
    # JCGM 106:2012, 7.3, example (from memory): y = −5.47 V, u = 0.05 V, at most −5.40 V: Φ(1.4) = 0.92.
    assert kept(np.array([-5.47]), 0.05, high=-5.40) == pytest.approx(0.92, abs=0.005)


def test_the_motor_oil_of_jcgm_106() -> None:
    # JCGM 106:2012, 7.4, example (from memory): SAE 40 oil, 12.5 to 16.3 mm²/s, y = 13.6, u = 1.8: 0.66.
    assert kept(np.array([13.6]), 1.8, low=12.5, high=16.3) == pytest.approx(0.66, abs=0.005)


@given(
    y=st.floats(-1.0, 1.0),
    spread=st.floats(0.05, 1.0),
    deviation=st.floats(0.0, 1.0),
    low=st.floats(-2.0, 0.0),
    width=st.floats(0.1, 3.0),
)
def test_normal_draws_and_a_normal_deviation_give_the_normal_closed_form(
    y: float, spread: float, deviation: float, low: float, width: float
) -> None:
    # scipy.stats.norm; the draws stand for their distribution by its quantiles.
    draws = stats.norm.ppf((np.arange(2000) + 0.5) / 2000, loc=y, scale=spread)
    whole = stats.norm(y, np.hypot(spread, deviation))
    assert kept(draws, deviation, low=low) == pytest.approx(whole.sf(low), abs=2e-3)
    between = whole.cdf(low + width) - whole.cdf(low)
    assert kept(draws, deviation, low=low, high=low + width) == pytest.approx(between, abs=2e-3)


def test_a_value_on_its_limit_keeps_it() -> None:
    assert kept(np.array([0.1]), 0.0, high=0.1) == 1.0
    assert kept(np.array([0.1, 0.3]), 0.0, high=0.2) == 0.5
