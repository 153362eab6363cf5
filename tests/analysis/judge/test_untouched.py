"""Teeth that no position touched: counted, allowed for, and what a verdict says of them."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.judge.verdict import (
    CAUTIOUS_MM,
    Evidence,
    needs_every_tooth,
    reach_verdict,
    single_pitch_tolerance_um,
    tooth_allowance_mm,
    touched,
)
from lashmap_analysis.record.record import Limits, Precondition

SET = GearSet(
    pinion_teeth=13, gear_teeth=40, outer_module_mm=4.0, face_width_mm=25.0, mean_spiral_angle_deg=35.0
)
PROVEN = tuple(
    Precondition(name=name, state="proven", detail="", remedy="")
    for name in ("mounting distance, pinion", "matched teeth", "bearings", "calibration, indicator")
)


@given(st.lists(st.integers(-1000, 1000), max_size=60))
def test_teeth_are_counted_as_by_hand(engagements: list[int]) -> None:
    found = touched(SET, engagements)
    assert found.gear == len({k % 40 for k in engagements})
    assert found.pinion == len({k % 13 for k in engagements})
    assert found.every == (found.gear == 40 and found.pinion == 13)
    assert bool(found.left) == bool(found.remedy) == (not found.every)


def test_what_was_not_touched_is_said_in_words() -> None:
    found = touched(SET, range(39))
    assert found.words == "39 of 40 gear teeth, 13 of 13 pinion teeth"
    assert found.left == "1 gear tooth"
    assert found.gear_left == (40,)
    assert found.remedy.endswith(": gear 40.")


@pytest.mark.parametrize(
    ("grade", "diameter_mm", "module_mm", "tolerance_um"),
    # By hand from f_pt = (0.003 d_T + 0.3 m_mn + 5) √2^(B−4); ISO 17485:2006 from memory.
    [
        (4, 100.0, 3.0, 6.2),
        (6, 100.0, 3.0, 12.4),
        (2, 100.0, 3.0, 3.1),
        (5, 200.0, 5.0, 7.1 * math.sqrt(2.0)),
    ],
)
def test_the_single_pitch_tolerance_doubles_every_two_grades(
    grade: int, diameter_mm: float, module_mm: float, tolerance_um: float
) -> None:
    found = single_pitch_tolerance_um(
        grade, tolerance_diameter_mm=diameter_mm, mean_normal_module_mm=module_mm
    )
    assert found == pytest.approx(tolerance_um)


def test_it_is_within_a_grade_of_the_cylindrical_gears_standard() -> None:
    # ISO 1328-1:1995, f_pt = 0.3 (m_n + 0.4 √d) + 4 at grade 5, √2 a grade (from memory); one grade is 41 %.
    for diameter, module in ((60.0, 2.0), (100.0, 3.0), (250.0, 6.0)):
        other = (0.3 * (module + 0.4 * math.sqrt(diameter)) + 4.0) / math.sqrt(2.0)
        found = single_pitch_tolerance_um(4, tolerance_diameter_mm=diameter, mean_normal_module_mm=module)
        assert 1.0 <= found / other <= 1.6


def test_the_allowance_comes_from_the_figure_then_the_grade_then_caution() -> None:
    assert tooth_allowance_mm(SET, Limits()) == CAUTIOUS_MM
    assert tooth_allowance_mm(SET, Limits(untouched_tooth_mm=0.0, tooth_accuracy_grade=8)) == 0.0
    four, six = (tooth_allowance_mm(SET, Limits(tooth_accuracy_grade=grade)) for grade in (4, 6))
    assert six == pytest.approx(2.0 * four)
    # by pocket calculator: R_e = 84.12 and R_m = 71.62 mm, so that d_m2 = 136.22 and m_mn = 2.790 mm;
    # f_pt = 0.409 + 0.837 + 5 µm, times √2, 84.12 / 71.62 and cos 20° cos 35°
    assert four == pytest.approx(0.0079855, rel=1e-4)
    assert four < CAUTIOUS_MM


@pytest.mark.parametrize(
    ("limits", "every"),
    [
        (Limits(), False),
        (Limits(maximum_mm=0.2), False),
        (Limits(minimum_mm=0.1), True),
        (Limits(minimum_mm=0.1, maximum_mm=0.2), True),  # nothing is known of the teeth
        (Limits(minimum_mm=0.1, maximum_mm=0.2, untouched_tooth_mm=0.005), False),
        (Limits(minimum_mm=0.1, maximum_mm=0.11, untouched_tooth_mm=0.005), True),
        (Limits(minimum_mm=0.1, maximum_mm=0.2, tooth_accuracy_grade=4), False),
        (Limits(minimum_mm=0.1, maximum_mm=0.2, tooth_accuracy_grade=10), True),
    ],
)
def test_every_tooth_is_asked_for_where_one_bad_tooth_could_decide(limits: Limits, *, every: bool) -> None:
    assert needs_every_tooth(SET, limits) is every


def decided(low_mm: float, high_mm: float, untouched_mm: float = 0.016) -> tuple[str, str, str]:
    found = touched(SET, range(0, 40, 2))
    evidence = Evidence(
        interval_mm=(low_mm, high_mm),
        confirmed=True,
        untouched_mm=untouched_mm,
        untouched=found.left,
        touch=found.remedy,
    )
    verdict = reach_verdict(evidence, Limits(minimum_mm=0.1), PROVEN, gear_set=SET)
    return verdict.outcome, " ".join(verdict.reasons), " ".join(verdict.would_settle)


def test_conforming_needs_room_for_one_bad_tooth_among_those_not_touched() -> None:
    assert decided(0.1161, 0.12)[0] == "conforming"
    outcome, why, settle = decided(0.1159, 0.12)
    assert outcome == "not proven"
    assert "no position touched 20 gear teeth" in why
    assert "0.016" in why.replace("0.0160", "0.016")
    assert "measure those that no position has touched (the marked ones are tooth 1): gear 2, 4, 6" in settle


@pytest.mark.parametrize(
    ("engagements", "named"),
    [
        (
            range(0, 40, 2),
            "gear 2, 4, 6, 8, 10, 12, 14, 16, 18, 20, 22, 24, 26, 28, 30, 32, 34, 36, 38, 40.",
        ),
        ((0, 7, 9, 20), "gear 2–7, 9, 11–20, 22–40; pinion 2–7, 9, 11–13."),
        ((*range(13), *range(14, 40)), "gear 14."),
    ],
)
def test_teeth_that_were_not_touched_are_named_all_of_them(engagements: Iterable[int], named: str) -> None:
    assert touched(SET, engagements).remedy.endswith(f"(the marked ones are tooth 1): {named}")


def test_what_was_not_touched_never_makes_a_box_nonconforming() -> None:
    assert decided(0.101, 0.12)[0] == "not proven"
    assert decided(0.09, 0.0999)[0] == "nonconforming"
    assert decided(0.101, 0.12, untouched_mm=0.0)[0] == "conforming"


@given(low=st.floats(0.05, 0.2), width=st.floats(0.0, 0.02), allowance=st.floats(0.0, 0.03))
def test_an_allowance_only_ever_withholds(low: float, width: float, allowance: float) -> None:
    without, with_it = (decided(low, low + width, one)[0] for one in (0.0, allowance))
    assert with_it == without or (without, with_it) == ("conforming", "not proven")
    assert np.isclose(low - allowance, 0.1) or (with_it == "conforming") == (low - allowance >= 0.1)


def test_a_bad_tooth_that_nobody_touched_may_break_a_variation_too() -> None:
    # One tooth that is tighter by 16 µm makes the variation larger by up to that.
    found = touched(SET, range(0, 40, 2))
    evidence = Evidence(
        interval_mm=(0.1, 0.11),
        variation_interval_mm=(0.01, 0.02),
        confirmed=True,
        untouched_mm=0.016,
        untouched=found.left,
        touch=found.remedy,
    )
    for most_mm, outcome in ((0.0359, "not proven"), (0.0361, "conforming"), (0.009, "nonconforming")):
        verdict = reach_verdict(evidence, Limits(variation_mm=most_mm), PROVEN, gear_set=SET)
        assert verdict.outcome == outcome
    assert not needs_every_tooth(SET, Limits(maximum_mm=0.2))
    assert needs_every_tooth(SET, Limits(variation_mm=0.05))
    assert not needs_every_tooth(SET, Limits(variation_mm=0.05, untouched_tooth_mm=0.012))
    assert needs_every_tooth(
        SET, Limits(minimum_mm=0.1, maximum_mm=0.2, variation_mm=0.04, untouched_tooth_mm=0.012)
    )
