"""Spikes, shown resolution and the figures of refusals, counted by hand."""

from __future__ import annotations

import numpy as np
import pytest
from analysis.rock_traces import Floats
from lashmap_analysis.rock.flags import FlagName
from lashmap_analysis.rock.flanks import find_stays
from lashmap_analysis.rock.rock import RockReading, find_spikes, measure_rock, measure_rocks, shown_resolution
from lashmap_analysis.rock.shape import Shape, measure_shape
from scipy import stats


def spikes_of(value: Floats, resolution_mm: float = 0.001) -> list[int] | None:
    change = np.diff(value)
    wild = find_spikes(value, change, np.abs(change), resolution_mm)
    return None if wild is None else wild.nonzero()[0].tolist()


@pytest.mark.parametrize(
    ("changed", "size", "found"),
    [
        ({10: 1.0}, 50, [10]),
        ({10: 1.0, 30: -1.0}, 50, [10, 30]),
        ({10: 1.0, 12: 1.0}, 80, [10, 12]),  # every second sample of a run
        ({10: 1.0, 11: 1.0}, 50, None),  # two that agree are no spike
        (
            {10: 0.5, **dict.fromkeys(range(11, 13), 1.0), 13: 0.5},
            50,
            None,
        ),  # there and back over two samples
        ({10: 0.0034}, 50, [10]),  # 3.37 codes
        ({10: 0.0033}, 50, None),
        ({10: 1.0, 20: 1.0, 30: 1.0}, 70, None),  # more than two, and more than one in 25
        ({10: 1.0, 20: 1.0, 30: 1.0}, 80, [10, 20, 30]),
    ],
)
def test_spikes_are_samples_that_leave_both_their_neighbours(
    changed: dict[int, float], size: int, found: list[int] | None
) -> None:
    value = np.zeros(size)
    value[list(changed)] = list(changed.values())
    assert spikes_of(value) == found


@pytest.mark.parametrize(("height", "found"), [(11.3, [10]), (10.3, None)])
def test_a_spike_stands_out_of_the_usual_change_and_of_the_lash(
    height: float, found: list[int] | None
) -> None:
    # by hand: samples change by 0.02 in turn; one leaves both neighbours by 10.37 of that or not
    value = np.where(np.arange(60) % 2, 0.02, 0.0)
    value[10] += 0.02 * height + 0.02
    assert spikes_of(value) == found
    # between the tenths of these samples lies 1; a quarter of that is a rebound
    flanks = np.repeat([0.0, 1.0, 0.0, 1.0], 15)
    for off, spike in ((0.24, None), (0.26, [22])):
        rebound = flanks.copy()
        rebound[22] -= off
        assert spikes_of(rebound) == (None if spike is None else [22])


@pytest.mark.parametrize(
    ("steps", "grid_mm", "shown"),
    [
        (range(15), 0.002, True),  # thirteen more on a grid twice as coarse: 2^-13 is less than e^-9
        (range(14), 0.002, False),
        (range(60), 0.0014, False),  # not clearly coarser
        (range(60), 0.0016, True),
        ((0, 2, 5, 7, 9, 12, 14, 17, 19), 0.01, True),  # the least distance is two steps of it
        ((0, 3, 7, 10, 13, 17, 20, 24, 27), 0.01, True),  # or three
        ((0, 4, 9, 13, 17, 22, 26, 31, 35), 0.01, False),  # four are not looked for
        ((0, 1), 0.01, False),
    ],
)
def test_a_grid_that_all_values_lie_on_is_the_resolution(
    steps: tuple[int, ...], grid_mm: float, *, shown: bool
) -> None:
    value = 0.3 + grid_mm * np.array([*steps, *steps])
    found = shown_resolution(value, np.abs(np.diff(value)), 0.001)
    assert found == pytest.approx(grid_mm if shown else 0.001)


def square(levels: Floats, each: int = 60) -> Floats:
    return np.repeat(levels, each)


def up_and_down(dwells: int) -> Floats:
    return np.where(np.arange(dwells) % 2, -0.05, 0.05)


def measure(value: Floats, resolution_mm: float = 1e-6) -> RockReading:
    return measure_rock(np.arange(value.size) / 1000, value, resolution_mm=resolution_mm)


def numbers(reading: RockReading, name: FlagName, key: str) -> dict[str, float] | None:
    return next((dict(one.numbers) for one in reading.flags if one.name is name and key in one.numbers), None)


@pytest.mark.parametrize(("dwells", "seed"), [(5, 8), (6, 2), (8, 0), (12, 2)])
def test_a_reading_that_is_hardly_known_is_refused_by_students_t(dwells: int, seed: int) -> None:
    # source: SciPy's t, which the series meets within 3.1 % (A & S 26.7.5); two fifths are allowed
    rng = np.random.default_rng(seed)  # levels that differ enough
    reading = measure(square(up_and_down(dwells) + 0.03 * rng.standard_normal(dwells)))
    found = numbers(reading, FlagName.TOO_FEW_REVERSALS, "expanded_uncertainty_mm")
    expanded = float(stats.t.ppf(0.975, reading.degrees_of_freedom)) * reading.standard_uncertainty_mm
    assert found is not None
    assert found["expanded_uncertainty_mm"] == pytest.approx(expanded, rel=0.032)
    assert found["limit_mm"] == pytest.approx(0.4 * reading.reading_mm)


@pytest.mark.parametrize(
    ("codes", "noise", "coarse"),
    [(1.9, 0.5, True), (2.2, 0.5, False), (2.6, 0.0, True), (2.9, 0.0, False)],
)
def test_an_indicator_is_too_coarse_below_two_steps_or_three_quarters_more_without_noise(
    codes: float, noise: float, *, coarse: bool
) -> None:
    # by hand: without noise a step of 2.6 codes is read as 2 or 3 of them; 2.4 and 2.9 from 0.1 are 2 and 3
    rng = np.random.default_rng(1)
    value = square(codes / 0.1 * up_and_down(15)) + noise * rng.standard_normal(900)
    if not noise:
        value += np.repeat(np.where(np.arange(15) % 4 < 2, 0.0, 0.5), 60) if coarse else 0.5 * codes
    reading = measure(np.round(value), 1.0)
    assert (numbers(reading, FlagName.COARSE_INDICATOR, "least_steps") is not None) == coarse, reading.flags


@pytest.mark.parametrize(("share", "heavy"), [(0.045, False), (0.055, True), (0.1, True)])
def test_heavy_rocking_is_what_the_extremes_add_to_the_step(share: float, *, heavy: bool) -> None:
    # by hand: three samples overshoot each level by a share of the step; a tenth of it is allowed in all
    value = square(up_and_down(13))
    for first in range(3):
        value[first::60] *= 1 + 2 * share
    found = numbers(measure(value), FlagName.HEAVY_ROCKING, "excess_mm")
    assert (found is not None) == heavy
    if found is not None:
        assert found["excess_mm"] == pytest.approx(0.1 * 2 * share, rel=1e-3)


def test_a_rest_between_the_flanks_is_told_with_its_share_of_the_samples() -> None:
    # by hand: a hundred samples midway among 780 at the flanks; a mean stay is 880 / 13
    value = np.insert(square(up_and_down(13)), [360] * 100, 0.0)
    found = numbers(measure(value, 1e-4), FlagName.SLIP, "share_near_flanks")
    assert found is not None
    assert found["share_near_flanks"] == pytest.approx(780 / 880, abs=0.002)
    assert found["longest_between_flanks_of_stay"] == pytest.approx(100 / (880 / 13), abs=0.03)
    assert found["share_beyond_flanks"] == 0.0
    # 30 of 780 samples lie a third of the step beyond a flank
    value = square(up_and_down(13))
    value[400:430] += np.where(value[400:430] > 0, 0.033, -0.033)
    found = numbers(measure(value), FlagName.SLIP, "share_beyond_flanks")
    assert found is not None
    assert found["share_beyond_flanks"] == pytest.approx(30 / 780, abs=0.002)


@pytest.mark.parametrize(("share", "refused"), [(0.9, False), (1.1, True), (-1.1, True)])
def test_flanks_that_drift_by_more_than_the_step_did_not_stay(share: float, *, refused: bool) -> None:
    # by hand: the drift over the whole trace as a share of the step
    value = square(up_and_down(13)) + share * 0.1 * np.linspace(0, 1, 780)
    found = numbers(measure(value), FlagName.SLIP, "drift_mm")
    assert (found is not None) == refused
    if found is not None:
        assert found["drift_mm"] == pytest.approx(share * 0.1, rel=0.01)


@pytest.mark.parametrize(
    ("window_s", "left"),
    [((0.11, 0.13), 11), ((0.07, 0.1), 12), ((0.11, 0.19), 10), ((0.0, 0.9), 0)],
)
def test_a_window_takes_the_reversals_that_it_overlaps_out_of_the_reading(
    window_s: tuple[float, float], left: int
) -> None:
    # by hand: dwells of 0.06 s change at 0.06, 0.12, 0.18 s and so on
    value = square(up_and_down(13))
    reading = measure_rock(np.arange(780) / 1000, value, resolution_mm=1e-6, left_out_s=(window_s,))
    assert reading.reversals == left


def test_each_time_of_a_stack_is_looked_at() -> None:
    time = np.array([[0.0, 1.0, 2.0], [0.0, 2.0, 1.0]])
    with pytest.raises(ValueError, match="must not decrease"):
        measure_rocks(time, np.zeros((2, 3)), resolution_mm=0.001)
    (empty,) = measure_rocks(np.zeros(1), np.zeros((1, 1)), resolution_mm=0.001)
    assert [one.sentence for one in empty.flags] == ["0 reversals could be used, 4 are needed: keep rocking."]


@pytest.mark.parametrize("freedom", [3, 5, 10, 30])
def test_errors_from_few_samples_are_widened_about_as_students_t_does(freedom: float) -> None:
    # source: SciPy's t over the normal quantile, at 95 %
    nothing = np.zeros(3)
    shape = Shape(
        tilt_mm=nothing, tilt_error_mm=nothing, arch_mm=nothing, arch_error_mm=nothing, freedom=freedom
    )
    factor = float(stats.t.ppf(0.975, freedom) / stats.norm.ppf(0.975))
    assert factor <= shape.wide <= factor + 0.1


@pytest.mark.parametrize("wild", [0.0, 0.03])
def test_the_mean_shape_is_known_as_well_as_least_squares_say(wild: float) -> None:
    # source: the error of a slope is that of a sample over the root of the sum of v²; samples on their way,
    # one in nine far inward, are left out. The tilt is that of half the stay, v from -1/2 to 1/2.
    rng = np.random.default_rng(3)
    count, each = 14, 18
    sign = np.repeat(up_and_down(count), each) * 20
    noise = 0.0004 * rng.standard_normal(count * each)
    outward = 0.05 + noise - wild * (np.arange(count * each) % 9 == 4)
    time = np.append(np.arange(count * each) - (count * each - 1) / 2, 0.0)
    stays = find_stays(time, sign * outward)
    assert stays.start.size == count
    shape = measure_shape(time[:-1], stays, 1e-6, 0.1)
    assert shape is not None
    place = 2 * (np.arange(each) + 0.5) / each - 1
    place = place[np.abs(place) < 0.76]
    seen = place.size * (count - 2) * (1 - (wild > 0) / 7)
    error = 0.0004 / np.sqrt(seen / 2 * np.mean(place**2))
    assert shape.tilt_error_mm[:2] == pytest.approx(error, rel=0.2)
    assert np.abs(shape.tilt_mm[:2]).max() < 3 * error
    assert np.abs(shape.arch_mm[:2]).max() < 4 * shape.arch_error_mm[:2].max()
    assert 0.8 * seen - 6 < shape.freedom < seen - 6
