"""The steps that would settle an open verdict do not speak against each other (common sense, no source)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from analysis.made_assessment import made_assessment
from analysis.made_record import GEAR_SET, INDICATOR, KNOWN
from lashmap_analysis.judge import settling
from lashmap_analysis.judge.settling import cause_sentence, looks, may_stop, narrowing_steps, place
from lashmap_analysis.judge.tight_spot import from_lash_map, two_sided
from lashmap_analysis.lash_map.lash_map import LashMap, fit_lash_map
from lashmap_analysis.record.record import Limits
from scipy.stats import norm


@pytest.mark.parametrize("share", [0.9, 0.01])
def test_where_no_number_of_positions_will_do_more_of_them_are_asked_for_only_to_narrow(
    share: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(settling, "positions_to_settle", lambda *_: None)
    assessment = made_assessment(count=8)
    lash_map, budget = assessment.lash_map, assessment.budget
    assert lash_map is not None
    assert budget is not None
    lines = tuple(
        replace(line, standard_uncertainty_mm=1e-3 * part**0.5, remedy=f"improve {line.quantity}")
        for line, part in zip(budget.lines[:2], (share, 1.0 - share), strict=True)
    )
    budget = replace(budget, lines=lines, combined_mm=1e-3)
    steps = narrowing_steps(lash_map, budget, (0.09, 0.11), assessment.record)
    assert any(step.startswith(f"Improve {lines[0].quantity}") for step in steps) is (share > 0.1)
    assert ("More positions alone will not do." in steps) is (share < 0.1)
    narrow = "More positions narrow the interval, but they alone will not do."
    assert (narrow in steps) is (share > 0.1)


def test_whole_turns_are_whole_turns() -> None:
    assert place(GEAR_SET, 36).endswith(
        "36 engagements past the matched teeth: gear 1 turn, pinion 2 turns and 2 teeth (42.4°)"
    )
    assert place(GEAR_SET, -34).endswith("gear 34 teeth (340.0°), pinion 2 turns")
    assert place(GEAR_SET, 0).startswith("at the matched teeth (")
    assert place(GEAR_SET, 612 - 1).endswith(
        "1 engagement before the matched teeth: gear 1 tooth (10.0°), pinion 1 tooth (21.2°)"
    )
    assert place(GEAR_SET, 306).partition(", ")[2].startswith("306 engagements before the matched teeth")
    assert place(GEAR_SET, 305).partition(", ")[2].startswith("305 engagements past the matched teeth")


def test_a_test_that_stops_early_is_as_sure_as_the_normal_distribution_is_at_99_percent() -> None:
    # the quantile is SciPy's
    assert pytest.approx(float(norm.ppf(0.995)), abs=1e-6) == settling.NORMAL_99


def test_it_looks_at_every_position_first_and_then_now_and_then() -> None:
    every = [*range(12, 49), *range(56, 121, 8)]
    assert [count for count in range(200) if looks(count)] == every


def coarse(share: float) -> bool:
    """Whether a finer indicator is advised; its step, rectangular, is so much of the map's uncertainty."""
    assessment = made_assessment(count=8)
    lash_map, budget = assessment.lash_map, assessment.budget
    assert lash_map is not None
    assert budget is not None
    record = assessment.record
    spread_mm = share * lash_map.tight_spot.standard_uncertainty_mm
    step_mm = spread_mm * 12**0.5 / record.indicator.normal_per_reading(record.gear_set)
    record = replace(record, indicator=replace(record.indicator, resolution_mm=step_mm))
    line = replace(budget.lines[0], standard_uncertainty_mm=1e-3, remedy="improve it")
    budget = replace(budget, lines=(line,), combined_mm=1e-3)
    steps = narrowing_steps(lash_map, budget, (0.09, 0.11), record)
    return "Use an indicator with a finer resolution." in steps


def test_a_finer_indicator_is_advised_where_its_step_is_most_of_what_is_not_known(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(settling, "positions_to_settle", lambda *_: None)
    assert coarse(0.51)
    assert not coarse(0.49)


def test_nothing_is_to_be_narrowed_where_no_limit_lies_in_the_interval() -> None:
    assessment = made_assessment(count=8)
    assert assessment.lash_map is not None
    assert assessment.budget is not None
    least = assessment.record.limits.normal_mm(assessment.record.gear_set)["minimum"]
    above = (least + 0.001, least + 0.002)
    assert narrowing_steps(assessment.lash_map, assessment.budget, above, assessment.record) == ()


def test_the_share_of_the_variance_is_said_in_percent(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(settling, "positions_to_settle", lambda *_: None)
    assessment = made_assessment(count=8)
    lash_map, budget = assessment.lash_map, assessment.budget
    assert lash_map is not None
    assert budget is not None
    line = replace(budget.lines[0], standard_uncertainty_mm=0.6e-3, remedy="improve it", quantity="something")
    budget = replace(budget, lines=(line,), combined_mm=1e-3)
    steps = narrowing_steps(lash_map, budget, (0.09, 0.11), assessment.record)
    assert "Improve it: something makes 36 % of the variance." in steps


@pytest.mark.parametrize(
    ("cause", "begins"),
    [
        ("gear side", "The gear side moved it there: the gear's once-per-turn part"),
        ("pinion side", "The pinion side moved it there: the pinion's once-per-turn part"),
        ("both members", "Both members moved it there: the gear's"),
        ("tooth-to-tooth", "Single teeth moved it there"),
        ("none", "Nothing stands out"),
    ],
)
def test_the_cause_is_named_with_the_part_of_its_own_member(cause: str, begins: str) -> None:
    lash_map = made_assessment(count=24).lash_map
    assert lash_map is not None
    said = cause_sentence(replace(lash_map, cause=cause))
    assert begins in said
    if cause == "gear side":
        assert "pinion's" not in said
    if cause == "pinion side":
        assert "gear's" not in said


def test_what_is_as_tight_is_named_and_the_spot_itself_is_not() -> None:
    lash_map = made_assessment(count=24).lash_map
    assert lash_map is not None
    spot = lash_map.tight_spot.engagement
    assert "as tight" not in cause_sentence(lash_map, seen=[spot, spot + lash_map.gear_set.mesh_cycle])


@pytest.mark.parametrize(
    ("count", "said"),
    [
        (1, ["About 1 more well-chosen position would do, if they read as predicted."]),
        (3, ["About 3 more well-chosen positions would do, if they read as predicted."]),
        (0, []),
    ],
)
def test_how_many_more_positions_would_do(
    count: int, said: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(settling, "positions_to_settle", lambda *_: count)
    assessment = made_assessment(count=8)
    assert assessment.lash_map is not None
    assert assessment.budget is not None
    bare = replace(assessment.budget, lines=assessment.budget.lines[:1])
    steps = narrowing_steps(assessment.lash_map, bare, (0.09, 0.11), assessment.record)
    assert [step for step in steps if "position" in step and "well-chosen" in step] == said
    assert not any("alone will not do" in step for step in steps)


def test_what_cannot_be_told_from_the_tight_spot_is_as_tight(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(settling, "may_be_tightest", lambda *_: True)
    lash_map = made_assessment(count=24).lash_map
    assert lash_map is not None
    spot, cycle = lash_map.tight_spot.engagement, lash_map.gear_set.mesh_cycle
    one, other = sorted(((spot + 1) % cycle, (spot + 2) % cycle))
    assert f"Engagement {one} is as tight" in cause_sentence(lash_map, seen=[one, spot])
    both = cause_sentence(lash_map, seen=[other, one, other + cycle])
    assert (
        f"Engagements {one} and {other} are as tight within the uncertainties; mark and work on {spot}."
        in both
    )


def test_what_is_not_settled_names_the_runout_of_which_too_little_is_known() -> None:
    lash_map = made_assessment(count=24).lash_map
    assert lash_map is not None
    assert lash_map.gear_runout is not None
    # twice its uncertainty is no runout that stands out
    weak = replace(lash_map.gear_runout, amplitude_mm=0.0001, standard_uncertainty_mm=0.001)
    open_cause = replace(lash_map, cause="not settled by these positions")
    assert cause_sentence(open_cause).endswith("What moved it there is not settled by these positions.")
    said = cause_sentence(replace(open_cause, gear_runout=weak))
    assert said.endswith("; too little is known of the gear runout to stand out from nothing.")
    alone = cause_sentence(replace(lash_map, cause="both members", pinion_runout=None))
    assert "the pinion's part does not stand by itself" in alone


def test_a_test_may_stop_where_the_99_percent_interval_keeps_the_limits() -> None:
    # by hand: 2.5758 / 1.9600 = 1.314 times the half-width at 95 %
    places = np.array([0, 5, 11, 16, 22, 27, 33, 38, 44, 50, 55, 61, 67, 72])
    lash_map = fit_lash_map(GEAR_SET, places, np.full(14, 0.15), np.full(14, 0.001))
    stated, budget = from_lash_map(lash_map, INDICATOR, KNOWN)
    half_mm = stated.normal_backlash_mm - two_sided(lash_map, budget)[0]

    def stops(times: float, lash: LashMap = lash_map) -> bool:
        limits = Limits(minimum_mm=stated.normal_backlash_mm - times * half_mm, untouched_tooth_mm=0.0)
        return may_stop(lash, INDICATOR, KNOWN, limits)

    assert (stops(1.25), stops(1.38)) == (False, True)
    assert not stops(2.0, replace(lash_map, outliers=(3,)))
    few = fit_lash_map(GEAR_SET, places[:11], np.full(11, 0.15), np.full(11, 0.001))
    assert not stops(20.0, few)


def test_what_makes_most_of_the_variance_is_named_first(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(settling, "positions_to_settle", lambda *_: 0)
    assessment = made_assessment(count=8)
    lash_map, budget = assessment.lash_map, assessment.budget
    assert lash_map is not None
    assert budget is not None
    lines = tuple(
        replace(budget.lines[1], standard_uncertainty_mm=1e-3 * part**0.5, remedy=f"improve {part}")
        for part in (0.2, 0.5, 0.3)
    )
    steps = narrowing_steps(
        lash_map, replace(budget, lines=lines, combined_mm=1e-3), (0.09, 0.11), assessment.record
    )
    assert [step.partition(":")[0] for step in steps] == ["Improve 0.5", "Improve 0.3", "Improve 0.2"]
    none = replace(budget, lines=(), combined_mm=0.0)
    assert narrowing_steps(lash_map, none, (0.09, 0.11), assessment.record) == ()
