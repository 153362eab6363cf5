"""Differences of two tests: against the invented truth, the package `uncertainties` and chi-square."""

from __future__ import annotations

from dataclasses import replace
from math import hypot

import numpy as np
import pytest
from analysis.made_record import GEAR_SET, INDICATOR, Bench
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.gears.indicator import Indicator
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.judge.compare import (
    CHI_SQUARE_95,
    Build,
    Common,
    CompareError,
    RunoutDifference,
    map_difference,
    mean_difference,
    runout_differences,
    tight_spot_difference,
)
from lashmap_analysis.judge.comparison import compare_tests, runout_words
from lashmap_analysis.uncertainty.set_up import CALIBRATION
from scipy.stats import chi2
from uncertainties import ufloat

CALIBRATED = replace(INDICATOR, calibration_uncertainty_mm=0.004, touch_radius_uncertainty_mm=0.5)
NOTHING = Common(calibration=False, set_up=False, spiral=False)


def build(bench: Bench, indicator: Indicator = CALIBRATED, certificate: str = "I-1, 2031") -> Build:
    return Build(assessment=assess(bench.record(indicator=indicator)), indicator=certificate)


@pytest.fixture(scope="module")
def before() -> Build:
    return build(Bench(seed=1))


@pytest.fixture(scope="module")
def after() -> Build:
    return build(Bench(seed=1, mean_mm=0.170))


def test_a_common_calibration_cancels_as_the_package_uncertainties_has_it(
    before: Build, after: Build
) -> None:
    # `uncertainties` follows every input through a calculation, so that shared ones cancel by themselves.
    pair = compare_tests([before, after])[0]
    apart = compare_tests([before, after], independent=True)[0]
    assert pair.mean is not None
    assert apart.mean is not None
    maps = [b.assessment.lash_map for b in (before, after)]
    calibration = ufloat(0.0, 0.002)  # U = 0.004 mm, k = 2; the tip reads normal backlash itself here
    results = []
    (direction_line,) = [one for one in pair.mean.contributions if one.quantity == "indicator direction"]
    directions = (direction_line.first_mm, direction_line.second_mm)
    for lash_map, spread in zip(maps, directions, strict=True):
        assert lash_map is not None
        assert spread is not None
        repeats = ufloat(0.0, lash_map.mean_uncertainty_mm)
        radius = ufloat(54.0, 0.5)
        direction = ufloat(0.0, spread)
        results.append((lash_map.mean_mm + calibration) * 54.0 / radius + repeats + direction)
    expected = results[1] - results[0]
    assert pair.mean.standard_uncertainty_mm == pytest.approx(expected.std_dev, rel=1e-6)
    assert pair.mean.value_mm == pytest.approx(expected.nominal_value)
    # Without a common input both count: sqrt(2) times 0.002 mm more, in quadrature.
    assert apart.mean.standard_uncertainty_mm == pytest.approx(
        hypot(pair.mean.standard_uncertainty_mm, 0.002 * np.sqrt(2)), rel=1e-6
    )


def test_an_untouched_indicator_leaves_only_what_scales_the_change(before: Build, after: Build) -> None:
    pair = compare_tests([before, after], same_set_up=True)[0]
    assert pair.tight_spot is not None
    lines = {one.quantity: one for one in pair.tight_spot.contributions}
    # A radius wrong by 0.5 of 54 mm makes a change of backlash wrong by the same 0.93 %, no more.
    assert lines["touch radius"].together_mm == pytest.approx(abs(pair.tight_spot.value_mm) * 0.5 / 54.0)
    assert lines[CALIBRATION].together_mm == pytest.approx(0.0, abs=1e-12)
    assert lines["rocks and fit of the lash map"].common is False


def test_differences_hold_the_true_change() -> None:
    indicator = replace(INDICATOR, touch_radius_uncertainty_mm=0.0, angle_uncertainty_deg=0.0)
    held_spot = held_mean = 0
    engagements = np.arange(GEAR_SET.mesh_cycle)
    seeds = range(2, 10)
    for seed in seeds:
        one, other = Bench(seed=seed), Bench(seed=seed, mean_mm=0.1534, gear_mm=0.014)
        first, second = build(one, indicator), build(other, indicator)
        spot = tight_spot_difference(first, second, NOTHING)
        mean = mean_difference(first, second, NOTHING)
        assert spot is not None
        assert mean is not None
        true_spot = other.tightest()[1] - one.tightest()[1]
        true_mean = float(np.mean(other.truth_mm(engagements)) - np.mean(one.truth_mm(engagements)))
        held_spot += spot.interval_mm[0] <= true_spot <= spot.interval_mm[1]
        held_mean += mean.interval_mm[0] <= true_mean <= mean.interval_mm[1]
        assert mean.shown
        assert abs(mean.value_mm - true_mean) < 0.001
    # Eight intervals of 95 %: fewer than six would happen once in 170 times (binomial).
    assert held_spot >= 6
    assert held_mean >= 6


def test_the_difference_of_the_maps_is_the_true_one_at_every_engagement(before: Build, after: Build) -> None:
    mean = mean_difference(before, after, NOTHING)
    assert mean is not None
    found = map_difference(before, after, mean)
    assert found is not None
    assert found.value_mm.shape == (GEAR_SET.mesh_cycle,)
    assert np.all(np.abs(found.value_mm - 0.020) < 3 * found.standard_uncertainty_mm)


def test_runout_changes_as_a_vector(before: Build) -> None:
    assert pytest.approx(float(chi2.ppf(0.95, 2)), abs=5e-4) == CHI_SQUARE_95
    grown = build(Bench(seed=1, gear_mm=0.016))
    mean = mean_difference(before, grown, NOTHING)
    assert mean is not None
    gear, pinion = runout_differences(before, grown, mean.contributions[1:])
    assert (gear.member, pinion.member) == ("gear", "pinion")
    assert gear.shown
    assert gear.amplitude_mm == pytest.approx(0.004, abs=3 * gear.standard_uncertainty_mm)
    # The invented gear takes most away at 2 rad past the matched teeth, whatever its amplitude.
    assert gear.high_point_deg == pytest.approx(np.degrees(2.0), abs=12.0)
    assert not pinion.shown


def test_other_teeth_are_not_laid_over_each_other(before: Build) -> None:
    record = before.assessment.record
    other_set = GearSet(pinion_teeth=17, gear_teeth=37, outer_module_mm=3.0, face_width_mm=16.0)
    odd = Build(assessment=replace(before.assessment, record=replace(record, gear_set=other_set)))
    pair = compare_tests([before, odd])[0]
    assert pair.lash_map is None
    assert pair.runouts == ()
    assert "different teeth (17:36 and 17:37)" in pair.cautions[0]
    assert pair.shims.answer == "not recorded"


def test_a_test_without_a_map_is_compared_as_far_as_it_goes(before: Build) -> None:
    empty = Build(assessment=assess(replace(before.assessment.record, traces=())))
    pair = compare_tests([before, empty])[0]
    assert (pair.tight_spot, pair.mean, pair.lash_map, pair.runouts) == (None, None, None, ())
    assert pair.shims.answer == "not recorded"


def test_what_cannot_be_compared_is_refused(before: Build, after: Build) -> None:
    with pytest.raises(CompareError, match="two or more tests"):
        compare_tests([before])
    moved = build(Bench(seed=1), replace(CALIBRATED, touch_radius_mm=53.0))
    with pytest.raises(CompareError, match="recorded alike"):
        compare_tests([before, moved], same_set_up=True)
    unnamed = replace(after, indicator="")
    assert compare_tests([before, unnamed])[0].mean is not None
    words = " ".join(compare_tests([before, unnamed])[0].cautions)
    assert "no serial number of the indicator" in words


def test_a_change_smaller_than_its_uncertainty_is_written_as_finely() -> None:
    small = RunoutDifference(
        member="gear",
        first_mm=0.003,
        second_mm=0.003,
        first_deg=10.0,
        second_deg=10.0,
        amplitude_mm=0.0000254,  # one millionth of an inch (NIST SP 811: 1 in = 25.4 mm)
        standard_uncertainty_mm=0.000457,
        high_point_deg=0.0,
        shown=False,
    )
    told = runout_words(small, "in").replace("\N{NO-BREAK SPACE}", " ")
    assert told == "no change shown (0.000001 in, u = 0.000018 in)"
