"""A check that goes by what was read anyway finds what a check finds that reads everything itself.

All kinds of meddling go through both in `test_seal.py`.
"""

from __future__ import annotations

import datetime as dt
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from daemon.logbooks import read_back, two_tests
from lashmap_daemon.logbook import check as seal_walk
from lashmap_daemon.logbook.archive import archive
from lashmap_daemon.logbook.check import check_test
from lashmap_daemon.logbook.digests import Tally
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.pack import examine


@pytest.fixture
def filled(tmp_path: Path) -> Path:
    return two_tests(tmp_path)


def test_packs_that_were_read_and_fit_are_not_read_again(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = check_test(filled, "t1")
    tally, half = read_back(filled, "t1"), Tally()
    with Logbook(filled, create=False) as logbook:
        list(logbook.raw_pieces("t1", "encoder", gaps=True, tally=half))
    examined: list[bytes] = []

    def counted(arrivals: bytes, data: bytes) -> tuple[bytes, float, float]:
        examined.append(data)
        return examine(arrivals, data)

    monkeypatch.setattr(seal_walk, "examine", counted)
    assert check_test(filled, "t1", read=tally) == plain
    assert examined == []
    assert check_test(filled, "t1", read=half) == plain
    assert len(examined) > 4


def test_what_changed_after_it_was_read_is_read_again(filled: Path) -> None:
    tally = read_back(filled, "t1")
    with closing(sqlite3.connect(filled)) as base, base:
        base.execute(
            "UPDATE raw SET content = zeroblob(32) WHERE id = (SELECT max(id) FROM raw WHERE test = 't1')"
        )
    check = check_test(filled, "t1", read=tally)
    assert any("the samples were changed" in problem for problem in check.problems)
    assert check == check_test(filled, "t1")


@pytest.mark.parametrize("how", ["spoil", "begin"])
def test_good_packs_are_no_excuse_for_having_read_something_else(filled: Path, how: str) -> None:
    # As when a pack cannot be read for a moment, or a test is written to and closed while it is read.
    tally = read_back(filled, "t1")
    getattr(tally, how)("encoder")
    check = check_test(filled, "t1", read=tally)
    assert len(check.problems) == 1
    assert "what was read of the encoder is not what stands there now" in check.problems[0]


def test_instruments_that_were_not_read_are_read_by_the_check(filled: Path) -> None:
    tally = Tally()
    with Logbook(filled, create=False) as logbook:
        list(logbook.raw_pieces("t1", "encoder", gaps=True, tally=tally))
    with closing(sqlite3.connect(filled)) as base, base:
        base.execute("UPDATE raw SET data = x'00' WHERE test = 't1' AND channel = 'indicator'")
    check = check_test(filled, "t1", read=tally)
    assert any("indicator" in problem and "cannot be read" in problem for problem in check.problems)
    assert check == check_test(filled, "t1")


def test_half_a_pack_of_an_archived_test_is_none(filled: Path) -> None:
    later = dt.datetime(2027, 12, 1, tzinfo=dt.UTC)
    archive(filled, filled.parent / "old.logbook", older_than=dt.timedelta(days=30), now=later)
    with closing(sqlite3.connect(filled)) as base, base:
        base.execute("UPDATE raw SET data = zeroblob(3) WHERE test = 't1' AND channel = 'encoder'")
    plain = check_test(filled, "t1")
    assert any("encoder" in problem and "cannot be read" in problem for problem in plain.problems)
    assert check_test(filled, "t1", read=read_back(filled, "t1")) == plain


def test_samples_stored_as_text_are_a_gap_and_named(filled: Path) -> None:
    with closing(sqlite3.connect(filled)) as base, base:
        base.execute("UPDATE raw SET data = 'text' WHERE test = 't1' AND channel = 'encoder'")
    plain = check_test(filled, "t1")
    assert any("encoder" in problem for problem in plain.problems)
    assert check_test(filled, "t1", read=read_back(filled, "t1")) == plain


def test_a_pack_that_the_index_hides_from_its_reader_is_missed(filled: Path) -> None:
    """One letter of one entry: the row is whole, and whoever looks for the encoder does not find it."""
    with closing(sqlite3.connect(filled)) as base:
        base.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (page,) = base.execute("SELECT rootpage FROM sqlite_master WHERE name = 'raw_by_place'").fetchone()
    content = bytearray(filled.read_bytes())
    at = content.rindex(b"encoder", (page - 1) * 4096, page * 4096)
    content[at : at + 1] = b"E"
    filled.write_bytes(content)
    problems = [
        problem
        for test in ("t1", "t2")
        for problem in check_test(filled, test, read=read_back(filled, test)).problems
    ]
    assert len(problems) == 1
    assert "what was read of the encoder is not what stands there now" in problems[0]
