from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from lashmap_drivers.stream_clock import StreamClock


@given(
    st.lists(
        st.tuples(st.floats(0.0, 2.0, allow_nan=False), st.integers(1, 64)),
        min_size=1,
        max_size=40,
    )
)
def test_times_never_run_backwards_nor_ahead(reads: list[tuple[float, int]]) -> None:
    clock = StreamClock()
    arrival_s = 100.0
    stamped = []
    for wait_s, count in reads:
        arrival_s += wait_s
        times = clock.stamp(arrival_s, count)
        assert times.shape == (count,)
        assert times[-1] <= arrival_s + 1e-6  # only order can push it, by nanoseconds
        stamped.append(times)
    assert np.all(np.diff(np.concatenate(stamped)) >= 0.0)


def test_a_steady_stream_is_spread_at_its_own_pace() -> None:
    # A 1 kHz stream read every 5 ms: the truth is the sample number in ms.
    clock = StreamClock()
    times = np.concatenate([clock.stamp(0.005 * read, 5) for read in range(1, 200)])
    truth = 0.001 * np.arange(1, len(times) + 1)
    assert np.max(np.abs(times[5:] - truth[5:])) < 1e-9


def test_a_pause_stays_a_gap() -> None:
    clock = StreamClock()
    for read in range(1, 100):
        clock.stamp(0.005 * read, 5)
    after = clock.stamp(0.495 + 0.5, 5)
    assert after[0] > 0.495 + 0.48  # not smeared over the half second in which nothing came
    assert np.allclose(np.diff(after), 0.001, atol=1e-4)
