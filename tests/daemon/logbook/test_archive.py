"""Old raw samples are moved, never lost: what is checked is what a reviewer sees before and after."""

from __future__ import annotations

import datetime as dt
import json
import shutil
import sqlite3
from pathlib import Path

import pytest
from daemon.command import lashmap
from daemon.logbooks import CLOSE, closed_test, note, two_tests
from daemon.virtual_time import VirtualTest, load_box
from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook import archive as logbook_archive
from lashmap_daemon.logbook.archive import Outcome, archive
from lashmap_daemon.logbook.check import check_file, check_test
from lashmap_daemon.logbook.guard import LogbookBusy, only_writer
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_drivers.readings import Chunk

CLOSED = dt.datetime(2026, 11, 25, 9, 0, tzinfo=dt.UTC)  # as the made-up tests are
MONTH = dt.timedelta(days=30)


def archived(path: Path, to: Path, *, days_later: float = 31.0) -> Outcome:
    return archive(path, to, older_than=MONTH, now=CLOSED + dt.timedelta(days=days_later))


def samples(path: Path, test: str) -> list[Chunk]:
    with Logbook(path, create=False) as book:
        return [*book.raw(test, "indicator"), *book.raw(test, "encoder")]


def test_large_packs_come_in_pieces_as_small_from_an_archive(tmp_path: Path) -> None:
    """What was imported has packs of a megabyte: a hundred of them at once are no piece."""

    def sizes() -> list[int]:
        with Logbook(path, create=False) as book:
            return [len(piece.data) for piece in book.raw_pieces("t1", "imported file")]

    path = tmp_path / "book"
    with Logbook(path, create=True) as book:
        for _ in range(5):
            book.keep("t1", "imported file", [Chunk(0.0, b"x" * (1 << 20))])
        closed_test(book, tmp_path, "t1")
    assert sizes() == [1 << 20] * 5
    assert [one.packs for one in archived(path, tmp_path / "old.archive").tests] == [17]
    assert sizes() == [1 << 20] * 5


def test_samples_are_read_from_the_archive_and_everything_still_fits(tmp_path: Path) -> None:
    path, to = two_tests(tmp_path), tmp_path / "old.archive"
    before = {test: samples(path, test) for test in ("t1", "t2")}
    seals = [seal.digest for seal in check_file(path).seals]
    outcome = archived(path, to)
    assert [(one.test, one.packs > 0, one.stays) for one in outcome.tests] == [
        ("t1", True, ""),
        ("t2", True, ""),
    ]
    assert outcome.not_smaller == ""
    base = sqlite3.connect(path)
    assert base.execute(
        "SELECT count(*) FROM raw WHERE arrivals IS NOT NULL OR data IS NOT NULL"
    ).fetchone() == (0,)
    base.close()
    assert {test: samples(path, test) for test in ("t1", "t2")} == before
    found = check_file(path)
    assert found.good
    assert [seal.digest for seal in found.seals] == seals
    assert "in the archive" in found.tests[0].notes[0]
    # The archive is a logbook of its own.
    assert {test: samples(to, test) for test in ("t1", "t2")} == before
    assert check_file(to).good
    with Logbook(path, create=False) as book:
        assert [one.closing for one in book.tests()] == ["completed: all positions done"] * 2


def test_only_old_closed_sound_tests_go(tmp_path: Path) -> None:
    path, to = two_tests(tmp_path), tmp_path / "old.archive"
    assert archived(path, to, days_later=29.0).tests == ()
    assert not to.exists()
    with Logbook(path, create=False) as book:
        closed_test(book, tmp_path, "t3")
        book.keep("t3", "encoder", [Chunk(300.0, b"resumed")])
        book.append("t3", note("resumed", 300.0))
        book.append("t4", note("never closed"))
    base = sqlite3.connect(path)
    base.execute("UPDATE event SET body = replace(body, 'note 3', 'note X') WHERE test = 't1'")
    base.commit()
    base.close()
    stays = {one.test: one.stays for one in archived(path, to).tests}
    assert list(stays) == ["t1", "t2", "t3"]
    assert "does not fit its digests (event 5" in stays["t1"]
    assert (stays["t2"], stays["t3"]) == ("", "it was resumed and is not closed")


def test_an_archive_that_is_away_is_named_and_found_beside_the_logbook(tmp_path: Path) -> None:
    path, to = two_tests(tmp_path), tmp_path / "shelf" / "old.archive"
    to.parent.mkdir()
    archived(path, to)
    before = samples(path, "t1")
    away = Path(shutil.move(to, tmp_path / "elsewhere"))
    with pytest.raises(
        LogbookError, match=rf"in the archive {to} since 2026-12-26.* It is not there; bring it back"
    ):
        samples(path, "t1")
    found = check_file(path)
    assert found.good
    assert found.tests[0].samples_away
    assert "they were not checked" in found.tests[0].notes[0]
    done = lashmap("verify", "--logbook", path)
    assert done.returncode == 4  # whoever goes by the status alone must not take them for checked
    assert "test t1: good, its raw samples NOT CHECKED, 20 rows" in done.stdout
    assert "NOT CHECKED: the raw samples of 2, in an archive" in " ".join(done.stdout.split())
    shutil.move(away, tmp_path / "old.archive")
    assert lashmap("verify", "--logbook", path).returncode == 0
    assert samples(path, "t1") == before
    assert not check_file(path).tests[0].samples_away


def test_an_archive_that_was_changed_is_found_out(tmp_path: Path) -> None:
    path, to = two_tests(tmp_path), tmp_path / "old.archive"
    archived(path, to)
    base = sqlite3.connect(to)
    one, other = base.execute(
        "SELECT id FROM raw WHERE test = 't1' AND channel = 'encoder' LIMIT 2"
    ).fetchall()
    base.execute(
        "UPDATE raw SET (arrivals, data) = (SELECT arrivals, data FROM raw WHERE id = ?) WHERE id = ?",
        (*one, *other),
    )
    base.execute("DELETE FROM raw WHERE test = 't2' AND place = 3")
    base.commit()
    base.close()
    assert any("encoder" in one and "were changed" in one for one in check_test(path, "t1").problems)
    assert any("does not hold it" in one for one in check_test(path, "t2").problems)


def test_what_was_interrupted_is_finished_by_doing_it_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, to = two_tests(tmp_path), tmp_path / "old.archive"
    before = samples(path, "t1")

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(logbook_archive, "_copy", killed)
        with pytest.raises(KeyboardInterrupt):
            archived(path, to)
    assert samples(path, "t1") == before
    copy = logbook_archive._copy

    def copied_then_killed(base: sqlite3.Connection, logbook: Path, archive_: Path, test: str) -> None:
        copy(base, logbook, archive_, test)
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(logbook_archive, "_copy", copied_then_killed)
        with pytest.raises(KeyboardInterrupt):  # copied, not yet removed
            archived(path, to)
    assert check_file(path).good
    assert check_file(path).tests[0].notes == ()
    assert [one.stays for one in archived(path, to).tests] == ["", ""]
    assert samples(path, "t1") == before


def test_nothing_is_removed_when_it_did_not_arrive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, to = two_tests(tmp_path), tmp_path / "old.archive"
    before = samples(path, "t1")
    copy = logbook_archive._copy

    def spoilt(base: sqlite3.Connection, logbook: Path, archive_: Path, test: str) -> None:
        copy(base, logbook, archive_, test)
        other = sqlite3.connect(archive_)
        other.execute("DELETE FROM raw WHERE place = 2")
        other.commit()
        other.close()

    monkeypatch.setattr(logbook_archive, "_copy", spoilt)
    with pytest.raises(LogbookError, match=r"test t1 did not arrive whole .* still in the logbook"):
        archived(path, to)
    to.unlink()
    assert samples(path, "t1") == before


def test_a_test_that_was_archived_and_resumed_can_be_archived_again(tmp_path: Path) -> None:
    path, to = two_tests(tmp_path), tmp_path / "old.archive"
    archived(path, to)
    before = samples(path, "t1")
    with Logbook(path, create=False) as book:
        book.keep("t1", "encoder", [Chunk(300.0, b"more", 0.01)])
        book.append("t1", CLOSE)
    assert [one.test for one in archived(path, to).tests] == ["t1"]
    assert samples(path, "t1") == [*before, Chunk(300.0, b"more", 0.01)]
    assert check_file(path).good
    assert check_file(to).good


def test_a_resumed_test_goes_on_in_the_archive_it_began_in_and_keeps_nobody_waiting(tmp_path: Path) -> None:
    """In another archive, or while the first is away, it could not be checked whole."""
    path, first, second = two_tests(tmp_path), tmp_path / "first.archive", tmp_path / "second.archive"
    archived(path, first)
    with Logbook(path, create=False) as book:
        book.keep("t1", "encoder", [Chunk(300.0, b"more", 0.01)])
        book.append("t1", CLOSE)
        closed_test(book, tmp_path, "t3")
    for away in (False, True):
        if away:
            first.rename(tmp_path / "elsewhere")
        stays = {one.test: one.stays for one in archived(path, second).tests}
        assert f"a part of its samples is in {first}; name that archive" in stays["t1"]
        assert away or stays["t3"] == ""
    (tmp_path / "elsewhere").rename(first)
    assert [(one.test, one.stays) for one in archived(path, first).tests] == [("t1", "")]
    assert check_file(path).good


def test_the_state_of_an_archive_that_cannot_be_reached_is_not_called_damage(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, to = two_tests(tmp_path), tmp_path / "old.archive"
    archived(path, to)
    monkeypatch.setattr("lashmap_daemon.logbook.pack.connect", out_of_reach)
    with pytest.raises(LogbookError, match=rf"{to}: unable to open .*"):
        check_test(path, "t1")
    monkeypatch.undo()
    to.write_bytes(b"something else" * 100)
    (problem, *_) = check_test(path, "t1").problems
    assert f"the archive {to} cannot be read (file is not a database)" in problem


def out_of_reach(_: Path, **__: bool) -> sqlite3.Connection:
    return sqlite3.connect("file:/absent/absent?mode=ro", uri=True)


def test_wrong_files_are_refused(tmp_path: Path) -> None:
    path, to = two_tests(tmp_path), tmp_path / "old.archive"
    with pytest.raises(LogbookError, match="is the logbook itself"):
        archived(path, path)
    with pytest.raises(LogbookError, match="no such folder"):
        archived(path, tmp_path / "absent" / "x")
    with only_writer(path), pytest.raises(LogbookBusy):
        archived(path, to)
    (tmp_path / "other").mkdir()
    other = two_tests(tmp_path / "other")
    with pytest.raises(LogbookError, match="is a logbook of its own, not an archive of"):
        archived(path, other)
    with Logbook(other, create=False) as book:
        closed_test(book, tmp_path, "t3")
    base = sqlite3.connect(other)
    base.execute(
        "DELETE FROM seal WHERE number = 1"
    )  # so that the two differ: seals of equal content are equal
    base.commit()
    base.close()
    archived(other, to)
    with pytest.raises(LogbookError, match=r"is an archive of .*other.*, not an archive of"):
        archived(path, to)


def test_review_from_an_archive_is_the_same_and_says_where_the_samples_are(tmp_path: Path) -> None:
    box = load_box(positions=4, gear_turns=1, confirming_positions=1)
    test = VirtualTest(tmp_path, box)
    test.run()
    path = test.logbook.path
    test.logbook.close()
    before = lashmap("review", "--logbook", path, "--json")
    done = lashmap("archive", tmp_path / "old.archive", "--older-than", "0", "--logbook", path)
    assert done.returncode == 0, done.stderr
    assert "packs of raw samples moved and checked" in done.stdout
    assert "1 of 1 old tests archived" in done.stdout
    after = lashmap("review", "--logbook", path, "--json")
    assert json.loads(after.stdout) == json.loads(before.stdout)
    shown = lashmap("review", "--logbook", path)
    assert f"are in the archive {tmp_path / 'old.archive'} since" in shown.stdout
    again = lashmap("archive", tmp_path / "old.archive", "--older-than", "0", "--logbook", path)
    assert again.returncode == 0
    assert "No test with raw samples" in again.stdout
