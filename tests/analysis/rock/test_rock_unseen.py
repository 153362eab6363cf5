"""Stops short of a flank in thin traces: seen and refused, or allowed for.

Truths are those of the trace maker, which shares no code with the estimator; quantiles are SciPy's.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from analysis.rock_motions import Motion, drive
from lashmap_analysis.rock.flags import FlagName
from lashmap_analysis.rock.rock import RockReading, measure_rock
from lashmap_analysis.rock.steps import NO_LASH, Unlike
from lashmap_analysis.rock.unseen import could_hide
from scipy import stats

THIN = Motion(lash_mm=0.15, rocks_hz=1.0, rate_hz=20.0, travel=0.2, reversals=13)
"""Eight samples in a rest."""


def measure(motion: Motion, seed: int) -> RockReading:
    trace = drive(motion, np.random.default_rng(seed))
    return measure_rock(trace.time_s, trace.indicator_mm, resolution_mm=motion.resolution_mm)


def holds(reading: RockReading, lash_mm: float) -> bool:
    factor = float(stats.t.ppf(0.975, reading.degrees_of_freedom))
    return abs(reading.reading_mm - lash_mm) <= factor * reading.standard_uncertainty_mm


def allowed_for(reading: RockReading) -> bool:
    return any(flag.name is FlagName.FLANK_NOT_REACHED for flag in reading.flags if not flag.disabling)


@pytest.mark.parametrize("freedom", [3, 4, 6, 10])
def test_what_could_hide_is_the_upper_limit_to_a_standard_deviation(freedom: int) -> None:
    # source: SciPy's χ², one-sided 95 %
    unlike = Unlike(
        high=True, scatter_mm=0.002, other_mm=0.001, short_mm=0.0, chance=0.0, own_mm=0.002, freedom=freedom
    )
    expected = 0.002 * np.sqrt(freedom / stats.chi2.ppf(0.05, freedom))
    lash = NO_LASH._replace(unlike=unlike, level_mm=0.001)
    assert could_hide(lash) == pytest.approx(expected, rel=0.04)
    assert could_hide(lash._replace(level_mm=0.004)) == pytest.approx(2 * expected, rel=0.04)
    assert could_hide(lash._replace(unlike=None)) == np.inf


@pytest.mark.parametrize(
    ("share", "resolution_mm", "noise_mm"),
    [(0.1, 0.001, 0.0003), (0.2, 0.001, 0.0003), (0.1, 0.01, 0.0003), (0.2, 0.001, 0.003)],
)
def test_a_hand_that_stops_short_is_refused_or_its_interval_holds_the_truth(
    share: float, resolution_mm: float, noise_mm: float
) -> None:
    # source: the trace maker's truth; the hand repeats to 2 % of the lash
    motion = replace(THIN, resolution_mm=resolution_mm, noise_mm=noise_mm)
    motion = replace(motion, stop="hand", stop_scatter=0.02, short_mm=share * motion.lash_mm)
    readings = [measure(motion, seed) for seed in range(40)]
    accepted = [one for one in readings if one.usable]
    assert sum(not holds(one, motion.lash_mm) for one in accepted) <= 2
    assert all(allowed_for(one) for one in accepted if holds(one, motion.lash_mm))


def test_quiet_thin_rocks_keep_their_uncertainty() -> None:
    readings = [measure(THIN, seed) for seed in range(60)]
    assert all(one.usable and holds(one, THIN.lash_mm) for one in readings)
    assert sum(allowed_for(one) for one in readings) <= 6
    assert float(np.median([one.standard_uncertainty_mm for one in readings])) < 0.012 * THIN.lash_mm


def test_an_indicator_too_coarse_to_tell_says_so() -> None:
    # a hand that repeats to 2 % of the lash moves by 0.3 of such a code
    reading = measure(replace(THIN, resolution_mm=0.01), 1)
    told = [flag for flag in reading.flags if flag.name is FlagName.FLANK_NOT_REACHED]
    assert reading.usable
    assert len(told) == 1
    assert "the uncertainty allows for it" in told[0].sentence
    assert reading.standard_uncertainty_mm > 0.1 * THIN.lash_mm


@pytest.mark.parametrize("rate_hz", [20.0, 200.0])
def test_many_samples_a_stay_are_not_thin(rate_hz: float) -> None:
    reading = measure(replace(THIN, resolution_mm=0.01, rocks_hz=rate_hz / 100.0, rate_hz=rate_hz), 1)
    assert reading.usable
    assert not allowed_for(reading)
