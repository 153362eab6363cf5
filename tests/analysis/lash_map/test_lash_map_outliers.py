"""Outliers: named when something was put in, not otherwise, and never quietly thrown away."""

from __future__ import annotations

import numpy as np
import pytest
from analysis.lash_truth import Truth, gear_set, made_truth
from lashmap_analysis import fit_lash_map, plan_positions
from lashmap_analysis.lash_map.lash_map import LashMap

HUNTING = gear_set(13, 40)
PLAN = plan_positions(HUNTING, 24, 13, repeats=0)


def disturbed(seed: int, index: int, by_mm: float) -> tuple[LashMap, Truth]:
    generator = np.random.default_rng(seed)
    truth = made_truth(13, 40, generator, gear_tooth_um=0.5, pinion_tooth_um=0.5)
    readings = truth.read(PLAN, 2e-4, generator)
    readings[index] += by_mm
    return fit_lash_map(HUNTING, PLAN, readings, 2e-4), truth


@pytest.mark.parametrize("by_mm", [0.015, -0.015, 0.04])
def test_a_reading_far_off_is_named_by_its_index(by_mm: float) -> None:
    named = [disturbed(seed, seed % 24, by_mm)[0].outliers for seed in range(8)]
    assert sum(index == (seed % 24,) for seed, index in enumerate(named)) >= 7


def test_clean_maps_name_next_to_none() -> None:
    # One map in a hundred may name a reading: among 20, three or more would be a one in a thousand event
    # (binomial, n = 20, p = 0.01).
    named = sum(bool(disturbed(100 + seed, 0, 0.0)[0].outliers) for seed in range(20))
    assert named <= 2


def test_a_false_loose_reading_does_not_bend_the_map() -> None:
    before, truth = disturbed(3, 7, 0.0)
    after, _ = disturbed(3, 7, 0.03)
    assert after.outliers == (7,)
    low, high = after.tight_spot.band_mm
    assert low <= truth.backlash_mm.min() <= high
    assert high - low < 2.0 * (before.tight_spot.band_mm[1] - before.tight_spot.band_mm[0]) + 0.001
    assert "bad reading" in after.remarks[0]


@pytest.mark.parametrize("index", range(0, 24, 4))
def test_a_tight_outlier_counts_until_it_is_measured_again(index: int) -> None:
    tight, _ = disturbed(3, index, -0.08)
    assert tight.outliers == (index,)
    assert tight.tight_spot.backlash_mm < tight.backlash_mm.min() + 0.005
    assert tight.tight_spot.band_mm[0] < tight.backlash_mm.min()
    assert "measure there again" in tight.remarks[0]


def test_measured_again_the_false_tight_reading_is_found_out() -> None:
    tight, truth = disturbed(3, 7, -0.08)
    again = np.append(PLAN, [PLAN[7], PLAN[7]])
    readings = np.append(tight.backlash_mm, truth.backlash_mm[PLAN[7]] + np.array([1e-4, -1e-4]))
    after = fit_lash_map(HUNTING, again, readings, 2e-4)
    assert after.outliers == (7,)
    assert "bad reading" in after.remarks[0]
    low, high = after.tight_spot.band_mm
    assert low <= truth.backlash_mm.min() <= high


def test_a_pinion_tooth_that_is_off_at_every_visit_is_told_from_a_bad_reading() -> None:
    generator = np.random.default_rng(12)
    truth = made_truth(13, 40, generator, gear_tooth_um=0.5, pinion_tooth_um=0.5)
    k = np.sort(generator.choice(520, 40, replace=False))
    true = truth.backlash_mm - 0.06 * (np.arange(520) % 13 == 5)
    fitted = fit_lash_map(HUNTING, k, true[k] + 2e-4 * generator.standard_normal(40), 2e-4)
    assert fitted.tight_spot.engagement % 13 == 5
    assert true[fitted.tight_spot.engagement] <= true.min() + 0.002
    assert not any("bad reading" in remark for remark in fitted.remarks)
