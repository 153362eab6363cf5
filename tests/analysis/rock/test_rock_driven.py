"""Rocks as a drive makes them: slow departures, unequal dwells, spikes, creep, a flank not reached."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from analysis.rock_motions import Motion, drive
from analysis.rock_traces import Rock, Trace, make
from lashmap_analysis.rock.flags import Flag, FlagName
from lashmap_analysis.rock.flanks import find_stays
from lashmap_analysis.rock.rock import RockReading, measure_rock
from lashmap_analysis.rock.steps import compare_flanks, pool_flanks
from scipy import stats

STAND = Motion(lash_mm=0.1203, rocks_hz=4.0, rate_hz=1000.0)
SLOW = {
    "cosine": replace(STAND, departure="cosine", travel=0.5),
    "exponential": replace(STAND, departure="exponential", travel=0.56),
    "clipped sine": replace(STAND, departure="clipped sine", travel=0.55),
    "cosine at 0.3 Hz, polled": replace(STAND, departure="cosine", travel=0.5, rocks_hz=0.3, rate_hz=20.0),
    "in noise": replace(STAND, departure="cosine", travel=0.5, rocks_hz=1.0, noise_mm=0.006),
}


def measure(motion: Motion, seed: int) -> RockReading:
    trace = drive(motion, np.random.default_rng(seed))
    return measure_rock(trace.time_s, trace.indicator_mm, resolution_mm=motion.resolution_mm)


def flag_of(reading: RockReading, name: FlagName) -> Flag | None:
    return next((flag for flag in reading.flags if flag.name == name), None)


def holds_truth(reading: RockReading, lash_mm: float) -> bool:
    quantile = float(stats.t.ppf(0.975, reading.degrees_of_freedom))
    return abs(reading.reading_mm - lash_mm) <= quantile * reading.standard_uncertainty_mm


@pytest.mark.parametrize("name", SLOW)
def test_a_gear_that_rests_may_leave_the_flank_as_slowly_as_it_likes(name: str) -> None:
    # source: the lash that the drive was given
    for seed in range(6):
        reading = measure(SLOW[name], seed)
        assert reading.usable, (seed, reading.flags)
        assert reading.reversals >= 9
        assert abs(reading.reading_mm - SLOW[name].lash_mm) <= 3 * reading.standard_uncertainty_mm, seed


def test_dwells_end_before_the_slow_departure_begins() -> None:
    # a departure within 0.5 % of the lash cannot be told from rest: a cosine needs 6.4 % of its time for that
    motion = SLOW["cosine"]
    trace = drive(motion, np.random.default_rng(3))
    reading = measure_rock(trace.time_s, trace.indicator_mm, resolution_mm=motion.resolution_mm)
    unseen_s = 0.1 * 0.5 * 0.5 / motion.rocks_hz
    for dwell in reading.dwells:
        at = int(np.searchsorted(trace.path.arrive_s, dwell.end_s)) - 1
        assert dwell.end_s <= trace.path.leave_s[at] + unseen_s
        assert dwell.start_s >= trace.path.arrive_s[at]


@pytest.mark.parametrize("ratio", [12.0, 1 / 12.0])
def test_a_rest_of_a_quarter_of_its_stay_between_slow_departures_is_one(ratio: float) -> None:
    # source: the trace maker's truth
    motion = replace(STAND, rocks_hz=1.0, departure="cosine", travel=0.3, ratio=ratio)
    for seed in range(20):
        reading = measure(motion, seed)
        assert reading.usable
        assert abs(reading.reading_mm - motion.lash_mm) <= 3 * reading.standard_uncertainty_mm


@pytest.mark.parametrize("ratio", [12.0, 1 / 12.0])
def test_such_a_rest_is_found_in_noise_as_well(ratio: float) -> None:
    # noise of 2.5 % of the lash: single stays do not show the rest, all of them together do
    motion = replace(STAND, rocks_hz=3.0, departure="cosine", travel=0.3, ratio=ratio, noise_mm=0.003)
    readings = [measure(motion, seed) for seed in range(30)]
    assert sum(reading.usable for reading in readings) >= 25
    assert all(holds_truth(reading, motion.lash_mm) for reading in readings if reading.usable)


@pytest.mark.parametrize("ratio", [12.0, 1 / 12.0])
def test_a_stay_that_the_beginning_cuts_within_a_travel_does_not_bend_the_drift(ratio: float) -> None:
    # source: the drift that the trace maker was given
    motion = replace(STAND, rocks_hz=1.0, travel=0.15, ratio=ratio, drift_mm=0.05 * STAND.lash_mm)
    for seed in range(8):
        trace = drive(motion, np.random.default_rng(seed))
        late = trace.time_s > trace.path.leave_s[0] - 0.015
        time, value = trace.time_s[late], trace.indicator_mm[late]
        padded = np.append(time - time.mean(), 0.0)
        stays = find_stays(padded, value)
        assert stays.stop[0] < 60, "the first stay is travel, most of it"
        drift = stays.levels.slope * trace.path.length_s
        assert drift == pytest.approx(motion.drift_mm, abs=0.01 * motion.lash_mm), seed
        reading = measure_rock(time, value, resolution_mm=motion.resolution_mm)
        assert reading.usable, (seed, reading.flags)


@pytest.mark.parametrize("ratio", [60.0, 1 / 60.0])
def test_a_rest_that_is_hardly_one_is_refused_for_that(ratio: float) -> None:
    motion = replace(STAND, rocks_hz=1.0, departure="cosine", travel=0.3, ratio=ratio)
    for seed in range(20):
        names = {flag.name for flag in measure(motion, seed).flags if flag.disabling}
        assert names & {FlagName.FLANK_NOT_SETTLED, FlagName.UNSTEADY_FLANK}


@pytest.mark.parametrize("ratio", [6.0, 12.0, 1 / 12.0])
def test_one_flank_may_be_held_much_longer_than_the_other(ratio: float) -> None:
    motion = replace(STAND, rocks_hz=1.0, ratio=ratio, travel=0.15)
    for seed in range(6):
        reading = measure(motion, seed)
        assert reading.usable, (seed, reading.flags)
        assert abs(reading.reading_mm - motion.lash_mm) <= 3 * reading.standard_uncertainty_mm, seed


def test_spikes_are_left_out_and_counted() -> None:
    plain = replace(STAND, rocks_hz=1.0)
    for seed in range(6):
        trace = drive(replace(plain, spikes=0.01), np.random.default_rng(seed))
        # source: samples further from both flanks than anything else of this rock is
        middle = float(np.ptp(trace.path.level_mm) / 2 + trace.path.level_mm.min())
        wild = int(np.count_nonzero(np.abs(trace.indicator_mm - middle) > 0.75 * plain.lash_mm))
        reading = measure_rock(trace.time_s, trace.indicator_mm, resolution_mm=plain.resolution_mm)
        flag = flag_of(reading, FlagName.SPIKES)
        assert reading.usable, reading.flags
        assert flag is not None
        assert not flag.disabling
        assert 0.8 * wild <= flag.numbers["spikes"] <= 0.02 * trace.time_s.size
        assert abs(reading.reading_mm - plain.lash_mm) <= 3 * reading.standard_uncertainty_mm
        assert flag_of(measure(plain, seed), FlagName.SPIKES) is None


def test_a_rock_of_single_samples_is_too_fast_and_has_no_spikes() -> None:
    motion = replace(STAND, rocks_hz=4.0, rate_hz=8.3, reversals=60)
    reading = measure(motion, 1)
    assert not reading.usable
    assert flag_of(reading, FlagName.SPIKES) is None


@pytest.mark.parametrize("shape", ["exponential", "log"])
@pytest.mark.parametrize("share", [0.003, 0.01, -0.01])
@pytest.mark.parametrize("rate_hz", [20.0, 1000.0])
def test_creep_on_the_flank_is_within_what_is_stated(shape: str, share: float, rate_hz: float) -> None:
    # source: the contact where the drive's creep begins (outward), or where it ends (an oil film)
    motion = replace(STAND, rocks_hz=0.5, rate_hz=rate_hz, creep_shape=shape, creep_time=0.3)
    motion = replace(motion, lash_mm=0.2, creep_mm=share * 0.2)
    for seed in range(6):
        reading = measure(motion, seed)
        assert reading.usable, reading.flags
        assert holds_truth(reading, motion.lash_mm), (
            seed,
            reading.reading_mm,
            reading.standard_uncertainty_mm,
        )


@pytest.mark.parametrize(("share", "warned"), [(0.001, False), (0.006, True)])
def test_creep_is_said_only_where_it_makes_much_of_the_uncertainty(share: float, *, warned: bool) -> None:
    # source: the trace maker's creep
    motion = replace(STAND, rocks_hz=1.0, creep_mm=share * STAND.lash_mm)
    readings = [measure(motion, seed) for seed in range(20)]
    assert all(reading.usable for reading in readings)
    said = sum(flag_of(reading, FlagName.UNSTEADY_FLANK) is not None for reading in readings)
    assert (said > 15) if warned else (said == 0)
    without = [measure(replace(motion, creep_mm=0.0), seed) for seed in range(20)]
    wider = [
        one.standard_uncertainty_mm > other.standard_uncertainty_mm
        for one, other in zip(readings, without, strict=True)
    ]
    assert sum(wider) > 15


def test_creep_that_could_not_be_seen_costs_less_the_longer_and_quieter_the_dwells_are() -> None:
    plain = replace(STAND, resolution_mm=0.0001, seating_mm=0.0)
    noisy, usual, quiet, long = (
        np.median([measure(motion, seed).standard_uncertainty_mm for seed in range(5)])
        for motion in (
            replace(plain, noise_mm=0.0006),
            plain,
            replace(plain, noise_mm=0.0001),
            replace(plain, rocks_hz=0.4),
        )
    )
    # the limit of detection is the noise over the root of the number of samples (GUM 4.2.3)
    assert 1.5 * usual < noisy < 2.5 * usual
    assert quiet < 0.6 * usual
    assert usual / np.sqrt(10) < long < 2 * usual / np.sqrt(10)


def test_who_draws_back_is_not_told_of_wind_up() -> None:
    for creep, said, not_said in ((0.03, "into the flank", "drew back"), (-0.03, "drew back", "wind-up")):
        motion = replace(STAND, rocks_hz=1.0, rate_hz=100.0, noise_mm=0.0015, lash_mm=0.2)
        trace = drive(motion, np.random.default_rng(4))
        path = trace.path
        at = np.clip(np.searchsorted(path.arrive_s, trace.time_s, side="right") - 1, 0, motion.reversals)
        part = np.clip((trace.time_s - path.arrive_s[at]) / (path.leave_s[at] - path.arrive_s[at]), 0, 1)
        outward = np.sign(path.level_mm[at] - path.level_mm.mean())
        moved = trace.indicator_mm + creep * motion.lash_mm * outward * part
        reading = measure_rock(trace.time_s, moved, resolution_mm=0.001)
        sentences = [flag.sentence for flag in reading.flags if flag.disabling]
        assert any(said in sentence for sentence in sentences), sentences
        assert not any(not_said in sentence for sentence in sentences), sentences


def short_of(*, flank_high: bool, share: float, seed: int) -> RockReading:
    motion = replace(STAND, rocks_hz=1.0, reversals=16, short_mm=share * STAND.lash_mm)
    trace: Trace = drive(motion, np.random.default_rng(seed))
    value = trace.indicator_mm if flank_high else -trace.indicator_mm
    return measure_rock(trace.time_s, value, resolution_mm=motion.resolution_mm)


@pytest.mark.parametrize("flank_high", [True, False])
def test_a_flank_that_is_not_reached_every_time_is_named(*, flank_high: bool) -> None:
    for seed in range(10):
        reading = short_of(flank_high=flank_high, share=0.15, seed=seed)
        flag = flag_of(reading, FlagName.FLANK_NOT_REACHED)
        assert flag is not None
        assert flag.disabling
        assert ("larger" in flag.sentence) == flank_high
        assert flag_of(reading, FlagName.SLIP) is None
        assert flag.numbers["scatter_mm"] > 3 * flag.numbers["other_flank_scatter_mm"]


def test_flanks_that_scatter_alike_are_both_flanks() -> None:
    motion = replace(STAND, rocks_hz=1.0, seating_mm=0.005 * STAND.lash_mm, reversals=16)
    assert not any(flag_of(measure(motion, seed), FlagName.FLANK_NOT_REACHED) for seed in range(40))


@pytest.mark.parametrize(("loose", "tight"), [(8, 8), (6, 9), (12, 5)])
@pytest.mark.parametrize("times", [1.5, 2.5, 4.0])
def test_how_sure_it_is_that_flanks_scatter_unlike_is_the_f_test_of_scipy(
    loose: int, tight: int, times: float
) -> None:
    # source: SciPy's F distribution; the tight flank about its own line (levels less two degrees of
    # freedom), the other about a line of that slope (levels less one)
    rng = np.random.default_rng(loose)
    time = rng.permutation(loose + tight).astype(np.float64)
    high = np.arange(loose + tight) < loose
    line = np.polyfit(time[~high], rng.normal(5, 1, tight), 1)
    off = rng.normal(0, 1, tight)
    off -= np.polyval(np.polyfit(time[~high], off, 1), time[~high])
    scattered = rng.normal(0, 1, loose)
    scattered -= scattered.mean()
    across = [float(((time[flank] - time[flank].mean()) ** 2).sum()) for flank in (high, ~high)]
    freedom = loose - 1 + min(across[0] / across[1], 1.0)
    unit = np.sqrt(float(off @ off) / (tight - 2)) / np.sqrt(float(scattered @ scattered) / freedom)
    level = line[0] * time
    level[high] += times * unit * scattered
    level[~high] += 5 + off
    found = compare_flanks(level, time, high, 1e-9)
    assert found is not None
    assert found.high
    assert found.scatter_mm / found.other_mm == pytest.approx(times, rel=1e-6)
    expected = float(stats.norm.isf(stats.f.sf(times**2, loose - 1, tight - 2)))
    # Paulson's approximation errs towards alike where degrees of freedom are few
    assert expected - 0.3 < found.chance < expected + 0.05


@pytest.mark.parametrize("levels", [4, 6])
def test_flanks_that_scatter_alike_are_found_unlike_as_often_as_a_test_at_five_percent_may(
    levels: int,
) -> None:
    # source: brute force; either flank may be the one, so one in ten, and Paulson errs towards alike
    rng = np.random.default_rng(levels)
    time = np.arange(2.0 * levels)
    high = np.arange(2 * levels) % 2 == 0
    found = [compare_flanks(rng.normal(0, 1, time.size), time, high, 1e-9) for _ in range(2000)]
    sure = sum(one is not None and one.chance > 1.645 for one in found)
    assert 0.03 * len(found) < sure < 0.12 * len(found)


@pytest.mark.parametrize("stops", [3, 5, 8])
def test_contact_is_hardly_ever_farther_from_evenly_scattered_stops_than_is_allowed_for(stops: int) -> None:
    # source: brute force; the chance in the docstring holds for any width and any number of stops
    rng = np.random.default_rng(stops)
    time = np.arange(2.0 * stops)
    high = np.arange(2 * stops) % 2 == 0
    beyond, count = 0, 6000
    for _ in range(count):
        level = 1e-6 * rng.standard_normal(time.size)
        short = rng.uniform(0, 1, stops)
        level[high] -= short
        found = compare_flanks(level, time, high, 1e-9)
        assert found is not None
        beyond += float(short.mean()) > found.short_mm
    low, most = (float(stats.binom.ppf(chance, count, 0.004)) for chance in (0.001, 0.999))
    assert low <= beyond <= most


@pytest.mark.parametrize("share", [0.02, 0.05, 0.1, 0.2])
def test_a_flank_that_is_not_reached_is_refused_or_its_interval_holds_the_truth(share: float) -> None:
    # source: the trace maker's truth; twelve reversals leave five to seven stops a flank
    motion = replace(STAND, rocks_hz=1.0, reversals=12, resolution_mm=0.0001, short_mm=share * STAND.lash_mm)
    wrong = accepted = 0
    for seed in range(60):
        reading = measure(motion, seed)
        if reading.usable:
            accepted += 1
            wide = float(stats.t.ppf(0.975, reading.degrees_of_freedom))
            wrong += abs(reading.reading_mm - motion.lash_mm) > wide * reading.standard_uncertainty_mm
    assert wrong <= 3
    assert (accepted > 30) == (share < 0.05)
    assert accepted < 5 or share < 0.1


@pytest.mark.parametrize("noise_mm", [0.0, 0.003])
def test_a_lash_of_two_and_a_half_steps_is_measured_or_refused_for_that(noise_mm: float) -> None:
    motion = replace(
        STAND, rocks_hz=1.0, lash_mm=0.025, resolution_mm=0.01, noise_mm=noise_mm, drift_mm=0.004
    )
    refused = 0
    for seed in range(20):
        reading = measure(motion, seed)
        if reading.usable:
            assert abs(reading.reading_mm - motion.lash_mm) <= 3 * reading.standard_uncertainty_mm
            continue
        refused += 1
        disabling = [flag for flag in reading.flags if flag.disabling]
        assert [flag.name for flag in disabling] == [FlagName.COARSE_INDICATOR]
        assert "steps of the indicator" in disabling[0].sentence
        assert disabling[0].numbers["step_mm"] < 0.0275
    # with noise of a third of a step the mean of many samples knows more than a step
    assert (refused == 0) == (noise_mm > 0)


@pytest.mark.parametrize("stop", ["friction", "hand"])
@pytest.mark.parametrize("rate_hz", [100.0, 1000.0])
def test_a_gear_that_is_braked_before_it_stops_is_refused_for_that(stop: str, rate_hz: float) -> None:
    # source: even deceleration, and the arm's movement of least jerk (Flash & Hogan 1985, memory)
    for seed in range(6):
        motion = replace(STAND, rocks_hz=0.5, rate_hz=rate_hz, short_mm=0.1 * STAND.lash_mm, stop=stop)
        reading = measure(replace(motion, stop_scatter=0.001), seed)
        flag = flag_of(reading, FlagName.FLANK_NOT_REACHED)
        assert flag is not None
        assert flag.disabling
        assert "larger readings" in flag.sentence
        assert flag.numbers["braking_high"] > 0.75
        # a ramp takes 0.16 of its way over 0.30 of it
        assert flag.numbers["braking_low"] == pytest.approx(0.16 / 0.30, abs=0.05)


@pytest.mark.parametrize("stop", ["friction", "hand"])
@pytest.mark.parametrize("samples", [8, 12])
def test_a_gear_that_is_braked_is_no_gear_that_is_thrown_back_between_samples(
    stop: str, samples: int
) -> None:
    # source: as above; with so few samples on a way a rebound of a sound gear is easily missed
    motion = replace(STAND, rocks_hz=1.0, rate_hz=samples / 0.1, resolution_mm=0.0001, stop=stop)
    for seed in range(6):
        short = replace(motion, short_mm=0.1 * STAND.lash_mm, stop_scatter=0.02, noise_mm=0.0002)
        flag = flag_of(measure(short, seed), FlagName.FLANK_NOT_REACHED)
        assert flag is not None
        assert flag.disabling


@pytest.mark.parametrize(("rate_hz", "travel_s", "bounce"), [(160.0, 0.022, 0.05), (200.0, 0.019, 0.1)])
@pytest.mark.parametrize("eased", [0.0, 0.25, 0.5])
def test_a_gear_that_is_eased_off_its_flank_is_not_taken_for_braked(
    rate_hz: float, travel_s: float, bounce: float, eased: float
) -> None:
    # source: constant torque once it is let go; its last sample before the flank and the rebound look braked
    rock = Rock(lash_mm=0.1203, rate_hz=rate_hz, travel_s=travel_s, bounce=bounce, dwell_s=0.15)
    for seed in range(30):
        trace = make(replace(rock, eased=eased, eased_s=0.04), np.random.default_rng(seed))
        reading = measure_rock(trace.time_s, trace.indicator_mm, resolution_mm=rock.resolution_mm)
        assert flag_of(reading, FlagName.FLANK_NOT_REACHED) is None, seed


@pytest.mark.parametrize("ratio", [1.0, 12.0])
@pytest.mark.parametrize("departure", ["ramp", "cosine", "exponential"])
def test_a_gear_that_the_flank_stops_is_not_taken_for_braked(departure: str, ratio: float) -> None:
    motion = replace(STAND, rocks_hz=0.5, departure=departure, travel=0.3, ratio=ratio, drift_mm=0.01)
    for seed in range(6):
        assert flag_of(measure(motion, seed), FlagName.FLANK_NOT_REACHED) is None


def test_stops_that_one_rock_does_not_show_are_found_over_a_test() -> None:
    # source: the trace maker's truth: stops between contact and 3 % of the lash, on the mean 1.5 % short
    motion = replace(STAND, rocks_hz=1.0, rate_hz=200.0)
    good = [measure(motion, seed) for seed in range(16)]
    short = [measure(replace(motion, short_mm=0.03 * motion.lash_mm), seed) for seed in range(16)]
    fine, found = (
        pool_flanks(
            [
                [((one.start_s + one.end_s) / 2, one.level_mm, one.high) for one in rock.dwells]
                for rock in rocks
            ],
            motion.resolution_mm,
        )
        for rocks in (good, short)
    )
    assert fine is not None
    assert found is not None
    assert fine.chance < 3
    assert found.high
    assert found.chance > 4
    assert found.short_mm == pytest.approx(0.015 * motion.lash_mm, rel=0.2)
    assert pool_flanks([], motion.resolution_mm) is None
