"""What mark and encoder say of each other, in figures: worked by hand for a 13:40 set.

One tooth is 360° / 40 = 9° of the gear and 360° / 13 = 27.692° of the pinion; a third of it is allowed.
"""

from __future__ import annotations

import pytest
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_daemon.story import events, marks
from lashmap_drivers.timing.angles import Jump

GEAR_SET = GearSet(pinion_teeth=13, gear_teeth=40, outer_module_mm=4.0, face_width_mm=25.0)


def gear(encoder_deg: float, attempt: int = 1) -> events.MarksCompared:
    return marks.compared(GEAR_SET, "gear", encoder_deg, answer="matched", attempt=attempt)


@pytest.mark.parametrize(
    ("encoder_deg", "turns", "off_deg", "agrees"),
    [
        (0.0, 0, 0.0, True),
        (2.99, 0, 2.99, True),
        (3.0, 0, 3.0, True),
        (3.01, 0, 3.01, False),
        (72_001.0, 200, 1.0, True),
        (-3.01, 0, -3.01, False),
        (722.5, 2, 2.5, True),
        (1077.5, 3, -2.5, True),
        (729.0, 2, 9.0, False),
        (-369.0, -1, -9.0, False),
        (175.0, 0, 175.0, False),
        (185.0, 1, -175.0, False),
    ],
)
def test_the_mark_comes_by_once_in_each_turn_of_its_member(
    encoder_deg: float, turns: int, off_deg: float, *, agrees: bool
) -> None:
    found = gear(encoder_deg)
    assert (found.member, found.how, found.answer, found.attempt) == ("gear", "mark", "matched", 1)
    assert found.encoder_deg == encoder_deg
    assert found.turns == turns
    assert found.off_deg == pytest.approx(off_deg)
    assert found.off_teeth == pytest.approx(off_deg / 9.0)
    assert found.allowed_deg == pytest.approx(3.0)
    assert found.agrees is agrees


def test_a_tooth_is_that_of_the_member_with_the_encoder() -> None:
    pinion = marks.compared(GEAR_SET, "pinion", 360.0 + 9.0, answer="matched", attempt=1)
    assert pinion.allowed_deg == pytest.approx(9.2308, abs=1e-4)
    assert pinion.off_teeth == pytest.approx(0.325)
    assert pinion.agrees
    assert not gear(360.0 + 9.0).agrees


def test_a_first_disagreement_is_looked_at_once_more_and_a_second_is_believed() -> None:
    assert [gear(9.0, attempt).last for attempt in (1, 2)] == [False, True]
    assert gear(0.0, 1).last


def test_a_mark_that_nobody_saw_has_no_figures() -> None:
    unseen = marks.not_seen(GEAR_SET, "pinion", answer="skipped", attempt=2)
    assert (unseen.how, unseen.answer, unseen.attempt, unseen.agrees) == ("not seen", "skipped", 2, None)
    assert unseen.encoder_deg is unseen.turns is unseen.off_deg is unseen.off_teeth is None
    assert unseen.allowed_deg == pytest.approx(9.2308, abs=1e-4)
    assert unseen.last
    assert marks.apart_text(unseen) == ""
    found = marks.precondition(unseen)
    assert found.state == "unproven"
    assert "nobody saw the mark of the pinion again" in found.detail
    assert "(skipped)" in found.detail


@pytest.mark.parametrize(("passes", "told"), [(1, "1 time"), (3, "3 times")])
def test_an_index_pulse_at_its_count_proves_the_mark(passes: int, told: str) -> None:
    by_index = marks.by_index(GEAR_SET, "gear", passes=passes)
    assert (by_index.how, by_index.attempt, by_index.agrees) == ("index pulse", 1, True)
    assert by_index.encoder_deg is by_index.turns is by_index.off_deg is by_index.off_teeth is None
    assert by_index.allowed_deg == pytest.approx(3.0)
    assert by_index.answer.endswith(f", {told}")
    found = marks.precondition(by_index)
    assert found.state == "proven"
    assert found.detail == f"the encoder's index pulse came back to its count in each turn, {told}"


@pytest.mark.parametrize(
    ("encoder_deg", "told"),
    [
        (9.0, "1.0 tooth (9.0°)"),
        (-13.5, "1.5 teeth (13.5°)"),
        (4.5, "0.5 teeth (4.5°)"),
        (10.8, "1.2 teeth (10.8°)"),
        (9.36, "1.0 tooth (9.4°)"),
    ],
)
def test_how_far_they_are_apart_is_told_in_teeth_and_degrees(encoder_deg: float, told: str) -> None:
    found = gear(encoder_deg)
    assert marks.apart_text(found) == told
    assert told in marks.disagreement(found)
    failed = marks.precondition(found)
    assert failed.state == "failed"
    assert failed.detail == marks.disagreement(found)
    assert failed.remedy == marks.REMEDY


@pytest.mark.parametrize(
    ("encoder_deg", "told"),
    [
        (1.25, "0 turns from the start: encoder +1.25°"),
        (361.25, "1 turn from the start: encoder +1.25°"),
        (-721.0, "2 turns from the start: encoder -1.00°"),
    ],
)
def test_a_mark_that_agrees_proves_with_its_figures(encoder_deg: float, told: str) -> None:
    found = marks.precondition(gear(encoder_deg))
    assert found.state == "proven"
    assert told in found.detail
    assert "(3.0° are allowed)" in found.detail


def test_a_jump_is_told_with_its_speed_and_what_to_do() -> None:
    # 90° in 10 ms are 25 turns a second.
    told = marks.jumped(
        Jump(step_deg=-90.0, wait_s=0.010), "/dev/ttyUSB1", may_begin_again=False, go_on="lashmap run …"
    )
    assert "encoder on /dev/ttyUSB1" in told
    assert "by -90.0° within 10 ms" in told
    assert "That is 25 turns a second" in told
    assert "wraps_at_deg" not in told
    assert told.endswith("and go on with: lashmap run …")
    slow = marks.jumped(Jump(step_deg=9000.0, wait_s=0.8), "p", may_begin_again=False, go_on="x")
    assert "within 800 ms" in slow
    degrees = marks.jumped(
        Jump(step_deg=-90.0, wait_s=0.010), "/dev/ttyUSB1", may_begin_again=True, go_on="x"
    )
    assert "wraps_at_deg = 360" in degrees
    # Two samples of one moment: no less than a millisecond is taken between them.
    assert "That is 250 turns a second" in marks.jumped(
        Jump(step_deg=90.0, wait_s=0.0), "p", may_begin_again=False, go_on="x"
    )


@pytest.mark.parametrize(
    ("attempt", "agrees", "last"), [(1, True, True), (1, False, False), (2, False, True)]
)
def test_a_count_that_does_not_fit_is_counted_once_more_and_then_believed(
    attempt: int, *, agrees: bool, last: bool
) -> None:
    found = marks.by_count(GEAR_SET, turns=2, answer="yes", attempt=attempt, agrees=agrees)
    assert (found.last, found.agrees, found.turns) == (last, agrees, 2)
    proven = marks.precondition(found)
    assert proven.state == ("proven" if agrees else "failed")
    assert "2 turns of the gear from the start" in proven.detail
    once = marks.by_count(GEAR_SET, turns=-1, answer="yes", attempt=attempt, agrees=agrees)
    assert "1 turn of the gear from the start" in marks.precondition(once).detail
