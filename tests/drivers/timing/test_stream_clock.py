"""Arrivals made from a known grid of sample times, held up as cables do; the grid is what must come out."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lashmap_drivers.timing.stream_clock import StreamClock
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

START_S = 5000.0  # a monotonic clock does not begin at nought
LENGTH_S = 12.0
SETTLED_S = 2.0

Arrivals = Callable[[np.random.Generator, float], Floats]


def late(rng: np.random.Generator, times: Floats) -> Floats:
    """Held up by the scheduler: mostly little, sometimes a lot, never early."""
    times = times + rng.exponential(0.0002, len(times))
    times[rng.random(len(times)) < 0.01] += 0.008
    return np.maximum.accumulate(times)


def latency_timer(rng: np.random.Generator, period_s: float) -> Floats:  # noqa: ARG001 - fits `Arrivals`
    """A USB adapter that hands over what it has every 16 ms (common practice, no source)."""
    return late(rng, np.arange(0.016, LENGTH_S, 0.016))


def bursts(rng: np.random.Generator, period_s: float) -> Floats:
    """Reads that bring 1 to 64 frames, the last one just sent."""
    ends = np.cumsum(rng.integers(1, 65, int(LENGTH_S / period_s)))
    return late(rng, ends[ends * period_s < LENGTH_S] * period_s)


def line_by_line(rng: np.random.Generator, period_s: float) -> Floats:
    return late(rng, np.arange(1, int(LENGTH_S / period_s)) * period_s)


def stamp(clock: StreamClock, arrival_s: float, count: int, *, missed: int = 0) -> Floats:
    """Times of the samples of one read."""
    return clock.stamp(np.array([arrival_s]), np.array([count]), np.array([missed])).time_s


def decode(clock: StreamClock, truth: Floats, arrivals: Floats) -> tuple[Floats, Floats]:
    """Stamp the samples that were ready at each arrival; times found and true, from the start."""
    read = np.searchsorted(arrivals, truth)
    truth, read = truth[read < len(arrivals)], read[read < len(arrivals)]
    edges = [0, *(np.flatnonzero(np.diff(read)) + 1).tolist(), len(truth)]
    found = [
        stamp(clock, START_S + arrivals[read[first]], last - first) - START_S
        for first, last in pairwise(edges)
    ]
    return np.concatenate(found), truth


@pytest.mark.parametrize("rate_error", [0.98, 1.0, 1.02])
@pytest.mark.parametrize(
    ("arrivals", "period_s", "worst_s", "usual_s"),
    # Bounds are what is promised, not what is achieved here, which is mostly a tenth of it.
    [
        (latency_timer, 0.0001, 0.0001, 0.00002),
        (latency_timer, 0.001, 0.0005, 0.0001),
        (latency_timer, 0.01, 0.002, 0.0005),
        (latency_timer, 0.1, 0.005, 0.002),
        (bursts, 0.0001, 0.0001, 0.00002),
        (bursts, 0.001, 0.0005, 0.0001),
        (line_by_line, 0.001, 0.0001, 0.00002),
        (line_by_line, 0.1, 0.002, 0.0005),
    ],
)
def test_held_up_samples_get_their_own_times(
    arrivals: Arrivals, period_s: float, worst_s: float, usual_s: float, rate_error: float
) -> None:
    period_s *= rate_error
    truth = period_s * np.arange(1, int(LENGTH_S / period_s))
    clock = StreamClock()
    found, true = decode(clock, truth, arrivals(np.random.default_rng(7), period_s))
    wrong = (found - true)[true > SETTLED_S]
    assert np.max(np.abs(wrong)) < worst_s
    assert math.sqrt(np.mean(wrong**2)) < usual_s
    assert clock.period_s == pytest.approx(period_s, rel=1e-3)
    # What is stated covers what is wrong, and stays below the 16 ms of the raw arrivals.
    assert math.sqrt(np.mean(wrong**2)) < clock.uncertainty_s
    assert clock.uncertainty_s < 0.010


def test_a_fixed_hold_up_hidden_in_the_latency_timer_is_stated() -> None:
    # 125 samples a second and a timer of 16 ms: two samples a read, and always the same age. That age, 0 to
    # 8 ms, cannot be seen. Uncorrected, the root mean square is √(∫a² da / 8) = 8 ms/√3.
    arrivals = np.arange(0.016, LENGTH_S, 0.016)
    worst, ages = [], (0.0005 + 0.001 * np.arange(8)).tolist()
    stated_s = 0.008 / math.sqrt(3.0)
    for age_s in ages:
        clock = StreamClock()
        found, true = decode(clock, 0.008 * np.arange(1, 1500) - age_s, arrivals)
        worst.append(np.max(np.abs((found - true)[true > SETTLED_S])))
        assert clock.uncertainty_s == pytest.approx(stated_s, rel=0.01)
    assert worst == pytest.approx(ages, abs=1e-6)
    assert math.sqrt(np.mean(np.square(worst))) == pytest.approx(stated_s, rel=0.01)


@given(
    st.lists(
        st.tuples(st.floats(0.0, 2.0, allow_nan=False), st.integers(1, 64), st.integers(0, 3), st.booleans()),
        min_size=1,
        max_size=60,
    )
)
def test_times_never_run_backwards_nor_ahead_and_are_always_the_same(
    reads: list[tuple[float, int, int, bool]],
) -> None:
    def stamped() -> list[Floats]:
        clock = StreamClock()
        arrival_s = START_S
        times: list[Floats] = []
        for wait_s, count, missed, broken in reads:
            arrival_s += wait_s
            if broken:
                clock.restart()
            times.append(stamp(clock, arrival_s, count, missed=missed))
            assert times[-1].shape == (count,)
            assert times[-1][-1] <= arrival_s + 1e-5  # only order can push it, by nanoseconds
            assert clock.uncertainty_s >= 0.0
        return times

    once = np.concatenate(stamped())
    assert np.all(np.diff(once) >= 0.0)
    assert np.array_equal(once, np.concatenate(stamped()))


def test_a_steady_stream_is_spread_at_its_own_pace() -> None:
    # A 1 kHz stream read every 5 ms: the truth is the sample number in ms.
    clock = StreamClock()
    times = np.concatenate([stamp(clock, 0.005 * read, 5) for read in range(1, 200)])
    truth = 0.001 * np.arange(1, len(times) + 1)
    assert np.max(np.abs(times[5:] - truth[5:])) < 1e-9


def test_a_pause_stays_a_gap() -> None:
    clock = StreamClock()
    for read in range(1, 100):
        stamp(clock, 0.005 * read, 5)
    after = stamp(clock, 0.495 + 0.5, 5)
    assert after[0] > 0.495 + 0.48  # not smeared over the half second in which nothing came
    assert np.allclose(np.diff(after), 0.001, atol=1e-4)


def test_a_reader_held_up_for_half_a_second_changes_nothing() -> None:
    # All 500 samples of that time come in one read: they keep the times at which they were taken.
    clock = StreamClock()
    for read in range(1, 1001):
        stamp(clock, 0.001 * read, 1)
    late_read = stamp(clock, 1.5, 500)
    assert np.allclose(late_read, 1.0 + 0.001 * np.arange(1, 501), atol=1e-6)


def test_frames_lost_one_by_one_are_made_up_for() -> None:
    # 100 samples a second, three in a row lost every two seconds: a grid that only counts would fall behind
    # by 30 ms each time, 150 ms in all.
    truth = 0.01 * np.arange(1, 1200)
    kept = truth[np.arange(1, 1200) % 200 > 2]
    clock = StreamClock()
    found, true = decode(clock, kept, late(np.random.default_rng(3), truth))
    assert np.all(np.abs(found - true) < 0.0305)
    assert np.median(np.abs(found - true)) < 0.001
    assert abs(found[-1] - true[-1]) < 0.031


def test_garbled_frames_keep_their_place_on_the_grid() -> None:
    # One frame in ten is garbled and counted as such; the pace must not follow the good ones alone.
    rng = np.random.default_rng(5)
    clock = StreamClock()
    wrong = []
    for read in range(1, 1001):
        bad = int(rng.binomial(10, 0.1))
        if read % 50 == 0:
            stamp(clock, 0.01 * read, 0, missed=10)
            continue
        bad = min(bad, 9)
        times = stamp(clock, 0.01 * read + rng.exponential(0.0002), 10 - bad, missed=bad)
        wrong.append(times[-1] - 0.01 * read)
    assert np.max(np.abs(wrong[200:])) < 0.0001
    assert clock.period_s == pytest.approx(0.001, rel=1e-4)


def test_after_a_break_the_pace_is_kept_and_the_grid_is_new() -> None:
    clock = StreamClock()
    for read in range(1, 401):
        stamp(clock, 0.005 * read, 5)
    clock.restart()
    after = stamp(clock, 12.3456, 5)
    assert np.allclose(after, 12.3456 - 0.001 * np.arange(4, -1, -1), atol=1e-9)


def test_nothing_is_claimed_before_the_second_read() -> None:
    clock = StreamClock()
    assert clock.uncertainty_s == math.inf
    stamp(clock, 1.0, 3)
    assert clock.uncertainty_s == math.inf
    stamp(clock, 1.03, 3)
    assert clock.uncertainty_s == pytest.approx(0.03)


def test_ten_minutes_of_stamps_take_no_more_memory_than_one() -> None:
    clock = StreamClock()
    for read in range(3000):
        stamp(clock, 0.2 * read, 2)
    assert len(clock._envelope) <= 65


def test_two_thousand_reads_at_once_are_not_taken_one_by_one(monkeypatch: pytest.MonkeyPatch) -> None:
    # 250 reads a second: fits, lowerings and moved grids are some ten a second, the rest must go at once.
    rng = np.random.default_rng(2)
    arrivals = 0.004 * np.arange(1, 2001) + rng.random(2000) * 1e-3
    one, many = StreamClock(), StreamClock()
    expected = np.concatenate([stamp(one, at_s, 4) for at_s in arrivals.tolist()])
    taken: list[float] = []
    take = many._take

    def counted(arrival_s: float, count: int, takes: int) -> tuple[float, float]:
        taken.append(arrival_s)
        return take(arrival_s, count, takes)

    monkeypatch.setattr(many, "_take", counted)
    times, stated_s = many.stamp(arrivals, np.full(2000, 4), np.zeros(2000, dtype=np.int64))[:2]
    assert times.tobytes() == expected.tobytes()
    assert stated_s[-1] == one.uncertainty_s
    assert sum(at_s > 4.0 for at_s in taken) < 80  # of 1000
