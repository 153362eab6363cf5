"""An instrument is lost in the middle of a test: in virtual time, and by pulling a cable on a real run."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from daemon.command import lashmap, simulated_stand, start
from daemon.virtual_time import VirtualTest, demo_text, load_box
from drivers.faulty_peer import FaultyPeer
from lashmap_daemon.errors import StandError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.replay.replay import Replay
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR
from lashmap_daemon.story import events
from lashmap_drivers.errors import InstrumentLost
from lashmap_drivers.readings import Chunk

TURN = 360_000  # counts, as the simulated encoder has them
CUT = 4  # bytes of a line that still came through


@dataclass
class Unpluggable(VirtualTest):
    """A test in virtual time whose cables can be pulled.

    Attributes:
        lost: Instruments that are unplugged now, with the reason.
    """

    lost: dict[str, str] = field(default_factory=dict)

    def pull(self, *names: str) -> None:
        """Pull cables in mid-line: half a line, the mark that the port leaves, then nothing."""
        wire = self._simulated.advance(self.tick_s)
        self.now_s += self.tick_s
        halves = {INDICATOR: wire.indicator, ENCODER: wire.encoder}
        chunks = {name: [Chunk(self.now_s, data[: len(data) - CUT])] for name, data in halves.items()}
        for name in names:
            self.lost[name] = "device gone"
            chunks[name].append(Chunk(self.now_s, b""))
        self.conductor.tick(self.now_s, chunks, self.lost)

    def hear(self, *, encoder: bytes, seconds: float) -> None:
        """Let time pass in which only the encoder speaks, and always says the same."""
        for _ in range(round(seconds / self.tick_s)):
            self.now_s += self.tick_s
            self.conductor.tick(self.now_s, {ENCODER: [Chunk(self.now_s, encoder)]}, self.lost)

    def tick(self, count: int = 1) -> None:
        """Let a little time pass; what an unplugged instrument says is not heard."""
        for _ in range(count):
            wire = self._simulated.advance(self.tick_s)
            self.now_s += self.tick_s
            said = {INDICATOR: wire.indicator, ENCODER: wire.encoder}
            chunks = {
                name: [Chunk(self.now_s, data)] if data and name not in self.lost else []
                for name, data in said.items()
            }
            self.conductor.tick(self.now_s, chunks, self.lost)
            self.obey_knocks()


@pytest.fixture
def test(tmp_path: Path) -> Unpluggable:
    return Unpluggable(tmp_path, load_box(positions=5, gear_turns=1.0, confirming_positions=1))


def kinds(test: VirtualTest, start: int) -> list[str]:
    return [type(stamped.event).__name__ for stamped in test.stream[start:]]


def test_a_rock_is_interrupted_and_asked_for_again(test: Unpluggable) -> None:
    test.run_until(events.RockAccepted)
    test.run_until(events.RockStarted)
    test.tick_for(0.4)
    before = len(test.stream)
    test.pull(INDICATOR)
    assert kinds(test, before) == ["InstrumentLost", "RockRefused"]
    assert test.conductor.state.phase is Phase.WAITING
    test.tick_for(10.0)  # ten seconds, longer than a silent instrument is borne
    assert kinds(test, before) == ["InstrumentLost", "RockRefused"]
    test.lost.clear()
    back = test.run_until(events.InstrumentBack).event
    assert isinstance(back, events.InstrumentBack)
    assert back.away_s == pytest.approx(10.0, abs=0.1)
    asked = test.stream[-1].event
    assert isinstance(asked, events.PositionAsked)
    assert (asked.number, asked.attempt) == (2, 2)
    assert asked.reason == "the indicator was lost (device gone)"


def test_the_record_of_an_interrupted_test_decodes_to_the_same_numbers(test: Unpluggable) -> None:
    for names in ((INDICATOR,), (ENCODER,), (INDICATOR, ENCODER)):
        test.run_until(events.RockStarted)
        test.tick_for(0.4)
        test.pull(*names)
        test.tick_for(1.0)
        test.lost.clear()
        test.run_until(events.RockAccepted)
    test.run()
    shown = {one.number: one for one in test.of(events.RockAccepted) if isinstance(one, events.RockAccepted)}
    concluded = conclude(test.logbook, test.started.test)
    assert len(concluded.positions) == len(shown) == 6
    for one in concluded.positions:
        assert one.normal_backlash_mm == shown[one.position].normal_backlash_mm
        true = test.truth.normal_backlash_mm[shown[one.position].engagement % 520]
        # The tip's true radius is not the nominal one, within 4 standard uncertainties of 0.15 mm on 76 mm.
        assert one.normal_backlash_mm == pytest.approx(true, rel=4.0 * 0.15 / 76.0, abs=0.0005)
    notes = [text for _, text in Replay(test.logbook, test.started.test).record().notes]
    assert sum("the same angle" in note for note in notes) == 2


def test_no_half_line_ever_merges_with_another(test: Unpluggable) -> None:
    test.run_until(events.RockStarted)
    test.pull(INDICATOR, ENCODER)
    test.tick_for(0.2)
    test.lost.clear()
    test.run_until(events.InstrumentBack)
    assert test.channels.monitors[INDICATOR].parser.bad_frames == 0
    assert test.channels.monitors[ENCODER].parser.bad_frames == 0


def test_after_the_time_of_the_stand_file_the_test_fails(test: Unpluggable) -> None:
    test.run_until(events.RockStarted)
    lost_s = test.now_s
    test.pull(INDICATOR)
    with pytest.raises(InstrumentLost, match=r"device gone\) and did not come back within 120 s") as caught:
        test.run()
    assert test.now_s - lost_s == pytest.approx(120.0, abs=0.1)
    assert "stand.reconnect_seconds" in str(caught.value)


def test_a_port_that_works_again_but_says_nothing_is_not_back(test: Unpluggable) -> None:
    test.conductor._absences._patience_s = 10.0
    test.run_until(events.RockStarted)
    test.pull(INDICATOR)
    test.lost.clear()
    with pytest.raises(InstrumentLost, match="gave no sample that can be used within 10 s"):
        test.hear(encoder=b"+0000000000\r\n" * 10, seconds=20.0)


def test_an_encoder_that_begins_its_count_anew_ends_the_test(test: Unpluggable) -> None:
    test.run_until(events.RockAccepted)
    test.run_until(events.RockStarted)
    test.pull(ENCODER)
    test.lost.clear()
    with pytest.raises(StandError, match="the matched teeth are no longer known"):
        test.hear(encoder=b"+0000000000\r\n" * 10, seconds=1.0)


def test_a_stop_while_waiting_closes_the_record(test: Unpluggable) -> None:
    test.run_until(events.RockStarted)
    test.pull(INDICATOR)
    test.stop()
    assert test.stream[-1].event == events.TestClosed(outcome="stopped", reason="by the operator")


class Cable:
    """Can be pulled and put back; nothing is said into it while that is done."""

    def __init__(self, peer: FaultyPeer) -> None:
        self.whole = True
        self._peer, self._hands = peer, threading.Lock()

    def pull(self) -> None:
        with self._hands:
            self.whole = False
            self._peer.unplug()

    def put_back(self) -> None:
        with self._hands:
            self._peer.plug_in()
            self.whole = True

    def say(self, data: bytes) -> None:
        with self._hands:
            if self.whole:
                self._peer.say(data)


@contextmanager
def relayed(source: Path, peer: FaultyPeer) -> Iterator[Cable]:
    """Everything that a simulated instrument says goes through a cable that can be pulled."""
    stop, cable = threading.Event(), Cable(peer)
    descriptor = os.open(source, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)

    def carry() -> None:
        while not stop.wait(0.005):
            try:
                data = os.read(descriptor, 4096)
            except BlockingIOError:
                continue
            cable.say(data)

    thread = threading.Thread(target=carry)
    thread.start()
    try:
        yield cable
    finally:
        stop.set()
        thread.join()
        os.close(descriptor)


@pytest.mark.begins_first
def test_a_cable_pulled_and_put_back_on_a_running_command(tmp_path: Path) -> None:
    box, book = tmp_path / "box.toml", tmp_path / "book"
    text = demo_text()
    for old, new in (("positions = 26", "positions = 4\nrepeats = 0"), ("gear_turns = 13", "gear_turns = 1")):
        assert old in text
        text = text.replace(old, new, 1)
    box.write_text(text, "utf-8")
    with (
        simulated_stand(tmp_path / "stand", box=box) as stand,
        FaultyPeer(tmp_path, "pulled") as peer,
        relayed(tmp_path / "stand" / "indicator", peer) as cable,
    ):
        name = str(tmp_path / "stand" / "indicator")
        stand.write_text(stand.read_text("utf-8").replace(name, peer.name), "utf-8")
        running = start("run", stand, box, "--logbook", book, "--locked-out")
        assert running.stdout is not None
        for line in running.stdout:
            if " 1  accepted" in line:
                cable.pull()
            elif "was lost" in line and not cable.whole:
                cable.put_back()
        _, errors = running.communicate(timeout=120.0)
        assert running.returncode == 0, errors
    with Logbook(book, create=False) as opened:
        test = opened.tests()[0].test
        happened = [stamped.event for stamped in opened.events(test)]
        lost = [event for event in happened if isinstance(event, events.InstrumentLost)]
        # Beside it, an instrument may fall silent on a machine that stands still, and be heard again.
        assert sum("no bytes" not in event.reason for event in lost) == 1
        assert sum(isinstance(event, events.InstrumentBack) for event in happened) == len(lost)
        assert sum(chunk.is_break for chunk in opened.raw(test, INDICATOR)) == 1
        accepted = [event for event in happened if isinstance(event, events.RockAccepted)]
        for one in conclude(opened, test).positions:
            shown = next(event for event in accepted if event.number == one.position)
            assert one.normal_backlash_mm == pytest.approx(shown.normal_backlash_mm, abs=1e-12)
    assert lashmap("review", "--logbook", book).returncode == 0


@dataclass
class WrappingUnpluggable(Unpluggable):
    """The same, with an encoder whose count goes round."""

    def tick(self, count: int = 1) -> None:
        for _ in range(count):
            wire = self._simulated.advance(self.tick_s)
            self.now_s += self.tick_s
            counts = (int(line) % TURN for line in wire.encoder_lines)
            said = {INDICATOR: wire.indicator, ENCODER: b"".join(b"%+011d\r\n" % one for one in counts)}
            chunks = {
                name: [Chunk(self.now_s, data)] if data and name not in self.lost else []
                for name, data in said.items()
            }
            self.conductor.tick(self.now_s, chunks, self.lost)


@pytest.fixture
def wrapping(tmp_path: Path) -> WrappingUnpluggable:
    box = load_box(positions=5, gear_turns=1.0, confirming_positions=1)
    return WrappingUnpluggable(tmp_path, box, wraps_at=TURN)


def test_a_lost_count_is_not_waited_for_and_names_the_command_that_goes_on(
    wrapping: WrappingUnpluggable,
) -> None:
    test = wrapping
    test.run_until(events.RockAccepted)
    lost_s = test.now_s
    # A jump of half a turn that stays: nobody knows how often it went round.
    with pytest.raises(StandError, match="a jump or a gap in it was too long to be followed") as caught:
        test.hear(encoder=b"+0000217000\r\n" * 10, seconds=5.0)
    said = str(caught.value)
    assert test.now_s - lost_s < 1.0
    assert "waiting does not help" in said
    assert "cable" not in said
    assert said.endswith(
        "Bring the marked teeth together again and go on with: "
        f"lashmap run STAND BOX --resume --test {test.started.test}"
    )
    assert not test.of(events.InstrumentLost)
    assert not [note for note in test.of(events.NoteTaken) if "sent for the first time" in str(note)]


def test_a_cable_pulled_from_a_count_ends_the_test_once_the_count_may_have_gone_round(
    wrapping: WrappingUnpluggable,
) -> None:
    test = wrapping
    test.run_until(events.RockAccepted)
    test.lost[ENCODER] = "device gone"
    said = r"stopped working \(device gone\), and its count, .* Plug the cable in again, bring"
    test.conductor.tick(test.now_s, {ENCODER: [Chunk(test.now_s, b"")]}, test.lost)  # it cannot have yet
    with pytest.raises(StandError, match=said):
        test.conductor.tick(test.now_s + 0.5, {}, test.lost)


def test_the_command_that_goes_on_is_the_one_that_was_given(tmp_path: Path) -> None:
    test = Unpluggable(tmp_path, load_box(positions=5, gear_turns=1.0), goes_on="lashmap run s b --resume")
    test.conductor._absences._patience_s = 10.0
    test.run_until(events.RockStarted)
    test.pull(INDICATOR)
    with pytest.raises(InstrumentLost, match=r"go on with: lashmap run s b --resume$"):
        test.run()
