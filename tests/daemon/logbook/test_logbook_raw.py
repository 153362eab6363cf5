"""Reading raw packs back: many at once, and one by one around a damaged one."""

from __future__ import annotations

import math
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook.digests import Tally
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_drivers.readings import Chunk

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
