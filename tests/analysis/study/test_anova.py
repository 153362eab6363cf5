"""Analysis of variance against certified and published results.

NIST StRD, Analysis of Variance (data and certified values written *from memory*: a slip of memory would show
as a disagreement of both): SiRstv, of lower difficulty; SmLs01, SmLs04 and SmLs07, whose common part grows.
"""

from __future__ import annotations

import numpy as np
import pytest
from lashmap_analysis.study.anova import StudyError, crossed, one_way
from numpy.testing import assert_allclose

SI_RSTV = (
    (196.3052, 196.1240, 196.1890, 196.2569, 196.3403),
    (196.3042, 196.3825, 196.1669, 196.3257, 196.0422),
    (196.1303, 196.2005, 196.2889, 196.0343, 196.1811),
    (196.2795, 196.1748, 196.1494, 196.1485, 195.9885),
    (196.2119, 196.1051, 196.1850, 196.0052, 196.2090),
)


def test_silicon_resistivity_agrees_with_the_certified_values() -> None:
    between, within = one_way([np.array(one) for one in SI_RSTV])
    assert_allclose(between.sum_of_squares, 5.11462616000000e-02, rtol=1e-9)
    assert_allclose(within.sum_of_squares, 2.16636560000000e-01, rtol=1e-9)
    assert (between.degrees_of_freedom, within.degrees_of_freedom) == (4, 20)
    assert_allclose(between.f, 1.18046237440255e00, rtol=1e-9)
    assert_allclose(np.sqrt(within.mean_square), 1.04076068334656e-01, rtol=1e-9)


@pytest.mark.parametrize(("offset", "rtol"), [(0.0, 1e-12), (1e6, 1e-8), (1e12, 1e-2)])
def test_a_large_common_part_costs_no_digits(offset: float, rtol: float) -> None:
    """SmLs: nine treatments of 21 values; at 1e12 a value itself holds four digits of the differences."""
    groups = []
    for number in range(9):
        middle = 1.4 if number == 0 else 1.3 if number % 2 else 1.5
        steps = np.tile([-0.1, 0.1], 10)
        groups.append(offset + np.concatenate([[middle], middle + steps]))
    between, within = one_way(groups)
    assert_allclose(between.sum_of_squares, 1.68, rtol=rtol)
    assert_allclose(within.sum_of_squares, 1.80, rtol=rtol)
    assert_allclose(between.f, 21.0, rtol=rtol)


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
    with pytest.raises(StudyError, match="finite"):
        one_way([values[0, 0], values[0, 1]])


def test_groups_without_a_repeat_are_refused() -> None:
    with pytest.raises(StudyError, match="two groups"):
        one_way([np.ones(1), np.ones(1)])
    with pytest.raises(StudyError, match="two groups"):
        one_way([np.ones(3)])
