"""Asking an instrument: when a reading was taken, and what a late or missing reply does."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path

import pytest
from drivers.faulty_peer import FaultyPeer
from drivers.port_help import QUICK, joined, take_bytes, take_until_break, wait_back
from lashmap_drivers.polling import Poll
from lashmap_drivers.port import Port
from lashmap_drivers.profile import PortSettings
from lashmap_drivers.readings import Chunk

POLL = Poll(b"?\r", interval_s=0.01, timeout_s=0.2, complete=lambda reply: reply.endswith(b"\r\n"))

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
    deadline_s = time.monotonic() + 10.0
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
        chunks = replies(port, 10)
    assert [chunk.data for chunk in chunks[:10]] == [b"+0.0%02d\r\n" % number for number in range(10)]
    apart = [
        chunk.arrival_s - (heard + said) / 2.0 for chunk, (heard, said) in zip(chunks, times, strict=False)
    ]
    # What separates the two is how long each side took to wake up, half of it; a busy machine takes its time.
    assert sorted(map(abs, apart))[5] < 0.002
    assert port.transaction_s >= 0.02
    # The instrument took its value between hearing the request and its last byte: inside what is stated.
    for chunk, (heard_s, said_s) in zip(chunks, times, strict=False):
        assert chunk.arrival_s - chunk.within_s <= heard_s + 1e-9  # rounding of the sum
        assert said_s <= chunk.arrival_s + chunk.within_s + 1e-9
        assert chunk.within_s >= 0.01
    assert port.missed_polls == 0


def test_requests_keep_their_pace_and_never_pile_up(tmp_path: Path) -> None:
    poll = Poll(b"?\r", interval_s=0.02, timeout_s=1.0, complete=POLL.complete)
    with (
        FaultyPeer(tmp_path) as peer,
        instrument(peer, lambda _: [(0.0, b"1\r\n")]),
        Port("indicator", peer.name, PortSettings(), poll=poll) as port,
    ):
        chunks = replies(port, 20)
    waits = [after.arrival_s - before.arrival_s for before, after in pairwise(chunks)]
    # A wait can be late on a busy machine, the pace as a whole is not: the next request makes up for it.
    assert sum(waits) / len(waits) == pytest.approx(0.02, rel=0.1)


@pytest.mark.parametrize("late_s", [0.075, 0.4])  # beyond one time-out, and beyond many
def test_a_missing_reply_is_counted_and_a_late_one_thrown_away(tmp_path: Path, late_s: float) -> None:
    poll = Poll(b"?\r", interval_s=0.01, timeout_s=0.05, complete=POLL.complete)

    def second_is_late(number: int) -> list[tuple[float, bytes]]:
        return [(late_s if number == 1 else 0.0, b"reply %d\r\n" % number)]

    with (
        FaultyPeer(tmp_path) as peer,
        instrument(peer, second_is_late),
        Port("indicator", peer.name, PortSettings(), poll=poll) as port,
    ):
        chunks = replies(port, 3)
    # Were it taken for the answer to the next request, every value from here on would be one old.
    assert [chunk.data for chunk in chunks[:3]] == [b"reply 0\r\n", b"reply 2\r\n", b"reply 3\r\n"]
    assert port.missed_polls == 1
    assert port.stale_bytes == 9


def test_part_of_a_reply_is_kept_apart_from_the_next(tmp_path: Path) -> None:
    poll = Poll(b"?\r", interval_s=0.01, timeout_s=0.03, complete=POLL.complete)
    with (
        FaultyPeer(tmp_path) as peer,
        instrument(peer, lambda number: [(0.0, b"+1." if number == 1 else b"2\r\n")]),
        Port("indicator", peer.name, PortSettings(), poll=poll) as port,
    ):
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
