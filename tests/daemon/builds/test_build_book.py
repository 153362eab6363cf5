"""Builds in a logbook: what was entered comes back, is digested like a test, and damage is found."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import sqlite3
from pathlib import Path

import pytest
from daemon.logbooks import closed_test
from lashmap_daemon.builds import events
from lashmap_daemon.builds.book import BuildBook, given_by, newest_open, read
from lashmap_daemon.builds.listing import listed
from lashmap_daemon.errors import ConfigurationError, LogbookError
from lashmap_daemon.logbook.archive import archive
from lashmap_daemon.logbook.check import check_file, check_test
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.photograph import photo
from lashmap_daemon.logbook.rescue import rescue

from daemon import made_build as made

NOTE = events.NoteWritten(by=made.BY, local=made.LOCAL, text="seat re-ground")
CLOSED = events.BuildClosed(by=made.BY, local=made.LOCAL, remark="")
ONE_OF_EACH: tuple[events.Event, ...] = (
    events.JobRecorded(
        by=made.BY, local=made.LOCAL, work_order="W-1", customer_reference="", drawing="D", revision="B",
        pinion_part="", pinion_serial="p", gear_part="", gear_serial="g", temperature_c=21.5,
    ),
    *made.COMPLETE,
    made.not_measurable("gear"),
    made.decided("t1"),
    NOTE,
    CLOSED,
)  # fmt: skip


def test_every_kind_of_event_comes_back_as_it_was(tmp_path: Path) -> None:
    book = made.begun(tmp_path / "book")
    (tmp_path / "a.png").write_bytes(made.png())
    book.append(events.BoxRead(by=made.BY, local=made.LOCAL, given=given_by(made.box_file())))
    book.keep_photo(tmp_path / "a.png", made.BY)
    made.entered(book, ONE_OF_EACH)
    before = book.build
    book.logbook.close()
    with Logbook(tmp_path / "book", create=False) as logbook:
        rows = logbook.build_rows(book.name)
        assert read(logbook, book.name).build == before
    kinds = {row.kind for row in rows}
    assert kinds == {kind.__name__ for kind in events.KINDS}


def test_times_are_local_with_their_offset_beside_utc_and_never_go_back(tmp_path: Path) -> None:
    book = made.begun(tmp_path / "book")
    set_back = made.clock("2026-11-25T07:00:00+01:00")
    book = BuildBook(book.logbook, book.name, book.build, set_back)
    book.append(NOTE)
    rows = book.logbook.build_rows(book.name)
    assert json.loads(rows[0].body)["local"].endswith("+01:00")
    assert dt.datetime.fromisoformat(rows[0].utc).utcoffset() == dt.timedelta(0)
    assert rows[1].time_s >= rows[0].time_s
    book.logbook.close()


def test_a_build_is_sealed_when_it_is_closed_and_verify_covers_it(tmp_path: Path) -> None:
    path = tmp_path / "book"
    book = made.entered(made.begun(path))
    (tmp_path / "a.png").write_bytes(made.png(300))
    book.keep_photo(tmp_path / "a.png", made.BY)
    assert check_test(path, book.name).sealed is None
    book.append(CLOSED)
    book.logbook.close()
    check = check_test(path, book.name)
    assert check.problems == ()
    assert check.sealed is not None
    assert [one.test for one in check_file(path).tests] == [book.name]


def test_builds_are_no_tests(tmp_path: Path) -> None:
    path = tmp_path / "book"
    book = made.begun(path)
    closed_test(book.logbook, tmp_path, "t1", notes=1)
    assert [one.test for one in book.logbook.tests()] == ["t1"]
    assert book.logbook.builds() == [book.name]
    assert listed(book.logbook.path)[1] == (
        f"build {book.name}: Right-angle drive, spiral bevel 13:40, serial INV-1340-08, open",
    )
    with pytest.raises(ValueError, match="no name of a build"):
        book.logbook.append_to_build("t1", time_s=0.0, utc="", kind="NoteWritten", body="{}")
    book.logbook.close()


def test_the_newest_open_build_of_a_serial_number_is_found(tmp_path: Path) -> None:
    path = tmp_path / "book"
    first = made.begun(path)
    other = made.box_file()
    other = other.model_copy(update={"box": other.box.model_copy(update={"serial": "INV-2"})})
    first.logbook.close()
    second = made.begun(path)
    second.logbook.close()
    made.begun(path, other).logbook.close()
    assert second.name == f"{first.name}-2"  # begun in the same second
    with Logbook(path, create=False) as logbook:
        found = newest_open(logbook, "INV-1340-08")
        assert found is not None
        assert found.name == second.name
        BuildBook(logbook, second.name, found.build).append(CLOSED)
        found = newest_open(logbook, "INV-1340-08")
        assert found is not None
        assert found.name == first.name
        assert newest_open(logbook, "INV-3") is None
        with pytest.raises(LogbookError, match=r"no build build-x; the newest are: build-"):
            read(logbook, "build-x")


@pytest.mark.parametrize("kind", ["DistanceMeasured", "PatternJudged", "BuildBegun"])
def test_an_entry_that_was_changed_is_found_and_nothing_is_taken(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "book"
    book = made.entered(made.begun(path))
    book.logbook.close()
    with sqlite3.connect(path) as base:
        base.execute("UPDATE event SET body = replace(body, 'Nobody', 'Noone') WHERE kind = ?", (kind,))
    base.close()
    with Logbook(path, create=False) as logbook:
        with pytest.raises(LogbookError, match=r"not as it was written.*nothing is taken"):
            read(logbook, book.name)
        assert "damaged" in listed(logbook.path)[1][0]
    assert check_file(path).tests[0].problems


def test_a_build_of_another_version_is_said_to_be_one(tmp_path: Path) -> None:
    path = tmp_path / "book"
    with Logbook(path, create=True) as logbook:
        logbook.append_to_build(
            "build-9",
            time_s=0.0,
            utc="2026-11-25T08:00:00.000+00:00",
            kind="BuildBegun",
            body='{"version": 9}',
        )
        with pytest.raises(LogbookError, match="of version 9, and this program reads version 1"):
            read(logbook, "build-9")
        logbook.append_to_build("build-8", time_s=0.0, utc="2027", kind="Unknown", body="{}")
        with pytest.raises(LogbookError, match="knows no such event"):
            read(logbook, "build-8")


def test_a_photograph_is_kept_to_the_last_byte_once(tmp_path: Path) -> None:
    path = tmp_path / "book"
    book = made.begun(path)
    data = made.png(900) + b"\xff" * 700_000  # more than one pack
    for name in ("a.png", "b.png"):
        (tmp_path / name).write_bytes(data)
    assert book.keep_photo(tmp_path / "a.png", made.BY) == 1
    assert book.keep_photo(tmp_path / "b.png", made.BY) == 1  # the same bytes
    kept = book.build.photos[1]
    assert (kept.size, kept.sha256) == (len(data), hashlib.sha256(data).hexdigest())
    assert photo(book.logbook, book.name, 1, kept.channel, kept.sha256) == data
    book.logbook.close()
    with sqlite3.connect(path) as base:
        base.execute("UPDATE raw SET data = zeroblob(length(data)) WHERE id = 1")
    base.close()
    with Logbook(path, create=False) as logbook, pytest.raises(LogbookError):
        photo(logbook, book.name, 1, kept.channel, kept.sha256)
    assert "samples" in check_file(path).tests[0].problems[0]


def test_photographs_that_cannot_be_are_refused_with_the_reason(tmp_path: Path) -> None:
    book = made.begun(tmp_path / "book")
    (tmp_path / "big.jpg").write_bytes(b"\xff\xd8\xff" + bytes(12_000_000))
    (tmp_path / "text.jpg").write_text("no picture")
    for name, why in (
        ("big.jpg", "larger than 12 MB.*lower quality"),
        ("text.jpg", "neither a JPEG nor a PNG"),
        ("none.jpg", "no such file"),
        (".", "is a folder"),
    ):
        with pytest.raises(ConfigurationError, match=why):
            book.keep_photo(tmp_path / name, made.BY)
    assert book.build.photos == {}
    book.logbook.close()


def test_archive_and_rescue_carry_builds_with_their_photographs(tmp_path: Path) -> None:
    path, away = tmp_path / "book", tmp_path / "old.archive"
    book = made.entered(made.begun(path))
    (tmp_path / "a.png").write_bytes(made.png(300))
    book.keep_photo(tmp_path / "a.png", made.BY)
    book.append(CLOSED)
    book.logbook.close()
    rescued = rescue(path, tmp_path / "rescued")
    assert [(one.test, one.problems) for one in rescued] == [(book.name, ())]
    later = dt.datetime(2027, 11, 25, tzinfo=dt.UTC)
    outcome = archive(path, away, older_than=dt.timedelta(days=30), now=later)
    assert [(one.test, one.stays) for one in outcome.tests] == [(book.name, "")]
    for where in (path, tmp_path / "rescued"):
        with Logbook(where, create=False) as logbook:
            kept = read(logbook, book.name).build.photos[1]
            assert photo(logbook, book.name, 1, kept.channel, kept.sha256) == made.png(300)


def test_rescue_leaves_out_an_entry_that_is_no_json_and_keeps_the_rest(tmp_path: Path) -> None:
    path = tmp_path / "book"
    book = made.entered(made.begun(path))
    book.logbook.close()
    with sqlite3.connect(path) as base:
        base.execute("UPDATE event SET body = '{' || body WHERE number = 3")
    base.close()
    rescued = rescue(path, tmp_path / "new")[0]
    assert any("left out" in one for one in rescued.problems)
    with Logbook(tmp_path / "new", create=False) as logbook:
        assert len(logbook.build_rows(book.name)) == len(made.COMPLETE)
