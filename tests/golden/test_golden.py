"""What must not change while the program is rebuilt; the README of this folder says how to make it anew."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from golden import comparing, program
from golden.fixed import fixed, without_seal
from golden.outputs import PDF, outputs, pdf_words
from golden.scenarios import SCENARIOS, make

HERE = Path(__file__).parent
LOGBOOK, LIVE = "test.logbook", "live.json"
NOT_HERE = {LOGBOOK, PDF, LIVE}  # made by other tests than that of all outputs


@pytest.fixture(autouse=True)
def _working(tmp_path: Path) -> Iterator[None]:
    with fixed(tmp_path), program.judging_once():
        yield


@pytest.fixture(params=SCENARIOS)
def name(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def test_a_stored_logbook_gives_what_it_gave(name: str) -> None:
    made = outputs(HERE / name / LOGBOOK)
    assert set(made) == _files(name) - NOT_HERE
    wrong = {one: comparing.differences(one, _stored(name, one), text) for one, text in made.items()}
    assert {one: found[:10] for one, found in wrong.items() if found} == {}


def test_its_pdf_has_the_same_words(name: str) -> None:
    made = pdf_words(HERE / name / LOGBOOK)
    assert comparing.differences(PDF, _stored(name, PDF), made) == []


def test_the_same_happenings_give_the_same_test(name: str) -> None:
    book, seen = make(name)
    assert comparing.of_values(_events(HERE / name / LOGBOOK), program.events_of(book))[:10] == []
    result = without_seal(program.lashmap("review", "--logbook", book, "--json"))
    assert comparing.of_values(without_seal(_stored(name, "result.json")), result)[:10] == []
    if LIVE in _files(name):
        assert comparing.of_values(json.loads(_stored(name, LIVE)), seen)[:10] == []
    else:
        assert seen == []


def test_every_kind_of_event_is_there() -> None:
    found = {event["kind"] for name in SCENARIOS for event in _events(HERE / name / LOGBOOK)}
    assert found == program.KINDS - {"FilesLeft"}  # a path; asked in tests/daemon/replay/test_review.py


def test_nothing_else_is_there() -> None:
    folders = {path.name for path in HERE.iterdir() if path.is_dir() and (path / LOGBOOK).exists()}
    assert folders == set(SCENARIOS)


@pytest.mark.parametrize(
    ("stored", "made", "differs"),
    [
        ({"a": 1.0, "b": 2.0}, {"a": 1.0, "b": 2.0 + 1e-9}, False),
        ({"a": 1e6}, {"a": 1e6 + 1e-4}, False),
        ({"a": 0.1}, {"a": 0.1 + 2e-9}, True),
        ({"a": 1.0, "b": 2.0}, {"b": 2.0, "a": 1.0}, True),
        ({"low_mm": 0.1}, {"low_mm": 0.1 + 5e-8}, False),
        ({"low_mm": 0.1}, {"low_mm": 0.1 + 2e-7}, True),
        ({"standard_uncertainty_mm": 1e-3}, {"standard_uncertainty_mm": 1.00001e-3}, False),
        ({"standard_uncertainty_mm": 1e-3}, {"standard_uncertainty_mm": 1.0001e-3}, True),
        ({"a": 1}, {"a": True}, True),
        ({"a": 1}, {"a": 1.0}, True),
        ({"a": [1, "x"]}, {"a": [1, "y"]}, True),
        ({"a": [1]}, {"a": [1, 2]}, True),
        ({"a": None}, {"a": 0.0}, True),
    ],
)
def test_what_counts_as_a_difference(stored: object, made: object, *, differs: bool) -> None:
    assert bool(comparing.of_values(stored, made)) == differs


def _files(name: str) -> set[str]:
    folder = HERE / name
    # A list keeps an index beside its logbook, which may come and go (and is not checked in).
    there = (path for path in folder.rglob("*") if path.is_file() and path.suffix != ".index")
    found = {path.relative_to(folder).as_posix() for path in there}
    # A test in another process may be reading the stored logbook at this moment.
    return found - {f"{LOGBOOK}{beside}" for beside in ("-wal", "-shm")}


def _stored(name: str, one: str) -> str:
    return (HERE / name / one).read_bytes().decode()


def _events(logbook: Path) -> list[dict[str, Any]]:
    """Opening a logbook writes beside it, so a copy is opened."""
    shutil.copyfile(logbook, "copy.logbook")
    return program.events_of(Path("copy.logbook"))
