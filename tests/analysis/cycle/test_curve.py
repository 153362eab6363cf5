"""What a run's lash is made of, on patterns put together by hand: members' parts, and what makes it tight."""

from __future__ import annotations

import numpy as np
import pytest
from analysis.cycle.cycle_records import straight_set
from analysis.cycle.driven_pair import ordinary_pair
from lashmap_analysis.cycle.cells import PHASES
from lashmap_analysis.cycle.curve import LashCurve, lash_curve
from lashmap_analysis.cycle.cycle import CycleFit, CycleSpot
from lashmap_analysis.cycle.estimate import Estimate
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def made(teeth: tuple[int, int], pattern_mm: Floats) -> LashCurve:
    """The curve of a run that found this pattern, to 0.1 µm and a level to 0.5 µm."""
    pair = ordinary_pair(teeth, np.random.default_rng(1))
    lash, length = 0.150 + pattern_mm, pair.length
    assert lash.size == length
    tightest = int(np.nanargmin(lash))
    gear_set = straight_set(pair)
    per = gear_set.normal_per_transverse
    cells = np.repeat(lash[:, np.newaxis], PHASES, axis=1) / per
    rng = np.random.default_rng(2)
    least = float(np.nanmin(lash))
    found = lash_curve(
        CycleFit(
            gear_set=gear_set,
            flags=(),
            drive_mm=np.zeros_like(cells),
            coast_mm=cells,
            lash_mm=cells,
            standard_uncertainty_mm=np.full_like(cells, 5e-4),
            seen=np.isfinite(lash),
            normal_mm=lash,
            normal_uncertainty_mm=np.full(length, np.hypot(1e-4, 5e-4)),
            tight_spot=CycleSpot(
                engagement=tightest, place=tightest, backlash_mm=least, low_mm=least, high_mm=least
            ),
            level_mm=Estimate(value=0.0, standard_uncertainty=5e-4 / per),
            least_draws_mm=least + 5e-4 * rng.standard_normal(50),
            variation_draws_mm=float(np.nanmax(lash)) - least + 1e-4 * rng.standard_normal(50),
        ),
        shift_mm=0.004,
    )
    assert found is not None
    return found


def wave(teeth: tuple[int, int], member: int, amplitude_mm: float, high_deg: float) -> Floats:
    """Runout of a member: takes most away at the high point."""
    every = np.arange(np.lcm(*teeth))
    return np.asarray(-amplitude_mm * np.cos(2 * np.pi * every / teeth[member] - np.radians(high_deg)))


SETS = [(13, 40), (15, 45), (16, 46)]


@pytest.mark.parametrize("teeth", SETS)
def test_runout_of_either_member_is_found_and_named(teeth: tuple[int, int]) -> None:
    for member, name in ((1, "gear"), (0, "pinion")):
        other = wave(teeth, 1 - member, 0.001, 200.0)
        curve = made(teeth, wave(teeth, member, 0.009, 70.0) + other)
        found = getattr(curve, f"{name}_runout")
        assert found.amplitude_mm == pytest.approx(0.009, abs=1e-6)
        assert found.high_point_deg == pytest.approx(70.0, abs=0.01)
        # Handbook relation, from memory: runout F takes 2 F sin α of normal backlash, contact at the heel.
        assert found.fim_mm == pytest.approx(0.009 / np.sin(np.radians(20.0)), rel=1e-6)
        assert curve.cause == f"{name} side"
        assert curve.tooth_scatter_mm < 1e-6


@pytest.mark.parametrize("teeth", SETS)
def test_a_single_tooth_is_no_runout(teeth: tuple[int, int]) -> None:
    every = np.arange(np.lcm(*teeth))
    curve = made(teeth, wave(teeth, 1, 0.002, 10.0) - np.where(every % teeth[1] == 7, 0.012, 0.0))
    assert curve.cause == "tooth-to-tooth"
    assert curve.tight_spot.engagement % teeth[1] == 7


def test_both_members_and_neither() -> None:
    teeth = (13, 40)
    both = wave(teeth, 0, 0.006, 100.0) + wave(teeth, 1, 0.006, 20.0)
    assert made(teeth, both).cause == "both members"
    assert made(teeth, wave(teeth, 1, 0.0004, 0.0)).cause == "none"


def test_of_a_one_to_one_set_only_the_sum_is_known() -> None:
    curve = made((20, 20), wave((20, 20), 1, 0.008, 30.0))
    assert (curve.gear_runout, curve.pinion_runout) == (None, None)
    assert curve.merged_runout is not None
    assert curve.merged_runout.amplitude_mm == pytest.approx(0.008, abs=1e-6)
    assert curve.cause == "not separable"
    assert "1:1" in curve.separable.sentence


def test_where_an_engagement_is_not_known_no_part_is_stated() -> None:
    pattern = wave((13, 40), 1, 0.008, 30.0)
    pattern[17] = np.nan
    curve = made((13, 40), pattern)
    assert (curve.gear_runout, curve.pinion_runout, curve.whole) == (None, None, False)
    assert np.isnan(curve.predict(np.array([17, 537])).backlash_mm).all()


def test_the_temperature_moves_level_and_spot_and_no_difference() -> None:
    pattern = wave((13, 40), 1, 0.008, 30.0)
    curve = made((13, 40), pattern)
    np.testing.assert_allclose(curve.backlash_mm, 0.154 + pattern, rtol=0, atol=1e-12)
    assert curve.tight_spot.backlash_mm == pytest.approx(0.154 + pattern.min())
    assert curve.least_draws_mm.mean() == pytest.approx(0.154 + pattern.min(), abs=3e-4)
    assert curve.variation_mm == pytest.approx(float(np.ptp(pattern)), abs=1e-4)
    assert curve.shape_uncertainty_mm == pytest.approx(np.full(520, 1e-4))


def test_a_refused_run_has_no_curve() -> None:
    pair = ordinary_pair((13, 40), np.random.default_rng(1))
    nothing, cells = np.full(520, np.nan), np.full((520, PHASES), np.nan)
    refused = CycleFit(
        gear_set=straight_set(pair),
        flags=(),
        drive_mm=cells,
        coast_mm=cells,
        lash_mm=cells,
        standard_uncertainty_mm=cells,
        seen=np.zeros(520, dtype=np.bool_),
        normal_mm=nothing,
        normal_uncertainty_mm=nothing,
        tight_spot=None,
    )
    assert lash_curve(refused) is None
