"""Logbooks of a folder in the store: held against the result documents that the golden set keeps."""

from __future__ import annotations

import datetime as dt
import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from daemon.fleet.halls import gathered, rows
from lashmap_daemon.fleet.ask import ask, questions
from lashmap_daemon.fleet.folder import logbooks_below, read_tests
from lashmap_daemon.fleet.gather import Gatherer
from lashmap_daemon.fleet.store import Store

GOLDEN = Path(__file__).parents[2] / "golden"
SCENARIOS = ("straight", "sweeps", "faults", "imported")
NOW = dt.datetime(2026, 12, 1, tzinfo=dt.UTC)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Logbooks in folders, beside files that are none."""
    for one in SCENARIOS:
        (tmp_path / "books" / one).mkdir(parents=True)
        shutil.copy(GOLDEN / one / "test.logbook", tmp_path / "books" / one / "a.logbook")
    (tmp_path / "books" / "notes.txt").write_text("no logbook")
    with closing(sqlite3.connect(tmp_path / "books" / "other.db")) as base:
        base.execute("CREATE TABLE event (test)")
    return tmp_path / "books"


def gather(folder: Path, place: Path) -> tuple[Store, Gatherer, list[str]]:
    said: list[str] = []
    store = Store(str(place), create=True)
    gatherer = Gatherer(store, "lashmap", said.append)
    gatherer.folder(folder)
    return store, gatherer, said


def test_every_logbook_is_found_and_nothing_else(folder: Path) -> None:
    (folder / "link").symlink_to(GOLDEN, target_is_directory=True)
    (folder / "linked.logbook").symlink_to(GOLDEN / "mitre" / "test.logbook")
    assert [one.parent.name for one in logbooks_below(folder)] == sorted(SCENARIOS)


def test_results_are_those_of_the_result_documents(folder: Path, tmp_path: Path) -> None:
    store, gatherer, said = gather(folder, tmp_path / "store")
    assert said == []
    assert gatherer.count.tests == len(SCENARIOS)
    results = {row["test"]: row for row in rows(store, "results") if row["how"] == "recorded"}
    tests = {row["test"]: row for row in rows(store, "tests")}
    for scenario in SCENARIOS:
        document = json.loads((GOLDEN / scenario / "result.json").read_text())
        row, test = results[document["test"]], tests[document["test"]]
        assert (test["box"], test["serial"]) == (document["identity"]["box"], document["identity"]["serial"])
        assert test["started"] == dt.datetime.fromisoformat(document["identity"]["started_utc"])
        assert row["outcome"] == document["verdict"]["outcome"]
        stated = document["tight_spot"]["stated"]
        assert row["normal_backlash_mm"] == (stated and stated["normal_backlash_mm"])
        assert row["low_mm"] == (stated and stated["interval_low_mm"])


def test_what_was_read_before_is_passed_over(folder: Path, tmp_path: Path) -> None:
    store, _, _ = gather(folder, tmp_path / "store")
    _, again, _ = gather(folder, tmp_path / "store")
    assert again.count.records == again.count.tests == 0
    sources = rows(store, "sources")
    assert {row["place"] for row in sources} == {str(one.resolve()) for one in logbooks_below(folder)}
    assert all(row["raw"] for row in sources)


def test_broker_and_folder_bring_the_same_rows(folder: Path, tmp_path: Path) -> None:
    """A test that was published is in the store once, whichever way came first."""
    (book,) = (one for one in logbooks_below(folder) if one.parent.name == "faults")
    (read,) = read_tests(book, set(), NOW)
    store, _ = gathered(tmp_path / "store", list(read.records))
    _, gatherer, said = gather(book.parent, tmp_path / "store")
    assert said == []
    assert all(count == 0 for name, count in gatherer.count.rows.items() if name != "sources")
    assert len(rows(store, "alarms")) > 0


def test_a_changed_test_is_not_taken_and_the_others_are(folder: Path, tmp_path: Path) -> None:
    book = folder / "straight" / "a.logbook"
    with closing(sqlite3.connect(book)) as base, base:
        base.execute("UPDATE event SET body = replace(body, '\"reading_mm\":0', '\"reading_mm\":1')")
    store, gatherer, said = gather(folder, tmp_path / "store")
    assert gatherer.count.tests == len(SCENARIOS) - 1
    assert len(said) == 1
    assert "is not as it was written" in said[0]
    (kept,) = rows(store, "quarantine")
    assert "lashmap verify" in kept["reason"]


def test_a_logbook_that_holds_more_than_a_logbook_is_passed_over(folder: Path, tmp_path: Path) -> None:
    with closing(sqlite3.connect(folder / "straight" / "a.logbook")) as base, base:
        base.execute("CREATE VIEW another AS SELECT 1")
    _, gatherer, said = gather(folder, tmp_path / "store")
    assert gatherer.count.tests == len(SCENARIOS) - 1
    assert said[0].startswith("passed over: ")


def test_nothing_is_missing_of_a_logbook_that_was_read_whole(folder: Path, tmp_path: Path) -> None:
    """Positions that were refused, left out, repeated or checked again are in these logbooks."""
    for one in ("resumed", "stuck", "spiral", "mitre", "cycle"):
        shutil.copy(GOLDEN / one / "test.logbook", folder / f"{one}.logbook")
    store, _, _ = gather(folder, tmp_path / "store")
    given = {"since": dt.date(2020, 1, 1), "until": NOW.date(), "check": "CHECK-"}
    assert ask(store, questions()["missing"], **given).rows == ()  # type: ignore[arg-type]
    assert len(rows(store, "tests")) >= len(SCENARIOS) + 3
