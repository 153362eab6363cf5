"""When a confirming position confirms, and how each side of a band is widened by the set-up."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from analysis.made_positions import made_map, made_position, made_trace
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.judge.tight_spot import confirms, widened

GEAR_SET = GearSet(pinion_teeth=13, gear_teeth=40, outer_module_mm=4.0, face_width_mm=25.0)
MAP = made_map(GEAR_SET, ())
PREDICTED_MM, SPREAD_MM = MAP.tight_spot.backlash_mm, 0.0009  # of the invented curve, and of its prediction
SCATTER_MM = 0.0005  # of the invented reading


@pytest.mark.parametrize("side", [-1.0, 1.0])
@pytest.mark.parametrize(("standard_uncertainties", "agrees"), [(1.7, True), (2.55, True), (2.60, False)])
def test_a_position_confirms_within_99_percent_of_the_difference_of_two_readings(
    side: float, standard_uncertainties: float, *, agrees: bool
) -> None:
    # Two-sided 99 % of a normal distribution is 2.576 standard deviations, 90 % is 1.645 (GUM table G.1).
    apart_mm = standard_uncertainties * math.hypot(SPREAD_MM, SCATTER_MM)
    trace = made_trace(3, MAP.tight_spot.engagement, 0.1)
    read = made_position(trace, GEAR_SET, PREDICTED_MM + side * apart_mm)
    known = replace(read, rock=replace(read.rock, degrees_of_freedom=math.inf))
    assert confirms(known, MAP) is agrees


def test_a_reading_of_few_reversals_is_given_students_factor() -> None:
    # Student's t for 99 % and 2 degrees of freedom is 9.92, for infinitely many 2.58 (GUM table G.2).
    trace = made_trace(3, MAP.tight_spot.engagement, 0.1)
    for factor, agrees in ((9.8, True), (10.0, False)):
        apart_mm = math.hypot(2.576 * SPREAD_MM, factor * SCATTER_MM)
        read = made_position(trace, GEAR_SET, PREDICTED_MM + apart_mm)
        few = replace(read, rock=replace(read.rock, degrees_of_freedom=2.0))
        assert confirms(few, MAP) is agrees


def test_each_side_of_a_band_is_widened_for_itself() -> None:
    low, high = widened((0.097, 0.104), 0.100, 0.004)
    assert low == pytest.approx(0.100 - 0.005)  # 3, 4, 5
    assert high == pytest.approx(0.100 + math.hypot(0.004, 0.004))
    assert widened((0.101, 0.104), 0.100, 0.004)[0] == pytest.approx(
        0.096
    )  # a band that lies beside its value
