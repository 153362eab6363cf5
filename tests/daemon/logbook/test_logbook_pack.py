from __future__ import annotations

import math
import random
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lashmap_daemon.logbook.pack import PackDamaged, examine, on_test_clock, opened, pack
from lashmap_drivers.readings import Chunk

anything = st.lists(
    st.builds(
        Chunk,
        st.one_of(st.floats(), st.integers(0, 10**13).map(lambda micro: micro / 1e6)),
        st.binary(max_size=60),
        st.one_of(st.just(math.nan), st.floats(0.0, 1.0)),
    ),
    min_size=1,
    max_size=40,
)


def bits(chunks: list[Chunk]) -> list[tuple[bytes, bytes, bytes]]:
    """Floats as bits: a zero's sign counts, and not-a-number equals itself."""
    return [(struct.pack("<d", one.arrival_s), one.data, struct.pack("<d", one.within_s)) for one in chunks]


@given(st.lists(anything, min_size=1, max_size=6))
def test_chunks_come_back_to_the_last_bit(parts: list[list[Chunk]]) -> None:
    packs = [pack(chunks) for chunks in parts]
    together = opened([(one.arrivals, one.data) for one in packs])
    assert bits(list(together.chunks())) == bits([chunk for chunks in parts for chunk in chunks])
    for chunks, packed, (content, *ends) in zip(parts, packs, together.contents(), strict=True):
        assert (
            content == packed.content == pack(list(opened([(packed.arrivals, packed.data)]).chunks())).content
        )
        assert struct.pack("<2d", *ends) == struct.pack("<2d", chunks[0].arrival_s, chunks[-1].arrival_s)
        alone, *_ = examine(packed.arrivals, packed.data)
        assert alone == content


@given(st.floats(0.0, 1e7), st.floats(0.0, 1e6), st.floats(0.0, 0.1))
def test_the_test_clock_is_in_whole_microseconds_and_keeps_the_transaction(
    start_s: float, after_s: float, within_s: float
) -> None:
    chunk = on_test_clock(Chunk(start_s + after_s, b"x", within_s), start_s)
    assert chunk.arrival_s == round(chunk.arrival_s * 1e6) / 1e6
    # Half a microsecond, and what doubles of this size leave in the sum and the difference.
    assert chunk.arrival_s == pytest.approx(after_s, abs=0.5e-6 + 2 * math.ulp(start_s + after_s))
    assert chunk[1:] == (b"x", within_s)


def test_what_a_digest_covers_tells_chunks_apart() -> None:
    """The same bytes cut elsewhere, or arrived at another time, are something else."""
    of = {
        pack(chunks).content
        for chunks in (
            [Chunk(0.0, b"ab"), Chunk(1.0, b"c")],
            [Chunk(0.0, b"a"), Chunk(1.0, b"bc")],
            [Chunk(0.0, b"ab"), Chunk(1.000001, b"c")],
            [Chunk(0.0, b"ab"), Chunk(1.0, b"c", 0.0)],
            [Chunk(0.0, b"abc")],
            [Chunk(0.0, b"ab"), Chunk(1.0, b"c"), Chunk(1.0, b"")],
        )
    }
    assert len(of) == 6


def test_lines_of_an_instrument_take_a_fraction_of_a_float() -> None:
    rng = random.Random(1)  # noqa: S311 - test data
    lines = [b"%+010.4f\r\n" % (0.15 + rng.gauss(0.0, 3e-4)) for _ in range(250)]
    chunks = [
        on_test_clock(
            Chunk(100.0 + 0.004 * at + rng.uniform(0, 2e-4), b"".join(lines[5 * at : 5 * at + 5])), 0.0
        )
        for at in range(50)
    ]
    packed = pack(chunks)
    assert len(packed.arrivals) + len(packed.data) < 0.5 * 8 * 250
    assert list(opened([(packed.arrivals, packed.data)]).chunks()) == chunks


def test_a_damaged_pack_is_refused_or_unchanged_whatever_is_flipped() -> None:
    rng = random.Random(2)  # noqa: S311 - test data
    chunks = [Chunk(0.01 * at, b"%+08.4f\r\n" % rng.random(), 0.001) for at in range(30)]
    packed = pack(chunks)
    refused = 0
    for _ in range(3000):
        blobs = [bytearray(packed.arrivals), bytearray(packed.data)]
        blob = rng.choice(blobs)
        if rng.random() < 0.3:
            del blob[rng.randrange(len(blob)) :]
        else:
            blob[rng.randrange(len(blob))] ^= 1 << rng.randrange(8)
        try:
            back = list(opened([(bytes(blobs[0]), bytes(blobs[1]))]).chunks())
        except PackDamaged:
            refused += 1
        else:
            assert back == chunks or pack(back).content != packed.content
    assert refused > 2500  # deflate carries a sum of its own; the header is what content tells
