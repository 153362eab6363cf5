"""The lash of a rock trace: value, uncertainty, dwells, and what is no trace."""

from __future__ import annotations

import numpy as np
import pytest
from analysis.rock_traces import Floats, Rock, make
from lashmap_analysis.rock.creep import repeated_rounding
from lashmap_analysis.rock.rock import Dwell, RockReading, measure_rock, measure_rocks
from scipy import stats

SHAPES = {
    "hand-rocked, polled at 8 Hz": Rock(
        lash_mm=0.1503, resolution_mm=0.001, rate_hz=8.0, dwell_s=0.55, travel_s=0.08, irregularity=0.3
    ),
    "0.0005 in dial": Rock(
        lash_mm=0.203, resolution_mm=0.0127, noise_mm=0.003, rate_hz=20.0, dwell_s=0.35, travel_s=0.06
    ),
    "powered, 1 kHz": Rock(lash_mm=0.0871, resolution_mm=0.0001, drift_mm=0.02, bounce=0.1),
    "three resolutions of lash": Rock(lash_mm=0.0313, resolution_mm=0.01, noise_mm=0.004),
    "a millimetre of lash": Rock(lash_mm=1.0, resolution_mm=0.01, noise_mm=0.004, jitter=0.6),
    "noise of a quarter of the lash": Rock(lash_mm=0.02, resolution_mm=0.001, noise_mm=0.005, reversals=20),
}


def two_levels(high: float, low: float, *, dwell: int = 60, dwells: int = 9) -> tuple[Floats, Floats]:
    """A trace of steps without ramps, noise or drift."""
    value = np.repeat([high if k % 2 == 0 else low for k in range(dwells)], dwell)
    return np.arange(value.size) / 1000, value


def half_width(reading: RockReading) -> float:
    """Half of the stated 95 % interval; the quantile is SciPy's."""
    quantile = float(stats.t.ppf(0.975, reading.degrees_of_freedom))
    return quantile * reading.standard_uncertainty_mm


@pytest.mark.parametrize("name", SHAPES)
def test_the_truth_lies_within_five_stated_uncertainties_in_every_kind_of_trace(name: str) -> None:
    # source: the lash the trace maker was given, which shares no code with the estimator
    for seed in range(8):
        trace = make(SHAPES[name], np.random.default_rng(seed))
        reading = measure_rock(trace.time_s, trace.indicator_mm, resolution_mm=SHAPES[name].resolution_mm)
        assert reading.usable, (seed, reading.flags)
        assert reading.reversals >= 8
        error = abs(reading.reading_mm - SHAPES[name].lash_mm)
        assert error <= 5 * reading.standard_uncertainty_mm, (seed, reading)
        assert reading.peak_to_peak_mm >= reading.reading_mm


def test_stated_intervals_cover_the_truth_as_often_as_they_say() -> None:
    # source: the trace maker's truth; SciPy's binomial distribution bounds the count (0.1 % either side)
    rock = Rock(lash_mm=0.12, resolution_mm=0.001, noise_mm=0.0005, seating_mm=0.001, reversals=8)
    seeds = 300
    covered = refused = 0
    for seed in range(seeds):
        trace = make(rock, np.random.default_rng(seed))
        reading = measure_rock(trace.time_s, trace.indicator_mm, resolution_mm=rock.resolution_mm)
        if not reading.usable:
            refused += 1
            continue
        covered += abs(reading.reading_mm - rock.lash_mm) <= half_width(reading)
    # levels that scatter by 0.8 % of the lash look like a flank that is not reached once in a hundred rocks
    assert refused <= 3
    low, high = (float(stats.binom.ppf(chance, seeds - refused, 0.955)) for chance in (0.001, 0.999))
    assert low <= covered <= high


def test_noise_free_rounded_levels_carry_the_rounding_of_both() -> None:
    # source: GUM F.2.2.1, a rounded value has the variance q²/12; a step is a difference of two
    time, value = two_levels(0.12, 0.05)
    reading = measure_rock(time, value, resolution_mm=0.01)
    assert reading.usable
    assert reading.reading_mm == pytest.approx(0.07, abs=1e-12)
    assert reading.standard_uncertainty_mm == pytest.approx(0.01 / np.sqrt(6), rel=1e-6)
    assert reading.degrees_of_freedom > 1e6


def test_the_uncertainty_of_scattered_levels_is_that_of_a_linear_model() -> None:
    # source: statsmodels ordinary least squares of the same levels on (1, t, ±1/2); the mean of neighbouring
    # steps is another linear function of the levels, so that both agree within their common scatter
    import statsmodels.api as sm  # noqa: PLC0415 - slow to import, needed here alone

    # in this draw both flanks scatter alike, so that nothing is allowed for a flank that is not reached
    rng = np.random.default_rng(12)
    levels = 0.05 * (-1.0) ** np.arange(12) + 0.002 * rng.standard_normal(12)
    value = np.repeat(levels, 50) + 1e-5 * rng.standard_normal(600)
    reading = measure_rock(np.arange(600) / 1000, value, resolution_mm=1e-6)
    middle = np.arange(12.0)
    design = np.stack((np.ones(12), middle - middle.mean(), 0.5 * (-1.0) ** np.arange(12)), axis=1)
    fit = sm.OLS(levels, design).fit()
    assert reading.usable
    assert reading.degrees_of_freedom == pytest.approx(fit.df_resid, rel=1e-3)
    assert reading.standard_uncertainty_mm == pytest.approx(fit.bse[2], rel=0.12)
    assert abs(reading.reading_mm - fit.params[2]) < fit.bse[2]


def test_the_reading_is_the_mean_step_between_neighbouring_dwells() -> None:
    # source: the definition of the reading, worked from the dwells that are reported
    trace = make(SHAPES["powered, 1 kHz"], np.random.default_rng(3))
    reading = measure_rock(trace.time_s, trace.indicator_mm, resolution_mm=0.0001)
    middles = np.array([(dwell.start_s + dwell.end_s) / 2 for dwell in reading.dwells])
    levels = np.array([dwell.level_mm for dwell in reading.dwells]) - reading.drift_mm_per_s * middles
    assert len(reading.dwells) == reading.reversals + 1
    assert np.abs(np.diff(levels)).mean() == pytest.approx(reading.reading_mm, abs=1e-6)
    assert np.ptp(np.abs(np.diff(levels))) == pytest.approx(reading.spread_mm, abs=2e-6)


def test_dwells_lie_within_the_true_rests_and_alternate() -> None:
    rock = SHAPES["powered, 1 kHz"]
    trace = make(rock, np.random.default_rng(1))
    reading = measure_rock(trace.time_s, trace.indicator_mm, resolution_mm=rock.resolution_mm)
    for before, after in zip(reading.dwells, reading.dwells[1:], strict=False):
        assert before.high != after.high
        assert before.end_s < after.start_s
    for dwell in reading.dwells:
        assert isinstance(dwell, Dwell)
        rests = (trace.path.arrive_s <= dwell.start_s) & (dwell.end_s <= trace.path.leave_s)
        assert np.count_nonzero(rests) == 1


def test_linear_drift_is_removed_and_reported() -> None:
    rock = Rock(lash_mm=0.1, resolution_mm=0.0001, noise_mm=0.0001, drift_mm=0.04, seating_mm=0.0)
    trace = make(rock, np.random.default_rng(2))
    reading = measure_rock(trace.time_s, trace.indicator_mm, resolution_mm=0.0001)
    assert reading.drift_mm_per_s == pytest.approx(0.04 / trace.path.length_s, rel=0.01)
    assert reading.reading_mm == pytest.approx(0.1, abs=0.0002)


def test_a_stack_gives_what_its_traces_give_one_by_one() -> None:
    rng = np.random.default_rng(8)
    made = [make(SHAPES["powered, 1 kHz"], rng) for _ in range(3)]
    size = max(trace.time_s.size for trace in made)
    time, value = np.empty((3, size)), np.full((3, size), np.nan)
    for row, trace in enumerate(made):
        extra = trace.time_s[-1] + 0.001 * np.arange(1, size - trace.time_s.size + 1)
        time[row] = np.concatenate((trace.time_s, extra))
        value[row, : trace.time_s.size] = trace.indicator_mm
    stack = measure_rocks(time, value, resolution_mm=0.0001)
    alone = [measure_rock(t.time_s, t.indicator_mm, resolution_mm=0.0001) for t in made]
    assert [one.reading_mm for one in stack] == pytest.approx([one.reading_mm for one in alone], rel=1e-12)
    assert [one.flags for one in stack] == [one.flags for one in alone]
    common = measure_rocks(time[0], value[:1], resolution_mm=0.0001)
    assert common[0].reading_mm == pytest.approx(alone[0].reading_mm, rel=1e-12)


def test_an_empty_stack_is_an_empty_answer() -> None:
    assert measure_rocks(np.zeros(5), np.zeros((0, 5)), resolution_mm=0.001) == ()


@pytest.mark.parametrize(
    ("time", "value", "resolution", "message"),
    [
        (np.zeros(3), np.zeros(4), 0.001, r"\(n,\)"),
        (np.zeros((2, 3)), np.zeros((2, 3)), 0.001, r"\(n,\)"),
        (np.arange(3.0), np.zeros(3), 0.0, "resolution_mm"),
        (np.arange(3.0), np.zeros(3), np.nan, "resolution_mm"),
        (np.array([0.0, 2.0, 1.0]), np.zeros(3), 0.001, "decrease"),
        (np.array([0.0, np.nan, 1.0]), np.zeros(3), 0.001, "finite"),
        (np.array([0.0, 1.0, np.inf]), np.zeros(3), 0.001, "finite"),
    ],
)
def test_what_is_no_trace_is_an_error_that_says_so(
    time: Floats, value: Floats, resolution: float, message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        measure_rock(time, value, resolution_mm=resolution)


def test_a_stack_of_the_wrong_shape_is_an_error() -> None:
    with pytest.raises(ValueError, match="n_traces, n_samples"):
        measure_rocks(np.arange(4.0), np.zeros((2, 3)), resolution_mm=0.001)


@pytest.mark.parametrize("size", [0, 1, 2, 3, 5])
def test_too_short_a_trace_is_refused_with_nan(size: int) -> None:
    reading = measure_rock(np.arange(float(size)), np.arange(float(size)) % 2, resolution_mm=0.001)
    assert not reading.usable
    assert np.isnan(reading.reading_mm) or reading.reversals < 4


@pytest.mark.parametrize("name", ["0.0005 in dial", "three resolutions of lash", "a millimetre of lash"])
def test_a_resolution_stated_too_fine_is_seen_in_the_values(name: str) -> None:
    # source: the resolution that the trace maker rounded to
    trace = make(SHAPES[name], np.random.default_rng(6))
    honest = measure_rock(trace.time_s, trace.indicator_mm, resolution_mm=SHAPES[name].resolution_mm)
    boasted = measure_rock(trace.time_s, trace.indicator_mm, resolution_mm=0.0001)
    assert boasted.standard_uncertainty_mm == pytest.approx(honest.standard_uncertainty_mm, rel=1e-6)
    assert boasted.reading_mm == pytest.approx(honest.reading_mm, rel=1e-9)
    pair = measure_rocks(
        trace.time_s,
        np.stack((trace.indicator_mm, trace.indicator_mm + 1e-4 * np.arange(trace.time_s.size))),
        resolution_mm=0.0001,
    )
    assert pair[0].standard_uncertainty_mm == pytest.approx(honest.standard_uncertainty_mm, rel=1e-6)


def test_a_resolution_is_not_coarser_because_few_values_are_seen() -> None:
    # source: GUM F.2.2.1 with the resolution as stated; two levels say nothing about the steps between
    reading = measure_rock(*two_levels(0.12, 0.05), resolution_mm=0.001)
    assert reading.standard_uncertainty_mm == pytest.approx(0.001 / np.sqrt(6), rel=1e-6)


def test_missing_samples_are_left_out() -> None:
    rock = SHAPES["powered, 1 kHz"]
    rng = np.random.default_rng(4)
    trace = make(rock, rng)
    holed = trace.indicator_mm.copy()
    holed[rng.random(holed.size) < 0.05] = np.nan
    reading = measure_rock(trace.time_s, holed, resolution_mm=rock.resolution_mm)
    assert reading.usable
    assert abs(reading.reading_mm - rock.lash_mm) <= 5 * reading.standard_uncertainty_mm


@pytest.mark.parametrize("noise", [0.0, 0.03, 0.08, 0.15, 0.25, 0.4])
def test_rounding_that_repeats_is_what_the_normal_distribution_leaves_of_it(noise: float) -> None:
    # Straight from the definition: the mean rounding error of a level under normal noise, by SciPy's normal
    # distribution, squared and averaged over where the level lies between two codes.
    resolution = 0.002
    level = (np.arange(2000) + 0.5) / 2000
    code = np.arange(-8, 10)
    if noise:
        edges = (code[:, np.newaxis] + 0.5 - level) / noise
        share = np.diff(stats.norm.cdf(edges), axis=0, prepend=0.0)
        error = (code[:, np.newaxis] * share).sum(axis=0) - level
    else:
        error = np.round(level) - level
    expected = float(np.mean(error**2)) * resolution**2
    found = repeated_rounding((noise * resolution) ** 2, resolution)
    # The fifth term stands for all behind it, so up to 5 % too much is stated, never less.
    assert 0.999 * expected <= found + 1e-9 * resolution**2
    assert found <= 1.05 * expected + 1e-9 * resolution**2


@pytest.mark.parametrize("order", [(0, 1), (1, 0), (0, 1, 0)])
def test_a_trace_without_a_single_step_disturbs_no_other_of_its_stack(order: tuple[int, ...]) -> None:
    # In the second trace every dwell on the high flank creeps, so that no two settled dwells are neighbours.
    time = np.arange(3000) / 1000
    place, rng = time % 0.5, np.random.default_rng(3)
    rising, falling = np.clip(place / 0.02, 0, 1), 1 - np.clip((place - 0.25) / 0.02, 0, 1)
    sound = 0.2 * np.where(place < 0.25, rising, falling) + rng.normal(0, 0.0005, time.size)
    creeping = sound + np.where((place > 0.02) & (place < 0.25), 0.65 * (place - 0.02), 0.0)
    traces = [(sound, creeping)[one] for one in order]
    stack = measure_rocks(np.tile(time, (len(order), 1)), np.array(traces), resolution_mm=0.0005)
    assert [one.usable for one in stack] == [which == 0 for which in order]
    for one, trace in zip(stack, traces, strict=True):
        alone = measure_rock(time, trace, resolution_mm=0.0005)
        assert one.reading_mm == pytest.approx(alone.reading_mm, rel=1e-12, nan_ok=True)
        assert one.flags == alone.flags
    assert stack[order.index(0)].reading_mm == pytest.approx(0.2, abs=0.0003)


def square_rock(wobble_mm: float) -> tuple[Floats, Floats]:
    """A rock of eleven reversals at 200 Hz, 0.25 mm; samples lie in turn above and below their flank."""
    time = np.arange(600) / 200
    value = np.where(time % 0.5 < 0.25, 0.0, 0.25)
    return time, value + np.where(np.arange(600) % 2 == 0, wobble_mm, -wobble_mm)


def test_levels_that_agree_by_chance_are_known_no_better_than_their_samples() -> None:
    # Means of the dwells nearly agree, their samples do not: 2 µm over the root of 50 is 0.28 µm for a
    # level, and the mean of eleven steps is about that of six levels less six: 0.28 µm · √(2 / 6) = 0.16 µm.
    # A movement from third to third of the dwells is known to 2 µm · √(2 / (6 · 14)) on either flank; what
    # that hides (1.645 errors of the sum of both, times 2.5, over √3) is 1.0 µm; as much was seen by chance.
    reading = measure_rock(*square_rock(0.002), resolution_mm=0.00001)
    assert reading.usable
    assert reading.reading_mm == pytest.approx(0.25, abs=5e-5)
    assert 0.0005 < reading.standard_uncertainty_mm < 0.002


def test_a_rock_without_any_scatter_has_the_uncertainty_of_rounding_alone() -> None:
    reading = measure_rock(*square_rock(0.0), resolution_mm=0.001)
    assert reading.reading_mm == 0.25
    # Rounding repeats on both levels: √2 times 1 µm / √12 (GUM F.2.2.1), and no part of it is random.
    assert reading.standard_uncertainty_mm == pytest.approx(0.001 * np.sqrt(2 / 12), rel=1e-6)
    assert reading.degrees_of_freedom == np.inf
