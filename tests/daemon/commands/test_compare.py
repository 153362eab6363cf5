"""Before and after a shim, on the simulated stand: the change found, and whether the advice came true.

Reference: the simulated box, whose physics share no formula with the analysis.
"""

from __future__ import annotations

import io
import json
import shutil
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import pytest
from analysis.key_paths import key_paths
from daemon.command import lashmap
from daemon.once import once
from daemon.virtual_time import VirtualTest, load_box
from lashmap_analysis.facts.comparison import KEYS
from lashmap_analysis.judge.comparison import Pair, compare_tests
from lashmap_analysis.record.lengths import format_length
from lashmap_daemon.commands.compare import compare
from lashmap_daemon.commands.options import CompareOptions
from lashmap_daemon.errors import ConfigurationError, LogbookError
from lashmap_daemon.setup.box_file import BoxFile
from rich.console import Console

MOVE_MM = 0.03
TEST = "20261125-080004-INV-1340-07"


def box(moved_mm: float) -> BoxFile:
    made = load_box(positions=14, gear_turns=6.0, confirming_positions=1)
    limits = made.limits.model_copy(update={"minimum_mm": 0.135, "maximum_mm": 0.160})
    mounting = made.mounting.model_copy(update={"gear_set_mm": 62.39 + moved_mm})
    return made.model_copy(update={"limits": limits, "mounting": mounting})


@cache
def recorded(moved_mm: float) -> tuple[Path, float]:
    """Logbook of a test on the box with its gear moved, and its true tight spot."""
    folder = Path(mkdtemp(prefix="lashmap-compared-"))

    def record(folder: Path) -> float:
        test = VirtualTest(folder, box(moved_mm), seed=4)
        test.run()
        test.logbook.close()
        return test.truth.tight_spot_normal_backlash_mm

    return folder / "virtual.logbook", once(f"compared {moved_mm:g}", record, folder)


def compared(*, after_mm: float, **more: bool) -> tuple[Pair, str]:
    screen = io.StringIO()
    options = CompareOptions(
        tests=[TEST, TEST],
        logbook=recorded(0.0)[0],
        logbook2=recorded(after_mm)[0],
        report=None,
        as_json=False,
        independent=more.get("independent", False),
        same_set_up=more.get("same_set_up", False),
    )
    (pair,) = compare(options, Console(file=screen, width=220, highlight=False))
    return pair, screen.getvalue()


def test_the_change_is_the_true_one_and_the_advice_came_true() -> None:
    pair, screen = compared(after_mm=MOVE_MM, same_set_up=True)
    true_mm = recorded(MOVE_MM)[1] - recorded(0.0)[1]
    assert pair.tight_spot is not None
    assert pair.tight_spot.interval_mm[0] <= true_mm <= pair.tight_spot.interval_mm[1]
    assert pair.tight_spot.shown
    assert pair.shims.answer == "came true"
    assert pair.shims.gear_move_mm == pytest.approx(MOVE_MM)
    # The box says that its teeth touch at 0.6 of the face; at the heel, a move would change 7 % less.
    assert pair.shims.predicted_mm == pytest.approx(true_mm, rel=0.10)
    assert "The prediction came true" in screen
    advice = pair.first.advice
    assert advice is not None
    assert advice.answer == "move"
    assert ("It was followed" in screen) == bool(pair.shims.advised)


def test_a_move_that_was_not_recorded_and_one_that_did_nothing_are_told_apart() -> None:
    pair, _ = compared(after_mm=MOVE_MM)
    silent = compare_tests([pair.first, replace(pair.second, gear_at_mm=pair.first.gear_at_mm)])[0]
    assert silent.shims.answer == "not moved"
    wrong = compare_tests([pair.first, replace(pair.second, gear_at_mm=62.39 - MOVE_MM)])[0]
    assert wrong.shims.answer == "did not come true"
    assert "Look for what else changed" in " ".join(wrong.shim_sentences)
    idle = compare_tests([pair.first, replace(pair.first, gear_at_mm=62.395)])[0]
    assert idle.shims.answer == "settles nothing"
    unknown = compare_tests([pair.first, replace(pair.second, gear_at_mm=None, pinion_at_mm=None)])[0]
    assert unknown.shims.answer == "not recorded"


def test_the_command_prints_and_writes_a_page(tmp_path: Path) -> None:
    words = (TEST, TEST, "--logbook", recorded(0.0)[0], "--logbook2", recorded(MOVE_MM)[0])
    done = lashmap("compare", *words, "--report", tmp_path / "page.html")
    assert done.returncode == 0, done.stderr
    assert "B LESS A" in done.stdout
    page = (tmp_path / "page.html").read_text("utf-8")
    assert page.startswith("<!doctype html>")
    assert "came true" in page


def test_the_json_has_the_figures_of_the_page_every_key_documented(tmp_path: Path) -> None:
    words = (TEST, TEST, "--logbook", recorded(0.0)[0], "--logbook2", recorded(MOVE_MM)[0], "--json")
    done = lashmap("compare", *words, "--report", tmp_path / "page.html")
    assert done.returncode == 0, done.stderr

    def refuse(constant: str) -> None:  # RFC 8259 knows no NaN
        raise AssertionError(constant)

    document = json.loads(done.stdout, parse_constant=refuse)
    assert set(key_paths(document)) == set(KEYS)
    pair, _ = compared(after_mm=MOVE_MM)
    (found,) = document["pairs"]
    assert pair.tight_spot is not None
    assert found["tight_spot"]["value_mm"] == pair.tight_spot.value_mm
    # The difference is that of the two figures which stand beside it.
    first, second = (one["stated"]["normal_backlash_mm"] for one in document["tests"])
    assert found["tight_spot"]["value_mm"] == pytest.approx(second - first, abs=1e-12)
    assert len(found["lash_map"]["value_mm"]) == 520
    # GUM 5.1.2: contributions add in quadrature.
    parts = [one["together_mm"] ** 2 for one in found["tight_spot"]["contributions"]]
    assert found["tight_spot"]["standard_uncertainty_mm"] == pytest.approx(sum(parts) ** 0.5)
    page = (tmp_path / "page.html").read_text("utf-8")
    assert format_length(found["tight_spot"]["value_mm"], "mm", signed=True) in page
    assert found["shims"]["sentences"] == list(pair.shim_sentences)


def test_what_is_doubtful_about_a_test_is_said_beside_its_figures() -> None:
    pair, _ = compared(after_mm=MOVE_MM)
    record = replace(pair.second.assessment.record, damage=("event 3: it was changed",))
    damaged = replace(pair.second, assessment=replace(pair.second.assessment, record=record))
    cautions = compare_tests([pair.first, damaged])[0].cautions
    assert any(one.startswith(f"The record of {TEST} is not as it was written (event 3") for one in cautions)
    half = compare_tests([pair.first, replace(pair.second, pinion_at_mm=None)])[0]
    assert half.shims.pinion_move_mm is None
    assert "The pinion's mounting distance is not recorded in both tests: it is taken" in " ".join(
        half.shim_sentences
    )


def test_a_reviewers_exclusion_is_said(tmp_path: Path) -> None:
    shutil.copy(recorded(0.0)[0], tmp_path / "book")
    words = ("review", "--logbook", tmp_path / "book", "--exclude", "2", "--reason", "somebody leaned on it")
    done = lashmap(*words, "--by", "A. Nobody")
    assert done.returncode == 0, done.stderr
    done = lashmap("compare", TEST, TEST, "--logbook", tmp_path / "book", "--logbook2", recorded(MOVE_MM)[0])
    assert "A reviewer took positions or reversals out of" in done.stdout


@pytest.mark.parametrize(
    ("tests", "error", "says"),
    [
        ((TEST,), ConfigurationError, "two tests or more"),
        ((TEST, TEST), ConfigurationError, "named twice"),
        ((TEST, "other"), LogbookError, "no test other; the newest are"),
    ],
)
def test_wrong_names_are_refused(tests: tuple[str, ...], error: type[Exception], says: str) -> None:
    options = CompareOptions(
        tests=list(tests),
        logbook=recorded(0.0)[0],
        logbook2=None,
        report=None,
        as_json=False,
        independent=False,
        same_set_up=False,
    )
    with pytest.raises(error, match=says):
        compare(options, Console(file=io.StringIO()))
