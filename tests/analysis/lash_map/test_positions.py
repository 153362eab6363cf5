"""Plans: obey their limits, beat equal spacing, refuse what cannot be planned."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from analysis.lash_truth import gear_set
from hypothesis import given, settings
from hypothesis import strategies as st
from lashmap_analysis import plan_positions
from lashmap_analysis.gears.mesh_cycle import MeshCycle
from lashmap_analysis.lash_map import positions as exchange
from lashmap_analysis.lash_map.positions import PlanError, equal_spacing, every_tooth, worst_deviation_mm

SETS = [(20, 20), (20, 40), (15, 45), (13, 40), (11, 45)]


@given(teeth=st.sampled_from(SETS), count=st.integers(4, 20), turns=st.floats(0.5, 12.0))
@settings(max_examples=25, deadline=None)
def test_a_plan_starts_at_the_matched_teeth_rises_and_stays_within_its_turns(
    teeth: tuple[int, int], count: int, turns: float
) -> None:
    reach = min(math.floor(turns * teeth[1] + 1e-9), math.lcm(*teeth) - 1)
    if count > reach + 1:
        with pytest.raises(PlanError):
            plan_positions(gear_set(*teeth), count, turns, repeats=0)
        return
    plan = plan_positions(gear_set(*teeth), count, turns, repeats=0)
    assert plan.dtype == np.int64
    assert plan[0] == 0
    assert len(plan) == count
    assert np.all(np.diff(plan) > 0)
    assert plan[-1] <= reach
    equal = equal_spacing(gear_set(*teeth), count, turns)
    # Not worse in as many digits of the variance as are compared (`exchange.SETTLED`), both of them rounded.
    least_mm, equal_mm = (worst_deviation_mm(gear_set(*teeth), one) for one in (plan, equal))
    assert least_mm <= equal_mm * (1 + 1 / exchange.SETTLED)


@pytest.mark.parametrize(
    ("count", "turns", "field"),
    [
        (3, 5.0, "count"),
        (2.5, 5.0, "count"),
        (200, 1.0, "count"),
        (12, 0.0, "turns"),
        (12, math.nan, "turns"),
    ],
)
def test_what_cannot_be_planned_is_refused_with_the_field(count: int, turns: float, field: str) -> None:
    with pytest.raises(PlanError) as refusal:
        plan_positions(gear_set(13, 40), count, turns)
    assert refusal.value.field == field


@pytest.mark.parametrize("teeth", [*SETS, (16, 48), (9, 40), (12, 37)])
@pytest.mark.parametrize(("count", "turns"), [(5, 2.5), (8, 6.0), (16, 2.5)])
def test_a_plan_does_not_hang_on_how_a_processor_rounds(
    teeth: tuple[int, int], count: int, turns: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = plan_positions(gear_set(*teeth), count, turns, repeats=0)
    rng = np.random.default_rng(1)
    exact = exchange.PlanModel.of(MeshCycle(gear_teeth=teeth[1], pinion_teeth=teeth[0]))
    for _ in range(3):
        rounded = replace(
            exact,
            prior=exact.prior * (1 + 1e-14 * rng.standard_normal(exact.prior.shape)),
            waves=exact.waves * (1 + 1e-14 * rng.standard_normal(exact.waves.shape)),
        )
        monkeypatch.setattr(exchange.PlanModel, "of", lambda _, made=rounded: made)
        assert plan_positions(gear_set(*teeth), count, turns, repeats=0).tolist() == plan.tolist()


@pytest.mark.parametrize("repeats", [0, 1, 3, 7])
def test_repeats_come_last_in_falling_order_and_the_earliest_waits_longest(repeats: int) -> None:
    once = plan_positions(gear_set(13, 40), 8, 6.0, repeats=0)
    plan = plan_positions(gear_set(13, 40), 8, 6.0, repeats=repeats)
    assert plan[:8].tolist() == once.tolist()
    again = plan[8:]
    assert len(again) == len(set(again.tolist())) == repeats
    assert set(again.tolist()) <= set(once.tolist())
    assert np.all(np.diff(again) < 0)
    # Travel: forward to the last position, then back at most to the first.
    assert np.abs(np.diff(plan)).sum() <= 2 * once[-1]
    if repeats:
        assert again[-1] == 0


def test_three_engagements_are_measured_again_unless_said_otherwise() -> None:
    plan = plan_positions(gear_set(13, 40), 24, 13.0)
    assert len(plan) == 27
    assert len(set(plan.tolist())) == 24


@pytest.mark.parametrize("repeats", [-1, 8, 1.5])
def test_more_repeats_than_other_positions_are_refused(repeats: int) -> None:
    with pytest.raises(PlanError) as refusal:
        plan_positions(gear_set(13, 40), 8, 6.0, repeats=repeats)
    assert refusal.value.field == "repeats"


@pytest.mark.parametrize("teeth", [*SETS, (20, 20), (20, 40), (16, 45), (9, 40)])
def test_every_tooth_of_both_members_is_touched_within_one_turn(teeth: tuple[int, int]) -> None:
    plan = every_tooth(gear_set(*teeth), 1.0, repeats=3)
    assert set((plan % teeth[1]).tolist()) == set(range(teeth[1]))
    assert set((plan % teeth[0]).tolist()) == set(range(teeth[0]))
    assert len(plan) == teeth[1] + 3
    with pytest.raises(PlanError):
        every_tooth(gear_set(*teeth), 0.9)
