from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lashmap_drivers.timing.stream_clock import Envelope
from numpy.typing import NDArray
from scipy.optimize import linprog


def reference_at_mean(numbers: NDArray[np.float64], arrivals: NDArray[np.float64]) -> float:
    """Height, at the mean number, of the best line under all points: SciPy (HiGHS) knows nothing of hulls.

    The best slope need not be the only one (when a corner of the hull lies at the mean), but this height is.
    """
    from_mean = numbers - numbers.mean()
    best = linprog(
        [-1.0, 0.0],
        A_ub=np.column_stack([np.ones(len(numbers)), from_mean]),
        b_ub=arrivals - arrivals[0],
        bounds=[(None, None), (None, None)],
    )
    assert best.x is not None
    return float(best.x[0] + arrivals[0])


@pytest.mark.parametrize("seed", range(5))
def test_the_line_is_the_one_a_linear_programme_finds(seed: int) -> None:
    # Least Σ(y − a − b·x) subject to a + b·x <= y, solved by SciPy (HiGHS), which knows nothing of hulls.
    rng = np.random.default_rng(seed)
    numbers = np.cumsum(rng.integers(1, 30, 50))
    arrivals = 0.0125 * numbers + rng.exponential(0.004, 50)
    envelope = Envelope()
    for number, arrival_s in zip(numbers.tolist(), arrivals.tolist(), strict=True):
        assert envelope.add(number, arrival_s)
    line = envelope.line()
    assert line is not None
    reference = linprog(
        [-len(numbers), -numbers.sum()],
        A_ub=np.column_stack([np.ones(50), numbers]),
        b_ub=arrivals,
        bounds=[(None, None), (None, None)],
    )
    assert line == pytest.approx(tuple(np.asarray(reference.x).tolist()), rel=1e-9, abs=1e-12)
    heights = arrivals - line[0] - line[1] * numbers
    assert heights.min() == pytest.approx(0.0, abs=1e-12)
    assert envelope.spread_s == pytest.approx(np.sqrt(np.mean(heights**2)), rel=1e-9)


def test_one_point_makes_no_line() -> None:
    envelope = Envelope()
    assert envelope.add(1, 0.5)
    assert envelope.line() is None
    assert envelope.line(0.25) == (0.25, 0.25)


def test_points_are_thinned_out_and_forgotten() -> None:
    envelope = Envelope()
    for number in range(1, 100_001):
        envelope.add(number, 0.001 * number + (0.01 if number % 7 else 0.0))
    assert 16 <= len(envelope) <= 65
    assert 6.0 < envelope.span_s < 17.0
    assert envelope.line() == pytest.approx((0.0, 0.001), abs=1e-9)


@pytest.mark.parametrize(
    "kind", ["late at random", "regular", "held up in steps", "slowing down", "speeding up"]
)
def test_the_line_stays_the_best_while_points_come_and_go(kind: str) -> None:
    # Points further apart than a 64th of the window are kept one a read, so the 64 newest are known from
    # outside; the edge of the last line is where the next is looked for, and it leaves with its points.
    rng = np.random.default_rng(11)
    numbers = np.cumsum(rng.integers(20, 40, 400)).astype(np.float64)
    if kind != "late at random":
        numbers = 30.0 * np.arange(1.0, 401.0)  # the mean falls on a point at every other fit
    late = {
        "late at random": rng.exponential(0.004, 400),
        "regular": np.zeros(400),
        "held up in steps": np.round(rng.random(400), 1) * 1e-3,
        "slowing down": 1e-10 * numbers**2,
        "speeding up": -1e-10 * numbers**2,
    }[kind]
    arrivals = 0.01 * numbers + late
    envelope = Envelope()
    for at, (number, arrival_s) in enumerate(zip(numbers.tolist(), arrivals.tolist(), strict=True)):
        envelope.add(number, arrival_s)
        line = envelope.line()
        if line is None or at % 7:
            continue
        mine = slice(max(0, at - 63), at + 1)
        x, y = numbers[mine], arrivals[mine]
        assert len(envelope) == len(x)
        heights = y - line[0] - line[1] * x
        assert heights.min() == pytest.approx(0.0, abs=1e-12)
        assert line[0] + line[1] * x.mean() == pytest.approx(reference_at_mean(x, y), abs=1e-10)
        assert envelope.scatter_s == pytest.approx(np.sort(heights)[len(heights) // 2], abs=1e-12)


def test_a_day_old_stream_still_gets_its_line() -> None:
    # A double of 86,400 s is good to 15 ps: points on the line seem to lie beside it; the search must end.
    envelope = Envelope()
    for number in range(86_400_000, 86_500_000, 125):
        envelope.add(number, 0.001 * number)
        envelope.line()
    assert envelope.slope == pytest.approx(0.001, rel=1e-9)
    assert envelope.spread_s < 1e-9


def test_a_full_window_is_fitted_once_a_second_a_young_one_at_every_point() -> None:
    envelope = Envelope()
    due = []
    for number in range(1, 201):
        due.append(envelope.add(number, 0.2 * number))
        if due[-1]:
            envelope.line()
    assert all(due[:64])  # 12.6 s, and as many points as are kept
    assert due[64:] == [False, False, False, False, True] * 27 + [False]


@given(
    seed=st.integers(0, 2**32 - 1),
    reads_s=st.sampled_from([0.001, 0.01, 0.15]),
    hurry=st.sampled_from([1.0, 4.0, 20.0]),
)
def test_reads_taken_together_are_reads_taken_one_by_one(seed: int, reads_s: float, hurry: float) -> None:
    rng = np.random.default_rng(seed)
    numbers = np.arange(1.0, 3001.0)
    # A full window whose points begin to come closer together has to be thinned out again.
    every_s = np.where(numbers < rng.integers(100, 3000), reads_s, reads_s / hurry)
    arrivals = np.maximum.accumulate(np.cumsum(every_s) + rng.exponential(every_s))
    one, many = Envelope(), Envelope()
    at = 0
    while at < len(numbers):
        size = int(rng.integers(0, many.reads_before_fit + 1))
        if size:
            many.add_before_fit(numbers[at : at + size], arrivals[at : at + size])
        some = zip(numbers[at : at + size].tolist(), arrivals[at : at + size].tolist(), strict=True)
        assert True not in [one.add(int(number), arrival_s) for number, arrival_s in some]
        at += size
        if at < len(numbers):
            number, arrival_s = int(numbers[at]), float(arrivals[at])
            due = one.add(number, arrival_s)
            assert many.add(number, arrival_s) == due
            if due:
                assert one.line() == many.line()
            at += 1
    assert (len(one), one.in_hand, one.best, one.span_s) == (
        len(many),
        many.in_hand,
        many.best,
        many.span_s,
    )
