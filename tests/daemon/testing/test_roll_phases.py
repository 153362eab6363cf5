"""The tight spot rocked at three phases of the roll, in virtual time: asked for, recorded, resumed, judged.

The simulated gearbox rolls by a model of its own: whole engagements stand a fifth of a pitch off the least.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from daemon.broken_off import BrokenOff, accepted
from daemon.simulated_boxes import COARSE
from daemon.virtual_time import VirtualTest, load_box
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.tables import record_of
from lashmap_analysis.uncertainty.mesh_state import ROLL
from lashmap_daemon.exchange.frames import frames
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.screens.view import view_of
from lashmap_daemon.sequence import sequence
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.story import events
from lashmap_daemon.story.wording import asked_sentence
from lashmap_daemon.testing.prediction import NO_PHASES

ROLLED = {"third back": -1 / 3, "third forward": 1 / 3}


def box(*, roll_phases: int | None = 3) -> BoxFile:
    """The demonstration box with rougher rolling, of which nobody recorded anything."""
    plain = load_box(positions=8, gear_turns=3.0, confirming_positions=1)
    crowned = plain.simulated.model_copy(update={"roll_crowning_mm": 0.003, "roll_phase_at_marks": 0.2})
    contact = plain.contact.model_copy(update={"roll_variation_mm": None})
    plan = plain.plan.model_copy(update={"roll_phases": roll_phases})
    return plain.model_copy(update={"simulated": crowned, "contact": contact, "plan": plan})


def asked(test: VirtualTest) -> list[events.PositionAsked]:
    return [one for one in test.of(events.PositionAsked) if isinstance(one, events.PositionAsked)]


def purposes(test: VirtualTest) -> list[str]:
    return [one.purpose for one in asked(test)]


def agree(test: BrokenOff) -> Assessment:
    """The raw bytes give what was shown, but for the roll, of which nothing is known before all is rocked."""
    result, shown = conclude(test.logbook, None), accepted(test)
    assert {one.position for one in result.positions} == set(shown)
    for one in result.positions:
        before = shown[one.position]
        rolled = 0.0 if one.purpose in ROLLED else correction_mm(result)
        assert one.rock.reading_mm == before.reading_mm
        assert one.normal_backlash_mm == pytest.approx(before.normal_backlash_mm + rolled, abs=1e-12)
    return result


def correction_mm(assessment: Assessment) -> float:
    assert assessment.budget is not None
    return next(line.correction_mm for line in assessment.budget.lines if line.quantity == ROLL)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> BrokenOff:
    test = BrokenOff(tmp_path_factory.mktemp("roll"), box(), seed=4)
    test.run()
    return test


def test_two_more_rocks_are_asked_for_once_the_tight_spot_is_confirmed(whole: BrokenOff) -> None:
    assert purposes(whole) == ["planned"] * 8 + ["confirming", "third back", "third forward"]
    confirming, back, forward = asked(whole)[-3:]
    assert confirming.engagement == back.engagement == forward.engagement
    pitch_deg = 360.0 / whole.box.gear_set.gear_teeth
    for one in (back, forward):
        at = one.engagement + ROLLED[one.purpose]
        assert one.gear_angle_deg == pytest.approx(at * pitch_deg)
        assert one.turn_teeth == 0
    assert back.turn_deg == pytest.approx(-pitch_deg / 3.0)
    assert forward.turn_deg == pytest.approx(2.0 * pitch_deg / 3.0)


def test_the_technician_is_told_where_to_turn_the_pinion(whole: BrokenOff) -> None:
    back, forward = (asked_sentence(one, whole.box.gear_set) for one in asked(whole)[-2:])
    assert back.startswith(
        "Roll phase a third of a pitch BACK: turn the pinion so that the gear goes BACK ← by 3.0°"
    )
    assert "(a third of a tooth; pinion 9.2°)" in back  # 360 / 13 / 3
    assert "goes FORWARD → by 6.0° (two thirds of a tooth; pinion 18.5°)" in forward
    assert "set the tip on its tooth again; hold the pinion and rock the gear lightly" in forward
    assert asked_sentence(asked(whole)[-1], None).count("6.0° to engagement") == 1


def test_what_was_recorded_is_judged_and_played_again(whole: BrokenOff) -> None:
    result = agree(whole)
    back, forward = result.positions[-2:]
    for one in (back, forward):
        place = one.gear_angle_deg / 360.0 * whole.box.gear_set.gear_teeth
        assert place - one.engagement == pytest.approx(ROLLED[one.purpose], abs=0.03)
        assert not any(flag.disabling for flag in one.flags)
    # 4 · 3 µm · 0.2² below the whole engagement (the simulated stand's crowning), which teeth scatter about
    assert correction_mm(result) == pytest.approx(-0.00048, abs=0.0007)
    assert result.stated is not None
    low, high = result.stated.interval_mm
    assert low <= whole.truth.tight_spot_normal_backlash_mm <= high
    assert result.confirmed
    with_line = replace(result.record, traces=result.record.traces[:-2])
    assert correction_mm(assess(with_line)) == 0.0


def test_an_export_is_read_back_to_the_same_figures(whole: BrokenOff) -> None:
    result = conclude(whole.logbook, None)
    again = assess(record_of(frames(whole.logbook, result.record.identity.test), result.record.identity.test))
    assert again.stated == result.stated
    assert [one.purpose for one in again.positions] == [one.purpose for one in result.positions]


def test_a_test_killed_between_the_two_goes_on_with_the_other(tmp_path: Path) -> None:
    test = BrokenOff(tmp_path, box(), seed=4)
    while len(test.of(events.RockAccepted)) < 10:
        test.tick()
    assert purposes(test)[-1] == "third forward"
    test.go_on()
    test.run()
    # What is repeated as a check is the last rock at a whole engagement.
    assert purposes(test)[-3:] == ["third forward", "planned", "third forward"]
    check, again = asked(test)[-2:]
    assert (check.number, again.number) == (12, 11)
    assert check.engagement == asked(test)[8].engagement
    assert check.turn_teeth > 0, "from where the marked teeth were brought together again"
    result = agree(test)
    checked = [one for one in test.of(events.CheckedAgain) if isinstance(one, events.CheckedAgain)]
    assert [(one.number, one.of) for one in checked] == [(12, 9)]
    assert correction_mm(result) != 0.0


def test_one_that_is_left_out_is_not_asked_for_again(tmp_path: Path) -> None:
    test = BrokenOff(tmp_path, box(), seed=4)
    while purposes(test)[-1:] != ["third back"] or test.conductor.state.phase is not Phase.TURNING:
        test.tick()
    shown = view_of(test.conductor, test.now_s, "")
    assert any("next: BACK" in line and "°" in line for line in shown.cue.details)
    assert shown.target_deg == pytest.approx(asked(test)[-1].gear_angle_deg)
    test.conductor.happen(sequence.Skip())
    test.run()
    assert purposes(test)[-2:] == ["third back", "third forward"]
    result = conclude(test.logbook, None)
    assert correction_mm(result) == 0.0
    assert any("Position 10 " in one for one in result.record.left_out)


def test_without_an_encoder_the_line_stays_and_the_record_says_why(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, box(), seed=11, instruments=COARSE, counted=True)
    test.run()
    assert set(purposes(test)) == {"planned", "confirming"}
    notes = [one.text for one in test.of(events.NoteTaken) if isinstance(one, events.NoteTaken)]
    assert notes.count(NO_PHASES) == 1


def test_nothing_is_asked_for_or_recorded_where_the_box_does_not_want_it(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, box(roll_phases=None), seed=4)
    test.run()
    assert set(purposes(test)) == {"planned", "confirming"}
    assert "roll_phases" not in events.to_json(test.started)[1]
