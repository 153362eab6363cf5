"""A window is as well timed as its worst batch."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from lashmap_daemon.testing.channels import TraceBuffer
from lashmap_drivers.readings import Samples


def filled(uncertainties_s: list[float]) -> TraceBuffer:
    """One batch a second, of four samples each."""
    buffer = TraceBuffer(keep_s=60.0)
    for second, uncertainty_s in enumerate(uncertainties_s):
        buffer.append(
            Samples.of(second + np.array([0.0, 0.25, 0.5, 0.75]), np.full(4, second), uncertainty_s)
        )
    return buffer


def test_a_window_states_the_largest_time_uncertainty_in_it() -> None:
    buffer = filled([0.1, 0.003, 0.004, 0.002])
    assert buffer.window(1.0, 4.0).largest_time_uncertainty_s == 0.004
    assert buffer.window(0.5, 1.5).largest_time_uncertainty_s == 0.1
    assert len(buffer.window(0.5, 1.5)) == 5
    assert buffer.time_uncertainty_s == 0.002


def test_a_window_with_anything_unknown_in_it_is_unknown() -> None:
    assert math.isnan(filled([0.1, math.nan, 0.004]).window(0.0).largest_time_uncertainty_s)
    assert filled([0.1, math.inf]).window(0.0).largest_time_uncertainty_s == math.inf
    assert len(filled([0.1]).window(5.0)) == 0


@given(st.lists(st.integers(1, 700), min_size=1, max_size=40), st.floats(0.0, 30.0), st.floats(0.0, 10.0))
def test_windows_are_those_of_all_samples_as_long_as_they_are_kept(
    sizes: list[int], start_s: float, span_s: float
) -> None:
    # By construction: the samples themselves, cut by numpy's own comparison.
    buffer = TraceBuffer(keep_s=40.0)
    time_s = np.arange(sum(sizes)) / 1000.0
    value = np.sin(time_s)
    at = 0
    for size in sizes:
        buffer.append(Samples.of(time_s[at : at + size], value[at : at + size], 0.001))
        at += size
    inside = (time_s >= start_s) & (time_s <= start_s + span_s)
    window = buffer.window(start_s, start_s + span_s)
    assert np.array_equal(window.time_s, time_s[inside])
    assert np.array_equal(window.value, value[inside])
    assert buffer.count(start_s) == np.count_nonzero(time_s >= start_s)
    assert buffer.latest == (time_s[-1], value[-1])


def test_what_is_too_old_is_let_go_and_memory_stays_as_it_is() -> None:
    buffer = TraceBuffer(keep_s=2.0)
    sizes = set()
    for second in range(600):
        buffer.append(Samples.of(second + np.arange(1000) / 1000.0, np.full(1000, float(second))))
        window = buffer.window(second - 1.0)
        assert np.array_equal(np.unique(window.value), np.unique([max(second - 1, 0), second]))
        sizes.add(buffer._rows.shape[1])
    assert max(sizes) == 4096


def test_a_window_that_was_given_stays_as_it_was() -> None:
    buffer = filled([0.1])
    window = buffer.window(0.0)
    for second in range(1, 2000):
        buffer.append(Samples.of(second + np.array([0.0, 0.5]), np.full(2, 9.0)))
    assert window.value.tolist() == [0.0] * 4
