"""Differences of two tests: against the invented truth, the package `uncertainties` and chi-square."""

from __future__ import annotations

import math
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
    ShimCheck,
    map_difference,
    mean_difference,
    runout_differences,
    shim_check,
    tight_spot_difference,
)
from lashmap_analysis.judge.comparison import compare_tests, runout_words
from lashmap_analysis.judge.shims import ShimAdvice, ShimMove
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


def moved(one: Build, gear_mm: float | None, pinion_mm: float | None) -> Build:
    """The same test with members that stand elsewhere."""
    return replace(one, gear_at_mm=gear_mm, pinion_at_mm=pinion_mm)


@pytest.mark.parametrize("member", ["gear", "pinion"])
def test_what_shims_did_is_held_against_two_sine_alpha_sine_delta(
    before: Build, after: Build, member: str
) -> None:
    """The handbook's relation (from memory; see `judge/shims.py`), the other member left where it was."""
    teeth = (36, 17) if member == "gear" else (17, 36)
    record = before.assessment.record
    angle = math.atan2(*teeth)
    per_mm = 2.0 * math.sin(math.radians(20.0)) * math.sin(angle) * record.gear_set.contact_factor
    mean = compare_tests([before, after])[0].mean
    assert mean is not None
    assert mean.shown
    right = mean.value_mm / per_mm

    def check(move_mm: float) -> ShimCheck:
        places = (60.0 + move_mm, None) if member == "gear" else (None, 60.0 + move_mm)
        start = (60.0, None) if member == "gear" else (None, 60.0)
        return shim_check(moved(before, *start), moved(after, *places), mean)

    found = check(right)
    assert found.answer == "came true"
    assert found.predicted_mm == pytest.approx(mean.value_mm, rel=1e-9)
    assert (found.gear_move_mm is None) == (member == "pinion")
    assert (found.pinion_move_mm is None) == (member == "gear")
    assert found.advised is None
    assert check(3.0 * right).answer == "did not come true"
    assert check(-right).answer == "did not come true"
    assert check(0.0).answer == "not moved"


def test_both_members_moved_add_up_and_a_change_that_nothing_shows_settles_nothing(before: Build) -> None:
    mean = compare_tests([before, before])[0].mean
    assert mean is not None
    assert not mean.shown
    start = moved(before, 60.0, 105.0)
    assert shim_check(start, moved(before, 60.005, 105.005), mean).answer == "settles nothing"
    assert shim_check(before, moved(before, 60.0, 105.0), mean).answer == "not recorded"
    record = before.assessment.record
    two = 2.0 * math.sin(math.radians(20.0)) * record.gear_set.contact_factor
    expected = two * (math.sin(math.atan2(36, 17)) * 0.2 + math.sin(math.atan2(17, 36)) * -0.3)
    found = shim_check(start, moved(before, 60.2, 104.7), mean)
    assert found.predicted_mm == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("gear_mm", "pinion_mm", "followed"),
    [(0.1, 0.0, True), (0.1, None, True), (0.105, 0.0, True), (0.12, 0.0, False), (0.1, 0.02, False)],
)
def test_a_move_is_the_advised_one_to_what_mounting_distances_are_read(
    before: Build,
    after: Build,
    gear_mm: float,
    pinion_mm: float | None,
    followed: bool,  # noqa: FBT001 - of a table
) -> None:
    moves = (ShimMove(member="gear", move_mm=0.1, shims_mm=(0.1,), sentence="out"),)
    advice = ShimAdvice(answer="move", moves=moves, backlash_mm=None, interval_mm=None, sentences=())
    start = replace(moved(before, 60.0, 105.0), advice=advice)
    ends = moved(after, 60.0 + gear_mm, None if pinion_mm is None else 105.0 + pinion_mm)
    mean = compare_tests([before, after])[0].mean
    assert shim_check(start, ends, mean).advised is followed
