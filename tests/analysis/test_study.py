"""Analysis of variance against certified and published results.

NIST StRD, Analysis of Variance (data and certified values written *from memory*: a slip of memory would show
as a disagreement of both): SmLs01, SmLs04 and SmLs07, whose common part grows.

The chart of the check standard against worked examples of the NIST/SEMATECH e-Handbook (*from memory*).

The crossed study against a published example and against many simulated studies.

Ten parts, three appraisers, three trials (reference manual "Measurement Systems Analysis" of the
automotive industry, data and results *from memory*; a slip of memory would show as a disagreement of both).
"""

from __future__ import annotations

import numpy as np
import pytest
from lashmap_analysis.study import StudyError, crossed, drift_chart, gauge_study, moving_mean
from numpy.testing import assert_allclose


@pytest.mark.parametrize(("offset", "rtol"), [(0.0, 1e-12), (1e6, 1e-8), (1e12, 1e-2)])
def test_a_large_common_part_costs_no_digits(offset: float, rtol: float) -> None:
    """SmLs: nine treatments of 21 values, here as three parts by three operators.

    What is certified between the treatments is what part, operator and both together have in sum. At 1e12 a
    value itself holds four digits of the differences.
    """
    treatments = []
    for number in range(9):
        middle = 1.4 if number == 0 else 1.3 if number % 2 else 1.5
        steps = np.tile([-0.1, 0.1], 10)
        treatments.append(offset + np.concatenate([[middle], middle + steps]))
    *between, within = crossed(np.array(treatments).reshape(3, 3, 21))
    sum_between = sum(one.sum_of_squares for one in between)
    freedom_between = sum(one.degrees_of_freedom for one in between)
    assert (freedom_between, within.degrees_of_freedom) == (8, 180)
    assert_allclose(sum_between, 1.68, rtol=rtol)
    assert_allclose(within.sum_of_squares, 1.80, rtol=rtol)
    assert_allclose(sum_between / freedom_between / within.mean_square, 21.0, rtol=rtol)


def test_crossed_agrees_with_least_squares_of_a_reference_library() -> None:
    """statsmodels, type I and III sums of squares of a balanced design are alike."""
    smf = pytest.importorskip("statsmodels.formula.api")
    lm = pytest.importorskip("statsmodels.stats.anova")
    frames = pytest.importorskip("pandas")
    random = np.random.default_rng(3)
    values = random.normal(0.1, 0.002, (4, 3, 5)) + random.normal(0, 0.01, (4, 1, 1))
    part, operator, _ = np.meshgrid(*map(np.arange, values.shape), indexing="ij")
    frame = frames.DataFrame({"y": values.ravel(), "p": part.ravel(), "o": operator.ravel()})
    reference = lm.anova_lm(smf.ols("y ~ C(p) * C(o)", frame).fit())
    found = crossed(values)
    assert_allclose([one.sum_of_squares for one in found], reference["sum_sq"], rtol=1e-9)
    assert_allclose([one.degrees_of_freedom for one in found], reference["df"])
    assert_allclose(found[2].f, reference["F"].iloc[2], rtol=1e-9)


@pytest.mark.parametrize("shape", [(1, 3, 2), (3, 1, 2), (3, 2, 1), (6,)])
def test_a_study_that_cannot_be_crossed_is_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(StudyError, match="two parts, two operators and two repeats"):
        crossed(np.zeros(shape))


def test_values_that_are_not_finite_are_refused() -> None:
    values = np.ones((2, 2, 2))
    values[0, 1, 1] = np.nan
    with pytest.raises(StudyError, match="finite"):
        crossed(values)


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


EXAMPLE = (
    (
        (0.29, -0.56, 1.34, 0.47, -0.80, 0.02, 0.59, -0.31, 2.26, -1.36),
        (0.41, -0.68, 1.17, 0.50, -0.92, -0.11, 0.75, -0.20, 1.99, -1.25),
        (0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31),
    ),
    (
        (0.08, -0.47, 1.19, 0.01, -0.56, -0.20, 0.47, -0.63, 1.80, -1.68),
        (0.25, -1.22, 0.94, 1.03, -1.20, 0.22, 0.55, 0.08, 2.12, -1.62),
        (0.07, -0.68, 1.34, 0.20, -1.28, 0.06, 0.83, -0.34, 2.19, -1.50),
    ),
    (
        (0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49),
        (-0.11, -1.13, 1.09, 0.20, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77),
        (-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16),
    ),
)


def example() -> np.ndarray:
    """Shape (parts, operators, repeats)."""
    return np.array(EXAMPLE).transpose(2, 0, 1)


def test_the_published_example() -> None:
    study = gauge_study(example())
    assert_allclose(
        [one.sum_of_squares for one in study.sources], [88.3619, 3.1673, 0.3590, 2.7589], atol=6e-5
    )
    assert [one.degrees_of_freedom for one in study.sources] == [9, 2, 18, 60]
    assert study.pooled
    assert_allclose(study.repeatability.deviation_mm, 0.199933, atol=1e-5)
    assert_allclose(study.reproducibility.deviation_mm, 0.226838, atol=1e-5)
    assert_allclose(study.gauge.deviation_mm, 0.302373, atol=1e-5)
    assert_allclose(study.part.deviation_mm, 1.042327, atol=1e-5)
    assert int(study.categories) == 4


def test_the_share_of_the_tolerance_is_six_deviations() -> None:
    study = gauge_study(example(), tolerance_mm=8.0)
    assert_allclose(study.tolerance_share, 6 * study.gauge.deviation_mm / 8.0)
    with pytest.raises(StudyError, match="above 0"):
        gauge_study(example(), tolerance_mm=0.0)


@pytest.mark.parametrize("interaction", [0.0, 1.0])
def test_intervals_hold_the_truth_as_often_as_they_say(interaction: float) -> None:
    """300 studies of known deviations; 95 % within three standard errors and the excess of the method."""
    random = np.random.default_rng(11)
    held = np.zeros(2)
    for _ in range(300):
        values = (
            random.normal(0, 5, (8, 1, 1))
            + random.normal(0, 1.5, (1, 3, 1))
            + random.normal(0, interaction, (8, 3, 1))
            + random.normal(0, 1.0, (8, 3, 3))
        )
        study = gauge_study(values)
        truth = (1.0, np.sqrt(1.0 + 1.5**2 + interaction**2))
        for index, (part, true) in enumerate(zip((study.repeatability, study.gauge), truth, strict=True)):
            held[index] += part.interval_mm[0] <= true <= part.interval_mm[1]
    assert np.all(held / 300 > 0.91), held
    assert np.all(held / 300 < 0.995), held


def test_a_gauge_without_variation_tells_no_number_of_categories() -> None:
    values = np.broadcast_to(np.arange(3.0)[:, np.newaxis, np.newaxis], (3, 2, 2))
    study = gauge_study(values)
    assert study.gauge.deviation_mm == 0.0
    assert np.isnan(study.categories)
