"""`lashmap verify`, and what review, report and shims make of a record that does not fit its seal."""

from __future__ import annotations

import io
import json
import sqlite3
from pathlib import Path

import pytest
from daemon.command import lashmap
from daemon.logbooks import closed_test, note, two_tests
from daemon.virtual_time import VirtualTest, load_box
from lashmap_analysis.render import render_html
from lashmap_daemon.commands.logbook import verify
from lashmap_daemon.commands.options import VerifyOptions
from lashmap_daemon.commands.review import advise
from lashmap_daemon.errors import ConfigurationError, LogbookError
from lashmap_daemon.logbook.check import check_test
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import conclude, json_text
from rich.console import Console


def said(path: Path, test: str | None = None, expect: str = "") -> tuple[int, str]:
    console = Console(file=io.StringIO(), width=200)
    status = verify(VerifyOptions(logbook=path, test=test, expect=expect), console)
    assert isinstance(console.file, io.StringIO)
    return status, console.file.getvalue()


def seal(path: Path, test: str) -> str:
    return check_test(path, test).seals[-1].digest.hex()


def test_a_good_logbook_is_good_and_says_what_that_proves(tmp_path: Path) -> None:
    path = two_tests(tmp_path)
    status, text = said(path)
    assert status == 0
    assert "All good: 2 of 2 tests fit their seals." in text
    assert seal(path, "t1") in text
    assert "found only by a digest kept elsewhere" in text


def test_an_open_test_is_no_fault_but_said(tmp_path: Path) -> None:
    path = two_tests(tmp_path)
    with Logbook(path, create=False) as book:
        book.append("t3", note("running"))
    status, text = said(path)
    assert status == 0
    assert "test t3: not sealed" in text
    assert "2 of 3 tests fit their seals, 1 not sealed" in text


def test_an_expected_digest_is_found_or_missed(tmp_path: Path) -> None:
    path = two_tests(tmp_path)
    first = seal(path, "t1")
    grouped = " ".join(first[at : at + 8] for at in range(0, 64, 8)).upper()
    for expect in (first, grouped, first[:16]):
        status, text = said(path, "t1", expect)
        assert status == 0
        assert "The expected digest is that of seal 1, test t1." in text
    status, text = said(path, "t2", first)
    assert status == 3
    assert "no seal of test t2 has the digest" in text
    for bad in ("12", "x" * 20, first + "0"):
        with pytest.raises(ConfigurationError, match="--expect: expected at least the first 16"):
            said(path, None, bad)
    with pytest.raises(LogbookError, match="no test t9"):
        said(path, "t9")


def test_the_command_ends_with_status_3_for_a_changed_test(tmp_path: Path) -> None:
    path = two_tests(tmp_path)
    done = lashmap("verify", "--logbook", path)
    assert done.returncode == 0, done.stderr
    base = sqlite3.connect(path)
    base.execute("UPDATE event SET body = replace(body, 'note 3', 'note X') WHERE test = 't2'")
    base.commit()
    base.close()
    done = lashmap("verify", "--logbook", path)
    assert done.returncode == 3
    assert "test t1: good" in done.stdout
    assert "test t2: WRONG" in done.stdout
    assert "event 5 (NoteTaken, at 3.0 s): it was changed" in done.stdout
    assert "lashmap rescue" in done.stdout
    assert lashmap("verify", "t1", "--logbook", path).returncode == 0
    absent = lashmap("verify", "--logbook", tmp_path / "absent")
    assert absent.returncode == 3
    assert "no such logbook" in absent.stderr


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> VirtualTest:
    test = VirtualTest(
        tmp_path_factory.mktemp("whole"), load_box(positions=8, gear_turns=2, confirming_positions=1)
    )
    test.run()
    test.logbook.close()
    return test


def test_the_seal_stands_in_result_and_report(whole: VirtualTest) -> None:
    with Logbook(whole.logbook.path, create=False) as book:
        assessment = conclude(book, None)
    digest = seal(whole.logbook.path, whole.started.test)
    assert json.loads(json_text(assessment))["identity"]["seal"] == digest
    assert digest in render_html(assessment)
    assert assessment.record.damage == ()


@pytest.mark.parametrize(
    "meddling",
    [
        "UPDATE event SET body = replace(body, 'minimum_mm\":', 'minimum_mm\": ') WHERE kind = 'TestStarted'",
        "UPDATE raw SET data = zeroblob(9) WHERE id = 40",
        "DELETE FROM raw WHERE id = 40",
    ],
)
def test_nothing_is_judged_or_advised_from_a_record_that_was_changed(
    whole: VirtualTest, tmp_path: Path, meddling: str
) -> None:
    path = tmp_path / "changed.logbook"
    path.write_bytes(whole.logbook.path.read_bytes())
    base = sqlite3.connect(path)
    base.execute(meddling)
    base.commit()
    assert base.total_changes == 1
    base.close()
    with Logbook(path, create=False) as book:
        assessment = conclude(book, None)
        with pytest.raises(LogbookError, match=r"not as it was written .* nothing is advised"):
            advise(book, None, None, Console(file=io.StringIO()))
    verdict = assessment.verdict
    assert verdict.outcome == "not proven"
    assert verdict.reasons[0].startswith("The record is not as it was written: ")
    states = {one.name: one.state for one in assessment.record.preconditions}
    assert states["record intact"] == "failed"
    page = render_html(assessment)
    assert "The record is not as it was written" in page


def test_a_changed_record_is_not_called_nonconforming_either(whole: VirtualTest) -> None:
    """Who changes a record may want the box refused: neither outcome may be signed."""
    from dataclasses import replace  # noqa: PLC0415 - for this test alone

    from lashmap_analysis.judge.assess import assess  # noqa: PLC0415
    from lashmap_daemon.replay.replay import Replay  # noqa: PLC0415

    with Logbook(whole.logbook.path, create=False) as book:
        record = Replay(book, whole.started.test).record()
    tight = replace(record, limits=replace(record.limits, minimum_mm=9.0, maximum_mm=9.5))
    assert assess(tight).verdict.outcome == "nonconforming"
    assert assess(replace(tight, damage=("event 3: it was changed",))).verdict.outcome == "not proven"


def test_a_test_that_is_running_is_read_while_it_is_written(tmp_path: Path) -> None:
    path = tmp_path / "book"
    with Logbook(path, create=True) as book:
        closed_test(book, tmp_path, "t1")
        book.append("t2", note("first"))
        with Logbook(path, create=False) as reader:
            seen = iter(reader.raw("t1", "indicator"))
            next(seen)  # a reader in the middle of something holds nobody up
            book.append("t2", note("second"))
            assert len(list(seen)) == 119
            assert [one.test for one in reader.tests()] == ["t2", "t1"]  # t2 began a second earlier
            assert len(list(reader.events("t2"))) == 2
        assert said(path)[0] == 0
        book.append("t2", note("third"))
