"""The steps that would settle an open verdict do not speak against each other (common sense, no source)."""

from __future__ import annotations

from dataclasses import replace

import pytest
from analysis.made_assessment import made_assessment
from analysis.made_record import GEAR_SET
from lashmap_analysis.judge import settling
from lashmap_analysis.judge.settling import cause_sentence, looks, narrowing_steps, place


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
