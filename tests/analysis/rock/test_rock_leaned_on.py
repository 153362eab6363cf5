"""A gear that is leaned on while it rests: refused, or read with an interval that holds the lash."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from analysis.rock_traces import PRESSES, Rock, make
from lashmap_analysis.rock.flags import FlagName
from lashmap_analysis.rock.rock import RockReading, measure_rock
from scipy import stats

STAND = Rock(lash_mm=0.1203, resolution_mm=0.0001, noise_mm=0.0002)


def measure(rock: Rock, seed: int) -> RockReading:
    trace = make(rock, np.random.default_rng(seed))
    return measure_rock(trace.time_s, trace.indicator_mm, resolution_mm=rock.resolution_mm)


def holds_truth(reading: RockReading, rock: Rock) -> bool:
    quantile = float(stats.t.ppf(0.975, reading.degrees_of_freedom))
    return abs(reading.reading_mm - rock.lash_mm) <= quantile * reading.standard_uncertainty_mm


@pytest.mark.parametrize("way", PRESSES)
@pytest.mark.parametrize("rate_hz", [40.0, 100.0, 333.0])
@pytest.mark.parametrize("share", [0.008, 0.03])
def test_a_press_is_refused_or_within_what_is_stated(way: str, rate_hz: float, share: float) -> None:
    # source: the lash that the trace maker was given, and where the press begins
    rock = replace(STAND, rate_hz=rate_hz, press=share, press_at=PRESSES[way])
    for seed in range(8):
        reading = measure(rock, seed)
        assert holds_truth(reading, rock) or not reading.usable, seed


@pytest.mark.parametrize("way", ["held, and let go", "held to the end"])
@pytest.mark.parametrize("rate_hz", [80.0, 100.0, 160.0, 333.0])
def test_a_dwell_that_lies_in_the_press_is_refused_for_it(way: str, rate_hz: float) -> None:
    # read all the same, the lash is more than 3 % too large, and first and last third of the dwells are alike
    rock = replace(STAND, rate_hz=rate_hz, press=0.03, press_at=PRESSES[way])
    for seed in range(8):
        reading = measure(rock, seed)
        flags = [flag for flag in reading.flags if flag.disabling]
        assert FlagName.UNSTEADY_FLANK in {flag.name for flag in flags}, seed
        assert reading.reading_mm > 1.03 * rock.lash_mm, seed
        assert all(np.isfinite(value) for flag in flags for value in flag.numbers.values())


@pytest.mark.parametrize("way", ["more and more", "late"])
@pytest.mark.parametrize("dwell_s", [0.3, 0.5])
def test_a_press_that_grows_is_seen_by_a_few_samples_a_stay(way: str, dwell_s: float) -> None:
    # read all the same, the lash is 2 to 6 % too large: no stay shows it, all laid over each other do
    rock = replace(STAND, rate_hz=20.0, dwell_s=dwell_s, press=0.03, press_at=PRESSES[way], reversals=14)
    for seed in range(12):
        reading = measure(rock, seed)
        assert holds_truth(reading, rock) or not reading.usable, seed
        plain = measure(replace(rock, press=0.0, drift_mm=0.02), seed)
        assert plain.usable, (seed, plain.flags)
        assert holds_truth(plain, rock), seed
    refused = [not measure(rock, seed).usable for seed in range(12)]
    assert sum(refused) >= 9


@pytest.mark.parametrize("bounce", [0.01, 0.02, 0.04])
@pytest.mark.parametrize("rate_hz", [40.0, 80.0, 200.0, 1000.0])
def test_a_rebound_is_no_press(rate_hz: float, bounce: float) -> None:
    # a rebound lies inward of the dwell as well, for 0.2 to 0.6 of the time across
    rock = replace(STAND, rate_hz=rate_hz, bounce=bounce, drift_mm=0.01)
    for seed in range(8):
        reading = measure(rock, seed)
        assert reading.usable, (seed, reading.flags)
        assert holds_truth(reading, rock), seed


def test_what_goes_outward_only_after_the_dwell_costs_nothing() -> None:
    # the dwell is found where the gear rests the longest, before it is leaned on
    rock = replace(STAND, dwell_s=0.4)
    late = replace(rock, press=0.03, press_at=(0.8, 0.9, 1.0, 1.001))
    for seed in range(4):
        reading, plain = measure(late, seed), measure(rock, seed)
        assert reading.usable, reading.flags
        assert reading.reading_mm == pytest.approx(plain.reading_mm, abs=0.0001)
        assert reading.standard_uncertainty_mm < 1.5 * plain.standard_uncertainty_mm
