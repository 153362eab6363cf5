"""What is slow delays only itself, is named with counts, and its failure is heard."""

from __future__ import annotations

import errno
import threading

import pytest
from lashmap_daemon.errors import StandError
from lashmap_daemon.testing import relay
from lashmap_daemon.testing.relay import Relay


class Stuck:
    """Takes items only when it is let."""

    def __init__(self) -> None:
        self.taken: list[int] = []
        self.let = threading.Event()

    def __call__(self, item: int) -> None:
        assert self.let.wait(600.0)
        self.taken.append(item)


def test_who_hands_over_never_waits_and_what_does_not_fit_is_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(relay, "BEHIND_S", 0.0)
    stuck = Stuck()
    lines = Relay("the screen", stuck, most=10)
    for item in range(100):
        lines(item)
    assert stuck.taken == []  # it is stuck still, and yet we are here
    assert lines.behind_s > 0.0
    stuck.let.set()
    assert lines.close(60.0)
    assert stuck.taken[-10:] == list(range(90, 100))
    assert lines.dropped == 100 - len(stuck.taken)
    assert f"{lines.dropped} lines were left out" in lines.lag
    assert lines.lag.startswith("the screen was up to")


def test_only_the_newest_picture_is_drawn_and_none_counts_as_dropped() -> None:
    stuck = Stuck()
    pictures = Relay("the screen", stuck, replace=True)
    for item in range(50):
        pictures(item)
    stuck.let.set()
    assert pictures.close(60.0)
    assert stuck.taken[-1] == 49
    assert len(stuck.taken) <= 2
    assert pictures.dropped == 0


def test_one_that_stays_stuck_is_left_behind() -> None:
    stuck = Stuck()
    lines = Relay("the screen", stuck)
    lines(1)
    assert not lines.close(0.05)
    stuck.let.set()


def test_a_failure_is_kept_for_the_owner() -> None:
    def fail(_: int) -> None:
        raise BrokenPipeError

    lines = Relay("the screen", fail)
    lines(1)
    assert lines.close(60.0)
    assert isinstance(lines.failure, BrokenPipeError)
    lines(2)  # nothing more is taken, and nobody waits


def test_a_full_disk_is_tried_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(relay, "_AGAIN_S", 0.001)
    taken: list[int] = []
    tries = 0
    done = threading.Event()

    def write(item: int) -> None:
        nonlocal tries
        tries += 1
        if tries < 4:
            raise StandError("the prompts file cannot be written") from OSError(errno.ENOSPC, "full")
        taken.append(item)
        done.set()

    lines = Relay("the prompts file", write)
    lines(7)
    assert done.wait(60.0)
    assert lines.close(60.0)
    assert (taken, tries, lines.failure) == ([7], 4, None)
