"""Before and after a shim, on the simulated stand: the change found, and whether the advice came true.

Reference: the simulated box, whose physics share no formula with the analysis.
"""

from __future__ import annotations

import io
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import pytest
from daemon.command import lashmap
from daemon.simulated_boxes import COARSE
from daemon.virtual_time import VirtualTest, load_box
from lashmap_analysis.compare_tests import Pair, compare_tests
from lashmap_daemon.box_file import BoxFile
from lashmap_daemon.compare_command import CompareOptions, compare
from lashmap_daemon.errors import ConfigurationError, LogbookError
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
    test = VirtualTest(folder, box(moved_mm), seed=4, instruments=COARSE)
    test.run()
    test.logbook.close()
    return folder / "virtual.logbook", test.truth.tight_spot_normal_backlash_mm


def compared(*, after_mm: float, **more: bool) -> tuple[Pair, str]:
    screen = io.StringIO()
    options = CompareOptions(
        tests=(TEST, TEST),
        logbook=recorded(0.0)[0],
        logbook2=recorded(after_mm)[0],
        report=None,
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
    assert pair.shims.predicted_mm == pytest.approx(true_mm, rel=0.05)
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
        tests=tests,
        logbook=recorded(0.0)[0],
        logbook2=None,
        report=None,
        independent=False,
        same_set_up=False,
    )
    with pytest.raises(error, match=says):
        compare(options, Console(file=io.StringIO()))
