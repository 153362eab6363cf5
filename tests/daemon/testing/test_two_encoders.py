"""A test with an encoder on either shaft: the third channel live, in the logbook, and read back."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from itertools import groupby
from pathlib import Path

import numpy as np
import pytest
from daemon.two_encoders import (
    A_PASS,
    TEETH,
    TURN,
    TurnedBox,
    Wiring,
    box_of_both,
    two_encoder_stand,
    with_a_board,
)
from daemon.virtual_time import VirtualTest, load_box
from lashmap_analysis.record.record import TestRecord
from lashmap_daemon.errors import StandError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.replay import Parts, Replay
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR, PINION_ENCODER
from lashmap_daemon.story import events
from lashmap_daemon.story.events import MatchedTeethSet, Stamped
from lashmap_daemon.story.story import BEGINNING, Part
from lashmap_daemon.testing.channels import Absences, Channels
from lashmap_daemon.testing.opening import start_record
from lashmap_drivers.errors import InstrumentLost
from lashmap_drivers.readings import Chunk, Samples

WIRINGS: tuple[Wiring, ...] = ("two ports", "one board", "one board, asked")
END_S = 3.0


def matched_of(box: TurnedBox) -> MatchedTeethSet:
    """As read before the record, by decoders that had followed each count from another range."""
    gear_deg, pinion_deg = 360.0 * box.gear_zero / TURN, -360.0 * box.pinion_zero / TURN
    return MatchedTeethSet(
        encoder_deg=gear_deg,
        how="set at the stand",
        seen_deg=gear_deg,
        pinion_encoder_deg=pinion_deg,
        pinion_seen_deg=pinion_deg,
    )


def ticks(box: TurnedBox, end_s: float) -> Iterator[tuple[str, list[Chunk]]]:
    """What comes in pieces of 40 ms."""
    frames = list(box.frames(end_s))
    for _, some in groupby(frames, key=lambda one: round(one[1].arrival_s / 0.04)):
        tick = list(some)
        for name in box.channels:
            yield name, [chunk for channel, chunk in tick if channel == name]


def recorded(
    folder: Path, box: TurnedBox, matched: MatchedTeethSet | None = None
) -> tuple[Channels, Logbook, str]:
    """A test live: its channels at the end, and its logbook."""
    of_test = box_of_both()
    started = start_record(
        of_test,
        two_encoder_stand(folder, box.wiring),
        operator="nobody",
        now=dt.datetime(2026, 11, 25, 8, tzinfo=dt.UTC),
        version="0",
        box_name="box",
    )
    logbook = Logbook(folder / "two.logbook", create=True)

    def emit(time_s: float, event: events.Event) -> None:
        logbook.append(started.test, Stamped(time_s=time_s, utc="2026-11-25T08:00:00Z", event=event))

    channels = Channels(started.stand, of_test.gear_set.gear_set())
    matched = matched or matched_of(box)
    emit(0.0, started)
    emit(0.0, matched)
    channels.count_from(matched)
    for name, chunks in ticks(box, END_S):
        logbook.keep(started.test, name, chunks)
        channels.feed(name, chunks)
    emit(END_S, A_PASS)
    emit(END_S, events.TestClosed(outcome="completed", reason="all done"))
    return channels, logbook, started.test


def read(logbook: Logbook, test: str) -> tuple[TestRecord, dict[str, Samples]]:
    """Record and samples of a test, in which one pass was recorded."""
    heard: dict[str, list[Samples]] = {INDICATOR: [], ENCODER: [], PINION_ENCODER: []}
    with Replay(logbook, test) as again:
        record = again.record(lambda channel, samples: heard[channel].append(samples))
    assert record.damage == ()
    return record, {name: Samples.joined(some) for name, some in heard.items()}


@pytest.mark.parametrize("wiring", WIRINGS)
def test_both_shafts_are_followed_from_the_matched_teeth(tmp_path: Path, wiring: Wiring) -> None:
    box = TurnedBox(wiring=wiring)
    channels, logbook, _ = recorded(tmp_path, box)
    logbook.close()
    late_s = 0.02  # of a stream whose pace is not known yet, at most
    for samples, truth in (
        (channels.gear_deg(0.5), box.gear_deg),
        (channels.pinion_deg(0.5), box.pinion_deg),
    ):
        assert len(samples) > 500
        low = [truth(one - late_s) for one in samples.time_s]
        high = [truth(one + late_s) for one in samples.time_s]
        count_deg = 360.0 / TURN
        assert (samples.value >= np.array(low) - count_deg).all()
        assert (samples.value <= np.array(high) + count_deg).all()
    assert channels.latest_pinion_deg is not None
    assert channels.latest_as_gear_deg(PINION_ENCODER) == pytest.approx(
        channels.latest_pinion_deg[1] * TEETH[0] / TEETH[1], rel=1e-12
    )


@pytest.mark.parametrize("wiring", WIRINGS)
def test_a_review_reads_the_third_channel_to_the_last_bit(tmp_path: Path, wiring: Wiring) -> None:
    box = TurnedBox(wiring=wiring, damaged=83, breaks_s=(1.3,))
    channels, logbook, test = recorded(tmp_path, box)
    record, heard = read(logbook, test)
    for name, live in (
        (INDICATOR, channels.indicator(0.0)),
        (ENCODER, channels.gear_deg(0.0)),
        (PINION_ENCODER, channels.pinion_deg(0.0)),
    ):
        assert len(live) > 500
        assert live.time_s.tobytes() == heard[name].time_s.tobytes()
        assert live.value.tobytes() == heard[name].value.tobytes()
        assert live.time_uncertainty_s.tobytes() == heard[name].time_uncertainty_s.tobytes()
    assert record.pinion_encoder is not None
    assert (record.pinion_encoder.shaft, record.pinion_encoder.resolution_deg) == ("pinion", 360.0 / TURN)
    (one,) = record.passes
    live = channels.pinion_deg(one.pinion_time_s[0], one.pinion_time_s[-1])
    assert one.pinion_deg.tobytes() == live.value.tobytes()
    assert (one.gear_time_s is one.pinion_time_s) is (wiring != "two ports")
    logbook.close()


@pytest.mark.parametrize("wiring", ["one board", "one board, asked"])
def test_a_latched_frame_is_kept_once_and_has_one_time(tmp_path: Path, wiring: Wiring) -> None:
    channels, logbook, test = recorded(tmp_path, TurnedBox(wiring=wiring, damaged=41, breaks_s=(1.0, 2.2)))
    gear, pinion = channels.gear_deg(0.0), channels.pinion_deg(0.0)
    assert gear.time_s.tobytes() == pinion.time_s.tobytes()
    assert gear.time_uncertainty_s.tobytes() == pinion.time_uncertainty_s.tobytes()
    assert list(logbook.raw(test, PINION_ENCODER)) == []
    assert channels.tally(ENCODER).bad > 8
    assert channels.tally(PINION_ENCODER).bad == 0  # said once
    logbook.close()


def test_a_count_that_jumps_alone_leaves_its_own_samples_out_of_a_pass(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    box = TurnedBox(wiring="one board")
    frames = list(box.frames(END_S))
    at = next(n for n, (name, one) in enumerate(frames) if name == ENCODER and one.arrival_s > 1.5)
    gear, _ = frames[at][1].data.split(b",")
    frames[at] = (ENCODER, frames[at][1]._replace(data=gear + b",30000\r\n"))
    monkeypatch.setattr(TurnedBox, "frames", lambda _self, _end_s: iter(frames))
    channels, logbook, test = recorded(tmp_path, box)
    assert len(channels.gear_deg(0.0)) == len(channels.pinion_deg(0.0)) + 1
    record, _ = read(logbook, test)
    (one,) = record.passes
    assert one.gear_time_s is one.pinion_time_s
    assert len(one.gear_deg) == len(one.pinion_deg)
    ratio = one.gear_deg / one.pinion_deg * TEETH[1] / TEETH[0]
    assert np.abs(ratio - 1.0).max() < 0.02
    logbook.close()


def test_a_part_without_a_reference_of_the_pinion_goes_on_with_that_before() -> None:
    first, second = MatchedTeethSet(encoder_deg=3.0, how="assumed", pinion_encoder_deg=7.0), 5.0
    parts = [
        Part(matched=first),
        Part(first_s=9.0, matched=MatchedTeethSet(encoder_deg=second, how="assumed")),
    ]
    story = replace(BEGINNING, parts=tuple(parts))
    assert [one.encoder_deg for one in Parts.of(story, ENCODER).parts] == [3.0, 5.0]
    assert [one.encoder_deg for one in Parts.of(story, PINION_ENCODER).parts] == [7.0, 7.0]


# Away ---------------------------------------------------------------------------------------------------


def absences(folder: Path, wiring: Wiring, *, wraps: bool = False) -> tuple[Channels, Absences, TurnedBox]:
    stand = two_encoder_stand(folder, wiring, wraps=wraps).recorded()
    channels = Channels(stand, box_of_both().gear_set.gear_set())
    box = TurnedBox(wiring=wiring, wraps=wraps, speed_deg_s=0.0)
    channels.count_from(matched_of(box))
    return channels, Absences(channels, patience_s=5.0, near_deg=2.25, go_on="again"), box


def hear(channels: Channels, box: TurnedBox, start_s: float, end_s: float, *without: str) -> None:
    for name, chunks in ticks(box, end_s - start_s):
        if name not in without:
            channels.feed(name, [one._replace(arrival_s=one.arrival_s + start_s) for one in chunks])


def test_a_test_waits_for_the_pinions_encoder(tmp_path: Path) -> None:
    channels, away, box = absences(tmp_path, "two ports")
    hear(channels, box, 0.0, 1.0)
    assert list(away.update(1.0, {})) == []
    hear(channels, box, 1.0, 2.0, PINION_ENCODER)
    (gone,) = away.update(2.0, {PINION_ENCODER: "device gone"})
    assert isinstance(gone, events.InstrumentLost)
    assert (gone.instrument, gone.port) == (PINION_ENCODER, "/dev/c")
    assert away.names == (PINION_ENCODER,)
    channels.feed(PINION_ENCODER, [Chunk(2.0, b"")])
    hear(channels, box, 2.1, 3.0)
    back, note = away.update(3.0, {})
    assert isinstance(back, events.InstrumentBack)
    assert isinstance(note, events.NoteTaken)
    assert note.text.startswith("The pinion encoder was away")


def test_a_pinion_that_was_turned_meanwhile_is_not_believed(tmp_path: Path) -> None:
    channels, away, box = absences(tmp_path, "two ports")
    hear(channels, box, 0.0, 1.0)
    assert len(list(away.update(1.0, {PINION_ENCODER: "device gone"}))) == 1
    channels.feed(PINION_ENCODER, [Chunk(1.0, b"")])
    box.pinion_zero += TURN // 10  # 36° of the pinion, 11.7° of the gear
    hear(channels, box, 1.1, 2.0)
    with pytest.raises(
        StandError, match=r"pinion encoder on /dev/c: was lost and came back with the gear 11\.7"
    ):
        list(away.update(2.0, {}))


def test_a_board_that_is_away_takes_both_encoders_with_it(tmp_path: Path) -> None:
    channels, away, box = absences(tmp_path, "one board")
    hear(channels, box, 0.0, 1.0)
    gone = list(away.update(1.0, {ENCODER: "device gone"}))
    assert [one.instrument for one in gone if isinstance(one, events.InstrumentLost)] == [
        ENCODER,
        PINION_ENCODER,
    ]
    with pytest.raises(InstrumentLost, match="did not come back within 5 s"):
        list(away.update(7.0, {ENCODER: "device gone"}))


def test_a_silent_pinion_and_a_lost_count_are_named(tmp_path: Path) -> None:
    channels, away, box = absences(tmp_path, "two ports", wraps=True)
    hear(channels, box, 0.0, 1.0)
    hear(channels, box, 1.0, 5.0, PINION_ENCODER)
    (gone,) = away.update(5.0, {})
    assert isinstance(gone, events.InstrumentLost)
    assert gone.instrument == PINION_ENCODER
    hear(channels, box, 5.0, 5.1)  # 4 s at ten turns a second is more than half of the range
    with pytest.raises(
        StandError, match=r"pinion encoder on /dev/c: its count goes round, and a jump or a gap"
    ):
        list(away.update(5.2, {}))


def test_rates_of_a_rock_are_those_of_its_own_instruments(tmp_path: Path) -> None:
    channels, _, box = absences(tmp_path, "two ports")
    hear(channels, box, 0.0, 3.0, PINION_ENCODER)
    assert channels.slowest_rate_hz(3.0) > 200.0
    before_s = channels.complete_until_s
    assert before_s is None  # the pinion's encoder has not spoken
    assert len(channels.pinion_deg(0.0)) == 0
    hear(channels, box, 3.0, 4.0)
    assert math.isclose(channels.complete_until_s or 0.0, 4.0, abs_tol=0.05)


# A whole test -----------------------------------------------------------------------------------------------


def test_rocks_are_measured_as_with_one_encoder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    box = load_box(positions=4, gear_turns=1.0, confirming_positions=0)
    one = VirtualTest(tmp_path / "one", box, seed=3)
    one.run()
    monkeypatch.setattr("daemon.virtual_time.simulated_stand_file", with_a_board)
    two = VirtualTest(tmp_path / "two", box, seed=3)
    tick, on_pinion = two.conductor.tick, two.stand.file.pinion_encoder
    assert on_pinion is not None
    per_rad, before = on_pinion.counts_per_turn / (2.0 * math.pi), [0.0]

    def latched(now_s: float, chunks: dict[str, list[Chunk]], lost: Mapping[str, str] | None = None) -> None:
        lines = b"".join(chunk.data for chunk in chunks[ENCODER]).split()
        before.append(two._simulated._motion.pinion_rad() * per_rad)
        counts = np.linspace(before[-2], before[-1], len(lines) + 1)[1:].round().astype(int)
        pairs = [b"%b,%+011d\r\n" % (line, count) for line, count in zip(lines, counts, strict=True)]
        tick(now_s, {**chunks, ENCODER: [Chunk(now_s, b"".join(pairs))] if pairs else []}, lost or {})

    two.conductor.tick = latched  # type: ignore[method-assign]
    two.run()
    readings = [[rock.reading_mm for rock in test.conductor.story.accepted.values()] for test in (one, two)]
    assert readings[0] == readings[1]
    record = Replay(two.logbook, two.started.test).record()
    assert record.damage == ()
    assert record.closing == "completed"
    assert record.passes == ()
    assert record.pinion_encoder is not None
    assert {one.name for one in record.preconditions} >= {
        "calibration, encoder",
        "calibration, pinion encoder",
    }
    assert [rock.encoder_deg.tobytes() for rock in record.traces] == [
        rock.encoder_deg.tobytes() for rock in Replay(one.logbook, one.started.test).record().traces
    ]
    for test in (one, two):
        test.logbook.close()
