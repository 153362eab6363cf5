"""The crossed study against a published example and against many simulated studies.

Ten parts, three appraisers, three trials (reference manual "Measurement Systems Analysis" of the
automotive industry, data and results *from memory*; a slip of memory would show as a disagreement of both).
"""

from __future__ import annotations

import numpy as np
import pytest
from lashmap_analysis.study.anova import StudyError
from lashmap_analysis.study.gauge import gauge_study
from numpy.testing import assert_allclose

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
