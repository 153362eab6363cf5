"""Lengths as text, in the unit of the paperwork."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal

import pytest
from analysis.made_assessment import made_assessment
from hypothesis import given
from hypothesis import strategies as st
from lashmap_analysis.record.lengths import MISSING, format_angle, format_length, format_spread, in_units
from lashmap_analysis.record.record import Units
from lashmap_analysis.render import render_html


def test_an_inch_is_25_4_millimetres_exactly() -> None:
    # NIST SP 811 (2008), appendix B.8: 1 in = 2.54 E+01 mm, printed in bold, hence exact.
    assert in_units(25.4, "in") == 1.0
    assert format_length(25.4, "in") == "1.00000\N{NO-BREAK SPACE}in"
    assert format_length(0.1, "in", with_unit=False) == "0.00394"


@pytest.mark.parametrize("nothing", [None, float("nan"), float("inf"), -float("inf")])
def test_no_number_is_written_as_a_dash(nothing: float | None) -> None:
    assert format_length(nothing, "mm") == MISSING


def test_zero_has_no_sign() -> None:
    assert format_length(-1e-9, "mm", with_unit=False) == "0.0000"


@given(st.floats(min_value=-1e3, max_value=1e3))
def test_text_is_within_half_of_its_last_digit(length_mm: float) -> None:
    # Read back with decimal arithmetic, apart from the formatting under test.
    error = abs(Decimal(format_length(length_mm, "mm", with_unit=False)) - Decimal(length_mm))
    assert error <= Decimal("0.00005000001")


def test_a_spread_has_one_digit_more_and_never_reads_as_nought() -> None:
    assert format_spread(0.0004, "mm", with_unit=False) == "0.00040"
    # 0.1 um is 3.94e-6 in (NIST SP 811: 1 in = 25.4 mm); a hundredth of it has no digit in six decimals.
    assert format_spread(0.0001, "in") == "0.000004\N{NO-BREAK SPACE}in"
    assert format_spread(0.000001, "in", with_unit=False) == "0.00000004"
    assert format_spread(0.0, "mm", with_unit=False) == "0.00000"
    # What rounding leaves of a difference of equal numbers is nought, and not a row of noughts with a digit.
    assert format_spread(abs(0.1 + 0.2 - 0.3), "mm", decimals=4, with_unit=False) == "0.0000"
    assert format_spread(None, "mm") == MISSING


@given(st.floats(min_value=1e-9, max_value=10.0), st.sampled_from(["mm", "in"]))
def test_no_spread_is_hidden_by_rounding(length_mm: float, units: Units) -> None:
    shown = float(format_spread(length_mm, units, with_unit=False))
    true = length_mm / (25.4 if units == "in" else 1.0)
    # At least one digit is shown, so that a half of the first is the most that rounding takes or gives.
    assert 0.5 * true <= shown <= 1.6 * true


def test_coefficients_with_a_length_in_them_are_in_inches_on_inch_paper() -> None:
    assessment = made_assessment(count=9, units="in")
    conditions = replace(
        assessment.record.conditions, rock_nm=0.5, compliance_um_per_nm=4.0, gears_expansion_um_per_m_k=11.5
    )
    shown = render_html(replace(assessment, record=replace(assessment.record, conditions=conditions)))
    # By hand: 4 µm are 4 / 0.0254 = 157.5 millionths of an inch; an inch grows by 11.5 of them for each K.
    assert "157.5 µin/(N m)" in shown
    assert "11.5 µin/(in K)" in shown
    assert "µm/(" not in shown


def test_an_angle_that_is_shown_as_nought_has_no_sign() -> None:
    assert format_angle(-0.004) == "0.00°"
    assert format_angle(0.004, signed=True) == "0.00°"
    assert format_angle(-0.006, signed=True) == "-0.01°"
    assert format_angle(3.0, decimals=1, signed=True) == "+3.0°"
    assert format_angle(None) == format_angle(math.nan) == MISSING
