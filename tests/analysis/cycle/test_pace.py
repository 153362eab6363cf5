"""Stamps that moved against the even pace of a stream."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from analysis.cycle.cycle_runs import Runs, gear_set_of, rocks_of, turned
from analysis.cycle.driven_pair import Turning, ordinary_pair
from analysis.cycle.held_up import FINE, held_up
from lashmap_analysis.cycle.checks import CycleFlagName
from lashmap_analysis.cycle.cycle import fit_cycle
from lashmap_analysis.cycle.pace import at_even_pace
from lashmap_analysis.cycle.passes import CyclePass
from numpy.typing import NDArray

Floats = NDArray[np.float64]

PAIR = ordinary_pair((15, 45), np.random.default_rng(3))
QUICK = Turning(skew_s=0.006, speed_deg_per_s=360.0, counts=FINE)


@pytest.fixture(scope="module")
def steady() -> Runs:
    return turned(PAIR, QUICK, replace(QUICK, speed_deg_per_s=240.0))


def moved_by(one: CyclePass, off_s: float, *, after: float = 0.6) -> CyclePass:
    """The gear's stamps moved from one moment on."""
    begins = int(after * one.gear_time_s.size)
    return replace(
        one, gear_time_s=one.gear_time_s + np.where(np.arange(one.gear_time_s.size) < begins, 0.0, off_s)
    )


@pytest.mark.parametrize("seed", [15, 27, 34, 52])
@pytest.mark.parametrize("rocks", [0, 5])
def test_reads_that_stall_in_step_are_refused_for_their_times(steady: Runs, seed: int, rocks: int) -> None:
    # At 140 mm/s the clock's moves of up to a sample are 0.14 mm; some of them looked like lost contact, or
    # like an angle that jumped. Without rocks four stated a lash 15 to 70 µm off as good to 9 to 21.
    rng = np.random.default_rng(seed)
    drive, coast = held_up(steady, rng)
    fit = fit_cycle(gear_set_of(PAIR), drive, coast, rocks=rocks_of(PAIR, rocks, rng))
    assert fit.tight_spot is None
    (told,) = fit.flags
    assert told.name is CycleFlagName.SKEW_UNPROVEN
    assert told.disabling
    assert "keep step with the samples" in told.sentence


@pytest.mark.parametrize("seed", [1, 5])
def test_deliveries_in_step_all_the_time_are_refused_though_no_stamp_moves(steady: Runs, seed: int) -> None:
    # By brute force: paces of adapter and crystal differ, and the lash of such runs was up to 55 µm off.
    drive, coast = held_up(steady, np.random.default_rng(seed), share=0.0, every_s=0.016)
    fit = fit_cycle(gear_set_of(PAIR), drive, coast)
    assert [one.name for one in fit.flags] == [CycleFlagName.SKEW_UNPROVEN]
    assert fit.tight_spot is None
    unstated = [
        [replace(one, pinion_time_uncertainty_s=np.nan, gear_time_uncertainty_s=np.nan) for one in side]
        for side in (drive, coast)
    ]
    assert (
        at_even_pace([*unstated[0], *unstated[1]]).uncertainty_s
        < at_even_pace([*drive, *coast]).moved_s + 1e-4
    )


@pytest.mark.parametrize("share", [0.0, 0.02])
def test_reads_that_scatter_cost_nothing_and_no_contact_is_called_lost(steady: Runs, share: float) -> None:
    rng = np.random.default_rng(4)
    drive, coast = held_up(steady, rng, share=share, every_s=0.005, uneven_s=0.0002)
    fit = fit_cycle(gear_set_of(PAIR), drive, coast, rocks=rocks_of(PAIR, 5, rng))
    # A skew that moves lash by more than 4 µm is warned of; nothing else is.
    assert {one.name for one in fit.flags} <= {CycleFlagName.SKEW_UNPROVEN}
    assert fit.good
    assert fit.lost == 0.0
    assert fit.disturbances is not None
    assert fit.disturbances.skew_s.value == pytest.approx(0.006, abs=5e-5)
    assert fit.tight_spot is not None
    per = fit.gear_set.normal_per_transverse
    assert fit.tight_spot.low_mm <= per * PAIR.least_mm[0] <= fit.tight_spot.high_mm


def test_a_few_moves_are_counted_in_full_and_many_as_their_mean(steady: Runs) -> None:
    first, rng = steady[0][0], np.random.default_rng(2)
    size = first.gear_time_s.size
    for parts, low, high in ((2, 0.9, 1.1), (60, 0.05, 0.5)):
        off_s = np.repeat(rng.choice([0.0, 3e-4], parts) if parts > 2 else [0.0, 3e-4], size // parts + 1)[
            :size
        ]
        pace = at_even_pace([replace(first, gear_time_s=first.gear_time_s + off_s)])
        assert low * pace.moved_s < pace.uncertainty_s < high * pace.moved_s


@pytest.mark.parametrize("off_s", [-0.0004, 0.0003])
def test_a_move_within_a_pass_is_seen_as_large_as_it_is(steady: Runs, off_s: float) -> None:
    first = steady[0][0]
    pace = at_even_pace([first])
    assert pace.moved_s < 1e-9
    assert np.allclose(pace.passes[0].gear_time_s, first.gear_time_s, rtol=0, atol=1e-9)
    pace = at_even_pace([moved_by(first, off_s)])
    # On a line through a step that is not in the middle, some of it is slope.
    assert 0.3 * abs(off_s) < pace.moved_s < 0.8 * abs(off_s)
    assert pace.uncertainty_s == pytest.approx(pace.moved_s)
    steps = np.abs(np.diff(pace.passes[0].gear_time_s) - 0.001)
    assert steps.max() < 0.01 * abs(off_s)


def test_samples_that_are_missing_or_given_twice_are_no_move(steady: Runs) -> None:
    first = steady[0][0]
    keep = np.ones(first.gear_time_s.size, dtype=np.bool_)
    keep[[500, 501, 1700]] = False
    where = np.sort(np.concatenate((np.flatnonzero(keep), [900, 2100])))
    gappy = replace(first, gear_time_s=first.gear_time_s[where], gear_deg=first.gear_deg[where])
    assert at_even_pace([gappy]).moved_s < 1e-9


def scattered(time_s: Floats, most_s: float) -> Floats:
    """Stamps that are late by up to so much, each by itself."""
    return np.asarray(np.sort(time_s + np.random.default_rng(1).uniform(0, most_s, time_s.size)))


@pytest.mark.parametrize("most_s", [0.0004, 0.002])
def test_stamps_that_scatter_by_themselves_are_put_on_the_pace_that_the_angles_show(
    steady: Runs, most_s: float
) -> None:
    first = steady[0][0]
    late_s = scattered(first.gear_time_s, most_s)
    pace = at_even_pace([replace(first, gear_time_s=late_s)])
    off_s = pace.passes[0].gear_time_s - first.gear_time_s
    assert np.abs(late_s - first.gear_time_s - most_s / 2).max() > 0.4 * most_s
    assert np.abs(off_s - most_s / 2).max() < 0.03 * most_s
    assert np.ptp(off_s) / 2 < 1.96 * pace.uncertainty_s < 0.1 * most_s


def test_samples_that_were_taken_unevenly_keep_their_stamps(steady: Runs) -> None:
    first = steady[0][0]
    taken_s = scattered(first.gear_time_s, 0.002)
    taken_deg = np.interp(taken_s, first.gear_time_s, first.gear_deg)
    pace = at_even_pace([replace(first, gear_time_s=taken_s, gear_deg=taken_deg)])
    assert np.array_equal(pace.passes[0].gear_time_s, taken_s)


def test_stamps_that_scatter_stay_as_they_are_where_a_sample_is_missing(steady: Runs) -> None:
    first = steady[0][0]
    late_s = np.delete(scattered(first.gear_time_s, 0.0004), first.gear_time_s.size // 3)
    deg = np.delete(first.gear_deg, first.gear_time_s.size // 3)
    pace = at_even_pace([replace(first, gear_time_s=late_s, gear_deg=deg)])
    assert np.array_equal(pace.passes[0].gear_time_s, late_s)


def test_a_pass_that_was_stamped_elsewhere_as_a_whole_is_seen(steady: Runs) -> None:
    # The streams go on between the passes: 5 s at 1 kHz.
    first, second = steady[0][0], steady[1][0]
    samples = round((second.gear_time_s[0] - first.gear_time_s[-1]) / 0.001)
    then = second.gear_time_s - second.gear_time_s[0] + first.gear_time_s[-1] + 0.001 * samples
    assert at_even_pace([first, replace(second, gear_time_s=then)]).moved_s < 1e-9
    moved = at_even_pace([first, replace(second, gear_time_s=then + 0.0003)]).moved_s
    assert 0.00005 < moved < 0.0003
