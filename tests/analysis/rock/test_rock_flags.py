"""Every flag of a rock: one trace that provokes it, one that nearly does, and traces without a lash."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from analysis.rock_faults import FAULTS, make_faulty
from analysis.rock_traces import Rock, Trace, make
from lashmap_analysis.rock.flags import FlagName
from lashmap_analysis.rock.rock import RockReading, measure_rock

POWERED = Rock(lash_mm=0.1203, resolution_mm=0.001, noise_mm=0.0008, reversals=12)
HAND = Rock(
    lash_mm=0.1503, resolution_mm=0.001, rate_hz=8.0, dwell_s=0.55, travel_s=0.08, reversals=12, bounce=0.02
)


def measure(trace: Trace, rock: Rock) -> RockReading:
    return measure_rock(trace.time_s, trace.indicator_mm, resolution_mm=rock.resolution_mm)


def disabling(reading: RockReading) -> set[FlagName]:
    return {flag.name for flag in reading.flags if flag.disabling}


# What is expected of each fault of the trace maker: any of these names (one fault has several faces)
EXPECTED = {
    "slip": {FlagName.SLIP},
    "wind-up": {FlagName.UNSTEADY_FLANK, FlagName.FLANK_NOT_SETTLED},
    "out of range": {FlagName.OUT_OF_RANGE},
    "single flank": {FlagName.SINGLE_FLANK, FlagName.FLANK_NOT_SETTLED, FlagName.UNSTEADY_FLANK},
    "too few reversals": {FlagName.TOO_FEW_REVERSALS},
    "sine": {FlagName.FLANK_NOT_SETTLED, FlagName.UNSTEADY_FLANK},
    "triangle": {FlagName.FLANK_NOT_SETTLED, FlagName.UNSTEADY_FLANK},
    "random walk": set(FlagName),
    "ramp": {FlagName.SINGLE_FLANK, FlagName.TOO_FEW_REVERSALS},
    "flat noise": {FlagName.SINGLE_FLANK},
    "stuck": {FlagName.STUCK},
    "undersampled": {FlagName.UNDERSAMPLED_DWELL, FlagName.TOO_FEW_REVERSALS},
    "gap": {FlagName.GAP_IN_SAMPLES},
}


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("rock", [POWERED, HAND], ids=["powered", "hand"])
def test_a_faulty_trace_is_refused_by_its_name(fault: str, rock: Rock) -> None:
    # source: the fault that the trace maker was asked for
    for seed in range(6):
        rng = np.random.default_rng(seed)
        trace = make_faulty(rock, fault, rng)
        reading = measure(trace, rock)
        assert disabling(reading) & EXPECTED[fault], (seed, reading.flags)
        assert all(flag.sentence and flag.numbers for flag in reading.flags)
        # RFC 8259, 6: a number in JSON is finite
        assert all(np.isfinite(value) for flag in reading.flags for value in flag.numbers.values())


@pytest.mark.parametrize("rock", [POWERED, HAND], ids=["powered", "hand"])
def test_a_good_trace_has_no_disabling_flag(rock: Rock) -> None:
    for seed in range(20):
        reading = measure(make(rock, np.random.default_rng(seed)), rock)
        assert reading.usable, (seed, reading.flags)


def test_four_reversals_are_enough_and_three_are_not() -> None:
    steady = replace(POWERED, partial_ends=False, irregularity=0.0)
    enough = measure(make(replace(steady, reversals=4), np.random.default_rng(1)), steady)
    short = measure(make(replace(steady, reversals=3), np.random.default_rng(1)), steady)
    assert enough.usable
    assert enough.reversals == 4
    assert short.reversals == 3
    assert disabling(short) == {FlagName.TOO_FEW_REVERSALS}


def test_a_shift_within_the_scatter_is_no_slip() -> None:
    rng = np.random.default_rng(2)
    trace = make(POWERED, rng)
    when = trace.path.arrive_s[6] - 0.01
    for share, refused in ((0.01, False), (0.1, True)):
        shifted = trace.indicator_mm + share * POWERED.lash_mm * (trace.time_s > when)
        reading = measure_rock(trace.time_s, shifted, resolution_mm=POWERED.resolution_mm)
        assert (FlagName.SLIP in disabling(reading)) == refused, share


def test_creep_larger_than_the_lash_is_a_slip_and_half_of_it_is_none() -> None:
    for share, refused in ((0.5, False), (1.3, True)):
        rock = replace(POWERED, drift_mm=share * POWERED.lash_mm)
        reading = measure(make(rock, np.random.default_rng(3)), rock)
        assert (FlagName.SLIP in disabling(reading)) == refused, share


def test_a_rebound_between_two_samples_is_no_braking() -> None:
    # seeds at which most touches fall between two samples, so that only the rebound after them is seen
    fast = replace(POWERED, lash_mm=1.0, resolution_mm=0.0001, noise_mm=0.0002, rate_hz=100.0, dwell_s=0.15)
    fast = replace(
        fast, travel_s=0.04, bounce=0.1, seating_mm=0.003, jitter=0.6, irregularity=0.05, reversals=8
    )
    for seed in (28, 41, 94, 109, 131):
        reading = measure(make(fast, np.random.default_rng(seed)), fast)
        assert FlagName.FLANK_NOT_REACHED not in disabling(reading), seed


@pytest.mark.parametrize("bounce", [0.05, 0.1])
@pytest.mark.parametrize("samples", [4, 6, 8, 10, 12, 16])
def test_a_rebound_is_no_braking_however_many_samples_see_an_arrival(samples: int, bounce: float) -> None:
    # the touch lasts for less than a sample, so that some arrivals show it and others the rebound only
    rock = replace(POWERED, rate_hz=samples / 0.04, dwell_s=0.15, travel_s=0.04, bounce=bounce)
    rock = replace(rock, resolution_mm=0.0001, noise_mm=0.0002, jitter=0.3)
    for seed in range(10):
        reading = measure(make(rock, np.random.default_rng(seed)), rock)
        assert reading.usable, (seed, reading.flags)


def test_one_code_of_difference_between_few_samples_is_no_movement() -> None:
    # source: two rounded samples of a gear at rest differ by up to a code, and by the drift taken off them
    coarse = replace(HAND, lash_mm=0.1077, resolution_mm=0.01, noise_mm=0.002, bounce=0.0, drift_mm=0.03)
    for seed in (1, 15, 25, 39, 57, 69, 73, 75):
        reading = measure(make(coarse, np.random.default_rng(seed)), coarse)
        assert FlagName.FLANK_NOT_SETTLED not in {flag.name for flag in reading.flags}, seed


def test_noise_as_large_as_what_is_looked_for_does_not_say_that_the_gear_turned_back() -> None:
    # seeds at which noise of a tenth of the lash takes two of sixteen parts of the mean stay off its level
    noisy = replace(POWERED, lash_mm=0.0085, resolution_mm=0.00254, noise_mm=0.00076, rate_hz=100.0)
    noisy = replace(noisy, dwell_s=0.15, travel_s=0.04, bounce=0.0, seating_mm=0.0, reversals=14)
    for seed in (12, 77, 148):
        reading = measure(make(noisy, np.random.default_rng(seed)), noisy)
        assert FlagName.UNSTEADY_FLANK not in disabling(reading), seed


def test_who_never_stops_is_told_to_pause_and_not_that_something_slipped() -> None:
    time_s = np.arange(1200) / 100.0
    noise_mm = np.random.default_rng(3).normal(0.0, 0.0005, len(time_s))
    moving = np.round(0.045 * np.sin(2.0 * np.pi * time_s) + noise_mm, 3)
    reading = measure_rock(time_s, moving, resolution_mm=0.001)
    assert FlagName.FLANK_NOT_SETTLED in disabling(reading)
    assert FlagName.SLIP not in disabling(reading)
    said = " ".join(flag.sentence for flag in reading.flags)
    assert "pause at each end" in said or "hold still at each end" in said


def test_a_press_that_relaxes_before_the_middle_of_the_dwell_is_no_wind_up() -> None:
    rock = replace(POWERED, relax=0.15)
    reading = measure(make(rock, np.random.default_rng(4)), rock)
    assert reading.usable, reading.flags
    assert reading.reading_mm == pytest.approx(rock.lash_mm, abs=5 * reading.standard_uncertainty_mm)


def test_peak_to_peak_well_above_the_step_is_heavy_rocking_but_usable() -> None:
    for relax, heavy in ((0.02, False), (0.15, True)):
        rock = replace(POWERED, relax=relax)
        reading = measure(make(rock, np.random.default_rng(5)), rock)
        names = {flag.name for flag in reading.flags}
        assert (FlagName.HEAVY_ROCKING in names) == heavy
        assert reading.usable
        assert reading.peak_to_peak_mm - reading.reading_mm > relax * rock.lash_mm


def test_a_short_gap_only_warns_and_its_steps_are_left_out() -> None:
    trace = make(POWERED, np.random.default_rng(6))
    start = trace.path.arrive_s[4] + 0.02
    whole = measure(trace, POWERED)
    keep = (trace.time_s < start) | (trace.time_s > start + 0.25)
    reading = measure_rock(trace.time_s[keep], trace.indicator_mm[keep], resolution_mm=0.001)
    flags = [flag for flag in reading.flags if flag.name == FlagName.GAP_IN_SAMPLES]
    assert reading.usable
    assert len(flags) == 1
    assert not flags[0].disabling
    assert flags[0].numbers["longest_gap_s"] == pytest.approx(0.25, abs=0.01)
    assert reading.reversals < whole.reversals


def test_uneven_sampling_is_no_gap() -> None:
    rock = replace(POWERED, jitter=0.9)
    reading = measure(make(rock, np.random.default_rng(7)), rock)
    assert FlagName.GAP_IN_SAMPLES not in {flag.name for flag in reading.flags}
    assert reading.usable


def test_an_arch_on_the_flanks_shows_in_all_thin_stays_together() -> None:
    # source: a half sine wave of the given height on every dwell, added to a good trace
    rock = replace(HAND, noise_mm=0.003, reversals=14, irregularity=0.05)
    for seed in range(8):
        trace = make(rock, np.random.default_rng(seed))
        path = trace.path
        at = np.clip(np.searchsorted(path.arrive_s, trace.time_s, side="right") - 1, 0, rock.reversals)
        part = np.clip((trace.time_s - path.arrive_s[at]) / (path.leave_s[at] - path.arrive_s[at]), 0, 1)
        arch = np.sign(path.level_mm[at] - path.level_mm.mean()) * np.sin(np.pi * part)
        for share, refused in ((0.01, False), (0.35, True)):
            value = np.round(trace.indicator_mm + share * rock.lash_mm * arch, 3)
            reading = measure_rock(trace.time_s, value, resolution_mm=rock.resolution_mm)
            assert (FlagName.UNSTEADY_FLANK in disabling(reading)) == refused, (seed, share)


def test_a_thin_trace_too_noisy_to_show_rest_is_refused_and_a_quieter_one_is_not() -> None:
    refused = [0, 0]
    for seed in range(10):
        for at, share in enumerate((0.1, 0.01)):
            rock = replace(HAND, noise_mm=share * HAND.lash_mm, reversals=7, irregularity=0.05)
            reading = measure(make(rock, np.random.default_rng(seed)), rock)
            flags = [flag for flag in reading.flags if flag.name == FlagName.UNDERSAMPLED_DWELL]
            refused[at] += bool(flags)
            assert all(flag.numbers["hidden_movement_mm"] > flag.numbers["limit_mm"] for flag in flags)
    assert refused[0] >= 5
    assert refused[1] == 0


def test_too_few_samples_for_any_shape_say_so_with_finite_numbers() -> None:
    short = replace(HAND, reversals=5, irregularity=0.05)
    seen = 0
    for seed in range(20):
        reading = measure(make(short, np.random.default_rng(seed)), short)
        flags = [flag for flag in reading.flags if flag.name == FlagName.UNDERSAMPLED_DWELL]
        seen += bool(flags)
        assert all(np.isfinite(value) for flag in flags for value in flag.numbers.values())
        assert all("longer" in flag.sentence for flag in flags)
    assert seen >= 5


def test_an_indicator_that_freezes_is_stuck_and_a_long_dwell_is_not() -> None:
    trace = make(POWERED, np.random.default_rng(8))
    resting = (trace.time_s > trace.path.arrive_s[6] + 0.05) & (trace.time_s < trace.path.leave_s[6])
    at = int(np.flatnonzero(resting)[0])
    frozen = trace.indicator_mm.copy()
    frozen[at:] = frozen[at]
    reading = measure_rock(trace.time_s, frozen, resolution_mm=0.001)
    assert FlagName.STUCK in disabling(reading)
    noise = np.round(np.random.default_rng(9).normal(0, 0.8, 500)) * 0.001
    lasting = np.concatenate((trace.indicator_mm[:at], trace.indicator_mm[at] + noise))
    reading = measure_rock(0.001 * np.arange(lasting.size), lasting, resolution_mm=0.001)
    assert FlagName.STUCK not in disabling(reading)


def test_one_infinite_sample_is_out_of_range() -> None:
    trace = make(POWERED, np.random.default_rng(10))
    value = trace.indicator_mm.copy()
    value[100] = np.inf
    reading = measure_rock(trace.time_s, value, resolution_mm=0.001)
    assert disabling(reading) == {FlagName.OUT_OF_RANGE}
    assert reading.flags[0].numbers["samples_out_of_range"] == 1.0


def test_a_noise_free_indicator_that_repeats_its_levels_is_not_out_of_range() -> None:
    rock = replace(POWERED, noise_mm=0.0, seating_mm=0.0, bounce=0.0)
    reading = measure(make(rock, np.random.default_rng(11)), rock)
    assert reading.usable, reading.flags


def test_a_lone_wild_sample_does_no_harm() -> None:
    trace = make(POWERED, np.random.default_rng(12))
    value = trace.indicator_mm.copy()
    value[value.size // 2] += 50.0
    reading = measure_rock(trace.time_s, value, resolution_mm=0.001)
    assert reading.usable, reading.flags
    assert reading.reading_mm == pytest.approx(POWERED.lash_mm, abs=0.0005)


@pytest.mark.parametrize("samples", [80, 300, 2000])
def test_traces_without_a_lash_never_give_a_usable_reading(samples: int) -> None:
    time = np.arange(samples) / 200
    for seed in range(40):
        rng = np.random.default_rng(seed)
        for value in (
            rng.normal(0, 0.01, samples),
            0.05 * np.sin(2 * np.pi * rng.uniform(1, 4) * time),
            np.cumsum(rng.normal(0, 0.002, samples)),
            rng.uniform(-0.1, 0.1) * time,
            rng.uniform(-0.05, 0.05, samples),
            np.full(samples, 1.234),
        ):
            rounded = np.round(value, 3)
            reading = measure_rock(time, rounded, resolution_mm=0.001)
            assert not reading.usable, (seed, reading)
