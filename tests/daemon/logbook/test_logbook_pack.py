"""Reading raw packs back: many at once, and one by one around a damaged one."""

from __future__ import annotations

import math
import random
import sqlite3
import struct
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook.digests import Tally
from lashmap_daemon.logbook.logbook import Logbook
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


PACKS = 250  # more than are opened at once


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A logbook with a pack a second, of four chunks each."""
    path = tmp_path / "x.logbook"
    with Logbook(path, create=True) as book:
        for number in range(PACKS):
            book.keep("t", "indicator", chunks_of(number))
    return path


def chunks_of(number: int) -> list[Chunk]:
    return [Chunk(number + 0.25 * part, b"%+08.4f\r\n" % (number + part)) for part in range(4)]


def damage(path: Path, number: int, what: str) -> None:
    with closing(sqlite3.connect(path)) as base, base:
        changed = base.execute(f"UPDATE raw SET {what} WHERE number = ?", (number + 1,))  # noqa: S608 - ours
        assert changed.rowcount == 1


def read(path: Path, *, gaps: bool) -> list[Chunk]:
    with Logbook(path, create=False) as book:
        return [chunk for piece in book.raw_pieces("t", "indicator", gaps=gaps) for chunk in piece]


def test_packs_come_back_in_order_however_many_are_opened_at_once(path: Path) -> None:
    with Logbook(path, create=False) as book:
        assert book.end_s("t") == chunks_of(PACKS - 1)[-1].arrival_s
        assert 1 < len(list(book.raw_pieces("t", "indicator"))) < 10
    assert read(path, gaps=False) == [chunk for number in range(PACKS) for chunk in chunks_of(number)]


@pytest.mark.parametrize("what", ["data = x'00'", "arrivals = x'00'", "arrivals = NULL", "data = 7"])
def test_a_damaged_pack_is_one_break_and_spoils_no_neighbour(path: Path, what: str) -> None:
    damage(path, 130, what)
    expected = [chunk for number in range(PACKS) for chunk in chunks_of(number)]
    expected[4 * 130 : 4 * 131] = [Chunk(130.0, b"", math.nan)]
    assert [(one.arrival_s, one.data) for one in read(path, gaps=True)] == [
        (one.arrival_s, one.data) for one in expected
    ]
    with Logbook(path, create=False) as book:
        tally = Tally()
        list(book.raw_pieces("t", "indicator", gaps=True, tally=tally))
        with closing(sqlite3.connect(path)) as base:
            assert tally.fit(base, "t").other == {"indicator"}


def test_without_gaps_everything_before_the_damage_is_given_and_the_error_says_where(path: Path) -> None:
    damage(path, 130, "data = x'00'")
    got = []
    with Logbook(path, create=False) as book, pytest.raises(LogbookError) as raised:  # noqa: PT012 - an iterator
        for piece in book.raw_pieces("t", "indicator"):
            got += list(piece)
    assert got == [chunk for number in range(130) for chunk in chunks_of(number)]
    assert "indicator, 130.00 to 130.75 s cannot be read" in str(raised.value)
    assert "lashmap verify" in str(raised.value)


def test_random_digits_at_two_kilohertz_stay_under_the_bar(tmp_path: Path) -> None:
    """Seven random digits, a sign and a line end in each line; reads of a millisecond, the most there are."""
    rng = random.Random(3)  # noqa: S311 - test data
    path = tmp_path / "book"
    seconds = 60
    with Logbook(path, create=True) as book:
        for turn in range(seconds * 50):
            for name in ("indicator", "encoder"):
                reads = [
                    Chunk(
                        7.0 + 0.02 * turn + 0.001 * at + rng.uniform(0.0, 5e-4),
                        b"%+09.4f\r\n" % rng.uniform(-999.0, 999.0),
                    )
                    for at in range(20)
                ]
                book.keep("t", name, [on_test_clock(chunk, 7.0) for chunk in reads])
    assert path.stat().st_size <= 1.3 * 8 * 2 * 1000 * seconds
