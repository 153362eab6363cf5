"""The chart of the check standard against worked examples of the NIST/SEMATECH e-Handbook (*from memory*)."""

from __future__ import annotations

import numpy as np
import pytest
from lashmap_analysis.study.anova import StudyError
from lashmap_analysis.study.drift import drift_chart, moving_mean
from numpy.testing import assert_allclose

FLOW = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])  # 6.3.2.2
EWMA_DATA = np.array(
    [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, *FLOW],  # 6.3.2.4
)
EWMA = np.array(
    [
        "50.60",
        "49.52",
        "50.56",
        "50.18",
        "50.16",
        "49.21",
        "49.75",
        "49.85",
        "50.26",
        "50.33",
        "50.11",
        "49.36",
        "49.52",
        "50.05",
        "49.38",
        "49.92",
        "50.73",
        "51.23",
        "51.94",
        "51.99",
    ],
    dtype=np.float64,
)


def test_limits_of_single_values() -> None:
    chart = drift_chart(FLOW)
    assert_allclose(chart.centre_mm, 50.81)
    assert_allclose(chart.limits_mm, (45.8159, 55.8041), atol=1e-4)
    assert not [one for one in chart.signals if one.kind == "jump"]


def test_the_moving_mean() -> None:
    assert_allclose(moving_mean(EWMA_DATA, 50.0), EWMA, atol=0.0051)


def test_limits_of_the_moving_mean_follow_from_those_of_the_values() -> None:
    """Handbook: 50 ± 3 · 0.4201 · 2.0539 is 47.4115 to 52.5884."""
    chart = drift_chart(FLOW)
    reach = chart.moving_limits_mm[1] - chart.centre_mm
    assert_allclose(reach / chart.deviation_mm * 2.0539, 52.5884 - 50.0, atol=1e-3)


def test_a_jump_and_a_slow_drift_are_seen_and_told_apart() -> None:
    random = np.random.default_rng(5)
    quiet = random.normal(0.13, 0.0005, 20)
    jumped = drift_chart(np.append(quiet, 0.134), baseline=20)
    assert jumped.signals[-1].kind == "jump"
    assert not jumped.steady
    creeping = np.append(
        quiet, quiet.mean() + 0.0006 + 0.2 * (quiet - quiet.mean())
    )  # no single value shows it
    assert {one.kind for one in drift_chart(creeping, baseline=20).signals} == {"drift"}


def test_false_alarms_are_as_rare_as_stated() -> None:
    """A steady stand, limits known well: one value in 370 (normal distribution, 3 standard deviations)."""
    values = np.random.default_rng(6).normal(0.0, 1.0, 40_000)
    chart = drift_chart(values, baseline=40_000)
    jumps = sum(one.kind == "jump" for one in chart.signals)
    assert 40_000 / 370 * 0.7 < jumps < 40_000 / 370 * 1.3


@pytest.mark.parametrize("values", [np.zeros(7), np.ones(9), np.array([np.nan] * 9)])
def test_too_few_equal_or_missing_values_are_refused(values: np.ndarray) -> None:
    with pytest.raises(StudyError):
        drift_chart(values)
