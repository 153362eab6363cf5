"""Lash, tight spot and skew of a cycle run, against a pair turned by brute force (`driven_pair.py`)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from analysis.cycle.cycle_runs import Runs, gear_set_of, rocks_at, turned
from analysis.cycle.driven_pair import DrivenPair, Turning, ordinary_pair
from lashmap_analysis import fit_cycle
from lashmap_analysis.cycle.checks import CycleFlagName
from lashmap_analysis.cycle.cycle import CycleFit, places

QUICK = Turning(speed_deg_per_s=360.0)
SLOWER = Turning(speed_deg_per_s=240.0)
PLACES = (3, 121, 260, 400, 511)


@pytest.fixture(scope="module")
def pair() -> DrivenPair:
    return ordinary_pair((13, 40), np.random.default_rng(7))


@pytest.fixture(scope="module")
def runs(pair: DrivenPair) -> Runs:
    return turned(pair, QUICK, SLOWER)


@pytest.fixture(scope="module")
def fit(pair: DrivenPair, runs: Runs) -> CycleFit:
    return fit_cycle(gear_set_of(pair), *runs, rocks=rocks_at(pair, *PLACES))


def error_um(pair: DrivenPair, fit: CycleFit) -> np.ndarray:
    return np.asarray(1e3 * (fit.normal_mm / fit.gear_set.normal_per_transverse - pair.rocked_mm))


def names(fit: CycleFit) -> set[CycleFlagName]:
    return {flag.name for flag in fit.flags}


def test_every_engagement_is_found_within_its_uncertainty(pair: DrivenPair, fit: CycleFit) -> None:
    assert fit.good
    assert fit.seen.all()
    error = error_um(pair, fit)
    assert float(np.sqrt(np.mean(error**2))) < 2.0
    stated = 1e3 * fit.normal_uncertainty_mm / fit.gear_set.normal_per_transverse
    assert np.mean(np.abs(error) <= 1.96 * stated) > 0.9
    assert stated.max() < 2.0


def test_the_least_lies_in_its_band_and_the_tight_spot_where_it_is(pair: DrivenPair, fit: CycleFit) -> None:
    least_mm, _ = pair.least_mm
    assert fit.tight_spot is not None
    per = fit.gear_set.normal_per_transverse
    assert fit.tight_spot.low_mm <= per * least_mm <= fit.tight_spot.high_mm
    assert float(pair.lash(np.array([fit.tight_spot.place]))[0]) - least_mm < 0.001


@pytest.mark.parametrize("tooth", [4, 31])
def test_one_bad_gear_tooth_is_the_tight_spot_whatever_pinion_tooth_it_meets(tooth: int) -> None:
    pair = ordinary_pair((13, 40), np.random.default_rng(1), runout_um=3.0, tooth_um=1.0)
    pair.errors_mm[1][tooth] += 0.014
    fit = fit_cycle(gear_set_of(pair), *turned(pair, QUICK, SLOWER), rocks=rocks_at(pair, *PLACES))
    assert fit.tight_spot is not None
    assert fit.tight_spot.engagement % 40 == tooth
    assert float(np.sqrt(np.mean(error_um(pair, fit) ** 2))) < 2.0


def test_counts_taken_together_have_no_skew(fit: CycleFit) -> None:
    assert fit.disturbances is not None
    assert (fit.disturbances.skew_s.value, fit.disturbances.skew_s.standard_uncertainty) == (0.0, 0.0)


@pytest.mark.parametrize(
    "passes",
    [
        pytest.param((60.0, 180.0, 0.0), id="two speeds"),
        pytest.param((60.0, None, 0.2), id="one speed that varies by a fifth"),
    ],
)
def test_the_skew_of_two_streams_is_found(
    pair: DrivenPair, passes: tuple[float, float | None, float]
) -> None:
    slow, quick, wander = passes
    how = Turning(skew_s=0.0113, ripple=(0.03, wander), stamp_noise_s=0.0002, speed_deg_per_s=slow)
    chosen = [how] if quick is None else [how, replace(how, speed_deg_per_s=quick)]
    fit = fit_cycle(gear_set_of(pair), *turned(pair, *chosen), rocks=rocks_at(pair, *PLACES))
    assert fit.good
    assert fit.disturbances is not None
    skew = fit.disturbances.skew_s
    assert skew.value == pytest.approx(0.0113, abs=5e-5)
    assert abs(skew.value - 0.0113) < 3 * skew.standard_uncertainty
    assert float(np.sqrt(np.mean(error_um(pair, fit) ** 2))) < 2.0


def test_one_steady_speed_leaves_the_skew_unproven_and_gives_no_lash(pair: DrivenPair) -> None:
    how = Turning(skew_s=0.0113, ripple=(0.0, 0.0), speed_deg_per_s=180.0)
    fit = fit_cycle(gear_set_of(pair), *turned(pair, how))
    assert not fit.good
    assert CycleFlagName.SKEW_UNPROVEN in names(fit)
    assert fit.tight_spot is None


def test_lost_contact_is_cut_out_and_moves_nothing(pair: DrivenPair) -> None:
    how = replace(QUICK, lost=15.0)
    fit = fit_cycle(gear_set_of(pair), *turned(pair, how, how), rocks=rocks_at(pair, *PLACES))
    assert fit.good
    assert CycleFlagName.CONTACT_LOST in names(fit)
    assert 0.005 < fit.lost < 0.2
    assert float(np.sqrt(np.mean(error_um(pair, fit) ** 2))) < 2.0


def test_half_a_cycle_says_which_engagements_are_missing(pair: DrivenPair) -> None:
    fit = fit_cycle(gear_set_of(pair), *turned(pair, replace(QUICK, part=0.5)))
    assert CycleFlagName.PART_OF_CYCLE in names(fit)
    assert set(range(270, 510)) <= set(fit.missing.tolist())
    assert not set(range(5, 250)) & set(fit.missing.tolist())
    # Half a cycle meets every tooth of both members: what two of them add up to is known.
    assert np.isfinite(fit.normal_mm).all()
    little = fit_cycle(gear_set_of(pair), *turned(pair, replace(QUICK, part=0.05)))
    assert np.isnan(little.normal_mm).any()
    assert any("not even their teeth were met" in flag.sentence for flag in little.flags)


def test_two_brake_torques_take_the_wind_up_out(pair: DrivenPair) -> None:
    """At 2 µm a N m, a brake of 2 and 6 N m opens lash by 8 and 24 µm."""
    soft = replace(pair, wind_up_mm_per_nm=0.002)
    light, heavy = (replace(QUICK, brake_nm=torque) for torque in (2.0, 6.0))
    fit = fit_cycle(gear_set_of(soft), *turned(soft, light, heavy))
    assert fit.disturbances is not None
    assert fit.disturbances.wind_up_mm_per_nm.value == pytest.approx(0.002, abs=0.0003)
    assert abs(float(np.mean(error_um(soft, fit)))) < 3e3 * fit.level_mm.standard_uncertainty


def test_rocks_take_a_wind_up_out_that_is_the_same_in_all_passes(pair: DrivenPair) -> None:
    how = replace(QUICK, brake_nm=None)
    loose = fit_cycle(gear_set_of(pair), *turned(pair, how, how))
    assert CycleFlagName.NOT_TIED in names(loose)
    tied = fit_cycle(gear_set_of(pair), *turned(pair, how, how), rocks=rocks_at(pair, *PLACES))
    assert CycleFlagName.NOT_TIED not in names(tied)
    assert tied.level_mm.standard_uncertainty < 0.2 * loose.level_mm.standard_uncertainty


def test_rocks_that_contradict_the_curve_are_a_doubt(pair: DrivenPair, runs: Runs) -> None:
    fit = fit_cycle(gear_set_of(pair), *runs, rocks=rocks_at(pair, *PLACES, off_mm=-0.020))
    assert CycleFlagName.ROCKS_DISAGREE in names(fit)
    one_off = [*rocks_at(pair, *PLACES[1:]), *rocks_at(pair, PLACES[0], off_mm=0.030)]
    assert CycleFlagName.ROCKS_DISAGREE in names(fit_cycle(gear_set_of(pair), *runs, rocks=one_off))


def test_a_drift_of_one_encoder_is_found_and_taken_out(pair: DrivenPair) -> None:
    """0.1 µm a second is some 20 µm over the run; a step that long is not called a jump."""
    how = replace(QUICK, drift_mm_per_s=1e-4)
    fit = fit_cycle(gear_set_of(pair), *turned(pair, how, how), rocks=rocks_at(pair, *PLACES))
    assert fit.disturbances is not None
    assert fit.disturbances.drift_mm_per_s.value == pytest.approx(1e-4, abs=2e-5)
    assert float(np.sqrt(np.mean(error_um(pair, fit) ** 2))) < 2.0


def test_a_first_pass_repeated_at_the_end_tells_the_drift(pair: DrivenPair) -> None:
    """0.1 µm a second: 5 µm between the flanks, and more rocks than three would be needed to see it."""
    how = replace(QUICK, drift_mm_per_s=1e-4)
    drive, coast = turned(pair, how, how)
    once = fit_cycle(gear_set_of(pair), drive[:1], coast[:1])
    again = fit_cycle(gear_set_of(pair), drive, coast[:1])
    assert again.good
    assert again.disturbances is not None
    assert again.disturbances.drift_mm_per_s.value == pytest.approx(1e-4, abs=2e-5)
    opened = 2e3 * 2.0 * pair.wind_up_mm_per_nm  # by the brake, which no rock has taken off here
    between_s = float(coast[0].pinion_time_s.mean() - drive[0].pinion_time_s.mean())
    assert float(error_um(pair, once).mean()) == pytest.approx(opened + 1e-1 * between_s, abs=0.5)
    assert float(error_um(pair, again).mean()) == pytest.approx(opened, abs=0.5)


def test_cells_that_nobody_saw_do_not_pull_their_neighbours_down() -> None:
    """A second a pass and 500 samples: one or two to a cell, and none in some."""
    pair = ordinary_pair((20, 20), np.random.default_rng(3))
    how = [replace(one, rate_hz=500.0) for one in (QUICK, SLOWER)]
    fit = fit_cycle(gear_set_of(pair), *turned(pair, *how), rocks=rocks_at(pair, 0, 7, 13))
    assert fit.tight_spot is not None
    assert not np.isfinite(fit.lash_mm).all()
    off = fit.tight_spot.backlash_mm / fit.gear_set.normal_per_transverse - pair.least_mm[0]
    assert abs(off) < 0.005


@pytest.mark.parametrize("order", [1.0, 3.0])
def test_profiles_that_wave_are_not_smoothed_flat(order: float) -> None:
    pair = ordinary_pair((13, 40), np.random.default_rng(3), wave=(0.001, order))
    fit = fit_cycle(gear_set_of(pair), *turned(pair, QUICK, SLOWER), rocks=rocks_at(pair, *PLACES))
    assert fit.tight_spot is not None
    off = fit.tight_spot.backlash_mm / fit.gear_set.normal_per_transverse - pair.least_mm[0]
    assert 1e3 * off - float(error_um(pair, fit).mean()) == pytest.approx(0.0, abs=1.0)


def test_a_tooth_that_is_far_off_leaves_no_trough_beside_it() -> None:
    """Smoothing alone makes one of 4.3 µm here."""
    pair = ordinary_pair((13, 40), np.random.default_rng(1), bad_tooth_um=60.0)
    fit = fit_cycle(gear_set_of(pair), *turned(pair, QUICK, SLOWER), rocks=rocks_at(pair, *PLACES))
    assert fit.tight_spot is not None
    assert CycleFlagName.SUDDEN in names(fit)
    off = fit.tight_spot.backlash_mm / fit.gear_set.normal_per_transverse - pair.least_mm[0]
    assert 1e3 * off - float(error_um(pair, fit).mean()) == pytest.approx(0.0, abs=2.5)


def test_two_torques_tell_a_brake_that_changes_with_the_gear_from_runout() -> None:
    pair = ordinary_pair((13, 40), np.random.default_rng(7), wind_up_mm_per_nm=0.001)

    def once_a_turn_um(*torques: float) -> float:
        how = [replace(QUICK, brake_nm=one, brake_swing=0.25) for one in torques]
        fit = fit_cycle(gear_set_of(pair), *turned(pair, *how), rocks=rocks_at(pair, *PLACES))
        return 2 * float(abs(np.mean(error_um(pair, fit) * np.exp(2j * np.pi * np.arange(pair.length) / 40))))

    # Both flanks of 2 N·m and 1 µm/N·m, a quarter of it: unseen.
    assert once_a_turn_um(2.0, 2.0) == pytest.approx(1.0, abs=0.2)
    assert once_a_turn_um(1.0, 4.0) < 0.3


def test_a_brake_that_may_change_with_the_gear_is_in_the_uncertainty(pair: DrivenPair) -> None:
    """Opened are 2 µm of 2 N·m: a fifth of it, at any angle."""
    stated = []
    for wind_up in (0.0, 0.001):
        soft = replace(pair, wind_up_mm_per_nm=wind_up)
        fit = fit_cycle(gear_set_of(soft), *turned(soft, QUICK, QUICK), rocks=rocks_at(soft, *PLACES))
        level = fit.level_mm.standard_uncertainty
        stated.append(float(np.median(fit.standard_uncertainty_mm**2)) - level**2)
    assert stated[1] > stated[0]


def test_passes_that_do_not_differ_tell_neither_drift_nor_wind_up(pair: DrivenPair) -> None:
    """What rounding leaves of one pass less its own mean is no difference."""
    fit = fit_cycle(gear_set_of(pair), *turned(pair, QUICK), rocks=rocks_at(pair, *PLACES))
    assert fit.disturbances is not None
    found = fit.disturbances
    assert not any(
        one.known for one in (found.drift_mm_per_s, found.wind_up_mm_per_nm, *found.swing_mm_per_nm)
    )


def test_counts_in_step_with_the_samples_cost_uncertainty(pair: DrivenPair) -> None:
    """At one count for each sample, here 18° of the gear a second, a mean hides up to half a step."""
    in_step = Turning(speed_deg_per_s=18.0 * 40 / 13, ripple=(0.0, 0.0), part=0.1)
    beside = replace(in_step, speed_deg_per_s=in_step.speed_deg_per_s * 1.09)
    plain = replace(pair, eccentric_deg=(0.0, 0.0))
    stated = [
        fit_cycle(gear_set_of(plain), *turned(plain, how)).repeatability_mm for how in (in_step, beside)
    ]
    assert stated[0] > 2 * stated[1]


@pytest.mark.parametrize("teeth", [(20, 20), (15, 45), (16, 46)])
def test_sets_whose_teeth_meet_rarely_are_found_too(teeth: tuple[int, int]) -> None:
    pair = ordinary_pair(teeth, np.random.default_rng(3))
    how = [Turning(speed_deg_per_s=speed) for speed in (60.0, 90.0)]
    fit = fit_cycle(gear_set_of(pair), *turned(pair, *how), rocks=rocks_at(pair, 0, 7, 13))
    assert fit.good
    assert float(np.sqrt(np.mean(error_um(pair, fit) ** 2))) < 2.0
    assert fit.tight_spot is not None
    assert float(pair.lash(np.array([fit.tight_spot.place]))[0]) - pair.least_mm[0] < 0.002


def test_wrapped_angles_and_repeated_samples_change_nothing_that_matters(
    pair: DrivenPair, runs: Runs, fit: CycleFit
) -> None:
    (first, *others), coast = runs
    twice = np.repeat(np.arange(first.pinion_deg.size), 1 + (np.arange(first.pinion_deg.size) % 50 == 0))
    spoilt = replace(
        first,
        pinion_time_s=first.pinion_time_s[twice],
        gear_time_s=first.pinion_time_s[twice],
        pinion_deg=(first.pinion_deg[twice] + 180.0) % 360.0 - 180.0,
        gear_deg=(first.gear_deg[twice] + 180.0) % 360.0 - 180.0,
    )
    again = fit_cycle(gear_set_of(pair), [spoilt, *others], coast, rocks=rocks_at(pair, *PLACES))
    np.testing.assert_allclose(again.normal_mm, fit.normal_mm, atol=1e-9)


def test_the_roll_within_an_engagement_is_measured(pair: DrivenPair, fit: CycleFit) -> None:
    whole = pair.lash(places(pair.length))
    depth = float(np.mean(pair.rocked_mm - whole.min(axis=1)))
    assert fit.roll_mm / fit.gear_set.normal_per_transverse == pytest.approx(depth, abs=0.0005)


def test_one_pass_each_way_over_pairs_that_meet_once_shows_no_scatter_and_is_refused() -> None:
    pair = ordinary_pair((15, 45), np.random.default_rng(5))
    once = fit_cycle(gear_set_of(pair), *turned(pair, QUICK), rocks=rocks_at(pair, 0, 11, 34))
    assert CycleFlagName.UNREPEATED in names(once)
    assert not once.good
    twice = fit_cycle(gear_set_of(pair), *turned(pair, QUICK, SLOWER), rocks=rocks_at(pair, 0, 11, 34))
    assert twice.good
