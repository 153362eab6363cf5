"""The state of a build: what moves a member makes what was found before worthless."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lashmap_analysis.record.record import DecisionRule
from lashmap_daemon.builds import events
from lashmap_daemon.builds.book import given_by
from lashmap_daemon.builds.build import Build, Stamped, TestOfBuild, apply, bearing_decision, build_of
from lashmap_daemon.builds.sheet import next_step, rows, state_text

from daemon import made_build as made

BEGUN = events.BuildBegun(
    by=made.BY, local=made.LOCAL, build="build-1", program="0", given=given_by(made.box_file())
)


def told(*some: events.Event) -> Build:
    stream = (BEGUN, *some)
    return build_of(
        Stamped(time_s=float(number), utc="2026-11-25T08:00:00.000+00:00", event=event)
        for number, event in enumerate(stream)
    )


def test_a_complete_build_has_nothing_open_but_job_and_test() -> None:
    build = told(*made.COMPLETE)
    states = {row.key: row.state for row in rows(build)}
    assert {key for key, state in states.items() if state != "done"} == {"job", "backlash", "decision"}
    due = next_step(rows(build))
    assert due is not None
    assert due.key == "job"
    assert build.accepted is not None


def test_the_order_of_work_is_pinion_then_pattern_then_gear_then_backlash() -> None:
    keys = [row.key for row in rows(told())]
    order = ["pinion shims", "pinion distance", "pattern", "gear shims", "gear distance", "backlash"]
    assert [key for key in keys if key in order] == order


def test_another_pack_of_the_pinion_takes_away_its_distance_the_pattern_and_its_acceptance() -> None:
    build = told(*made.COMPLETE, made.fitted("pinion", 1.0, 0.3))
    assert set(build.distances) == {"gear"}
    assert build.patterns == {}
    assert build.accepted is None
    assert set(build.withdrawn) == {"distance pinion", "pattern", "judgement"}
    assert all("another pack was fitted to the pinion" in said for said in build.withdrawn.values())
    due = next_step(rows(replace(build, job=None)))
    assert due is not None


def test_another_pack_of_the_gear_leaves_the_pattern_but_not_its_acceptance() -> None:
    build = told(*made.COMPLETE, made.fitted("gear", 0.5, 0.5))
    assert set(build.patterns) == {"drive", "coast"}
    assert build.moved_since == {"drive", "coast"}
    assert build.accepted is None
    assert set(build.withdrawn) == {"distance gear", "judgement"}
    again = apply(build, Stamped(time_s=99.0, utc="", event=made.seen("drive")))
    assert again.moved_since == {"coast"}
    accepted = apply(again, Stamped(time_s=100.0, utc="", event=made.judged()))
    assert accepted.accepted is not None
    assert set(accepted.withdrawn) == {"distance gear"}


def test_at_a_ratio_of_one_both_members_govern_the_pattern() -> None:
    mitre = replace(BEGUN, given=replace(BEGUN.given, gear=replace(BEGUN.given.gear, teeth=13)))
    build = build_of(
        Stamped(time_s=0.0, utc="2026-11-25T08:00:00.000+00:00", event=event)
        for event in (mitre, *made.COMPLETE, made.fitted("gear", 0.5))
    )
    assert build.patterns == {}


def test_the_same_pack_entered_again_takes_nothing_away() -> None:
    build = told(*made.COMPLETE, made.fitted("pinion", 1.27))
    assert build.accepted is not None
    assert set(build.distances) == {"pinion", "gear"}
    assert build.withdrawn == {}


@settings(max_examples=100, deadline=None)
@given(st.lists(st.sampled_from([*made.COMPLETE, made.fitted("pinion", 1.0), made.fitted("gear", 0.7)])))
def test_an_acceptance_that_holds_is_younger_than_every_move_and_every_look(
    some: list[events.Event],
) -> None:
    # Asked of the list itself, not of the state: the last thickness of each pack, the last look at each side.
    build = told(*some)
    last_judged = max((n for n, one in enumerate(some) if isinstance(one, events.PatternJudged)), default=-1)
    moved = -1
    packs: dict[str, float] = {}
    for number, one in enumerate(some):
        if isinstance(one, events.ShimsFitted):
            if packs.get(one.member) != sum(one.pieces_mm):
                moved = number
            packs[one.member] = sum(one.pieces_mm)
        if isinstance(one, events.PatternSeen):
            moved = number
    assert (build.accepted is not None) == (last_judged > moved)


@pytest.mark.parametrize(
    ("event", "state", "words"),
    [
        (made.measured("pinion", 105.03), "look", "OUTSIDE"),
        (made.measured("pinion", 105.015), "look", "NOT SETTLED"),
        (made.measured("pinion", 105.01), "done", "inside"),
        (made.not_measurable("pinion"), "look", "accepted by name"),
    ],
)
def test_a_distance_is_judged_with_its_uncertainty(event: events.Event, state: str, words: str) -> None:
    # U = 1.96 times 0.003; the tolerance is 0.02.
    row = next(row for row in rows(told(event)) if row.key == "pinion distance")
    assert row.state == state
    assert words in " ".join(row.lines)


def test_measured_and_computed_distances_that_contradict_each_other_are_said_to() -> None:
    build = told(made.fitted("pinion", 1.0, 0.15, 0.12), made.measured("pinion", 105.010))
    row = next(row for row in rows(build) if row.key == "pinion distance")
    assert any("apart" in line and "can be explained" in line for line in row.lines)
    agreeing = told(made.fitted("pinion", 1.0, 0.15, 0.12), made.measured("pinion", 104.996))
    row = next(row for row in rows(agreeing) if row.key == "pinion distance")
    assert not any("apart" in line for line in row.lines)


def test_bearings_outside_or_without_limits_want_a_look() -> None:
    lines = {
        value: next(row for row in rows(told(event)) if row.key == "pinion bearings")
        for value, event in {
            "in": made.bearings("pinion", 1.1, 0.8, 1.4),
            "out": made.bearings("pinion", 1.5, 0.8, 1.4),
            "none": made.bearings("pinion", 1.5),
        }.items()
    }
    assert [row.state for row in lines.values()] == ["done", "look", "look"]
    assert "OUTSIDE THE LIMITS" in lines["out"].lines[0]
    assert "proves nothing" in lines["none"].lines[0]


@pytest.mark.parametrize(
    ("value", "uncertainty", "rule", "judged"),
    # By hand, ISO 14253-1: the limits are 0.8 and 1.4; of u = 0.1 the guard is 0.196, or 0.1645 on one side
    # (GUM table G.2).
    [
        (1.1, 0.1, "two-sided", "inside"),
        (1.203, 0.1, "two-sided", "inside"),
        (1.205, 0.1, "two-sided", "not settled"),
        (1.205, 0.1, "one-sided", "inside"),
        (1.235, 0.1, "one-sided", "inside"),
        (1.237, 0.1, "one-sided", "not settled"),
        (0.97, 0.1, "two-sided", "not settled"),
        (1.5, 0.1, "two-sided", "not settled"),
        (1.6, 0.1, "two-sided", "outside"),
        (1.57, 0.1, "one-sided", "outside"),
        (1.1, None, "two-sided", "not stated"),
        (1.5, None, "two-sided", "outside"),
        (1.1, 0.0, "two-sided", "inside"),
    ],
)
def test_a_bearing_is_inside_only_with_its_uncertainty_by_the_rule_of_the_box(
    value: float, uncertainty: float | None, rule: DecisionRule, judged: str
) -> None:
    measured = made.bearings("pinion", value, 0.8, 1.4, uncertainty=uncertainty)
    begun = replace(BEGUN, given=replace(BEGUN.given, decision_rule=rule))
    build = build_of(
        Stamped(time_s=0.0, utc="2026-11-25T08:00:00.000+00:00", event=one) for one in (begun, measured)
    )
    assert bearing_decision(build, measured) == judged
    row = next(one for one in rows(build) if one.key == "pinion bearings")
    assert row.state == ("done" if judged == "inside" else "look")
    assert ("PROVEN" in row.lines[0]) == (judged in {"not settled", "not stated"})
    assert ("uncertainty not stated" in row.lines[0]) == (uncertainty is None)


def test_bearings_of_an_older_record_have_no_stated_uncertainty() -> None:
    kind, body = events.to_json(made.bearings("pinion", 1.1, 0.8, 1.4))
    older = {name: one for name, one in json.loads(body).items() if name != "uncertainty"}
    read = events.from_json(kind, json.dumps(older))
    assert isinstance(read, events.BearingsMeasured)
    assert read.uncertainty is None


def test_a_decision_is_of_the_newest_test_and_of_the_box_as_it_was() -> None:
    first = TestOfBuild(test="t1", result="conforming (completed)", outcome="conforming")
    running = TestOfBuild(test="t2", result="running")
    build = told(*made.COMPLETE)
    assert state_text(build, ()) == "not tested yet, next: Job"
    assert state_text(build, (first,)) == "test t1 ended conforming, and nobody decided on it yet"
    build = told(*made.COMPLETE, made.decided("t1"))
    assert state_text(build, (first, running)) == "accepted on test t1 (conforming) by C. Chief"
    row = rows(build, (first, replace(running, outcome="not proven")))[-1]
    assert (row.key, row.state) == ("decision", "open")
    assert "test t2 came after it (not proven)" in " ".join(row.lines)
    for later in (made.fitted("gear", 0.5), made.bearings("gear", 0.005), made.seen("drive")):
        moved = told(*made.COMPLETE, made.decided("t1"), later)
        assert moved.decided is None
        assert "does not hold any more" in " ".join(rows(moved, (first,))[-1].lines)
        assert "nobody decided" in state_text(moved, (first,))
    written = events.NoteWritten(by=made.BY, local=made.LOCAL, text="seat re-ground")
    noted = told(*made.COMPLETE, made.decided("t1", accepted=False), written)
    assert state_text(noted, (first,)).endswith("next: thicker pack for the gear")


def test_without_parts_the_sheet_says_what_the_box_file_lacks() -> None:
    box = made.box_file()
    bare = box.model_copy(update={"parts": type(box.parts)(), "shims": type(box.shims)()})
    begun = replace(BEGUN, given=given_by(bare))
    build = build_of([Stamped(time_s=0.0, utc="", event=begun)])
    row = next(row for row in rows(build) if row.key == "pinion shims")
    assert "[parts.pinion], [shims.pinion]" in row.lines[0]
