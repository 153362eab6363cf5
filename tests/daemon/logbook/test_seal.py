# ruff: noqa: S608 - the SQL here is made of these tests' own words
"""Digests, chains and seals. What is expected of each kind of meddling is stated here, by hand."""

from __future__ import annotations

import hashlib
import re
import sqlite3
import struct
from contextlib import closing
from pathlib import Path

import pytest
from daemon.logbooks import CLOSE, closed_test, note, read_back, two_tests
from hypothesis import given
from hypothesis import strategies as st
from lashmap_daemon.logbook.check import check_file, check_test
from lashmap_daemon.logbook.digests import BEGINNING, EventRow, PackRow, digest_of
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_drivers.readings import Chunk

fields = st.lists(
    st.one_of(st.text(max_size=6), st.binary(max_size=6), st.integers(-5, 5), st.floats(-2, 2)), max_size=5
)


def test_a_digest_is_sha256_over_marked_and_measured_fields() -> None:
    by_hand = hashlib.sha256(
        b"s" + struct.pack("<Q", 5) + b"event" + b"b" + struct.pack("<Q", 32) + bytes(32)
        + b"s" + struct.pack("<Q", 1) + b"t" + b"i" + struct.pack("<q", 1) + b"i" + struct.pack("<q", 1)
        + b"f" + struct.pack("<d", 0.5) + b"s" + struct.pack("<Q", 2) + b"u\x00"
        + b"s" + struct.pack("<Q", 1) + b"k" + b"s" + struct.pack("<Q", 3) + "ü{".encode()
    ).digest()  # fmt: skip
    # struct's "c" with "<" has no padding: one byte of kind, then the length.
    row = EventRow(test="t", place=1, number=1, time_s=0.5, utc="u\x00", kind="k", body="ü{")
    assert row.digest(BEGINNING) == by_hand


@given(fields, fields)
def test_different_fields_have_different_digests(
    one: list[str | bytes | int | float], other: list[str]
) -> None:
    same = [(type(a), repr(a)) for a in one] == [(type(a), repr(a)) for a in other]
    assert (digest_of(*one) == digest_of(*other)) is same


@given(
    texts=st.tuples(st.text(max_size=6), st.text(max_size=6)),
    numbers=st.tuples(st.integers(-(2**63), 2**63 - 1), st.integers(-5, 5)),
    times=st.tuples(st.floats(allow_nan=False), st.one_of(st.floats(-2, 2), st.integers(0, 3))),
    digests=st.tuples(
        st.one_of(st.binary(min_size=32, max_size=32), st.just(b"not a digest")),
        st.one_of(st.binary(min_size=32, max_size=32), st.binary(max_size=33)),
    ),
)
def test_a_pack_is_digested_as_its_fields_are(
    texts: tuple[str, str],
    numbers: tuple[int, int],
    times: tuple[float, float],
    digests: tuple[bytes, bytes],
) -> None:
    row = PackRow(
        test=texts[0], channel=texts[1], place=numbers[0], number=numbers[1], first_s=times[0],
        last_s=times[1], content=digests[1],
    )  # fmt: skip
    assert row.digest(digests[0]) == digest_of(
        "raw", digests[0], texts[0], numbers[0], texts[1], numbers[1], float(times[0]), float(times[1]),
        digests[1],
    )  # fmt: skip


def test_a_closed_test_is_sealed_and_a_resumed_one_again(tmp_path: Path) -> None:
    path = tmp_path / "book"
    with Logbook(path, create=True) as book:
        closed_test(book, tmp_path, "t1")
        (first,) = check_test(path, "t1").seals
        assert (first.number, first.rows, first.previous) == (1, check_test(path, "t1").rows, BEGINNING)
        closed_test(book, tmp_path, "t2")
        book.keep("t1", "encoder", [Chunk(250.0, b"resumed")])
        book.append("t1", note("resumed", 250.0))
        check = check_test(path, "t1")
        assert check.seals == (first,)
        assert (check.problems, check.sealed) == ((), None)
        assert "resumed after seal 1" in check.notes[0]
        book.keep("t1", "encoder", [Chunk(101.0, b"more")])
        book.append("t1", CLOSE)
        assert [seal.number for seal in check_test(path, "t1").seals] == [1, 3]
    found = check_file(path)
    assert found.good
    assert [seal.number for seal in found.seals] == [1, 2, 3]
    assert [one.sealed is not None for one in found.tests] == [True, True]


def test_what_is_added_to_a_closed_test_is_sealed_at_once(tmp_path: Path) -> None:
    """A review comes after the closing: it must not make the record look open, nor be changed itself."""
    path = tmp_path / "book"
    with Logbook(path, create=True) as book:
        closed_test(book, tmp_path, "t1")
        (closing,) = check_test(path, "t1").seals
    with Logbook(path, create=False) as book:
        for text in ("a reviewer's remark", "and another"):
            book.append("t1", note(text, 200.0))
        assert book.tests()[0].closing == "completed: all positions done"
    check = check_test(path, "t1")
    assert [seal.when for seal in check.seals] == ["closed", "added", "added"]
    assert check.sealed == closing  # what the report of the test prints
    assert (check.is_sealed, check.problems, check.notes) == (True, (), ())
    base = sqlite3.connect(path)
    base.execute("DELETE FROM seal WHERE number = 3")
    base.commit()
    (problem,) = check_test(path, "t1").problems
    assert problem == "it is closed, but no seal covers its end: the newest seal is gone"
    base.execute("DELETE FROM event WHERE body LIKE '%and another%'")
    base.commit()
    base.close()
    assert check_test(path, "t1").problems == ()  # an end can be cut
    assert check_test(path, "t1").rows == check.rows - 1


def test_two_who_write_in_turn_keep_one_chain(tmp_path: Path) -> None:
    """A reviewer adds to a test while the process that ran it is still there."""
    path = tmp_path / "book"
    with Logbook(path, create=True) as runs, Logbook(path, create=False) as reviews:
        closed_test(runs, tmp_path, "t1")
        for turn in range(3):
            reviews.append("t1", note(f"review {turn}", 200.0))
            runs.append("t2", note(f"running {turn}"))
            runs.append("t1", note(f"remark {turn}", 200.0))
    found = check_file(path)
    assert found.good
    assert [seal.number for seal in found.seals] == list(range(1, 8))
    assert [one.rows for one in found.tests if one.test == "t2"] == [3]


def test_a_test_that_is_not_closed_is_said_to_be_so(tmp_path: Path) -> None:
    path = tmp_path / "book"
    with Logbook(path, create=True) as book:
        book.append("t1", note("alone"))
    check = check_test(path, "t1")
    assert (check.problems, check.seals) == ((), ())
    assert "not sealed" in check.notes[0]


NTH = "(SELECT place FROM raw WHERE test = 't1' AND channel = 'indicator' ORDER BY place LIMIT 1 OFFSET {})"
EVENT_5 = " WHERE test = 't1' AND number = 5"
# What is done to test t1 -> the sentence that has to name it.
MEDDLING = {
    "UPDATE event SET body = replace(body, 'note 3', 'note X') WHERE test = 't1'": (
        r"event 5 \(NoteTaken, at 3\.0 s\): it was changed$"
    ),
    "UPDATE raw SET channel = x'00' WHERE test = 't1' AND place = " + NTH.format(1): (
        r"samples of the indicator are gone .*\(1 pack\)"
    ),
    "UPDATE event SET time_s = 2.5" + EVENT_5: "event 5 .*changed",
    "UPDATE event SET kind = 'X'" + EVENT_5: "event 5 .*changed",
    "UPDATE event SET utc = CAST(x'ff' AS TEXT)" + EVENT_5: "event 5 .*changed",
    "UPDATE event SET digest = x'00'" + EVENT_5: "event 5 .*changed",
    "UPDATE event SET place = 'x'" + EVENT_5: "database is damaged where this test is kept",
    "UPDATE event SET place = 1" + EVENT_5: r"event 5 .* stands at place 1, where .* stands",
    "UPDATE event SET place = 10000 - place WHERE test = 't1' AND number IN (5, 6)": "number 5 comes after",
    "UPDATE event SET body = (SELECT body FROM event WHERE test = 't1' AND number = 6)" + EVENT_5: (
        r"event 5 \(NoteTaken, at 3\.0 s\): it was changed$"
    ),
    "DELETE FROM event" + EVENT_5: r"event 5 is gone, between 2\.00 and 4\.00 s",
    "DELETE FROM event WHERE test = 't1' AND number IN (5, 6)": r"events 5 to 6 are gone",
    "DELETE FROM raw WHERE test = 't1' AND place = " + NTH.format(2): (
        r"samples of the indicator are gone between 1\.\d\d and 3\.\d\d s \(1 pack\)"
    ),
    "UPDATE raw SET data = x'00' WHERE test = 't1' AND place = " + NTH.format(0): (
        r"indicator, 0\.\d\d to 0\.\d\d s: the samples cannot be read"
    ),
    "UPDATE raw SET (arrivals, data) = (SELECT arrivals, data FROM raw WHERE test = 't1' AND place = "
    + NTH.format(1) + ") WHERE test = 't1' AND place = " + NTH.format(0): (
        r"indicator, 0\.\d\d to 0\.\d\d s: the samples were changed"
    ),
    "UPDATE raw SET first_s = first_s - 1 WHERE test = 't1' AND place = " + NTH.format(1): (
        "its times are not those of its samples"
    ),
    "UPDATE raw SET first_s = -6.6e25 WHERE test = 't1' AND place = " + NTH.format(1): (
        "^indicator, a time that cannot be to 1\\.\\d\\d s: its times are not those"
    ),
    "UPDATE raw SET arrivals = NULL, data = NULL WHERE test = 't1'": "and no archive is named for it",
    "DELETE FROM event WHERE test = 't1' AND kind = 'TestClosed'": (
        r"seal 1 covers \d+ rows, \d+ are there: the last 1 row of it are gone"
    ),
    "DELETE FROM event WHERE test = 't1'; DELETE FROM raw WHERE test = 't1'": (
        r"seal 1 covers \d+ rows, 0 are there: the whole test is gone"
    ),
    "UPDATE seal SET head = zeroblob(32) WHERE number = 1": "seal 1: it was changed itself",
    "DELETE FROM seal WHERE number = 1": "it is closed, but no seal covers its end",
    "INSERT INTO event SELECT test, 99, 99, 99.0, utc, 'NoteTaken', body, digest FROM event" + EVENT_5: (
        "events 9 to 98 are gone"
    ),
}  # fmt: skip


@pytest.fixture
def filled(tmp_path: Path) -> Path:
    return two_tests(tmp_path)


@pytest.mark.parametrize("meddling", MEDDLING)
def test_what_was_done_to_a_test_is_named_and_its_neighbour_is_good(filled: Path, meddling: str) -> None:
    base = sqlite3.connect(filled)
    base.executescript(meddling)
    assert base.total_changes > 0
    base.close()
    check = check_test(filled, "t1")
    assert any(re.search(MEDDLING[meddling], problem) for problem in check.problems), check.problems
    assert check_test(filled, "t2").problems == ()
    assert not check_file(filled).good
    assert check_test(filled, "t1", read=read_back(filled, "t1")) == check


def test_a_name_of_the_wrong_kind_does_not_make_good_samples_unreadable(filled: Path) -> None:
    with closing(sqlite3.connect(filled)) as base, base:
        base.execute(
            "UPDATE raw SET channel = CAST(channel AS BLOB) WHERE test = 't1' AND place = " + NTH.format(1)
        )
    found = (
        check_test(filled, "t1"),
        check_test(filled, "t1", read=read_back(filled, "t1")),
    )
    for check in found:
        assert any("it was changed" in problem for problem in check.problems)
        assert not any("cannot be read" in problem for problem in check.problems), check.problems


def test_one_change_is_one_problem(filled: Path) -> None:
    base = sqlite3.connect(filled)
    base.execute("UPDATE event SET body = replace(body, 'note 3', 'note X') WHERE test = 't1'")
    base.commit()
    base.close()
    check = check_test(filled, "t1")
    assert len(check.problems) == 1
    assert check.notes == (
        "Instead of a row that was changed, the one before it may have been, and its digest made anew.",
    )


def test_a_test_rewritten_with_all_its_digests_does_not_fit_its_seal(filled: Path) -> None:
    """Somebody who knows the encoding makes the whole chain anew, but not the seals."""
    base = sqlite3.connect(filled)
    base.execute("UPDATE event SET body = replace(body, 'note 3', 'note X') WHERE test = 't1'")
    rewrite_chain(base, "t1")
    base.commit()
    base.close()
    check = check_test(filled, "t1")
    assert len(check.problems) == 1
    assert "seal 1 does not fit: the test was changed after it was sealed" in check.problems[0]


def test_one_who_remakes_seals_too_is_found_by_the_next_seal_or_by_a_digest_kept_elsewhere(
    filled: Path,
) -> None:
    before = check_file(filled).seals
    base = sqlite3.connect(filled)
    base.execute("UPDATE event SET body = replace(body, 'note 3', 'note X') WHERE test = 't1'")
    head = rewrite_chain(base, "t1")
    remake_seal(base, 1, head)
    base.commit()
    found = check_file(filled)
    assert "seal 2 (test t2) does not follow on seal 1: one was replaced" in found.damage[0]
    remake_seal(base, 2, None)
    base.commit()
    base.close()
    found = check_file(filled)
    assert found.good  # what a chain cannot find, and is documented not to
    assert {seal.digest for seal in found.seals}.isdisjoint(seal.digest for seal in before)


def test_a_test_taken_out_with_its_seal_leaves_a_gap(filled: Path) -> None:
    base = sqlite3.connect(filled)
    for table in ("event", "raw", "seal"):
        base.execute(f"DELETE FROM {table} WHERE test = 't1'")
    base.commit()
    base.close()
    found = check_file(filled)
    assert found.damage == ("seal 1 is gone: closed tests were taken out, or a seal was",)
    assert [one.test for one in found.tests] == ["t2"]


def test_a_file_that_calls_itself_a_part_names_the_seals_it_lacks(filled: Path) -> None:
    """Anybody can write that word into it, so it excuses a gap only by saying where it is."""
    base = sqlite3.connect(filled)
    for table in ("event", "raw", "seal"):
        base.execute(f"DELETE FROM {table} WHERE test = 't1'")
    base.execute("INSERT INTO about VALUES ('part of', 'whole.logbook')")
    base.commit()
    base.close()
    found = check_file(filled)
    assert found.damage == ()
    (said,) = found.notes
    assert said.startswith("This file says that it holds some tests of whole.logbook, ")
    assert said.endswith(": seal 1 not among them.")


def rewrite_chain(base: sqlite3.Connection, test: str) -> bytes:
    """Make every digest of a test anew; returns the last."""
    rows = sorted(
        [(place, "event", tuple(rest)) for place, *rest in base.execute(
            "SELECT place, test, place, number, time_s, utc, kind, body FROM event WHERE test = ?", (test,))]
        + [(place, "raw", tuple(rest)) for place, *rest in base.execute(
            "SELECT place, test, place, channel, number, first_s, last_s, content FROM raw WHERE test = ?",
            (test,))]
    )  # fmt: skip
    digest = bytes(32)
    for place, table, values in rows:
        digest = digest_of(table, digest, *values)
        base.execute(f"UPDATE {table} SET digest = ? WHERE test = ? AND place = ?", (digest, test, place))
    return digest


def remake_seal(base: sqlite3.Connection, number: int, head: bytes | None) -> None:
    """Make a seal that fits what stands there now."""
    test, rows, old_head, utc, made = base.execute(
        "SELECT test, rows, head, utc, made FROM seal WHERE number = ?", (number,)
    ).fetchone()
    (previous,) = base.execute("SELECT digest FROM seal WHERE number = ?", (number - 1,)).fetchone() or (
        bytes(32),
    )
    head = head or old_head
    digest = digest_of("seal", previous, number, test, rows, head, utc, made)
    base.execute(
        "UPDATE seal SET head = ?, previous = ?, digest = ? WHERE number = ?",
        (head, previous, digest, number),
    )
