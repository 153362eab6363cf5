"""Whole and broken tests in virtual time on the simulated stand, whose physics is not the analysis's."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from daemon.simulated_boxes import COARSE
from daemon.virtual_time import AS_SHIPPED, CONFIGS, DEMO_BOX, VirtualTest, load_box
from lashmap_analysis.record.record import Shaft
from lashmap_daemon.errors import StandError
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.replay.replay import Replay
from lashmap_daemon.screens.view import view_of
from lashmap_daemon.sequence import sequence
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.simulated_stand import Fault, SimulatedDrive, SimulatedInstruments
from lashmap_daemon.story import events
from lashmap_daemon.story.cause import Found
from lashmap_daemon.testing.conductor import Conductor
from lashmap_drivers.errors import InstrumentGarbled, InstrumentSilent


def short_box(**plan: float) -> BoxFile:
    return load_box(DEMO_BOX, **{"positions": 5, "gear_turns": 1.0, "confirming_positions": 1, **plan})


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> VirtualTest:
    test = VirtualTest(tmp_path_factory.mktemp("whole"), load_box(), seed=4, **AS_SHIPPED)
    test.run()
    return test


def test_the_main_job_ends_at_the_truth(whole: VirtualTest) -> None:
    assessment = conclude(whole.logbook, None)
    truth = whole.truth
    stated = assessment.stated
    assert stated is not None
    low, high = stated.interval_mm
    assert low <= truth.tight_spot_normal_backlash_mm <= high
    assert high - low < 0.006
    named = truth.normal_backlash_mm[stated.engagement % len(truth.normal_backlash_mm)]
    assert named - truth.tight_spot_normal_backlash_mm < 0.002
    assert assessment.confirmed
    assert assessment.verdict.outcome == "conforming"


def test_runout_is_found_where_the_stand_has_it(whole: VirtualTest) -> None:
    fitted = conclude(whole.logbook, None).lash_map
    assert fitted is not None
    for found, true in ((fitted.gear_runout, whole.truth.gear), (fitted.pinion_runout, whole.truth.pinion)):
        assert found is not None
        assert found.amplitude_mm == pytest.approx(true.amplitude_mm, abs=4.0 * found.standard_uncertainty_mm)
        apart = (found.high_point_deg - true.high_point_deg + 180.0) % 360.0 - 180.0
        assert abs(apart) < 6.0


def test_each_reading_is_the_true_backlash_of_its_engagement(whole: VirtualTest) -> None:
    # The tip's true radius is not the nominal one; its effect is the same share everywhere (within 4 standard
    # uncertainties of 0.15 mm on 76 mm), and what remains is below 0.2 µm.
    accepted = [event for event in whole.of(events.RockAccepted) if isinstance(event, events.RockAccepted)]
    true = np.array([whole.truth.normal_backlash_mm[one.engagement % 520] for one in accepted])
    found = np.array([one.normal_backlash_mm for one in accepted])
    share = found / true
    assert abs(share.mean() - 1.0) < 4.0 * 0.15 / 76.0
    assert np.max(np.abs(found - share.mean() * true)) < 0.0002


def test_what_the_screen_showed_is_what_the_record_holds(whole: VirtualTest) -> None:
    record = Replay(whole.logbook, whole.started.test).record()
    shown = {one.number: one for one in whole.of(events.RockAccepted) if isinstance(one, events.RockAccepted)}
    concluded = conclude(whole.logbook, whole.started.test)
    assert len(record.traces) == len(shown) == len(concluded.positions)
    for one in concluded.positions:
        assert one.rock.reading_mm == pytest.approx(shown[one.position].reading_mm, abs=1e-9)
        assert one.normal_backlash_mm == pytest.approx(shown[one.position].normal_backlash_mm, abs=1e-9)


def test_the_confirming_position_is_asked_for_at_the_predicted_tight_spot(whole: VirtualTest) -> None:
    kinds = [stamped.event for stamped in whole.stream]
    first = next(index for index, event in enumerate(kinds) if isinstance(event, events.TightSpotPredicted))
    predicted, asked = (
        kinds[first],
        next(one for one in kinds[first:] if isinstance(one, events.PositionAsked)),
    )
    assert isinstance(predicted, events.TightSpotPredicted)
    assert isinstance(asked, events.PositionAsked)
    assert asked.purpose == "confirming"
    assert (asked.engagement - predicted.engagement) % 520 == 0
    assert isinstance(kinds[-1], events.TestClosed)


@pytest.mark.parametrize(
    ("box", "instruments"),
    [
        ("mitre-20x20", COARSE),
        ("straight-18x36", replace(COARSE, encoder_shaft="pinion")),
        ("spiral-15x45-inch", replace(COARSE, indicator_unit="in", indicator_resolution_mm=0.000254)),
    ],
)
def test_the_other_shipped_boxes_hold_their_truth(
    tmp_path: Path, box: str, instruments: SimulatedInstruments
) -> None:
    test = VirtualTest(tmp_path, load_box(CONFIGS / "boxes" / f"{box}.toml"), seed=3, instruments=instruments)
    test.run()
    assessment = conclude(test.logbook, None)
    assert assessment.stated is not None
    low, high = assessment.stated.interval_mm
    assert low <= test.truth.tight_spot_normal_backlash_mm <= high
    if box == "mitre-20x20":
        assert assessment.lash_map is not None
        assert not assessment.lash_map.separable.gear
    if box == "straight-18x36":  # its pinion's mounting distance was never recorded
        assert assessment.verdict.outcome == "not proven"


def test_a_box_rocked_by_hand_before_a_slow_indicator(tmp_path: Path) -> None:
    # 8 samples a second, a rock in two seconds, a resolution of 1 µm: the slowest stand this is meant for.
    test = VirtualTest(
        tmp_path,
        short_box(rock_seconds=40.0),
        instruments=SimulatedInstruments(
            indicator_rate_hz=8.0, encoder_rate_hz=8.0, indicator_resolution_mm=0.001
        ),
        drive=SimulatedDrive(rocks_per_s=0.5, rhythm_jitter=0.15),
    )
    test.run()
    accepted = [event for event in test.of(events.RockAccepted) if isinstance(event, events.RockAccepted)]
    assert len(accepted) == 6
    for one in accepted:
        true = test.truth.normal_backlash_mm[one.engagement % 520]
        # Radius (0.15 mm on 76 mm) and reading together, at 4 standard uncertainties.
        allowed = 4.0 * float(np.hypot(one.standard_uncertainty_mm, true * 0.15 / 76.0))
        assert abs(one.normal_backlash_mm - true) < allowed
        assert one.standard_uncertainty_mm > 0.0001


def test_a_stop_keeps_what_was_done_and_closes_the_record(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, short_box())
    test.run_until(events.RockAccepted)
    test.run_until(events.RockAccepted)
    test.run_until(events.RockStarted)
    test.stop()
    assert test.conductor.closed
    assert test.stream[-1].event == events.TestClosed(outcome="stopped", reason="by the operator")
    assessment = conclude(test.logbook, None)
    assert len(assessment.positions) == 2
    assert assessment.record.closing == "stopped: by the operator"
    assert assessment.verdict.outcome != "conforming"


def test_turning_away_in_mid_rock_asks_for_the_position_again(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, short_box(reversals=60))
    test.run_until(events.RockStarted)
    test._simulated.ask(3)  # the stand goes elsewhere by itself
    refused = test.run_until(events.RockRefused).event
    assert isinstance(refused, events.RockRefused)
    assert "left the position" in refused.reasons[0]
    asked = test.stream[-1].event
    assert isinstance(asked, events.PositionAsked)
    assert (asked.number, asked.attempt) == (1, 2)


def test_skip_repeat_and_note(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, short_box())
    test.run_until(events.RockAccepted)
    test.conductor.happen(sequence.Repeat())
    again = test.run_until(events.RockAccepted).event
    assert isinstance(again, events.RockAccepted)
    assert (again.number, again.attempt) == (1, 2)
    test.conductor.happen(sequence.Skip())
    skipped = test.stream[-2].event
    assert skipped == events.PositionSkipped(
        number=2, engagement=test.started.planned[1], reason="skipped by the operator"
    )
    test.conductor.note("oil dripped")
    test.run()
    record = Replay(test.logbook, test.started.test).record()
    assert [trace.position for trace in record.traces] == [1, 3, 4, 5, 6]
    assert record.traces[0].attempt == 2
    assert [text for _, text in record.notes] == ["oil dripped"]


def test_a_pinion_that_slips_gives_no_reading(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, short_box(rock_seconds=6.0, tries=2), fault=Fault.SLIP)
    left_out = test.run_until(events.PositionSkipped).event
    assert isinstance(left_out, events.PositionSkipped)
    assert "refused 2 times" in left_out.reason
    assert not test.of(events.RockAccepted)


def test_a_gear_pushed_one_way_only_gives_no_reading(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, short_box(rock_seconds=3.0), fault=Fault.ONE_FLANK)
    refused = test.run_until(events.RockRefused).event
    assert isinstance(refused, events.RockRefused)
    assert refused.reasons


def test_a_silent_indicator_is_named_with_its_port(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, short_box(), fault=Fault.SILENT)
    test.conductor._absences._patience_s = 10.0
    with pytest.raises(InstrumentSilent, match=r"indicator on .*no bytes for 13\.0 s"):
        test.run()


def test_garbage_is_named_with_a_sample_and_the_pattern(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, short_box(), fault=Fault.GARBAGE)
    test.conductor._absences._patience_s = 10.0
    with pytest.raises(InstrumentGarbled, match="no line that fits the profile") as caught:
        test.run()
    assert caught.value.byte_count > 100
    assert "value" in caught.value.expected


def test_a_gear_side_encoder_that_misses_the_rock_is_found_at_once(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, short_box(), fault=Fault.FROZEN_ENCODER)
    with pytest.raises(StandError, match="has not moved by a count while the indicator saw the gear rock"):
        test.run()
    assert test.now_s < 10.0


def test_an_encoder_that_never_moves_is_named_after_the_time_allowed(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, short_box(turn_seconds=5.0), follow=False)
    test._simulated.ask(0)  # it rocks where it is and never turns on
    test.run_until(events.RockAccepted)
    with pytest.raises(StandError, match=r"has not moved for 5 s.*Either nobody turned the gear, or"):
        test.run()
    assert test.conductor.state.phase is Phase.TURNING


def test_too_few_positions_for_a_lash_map_are_told_with_their_number(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, short_box(positions=4))
    test.run_until(events.RockAccepted)
    test.conductor.happen(sequence.Skip())
    test.run()
    (note,) = [event.text for event in test.of(events.NoteTaken) if isinstance(event, events.NoteTaken)]
    assert note == (
        "No tight spot is predicted, since the 3 accepted positions give no lash map: at least 4 different "
        "engagements, or a map would be guessed, not measured"
    )


def test_preconditions_travel_into_the_record(whole: VirtualTest) -> None:
    record = Replay(whole.logbook, whole.started.test).record()
    states = {one.name: one.state for one in record.preconditions}
    assert states["mounting distance, pinion"] == "proven"
    assert states["record intact"] == "proven"
    assert states["matched teeth, seen again"] == "proven"
    assert len(states) == 9


@pytest.mark.parametrize("shaft", ["gear", "pinion"])
def test_sweeps_of_both_members_give_their_true_runout(tmp_path: Path, shaft: Shaft) -> None:
    test = VirtualTest(
        tmp_path,
        short_box(positions=4),
        seed=5,
        sweeps=("gear", "pinion"),
        instruments=replace(COARSE, encoder_shaft=shaft),
    )
    test.run()
    found = [event for event in test.of(events.SweepRecorded) if isinstance(event, events.SweepRecorded)]
    assert [one.member for one in found] == ["gear", "pinion"]
    true = (test.truth.gear_runout_fim_mm, test.truth.pinion_runout_fim_mm)
    for one, once_per_turn_mm in zip(found, true, strict=True):
        # The truth is the once-per-turn part; the full movement also holds the finer form of the surface.
        assert -0.0002 < one.fim_mm - once_per_turn_mm < 0.0015
    assessment = conclude(test.logbook, None)
    for shown, result in zip(found, assessment.sweeps, strict=True):
        assert result.sweep is not None
        assert result.sweep.fim_mm == pytest.approx(shown.fim_mm, abs=1e-9)
    lash = (test.truth.gear.amplitude_mm, test.truth.pinion.amplitude_mm)
    for result, amplitude_mm in zip(assessment.sweeps, lash, strict=True):
        # Single tooth errors add their own once-per-turn share to the lash: a fifth of a few tenths of a µm.
        # The box says that its teeth touch at 0.6 of the face; at the heel, the lash would be 7 % less.
        assert result.match is not None
        assert result.match.predicted_amplitude_mm == pytest.approx(amplitude_mm, rel=0.10, abs=0.0003)
    assert isinstance(test.stream[-1].event, events.TestClosed)


def test_a_sweep_nobody_turns_is_asked_again_and_then_left(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, short_box(positions=4, turn_seconds=5.0, tries=2), seed=5, sweeps=("gear",))
    test.run_until(events.SweepAsked, most_s=60.0)
    test._simulated.rest()
    test.follow = False
    test.run()
    refused = [one.reasons for one in test.of(events.SweepRefused) if isinstance(one, events.SweepRefused)]
    assert refused == [("the shaft was not turned",)] * 2
    assert test.stream[-1].event == events.TestClosed(outcome="completed", reason="all positions done")


def test_a_sweep_under_which_the_indicator_never_moved_is_asked_about(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    test = VirtualTest(tmp_path, short_box(positions=4), seed=5, sweeps=("gear", "pinion"))
    # The tip still sits where it was, while the gear is turned: the simulated hand would lift it.
    monkeypatch.setattr(test.conductor, "_tip_was_off", lambda: False)
    test.run_until(events.SweepAsked, most_s=60.0)
    test.tick()
    assert view_of(test.conductor, test.now_s, "").cue.words == "SET TIP"
    test.run_until(events.SweepRefused, most_s=60.0)
    asked = [one.text for one in test.of(events.NoteTaken) if isinstance(one, events.NoteTaken)]
    assert sum("has not moved since the sweep was asked for" in text for text in asked) == 1
    test._simulated.rest()
    test.tick(50)
    test._simulated.sweep("gear")
    test.run_until(events.SweepRecorded, most_s=60.0)  # at the second try nobody is asked again
    test.tick()
    test.conductor.arrived()  # on the pinion somebody says so at once
    test.run_until(events.SweepRecorded, most_s=60.0)
    assert len(test.of(events.SweepRefused)) == 1


def test_there_is_a_deed_for_every_action_of_the_sequence() -> None:
    assert set(Conductor._ACTS) == set(sequence.Action.__subclasses__())


def test_a_confirming_position_that_is_left_out_is_not_asked_again_under_another_number(
    tmp_path: Path,
) -> None:
    test = VirtualTest(tmp_path, load_box(positions=5, gear_turns=1.0, confirming_positions=2), seed=4)

    def confirming() -> list[events.PositionAsked]:
        asked = [one for one in test.of(events.PositionAsked) if isinstance(one, events.PositionAsked)]
        return [one for one in asked if one.purpose == "confirming"]

    while not confirming():
        test.run_until(events.PositionAsked)
    test.conductor.happen(sequence.Skip())
    test.run()
    assert len({one.number for one in confirming()}) == 2
    closed = test.of(events.TestClosed)[-1]
    assert isinstance(closed, events.TestClosed)
    assert closed.outcome == "completed"


def told_while_rocked(test: VirtualTest) -> list[float]:
    """When advice was given in a rock."""
    return [
        one.time_s
        for one in test.stream
        if isinstance(one.event, events.NoteTaken) and "while it is rocked" in one.event.text
    ]


def test_a_rock_that_will_be_refused_is_told_so_within_seconds(tmp_path: Path) -> None:
    box = load_box(positions=4, gear_turns=2, confirming_positions=1, tries=2, rock_seconds=5.0)
    test = VirtualTest(tmp_path, box, seed=3, fault=Fault.HEAVY)
    for _ in range(2):
        test.run_until(events.CauseAsked)
        test.conductor.told_cause(Found(cause="nothing"))
    started = [one.time_s for one in test.stream if isinstance(one.event, events.RockStarted)]
    refused = [one.event for one in test.stream if isinstance(one.event, events.RockRefused)]
    told = told_while_rocked(test)
    assert len(started) == len(refused) == 8
    assert len(told) >= 4  # the others were refused sooner
    for begun_s, rock in zip(started, refused, strict=True):
        said = [told_s - begun_s for told_s in told if begun_s < told_s <= rock.end_s]
        assert len(said) <= 1
        assert min([*said, rock.end_s - begun_s]) < 3.0


def test_a_good_rock_is_told_nothing(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, load_box(positions=6, gear_turns=2, confirming_positions=1), seed=3)
    test.run()
    assert not told_while_rocked(test)
