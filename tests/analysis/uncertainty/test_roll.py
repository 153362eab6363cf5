"""What rocks at three phases of the roll say, held against curves that were made here.

The roll of a crowned pair is a parabola with a cusp where the next pair takes over, of a modified one a wave;
neither is made with the code under test, and their least is looked for point by point. Coverage over many
curves is confirmed by these models alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from lashmap_analysis.uncertainty.roll import roll_seen

Curve = Callable[[float], float]
THIRDS = (-1 / 3, 1 / 3)


def crowned(crest: float, size_mm: float) -> Curve:
    """Falls off with the square of the way from the nearest crest."""
    return lambda at: 4.0 * size_mm * min((at - crest - whole) ** 2 for whole in range(-2, 3))


def wave(crest: float, size_mm: float) -> Curve:
    return lambda at: size_mm * math.sin(math.pi * (at - crest)) ** 2


def below_whole_mm(curve: Curve) -> float:
    return min(curve(at / 200) for at in range(200)) - curve(0.0)


def seen(curve: Curve, phases: tuple[float, float] = THIRDS) -> tuple[float, float]:
    back, forward = (curve(phase) - curve(0.0) for phase in phases)
    return back, forward


@pytest.mark.parametrize("form", [crowned, wave])
@pytest.mark.parametrize("crest", [0.0, 0.1, 0.25, 0.4, 0.5, 0.7, 0.9])
@pytest.mark.parametrize("size_mm", [0.001, 0.004])
def test_without_scatter_what_is_left_lies_between_the_phases(
    form: Callable[[float, float], Curve], crest: float, size_mm: float
) -> None:
    curve = form(crest, size_mm)
    found = roll_seen(THIRDS, seen(curve), (5e-5, 5e-5), 2e-5)
    assert found.standard_uncertainty_mm < 0.0004
    off = abs(found.correction_mm - below_whole_mm(curve))
    assert off < 2.5 * found.standard_uncertainty_mm


def test_where_readings_scatter_by_far_more_nothing_is_learnt() -> None:
    believed = roll_seen(THIRDS, (0.0, 0.0), (1.0, 1.0), 1.0)
    # Usual crowning, 1 to 3 µm within a pitch: some 1 µm below, known to about as much.
    assert -0.0013 < believed.correction_mm < -0.0007
    assert 0.0008 < believed.standard_uncertainty_mm < 0.0014
    again = roll_seen(THIRDS, (0.02, -0.02), (1.0, 1.0), 1.0)
    assert again.correction_mm == pytest.approx(believed.correction_mm, abs=2e-5)


def test_scatter_is_not_taken_for_roll() -> None:
    # The least of three readings that differ by chance lies 0.85 standard deviations too low on average.
    rng = np.random.default_rng(3)
    flat = [
        roll_seen(THIRDS, (back, forward), (0.0015, 0.0015), 0.0005, variation_mm=1e-5).correction_mm
        for back, forward in rng.normal(0.0, 0.0015, (40, 2)).tolist()
    ]
    assert max(abs(one) for one in flat) < 2e-5


def test_phases_that_were_missed_a_little_are_taken_as_they_were() -> None:
    curve = crowned(0.3, 0.003)
    missed = (-0.26, 0.41)
    found = roll_seen(missed, seen(curve, missed), (1e-4, 1e-4), 5e-5)
    assert abs(found.correction_mm - below_whole_mm(curve)) < 2.5 * found.standard_uncertainty_mm
    taken_as_asked = roll_seen(THIRDS, seen(curve, missed), (1e-4, 1e-4), 5e-5)
    assert abs(taken_as_asked.correction_mm - found.correction_mm) > 2e-5


def test_no_variation_leaves_nothing_to_correct() -> None:
    found = roll_seen(THIRDS, (0.001, -0.001), (0.001, 0.001), 0.0005, variation_mm=0.0)
    assert (found.correction_mm, found.standard_uncertainty_mm) == (0.0, 0.0)


@pytest.mark.parametrize("scatter_mm", [0.0003, 0.001, 0.002])
def test_the_correction_holds_the_truth_as_often_as_it_says(scatter_mm: float) -> None:
    rng = np.random.default_rng([7, round(1e6 * scatter_mm)])
    held, level_mm = 0, 0.4 * scatter_mm
    for number in range(150):
        curve = (crowned, wave)[number % 2](rng.uniform(), rng.uniform(0.001, 0.003))
        error = rng.normal(0.0, (scatter_mm, scatter_mm, level_mm))
        back, forward = seen(curve)
        apart = (back + error[0] - error[2], forward + error[1] - error[2])
        found = roll_seen(THIRDS, apart, (scatter_mm, scatter_mm), level_mm)
        off = found.correction_mm - below_whole_mm(curve)
        held += abs(off) <= 1.96 * found.standard_uncertainty_mm
    # At 95 % fewer than 135 of 150 happen once in 250 (binomial, normal approximation).
    assert held >= 135
