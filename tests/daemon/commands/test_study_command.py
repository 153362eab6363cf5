"""``lashmap study`` over real tests of the simulated stand in virtual time."""

from __future__ import annotations

import datetime as dt
import io
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from daemon.once import once
from daemon.virtual_time import VirtualTest, load_box
from lashmap_daemon.commands import study
from lashmap_daemon.commands.options import DriftOptions, NextOptions, PlanOptions, ReportOptions
from lashmap_daemon.errors import EXIT_STAND, ConfigurationError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import conclude, store_result
from lashmap_daemon.replay.preconditions import check_standard, stated_values
from lashmap_daemon.replay.replay import Replay
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.study_file import StudyFile
from rich.console import Console

HERE = Path(__file__).resolve().parents[3]
SHORT = HERE / "configs" / "boxes" / "spiral-13x40-short.toml"
STAND = "Simulated stand"  # as `lashmap simulate` names it
PARTS, OPERATORS = ("INV-1", "INV-2"), ("Ada", "Ben")


def plan(path: Path, *, repeats: int, seed: int) -> None:
    options = PlanOptions(file=path, part=[*PARTS], operator=[*OPERATORS], repeats=repeats, seed=seed)
    study.plan(options, Console(quiet=True))


class Made:
    """A logbook with a complete study, its file, and what each test states."""

    def __init__(self, folder: Path) -> None:
        self.file = folder / "study.toml"
        self.logbook = folder / "virtual.logbook"
        self.stated: dict[tuple[str, str], list[float]] = {}
        for part, operator, stated_mm in once("study", whole_study, folder):
            self.stated.setdefault((part, operator), []).append(stated_mm)


def whole_study(folder: Path) -> list[tuple[str, str, float]]:
    """Leave file and logbook of a study; part, operator and what was stated of each of its tests."""
    file = folder / "study.toml"
    plan(file, repeats=4, seed=3)
    text = re.sub("begun = .*", "begun = 2026-11-25T07:00:00+00:00", file.read_text(encoding="utf-8"))
    file.write_text(text, encoding="utf-8")  # the tests of virtual time are of that day
    box, all_stated = load_box(SHORT, positions=4, confirming_positions=0), []
    for seed, (part, operator) in enumerate(toml_file.load(file, StudyFile).study.order, 1):
        named = box.model_copy(update={"box": box.box.model_copy(update={"serial": part})})
        test = VirtualTest(folder, named, seed=seed, operator=operator)
        test.run()
        assessment = conclude(test.logbook, test.started.test)
        stated = assessment.stated
        assert stated is not None
        with Replay(test.logbook, test.started.test) as replay:
            store_result(test.logbook, replay.events, assessment)
        all_stated.append((part, operator, stated.normal_backlash_mm))
        test.logbook.close()
    return all_stated


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return Made(tmp_path_factory.mktemp("study"))


def printed(run: Callable[[Console], object]) -> str:
    console = Console(file=io.StringIO(), width=120)
    run(console)
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def test_the_plan_holds_every_part_with_every_operator(tmp_path: Path) -> None:
    path = tmp_path / "study.toml"
    plan(path, repeats=3, seed=1)
    order = toml_file.load(path, StudyFile).study.order
    for number in range(3):  # each round is complete in itself
        assert len(set(order[4 * number : 4 * number + 4])) == 4
    with pytest.raises(ConfigurationError, match="exists already"):
        plan(path, repeats=3, seed=1)


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (("repeats = 3", "repeats = 4"), "order: expected each part with each operator 4 times"),
        (('"INV-2"]\n', '"INV-1"]\n'), "parts: a name stands there twice"),
        (("repeats = 3", "repeats = 1"), "2 or more"),
    ],
)
def test_a_study_file_that_cannot_be_is_refused(
    tmp_path: Path, change: tuple[str, str], problem: str
) -> None:
    path = tmp_path / "study.toml"
    plan(path, repeats=3, seed=1)
    text = path.read_text(encoding="utf-8")
    assert change[0] in text
    path.write_text(text.replace(*change, 1), encoding="utf-8")
    with pytest.raises(ConfigurationError, match=problem):
        study.next_test(NextOptions(file=path, logbook=tmp_path / "none.logbook"), Console(quiet=True))


def test_without_a_logbook_the_first_of_the_order_is_next(tmp_path: Path) -> None:
    path = tmp_path / "study.toml"
    plan(path, repeats=2, seed=1)
    part, operator = toml_file.load(path, StudyFile).study.order[0]
    words = printed(
        lambda console: study.next_test(NextOptions(file=path, logbook=tmp_path / "none.logbook"), console)
    )
    assert f"operator {operator} tests the box with serial number {part}" in words


def test_an_incomplete_study_names_what_is_missing(made: Made, tmp_path: Path) -> None:
    path = tmp_path / "longer.toml"
    plan(path, repeats=5, seed=3)
    text = path.read_text(encoding="utf-8")
    path.write_text(re.sub("begun = .*", "begun = 2026-11-25T07:00:00+00:00", text), encoding="utf-8")
    with pytest.raises(ConfigurationError, match="4 tests are missing"):
        study.report(ReportOptions(file=path, logbook=made.logbook), Console(quiet=True))
    assert "16 of 20" in printed(
        lambda console: study.next_test(NextOptions(file=path, logbook=made.logbook), console)
    )


def test_the_report_analyses_what_the_tests_state(made: Made) -> None:
    """Repeatability of a balanced design, by hand: the mean variance within the cells."""
    words = printed(
        lambda console: study.next_test(NextOptions(file=made.file, logbook=made.logbook), console)
    )
    assert "The study is complete" in words
    text = printed(
        lambda console: study.report(
            ReportOptions(file=made.file, logbook=made.logbook, as_json=True), console
        )
    )
    document = json.loads(text)
    cells = [np.var(values, ddof=1) for values in made.stated.values()]
    assert document["sources"][-1]["mean_square_mm2"] == pytest.approx(np.mean(cells), rel=1e-6)
    assert document["sources"][-1]["degrees_of_freedom"] == 12
    tolerance = 0.18 - 0.10  # of the box file
    assert document["tolerance_share"] == pytest.approx(6 * document["gauge"]["deviation_mm"] / tolerance)
    shown = printed(
        lambda console: study.report(ReportOptions(file=made.file, logbook=made.logbook), console)
    )
    assert "repeatability" in shown
    assert "of the tolerance" in shown


def test_a_check_standard_is_set_on_a_chart(made: Made) -> None:
    values = [one for part, who in made.stated for one in made.stated[part, who] if part == "INV-1"]
    status: list[int] = []
    text = printed(
        lambda console: status.append(
            study.drift(DriftOptions(serial="INV-1", logbook=made.logbook, as_json=True), console)
        )
    )
    document = json.loads(text)
    assert document["centre_mm"] == pytest.approx(np.mean(values))
    assert status == [0 if document["steady"] else EXIT_STAND]
    shown = printed(lambda console: study.drift(DriftOptions(serial="INV-1", logbook=made.logbook), console))
    assert ("STEADY" in shown) == document["steady"]


def test_too_few_tests_make_no_chart(made: Made) -> None:
    with pytest.raises(ConfigurationError, match="holds 0 completed tests of serial number nobody"):
        study.drift(DriftOptions(serial="nobody", logbook=made.logbook), Console(quiet=True))


MORNING = dt.datetime(2026, 11, 25, 20, 0, tzinfo=dt.UTC)  # after the tests of virtual time


@pytest.mark.parametrize(
    ("of", "later_h", "expected"),
    [
        (("INV-1", "INV-7"), 0, [("proven", "INV-1 steady over 8 tests")]),
        (("INV-1", "INV-7"), 30, [("unproven", "was last tested")]),
        (("INV-1", "INV-7"), -30, [("unproven", "was last tested")]),
        (("INV-9", "INV-7"), 0, [("unproven", "no completed test")]),
        (("INV-1", "INV-1"), 0, []),  # the check standard needs no other before it
    ],
)
def test_the_check_standard_is_a_precondition(
    made: Made, of: tuple[str, str], later_h: int, expected: list[tuple[str, str]]
) -> None:
    serial, box = of
    now = MORNING + dt.timedelta(hours=later_h)
    with Logbook(made.logbook, create=False) as book:
        found = check_standard(book, serial, stand=STAND, within_hours=24.0, box_serial=box, now=now)
    assert [one.state for one in found] == [state for state, _ in expected]
    for one, (_, detail) in zip(found, expected, strict=True):
        assert detail in one.detail
        assert one.remedy or one.state == "proven"


def test_tests_on_another_stand_prove_nothing_of_this_one(made: Made) -> None:
    with Logbook(made.logbook, create=False) as book:
        (found,) = check_standard(
            book, "INV-1", stand="another bench", within_hours=24.0, box_serial="INV-7", now=MORNING
        )
    assert found.state == "unproven"
    assert "no completed test on this stand" in found.detail


def test_a_stand_that_jumped_fails_its_precondition(made: Made, monkeypatch: pytest.MonkeyPatch) -> None:
    with Logbook(made.logbook, create=False) as book:
        values = stated_values(book, "INV-1")
        values.append(replace(values[-1], value_mm=values[-1].value_mm + 0.05))
        monkeypatch.setattr("lashmap_daemon.replay.preconditions.stated_values", lambda *_: values)
        (found,) = check_standard(
            book, "INV-1", stand=STAND, within_hours=24.0, box_serial="INV-7", now=MORNING
        )
    assert found.state == "failed"
    assert "jump" in found.detail
    assert "lashmap study drift INV-1" in found.remedy
