"""A test ends as soon as its readings settle the verdict, and not before."""

from __future__ import annotations

from pathlib import Path

import pytest
from daemon.broken_off import BrokenOff
from daemon.virtual_time import load_box
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.judge.settling import FIRST_LOOK
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.replay.replay import Replay
from lashmap_daemon.sequence import sequence
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.story import events

FEW = FIRST_LOOK + 4  # positions, enough to be judged before the last


def box(*, minimum_mm: float | None = 0.10, maximum_mm: float | None = 0.18, positions: int = 26) -> BoxFile:
    """The demonstration box, whose tight spot is near 0.127 mm, with other limits."""
    shipped = load_box(stop_when_settled=True, positions=positions)
    limits = shipped.limits.model_copy(update={"minimum_mm": minimum_mm, "maximum_mm": maximum_mm})
    return shipped.model_copy(update={"limits": limits})


def spared_numbers(test: BrokenOff) -> set[int]:
    """Positions that were not needed."""
    found = [one for one in test.of(events.PositionsSpared) if isinstance(one, events.PositionsSpared)]
    return {number for one in found for number in one.numbers}


def judged(test: BrokenOff) -> Assessment:
    test.run()
    return conclude(test.logbook, None)


def test_a_comfortable_box_needs_half_the_plan(tmp_path: Path) -> None:
    test = BrokenOff(tmp_path, box())
    assessment = judged(test)
    spared = spared_numbers(test)
    planned = [one for one in assessment.positions if one.purpose == "planned"]
    assert FIRST_LOOK <= len(planned) <= 20
    assert len(planned) + len(spared) == test.box.plan.positions
    assert assessment.verdict.outcome == "conforming"
    assert assessment.confirmed, "the tight spot is confirmed all the same"
    assert any("planned positions are not needed" in text for _, text in assessment.record.notes)
    assert not assessment.record.left_out, "nothing is missing"


@pytest.mark.parametrize(("minimum_mm", "maximum_mm"), [(0.1265, 0.18), (None, 0.1272)])
def test_a_close_box_is_measured_to_the_end(
    tmp_path: Path, minimum_mm: float | None, maximum_mm: float
) -> None:
    test = BrokenOff(tmp_path, box(minimum_mm=minimum_mm, maximum_mm=maximum_mm, positions=FEW))
    assessment = judged(test)
    assert not test.of(events.PositionsSpared)
    assert sum(one.purpose == "planned" for one in assessment.positions) == test.box.plan.positions


def test_a_bad_box_is_settled_early_too(tmp_path: Path) -> None:
    test = BrokenOff(tmp_path, box(minimum_mm=0.15))
    assessment = judged(test)
    assert test.of(events.PositionsSpared)
    assert assessment.verdict.outcome == "nonconforming"


def test_without_limits_nothing_is_settled(tmp_path: Path) -> None:
    shipped = box(minimum_mm=None, maximum_mm=None, positions=FEW)
    limits = shipped.limits.model_copy(update={"variation_mm": None})
    test = BrokenOff(tmp_path, shipped.model_copy(update={"limits": limits}))
    judged(test)
    assert not test.of(events.PositionsSpared)


def test_the_live_test_judges_with_the_place_of_contact_as_the_review_does(tmp_path: Path) -> None:
    # Gear sets that differ in their place of contact alone are equal, so the place itself is compared.
    test = BrokenOff(tmp_path, box())
    assert test.conductor.gear_set.contact_from_toe == test.box.contact.place == 0.6


def test_what_was_spared_stays_spared_after_a_kill(tmp_path: Path) -> None:
    test = BrokenOff(tmp_path, box())
    while not test.of(events.PositionsSpared):
        test.tick()
    test.tick_for(0.4)
    test.go_on()
    test.run()
    with Replay(test.logbook, test.started.test) as replay:
        asked = [one.event for one in replay.events if isinstance(one.event, events.PositionAsked)]
    spared = spared_numbers(test)
    assert spared
    assert not spared & {one.number for one in asked}
    assert conclude(test.logbook, None).verdict.outcome == "conforming"


def test_only_planned_positions_are_spared() -> None:
    state, _ = sequence.begin((0, 5, 9), tries=3)
    state, _ = sequence.step(state, sequence.Arrived())
    state, actions = sequence.step(state, sequence.RockGood(settled=True))
    assert [type(one) for one in actions] == [sequence.Accept, sequence.Spare, sequence.Predict]
    assert state.phase is sequence.Phase.PREDICTING
    state, actions = sequence.step(state, sequence.Confirm((7,)))
    state, _ = sequence.step(state, sequence.MarksSeen())
    state, _ = sequence.step(state, sequence.Arrived())
    state, actions = sequence.step(state, sequence.RockGood(settled=True))
    assert not any(isinstance(one, sequence.Spare) for one in actions)
