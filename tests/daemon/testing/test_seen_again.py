"""An encoder that jumps or slips in a test: seen by its speed or by the mark, whoever follows its display.

The simulated stand turns to where the encoder shows the asked position, as a person does who goes by the
display, and knows its marked teeth apart from that.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from daemon.broken_off import BrokenOff, accepted, numbers_agree, precondition
from daemon.virtual_time import AS_SHIPPED, VirtualTest, load_box, set_up
from lashmap_analysis.judge.verdict import MATCHED_AGAIN
from lashmap_analysis.record.record import Precondition, Shaft
from lashmap_daemon.errors import ReferenceDisproved, StandError
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.screens.view import view_of
from lashmap_daemon.sequence.resume import ResumeError, take_up
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.simulated_stand import Fault, SimulatedInstruments
from lashmap_daemon.story import events
from lashmap_daemon.story.wording import sentence

BOX = load_box(positions=6, gear_turns=2.0, confirming_positions=1)
SLOW_HZ = {"gear": 20.0, "pinion": 10.0}  # 81 degrees in 50 ms are 4.5 turns a second, 249 in 0.1 s are 7


def compared(test: VirtualTest) -> list[events.MarksCompared]:
    return [one for one in test.of(events.MarksCompared) if isinstance(one, events.MarksCompared)]


def wrong(test: VirtualTest) -> int:
    """Readings that belong to other teeth than those they are put down under."""
    true = test.truth.normal_backlash_mm
    accepted = [one for one in test.of(events.RockAccepted) if isinstance(one, events.RockAccepted)]
    return sum(abs(one.normal_backlash_mm - true[one.engagement % 520]) > 0.003 for one in accepted)


def test_a_sound_encoder_agrees_and_the_record_says_so(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, load_box(), seed=4)
    test.run()
    (found,) = compared(test)
    assert (found.how, found.answer, found.agrees, found.attempt) == ("mark", "matched by a knock", True, 1)
    assert found.off_teeth == pytest.approx(0.0, abs=0.05)
    kinds = [type(stamped.event) for stamped in test.stream]
    assert kinds.index(events.TightSpotPredicted) < kinds.index(events.MarksAsked)
    assessment = conclude(test.logbook, None)
    seen = next(one for one in assessment.record.preconditions if one.name == MATCHED_AGAIN)
    assert (seen.state, "from the start" in seen.detail) == ("proven", True)
    assert assessment.verdict.outcome == "conforming"


@pytest.mark.parametrize("fault", [Fault.JUMPING_ENCODER, Fault.SLIPPING_COUPLING])
@pytest.mark.parametrize("shaft", ["gear", "pinion"])
def test_an_encoder_that_everybody_followed_is_found_at_the_mark(
    tmp_path: Path,
    fault: Fault,
    shaft: Shaft,
) -> None:
    instruments = SimulatedInstruments(
        indicator_rate_hz=200.0,
        encoder_rate_hz=SLOW_HZ[shaft] if fault is Fault.JUMPING_ENCODER else 500.0,
        encoder_shaft=shaft,
    )
    test = BrokenOff(tmp_path, BOX, seed=4, instruments=instruments, fault=fault, fault_from_s=6.0)
    with pytest.raises(ReferenceDisproved) as raised:
        test.run()
    teeth = 9 if fault is Fault.JUMPING_ENCODER else 3
    # Of the pinion's 13 teeth 9 on are 4 back.
    off, tooth_deg = (teeth, 9.0) if shaft == "gear" else (min(teeth, 13 - teeth), 360.0 / 13.0)
    assert f"it was {off:.1f} teeth ({off * tooth_deg:.1f}°) from there" in str(raised.value)
    assert "test again from the start" in str(raised.value)
    assert wrong(test) > 0  # they were believed, each by itself
    first, second = compared(test)
    assert (first.agrees, first.last) == (second.agrees, not second.last) == (False, False)
    assert abs(second.off_teeth or 0.0) == pytest.approx(off, abs=0.1)
    seen = precondition(test, MATCHED_AGAIN)
    assert (seen.state, f"{off:.1f} teeth" in seen.detail) == ("failed", True)
    assert conclude(test.logbook, None).verdict.outcome == "not proven"
    with pytest.raises(
        ResumeError, match=r"cannot go on: the marked tooth of the (gear|pinion) stood in the mesh"
    ):
        take_up(test.logbook, test.started.test, set_up(BOX, test.stand))


def test_the_first_disagreement_gives_no_number_to_go_by(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, BOX, seed=4, fault=Fault.SLIPPING_COUPLING)
    with pytest.raises(ReferenceDisproved):
        test.run()
    said = [sentence(one, "mm", None) or "" for one in (compared(test)[0], *test.of(events.MarksAsked))]
    assert not any(character.isdigit() for text in said for character in text)
    assert "check it once more" in said[-1]


def end_by_jump(test: BrokenOff, said: str) -> None:
    """The test ends as a live one does: with its closing record, before which all samples are kept."""
    with pytest.raises(StandError, match=said) as raised:
        test.run()
    test._emit(events.TestClosed(outcome="failed", reason=str(raised.value)))


def test_an_encoder_that_jumps_ends_the_test_and_it_goes_on_by_the_marks(tmp_path: Path) -> None:
    test = BrokenOff(tmp_path, BOX, seed=4, fault=Fault.JUMPING_ENCODER, fault_from_s=9.0, **AS_SHIPPED)
    end_by_jump(
        test, r"went by \+81\.0° within 2 ms .* jumped, .* go on with: lashmap run STAND BOX --resume"
    )
    before = dict(accepted(test))
    assert 0 < len(before) < 6
    assert wrong(test) == 0
    test.go_on(offset=None)
    test.run()
    assert {number: accepted(test)[number] for number in before} == before
    assert wrong(test) == 0
    assert precondition(test, "matched teeth").state == "proven"
    assert "9.0 teeth" in precondition(test, "matched teeth").detail
    assert precondition(test, MATCHED_AGAIN).state == "proven"
    numbers_agree(test)
    assert conclude(test.logbook, None).record.closing == "completed"


def test_after_a_jump_other_teeth_than_the_marked_ones_are_not_believed(tmp_path: Path) -> None:
    test = BrokenOff(tmp_path, BOX, seed=4, fault=Fault.JUMPING_ENCODER, fault_from_s=9.0, **AS_SHIPPED)
    end_by_jump(test, "jumped")
    test.go_on(offset=None, marks=5)
    found = precondition(test, "matched teeth")
    assert (found.state, "5.0 teeth from here" in found.detail) == ("unproven", True)


def test_what_nobody_answers_is_unproven_and_the_test_goes_on(tmp_path: Path) -> None:
    test = VirtualTest(
        tmp_path, load_box(positions=5, gear_turns=1.0, confirming_positions=1, turn_seconds=20.0)
    )
    test.run_until(events.TightSpotPredicted)
    test._simulated.rest()
    test.run_until(events.PositionAsked, most_s=30.0)
    (found,) = compared(test)
    assert (found.agrees, found.answer) == (None, "no answer within 20 s")
    test.run()
    seen = precondition_of(test)
    assert (seen.state, "nobody saw the mark" in seen.detail) == ("unproven", True)
    assert conclude(test.logbook, None).verdict.outcome == "not proven"


def precondition_of(test: VirtualTest) -> Precondition:
    found = conclude(test.logbook, None).record.preconditions
    return next(one for one in found if one.name == MATCHED_AGAIN)


def test_marks_are_not_compared_while_the_gear_turns_and_no_angle_is_shown(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, BOX, seed=4)
    test.run_until(events.MarksAsked)
    test.tick_for(0.3)
    view = view_of(test.conductor, test.now_s, "")
    assert (view.phase, view.gear_deg, view.target_deg) == (Phase.CHECKING, None, None)
    test.conductor.matched()
    assert not compared(test)
    (note,) = [one for one in test.of(events.NoteTaken) if isinstance(one, events.NoteTaken)]
    assert "hold the gear still" in note.text
    test.run()
    assert compared(test)[0].agrees


def test_a_test_broken_off_at_the_marks_asks_for_them_again(tmp_path: Path) -> None:
    test = BrokenOff(tmp_path, BOX, seed=4)
    test.run_until(events.MarksAsked)
    test.tick_for(0.1)
    new = len(test.stream)
    test.go_on()
    test.run()
    kinds = [type(stamped.event) for stamped in test.stream[new:]]
    asked = [
        stamped.event.purpose
        for stamped in test.stream[new:]
        if isinstance(stamped.event, events.PositionAsked)
    ]
    assert kinds.count(events.MarksAsked) == 1
    assert asked == ["planned", "confirming"]  # the check of the resumption, and then the tight spot
    assert precondition(test, MATCHED_AGAIN).state == "proven"
