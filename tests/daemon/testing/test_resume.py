"""A test that ended early goes on: in virtual time, on a stand whose physics is not the analysis's."""

from __future__ import annotations

import datetime as dt
import math
import re
import time
from pathlib import Path
from typing import cast

import numpy as np
import pytest
from daemon.broken_off import (
    BrokenOff,
    accepted,
    asked,
    killed_after,
    numbers_agree,
    precondition,
    with_mean_backlash,
)
from daemon.virtual_time import load_box, set_up
from lashmap_daemon.commands import simulate as simulate_command
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.replay.replay import Replay
from lashmap_daemon.sequence import sequence
from lashmap_daemon.sequence.resume import ResumeError, find_unfinished, take_up
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.simulated_stand import Stand as SimulatedStand
from lashmap_daemon.story import events
from lashmap_daemon.story.recorded import Setup
from lashmap_daemon.testing.live_test import LiveTest, Opening, Screen
from lashmap_drivers.ports.source import Loss, Source
from lashmap_drivers.readings import Chunk

BOX = load_box(positions=5, gear_turns=1.0, confirming_positions=1)


@pytest.fixture
def test(tmp_path: Path) -> BrokenOff:
    return BrokenOff(tmp_path, BOX, seed=4)


def test_a_killed_test_goes_on_at_its_next_position(test: BrokenOff) -> None:
    new = killed_after(test, 2)
    test.go_on()
    test.run()
    # The last accepted position is measured again first; then the rock that was broken off, and so on.
    first, second = test.started.planned[1:3]
    assert asked(test, new)[:2] == [(6, first), (3, second)]
    again = [one for one in test.of(events.PositionAsked) if isinstance(one, events.PositionAsked)]
    assert [(one.attempt, one.reason) for one in again if one.number == 3] == [
        (1, ""),
        (2, "the test was broken off"),
    ]
    assert sorted(accepted(test)) == [1, 2, 3, 4, 5, 6, 7]
    numbers_agree(test)
    result = conclude(test.logbook, None)
    assert result.record.closing == "completed"
    assert result.stated is not None
    low, high = result.stated.interval_mm
    assert low <= test.truth.tight_spot_normal_backlash_mm <= high
    assert precondition(test, "matched teeth").state == "proven"
    assert precondition(test, "resumed test").state == "proven"
    assert precondition(test, "record intact").state == "proven"


def test_time_goes_on_after_the_last_moment_whatever_the_clock_says(test: BrokenOff) -> None:
    killed_after(test, 1)
    end_s = test.now_s
    test.go_on(now=dt.datetime(2026, 11, 24, 8, 0, tzinfo=dt.UTC))  # set back by a day
    resumed = test.of(events.TestResumed)[0]
    assert isinstance(resumed, events.TestResumed)
    # At most the last quarter second was not written yet; a second lies between.
    assert end_s + 0.5 < resumed.first_s <= end_s + 1.1
    assert resumed.gap_s == -86400.0
    test.run()
    times = [stamped.time_s for stamped in test.logbook.events(test.started.test)]
    assert times == sorted(times)
    numbers_agree(test)


class _Port:
    """Brings what it was given, once; some of it stamped before the test went on."""

    lost: Loss | None = None

    def __init__(self, name: str, chunks: list[Chunk]) -> None:
        self.name, self._chunks = name, chunks

    def take(self) -> list[Chunk]:
        taken, self._chunks = self._chunks, []
        return taken


def test_bytes_that_a_port_read_before_the_test_went_on_are_no_part_of_it(test: BrokenOff) -> None:
    # They would be put into the part before, and decoded behind its break with its reference.
    killed_after(test, 1)
    book = Logbook(test.folder / "virtual.logbook", create=False)
    unfinished = take_up(book, test.started.test, Setup(box=test.box.recorded(), stand=test.stand.recorded()))
    assert unfinished.matched is not None
    opening = Opening(
        started=unfinished.started,
        cautions=events.CautionsConfirmed(how="in a test"),
        preconditions=(),
        matched=unfinished.matched,
        rates_hz={},
        resumed=unfinished.resumed(
            operator="Ada",
            version="0",
            now=dt.datetime(2026, 11, 25, 9, 0, tzinfo=dt.UTC),
            encoder_moved_deg=0.0,
        ),
        resumption=unfinished.resumption,
    )
    now_s = time.monotonic()
    ports = {
        name: _Port(name, [Chunk(now_s - 5.0, said), Chunk(now_s + 60.0, said)])
        for name, said in test._said().items()
    }
    live = LiveTest(opening, cast("dict[str, Source]", ports), book, cast("Screen", _NoScreen()))
    for event in opening.records():
        live.conductor.emit(event)
    live._tick()
    first_s = unfinished.resumption.first_s
    for heard in (
        live.conductor.channels.indicator(-math.inf),
        live.conductor.channels.encoder_deg(-math.inf),
    ):
        assert len(heard) > 0
        assert float(heard.time_s[0]) > first_s + 50.0


class _NoScreen:
    def hear(self, stamped: events.Stamped) -> None:
        pass

    def show(self, conductor: object, now_s: float) -> None:
        pass

    def commands(self) -> list[str]:
        return []


def test_it_may_be_broken_off_again_and_again(test: BrokenOff) -> None:
    killed_after(test, 1)
    for _ in range(3):
        test.go_on()
        test.run_until(events.RockAccepted)
        test.run_until(events.RockStarted)
        test.tick_for(0.14)
    test.go_on()
    test.run()
    checks = [one.check for one in test.of(events.TestResumed) if isinstance(one, events.TestResumed)]
    assert checks == [6, 7, 8, 9]
    assert all(one.agrees for one in test.of(events.CheckedAgain) if isinstance(one, events.CheckedAgain))
    planned = {one.engagement for one in accepted(test).values() if one.number <= 5}
    assert planned == set(test.started.planned)
    numbers_agree(test)


def test_when_nobody_says_where_the_marked_teeth_are_nothing_is_proven(test: BrokenOff) -> None:
    killed_after(test, 2)
    test.go_on(marks=None)
    test.run()
    matched = precondition(test, "matched teeth")
    assert (matched.state, "assumed" in matched.detail) == ("unproven", True)
    assert conclude(test.logbook, None).verdict.outcome == "not proven"
    numbers_agree(test)


def test_what_was_assumed_once_stays_unproven_although_it_is_said_later(test: BrokenOff) -> None:
    killed_after(test, 1)
    test.go_on(marks=None)
    test.run_until(events.RockAccepted)
    test.go_on(marks=0)
    test.run()
    assert precondition(test, "matched teeth").state == "unproven"


def test_an_encoder_that_began_its_count_anew_gets_a_new_reference(test: BrokenOff) -> None:
    killed_after(test, 2)
    test.switch_encoder_off_and_on()
    test.go_on(offset=None)
    matched = test.of(events.MatchedTeethSet)
    assert isinstance(matched[1], events.MatchedTeethSet)
    assert matched[1].encoder_deg == pytest.approx(37.25 + test.count_offset / 1000.0, abs=0.5)
    test.run()
    found = precondition(test, "matched teeth")
    assert (found.state, found.detail.endswith("its count began anew")) == ("proven", True)
    numbers_agree(test)
    # Every part counts from its own reference: a rock lies at its engagement's angle, 9° a tooth.
    for trace in Replay(test.logbook, test.started.test).record().traces:
        middle_deg = (np.max(trace.encoder_deg) + np.min(trace.encoder_deg)) / 2.0
        assert middle_deg == pytest.approx(trace.engagement * 9.0, abs=0.5)


def test_marks_that_contradict_the_encoder_are_said_and_fail(test: BrokenOff) -> None:
    killed_after(test, 1)
    test.go_on(marks=3)  # the encoder did not move: these are not the marked teeth
    assert len(test.shown) == 2
    assert "by its count the marked teeth are 3.0 teeth from here" in test.shown[0]
    assert "once in 13 turns of the gear" in test.shown[0]
    test.stop()
    assert precondition(test, "matched teeth").state == "failed"
    assert conclude(test.logbook, None).verdict.outcome != "conforming"


def test_an_encoder_that_may_have_kept_its_count_or_not_proves_nothing(test: BrokenOff) -> None:
    killed_after(test, 2)
    test.go_on(offset=-123_457)  # 360,000 counts a turn: neither where the record ended nor at its own zero
    assert len(test.shown) == 2
    # The gear is rocked: it stands on either flank, or between them.
    (stood_deg,) = re.findall(r"stood (-123\.\d)° from where the record ended", test.shown[0])
    assert float(stood_deg) == pytest.approx(-123.457, abs=0.2)
    assert "switch it off and on once more and resume" in test.shown[0]
    test.run()
    found = precondition(test, "matched teeth")
    assert (found.state, "whether it kept its count is not known" in found.detail) == ("unproven", True)
    assert conclude(test.logbook, None).verdict.outcome == "not proven"


def test_teeth_that_moved_meanwhile_are_found_by_the_check(test: BrokenOff) -> None:
    killed_after(test, 2)
    moved = with_mean_backlash(BOX, 0.155)  # someone moved a shim by some hundredths
    test._simulated = SimulatedStand(simulate_command.simulated_box(moved), seed=4)
    test.go_on()
    test.run()
    found = test.of(events.CheckedAgain)[0]
    assert isinstance(found, events.CheckedAgain)
    assert found.difference_mm == pytest.approx(0.010, abs=0.001)
    assert not found.agrees
    assert precondition(test, "resumed test").state == "failed"
    assert conclude(test.logbook, None).verdict.outcome == "not proven"


def test_an_assumed_reference_that_is_off_by_part_of_a_tooth_is_found_by_the_check(test: BrokenOff) -> None:
    killed_after(test, 2)
    test.go_on(marks=None, offset=1_500)  # 1.5° of 9° a tooth: near enough to be rocked at
    test.run()
    found = test.of(events.CheckedAgain)[0]
    assert isinstance(found, events.CheckedAgain)
    assert found.difference_deg == pytest.approx(1.5, abs=0.1)
    assert not found.agrees


def test_a_check_that_is_skipped_proves_nothing(test: BrokenOff) -> None:
    killed_after(test, 2)
    test.go_on()
    test.tick()
    test.conductor.happen(sequence.Skip())
    test.run()
    assert precondition(test, "resumed test").state == "unproven"
    assert sorted(accepted(test)) == [1, 2, 3, 4, 5, 7]


def test_skipped_positions_stay_skipped_and_the_last_accepted_can_be_repeated(test: BrokenOff) -> None:
    test.run_until(events.RockAccepted)
    test.conductor.happen(sequence.Skip())
    test.run_until(events.RockAccepted)
    test.stop()
    assert test.conductor.closed
    new = len(test.stream)
    test.go_on()
    test.tick()
    test.conductor.happen(sequence.Repeat())
    test.run()
    planned = test.started.planned
    assert asked(test, new)[:4] == [(6, planned[2]), (3, planned[2]), (6, planned[2]), (4, planned[3])]
    assert sorted(accepted(test)) == [1, 3, 4, 5, 6, 7]
    numbers_agree(test)


def test_a_test_broken_off_in_its_sweeps_goes_on_with_them(tmp_path: Path) -> None:
    box = load_box(positions=4, gear_turns=1.0, confirming_positions=1)
    test = BrokenOff(tmp_path, box, seed=5, sweeps=("gear", "pinion"))
    test.run_until(events.SweepRecorded, most_s=120.0)
    test.tick_for(2.0)
    assert isinstance(test.stream[-1].event, events.SweepAsked)
    test.go_on()
    assert test.conductor.state.phase is Phase.SWEEPING
    test.run()
    found = [one for one in test.of(events.SweepRecorded) if isinstance(one, events.SweepRecorded)]
    assert [one.member for one in found] == ["gear", "pinion"]
    result = conclude(test.logbook, None)
    for shown, one in zip(found, result.sweeps, strict=True):
        assert one.sweep is not None
        assert one.sweep.fim_mm == pytest.approx(shown.fim_mm, abs=1e-9)


def test_a_completed_test_is_not_reopened(test: BrokenOff) -> None:
    test.run()
    with pytest.raises(ResumeError, match="was completed"):
        find_unfinished(test.logbook, test.started.test, BOX.box.serial)
    with pytest.raises(ResumeError, match="no unfinished test of box INV-1340-07"):
        find_unfinished(test.logbook, None, BOX.box.serial)
    with pytest.raises(ResumeError, match="no test nonsense"):
        find_unfinished(test.logbook, "nonsense", BOX.box.serial)
    with pytest.raises(ResumeError, match="was completed"):
        take_up(test.logbook, test.started.test, set_up(BOX, test.stand))
