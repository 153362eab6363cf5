"""A test with a cycle run in virtual time, on the simulated stand, whose physics is not the analysis's."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from daemon.simulated_boxes import COARSE
from daemon.virtual_time import CONFIGS, VirtualTest, load_box
from lashmap_analysis.cycle.checks import CycleFlagName
from lashmap_analysis.judge.assess import assess
from lashmap_daemon.replay.replay import Replay
from lashmap_daemon.sequence import sequence
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.simulated_stand import Fault, SimulatedDrive
from lashmap_daemon.story import events

QUICK = SimulatedDrive(pass_deg_per_s=360.0, second_pass_deg_per_s=240.0)
LATCHED = replace(COARSE, encoders="latched", encoder_rate_hz=500.0, encoder_counts_per_turn=20_000)
APART = replace(LATCHED, encoders="apart", pinion_rate_hz=500.0, encoder_late_s=0.006)


def box() -> BoxFile:
    """A set of 15 and 45 teeth: each pair of teeth meets once in a turn of the gear. A little warm."""
    shipped = load_box(CONFIGS / "boxes" / "spiral-15x45-inch.toml", confirming_positions=1)
    warm = shipped.temperature.model_copy(update={"housing_c": 24.0, "gears_c": 24.0})
    return shipped.model_copy(update={"temperature": warm})


def cycle_test(folder: Path, **how: object) -> VirtualTest:
    given = {"instruments": LATCHED, "drive": QUICK, "method": "cycle", "seed": 4, **how}
    return VirtualTest(folder, box(), **given)  # type: ignore[arg-type]  # words of its own


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> VirtualTest:
    test = cycle_test(tmp_path_factory.mktemp("whole"))
    test.run()
    return test


def passes(test: VirtualTest) -> list[events.PassRecorded]:
    return [one for one in test.of(events.PassRecorded) if isinstance(one, events.PassRecorded)]


def test_four_passes_come_before_the_first_position_each_side_of_them_confirmed(whole: VirtualTest) -> None:
    kinds = [type(one.event).__name__ for one in whole.stream]
    order = [kind for kind in kinds if kind.startswith(("Ready", "Pass", "PositionAsked"))]
    ways = [one.direction for one in passes(whole)]
    assert order[:2] == ["PassesPlanned", "ReadyAsked"]
    assert order[2:11] == ["ReadyConfirmed", *["PassAsked", "PassRecorded"] * 4]
    assert order[11:14] == ["ReadyAsked", "ReadyConfirmed", "PositionAsked"]
    assert ways == ["forward", "back", "forward", "back"]
    assert whole.conductor.story.closed is not None
    assert whole.conductor.story.closed.outcome == "completed"


def test_the_tight_spot_is_the_run_s_and_a_rock_confirms_it_there(whole: VirtualTest) -> None:
    predicted = whole.conductor.story.predicted
    assert predicted is not None
    truth = np.array(whole.truth.normal_backlash_mm)
    assert truth[predicted.engagement % 45] - truth.min() < 0.001
    assert predicted.low_mm < truth.min() < predicted.high_mm
    confirming = [one for one in whole.conductor.story.accepted.values() if one.purpose == "confirming"]
    assert [one.engagement % 45 for one in confirming] == [predicted.engagement % 45]
    assert len(whole.conductor.story.accepted) == 5  # four rocks and the tight spot


def test_what_is_predicted_live_is_what_the_result_states(whole: VirtualTest) -> None:
    """The rocks tie the passes in one way: after the last rock both know the same."""
    predicted = whole.conductor.story.predicted
    with Replay(whole.logbook, whole.started.test) as replay:
        judged = assess(replay.record()).cycle_run
    assert predicted is not None
    assert judged is not None
    assert judged.curve is not None
    spot = judged.curve.tight_spot
    assert (predicted.engagement, predicted.ask) == (spot.engagement, ())
    assert predicted.normal_backlash_mm == pytest.approx(spot.backlash_mm, abs=1e-9)
    assert (predicted.low_mm, predicted.high_mm) == pytest.approx(spot.band_mm, abs=1e-9)


@pytest.mark.parametrize("instruments", [LATCHED, APART], ids=["latched", "apart"])
def test_the_record_holds_the_very_samples_that_were_judged_live(
    whole: VirtualTest, tmp_path: Path, instruments: object
) -> None:
    test = whole if instruments is LATCHED else cycle_test(tmp_path, instruments=instruments)
    if test is not whole:
        test.run_until(events.PassRecorded, most_s=90.0)
        test.stop()
    with Replay(test.logbook, test.started.test) as replay:
        record = replay.record()
    live = test.conductor.cycle_run.passes
    assert [one.number for one in record.passes] == sorted(live)
    for one in record.passes:
        direction, samples = live[one.number]
        assert one.direction == direction
        assert one.pinion_time_uncertainty_s == samples.pinion_time_uncertainty_s > 0.0
        assert one.gear_time_uncertainty_s == samples.gear_time_uncertainty_s > 0.0
        for name in ("pinion_time_s", "pinion_deg", "gear_time_s", "gear_deg"):
            np.testing.assert_array_equal(getattr(one, name), getattr(samples, name))
        assert samples.latched == (instruments is LATCHED)


def test_before_the_box_turns_and_before_it_is_rocked_somebody_says_that_it_is_ready(tmp_path: Path) -> None:
    test = cycle_test(tmp_path, ready_before="")
    test.tick_for(5.0)
    assert test.conductor.state.phase is Phase.READYING
    assert not test.of(events.PassAsked)
    test.conductor.ready("at the stand")
    test.run_until(events.PassRecorded, most_s=30.0)
    for _ in range(3):
        test.run_until(events.PassRecorded, most_s=30.0)
    test.tick_for(3.0)
    assert test.conductor.state.phase is Phase.READYING
    assert not test.of(events.PositionAsked)
    test.conductor.ready("at the stand")
    assert test.of(events.PositionAsked)
    said = [one for one in test.of(events.ReadyConfirmed) if isinstance(one, events.ReadyConfirmed)]
    assert [(one.what, one.how) for one in said] == [("turn", "at the stand"), ("rock", "at the stand")]


def test_a_pinion_that_gives_way_in_its_lock_is_seen_by_its_encoder(
    whole: VirtualTest, tmp_path: Path
) -> None:
    """The indicator cannot: the gear moves on by what the pinion gives, as if there were more lash."""
    loose = cycle_test(tmp_path, method="rock", fault=Fault.LOOSE_LOCK)
    refused = loose.run_until(events.RockRefused, most_s=60.0).event
    assert isinstance(refused, events.RockRefused)
    assert "pinion turned by 0.0" in refused.reasons[0]
    assert "lock it" in refused.reasons[0]
    alone = VirtualTest(tmp_path / "one encoder", box(), fault=Fault.LOOSE_LOCK, seed=4)
    accepted = alone.run_until(events.RockAccepted, most_s=60.0).event
    assert isinstance(accepted, events.RockAccepted)
    assert accepted.normal_backlash_mm - alone.truth.normal_backlash_mm[accepted.engagement] > 0.015
    assert not accepted.flags
    assert all("pinion moved" not in one.flags for one in whole.conductor.story.accepted.values())


def test_a_cable_pulled_in_a_pass_stops_the_drive_and_begins_the_run_anew(tmp_path: Path) -> None:
    test = cycle_test(tmp_path, ready_before="")
    test.tick()
    test.conductor.ready("at the stand")
    test.run_until(events.PassRecorded, most_s=30.0)
    test.tick(10)
    test.conductor.tick(test.now_s + 0.01, {}, {"indicator": "unplugged"})
    assert test.conductor.state.phase is Phase.WAITING
    assert any("Stop the drive" in text for _, text in test.conductor.story.notes)
    test.tick(10)
    assert (test.conductor.state.phase, test.conductor.state.ready_for) == (Phase.READYING, "turn")
    assert not test.conductor.cycle_run.passes
    test.conductor.ready("at the stand")
    asked = [one for one in test.of(events.PassAsked) if isinstance(one, events.PassAsked)]
    assert [one.number for one in asked] == [1, 2, 1]


def test_a_forgotten_brake_is_found_before_any_rock(tmp_path: Path) -> None:
    test = cycle_test(tmp_path, fault=Fault.NO_BRAKE)
    refused = test.run_until(events.PassRefused, most_s=60.0).event
    assert isinstance(refused, events.PassRefused)
    assert "brake" in " ".join(refused.reasons).lower()
    assert not test.of(events.PositionAsked)


def test_a_cycle_run_that_was_left_out_leaves_the_rocks(tmp_path: Path) -> None:
    test = cycle_test(tmp_path, ready_before="")
    test.tick_for(1.0)
    test.conductor.happen(sequence.Skip())
    assert test.conductor.state.phase is Phase.TURNING
    assert len(test.of(events.PassRefused)) == 4


def thrown_test(folder: Path, **how: object) -> VirtualTest:
    """A gear tooth so thick that it throws the gear off its flank at the speeds of both pairs."""
    simulated = box().simulated.model_copy(update={"bad_tooth_mm": 0.06})
    given = {"instruments": LATCHED, "drive": QUICK, "method": "cycle", "seed": 4, **how}
    return VirtualTest(folder, box().model_copy(update={"simulated": simulated}), **given)  # type: ignore[arg-type]


def asked_slower(test: VirtualTest) -> list[events.PassAsked]:
    asked = [one for one in test.of(events.PassAsked) if isinstance(one, events.PassAsked)]
    return [one for one in asked if one.most_deg_per_s is not None]


def test_where_the_gear_may_have_flown_a_slower_pair_is_asked_for_and_settles_it(tmp_path: Path) -> None:
    test = thrown_test(tmp_path)
    test.run()
    slower = asked_slower(test)
    assert [one.direction for one in slower[:2]] == ["forward", "back"]
    assert slower[0].most_deg_per_s is not None
    assert 0.45 * 240.0 < slower[0].most_deg_per_s < 0.7 * 240.0
    of_pass = {one.number: one for one in passes(test)}
    assert all(
        abs(of_pass[one.number].pinion_deg_per_s) < 1.1 * (one.most_deg_per_s or 0.0) for one in slower
    )
    with Replay(test.logbook, test.started.test) as replay:
        found = assess(replay.record())
    assert found.cycle_run is not None
    assert found.cycle_run.fit is not None
    told = {flag.name for flag in found.cycle_run.fit.flags}
    assert CycleFlagName.TOO_QUICK in told
    assert CycleFlagName.THROWN not in told
    assert found.stated is not None
    low, high = found.stated.interval_mm
    assert low <= min(test.truth.normal_backlash_mm) <= high


def test_a_slower_pair_that_is_skipped_leaves_the_tight_spot_not_proven(tmp_path: Path) -> None:
    test = thrown_test(tmp_path)
    while not asked_slower(test):
        test.run_until(events.PassAsked)
    test.conductor.happen(sequence.Skip())
    test.run()
    assert len(passes(test)) == 4
    with Replay(test.logbook, test.started.test) as replay:
        found = assess(replay.record())
    assert found.verdict.outcome == "not proven"
    assert any("The tight spot is not settled" in one for one in found.verdict.reasons)
