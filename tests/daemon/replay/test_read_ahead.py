"""A test is read alike here and in a process beside, and wherever that process ends."""

from __future__ import annotations

import io
import os
import pickle
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from daemon.exported import recorded
from daemon.virtual_time import VirtualTest, load_box
from lashmap_analysis import assess
from lashmap_daemon.logbook.digests import Told, told_of
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.walk import TestCheck
from lashmap_daemon.replay import samples as read_ahead
from lashmap_daemon.replay.replay import Replay
from lashmap_daemon.replay.samples import RawSamples
from lashmap_daemon.story import events
from lashmap_drivers.readings import Chunks, Samples

CHANNELS = ("indicator", "encoder")
Found = tuple[list[list[Chunks]], TestCheck]


def read(path: Path) -> Found:
    """Everything about the test."""
    with (
        Logbook(path, create=False) as logbook,
        RawSamples(logbook, recorded()[1], CHANNELS) as raw,
    ):
        return [list(raw.pieces(channel)) for channel in CHANNELS], raw.check()


def same(one: Found, other: Found) -> bool:
    """Same pieces, byte for byte, and same check."""

    def plain(found: Found) -> list[list[tuple[bytes, ...]]]:
        return [
            [
                (piece.arrival_s.tobytes(), piece.within_s.tobytes(), piece.lengths.tobytes(), piece.data)
                for piece in pieces
            ]
            for pieces in found[0]
        ]

    return plain(one) == plain(other) and one[1] == other[1]


@pytest.fixture
def damaged(tmp_path: Path) -> Path:
    """The recorded test with a pack that cannot be read, one that was changed, and a changed event."""
    shutil.copy(recorded()[0], tmp_path / "book")
    with closing(sqlite3.connect(tmp_path / "book")) as base, base:
        places = [
            row[0] for row in base.execute("SELECT place FROM raw WHERE channel = 'encoder' ORDER BY place")
        ]
        base.execute("UPDATE raw SET data = x'00' WHERE place = ?", (places[3],))
        base.execute("UPDATE raw SET content = zeroblob(32) WHERE place = ?", (places[9],))
        base.execute("UPDATE event SET body = replace(body, '+1', '+2') WHERE kind = 'NoteTaken'")
    return tmp_path / "book"


def beside(monkeypatch: pytest.MonkeyPatch) -> list[subprocess.Popen[bytes]]:
    """Read tests of any length in a process beside; the processes started."""
    started: list[subprocess.Popen[bytes]] = []
    start = read_ahead._start

    def noted(path: Path, test: str, told: Told, channels: tuple[str, ...]) -> subprocess.Popen[bytes] | None:
        process = start(path, test, told, channels)
        assert process is not None
        started.append(process)
        return process

    monkeypatch.setattr(read_ahead, "MANY_PACKS", 1)
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    monkeypatch.setattr(read_ahead, "_start", noted)
    return started


@pytest.mark.parametrize("which", ["good", "damaged"])
def test_a_process_beside_reads_what_is_read_here(
    which: str, damaged: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = damaged if which == "damaged" else recorded()[0]
    here = read(path)
    assert bool(here[1].problems) == (which == "damaged")
    started = beside(monkeypatch)
    monkeypatch.setattr(read_ahead, "check_open", None)  # nor is it checked here
    assert same(read(path), here)
    assert [process.poll() is not None for process in started] == [True]


@cache
def said() -> bytes:
    """All that the process says of the recorded test."""
    path, test = recorded()
    with Logbook(path, create=False) as logbook, RawSamples(logbook, test, CHANNELS) as raw:
        told = told_of(raw.events)
    words = (str(path), test, str(told.count), told.digest.hex(), *CHANNELS)
    command = [sys.executable, "-P", "-m", read_ahead.__name__, *words]
    return subprocess.run(command, check=True, capture_output=True).stdout


@pytest.mark.parametrize("share", [0.0, 0.1, 0.4, 0.6, 0.9, 0.9999])
def test_wherever_the_process_ends_the_rest_is_read_here(
    share: float, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    here = read(recorded()[0])
    (tmp_path / "said").write_bytes(said()[: int(share * len(said()))])

    def ends_early(*_: object) -> subprocess.Popen[bytes]:
        return subprocess.Popen(["cat", tmp_path / "said"], stdout=subprocess.PIPE)

    beside(monkeypatch)
    monkeypatch.setattr(read_ahead, "_start", ends_early)
    assert same(read(recorded()[0]), here)


def test_what_was_written_meanwhile_is_read_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # The last piece that the process gave was short, since there was no more; then it ended.
    here = read(recorded()[0])
    whole = io.BytesIO(said())
    first = pickle.load(whole)  # noqa: S301 - said by our own process
    half = len(first) // 2
    with (tmp_path / "said").open("wb") as file:
        pickle.dump(first.part(0, half), file)

    def ends_early(*_: object) -> subprocess.Popen[bytes]:
        return subprocess.Popen(["cat", tmp_path / "said"], stdout=subprocess.PIPE)

    beside(monkeypatch)
    monkeypatch.setattr(read_ahead, "_start", ends_early)
    pieces, check = read(recorded()[0])
    for found, expected in zip(pieces, here[0], strict=True):
        together, known = Chunks.joined(found), Chunks.joined(expected)
        assert together.data == known.data
        assert together.arrival_s.tobytes() == known.arrival_s.tobytes()
    assert check == here[1]


@pytest.mark.parametrize("where", ["here", "beside"])
def test_a_test_that_ends_while_it_is_read_is_read_as_it_was(
    where: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    test = VirtualTest(tmp_path, load_box(positions=4, gear_turns=1.0, confirming_positions=1), seed=4)
    test.run_until(events.RockAccepted)
    if where == "beside":
        beside(monkeypatch)
    replay = Replay(test.logbook, test.started.test)
    ended: list[str] = []

    def hear(channel: str, _: Samples) -> None:
        if not ended:
            ended.append(channel)
            test.run()

    record = replay.record(hear)
    assert record.closing.startswith("not closed")
    assert record.identity.seal == ""
    assert assess(record).verdict.outcome == "not proven"
    assert Replay(test.logbook, test.started.test).record().damage == ()


def test_a_process_that_cannot_be_started_is_not_missed(monkeypatch: pytest.MonkeyPatch) -> None:
    here = read(recorded()[0])
    monkeypatch.setattr(read_ahead, "MANY_PACKS", 1)
    monkeypatch.setattr(sys, "executable", "/nonexistent/python")
    assert same(read(recorded()[0]), here)


def test_a_record_and_its_samples_are_the_same_either_way(monkeypatch: pytest.MonkeyPatch) -> None:
    def decoded() -> tuple[object, bytes]:
        heard: list[bytes] = []

        def hear(channel: str, samples: Samples) -> None:
            heard.append(channel.encode() + samples.time_s.tobytes() + samples.value.tobytes())

        with Logbook(recorded()[0], create=False) as logbook:
            record = Replay(logbook, recorded()[1]).record(hear)
        traces = [np.concatenate([trace.time_s, trace.encoder_deg]).tobytes() for trace in record.traces]
        return (traces, record.preconditions, record.damage, record.identity), b"".join(heard)

    here = decoded()
    started = beside(monkeypatch)
    assert decoded() == here
    assert len(started) == 1


def test_giving_up_half_way_leaves_no_process(monkeypatch: pytest.MonkeyPatch) -> None:
    started = beside(monkeypatch)
    with (
        Logbook(recorded()[0], create=False) as logbook,
        RawSamples(logbook, recorded()[1], CHANNELS) as raw,
    ):
        assert len(next(raw.pieces(CHANNELS[0]))) > 0
    assert [process.returncode is not None for process in started] == [True]
