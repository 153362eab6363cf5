"""Four refused rocks in a row: the test waits, and only a person who looked at the stand lets it go on.

Nothing outside the project says how many refusals are too many: four, and the causes that are named, are
common practice without a source. What is checked is that nothing is measured before the answer, and that
nothing is lost after it.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from daemon.broken_off import BrokenOff, accepted
from daemon.testing.test_hands_free import SETTING, ByHand
from daemon.virtual_time import DEMO_BOX, VirtualTest, load_box
from lashmap_analysis.facts.result import to_document
from lashmap_daemon.errors import StandError
from lashmap_daemon.logbook.check import check_rows
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.sequence import sequence
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.simulated_stand import Fault
from lashmap_daemon.story import events
from lashmap_daemon.story.cause import CAUSES, CHOICES, Found, answer_of
from lashmap_daemon.testing import conductor


def box(**plan: float) -> BoxFile:
    given = {"positions": 5, "gear_turns": 1.0, "confirming_positions": 1, "tries": 3, "rock_seconds": 5.0}
    return load_box(DEMO_BOX, **{**given, **plan})


def stuck(test: VirtualTest) -> events.CauseAsked:
    """Led until the question is asked."""
    asked = test.run_until(events.CauseAsked, most_s=120.0).event
    assert isinstance(asked, events.CauseAsked)
    return asked


def mend(test: VirtualTest) -> None:
    """Somebody locks the pinion, tightens the tip: what was wrong with the simulated stand is over."""
    test._simulated._fault_until_s = 0.0


def kinds(test: VirtualTest, since: int) -> list[type[events.Event]]:
    return [type(one.event) for one in test.stream[since:]]


@pytest.mark.parametrize("fault", [Fault.SLIP, Fault.HEAVY, Fault.ONE_FLANK])
def test_nothing_is_measured_until_somebody_says_why_and_then_the_whole_job_is_done(
    tmp_path: Path, fault: Fault
) -> None:
    test = VirtualTest(tmp_path, box(), seed=3, fault=fault)
    asked = stuck(test)
    assert (asked.number, asked.refused, asked.choices) == (2, 4, CHOICES)
    assert len(test.of(events.RockRefused)) == 4
    since = len(test.stream)
    mend(test)
    for happened in (sequence.Repeat(), sequence.Skip()):
        test.conductor.happen(happened)
    test.tick_for(10.0)  # of good rocking
    assert (kinds(test, since), test.conductor.state.phase) == ([], Phase.FINDING)
    test.conductor.told_cause(Found(cause="pinion"))
    test.conductor.told_cause(Found(cause="tip"))  # once is enough: nothing is asked any more
    assert kinds(test, since) == [events.CauseAnswered, events.PositionAsked]
    answer = test.stream[since].event
    assert answer == events.CauseAnswered(number=2, refused=4, cause="pinion", words="", again=(1,))
    test.run()
    assert test.stream[-1].event == events.TestClosed(outcome="completed", reason="all positions done")
    shown = {one.number for one in test.of(events.RockAccepted) if isinstance(one, events.RockAccepted)}
    assert shown == {1, 2, 3, 4, 5, 6}  # what was left out for that cause was measured after all
    assessment = conclude(test.logbook, None)
    assert {one.position for one in assessment.positions} == shown
    assert assessment.record.left_out == ()
    truth = test.truth.normal_backlash_mm
    for one in assessment.positions:  # the tip's true radius is not the nominal one: 4 times 0.15 mm on 76 mm
        assert one.normal_backlash_mm == pytest.approx(truth[one.engagement % 520], rel=0.008, abs=0.0005)


def test_an_answer_stands_in_the_record_and_in_what_is_made_of_it(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, box(), seed=3, fault=Fault.HEAVY)
    stuck(test)
    mend(test)
    test.conductor.told_cause(Found(cause="other", words="the base was not clamped"))
    test.run()
    _, check = check_rows(test.logbook.path, test.started.test)
    assert not check.problems
    said = (
        "4 rocks in a row were refused, the last at position 2; found: the base was not clamped; asked for "
        "after all: position 1"
    )
    assessment = conclude(test.logbook, None)
    assert said in [text for _, text in assessment.record.notes]
    assert said in [one["text"] for one in to_document(assessment)["notes"]]
    assert assessment.record.causes == (f"{said}.",)
    assert f"{said}." in assessment.verdict.cautions


def test_where_nothing_is_found_it_goes_on_and_asks_again_after_four_more(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, box(), seed=3, fault=Fault.HEAVY)
    for number in (2, 3):
        assert stuck(test).number == number
        test.conductor.told_cause(Found(cause="nothing"))
    answers = [one.again for one in test.of(events.CauseAnswered) if isinstance(one, events.CauseAnswered)]
    assert answers == [(), ()]
    assert not test.of(events.RockAccepted)
    left_out = [
        one.number for one in test.of(events.PositionSkipped) if isinstance(one, events.PositionSkipped)
    ]
    assert left_out == [1, 2]


def test_a_good_rock_between_them_begins_to_count_anew(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, box(tries=9), seed=3)
    test.run_until(events.RockStarted)
    for _ in range(3):
        test.conductor.happen(sequence.RockBad(("slip",)))
        test.run_until(events.RockStarted)
    test.run_until(events.RockAccepted)
    test.run_until(events.RockStarted)
    test.conductor.happen(sequence.RockBad(("slip",)))
    assert test.conductor.state.phase is Phase.TURNING
    assert not test.of(events.CauseAsked)


def test_nobody_within_an_hour_ends_the_test_which_can_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(conductor, "FINDING_S", 3.0)
    test = VirtualTest(tmp_path, box(), seed=3, fault=Fault.HEAVY, goes_on="lashmap run A B --resume")
    asked_s = test.run_until(events.CauseAsked, most_s=120.0).time_s
    with pytest.raises(StandError, match=r"4 rocks in a row .* at position 2 .*nobody said why.*--resume"):
        test.tick_for(10.0)
    assert 3.0 < test.now_s - asked_s < 3.1


def test_where_nobody_can_answer_the_test_ends_at_once_and_only_then(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, box(), seed=3, fault=Fault.HEAVY)
    test.run_until(events.RockStarted)
    test.conductor.nobody_tells_cause("nobody is at a terminal to say why")  # nothing was asked
    stuck(test)
    with pytest.raises(StandError, match="nobody is at a terminal to say why"):
        test.conductor.nobody_tells_cause("nobody is at a terminal to say why")


def test_a_gesture_of_the_gear_answers_for_no_cause(tmp_path: Path) -> None:
    test = ByHand(tmp_path, box(), seed=3, fault=Fault.HEAVY)
    stuck(test)
    assert set(SETTING.gestures) == {"matched", "repeat", "skip"}
    for away in (-3.0, 3.0):
        for teeth, seconds in ((0.0, 1.4), (away, 1.0), (-away, 1.0), (0.0, 1.4)):
            test.turn(teeth, seconds)
    assert test.spoken == []
    assert test.conductor.state.phase is Phase.FINDING


def test_killed_while_it_waits_it_asks_again_before_anything_is_measured(tmp_path: Path) -> None:
    test = BrokenOff(tmp_path, box(), seed=3, fault=Fault.HEAVY, fault_from_s=8.0)
    stuck(test)
    before = accepted(test)
    assert before  # so that there is something to check
    since = len(test.stream)
    mend(test)
    test.go_on()
    test.tick_for(10.0)
    assert events.CauseAsked in kinds(test, since)
    assert not {events.PositionAsked, events.RockStarted} & set(kinds(test, since))
    test.conductor.told_cause(Found(cause="tip"))
    test.run()
    asked = [one.event for one in test.stream[since:] if isinstance(one.event, events.PositionAsked)]
    assert asked[0].reason.startswith("check: position")
    assert [one.agrees for one in test.of(events.CheckedAgain) if isinstance(one, events.CheckedAgain)] == [
        True
    ]
    planned = {one.engagement for one in accepted(test).values()}
    assert set(test.started.planned) <= planned
    assert [text for _, text in conclude(test.logbook, None).record.notes if "found: the tip" in text]


@pytest.mark.parametrize(
    ("line", "cause", "words"),
    [
        ("1", "pinion", ""),
        (" 2. ", "tip", ""),
        ("Flanks", "flanks", ""),
        ("4 the  base crept", "other", "the base crept"),
        ("other: a burr", "other", "a burr"),
        ("nothing", "nothing", ""),
    ],
)
def test_what_is_typed_answers_by_number_or_word(line: str, cause: str, words: str) -> None:
    found = answer_of(line)
    assert found is not None
    assert (found.cause, found.words) == (cause, words)


@pytest.mark.parametrize("line", ["", "0", "6", "4", "other", "1 and 2", "yes", "r", "4 " + "x" * 501])
def test_whatever_else_is_typed_answers_nothing(line: str) -> None:
    assert answer_of(line) is None
    assert len(CHOICES) == len(CAUSES) == 5
