"""Sums that the estimator takes in closed form, beside plain least squares and counting by hand."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest
from analysis.rock_traces import Floats
from lashmap_analysis.rock.flanks import drift_weights, find_gaps, find_stays, median_of
from lashmap_analysis.rock.rock import measure_rock
from lashmap_analysis.rock.shape import measure_shape
from lashmap_analysis.rock.steps import largest_shift, pool_flanks


def flanks(count: int) -> Floats:
    """+1 and -1 in turn."""
    return np.where(np.arange(count) % 2, -1.0, 1.0)


def left_over(columns: list[Floats], level: Floats) -> tuple[Floats, float]:
    """Solution and squares left of a least squares fit; NumPy's `lstsq`."""
    design = np.stack(columns, axis=1)
    solution = np.asarray(np.linalg.lstsq(design, level, rcond=None)[0], dtype=np.float64)
    return solution, float(np.sum((level - design @ solution) ** 2))


@pytest.mark.parametrize(("seed", "shift_at"), [(1, 5), (2, 3), (3, 8), (4, 0), (5, 6.5), (6, 2.5)])
def test_the_largest_shift_is_the_best_of_all_fits_of_a_step(seed: int, shift_at: float) -> None:
    # source: NumPy's least squares of (level, drift, flank, shift) for a shift after each dwell, with
    # one more column for a dwell in which it lies; the first two and the last two see none. Its error is
    # widened by 3.5 over the degrees of freedom (own practice, `STUDENT`).
    rng = np.random.default_rng(seed)
    count = 11
    time, sign = np.arange(count) + rng.uniform(-0.2, 0.2, count), flanks(count)
    level = (
        0.05 * sign
        + 0.001 * time
        + 0.001 * rng.standard_normal(count)
        + 0.01 * (np.arange(count) >= shift_at)
    )
    if shift_at % 1:
        level[int(shift_at)] -= 0.006
    base = [np.ones(count), time, sign]
    fitted, _ = left_over(base, level)
    residual = level - np.stack(base, axis=1) @ fitted
    sizes = []
    for within in (False, True):
        fits = []
        for first in range(3 if within else 2, count - 1):
            later = (np.arange(count) >= first).astype(float)
            own = [(np.arange(count) == first - 1).astype(float)] if within else []
            solution, left = left_over([*base, later, *own], level)
            off = left_over([*base, *own], later)[1]
            fits.append((left, solution[3], off, count - 4 - within))
        left, size, power, freedom = min(fits)
        sizes.append((size, sqrt(left / freedom) * (1 + 3.5 / freedom) / sqrt(power)))
    expected = max(sizes, key=lambda one: abs(one[0]) / one[1])
    found = largest_shift(drift_weights(time, sign), sign, residual, 1e-9)
    assert found == pytest.approx(expected, rel=1e-6)
    # a level is no surer than noise and rounding leave it
    floored = largest_shift(drift_weights(time, sign), sign, residual, 0.5)
    assert floored[1] >= 0.5


@pytest.mark.parametrize("count", [3, 4, 7])
def test_drift_weights_are_those_of_least_squares(count: int) -> None:
    # source: the row of NumPy's pseudo-inverse; two flanks in turn leave a drift only of three levels or more
    time, sign = np.array([0.0, 1.0, 2.5, 3.0, 5.0, 5.5, 7.0])[:count], flanks(count)
    inverse = np.linalg.pinv(np.stack([np.ones(count), time, sign], axis=1))
    assert drift_weights(time, sign) == pytest.approx(inverse[1], rel=1e-9)
    assert drift_weights(time[:2], sign[:2]) == pytest.approx([0.0, 0.0])
    one_flank = np.linalg.pinv(np.stack([np.ones(count), time], axis=1))[1]
    assert drift_weights(time, np.ones(count)) == pytest.approx(one_flank, rel=1e-9)
    assert median_of([3.0, 1.0, 2.0]) == 2.0
    assert median_of([4.0, 1.0, 2.0, 8.0]) == 3.0


@pytest.mark.parametrize(("burst", "stays"), [(1, 13), (11, 13), (13, 15)])
def test_a_burst_shorter_than_a_fifth_of_the_usual_stay_is_none(burst: int, stays: int) -> None:
    # by hand: so many samples of the other flank in the midst of a stay of 60; a single one never is a stay
    value = np.repeat(0.05 * flanks(13), 60)
    value[385 : 385 + burst] *= -1
    time = np.append(np.arange(780) - 389.5, 0.0)
    found = find_stays(time, value)
    assert found.start.size == stays
    assert found.levels.step_mm == pytest.approx(0.1, rel=0.01)
    # two stays alone: what the step explains is no drift
    two = find_stays(np.append(np.arange(120) - 59.5, 0.0), value[:120])
    assert two.start.tolist() == [0, 60]
    assert (two.levels.slope, two.levels.step_mm) == pytest.approx((0.0, 0.1), abs=1e-12)


@pytest.mark.parametrize(
    ("missing", "usual", "gaps", "broken"),
    [
        (slice(0, 0), 20.0, [], None),
        (slice(45, 54), 20.0, [], None),  # ten sample times are half of a stay of 20, and no more
        (slice(45, 55), 20.0, [11.0], [1]),  # eleven are more, and between the second stay and the third
        (slice(65, 76), 20.0, [12.0], []),  # within the third
        (slice(45, 49), 4.0, [], None),  # five, however short a stay is
        (slice(45, 50), 4.0, [6.0], [1]),
    ],
)
def test_a_gap_is_more_than_half_a_stay_and_five_sample_times(
    missing: slice, usual: float, gaps: list[float], broken: list[int] | None
) -> None:
    # by hand, of stays of 20 samples one second apart, in which those after `missing` samples are neighbours
    kept = np.delete(np.arange(100.0), missing)
    start = np.array([int(np.searchsorted(kept, one)) for one in (0, 20, 50, 80)])
    stop = np.append(start[1:], kept.size)
    found = find_gaps(kept, start, stop, usual)
    assert found.lengths_s.tolist() == gaps
    assert (None if found.broken is None else found.broken.nonzero()[0].tolist()) == broken


@pytest.mark.parametrize(("period", "seconds"), [(10, 4.8), (20, 9.8), (100, 50.9)])
def test_a_drive_that_rocks_in_step_with_the_samples_hides_no_flank(period: int, seconds: float) -> None:
    # by hand: a tenth of a millimetre up and down, a sample in ten on the way. One sample in `period` of so
    # many lies on one flank; the levels are found from 512 and the noise from 256 of them.
    count = round(1000 * seconds)
    places, levels = [0.0, 0.4, 0.5, 0.9, 1.0], [-0.05, -0.05, 0.05, 0.05, -0.05]
    value = np.interp(np.arange(count) % period / period, places, levels)
    reading = measure_rock(np.arange(count) / 1000, value, resolution_mm=1e-4)
    assert reading.usable, reading.flags
    assert reading.reading_mm == pytest.approx(0.1, abs=1e-4)


def test_the_mean_shape_of_all_stays_is_the_parabola_put_in() -> None:
    # source: outward = level + tilt v + arch (1 - v²) is put in, v from -1 to +1 between changes of flank;
    # tilt is told over the middle half (v from -1/2 to 1/2), arch over the middle 0.71 (v² to 1/2)
    count, each = 12, 40
    at = np.arange(count * each)
    sign = np.repeat(flanks(count), each)
    place = 2 * ((at % each) + 0.5) / each - 1
    high = sign > 0
    outward = 0.05 + np.where(high, 0.004, -0.002) * place + np.where(high, 0.003, 0.001) * (1 - place**2)
    time = at - at.mean()
    stays = find_stays(np.append(time, 0.0), sign * outward)
    assert stays.start.tolist() == list(range(0, count * each, each))
    assert stays.sign.tolist() == sign[::each].tolist()
    shape = measure_shape(time.astype(float), stays, 1e-6, 0.1)
    assert shape is not None
    assert shape.tilt_mm[:2] == pytest.approx([0.004, -0.002], abs=2e-5)
    assert shape.arch_mm[:2] == pytest.approx([0.0015, 0.0005], abs=2e-5)
    # both together: the mean by the inverse of the variances
    weight = 1 / shape.tilt_error_mm[:2] ** 2
    assert shape.tilt_mm[2] == pytest.approx(np.average(shape.tilt_mm[:2], weights=weight))
    assert shape.tilt_error_mm[2] == pytest.approx(1 / sqrt(weight.sum()))


def test_the_scatter_of_a_test_is_pooled_over_the_rocks_about_their_own_lines() -> None:
    # source: NumPy's polyfit of each flank of each rock; evenly scattered stops reach √3 standard deviations
    # to either side of their mean (the rectangular distribution, GUM 4.3.7)
    rng = np.random.default_rng(7)
    rocks = []
    squares, freedom = {True: 0.0, False: 0.0}, {True: 0, False: 0}
    for size in (9, 14, 5):
        time = np.arange(size) + rng.uniform(-0.2, 0.2, size)
        level = 0.05 * flanks(size) + 0.001 * time
        level += np.where(np.arange(size) % 2, 0.0004, 0.004) * rng.standard_normal(size)
        rocks.append(
            [(float(t), float(y), k % 2 == 0) for k, (t, y) in enumerate(zip(time, level, strict=True))]
        )
        for high in (True, False):
            mine = np.arange(size) % 2 == (not high)
            if np.count_nonzero(mine) < 3:
                continue
            line = np.polyval(np.polyfit(time[mine], level[mine], 1), time[mine])
            squares[high] += float(np.sum((level[mine] - line) ** 2))
            freedom[high] += int(np.count_nonzero(mine)) - 2
    found = pool_flanks(rocks, 1e-5)
    assert found is not None
    assert found.high
    assert found.scatter_mm == pytest.approx(sqrt(squares[True] / freedom[True]))
    assert found.other_mm == pytest.approx(sqrt(squares[False] / freedom[False]))
    assert found.short_mm == pytest.approx(sqrt(3) * sqrt(found.scatter_mm**2 - found.other_mm**2))
    coarse = pool_flanks(rocks, 0.002)  # rounding leaves q / √12 (GUM F.2.2.1)
    assert coarse is not None
    assert coarse.other_mm == pytest.approx(0.002 / sqrt(12))
    upside_down = pool_flanks([[(t, -y, not high) for t, y, high in rock] for rock in rocks], 1e-5)
    assert upside_down is not None
    assert not upside_down.high
    assert upside_down.short_mm == pytest.approx(found.short_mm)
