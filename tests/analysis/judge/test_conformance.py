"""Probability of conformance against worked examples and the normal closed form."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lashmap_analysis.judge.conformance import kept
from scipy import stats


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
