"""A review in the logbook: beside the record, with who and when and why, and never instead of it."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from analysis.pdf_reading import pdf_text
from daemon.command import lashmap
from daemon.virtual_time import VirtualTest, load_box
from lashmap_analysis.judge.assessment import Assessment
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import (
    ReviewRequest,
    conclude,
    hand_over,
    store_result,
    with_review,
    write_review,
)
from lashmap_daemon.story import events
from lashmap_daemon.story.events import PositionExcluded
from lashmap_daemon.story.story import story_of


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A logbook with one short test that ran to its end, and its stored result."""
    folder = tmp_path_factory.mktemp("review")
    test = VirtualTest(folder, load_box(positions=9, gear_turns=3), seed=3)
    test.run()
    told = list(test.logbook.events(test.started.test))
    store_result(test.logbook, told, conclude(test.logbook, None))
    test.logbook.close()
    return folder / "virtual.logbook"


@pytest.fixture
def path(finished: Path, tmp_path: Path) -> Path:
    """A copy to write in."""
    copy = tmp_path / "review.logbook"
    with sqlite3.connect(finished) as old, sqlite3.connect(copy) as new:
        old.backup(new)
    old.close()
    new.close()
    return copy


@pytest.fixture
def book(path: Path) -> Iterator[Logbook]:
    with Logbook(path, create=False) as opened:
        yield opened


def rows(path: Path) -> list[tuple[object, ...]]:
    base = sqlite3.connect(path)
    found = base.execute("SELECT * FROM event ORDER BY test, number").fetchall()
    found += base.execute("SELECT * FROM raw ORDER BY id").fetchall()
    base.close()
    return found


def test_the_stored_result_is_found_again_unchanged(book: Logbook) -> None:
    found = conclude(book, None)
    assert found.review is not None
    assert found.review.stored is not None
    assert found.review.stored.outcome == found.verdict.outcome
    assert found.review.changes[0].startswith("The same result as stored when the test ran")
    assert len(found.review.changes) == 1


def text_but_for_the_seal(reviewed: Assessment) -> str:
    """What is added to a test is sealed anew; nothing else may differ."""
    identity = replace(reviewed.record.identity, seal="")
    return repr(replace(reviewed, record=replace(reviewed.record, identity=identity)))


def test_excluding_undoing_and_signing_only_add_rows(path: Path) -> None:
    before = rows(path)
    with Logbook(path, create=False) as book:
        recorded = conclude(book, None)
        out = write_review(book, recorded, ReviewRequest(exclude=2, reason="burr", by="R. Nobody"))
        signed = write_review(book, out, ReviewRequest(sign_off="S. Nobody"))
        part = write_review(book, signed, ReviewRequest(exclude=3, reversal=2, reason="bump", by="R. Nobody"))
        back = write_review(book, part, ReviewRequest(undo=1, reason="clean after all", by="R. Nobody"))
    after = rows(path)
    assert [row for row in after if row in before] == before
    assert len(after) == len(before) + 4
    for seen in (out, signed, part, back):
        assert seen.positions == recorded.positions
        assert seen.verdict == recorded.verdict
        assert seen.review is not None
    assert signed.review is not None
    assert signed.review.covers
    assert part.review is not None
    assert not part.review.covers
    assert back.review is not None
    assert back.review.reviewed is not None
    assert [one.number for one in back.review.holding] == [2]
    assert len(back.review.reviewed.positions) == len(recorded.positions)
    assert back.review.exclusions[0].undone is not None
    # What another process reads is the same, to the last digit.
    with Logbook(path, create=False) as book:
        again = conclude(book, None).review
    assert again is not None
    assert again.reviewed is not None
    assert text_but_for_the_seal(again.reviewed) == text_but_for_the_seal(back.review.reviewed)
    assert again.exclusions == back.review.exclusions


@pytest.mark.parametrize(
    ("asked", "problem"),
    [
        (ReviewRequest(exclude=2, by="R"), "--reason: say why"),
        (ReviewRequest(exclude=2, by="R", reason="x" * 1001), "--reason: expected at most 1000 characters"),
        (
            ReviewRequest(exclude=2, by="R\x1b[2J", reason="x"),
            "--by: holds a character that cannot be",
        ),
        (ReviewRequest(sign_off="x" * 101), "--sign-off: expected at most 100 characters"),
        (ReviewRequest(exclude=2, reason="x"), "--by: say who"),
        (ReviewRequest(exclude=77, reason="x", by="R"), "no position 77 was recorded; there are: 1, 2"),
        (ReviewRequest(exclude=2, reversal=99, reason="x", by="R"), "has no reversal 99; there are: 1 to"),
        (ReviewRequest(reversal=2, reason="x", by="R"), "give --exclude POSITION too"),
        (
            ReviewRequest(undo=1, reason="x", by="R"),
            "exclusion 1 is not in the record; those that hold: none",
        ),
    ],
)
def test_what_does_not_fit_is_refused_and_nothing_written(
    path: Path, asked: ReviewRequest, problem: str
) -> None:
    before = rows(path)
    with Logbook(path, create=False) as book, pytest.raises(ConfigurationError) as refused:
        write_review(book, conclude(book, None), asked)
    assert problem in str(refused.value)
    assert rows(path) == before


def test_nothing_is_left_out_or_taken_back_twice(book: Logbook) -> None:
    request = ReviewRequest(exclude=2, reason="x", by="R")
    seen = write_review(book, conclude(book, None), request)
    for again in (request, ReviewRequest(exclude=2, reversal=1, reason="x", by="R")):
        with pytest.raises(ConfigurationError, match="position 2 is left out already"):
            write_review(book, seen, again)
    write_review(book, seen, ReviewRequest(undo=1, reason="x", by="R"))
    with pytest.raises(ConfigurationError, match="exclusion 1 was undone already; those that hold: none"):
        write_review(book, seen, ReviewRequest(undo=1, reason="x", by="R"))
    number = write_review(book, seen, request).review
    assert number is not None
    assert [one.number for one in number.holding] == [2]


def test_two_reviewers_at_once_lose_no_exclusion(book: Logbook) -> None:
    found = conclude(book, None)
    test = found.record.identity.test
    for position, by in ((2, "R. Nobody"), (3, "S. Nobody")):  # each saw no exclusion before its own
        out = PositionExcluded(
            exclusion=1, position=position, reversal=None, start_s=None, end_s=None, reason="bumped", by=by
        )
        book.append(test, events.Stamped(time_s=1e4, utc="2030-05-18T09:00:00Z", event=out))
    seen = with_review(list(book.events(found.record.identity.test)), found).review
    assert seen is not None
    assert [(one.number, one.position) for one in seen.holding] == [(1, 2), (2, 3)]
    left = write_review(book, found, ReviewRequest(undo=2, reason="it was not", by="S. Nobody")).review
    assert left is not None
    assert [one.position for one in left.holding] == [2]


def test_the_figures_that_were_signed_for_are_kept(book: Logbook) -> None:
    seen = write_review(book, conclude(book, None), ReviewRequest(sign_off="S. Nobody"))
    assert seen.review is not None
    assert seen.stated is not None
    (last,) = seen.review.sign_offs
    assert (last.normal_backlash_mm, last.interval_mm) == (
        seen.stated.normal_backlash_mm,
        seen.stated.interval_mm,
    )
    assert seen.review.covers


def test_a_test_that_is_not_closed_is_looked_at_but_not_reviewed(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, load_box(positions=9), seed=3)
    test.tick_for(4.0)
    seen = conclude(test.logbook, None)
    assert seen.review is not None
    with pytest.raises(ConfigurationError, match="no closing record and may still be running"):
        write_review(test.logbook, seen, ReviewRequest(sign_off="S. Nobody"))
    test.logbook.close()


def test_a_test_of_an_earlier_version_has_nothing_to_compare_with(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, load_box(positions=9), seed=3)
    test.tick_for(1.0)
    test.stop()
    test.tick()
    found = conclude(test.logbook, None).review
    assert found is not None
    assert found.stored is None
    assert "nothing to compare with" in found.changes[0]
    test.logbook.close()


def test_the_command_as_a_reviewer_types_it(path: Path, tmp_path: Path) -> None:
    here = ("--logbook", path)
    done = lashmap("review", *here, "--exclude", "2", "--reason", "[bold]burr[/bold]", "--by", "R. Nobody")
    assert done.returncode == 0, done.stderr
    assert "as recorded" in done.stdout
    assert "as reviewed" in done.stdout
    assert "[bold]burr[/bold]" in done.stdout
    assert "Lash map over the mesh cycle" in done.stdout
    for name in ("a.html", "a.pdf"):
        signed = lashmap("review", *here, "--sign-off", "S. Nobody", "--report", tmp_path / name)
        assert signed.returncode == 0, signed.stderr
        assert "Signed off by S. Nobody" in signed.stdout
        assert f"report   {tmp_path / name}" in signed.stdout.replace("\n", "")
    assert "S. Nobody" in (tmp_path / "a.html").read_text("utf-8")
    assert (tmp_path / "a.pdf").read_bytes().startswith(b"%PDF")
    document = json.loads(lashmap("review", *here, "--json").stdout)
    assert document["review"]["exclusions"][0]["by"] == "R. Nobody"
    assert len(document["positions"]) == document["review"]["reviewed"]["positions"] + 1
    assert [one["by"] for one in document["review"]["sign_offs"]] == ["S. Nobody"] * 2
    wrong = lashmap("review", *here, "--report", tmp_path / "a.docx")
    assert wrong.returncode == 2
    assert "ends in '.docx'; name a report .html or .pdf" in wrong.stderr
    # An empty name, as of a variable that is not set, must not pass for a signature.
    nobody = lashmap("review", *here, "--sign-off", " ")
    assert (nobody.returncode, nobody.stdout) == (2, "")
    assert "--sign-off: no name is given, so nothing was signed; name who signs" in nobody.stderr
    twice = lashmap("review", *here, "--exclude", "2", "--reason", "x", "--by", "R. Nobody")
    assert twice.returncode == 2
    assert "position 2 is left out already (exclusion 1)" in twice.stderr


def test_a_review_marks_the_files_of_the_test_as_outdated_and_writes_them_anew(path: Path) -> None:
    with Logbook(path, create=False) as book:
        test = book.tests()[0].test
    folder = path.parent
    old = {suffix: folder / f"{test}.{suffix}" for suffix in ("html", "pdf")}
    for file in old.values():
        file.write_text(f"the old {file.suffix}", "utf-8")
    done = lashmap("review", "--logbook", path, "--sign-off", "S. Nobody")
    assert done.returncode == 0, done.stderr
    for suffix, file in old.items():
        outdated = folder / f"{test}.outdated-1.{suffix}"
        assert outdated.read_text("utf-8") == f"the old .{suffix}"
        assert f"written  {file} anew; before the review: {outdated.name}" in done.stdout
    assert "S. Nobody" in old["html"].read_text("utf-8")
    assert "Signed off by S. Nobody" in pdf_text(old["pdf"].read_bytes(), page=1)
    assert not (folder / f"{test}.json").exists()  # none was there
    assert lashmap("review", "--logbook", path, "--sign-off", "T. Nobody").returncode == 0
    assert "S. Nobody" in (folder / f"{test}.outdated-2.html").read_text("utf-8")
    assert lashmap("review", "--logbook", path).returncode == 0  # nothing is asked for: nothing is written
    assert len(list(folder.glob("*.outdated-*"))) == 4


@pytest.mark.parametrize("where", ["reports", ".", ""])
def test_files_that_a_test_left_in_another_folder_are_renewed_there(path: Path, where: str) -> None:
    elsewhere = path.parent.with_name(f"{path.parent.name}-elsewhere")
    output = path.parent / where if where else elsewhere
    output.mkdir(exist_ok=True)
    with Logbook(path, create=False) as book:
        test = book.tests()[0].test
        hand_over(book, test, output)
        folders = story_of(book.events(test)).folders
    # From the logbook's folder where it lies in it, so that the folder may be moved as a whole.
    assert folders == {"reports": ("reports",), ".": (), "": (str(elsewhere.resolve()),)}[where]
    assert lashmap("review", "--logbook", path, "--sign-off", "S. Nobody").returncode == 0
    assert {one.name for one in output.glob("*.outdated-*")} == {
        f"{test}.outdated-1.{suffix}" for suffix in ("json", "html", "pdf")
    }
    assert "S. Nobody" in (output / f"{test}.html").read_text("utf-8")
