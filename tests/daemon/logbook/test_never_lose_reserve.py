"""A test that is told to end while the disk is full: closed and sealed with the room kept back for it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from daemon.small_disk import small_disk
from daemon.testing.test_never_lose_disk import BOX, KeptTest
from lashmap_daemon.errors import LogbookFull
from lashmap_daemon.logbook.check import check_file, check_test
from lashmap_daemon.logbook.guard import Reserve
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR
from lashmap_daemon.story import events
from lashmap_daemon.testing.keeper import Keeper

ROOM = 2_000_000


def with_reserve(folder: Path, reserve: Reserve) -> KeptTest:
    """A test in virtual time whose keeper has a reserve."""
    test = KeptTest(folder, BOX, seed=4)
    test.keeper = Keeper(
        test.logbook, test.started.test, now_s=lambda: test.now_s, listeners=(test._hear,), reserve=reserve
    )
    test.conductor._stamped, test.conductor._keep = test.keeper.emit, test.keeper.keep
    return test


def ends_on_a_full_disk(test: KeptTest) -> None:
    """Stopped five seconds after the disk was full: everything until then is there, closed and sealed."""
    test.run_until(events.RecordingPaused)
    test.tick_for(5.0)
    waited = test.logbook.waiting_bytes
    assert waited > 1000
    test.stop()
    assert test.conductor.closed
    assert test.keeper.full
    test.keeper.finish(0.0)
    assert test.keeper.closed == events.TestClosed(outcome="stopped", reason="by the operator")
    assert test.logbook.waiting_bytes == 0
    assert check_test(test.logbook.path, test.started.test).is_sealed
    for channel in (INDICATOR, ENCODER):
        arrivals = [chunk.arrival_s for chunk in test.logbook.raw(test.started.test, channel)]
        assert arrivals == sorted(arrivals)
        assert arrivals[-1] > test.now_s - 0.1
    test.whole()
    test.logbook.close()
    assert check_file(test.logbook.path).good


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of six megabytes."""
    with small_disk(tmp_path, 6) as where:
        yield where


def fill_up(disk: Path) -> None:
    """Somebody writes until no byte more finds room."""
    file = os.open(disk / "somebody", os.O_WRONLY | os.O_CREAT)
    with pytest.raises(OSError, match="No space left"):
        write_without_end(file)
    os.close(file)


def write_without_end(file: int) -> None:
    """Until it fails; a write for which there is room in part is done in part first."""
    while True:
        os.write(file, bytes(1 << 16))


def test_a_test_that_ends_on_a_full_disk_is_closed_with_the_room_kept_back(disk: Path) -> None:
    """Writes fail with ENOSPC, as they do in earnest."""
    reserve = Reserve(disk / "virtual.logbook", ROOM)
    test = with_reserve(disk, reserve)
    assert reserve.hold()
    test.run_until(events.RockStarted)
    fill_up(disk)
    ends_on_a_full_disk(test)
    assert not reserve.path.exists()
    with pytest.raises(OSError, match="No space left"):
        (disk / "more").write_bytes(bytes(6_000_000))  # whatever else was free before still is not


def test_there_is_no_reserve_where_there_is_no_room_and_nothing_is_left_of_it(disk: Path) -> None:
    reserve = Reserve(disk / "book", 7_000_000)
    assert not reserve.hold()
    assert not reserve.path.exists()
    assert not reserve.release()
    assert Reserve(disk / "book", 5_000_000).hold()


def test_what_comes_before_the_closing_record_is_written_before_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a limit on pages for the full disk, which goes when the reserve does."""
    reserve = Reserve(tmp_path / "virtual.logbook", ROOM)
    test = with_reserve(tmp_path, reserve)
    release = Reserve.release

    def released(self: Reserve) -> bool:
        test.make_room()
        return release(self)

    assert reserve.hold()
    monkeypatch.setattr(Reserve, "release", released)
    test.run_until(events.RockStarted)
    test.fill()
    ends_on_a_full_disk(test)


def test_without_room_even_then_it_says_so(tmp_path: Path) -> None:
    reserve = Reserve(tmp_path / "virtual.logbook", ROOM)
    test = with_reserve(tmp_path, reserve)
    assert reserve.hold()
    test.run_until(events.RockStarted)
    test.fill()
    test.run_until(events.RecordingPaused)
    test.stop()
    with pytest.raises(LogbookFull, match="could not be closed in its record"):
        test.keeper.finish(0.0)
    assert not reserve.path.exists()


@pytest.mark.parametrize("by_hand", [False, True])
def test_the_room_is_really_taken_and_what_a_killed_program_left_is_taken_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, by_hand: bool
) -> None:
    if by_hand:
        monkeypatch.delattr(os, "posix_fallocate", raising=False)
    reserve = Reserve(tmp_path / "book", 300_000)
    reserve.path.write_bytes(b"cut")
    for _ in range(2):
        assert reserve.hold()
        told = reserve.path.stat()
        assert told.st_size == 300_000
        assert os.name == "nt" or told.st_blocks * 512 >= 300_000
    assert reserve.release()
    assert not reserve.path.exists()
    assert not Reserve(tmp_path / "absent" / "book").hold()
