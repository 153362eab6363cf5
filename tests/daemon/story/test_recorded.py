"""The set-up in the start record: its own values, its own version, and nothing of the files' models."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from dataclasses import MISSING, fields, is_dataclass
from pathlib import Path

import pytest
from daemon.logbooks import closed_test, two_tests
from daemon.virtual_time import load_box, set_up, simulated_stand_file
from lashmap_daemon.commands.logbook import verify
from lashmap_daemon.commands.options import VerifyOptions
from lashmap_daemon.logbook.logbook import Logbook, OfOtherVersion
from lashmap_daemon.logbook.rescue import rescue
from lashmap_daemon.replay.replay import start_of
from lashmap_daemon.setup.box_file import BoxFile, PlanTable
from lashmap_daemon.simulated_stand import SimulatedInstruments
from lashmap_daemon.story import events, recorded
from rich.console import Console

GOLDEN = sorted(Path(__file__).parents[2].glob("golden/*/test.logbook"))


class _PlanOfTomorrow(PlanTable):
    coffee_seconds: float = 600.0
    tries: int = 7


class _BoxOfTomorrow(BoxFile):
    plan: PlanTable = _PlanOfTomorrow()
    colour: str = "green"


def body_of(box: BoxFile, folder: Path) -> str:
    setup = set_up(box, simulated_stand_file(folder / "stand", SimulatedInstruments()))
    started = events.TestStarted(test="t", operator="Ada", setup=setup, planned=(0,), version="0")
    return events.to_json(started)[1]


def test_another_key_or_default_of_a_file_changes_nothing_of_the_record(tmp_path: Path) -> None:
    box = load_box()
    values = box.model_dump()
    grown = _BoxOfTomorrow.model_validate(values | {"plan": _PlanOfTomorrow(**values["plan"])})
    assert grown.plan.model_dump() != box.plan.model_dump()
    assert body_of(grown, tmp_path) == body_of(box, tmp_path)


def test_no_value_of_the_record_has_a_default_that_could_change() -> None:
    kinds = [kind for kind in vars(recorded).values() if isinstance(kind, type) and is_dataclass(kind)]
    ours = [kind for kind in kinds if kind.__module__ == recorded.__name__]
    assert len(ours) == 22
    defaults = {
        f"{kind.__name__}.{one.name}"
        for kind in ours
        for one in fields(kind)
        if one.default not in {MISSING, None}  # None says that there is none, now and ever
    }
    assert defaults == {"Setup.version", "HandSetup.version"}
    assert not any(one.default_factory is not MISSING for kind in ours for one in fields(kind))


@pytest.mark.parametrize("path", GOLDEN, ids=lambda path: path.parent.name)
def test_the_stored_start_records_are_read_and_written_as_they_stand(path: Path) -> None:
    """Whoever changes a field breaks this, and has to count `VERSION` on."""
    with closing(sqlite3.connect(f"file:{path}?immutable=1", uri=True)) as base:
        bodies = base.execute("SELECT body FROM event WHERE kind = 'TestStarted'").fetchall()
    assert bodies
    for (body,) in bodies:
        event = events.from_json("TestStarted", body)
        assert isinstance(event, events.TestStarted)
        versions = {"by_hand": "3 by hand", "sheet": "3 by hand", "counted": "3 without encoder"}
        versions |= {"by_angle": "3 without indicator", "cycle": "3 with two encoders"}
        assert event.setup.version == versions.get(path.parent.name, 3)
        assert events.to_json(event) == ("TestStarted", body)


def of_version_4(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two tests, the second as a later version writes it: sealed and whole."""
    to_json = events.to_json

    def later(event: events.Event) -> tuple[str, str]:
        kind, body = to_json(event)
        if isinstance(event, events.TestStarted) and event.test == "t3":
            told = json.loads(body)
            told["setup"] = {"version": 4, "gearbox": {"ratio": 3}}
            body = json.dumps(told)
        return kind, body

    path = two_tests(folder)
    with monkeypatch.context() as patch, Logbook(path, create=False) as book:
        patch.setattr(events, "to_json", later)
        closed_test(book, folder, "t3")
    return path


def test_a_set_up_of_another_version_is_refused_with_both_versions_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = of_version_4(tmp_path, monkeypatch)
    with Logbook(path, create=False) as book:
        with pytest.raises(OfOtherVersion) as caught:
            start_of(book, "t3")
        closings = {one.test: one.closing for one in book.tests()}
    assert str(caught.value) == (
        f"{path}: test t3: its set-up is of version 4, and this program reads version 3; open it with the "
        "lashmap that wrote it, or with a newer one"
    )
    assert closings["t3"] == "of another version: lashmap review says which"
    assert closings["t1"].startswith("completed")


def test_a_set_up_of_another_version_is_no_damage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = of_version_4(tmp_path, monkeypatch)
    console = Console(file=(tmp_path / "said").open("w", encoding="utf-8"), width=200)
    assert verify(VerifyOptions(logbook=path), console) == 0
    assert [one.problems for one in rescue(path, tmp_path / "new")] == [(), (), ()]
    console.file.close()


@pytest.mark.parametrize(
    "wrong",
    [
        {"box": {"gear_set": {"gear_teeth": 0}}},
        {"box": {"tip": {"touch_radius_mm": 1e6}}},
        {"box": {"tip": {"touch_radius_mm": "75"}}},
        {"stand": {"encoder": {"counts_per_turn": 0}}},
        {"stand": {"encoder_profile": {"kind": "unheard of"}}},
        {"box": {"more": 1}},
    ],
)
def test_a_damaged_set_up_is_no_event(tmp_path: Path, wrong: dict[str, dict[str, object]]) -> None:
    told = json.loads(body_of(load_box(), tmp_path))
    ((half, change),) = wrong.items()
    for key, value in change.items():
        if isinstance(value, dict):
            told["setup"][half][key] |= value
        else:
            told["setup"][half][key] = value
    with pytest.raises(ValueError, match="validation error"):
        events.from_json("TestStarted", json.dumps(told))
