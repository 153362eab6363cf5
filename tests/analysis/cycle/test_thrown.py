"""A tooth that throws the gear off its flank is named, at speeds that throw it, and no other tooth is.

The gear is a mass of our own that falls back at a constant rate and lands without a rebound, over the pair
of `driven_pair` that is turned by brute force. No such gear was ever measured.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from analysis.cycle.cycle_records import with_bad_tooth
from analysis.cycle.cycle_runs import gear_set_of, rocks_at, turned
from analysis.cycle.driven_pair import Turning, ordinary_pair
from lashmap_analysis.cycle.checks import CycleFlag, CycleFlagName
from lashmap_analysis.cycle.cycle import CycleFit, fit_cycle
from lashmap_analysis.judge.assess import assess
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ROOM_MM = 0.06  # to the other flank


def flying(falls_mm_per_s2: float) -> Callable[[Floats, Floats, Floats], Floats]:
    """The gear under its brake: pushed and never pulled, and stopped by the other flank."""

    def flies(time: Floats, place: Floats, advance: Floats) -> Floats:
        way = 1.0 if place[-1] > place[0] else -1.0
        falls = falls_mm_per_s2 * float(time[1] - time[0]) ** 2
        at = before = float(way * advance[0])
        ahead = []
        for pushed in (way * advance).tolist():
            at, before = min(max(2 * at - before - falls, pushed), pushed + ROOM_MM), at
            ahead.append(at)
        return way * np.array(ahead)

    return flies


def run(tooth_mm: float, *speeds: float, falls: float = 10_000.0) -> tuple[CycleFit, float]:
    """Tied by rocks that read right; with the true least, normal."""
    pair = ordinary_pair((13, 40), np.random.default_rng(2), runout_um=5.0, tooth_um=1.0)
    for side in (0, 1):
        pair.errors_mm[side][12] += tooth_mm / 2
    passes = [Turning(speed_deg_per_s=one, disturb=flying(falls)) for one in speeds]
    gear_set = gear_set_of(pair)
    fit = fit_cycle(gear_set, *turned(pair, *passes), rocks=rocks_at(pair, 5, 130, 260, 390, 500))
    least = float(pair.lash(np.arange(0, pair.length, 1 / 64)).min())
    return fit, gear_set.normal_per_transverse * least


def thrown(fit: CycleFit) -> CycleFlag | None:
    return next((one for one in fit.flags if one.name is CycleFlagName.THROWN), None)


@pytest.mark.parametrize("tooth_mm", [0.05, 0.08])
def test_a_tooth_that_throws_the_gear_is_named(tooth_mm: float) -> None:
    fit, least = run(tooth_mm, 360.0, 240.0)
    assert fit.tight_spot is not None
    assert fit.tight_spot.high_mm < least  # what would be said with confidence, and is wrong
    flag = thrown(fit)
    assert flag is not None
    assert "every time this tooth came by" in flag.sentence


@pytest.mark.parametrize(
    ("tooth_mm", "speeds"), [(0.0, (360.0, 240.0)), (0.0, (360.0, 360.0)), (0.03, (150.0, 100.0))]
)
def test_a_gear_that_follows_is_not_named(tooth_mm: float, speeds: tuple[float, float]) -> None:
    fit, least = run(tooth_mm, *speeds)
    assert thrown(fit) is None
    assert fit.tight_spot is not None
    assert fit.tight_spot.low_mm <= least <= fit.tight_spot.high_mm


def test_speeds_that_are_alike_do_not_tell() -> None:
    fit, least = run(0.05, 300.0, 280.0)
    assert fit.tight_spot is not None
    assert fit.tight_spot.high_mm < least
    flag = thrown(fit)
    assert flag is not None
    assert "much the same speed" in flag.sentence


def test_contact_that_is_lost_by_chance_is_no_tooth() -> None:
    pair = ordinary_pair((13, 40), np.random.default_rng(3))
    passes = [Turning(speed_deg_per_s=one, lost=20.0) for one in (360.0, 240.0)]
    fit = fit_cycle(gear_set_of(pair), *turned(pair, *passes), rocks=rocks_at(pair, 5, 130, 260, 390, 500))
    assert CycleFlagName.CONTACT_LOST in {one.name for one in fit.flags}
    assert thrown(fit) is None


def test_nothing_is_proven_of_a_tight_spot_that_may_have_flown() -> None:
    box = with_bad_tooth()
    for side in (0, 1):
        box.pair.errors_mm[side][31] += 0.02
    passes = tuple(Turning(speed_deg_per_s=one, disturb=flying(10_000.0)) for one in (360.0, 240.0))
    found = assess(replace(box, passes=passes).record())
    assert found.cycle_run is not None
    assert found.cycle_run.judges
    assert found.verdict.outcome == "not proven"
    assert any("The tight spot is not settled" in one for one in found.verdict.reasons)
    assert any("Repeat the passes slower" in one for one in found.verdict.would_settle)
