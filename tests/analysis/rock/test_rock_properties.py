"""What must not change the lash of a rock: the zero, which way is up, units, clocks, the direction of time.

Source: the definition of the reading (a mean difference of levels) is linear in the indicator and does not
know the time axis but for the removed drift, so that these relations hold for any trace.
"""

from __future__ import annotations

import numpy as np
import pytest
from analysis.rock_traces import Rock, Trace, make
from hypothesis import given, settings
from hypothesis import strategies as st
from lashmap_analysis.rock.rock import RockReading, measure_rock

MILLIMETRES_PER_INCH = 25.4  # exact by definition (NIST SP 811, B.8)

seeds = st.integers(0, 2**20)
few = settings(max_examples=25, deadline=None, derandomize=True)


@st.composite
def rocks(draw: st.DrawFn) -> tuple[Rock, Trace]:
    """A good trace of any kind."""
    resolution = draw(st.sampled_from([0.0001, 0.001, 0.00254, 0.01]))
    lash = resolution * draw(st.floats(5, 90))
    slow = draw(st.booleans())
    rock = Rock(
        lash_mm=lash,
        resolution_mm=resolution,
        noise_mm=draw(st.sampled_from([0.3, 0.7])) * resolution,
        rate_hz=8.0 if slow else 500.0,
        dwell_s=0.55 if slow else 0.12,
        travel_s=0.08 if slow else 0.03,
        drift_mm=draw(st.floats(-0.2, 0.2)) * lash,
        reversals=draw(st.integers(8, 16)),
        seating_mm=0.002 * lash,
    )
    return rock, make(rock, np.random.default_rng(draw(seeds)))


def measure(rock: Rock, trace: Trace, scale: float = 1.0, offset: float = 0.0) -> RockReading:
    """Measure with the indicator, its unit and its zero changed."""
    return measure_rock(
        trace.time_s, scale * trace.indicator_mm + offset, resolution_mm=abs(scale) * rock.resolution_mm
    )


def assert_same(changed: RockReading, plain: RockReading, scale: float = 1.0, rel: float = 1e-6) -> None:
    """Same dwells, same flags, lengths scaled."""
    assert [flag.name for flag in changed.flags] == [flag.name for flag in plain.flags]
    assert changed.reversals == plain.reversals
    assert changed.reading_mm == pytest.approx(scale * plain.reading_mm, rel=rel, nan_ok=True)
    expected = scale * plain.standard_uncertainty_mm
    assert changed.standard_uncertainty_mm == pytest.approx(expected, rel=rel, nan_ok=True)
    assert changed.peak_to_peak_mm == pytest.approx(scale * plain.peak_to_peak_mm, rel=rel, nan_ok=True)


@few
@given(made=rocks(), offset=st.floats(-5, 5))
def test_the_zero_of_the_indicator_is_free(made: tuple[Rock, Trace], offset: float) -> None:
    assert_same(measure(*made, offset=offset), measure(*made))


@few
@given(made=rocks(), scale=st.floats(0.01, 100))
def test_scaling_indicator_and_resolution_scales_the_lash(made: tuple[Rock, Trace], scale: float) -> None:
    assert_same(measure(*made, scale=scale), measure(*made), scale)


@few
@given(made=rocks())
def test_inches_and_millimetres_agree(made: tuple[Rock, Trace]) -> None:
    inches = measure(*made, scale=1 / MILLIMETRES_PER_INCH)
    assert_same(inches, measure(*made), 1 / MILLIMETRES_PER_INCH)


@few
@given(made=rocks())
def test_the_sign_of_the_indicator_is_free(made: tuple[Rock, Trace]) -> None:
    plain, flipped = measure(*made), measure(*made, scale=-1.0)
    assert_same(flipped, plain)
    assert [dwell.high for dwell in flipped.dwells] == [not dwell.high for dwell in plain.dwells]


@few
@given(made=rocks(), stretch=st.floats(0.1, 10), shift=st.floats(-1e4, 1e4))
def test_the_clock_is_free(made: tuple[Rock, Trace], stretch: float, shift: float) -> None:
    rock, trace = made
    plain = measure(rock, trace)
    other = measure_rock(stretch * trace.time_s + shift, trace.indicator_mm, resolution_mm=rock.resolution_mm)
    assert_same(other, plain)
    assert other.drift_mm_per_s == pytest.approx(plain.drift_mm_per_s / stretch, rel=1e-4, abs=1e-12)


@few
@given(made=rocks())
def test_a_trace_read_backwards_has_the_same_lash(made: tuple[Rock, Trace]) -> None:
    rock, trace = made
    plain = measure(rock, trace)
    backwards = measure_rock(-trace.time_s[::-1], trace.indicator_mm[::-1], resolution_mm=rock.resolution_mm)
    assert backwards.reversals == pytest.approx(plain.reversals, abs=1)
    if plain.usable and backwards.usable:
        allowed = 0.5 * (plain.standard_uncertainty_mm + backwards.standard_uncertainty_mm)
        assert backwards.reading_mm == pytest.approx(plain.reading_mm, abs=allowed)


@few
@given(made=rocks(), seed=seeds)
def test_whatever_comes_in_nothing_usable_comes_without_numbers(made: tuple[Rock, Trace], seed: int) -> None:
    rock, trace = made
    rng = np.random.default_rng(seed)
    value = trace.indicator_mm.copy()
    cut = int(rng.integers(0, value.size + 1))
    value[rng.random(value.size) < rng.uniform(0, 1)] = np.nan
    reading = measure_rock(trace.time_s[:cut], value[:cut], resolution_mm=rock.resolution_mm)
    if reading.usable:
        assert reading.reversals >= 4
        assert 0 < reading.standard_uncertainty_mm < reading.reading_mm
        assert reading.degrees_of_freedom >= 1
    else:
        assert all(flag.numbers for flag in reading.flags)
