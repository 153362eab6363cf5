from __future__ import annotations

import numpy as np
import pytest
from lashmap_drivers.envelope import Envelope
from scipy.optimize import linprog


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
