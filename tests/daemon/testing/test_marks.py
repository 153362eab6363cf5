"""What an instrument says beside its numbers reaches the record, and an index out of place the verdict."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import pytest
from analysis.made_record import Bench, confirmed_record
from daemon.virtual_time import load_box, simulated_stand_file
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.judge.verdict import MATCHED_AGAIN
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.preconditions import index_in_place
from lashmap_daemon.replay.replay import Replay
from lashmap_daemon.sequence import sequence
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR
from lashmap_daemon.simulated_stand import SimulatedInstruments
from lashmap_daemon.story import events
from lashmap_daemon.testing.channels import Channels
from lashmap_daemon.testing.conductor import Conductor
from lashmap_daemon.testing.opening import start_record
from lashmap_drivers.kinds import build
from lashmap_drivers.readings import Chunk

TURN = 360_000  # counts; the stand file of the simulated stand says so, and this file checks it


class Told:
    """A test whose instruments say what it is told, ten times a second."""

    def __init__(self, folder: Path) -> None:
        box = load_box()
        stand = simulated_stand_file(folder / "stand", SimulatedInstruments())
        assert stand.file.encoder is not None
        assert stand.file.encoder.counts_per_turn == TURN
        indicator = {
            "kind": "ascii line",
            "pattern": r"(?P<value>[+-]\d+\.\d+)(?P<status>L?)",
            "status": {"good": [""], "low_battery": ["L"]},
        }
        encoder = {
            "kind": "counter board",
            "pattern": r"(?P<count>[+-]?\d+)(?P<index>I?)",
            "counts_per_turn": TURN,
        }
        profiles = {"indicator_profile": build(indicator), "encoder_profile": build(encoder)}
        stand = stand.model_copy(update=profiles)
        now = dt.datetime(2026, 11, 25, 8, 0, tzinfo=dt.UTC)
        self.started = start_record(box, stand, operator="x", now=now, version="0", box_name="box")
        self.book = Logbook(folder / "book", create=True)
        self.now_s = 0.0
        channels = Channels(self.started.stand, box.gear_set.gear_set())
        channels.count_from(events.MatchedTeethSet(encoder_deg=0.0, how="box file"))
        self.conductor = Conductor(
            self.started,
            channels,
            emit=self.emit,
            keep=lambda name, chunks: self.book.keep(self.started.test, name, chunks),
        )
        self.notes: list[str] = []
        self.conductor.emit(self.started)
        self.say("+0.1000", "0")
        self.say("+0.1000", "0")

    def emit(self, event: events.Event) -> events.Stamped:
        if isinstance(event, events.NoteTaken):
            self.notes.append(event.text)
        stamped = events.Stamped(time_s=self.now_s, utc="", event=event)
        self.book.append(self.started.test, stamped)
        return stamped

    def say(self, indicator: str, encoder: str) -> None:
        self.now_s += 0.1
        said = {INDICATOR: indicator, ENCODER: encoder}
        chunks = {name: [Chunk(self.now_s, f"{line}\r\n".encode())] for name, line in said.items()}
        self.conductor.tick(self.now_s, chunks)


@pytest.fixture
def told(tmp_path: Path) -> Told:
    return Told(tmp_path)


def test_a_low_battery_is_noted_once(told: Told) -> None:
    for _ in range(5):
        told.say("+0.1000L", "0")
    (note,) = told.notes
    assert note.startswith("The indicator on ")
    assert "sent for the first time: low battery. Change its battery" in note
    told.book.append(told.started.test, events.Stamped(time_s=9.0, utc="", event=told.started))
    assert told.notes == [note]


def test_an_index_out_of_place_is_noted_and_fails_a_precondition(told: Told) -> None:
    for line in ("0", "2I", "200000", str(TURN), f"{TURN + 2}I"):
        told.say("+0.1000", line)
    assert told.notes == []
    before = Replay(told.book, told.started.test).record()
    assert "encoder index" not in {one.name for one in before.preconditions}
    # A gear tooth, 40 to the turn, from where it was.
    for line in (str(2 * TURN + 9000), f"{2 * TURN + 9002}I"):
        told.say("+0.1000", line)
    (note,) = told.notes
    assert "index slip" in note
    assert "its angles may be wrong" in note
    record = Replay(told.book, told.started.test).record()
    (index,) = [one for one in record.preconditions if one.name == "encoder index"]
    assert (index.state, index.detail) == ("failed", "came 1 time at another count than before")
    assert [text for _, text in record.notes] == [note]


@pytest.mark.parametrize("slips", [False, True])
def test_an_index_in_its_place_is_enough_and_nobody_is_asked_for_the_marks(
    told: Told, *, slips: bool
) -> None:
    for line in ("0", "2I", "200000", str(TURN), f"{TURN + 2}I"):
        told.say("+0.1000", line)
    for line in (str(2 * TURN + 9000), f"{2 * TURN + 9002}I") if slips else ():
        told.say("+0.1000", line)
    told.conductor.state = replace(told.conductor.state, phase=Phase.PREDICTING, target=None, queue=())
    told.conductor.happen(sequence.Confirm((5,)))
    found = [stamped.event for stamped in told.book.events(told.started.test)][-2:]
    if slips:
        assert found[-1] == events.MarksAsked(member="gear", attempt=1)
        return
    assert isinstance(found[0], events.MarksCompared)
    assert isinstance(found[1], events.PositionAsked)
    record = Replay(told.book, told.started.test).record()
    (seen,) = [one for one in record.preconditions if one.name == MATCHED_AGAIN]
    assert (seen.state, seen.detail) == (
        "proven",
        "the encoder's index pulse came back to its count in each turn, 1 time",
    )


def test_an_index_out_of_place_bars_conforming() -> None:
    sound = confirmed_record(Bench(seed=5))
    assert assess(sound).verdict.outcome == "conforming"
    slipped = assess(replace(sound, preconditions=(*sound.preconditions, *index_in_place(2)))).verdict
    assert slipped.outcome == "not proven"
    assert any(reason.startswith("Encoder index failed") for reason in slipped.reasons)
    assert any("coupling" in step for step in slipped.would_settle)
