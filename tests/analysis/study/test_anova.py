"""Analysis of variance against certified and published results.

NIST StRD, Analysis of Variance (data and certified values written *from memory*: a slip of memory would show
as a disagreement of both): SmLs01, SmLs04 and SmLs07, whose common part grows.
"""

from __future__ import annotations

import numpy as np
import pytest
from lashmap_analysis.study.anova import StudyError, crossed
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
