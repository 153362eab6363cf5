"""The lash map as a whole: what it finds on invented sets, what it refuses, what it must leave unchanged."""

from __future__ import annotations

import numpy as np
import pytest
from analysis.lash_truth import gear_set, made_truth
from hypothesis import given, settings
from hypothesis import strategies as st
from lashmap_analysis import fit_lash_map
from lashmap_analysis.lash_map.lash_map import LashMap, LashMapError, Priors

HUNTING = gear_set(13, 40)


def fitted(seed: int, count: int = 24, uncertainty_mm: float = 0.0002) -> tuple[LashMap, np.random.Generator]:
    generator = np.random.default_rng(seed)
    truth = made_truth(13, 40, generator)
    engagements = np.sort(generator.choice(520, count, replace=False))
    readings = truth.read(engagements, uncertainty_mm, generator)
    return fit_lash_map(HUNTING, engagements, readings, uncertainty_mm), generator


def test_noise_free_cosines_come_back_with_their_high_points() -> None:
    # Truth by construction: the gear takes most away where its cosine is least, 100° past the matched teeth.
    k = np.arange(0, 520, 17)
    gear = 0.020 * np.cos(np.radians(360.0 * k / 40 - 280.0))
    pinion = 0.010 * np.cos(np.radians(360.0 * k / 13 - 30.0))
    lash_map = fit_lash_map(HUNTING, k, 0.2 + gear + pinion, 1e-5)
    assert lash_map.gear_runout is not None
    assert lash_map.pinion_runout is not None
    assert lash_map.gear_runout.amplitude_mm == pytest.approx(0.020, abs=2e-5)
    assert lash_map.pinion_runout.amplitude_mm == pytest.approx(0.010, abs=2e-5)
    assert lash_map.gear_runout.high_point_deg == pytest.approx(100.0, abs=0.2)
    assert lash_map.pinion_runout.high_point_deg == pytest.approx(210.0, abs=0.4)
    # FIM from its definition: a radial move F narrows the gap by 2 F sin α_n, peak to peak 2 A.
    assert lash_map.gear_runout.fim_mm == pytest.approx(0.020 / np.sin(np.radians(20.0)), rel=2e-3)
    assert lash_map.mean_mm == pytest.approx(0.2, abs=2e-5)
    assert lash_map.variation_mm == pytest.approx(0.060, abs=4e-4)
    assert lash_map.separable.gear
    assert lash_map.separable.pinion


@pytest.mark.parametrize("engagement", [0.5, np.nan, np.inf])
def test_engagements_that_are_not_whole_are_refused(engagement: float) -> None:
    with pytest.raises(LashMapError) as refusal:
        fit_lash_map(HUNTING, [0.0, 7.0, 14.0, 21.0, engagement], np.full(5, 0.2), 1e-4)
    assert refusal.value.field == "engagements"


@pytest.mark.parametrize("uncertainty", [0.0, -1e-4, np.nan])
def test_an_uncertainty_that_is_not_above_zero_is_refused(uncertainty: float) -> None:
    with pytest.raises(LashMapError) as refusal:
        fit_lash_map(HUNTING, [0, 7, 14, 21, 28], np.full(5, 0.2), uncertainty)
    assert refusal.value.field == "standard_uncertainty_mm"


@pytest.mark.parametrize("engagements", [[], [0], [0, 17, 40], [0, 17, 40, 520, 537]])
def test_fewer_than_four_different_engagements_are_refused(engagements: list[int]) -> None:
    with pytest.raises(LashMapError, match="at least 4 different engagements"):
        fit_lash_map(HUNTING, engagements, np.full(len(engagements), 0.2), 1e-4)


@given(shift=st.floats(-0.05, 10.0), seed=st.integers(0, 50))
@settings(max_examples=10, deadline=None)
def test_a_shift_of_all_readings_moves_only_the_constant(shift: float, seed: int) -> None:
    before, _ = fitted(seed, count=12)
    after = fit_lash_map(
        HUNTING, before.engagements, before.backlash_mm + shift, before.standard_uncertainty_mm
    )
    assert after.mean_mm - before.mean_mm == pytest.approx(shift, abs=1e-8)
    assert after.tight_spot.engagement == before.tight_spot.engagement
    assert after.tight_spot.band_mm == pytest.approx(np.add(before.tight_spot.band_mm, shift), abs=1e-8)
    assert after.variation_mm == pytest.approx(before.variation_mm, abs=1e-8)


@given(factor=st.floats(0.1, 30.0), seed=st.integers(0, 50))
@settings(max_examples=10, deadline=None)
def test_a_change_of_unit_scales_every_length(factor: float, seed: int) -> None:
    before, _ = fitted(seed, count=12)
    after = fit_lash_map(
        HUNTING,
        before.engagements,
        before.backlash_mm * factor,
        before.standard_uncertainty_mm * factor,
        priors=Priors().scaled(factor),
    )
    assert after.tight_spot.engagement == before.tight_spot.engagement
    assert after.tight_spot.backlash_mm == pytest.approx(before.tight_spot.backlash_mm * factor, rel=1e-4)
    assert after.variation_uncertainty_mm == pytest.approx(before.variation_uncertainty_mm * factor, rel=1e-2)


@given(seed=st.integers(0, 50), cycles=st.integers(-3, 3))
@settings(max_examples=10, deadline=None)
def test_order_and_whole_mesh_cycles_change_nothing(seed: int, cycles: int) -> None:
    before, generator = fitted(seed, count=12)
    order = generator.permutation(12)
    moved = before.engagements[order] + 520 * cycles
    after = fit_lash_map(HUNTING, moved, before.backlash_mm[order], before.standard_uncertainty_mm[order])
    assert after.tight_spot == before.tight_spot
    asked = np.arange(-7, 30)
    assert np.array_equal(after.predict(asked).backlash_mm, before.predict(asked + 520).backlash_mm)
    assert sorted(order[list(after.outliers)]) == sorted(before.outliers)
