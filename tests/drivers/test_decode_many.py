"""However the chunks of a stream are grouped, its samples are the same to the last bit.

The reference is one chunk at a time, which has tests of its own against linear programming (clock) and
`float` (numbers).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lashmap_drivers.decoder import Decoder
from lashmap_drivers.profile import InstrumentProfile
from lashmap_drivers.readings import Chunk, Chunks, Floats, Samples
from lashmap_drivers.wire.ascii_line import LinePolling, LineProfile
from lashmap_drivers.wire.counter_board import CounterBoardProfile
from numpy.typing import NDArray

LINES = LineProfile(kind="ascii line", pattern=r"(?P<value>[+-]\d+\.\d{4})")
WORDS = LineProfile(kind="ascii line", pattern=r"(?P<value>[+-]?\d*\.\d+) in", terminator="\r", unit="in")
SCALED = LineProfile(kind="ascii line", pattern=r"(?P<value>[+-]\d{4,8})", scale=1e-4)
COUNTS = CounterBoardProfile(kind="counter board", pattern=r"(?P<count>[+-]?\d+)", direction=-1)
WRAPPED = CounterBoardProfile(kind="counter board", pattern=r"(?P<count>\d+)", wraps_at=4096)
ANGLE = LineProfile(kind="ascii line", pattern=r"(?P<value>[+-]?\d+\.\d{3})", unit="deg")
TURNS = ANGLE.model_copy(update={"wraps_at_deg": 360.0})
ASKED = LineProfile(
    kind="ascii line",
    pattern=r"(?P<value>[+-]\d+\.\d{4})",
    sends="when asked",
    polling=LinePolling(request="R\r", interval_s=0.1),
)


def decoder_of(profile: InstrumentProfile) -> Decoder:
    if profile.quantity == "length":
        return Decoder.for_indicator(profile, sense=-1)
    return Decoder.for_encoder(profile, counts_per_turn=14400)


def line(profile: InstrumentProfile, number: int) -> bytes:
    match profile:
        case _ if profile is WORDS:
            return b"%.5f in\r" % (number * 1e-5)
        case _ if profile is SCALED or profile is COUNTS:
            return b"%+05d\r\n" % number
        case _ if profile is WRAPPED:
            return b"%d\r\n" % (number % 4096)
        case _ if profile.unit == "deg":
            return b"%.3f\r\n" % (number * 0.1 % (profile.wraps_at_deg or 1e9))
    return b"%+09.4f\r\n" % (number * 1e-4)


def stream(profile: InstrumentProfile, seed: int, faults: int) -> list[Chunk]:
    """Reads of uneven length, late at random, with pauses, breaks, bad lines and lines cut in two."""
    rng = np.random.default_rng(seed)
    data = bytearray()
    ends = []
    number = int(rng.integers(-3000, 3000)) if profile is not WRAPPED else 0
    for _ in range(1200):
        number += int(rng.integers(-40, 40))
        data += line(profile, number)
        ends.append(len(data))
    for at in rng.integers(0, len(data), faults).tolist():
        data[at] = int(rng.integers(0, 256))
    chunks, place, at_s = [], 0, 0.0
    while place < len(data):
        size = int(rng.integers(1, 90))
        at_s += size * 1e-4 * (1.0 + 0.3 * rng.random()) + (0.4 if rng.random() < 0.004 else 0.0)
        chunks.append(Chunk(round(at_s * 1e6) / 1e6, bytes(data[place : place + size]), 0.002))
        place += size
        if rng.random() < 0.003:
            chunks.append(Chunk(at_s, b""))
    return chunks


def decoded(decoder: Decoder, chunks: Sequence[Chunk], group: int) -> Samples:
    return Samples.joined(
        [decoder.feed(Chunks.of(*chunks[at : at + group])) for at in range(0, len(chunks), group)]
    )


@settings(max_examples=60, deadline=None)
@given(
    profile=st.sampled_from([LINES, WORDS, SCALED, COUNTS, WRAPPED, ASKED, ANGLE, TURNS]),
    seed=st.integers(0, 2**32 - 1),
    faults=st.sampled_from([0, 0, 1, 5, 200]),
    group=st.sampled_from([3, 7, 64, 400, 100_000]),
)
def test_many_chunks_at_once_are_as_one_by_one(
    profile: InstrumentProfile, seed: int, faults: int, group: int
) -> None:
    chunks = stream(profile, seed, faults)
    slow, quick = decoder_of(profile), decoder_of(profile)
    expected = decoded(slow, chunks, 1)
    found = decoded(quick, chunks, group)
    for name in ("time_s", "value", "time_uncertainty_s"):
        assert getattr(found, name).tobytes() == getattr(expected, name).tobytes(), name
    for name in ("good_frames", "bad_frames", "bytes_seen", "last_bad", "marks", "unfinished"):
        assert getattr(quick.parser, name) == getattr(slow.parser, name), name
    # And the decoder goes on as the other does.
    more = Chunk(chunks[-1].arrival_s + 0.01, line(profile, 7) * 3, 0.002)
    assert np.array_equal(quick.feed(Chunks.of(more)).time_s, slow.feed(Chunks.of(more)).time_s)


def arrivals(kind: str, count: int) -> NDArray[np.float64]:
    """When reads of four lines at 1 kHz return, in seconds."""
    rng = np.random.default_rng(5)
    due = np.arange(1, count + 1) * 4e-3
    match kind:
        case "a timer of 16 ms":
            due = np.ceil(due / 0.016) * 0.016 + np.arange(count) % 4 * 1e-6
        case "a pace that drifts":
            due = due * (1.0 + 2e-4 * np.sin(due / 20.0)) + rng.random(count) * 1e-3
        case "held up now and then":
            due = due + rng.exponential(2e-4, count) + (rng.random(count) < 0.01) * rng.random(count) * 0.2
        case "samples lost now and then":
            due = due + np.cumsum((rng.random(count) < 0.001) * rng.random(count) * 0.5)
        case "late for seconds":
            due = due + np.where((due // 3.0) % 2.0 > 0.0, 0.02, 0.0) + rng.random(count) * 5e-4
    return np.asarray(np.round(np.maximum.accumulate(due), 6), dtype=np.float64)


@pytest.mark.parametrize(
    "kind",
    [
        "regular",
        "a timer of 16 ms",
        "a pace that drifts",
        "held up now and then",
        "samples lost now and then",
        "late for seconds",
    ],
)
def test_the_clock_takes_the_same_steps_however_the_reads_come(kind: str) -> None:
    reads = 9000  # the window of the clock is full after 2000 of them
    chunks = [Chunk(float(at_s), b"+000.1234\r\n" * 4) for at_s in arrivals(kind, reads)]
    slow, quick = decoder_of(LINES), decoder_of(LINES)
    expected = decoded(slow, chunks, 1)
    found = decoded(quick, chunks, 700)
    for name in ("time_s", "time_uncertainty_s"):
        assert getattr(found, name).tobytes() == getattr(expected, name).tobytes(), name


def test_plain_lines_are_read_many_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    # The slow way must not be taken silently: only around the start of the stream and the bad line.
    chunks = [Chunk(0.004 * at, b"+000.1234\r\n" * 4) for at in range(1, 5001)]
    chunks[3000] = Chunk(0.004 * 3001, b"+000.1?34\r\n" * 4)
    decoder = decoder_of(LINES)
    fed: list[bytes] = []
    feed = decoder.parser.feed

    def counted(data: bytes) -> Sequence[float] | Floats:
        fed.append(data)
        return feed(data)

    monkeypatch.setattr(decoder.parser, "feed", counted)
    found = decoder.feed(Chunks.of(*chunks))
    assert 2 <= len(fed) <= 40
    assert len(found) == 20_000 - 1 - 4  # the line before the first terminator may be a half one


def test_columns_are_the_chunks_again() -> None:
    chunks = [Chunk(1.0, b"ab", 0.5), Chunk(2.0, b""), Chunk(3.0, b"c", 0.25)]
    many = Chunks.of(*chunks)
    assert [(chunk.arrival_s, chunk.data) for chunk in many] == [(1.0, b"ab"), (2.0, b""), (3.0, b"c")]
    assert list(Chunks.joined([many.part(0, 2), many.part(2, 3)]))[2] == chunks[2]
    assert len(Samples.joined([])) == 0
