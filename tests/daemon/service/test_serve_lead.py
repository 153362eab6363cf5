"""What the service decides, over instruments that are scripted: what begins, what ends, what is alive."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Self

import pytest
from daemon.running_service import short_boxes
from daemon.two_encoders import with_a_board
from daemon.virtual_loop import in_virtual_time, stand_still
from daemon.virtual_time import CONFIGS, simulated_stand_file
from lashmap_daemon.builds.book import begin as begin_build
from lashmap_daemon.builds.book import given_by
from lashmap_daemon.errors import ConfigurationError, LogbookError, StandError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.service.lead import Lead
from lashmap_daemon.service.opening import PREPARING_S, BoxFolder
from lashmap_daemon.service.service import Watch, state_of
from lashmap_daemon.service.words import Begin, Resume
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR, PINION_ENCODER, HandsFreeTable, load_profile
from lashmap_daemon.simulated_stand.settings import SimulatedInstruments
from lashmap_daemon.story.events import (
    InstrumentHeard,
    InstrumentLost,
    MarksCompared,
    MatchedTeethSet,
    NoteTaken,
    PreconditionsRecorded,
    TestResumed,
)
from lashmap_daemon.story.story import story_of
from lashmap_daemon.testing.monitor import StandInstrument, StandPorts
from lashmap_drivers.errors import InstrumentLost as Lost
from lashmap_drivers.ports.source import Backoff, Loss
from lashmap_drivers.readings import Chunk

from daemon import made_build as made

KNOCK = HandsFreeTable(gestures=["matched"], still_seconds=0.5)


class Said:
    """A source that says what it is given.

    Attributes:
        angle_deg: What the encoder shows.
    """

    name, dropped_chunks, alive = "said", 0, True

    def __init__(self, line: Callable[[], bytes]) -> None:
        self.lost: Loss | None = None
        self.fail = False
        self.closed = False
        self._line = line

    def take(self) -> list[Chunk]:
        if self.fail:
            raise Lost("encoder", "said", "its reader ended", "Start it again.")
        return [Chunk(time.monotonic(), self._line() * 10)]

    def wait(self, seconds: float) -> bool:  # noqa: ARG002 - the interface of a source
        raise AssertionError("a service looks now and then, and waits for no byte")

    def close(self) -> None:
        self.closed = True

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class Bench:
    """A lead over two sources that are scripted, in a loop of the test's own."""

    def __init__(
        self, folder: Path, hands_free: HandsFreeTable | None = None, *, absolute: bool = True
    ) -> None:
        stand = simulated_stand_file(folder / "stand", SimulatedInstruments())
        assert stand.file.encoder is not None
        encoder = stand.file.encoder.model_copy(update={"absolute": absolute})
        file = stand.file.model_copy(update={"hands_free": hands_free, "encoder": encoder})
        self.stand = stand.model_copy(update={"file": file})
        self.angle_deg = 10.0
        self.ports = StandPorts(self.stand)
        self.encoder = Said(lambda: b"%+011d\r\n" % round(self.angle_deg * 1000.0))
        self.ports.instruments[INDICATOR].source = Said(lambda: b"-004.0000\r\n")
        self.ports.instruments[ENCODER].source = self.encoder
        self.logbook = Logbook(folder / "book", create=True)
        boxes = folder / "boxes"
        self.lead = Lead(
            stand=self.stand,
            ports=self.ports,
            logbook=self.logbook,
            boxes=BoxFolder(boxes if boxes.is_dir() else short_boxes(boxes)),
            output=folder,
            on_change=lambda: None,
        )

    async def turn(self, to_deg: float, seconds: float) -> bool:
        """Turn the gear, draining as the service does; true when the gear spoke."""
        start_deg, start_s, spoke = self.angle_deg, time.monotonic(), False
        while (gone := (time.monotonic() - start_s) / seconds) < 1.0:
            self.angle_deg = start_deg + (to_deg - start_deg) * gone
            self.ports.drain()
            spoke = self.lead.is_matched_by_knock(time.monotonic()) or spoke
            await asyncio.sleep(0.02)
        self.angle_deg = to_deg
        return spoke


OPEN = Begin(box="open", confirmed="typed at the stand")


def test_a_knock_at_the_marked_teeth_begins_the_prepared_test(tmp_path: Path) -> None:
    bench = Bench(tmp_path, KNOCK)

    async def work() -> list[str]:
        running = asyncio.create_task(bench.lead.run())
        await bench.turn(10.0, 0.3)
        said = await bench.lead.begin(OPEN)
        assert "turn 2 to 6 teeth away and back" in said[1]
        spoke = [await bench.turn(to, seconds) for to, seconds in ((50.0, 0.5), (50.0, 0.9), (77.0, 0.5))]
        spoke += [await bench.turn(to, seconds) for to, seconds in ((50.0, 0.5), (50.0, 1.0))]
        assert spoke == [False] * 4 + [True]
        begun = await bench.lead.matched(known=True, cause="hands-free: a knock")
        bench.lead.interrupt("the end of this test")
        await running
        return begun

    begun = in_virtual_time(work())
    test = begun[0].split()[1]
    happened = [stamped.event for stamped in bench.logbook.events(test)]
    assert MatchedTeethSet(encoder_deg=50.0, how="set at the stand", seen_deg=50.0) in happened
    assert NoteTaken(text="hands-free: a knock") in happened
    assert bench.logbook.tests()[0].closing == "interrupted: the end of this test"


def test_the_angle_of_a_box_file_begins_no_test_where_the_encoder_is_not_absolute(tmp_path: Path) -> None:
    bench = Bench(tmp_path, absolute=False)

    async def work() -> tuple[list[str], list[str]]:
        running = asyncio.create_task(bench.lead.run())
        await bench.turn(10.0, 0.3)
        asked = await bench.lead.begin(Begin(box="short", confirmed="typed at the stand"))
        assert bench.lead.state == "preparing"
        begun = await bench.lead.matched(known=True)
        bench.lead.interrupt("the end of this test")
        await running
        return asked, begun

    asked, begun = in_virtual_time(work())
    assert "37.250°) was not used" in asked[0]
    happened = [stamped.event for stamped in bench.logbook.events(begun[0].split()[1])]
    assert MatchedTeethSet(encoder_deg=10.0, how="set at the stand", seen_deg=10.0) in happened


@pytest.mark.parametrize("wanted", ["the older", "none", "by itself"])
def test_a_test_is_tied_to_the_build_that_is_named(tmp_path: Path, wanted: str) -> None:
    bench = Bench(tmp_path)
    box = bench.lead.boxes.load("short")
    older, newer = (
        begin_build(bench.logbook, given_by(box), made.BY, made.clock(f"2026-11-{day}T09:00:00+01:00"))
        for day in (24, 25)
    )
    older.append(made.measured("pinion", 105.012))
    name = {"the older": older.name, "none": "none", "by itself": None}[wanted]

    async def work() -> list[str]:
        running = asyncio.create_task(bench.lead.run())
        await bench.turn(10.0, 0.3)
        begun = await bench.lead.begin(Begin(box="short", confirmed="typed at the stand", build=name))
        bench.lead.interrupt("the end of this test")
        await running
        return begun

    begun = in_virtual_time(work())
    (test,) = (one.split()[1] for one in begun if one.startswith("Test "))
    built = story_of(bench.logbook.events(test)).build
    said = [one for one in begun if one.startswith("Build ")]
    if wanted == "none":
        assert built is None
        assert said == []
        return
    assert built is not None
    assert built.build == (older.name if wanted == "the older" else newer.name)
    assert said[0].startswith(f"Build {built.build} ({built.how})")
    assert ("pinion set 105.012" in said[0]) == (wanted == "the older")


def test_what_fails_already_is_in_the_answer_and_in_the_record(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    file = tmp_path / "boxes" / "short.toml"
    file.write_text(
        file.read_text("utf-8").replace("pinion_set_mm = 105.01", "pinion_set_mm = 105.08"), "utf-8"
    )

    async def work() -> list[str]:
        running = asyncio.create_task(bench.lead.run())
        await bench.turn(10.0, 0.3)
        begun = await bench.lead.begin(Begin(box="short", confirmed="typed at the stand"))
        bench.lead.interrupt("the end of this test")
        await running
        return begun

    begun = in_virtual_time(work())
    assert begun[0].startswith("Fails already: mounting distance, pinion")
    assert "never conforming" in begun[1]
    (test,) = (one.split()[1] for one in begun if one.startswith("Test "))
    notes = [one.event.text for one in bench.logbook.events(test) if isinstance(one.event, NoteTaken)]
    assert any(begun[0] in note for note in notes)


def test_marked_teeth_are_not_taken_from_a_gear_that_turns(tmp_path: Path) -> None:
    bench = Bench(tmp_path)

    async def work() -> None:
        await bench.turn(10.0, 0.3)
        await bench.lead.begin(OPEN)
        turning = asyncio.create_task(bench.turn(400.0, 6.0))
        with pytest.raises(StandError, match="the gear is turning; hold it still"):
            await bench.lead.matched(known=True)
        turning.cancel()
        states = [bench.lead.state]
        for later_s in (PREPARING_S - 10.0, PREPARING_S + 1.0):
            assert not bench.lead.is_matched_by_knock(time.monotonic() + later_s)
            states.append(bench.lead.state)
        assert states == ["preparing", "preparing", "idle"]
        assert bench.logbook.tests() == []

    in_virtual_time(work())


def test_a_machine_that_stood_still_does_not_make_the_gear_turn(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    stills = [5.0]  # more than a gear is given to come to rest

    def line() -> bytes:
        if stills and bench.lead.state == "preparing":
            stand_still(stills.pop())
        return b"%+011d\r\n" % round(bench.angle_deg * 1000.0)

    async def work() -> list[str]:
        running = asyncio.create_task(bench.lead.run())
        await bench.turn(10.0, 0.3)
        await bench.lead.begin(OPEN)
        bench.encoder._line = line
        begun = await bench.lead.matched(known=True)
        bench.lead.interrupt("the end of this test")
        await running
        return begun

    assert "has begun" in in_virtual_time(work())[0]
    assert stills == []


def test_an_indicator_on_its_button_is_waited_for_and_not_called_silent(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    profile = load_profile(CONFIGS / "instruments" / "indicator-line-button.toml")
    bench.stand = bench.stand.model_copy(update={"indicator_profile": profile})
    instrument = bench.ports.instruments[INDICATOR] = StandInstrument(bench.stand.recorded(), INDICATOR)
    instrument.source = said = Said(lambda: b"")
    said.take = list  # type: ignore[method-assign]
    bench.lead.stand = bench.stand

    async def work() -> list[str]:
        running = asyncio.create_task(bench.lead.run())
        await bench.turn(10.0, 10.0)
        state = state_of(instrument, time.monotonic())
        assert state.state == "heard"
        assert "it sends when its button is pressed, and nothing came" in state.detail
        await bench.lead.begin(OPEN)
        begun = await bench.lead.matched(known=True)
        await bench.turn(10.0, 10.0)
        assert bench.lead.state == "testing"
        bench.lead.interrupt("the end of this test")
        await running
        return begun

    assert "has begun" in in_virtual_time(work())[0]
    test = bench.logbook.tests()[0].test
    happened = [stamped.event for stamped in bench.logbook.events(test)]
    assert [one.instrument for one in happened if isinstance(one, InstrumentHeard)] == [ENCODER]
    assert not [one for one in happened if isinstance(one, InstrumentLost)]


def test_without_the_gesture_a_knock_means_nothing(tmp_path: Path) -> None:
    bench = Bench(tmp_path)

    async def work() -> None:
        await bench.turn(10.0, 0.3)
        await bench.lead.begin(OPEN)
        moves = ((10.0, 0.8), (37.0, 0.5), (10.0, 0.5), (10.0, 0.8))
        assert not any([await bench.turn(to, seconds) for to, seconds in moves])

    in_virtual_time(work())


def test_a_test_that_goes_on_says_once_when_marks_and_encoder_disagree(tmp_path: Path) -> None:
    async def interrupted() -> str:
        bench = Bench(tmp_path)
        running = asyncio.create_task(bench.lead.run())
        await bench.turn(10.0, 0.3)
        begun = await bench.lead.begin(Begin(box="short", confirmed="typed at the stand"))
        await asyncio.sleep(0.5)  # long enough for the encoder to be in the record
        bench.lead.interrupt("the end of this test")
        await running
        bench.logbook.close()
        return begun[0].split()[1]

    async def goes_on() -> tuple[list[str], Bench]:
        bench = Bench(tmp_path)
        running = asyncio.create_task(bench.lead.run())
        await bench.turn(10.0, 0.3)
        request = Resume(box="short", confirmed="typed at the stand", operator="Ada")
        assert "Bring the marked teeth together" in (await bench.lead.resume(request))[0]
        # The record has them at 37.25 degrees, three teeth of 9 degrees from here.
        with pytest.raises(StandError, match=r"marked teeth are 3\.0 teeth from here.*then repeat"):
            await bench.lead.matched(known=True)
        assert bench.lead.state == "preparing"
        said = await bench.lead.matched(known=True)
        bench.lead.interrupt("the end of this test")
        await running
        return said, bench

    test = in_virtual_time(interrupted())
    said, bench = in_virtual_time(goes_on())
    assert said[0].startswith("Fails already: matched teeth")
    assert any(test in one for one in said)
    happened = [stamped.event for stamped in bench.logbook.events(test)]
    assert [one.operator for one in happened if isinstance(one, TestResumed)] == ["Ada"]
    recorded = [one for one in happened if isinstance(one, PreconditionsRecorded)][-1]
    assert {one.name: one.state for one in recorded.preconditions}["matched teeth"] == "failed"


def test_a_word_that_the_encoder_speaks_against_is_not_taken_at_once_and_proves_nothing(
    tmp_path: Path,
) -> None:
    async def interrupted() -> None:
        bench = Bench(tmp_path)
        running = asyncio.create_task(bench.lead.run())
        await bench.turn(10.0, 0.3)
        await bench.lead.begin(Begin(box="short", confirmed="typed at the stand"))
        await asyncio.sleep(0.5)
        bench.lead.interrupt("the end of this test")
        await running
        bench.logbook.close()

    async def goes_on() -> Bench:
        bench = Bench(tmp_path)
        running = asyncio.create_task(bench.lead.run())
        await bench.turn(20.0, 0.3)  # neither where the record ended nor at the encoder's zero, nor the marks
        request = Resume(box="short", confirmed="typed at the stand", matched="now")
        with pytest.raises(
            StandError, match=r"stood \+10\.0° from where .* 1\.9 teeth from here.*then repeat"
        ):
            await bench.lead.resume(request)
        assert bench.lead.state == "preparing"
        await bench.lead.matched(known=True)
        bench.lead.interrupt("the end of this test")
        await running
        return bench

    in_virtual_time(interrupted())
    bench = in_virtual_time(goes_on())
    test = bench.logbook.tests()[0].test
    recorded = [s.event for s in bench.logbook.events(test) if isinstance(s.event, PreconditionsRecorded)][-1]
    assert {one.name: one.state for one in recorded.preconditions}["matched teeth"] == "unproven"


def bench_of_two(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """A bench whose board has the pinion's count beside the gear's, without play between them."""
    monkeypatch.setattr(f"{__name__}.simulated_stand_file", with_a_board)
    bench = Bench(folder)
    gear_teeth, pinion_teeth = 40, 13
    bench.encoder = Said(
        lambda: (
            b"%+011d,%+011d\r\n"
            % (
                round(bench.angle_deg * 1000.0),
                round(bench.angle_deg * 1000.0 * gear_teeth / pinion_teeth) + 5000,
            )
        )
    )
    bench.ports.instruments[ENCODER].hang_on(bench.encoder)
    return bench


def test_a_service_knows_where_the_pinion_is_when_a_test_begins_and_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def interrupted() -> str:
        bench = bench_of_two(tmp_path, monkeypatch)
        running = asyncio.create_task(bench.lead.run())
        await bench.turn(10.0, 0.3)
        states = [state_of(one, time.monotonic()) for one in bench.ports.instruments.values()]
        assert [(one.instrument, one.state) for one in states] == [
            (INDICATOR, "heard"),
            (ENCODER, "heard"),
            (PINION_ENCODER, "heard"),
        ]
        begun = await bench.lead.begin(Begin(box="short", confirmed="typed at the stand"))
        await asyncio.sleep(0.5)
        bench.lead.interrupt("the end of this test")
        await running
        bench.logbook.close()
        return begun[0].split()[1]

    async def goes_on() -> Bench:
        bench = bench_of_two(tmp_path, monkeypatch)
        running = asyncio.create_task(bench.lead.run())
        await bench.turn(37.25, 0.3)
        await bench.lead.resume(Resume(box="short", confirmed="typed at the stand"))
        await bench.lead.matched(known=True)
        bench.lead.interrupt("the end of this test")
        await running
        return bench

    test = in_virtual_time(interrupted())
    bench = in_virtual_time(goes_on())
    happened = [stamped.event for stamped in bench.logbook.events(test)]
    first, second = (one for one in happened if isinstance(one, MatchedTeethSet))
    # The board counts 5° more of the pinion than its teeth say; the marks are together at 37.25° of the gear.
    marks_deg = 37.25 * 40.0 / 13.0 + 5.0
    assert (first.how, second.how) == ("box file", "set at the stand")
    for one in (first, second):
        assert one.encoder_deg == 37.25
        assert one.pinion_encoder_deg == pytest.approx(marks_deg, abs=0.002)  # two counts
    assert first.pinion_seen_deg == pytest.approx(10.0 * 40.0 / 13.0 + 5.0, abs=0.002)
    assert {one.instrument for one in happened if isinstance(one, InstrumentHeard)} == {
        INDICATOR,
        ENCODER,
        PINION_ENCODER,
    }


@pytest.mark.parametrize(
    ("request_", "expected"),
    [
        (Begin(box="open"), "the cautions are not confirmed"),
        (Begin(box="none", confirmed="typed at the stand"), "there are: open, short"),
        (Begin(box="../boxes/open", confirmed="typed at the stand"), "no such box file"),
        (Begin(box="short", confirmed="typed at the stand", matched="now"), "the box file carries"),
        (Begin(box="short", confirmed="typed at the stand", build="build-77"), "no build build-77"),
    ],
)
def test_what_cannot_begin_leaves_the_service_idle(tmp_path: Path, request_: Begin, expected: str) -> None:
    bench = Bench(tmp_path)

    async def work() -> None:
        await bench.turn(10.0, 0.1)
        with pytest.raises((ConfigurationError, LogbookError), match=expected):
            await bench.lead.begin(request_)
        assert bench.lead.state == "idle"
        with pytest.raises(ConfigurationError, match="no test runs"):
            await bench.lead.obey("repeat")
        with pytest.raises(StandError, match="no test waits for its marked teeth"):
            await bench.lead.matched(known=True)

    in_virtual_time(work())
    assert bench.logbook.tests() == []


def test_a_port_that_cannot_be_opened_is_tried_again_and_one_whose_reader_ended_is_opened_anew(
    tmp_path: Path,
) -> None:
    stand = simulated_stand_file(tmp_path, SimulatedInstruments())
    ports = StandPorts(stand, Backoff(first_s=0.01, most_s=0.02))
    instrument = ports.instruments[ENCODER]
    opened: list[Said] = []

    async def open_third_time() -> None:
        instrument.attempts = getattr(instrument, "attempts", 0) + 1  # type: ignore[attr-defined]
        if instrument.attempts >= 3:  # type: ignore[attr-defined]
            opened.append(Said(lambda: b"+0000010000\r\n"))
            instrument.source = opened[-1]
            instrument.ended.clear()

    async def work() -> None:
        instrument.open = open_third_time  # type: ignore[method-assign]
        keeping = asyncio.create_task(ports.keep(ENCODER))
        while instrument.source is None:  # noqa: ASYNC110 - the wait is what is tested
            await asyncio.sleep(0.01)
        opened[0].fail = True
        ports.drain()
        assert opened[0].closed
        while len(opened) < 2:  # noqa: ASYNC110 - as above
            await asyncio.sleep(0.01)
        ports.drain()
        state = state_of(instrument, time.monotonic())
        assert (state.state, state.reading) == ("heard", "10.0000°")
        keeping.cancel()

    in_virtual_time(asyncio.wait_for(work(), 10.0))


def test_a_count_that_was_lost_between_two_tests_hinders_no_test(tmp_path: Path) -> None:
    stand = simulated_stand_file(tmp_path, SimulatedInstruments())
    assert stand.encoder_profile is not None
    wrapping = stand.encoder_profile.model_copy(update={"wraps_at": 360_000})
    ports = StandPorts(stand.model_copy(update={"encoder_profile": wrapping}))
    count = 10_000
    instrument = ports.instruments[ENCODER]
    instrument.source = Said(lambda: b"%+011d\r\n" % count)

    async def work() -> None:
        nonlocal count
        for to in (10_000, 190_000):  # nobody knows which way round it went
            count = to
            for _ in range(400):
                ports.drain()
                await asyncio.sleep(0.01)
            state = state_of(instrument, time.monotonic())
            assert (state.state, state.detail) == ("heard", "")
            assert state.reading == f"{count / 1000.0:.4f}°"

    in_virtual_time(work())


def test_what_is_asked_of_a_prepared_test_is_answered_with_what_it_waits_for(tmp_path: Path) -> None:
    bench = Bench(tmp_path)

    async def work() -> None:
        await bench.turn(10.0, 0.3)
        await bench.lead.begin(OPEN)
        with pytest.raises(
            ConfigurationError, match="waits for its marked teeth: lashmap tell STAND matched"
        ):
            await bench.lead.obey("repeat")

    in_virtual_time(work())


def test_signs_of_life_want_readers_that_run_and_a_test_that_goes_on(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    now_s = 1000.0
    watch = Watch(bench.lead, bench.ports, bench.logbook, clock=lambda: now_s)
    assert watch.failures() == []
    bench.encoder.alive = False
    assert "the reader of the encoder" in watch.failures()[0]
    bench.encoder.alive = True
    bench.lead.state = "testing"
    bench.lead.screen = SimpleNamespace(asked_s=now_s - 5.0)  # type: ignore[assignment]
    assert watch.failures() == []
    bench.lead.screen.asked_s = now_s - 11.0  # type: ignore[union-attr]
    assert watch.failures() == ["the running test has not gone on for 11 s"]
    bench.lead.state = "idle"
    bench.logbook.path.unlink()
    assert "the file is gone" in watch.failures()[0]


def test_the_mark_that_a_test_asks_for_once_more_is_said_by_the_same_word(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.angle_deg = 37.25 + 720.0  # of the box file, two turns on

    async def work() -> list[str]:
        running = asyncio.create_task(bench.lead.run())
        await bench.turn(bench.angle_deg, 0.3)
        await bench.lead.begin(Begin(box="short", confirmed="typed at the stand"))
        with pytest.raises(StandError, match="does not ask for its marks now"):
            await bench.lead.matched(known=True)
        screen = bench.lead.screen
        assert screen is not None
        assert screen.conductor is not None
        conductor = screen.conductor
        conductor.state = replace(
            conductor.state, phase=Phase.CHECKING, target=None
        )  # as after the last rock
        await asyncio.sleep(1.0)
        said = await bench.lead.matched(known=True)
        assert conductor.state.marks_seen
        bench.lead.interrupt("the end of this test")
        await running
        return said

    said = in_virtual_time(work())
    assert said[0].startswith("The encoder still fits the mark of the gear: 0.00° from it")
    (found,) = [
        stamped.event
        for stamped in bench.logbook.events(bench.logbook.tests()[0].test)
        if isinstance(stamped.event, MarksCompared)
    ]
    assert (found.answer, found.turns, found.agrees) == ("matched", 2, True)
