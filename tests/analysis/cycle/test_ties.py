"""What rocks make of the level, against Student's t of SciPy and brute force over many benches."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from lashmap_analysis.cycle import ties
from lashmap_analysis.cycle.checks import CycleFlagName
from lashmap_analysis.cycle.ties import Level, TiedRock, tie
from lashmap_analysis.lash_map.model import Priors
from numpy.typing import NDArray

Floats = NDArray[np.float64]
CURVE = np.full(520, 0.150)


def rocks(off_mm: Floats) -> list[TiedRock]:
    """Rocks by these beside the curve."""
    return [
        TiedRock(engagement=7 * number, transverse_mm=0.150 + float(one), standard_uncertainty_mm=0.0001)
        for number, one in enumerate(off_mm)
    ]


def tied(off_mm: Floats, level_mm: float = 1.0) -> ties.Tied:
    return tie(CURVE, level_mm, rocks(off_mm), share_mm=0.0, normal_per_transverse=1.0)


def interval(level: Level) -> tuple[float, float]:
    draws = level.estimate.value + level.draws_about_mean(4000, np.random.default_rng(1))
    low, high = np.quantile(draws, [0.025, 0.975])
    return float(low), float(high)


def test_with_a_belief_of_next_to_nothing_it_is_students_t(monkeypatch: pytest.MonkeyPatch) -> None:
    """Mean and s / √n of n rocks, and t of n - 1 degrees of freedom (scipy.stats.t)."""
    stats = pytest.importorskip("scipy.stats")
    # The belief's weight over scales: flat in the logarithm where it is wide.
    monkeypatch.setattr(ties, "Priors", lambda: replace(Priors(), setting_um=(1.0, 30.0)))
    monkeypatch.setattr(ties, "SCALES", np.linspace(-0.15, 0.6, 800))
    off = np.array([0.0012, -0.0021, 0.0030, 0.0004])
    low, high = interval(tied(off).level)
    expected = stats.t(3, loc=off.mean(), scale=off.std(ddof=1) / 2).interval(0.95)
    assert (low, high) == pytest.approx(expected, abs=0.0004)


@pytest.mark.parametrize("count", [3, 6])
def test_the_interval_of_the_level_holds_what_it_says(count: int) -> None:
    """Settings that scatter by anything usual, 400 benches."""
    rng = np.random.default_rng(count)
    held = 0
    for _ in range(400):
        deviation = 0.002 * np.exp(0.5 * rng.standard_normal())
        low, high = interval(tied(0.003 + deviation * rng.standard_normal(count)).level)
        held += low <= 0.003 <= high
    assert 0.93 <= held / 400 <= 0.99


def test_few_rocks_leave_longer_tails_than_many() -> None:
    def tails(count: int) -> float:
        level = tied(0.002 * np.linspace(-1.0, 1.0, count)).level
        draws = level.draws_about_mean(4000, np.random.default_rng(1))
        far, near = (np.quantile(draws, high) - np.quantile(draws, 1 - high) for high in (0.9975, 0.75))
        return float(far / near)

    # 2.807 and 0.674 deviations of a normal distribution, from its table.
    assert tails(3) > 1.3 * 2.807 / 0.674
    assert tails(12) == pytest.approx(2.807 / 0.674, rel=0.25)


def test_passes_that_know_their_level_hold_against_rocks() -> None:
    loose, firm = (tied(np.array([0.004, 0.005, 0.006]), level).level.estimate for level in (1.0, 0.0005))
    assert loose.value == pytest.approx(0.005, abs=1e-4)
    assert firm.value < 0.002
    assert firm.standard_uncertainty < loose.standard_uncertainty


def test_without_rocks_the_level_is_as_the_passes_know_it() -> None:
    alone = tied(np.empty(0), 0.003)
    assert alone.flag is not None
    assert alone.flag.name is CycleFlagName.NOT_TIED
    assert alone.level.estimate.standard_uncertainty == pytest.approx(0.003)
    low, high = interval(alone.level)
    assert (low, high) == pytest.approx((-1.96 * 0.003, 1.96 * 0.003), rel=0.01)
