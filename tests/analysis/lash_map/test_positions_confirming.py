"""Where to measure next, and the forecast of how many positions would prove the verdict."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from analysis.lash_truth import Truth, gear_set, made_truth
from lashmap_analysis import fit_lash_map, plan_positions
from lashmap_analysis.lash_map.lash_map import LashMap, LashMapError, Priors
from lashmap_analysis.lash_map.positions import confirming_positions, next_position, positions_to_settle

HUNTING = gear_set(13, 40)
REPEATS_WELL = Priors(setting_um=(0.1, 0.3))  # a stand whose settings are known to repeat


def fitted(seed: int, count: int = 16) -> tuple[LashMap, Truth, np.random.Generator]:
    generator = np.random.default_rng(seed)
    truth = made_truth(13, 40, generator, gear_tooth_um=1.5, pinion_tooth_um=1.5)
    plan = plan_positions(HUNTING, count, 13, repeats=0)
    lash_map = fit_lash_map(HUNTING, plan, truth.read(plan, 2e-4, generator), 2e-4, priors=REPEATS_WELL)
    return lash_map, truth, generator


def with_reading(lash_map: LashMap, truth: Truth, engagement: int, generator: np.random.Generator) -> LashMap:
    engagements = np.append(lash_map.engagements, engagement)
    fresh = truth.read(np.array([engagement]), 2e-4, generator)
    readings = np.append(lash_map.backlash_mm, fresh)
    return fit_lash_map(HUNTING, engagements, readings, 2e-4, priors=REPEATS_WELL)


def test_a_position_chosen_to_settle_narrows_more_than_one_at_random() -> None:
    chosen: list[float] = []
    random: list[float] = []
    for seed in range(8):
        before, truth, generator = fitted(seed)
        anywhere = int(generator.integers(520))
        for where, kept in ((next_position(before), chosen), (anywhere, random)):
            after = with_reading(before, truth, where, generator)
            kept.append(after.tight_spot.standard_uncertainty_mm / before.tight_spot.standard_uncertainty_mm)
    assert np.mean(chosen) < np.mean(random) - 0.1


def test_the_first_confirming_position_is_the_tight_spot_and_the_others_are_new() -> None:
    lash_map, _, _ = fitted(1)
    confirming = confirming_positions(lash_map, 4)
    assert confirming[0] == lash_map.tight_spot.engagement
    assert len(set(confirming.tolist())) == 4
    assert np.all((confirming >= 0) & (confirming < 520))
    with pytest.raises(LashMapError):
        confirming_positions(lash_map, 0)


def test_where_the_gear_stands_the_tip_is_not_set_anew_and_another_place_is_chosen() -> None:
    lash_map, _, _ = fitted(1)
    best = next_position(lash_map)
    other = next_position(lash_map, leave_out=best)
    assert other != best
    assert next_position(lash_map, leave_out=best - 520) == other
    assert next_position(lash_map, leave_out=other) == best


def test_a_verdict_already_proven_needs_no_more_and_a_hopeless_one_says_none() -> None:
    lash_map, _, _ = fitted(2)
    spot = lash_map.tight_spot
    assert positions_to_settle(lash_map, spot.backlash_mm - 0.05, None, 0.001) == 0
    assert positions_to_settle(lash_map, spot.backlash_mm + 0.05, None, 0.001) == 0
    assert positions_to_settle(lash_map, None, None, 0.001) == 0
    # The set-up alone is too uncertain: 1.96 × 10 µm on either side of a limit 5 µm away.
    assert positions_to_settle(lash_map, spot.backlash_mm - 0.005, None, 0.010) is None


def test_the_forecast_holds_on_most_boxes() -> None:
    kept = []
    for seed in range(6):
        lash_map, truth, generator = fitted(seed)
        limit = lash_map.tight_spot.backlash_mm - 1.2 * lash_map.tight_spot.standard_uncertainty_mm
        forecast = positions_to_settle(lash_map, limit, None, 0.0)
        assert forecast is not None
        assert forecast > 0
        for _ in range(forecast):
            lash_map = with_reading(lash_map, truth, next_position(lash_map), generator)
        low, high = lash_map.tight_spot.band_mm
        kept.append(limit < low or high < limit)
    assert sum(kept) >= 4


def test_a_map_made_by_hand_is_refused() -> None:
    lash_map = replace(fitted(1)[0], posterior=None)
    with pytest.raises(LashMapError):
        next_position(lash_map)
    with pytest.raises(LashMapError):
        lash_map.predict(np.array([0]))
