"""What a bad cable does, from the wire to the samples: real ports, the shipped parser, a hostile peer.

Each sample carries its own number, so that a value that was never sent, or one in the wrong place, shows.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from drivers.faulty_peer import FaultyPeer
from drivers.port_help import QUICK, joined, take_bytes, take_until_break, wait_back
from lashmap_drivers.decoder import Decoder
from lashmap_drivers.ports.port import Port
from lashmap_drivers.ports.source import PortSettings
from lashmap_drivers.readings import Chunk, Chunks, Floats
from lashmap_drivers.wire.ascii_line import LineProfile
from lashmap_drivers.wire.checksums import Checksum
from numpy.testing import assert_array_equal

PLAIN = LineProfile(kind="ascii line", pattern=r"(?P<value>[+-]\d{3}\.\d{3})")
CHECKED = LineProfile(
    kind="ascii line",
    pattern=r"(?P<value>[+-]\d{3}\.\d{3})\*(?P<checksum>[0-9A-F]{4})",
    checksum=Checksum(method="crc", crc="CRC-16/MODBUS"),
)


def line(number: int) -> bytes:
    return b"%+08.3f\r\n" % (number / 1000.0)


def lines(first: int, last: int) -> bytes:
    return b"".join(line(number) for number in range(first, last))


def crc_16_modbus(data: bytes) -> int:
    """Bit by bit, from the Modbus over serial line specification V1.02, 6.2.2; not the package's tables."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = (register >> 1) ^ (0xA001 if register & 1 else 0)
    return register


def checked_line(number: int) -> bytes:
    # The Modbus specification's own example frame: 02 07 has the CRC 41 12 (low byte first).
    assert crc_16_modbus(b"\x02\x07") == 0x1241
    text = b"%+08.3f*" % (number / 1000.0)
    return text + b"%04X\r\n" % crc_16_modbus(text)


def values(profile: LineProfile, chunks: list[Chunk]) -> Floats:
    decoder = Decoder.for_indicator(profile)
    return np.concatenate([np.empty(0), *(decoder.feed(Chunks.of(chunk)).value for chunk in chunks)])


@pytest.fixture
def peer(tmp_path: Path) -> Iterator[FaultyPeer]:
    with FaultyPeer(tmp_path) as peer:
        yield peer


@pytest.mark.parametrize("offset", range(len(line(0)) * 2 + 1))
def test_frames_split_and_merged_at_every_offset(peer: FaultyPeer, offset: int) -> None:
    sent = lines(0, 12)
    with Port("indicator", peer.name, PortSettings()) as port:
        peer.say(sent[:offset])
        chunks = take_bytes(port, offset)
        peer.say(sent[offset:])
        chunks += take_bytes(port, len(sent) - offset)
    # The first line cannot be told from the tail of one, and is left out.
    assert_array_equal(values(PLAIN, chunks), np.arange(1, 12) / 1000.0)


def test_pieces_of_any_length(peer: FaultyPeer) -> None:
    sent = lines(0, 500)
    with Port("indicator", peer.name, PortSettings()) as port:
        peer.say_split(sent, 23)
        chunks = take_bytes(port, len(sent))
    assert_array_equal(values(PLAIN, chunks), np.arange(1, 500) / 1000.0)


def test_garbage_between_good_lines_costs_its_neighbours_at_most(peer: FaultyPeer) -> None:
    sent = lines(0, 100) + peer.noise(3000) + b"\r\n" + lines(100, 200)
    with Port("indicator", peer.name, PortSettings()) as port:
        peer.say(sent)
        chunks = take_bytes(port, len(sent))
    assert_array_equal(values(PLAIN, chunks), np.arange(1, 200) / 1000.0)


def test_missing_terminators_merge_no_numbers(peer: FaultyPeer) -> None:
    sent = lines(0, 20) + lines(20, 40).replace(b"\r\n", b"") + b"\r\n" + lines(40, 60)
    with Port("indicator", peer.name, PortSettings()) as port:
        peer.say(sent)
        chunks = take_bytes(port, len(sent))
    assert_array_equal(values(PLAIN, chunks), np.array([*range(1, 20), *range(40, 60)]) / 1000.0)


def test_wrong_baud_rate_noise_is_no_reading(peer: FaultyPeer) -> None:
    decoder = Decoder.for_indicator(CHECKED)
    with Port("indicator", peer.name, PortSettings()) as port:
        peer.say(peer.noise(200_000))
        chunks = take_bytes(port, 200_000)
    assert sum(len(decoder.feed(Chunks.of(chunk))) for chunk in chunks) == 0
    assert decoder.parser.bytes_seen == 200_000
    assert decoder.parser.bad_frames > 0
    assert len(decoder.parser.unfinished) < 1000


def test_a_half_dead_cable_loses_readings_and_makes_none_up(peer: FaultyPeer) -> None:
    count = 20_000
    sent = peer.half_dead(b"".join(checked_line(number) for number in range(count)), 0.01)
    with Port("indicator", peer.name, PortSettings()) as port:
        peer.say(sent)
        chunks = take_bytes(port, len(sent))
    found = np.rint(values(CHECKED, chunks) * 1000.0)
    # A line of 15 bytes stays whole with probability 0.99^15 = 0.86.
    assert len(found) == pytest.approx(count * 0.99**15, rel=0.02)
    assert np.all(np.diff(found) > 0)  # each number was sent, in this order; a wrong one would fall out of it
    assert set(found.astype(int)) <= set(range(count))


def test_a_frozen_value_is_still_a_reading_each_time(peer: FaultyPeer) -> None:
    with Port("indicator", peer.name, PortSettings()) as port:
        peer.say(line(7) * 300)
        chunks = take_bytes(port, 300 * len(line(7)))
    assert_array_equal(values(PLAIN, chunks), np.full(299, 0.007))


def test_silence_is_not_a_loss(peer: FaultyPeer) -> None:
    with Port("indicator", peer.name, PortSettings(), backoff=QUICK) as port:
        assert not port.wait(0.3)
        assert port.take() == []
        assert port.lost is None
        peer.say(line(1))
        assert joined(take_bytes(port, 10)) == line(1)


def test_a_flood_arrives_whole(peer: FaultyPeer) -> None:
    sent = lines(-99_999, 99_999)
    with Port("indicator", peer.name, PortSettings()) as port:
        peer.say(sent)
        chunks = take_bytes(port, len(sent), within_s=20.0)
        assert port.dropped_chunks == 0
    assert joined(chunks) == sent


@pytest.mark.parametrize("cut", range(1, len(line(0))))
def test_an_unplug_in_mid_frame_makes_no_number(peer: FaultyPeer, cut: int) -> None:
    # Were the halves joined, "+000.0" and "03.005" could read as a number that was never sent.
    with Port("indicator", peer.name, PortSettings(), backoff=QUICK) as port:
        peer.say(lines(0, 3) + line(3)[:cut])
        chunks = take_bytes(port, 30 + cut)
        peer.unplug()
        chunks += take_until_break(port)
        peer.plug_in()
        wait_back(port, 1)
        peer.say(line(104)[cut:] + lines(105, 108))
        chunks += take_bytes(port, 40 - cut)
    # Half a terminator hides the line behind it, which is the price of never trusting half a line.
    expected = [1, 2, 106, 107] if cut == len(line(0)) - 1 else [1, 2, 105, 106, 107]
    assert_array_equal(values(PLAIN, chunks), np.array(expected) / 1000.0)


def test_times_go_on_after_a_replug_and_the_gap_stays_a_gap(peer: FaultyPeer) -> None:
    decoder = Decoder.for_indicator(PLAIN)
    with Port("indicator", peer.name, PortSettings(), backoff=QUICK) as port:
        peer.say(lines(0, 50))
        chunks = take_bytes(port, 500)
        peer.unplug()
        chunks += take_until_break(port)
        lost_s = chunks[-1].arrival_s
        peer.plug_in()
        wait_back(port, 1)
        back_s = time.monotonic()
        peer.say(lines(50, 52))
        chunks += take_bytes(port, 20)
    times = np.concatenate([decoder.feed(Chunks.of(chunk)).time_s for chunk in chunks])
    assert np.all(np.diff(times) > 0.0)
    assert np.count_nonzero(times <= lost_s) == 49
    assert times[-1] >= back_s


def test_a_record_of_the_chunks_decodes_to_the_same_samples(peer: FaultyPeer) -> None:
    with Port("indicator", peer.name, PortSettings(), backoff=QUICK) as port:
        peer.say_split(lines(0, 300), 40)
        chunks = take_bytes(port, 3000)
        peer.unplug()
        chunks += take_until_break(port)
        peer.plug_in()
        wait_back(port, 1)
        peer.say_split(lines(300, 600), 40)
        chunks += take_bytes(port, 3000)
    live, again = Decoder.for_indicator(PLAIN), Decoder.for_indicator(PLAIN)
    record = [Chunk(float(chunk.arrival_s), bytes(chunk.data)) for chunk in chunks]
    for chunk, kept in zip(chunks, record, strict=True):
        first, second = live.feed(Chunks.of(chunk)), again.feed(Chunks.of(kept))
        assert_array_equal(first.time_s, second.time_s)
        assert_array_equal(first.value, second.value)
