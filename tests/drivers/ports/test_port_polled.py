"""Asking an instrument: when a reading was taken, and what a late or missing reply does."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from drivers.faulty_peer import FaultyPeer
from drivers.port_help import (
    PATIENCE_S,
    QUICK,
    SetClock,
    joined,
    take_bytes,
    take_until_break,
    wait_back,
)
from lashmap_drivers.ports import port as port_module
from lashmap_drivers.ports.port import Port
from lashmap_drivers.ports.source import Poll, PortSettings
from lashmap_drivers.readings import Chunk

POLL = Poll(b"?\r", interval_s=0.01, timeout_s=60.0, complete=lambda reply: reply.endswith(b"\r\n"))

Answer = Callable[[int], list[tuple[float, bytes]]]


@contextmanager
def instrument(peer: FaultyPeer, answer: Answer) -> Iterator[list[tuple[float, float]]]:
    """Answers each request with pieces, each after a delay; yields times: heard, about to send the last."""
    times: list[tuple[float, float]] = []
    stop = threading.Event()

    def serve() -> None:
        number = 0
        while not stop.is_set():
            if not peer.hear(2, within_s=0.05):
                continue
            heard_s = said_s = time.monotonic()
            for delay_s, piece in answer(number):
                stop.wait(delay_s)
                said_s = time.monotonic()
                peer.say(piece)
            times.append((heard_s, said_s))
            number += 1

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield times
    finally:
        stop.set()
        thread.join()


def replies(port: Port, count: int) -> list[Chunk]:
    chunks: list[Chunk] = []
    deadline_s = time.monotonic() + PATIENCE_S
    while sum(not chunk.is_break for chunk in chunks) < count:
        assert time.monotonic() < deadline_s
        port.wait(0.1)
        chunks += port.take()
    return chunks


def test_a_reading_is_stamped_in_the_middle_of_its_transaction(tmp_path: Path) -> None:
    def slowly(number: int) -> list[tuple[float, bytes]]:
        return [(0.01, b"+0.0"), (0.01, b"%02d\r\n" % number)]

    with (
        FaultyPeer(tmp_path) as peer,
        instrument(peer, slowly) as times,
        Port("indicator", peer.name, PortSettings(), poll=POLL) as port,
    ):
        chunks = replies(port, 20)
    assert [chunk.data for chunk in chunks[:20]] == [b"+0.0%02d\r\n" % number for number in range(20)]
    assert port.transaction_s >= 0.02
    assert port.missed_polls == 0
    # The instrument took its value between hearing the request and its last byte: inside what is stated.
    for chunk, (heard_s, said_s) in zip(chunks, times, strict=False):
        assert chunk.arrival_s - chunk.within_s <= heard_s + 1e-9  # rounding of the sum
        assert said_s <= chunk.arrival_s + chunk.within_s + 1e-9
        assert chunk.within_s >= 0.01
    # And what is stated reaches neither into the transaction before nor into the one after, which follow at
    # once: a stamp at either end of its own would. So the order of things is asked, not how quick they were.
    for chunk, (_, said_before_s), (heard_next_s, _) in zip(chunks[1:], times, times[2:], strict=False):
        assert said_before_s <= chunk.arrival_s - chunk.within_s + 1e-9
        assert chunk.arrival_s + chunk.within_s <= heard_next_s + 1e-9


def test_requests_keep_their_pace_and_never_pile_up(tmp_path: Path) -> None:
    poll = Poll(b"?\r", interval_s=0.05, timeout_s=60.0, complete=POLL.complete)
    asked_s: list[float] = []
    with (
        FaultyPeer(tmp_path) as peer,
        instrument(peer, lambda _: [(0.03, b"1\r\n")]),
    ):
        before_s = time.monotonic()
        with Port("indicator", peer.name, PortSettings(), poll=poll) as port:
            deadline_s = before_s + PATIENCE_S
            # From the start of a request, not from its reply 0.03 s later; one that came late is made up for.
            while len(asked_s) < 20 or min(after - one for one, after in pairwise(asked_s)) > 0.07:
                assert time.monotonic() < deadline_s, asked_s
                asked_s += [chunk.arrival_s - chunk.within_s for chunk in replies(port, 1)]
    assert all(one >= before_s + 0.05 * number - 1e-6 for number, one in enumerate(asked_s))


def until(holds: Callable[[], bool]) -> None:
    deadline_s = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < deadline_s
        time.sleep(0.001)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> SetClock:
    """The clock of ports; what is late, and for how long it is waited for, does not depend on the machine."""
    clock = SetClock()
    monkeypatch.setattr(port_module, "time", clock)
    monkeypatch.setattr(port_module, "_LATE_S", 20.0 * SLOW.timeout_s)
    return clock


SLOW = Poll(b"?\r", interval_s=0.01, timeout_s=100.0, complete=POLL.complete)


@pytest.mark.parametrize("time_outs", [1.5, 8.0])  # beyond one time-out, and beyond many
def test_a_missing_reply_is_counted_and_a_late_one_thrown_away(
    tmp_path: Path, clock: SetClock, time_outs: float
) -> None:
    opened: list[Port] = []

    def second_is_late(number: int) -> list[tuple[float, bytes]]:
        if number == 1:
            clock.ahead(1.5 * SLOW.timeout_s)
            until(lambda: bool(opened) and opened[0].missed_polls == 1)
            clock.ahead((time_outs - 1.5) * SLOW.timeout_s)
        return [(0.0, b"reply %d\r\n" % number)]

    with (
        FaultyPeer(tmp_path) as peer,
        instrument(peer, second_is_late),
        Port("indicator", peer.name, PortSettings(), poll=SLOW) as port,
    ):
        opened.append(port)
        until(lambda: port.stale_bytes == 9)
        clock.ahead(21.0 * SLOW.timeout_s)
        chunks = replies(port, 3)
    # Were it taken for the answer to the next request, every value from here on would be one old.
    assert [chunk.data for chunk in chunks[:3]] == [b"reply 0\r\n", b"reply 2\r\n", b"reply 3\r\n"]
    assert port.missed_polls == 1
    assert port.stale_bytes == 9


def test_part_of_a_reply_is_kept_apart_from_the_next(tmp_path: Path, clock: SetClock) -> None:
    read: list[bytes] = []

    def complete(reply: bytes) -> bool:
        read.append(reply)
        return POLL.complete(reply)

    with (
        FaultyPeer(tmp_path) as peer,
        instrument(peer, lambda number: [(0.0, b"+1." if number == 1 else b"2\r\n")]),
        Port("indicator", peer.name, PortSettings(), poll=replace(SLOW, complete=complete)) as port,
    ):
        until(lambda: b"+1." in read)
        clock.ahead(1.5 * SLOW.timeout_s)
        until(lambda: port.missed_polls == 1)
        clock.ahead(21.0 * SLOW.timeout_s)
        chunks = replies(port, 3)
    assert [chunk.data for chunk in chunks[:4]] == [b"2\r\n", b"+1.", b"", b"2\r\n"]


def test_a_polled_port_comes_back_too(tmp_path: Path) -> None:
    with FaultyPeer(tmp_path) as peer:
        with instrument(peer, lambda _: [(0.0, b"1\r\n")]):
            port = Port("indicator", peer.name, PortSettings(), poll=POLL, backoff=QUICK)
            assert joined(take_bytes(port, 6))
        peer.unplug()
        take_until_break(port)
        peer.plug_in()
        with instrument(peer, lambda _: [(0.0, b"2\r\n")]):
            wait_back(port, 1)
            assert b"2\r\n2\r\n" in joined(take_bytes(port, 6))
            port.close()


@pytest.mark.parametrize(
    ("request_bytes", "interval_s", "timeout_s"), [(b"", 1.0, 1.0), (b"?", 0.0, 1.0), (b"?", 1.0, -1.0)]
)
def test_a_poll_that_cannot_work_is_refused(
    request_bytes: bytes, interval_s: float, timeout_s: float
) -> None:
    with pytest.raises(ValueError, match=r"poll needs|must be greater"):
        Poll(request_bytes, interval_s, timeout_s, lambda _: True)
