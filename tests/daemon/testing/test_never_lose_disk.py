"""A disk that is full for a while: the test pauses, holds what comes, and goes on; the file stays whole."""

from __future__ import annotations

import datetime as dt
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from daemon.virtual_time import VirtualTest, load_box
from lashmap_daemon.errors import LogbookFull
from lashmap_daemon.logbook.check import check_test
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.sequence import sequence
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR
from lashmap_daemon.story import events
from lashmap_daemon.testing import keeper
from lashmap_daemon.testing.conductor import Conductor
from lashmap_daemon.testing.keeper import Keeper
from lashmap_drivers.readings import Chunk

BOX = load_box(positions=4, gear_turns=1.0, confirming_positions=1)


@dataclass
class KeptTest(VirtualTest):
    """A test in virtual time behind a keeper, as a live test has it.

    Attributes:
        utc: The wall clock.
    """

    utc: Callable[[], dt.datetime] = keeper.utc_now

    def __post_init__(self) -> None:
        super().__post_init__()
        self.stream.clear()
        self.keeper = Keeper(
            self.logbook,
            self.started.test,
            now_s=lambda: self.now_s,
            utc=self._wall_clock,
            listeners=(self._hear,),
        )
        self.conductor = Conductor(self.started, self.channels, emit=self.keeper.emit, keep=self.keeper.keep)

    def _wall_clock(self) -> dt.datetime:
        return self.utc()

    def fill(self) -> None:
        """No page more than there are."""
        (pages,) = self.logbook._base.execute("PRAGMA page_count").fetchone()
        self.logbook._base.execute(f"PRAGMA max_page_count = {pages}")

    def make_room(self) -> None:
        self.logbook._base.execute("PRAGMA max_page_count = 1000000")

    def tick(self, count: int = 1) -> None:
        for _ in range(count):
            wire = self._simulated.advance(self.tick_s)
            self.now_s += self.tick_s
            said = {INDICATOR: wire.indicator, ENCODER: wire.encoder}
            chunks = {name: [Chunk(self.now_s, data)] for name, data in said.items()}
            self.conductor.tick(self.now_s, self.keeper.admit(chunks))
            self.obey_knocks()
            paused = self.conductor.state.phase is Phase.PAUSED
            if self.keeper.full and not paused:
                self.conductor.happen(sequence.Full(self.keeper.full))
            elif paused and self.keeper.try_again():
                self.conductor.given_up_s = self.keeper.given_up_s
                self.conductor.happen(sequence.Space())

    def _hear(self, stamped: events.Stamped) -> None:
        self.stream.append(stamped)
        if isinstance(stamped.event, events.PositionAsked):
            self._simulated.ask(stamped.event.engagement)
        if isinstance(stamped.event, events.MarksAsked):
            self._simulated.see_mark(stamped.event.member)

    def whole(self) -> None:
        """What was shown is in the file, in order, and the file is whole."""
        kept = [stamped.event for stamped in self.logbook.events(self.started.test)][4:]
        paused = [event for event in kept if isinstance(event, events.RecordingPaused)]
        shown = [stamped.event for stamped in self.stream]
        assert [event for event in kept if event not in paused] == [
            event for event in shown if event not in paused
        ]
        base = sqlite3.connect(self.logbook.path)
        assert base.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        base.close()
        last = {one.number: one for one in shown if isinstance(one, events.RockAccepted)}
        for one in conclude(self.logbook, self.started.test).positions:
            assert one.normal_backlash_mm == last[one.position].normal_backlash_mm


@pytest.fixture
def test(tmp_path: Path) -> KeptTest:
    return KeptTest(tmp_path, BOX, seed=4)


def test_a_full_disk_in_a_rock_pauses_the_test_and_the_rock_is_asked_again(test: KeptTest) -> None:
    test.run_until(events.RockAccepted)
    test.run_until(events.RockStarted)
    test.tick_for(0.2)
    test.fill()
    paused = test.run_until(events.RecordingPaused).event
    assert isinstance(paused, events.RecordingPaused)
    assert "no room" in paused.reason
    assert str(test.logbook.path) in paused.reason
    assert not test.of(events.RockRefused)  # not durable, so not shown
    seen = len(test.stream)
    test.tick_for(3.0)
    assert len(test.stream) == seen
    test.make_room()
    goes_on = test.run_until(events.RecordingGoesOn).event
    assert isinstance(goes_on, events.RecordingGoesOn)
    assert goes_on.paused_s == pytest.approx(3.5, abs=0.8)  # it is tried once a second
    assert goes_on.given_up_s == 0.0
    test.run()
    asked = [one for one in test.of(events.PositionAsked) if isinstance(one, events.PositionAsked)]
    assert [(one.number, one.attempt) for one in asked] == [(1, 1), (2, 1), (2, 2), (3, 1), (4, 1), (5, 1)]
    refused = test.of(events.RockRefused)
    assert len(refused) == 1
    assert not test.logbook.dropped_chunks
    test.whole()


def test_samples_that_cannot_be_held_are_given_up_counted_and_marked(
    test: KeptTest, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeper, "MOST_HELD_BYTES", 12_000)  # 3.4 s
    test.run_until(events.RockAccepted)
    test.run_until(events.RockStarted)
    test.fill()
    test.run_until(events.RecordingPaused)
    test.tick_for(6.0)
    assert test.logbook.waiting_bytes < 14_000
    test.make_room()
    goes_on = test.run_until(events.RecordingGoesOn).event
    assert isinstance(goes_on, events.RecordingGoesOn)
    assert 3.0 < goes_on.given_up_s < 7.1
    test.run()
    assert sum(chunk.is_break for chunk in test.logbook.raw(test.started.test, INDICATOR)) == 1
    assert not test.of(events.InstrumentLost)  # nobody was silent
    test.whole()


def test_an_accepted_rock_is_shown_only_when_it_is_durable(
    test: KeptTest, monkeypatch: pytest.MonkeyPatch
) -> None:
    append = test.logbook.append

    def refuse(name: str, stamped: events.Stamped) -> None:
        if isinstance(stamped.event, events.RockAccepted) and refusing:
            raise LogbookFull("book: no room")
        append(name, stamped)

    refusing = True
    monkeypatch.setattr(test.logbook, "append", refuse)
    test.run_until(events.RecordingPaused)
    assert len(test.conductor.story.accepted) == 1
    assert not test.of(events.RockAccepted)
    assert not any(
        isinstance(stamped.event, events.RockAccepted) for stamped in test.logbook.events(test.started.test)
    )
    refusing = False
    test.run_until(events.RecordingGoesOn)
    assert len(test.of(events.RockAccepted)) == 1
    test.run()
    test.whole()


def test_a_test_that_is_stopped_while_the_disk_is_full_says_that_it_is_not_closed(test: KeptTest) -> None:
    test.run_until(events.RockStarted)
    test.fill()
    test.run_until(events.RecordingPaused)
    test.stop()
    assert test.conductor.closed
    with pytest.raises(LogbookFull, match="could not be closed in its record"):
        test.keeper.finish(0.0)
    assert not check_test(test.logbook.path, test.started.test).seals
    test.make_room()
    test.now_s += 2.0
    test.keeper.finish(0.0)
    assert test.keeper.closed == events.TestClosed(outcome="stopped", reason="by the operator")
    test.whole()


def jumping(test: KeptTest, jump: dt.timedelta) -> Callable[[], dt.datetime]:
    """A wall clock that is moved in the middle of a test."""
    began = dt.datetime(2026, 10, 25, 0, 59, 58, tzinfo=dt.UTC)  # clocks go back in much of Europe

    def clock() -> dt.datetime:
        return began + dt.timedelta(seconds=test.now_s) + (jump if test.now_s > 3.0 else dt.timedelta())

    return clock


@pytest.mark.parametrize("step", [dt.timedelta(hours=1), dt.timedelta(days=-1), dt.timedelta(days=1)])
def test_a_wall_clock_that_jumps_touches_neither_intervals_nor_order(
    tmp_path: Path, step: dt.timedelta
) -> None:
    shown: list[list[tuple[float, events.Event]]] = []
    for jump in (dt.timedelta(), step):
        test = KeptTest(tmp_path / str(jump.total_seconds()), BOX, seed=4)
        test.utc = jumping(test, jump)
        for _ in range(3):
            test.run_until(events.RockAccepted)
        test.stop()
        kept = list(test.logbook.events(test.started.test))
        shown.append([(stamped.time_s, stamped.event) for stamped in kept[4:]])
        assert kept[-1].utc == f"{test.utc():%Y-%m-%dT%H:%M:%SZ}"
        test.whole()
    assert shown[0] == shown[1]
