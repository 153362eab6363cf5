"""Transmission error of a cycle run, against SciPy's periodogram and an encoder that sits out of centre."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest
from analysis.cycle.cycle_runs import gear_set_of, turned
from analysis.cycle.driven_pair import Turning, ordinary_pair
from lashmap_analysis import CycleFit, fit_cycle, transmission_error


@pytest.fixture(scope="module")
def fit() -> CycleFit:
    pair = ordinary_pair(
        (13, 40), np.random.default_rng(7), runout_um=0.0, tooth_um=0.5, eccentric_deg=(0.05, 0.0)
    )
    how = Turning(speed_deg_per_s=240.0)
    return fit_cycle(gear_set_of(pair), *turned(pair, how, how))


def test_the_spectrum_is_that_of_the_periodogram(fit: CycleFit) -> None:
    """scipy.signal.periodogram, scaled as a spectrum: power is half the amplitude squared."""
    signal = pytest.importorskip("scipy.signal")
    found = transmission_error(fit)
    assert found is not None
    orders, power = signal.periodogram(
        found.curve_mm, fs=found.curve_mm.size / 13, scaling="spectrum", detrend=False
    )
    np.testing.assert_allclose(found.per_gear_turn, orders, rtol=1e-12)
    np.testing.assert_allclose(found.amplitude_mm[1:-1], np.sqrt(2 * power[1:-1]), atol=1e-12)


@pytest.mark.parametrize("coast", [False, True])
def test_an_encoder_out_of_centre_is_the_pinions_order(fit: CycleFit, *, coast: bool) -> None:
    """0.05° of the pinion's encoder are 0.05 · z1 / 360 of an engagement."""
    found = transmission_error(fit, coast=coast)
    assert found is not None
    named = {order.name: order for order in found.named}
    pinion = named["pinion, once per turn"]
    assert pinion.per_gear_turn == pytest.approx(40 / 13)
    assert pinion.amplitude_mm == pytest.approx(0.05 * 13 / 360 * pi * 3.0, rel=0.05)
    assert named["gear, once per turn"].amplitude_mm < 0.001
    assert named["tooth mesh, 1×"].per_gear_turn == 40
    assert found.total_mm == pytest.approx(2 * pinion.amplitude_mm, abs=0.008)
    assert found.tooth_to_tooth_mm < found.total_mm


def test_the_same_arc_as_an_angle(fit: CycleFit) -> None:
    found = transmission_error(fit)
    assert found is not None
    assert found.per_mm_urad == pytest.approx(1e6 / 60.0)  # outer pitch radius 3 · 40 / 2 mm


def test_of_part_of_a_cycle_there_is_none() -> None:
    pair = ordinary_pair((13, 40), np.random.default_rng(7))
    little = Turning(speed_deg_per_s=240.0, part=0.05)
    assert transmission_error(fit_cycle(gear_set_of(pair), *turned(pair, little))) is None
