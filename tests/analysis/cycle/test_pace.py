"""Stamps that moved against the even pace of a stream."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from analysis.cycle.cycle_runs import Runs, gear_set_of, rocks_of, turned
from analysis.cycle.driven_pair import Turning, ordinary_pair
from analysis.cycle.held_up import held_up
from lashmap_analysis.cycle.checks import CycleFlagName
from lashmap_analysis.cycle.cycle import fit_cycle
from lashmap_analysis.cycle.pace import at_even_pace
from lashmap_analysis.cycle.passes import CyclePass

PAIR = ordinary_pair((15, 45), np.random.default_rng(3))
QUICK = Turning(skew_s=0.006, speed_deg_per_s=360.0)


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
def test_reads_that_stall_give_no_lash_that_is_wrong_with_confidence(
    steady: Runs, seed: int, rocks: int
) -> None:
    # At 140 mm/s the clock's moves of up to a sample are 0.14 mm; some of them looked like lost contact.
    # Without rocks these four stated a lash that was 15 to 70 µm off, as good to 9 to 21 µm.
    rng = np.random.default_rng(seed)
    drive, coast = held_up(steady, rng)
    fit = fit_cycle(gear_set_of(PAIR), drive, coast, rocks=rocks_of(PAIR, rocks, rng))
    assert fit.tight_spot is None
    assert fit.disturbances is None or fit.disturbances.moved_s > 1e-4
    assert not fit.good


def test_the_refusal_says_that_times_moved(steady: Runs) -> None:
    drive, coast = held_up(steady, np.random.default_rng(10))
    fit = fit_cycle(gear_set_of(PAIR), drive, coast)
    told = {flag.name: flag for flag in fit.flags}[CycleFlagName.SKEW_UNPROVEN]
    assert told.disabling
    assert "against the even pace" in told.sentence


@pytest.mark.parametrize("off_s", [-0.0004, 0.0003])
def test_a_move_within_a_pass_is_seen_as_large_as_it_is(steady: Runs, off_s: float) -> None:
    first = steady[0][0]
    even, moved_s = at_even_pace([first])
    assert moved_s < 1e-9
    assert np.allclose(even[0].gear_time_s, first.gear_time_s, rtol=0, atol=1e-9)
    even, moved_s = at_even_pace([moved_by(first, off_s)])
    # On a line through a step that is not in the middle, some of it is slope.
    assert 0.3 * abs(off_s) < moved_s < 0.8 * abs(off_s)
    steps = np.abs(np.diff(even[0].gear_time_s) - 0.001)
    assert steps.max() < 0.01 * abs(off_s)


def test_samples_that_are_missing_or_given_twice_are_no_move(steady: Runs) -> None:
    first = steady[0][0]
    keep = np.ones(first.gear_time_s.size, dtype=np.bool_)
    keep[[500, 501, 1700]] = False
    where = np.sort(np.concatenate((np.flatnonzero(keep), [900, 2100])))
    gappy = replace(first, gear_time_s=first.gear_time_s[where], gear_deg=first.gear_deg[where])
    assert at_even_pace([gappy])[1] < 1e-9


def test_stamps_that_scatter_by_themselves_stay_as_they_are(steady: Runs) -> None:
    first = steady[0][0]
    rough = np.sort(first.gear_time_s + np.random.default_rng(1).normal(0, 2e-4, first.gear_time_s.size))
    even, moved_s = at_even_pace([replace(first, gear_time_s=rough)])
    assert moved_s < 1e-9
    assert np.array_equal(even[0].gear_time_s, rough)


def test_a_pass_that_was_stamped_elsewhere_as_a_whole_is_seen(steady: Runs) -> None:
    # The streams go on between the passes: 5 s at 1 kHz.
    first, second = steady[0][0], steady[1][0]
    samples = round((second.gear_time_s[0] - first.gear_time_s[-1]) / 0.001)
    then = second.gear_time_s - second.gear_time_s[0] + first.gear_time_s[-1] + 0.001 * samples
    assert at_even_pace([first, replace(second, gear_time_s=then)])[1] < 1e-9
    moved = at_even_pace([first, replace(second, gear_time_s=then + 0.0003)])[1]
    assert 0.00005 < moved < 0.0003
