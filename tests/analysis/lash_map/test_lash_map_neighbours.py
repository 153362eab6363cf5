"""What neighbouring teeth share: its shape, and what it brings the map."""

from __future__ import annotations

import numpy as np
import pytest
from analysis.lash_truth import gear_set
from lashmap_analysis import fit_lash_map, plan_positions
from lashmap_analysis.lash_map.lash_map import Priors
from lashmap_analysis.lash_map.model import neighbour_roots

ALONE = Priors(neighbour_um=(1e-6, 1e-6))
"""Every tooth for itself."""


def test_shared_deviations_correlate_as_the_periodic_spline_says() -> None:
    # DLMF 24.8.1: Σ cos(2πnx)/n⁴ = −(2π)⁴/48 · B₄(x), B₄(x) = x⁴ − 2x³ + x² − 1/30; orders 1 and 2 taken out.
    teeth = 46
    x = np.arange(teeth) / teeth
    every = -((2.0 * np.pi) ** 4) / 48.0 * (x**4 - 2.0 * x**3 + x**2 - 1.0 / 30.0)
    above = every - np.cos(2.0 * np.pi * x) - np.cos(4.0 * np.pi * x) / 16.0
    root = neighbour_roots(teeth)
    covariance = root @ root.T
    # Teeth are whole: orders above 23 fold back, 1e-3 of the sum.
    assert covariance[0] == pytest.approx(above / above[0], abs=3e-3)
    assert np.diag(covariance) == pytest.approx(1.0)
    assert covariance[5] == pytest.approx(np.roll(covariance[0], 5))


@pytest.mark.parametrize("teeth", [1, 3, 5])
def test_a_member_with_too_few_teeth_shares_nothing(teeth: int) -> None:
    assert not neighbour_roots(teeth).any()


def test_three_waves_a_turn_are_seen_between_the_positions() -> None:
    # Order 3 of the gear, 4 µm, read at 24 of 40 gear teeth: to teeth that stand alone it is scatter.
    k = plan_positions(gear_set(13, 40), 24, 13)
    every = np.arange(520)
    errors: dict[str, list[float]] = {"alone": [], "neighbours": []}
    covered = []
    for seed in range(10):
        generator = np.random.default_rng(seed)
        phase = generator.uniform(0.0, 2.0 * np.pi, 3)
        gear = 0.015 * np.cos(2.0 * np.pi * every / 40 - phase[0])
        gear += 0.004 * np.cos(6.0 * np.pi * every / 40 - phase[1])
        truth = 0.2 + gear + 0.010 * np.cos(2.0 * np.pi * every / 13 - phase[2])
        readings = truth[k] + 3e-4 * generator.standard_normal(len(k))
        alone = fit_lash_map(gear_set(13, 40), k, readings, 2e-4, priors=ALONE).predict(every)
        found = fit_lash_map(gear_set(13, 40), k, readings, 2e-4).predict(every)
        errors["alone"].append(float(np.mean((alone.backlash_mm - truth) ** 2)))
        errors["neighbours"].append(float(np.mean((found.backlash_mm - truth) ** 2)))
        covered.append(np.mean(np.abs(found.backlash_mm - truth) < 2.0 * found.standard_uncertainty_mm))
    assert np.sqrt(np.mean(errors["neighbours"])) < 0.7 * np.sqrt(np.mean(errors["alone"]))
    assert np.mean(covered) > 0.9


def test_draws_spread_as_the_covariance_says() -> None:
    # Two ways to one posterior: in closed form, and by draws whose shared part is made from the square roots.
    generator = np.random.default_rng(3)
    k = plan_positions(gear_set(13, 40), 24, 13)
    gear = 3.0 * np.cos(8.0 * np.pi * (k % 40) / 40 - 1.0)
    readings = 0.2 + 1e-3 * (gear + 0.5 * generator.standard_normal(len(k)))
    patterns = fit_lash_map(gear_set(13, 40), k, readings, 2e-4).posterior
    assert patterns is not None
    together = patterns.draws_um[:, :40] + patterns.draws_um[:, [40]]
    variance = np.diag(patterns.covariance_um2)
    expected = variance[:40] + variance[40] + 2.0 * patterns.covariance_um2[:40, 40]
    assert together.std(axis=0) == pytest.approx(np.sqrt(expected), rel=0.1)
