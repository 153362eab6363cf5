"""The list of tests: one line each, with what was handed over when it ended."""

from __future__ import annotations

import datetime as dt
import json
import re
import shutil
from pathlib import Path

import pytest
import time_machine
from daemon.command import lashmap
from daemon.virtual_time import CONFIGS
from lashmap_daemon.commands.logbook import list_tests
from lashmap_daemon.commands.options import ListOptions
from rich.console import Console

GOLDEN = CONFIGS.parent / "tests" / "golden"


@pytest.fixture(name="book")
def golden_book(tmp_path: Path) -> Path:
    """A copy: a list keeps an index beside its logbook."""
    return Path(shutil.copy(GOLDEN / "spiral" / "test.logbook", tmp_path / "book"))


def test_verdict_and_value_are_those_of_the_stored_result(book: Path) -> None:
    # The golden result beside the logbook was written by another part of the program, and read by people.
    done = lashmap("list", "--logbook", book)
    line = next(line for line in done.stdout.splitlines() if line.startswith("2026"))
    result = json.loads((GOLDEN / "spiral" / "result.json").read_text("utf-8"))
    assert result["verdict"]["outcome"].upper() in line
    stated = result["tight_spot"]["stated"]
    value, low, high = (
        f"{stated[key]:.4f}" for key in ("normal_backlash_mm", "interval_low_mm", "interval_high_mm")
    )
    assert f" {value}\N{NO-BREAK SPACE}mm {low} to {high} " in line
    assert "INV-1340-07" in line.split("mm", 1)[1]


def test_a_narrow_terminal_has_one_line_a_test(book: Path) -> None:
    console = Console(width=80, force_terminal=True, color_system=None)
    with console.capture() as captured, time_machine.travel(dt.datetime(2026, 11, 25, 11, 5, tzinfo=dt.UTC)):
        list_tests(ListOptions(logbook=book), console)
    lines = captured.get().splitlines()
    assert len(lines) == 3
    assert all(len(line.rstrip()) <= 80 for line in lines)
    assert " 3 h " in lines[1]
    assert " mm " in lines[1].replace("\N{NO-BREAK SPACE}", " ")


def test_what_reviewers_made_of_an_outcome_stands_beside_it(book: Path, tmp_path: Path) -> None:
    def listed() -> str:
        return lashmap("list", "--logbook", book).stdout

    def reviewed(*words: str) -> None:
        done = lashmap("review", "--logbook", book, "--by", "R. Viewer", *words)
        assert done.returncode == 0, done.stderr

    assert "CONFORMING 0." in listed()
    for confirming in ("16", "17"):
        reviewed("--exclude", confirming, "--reason", "a burr")
    assert "CONFORMING, readings taken out in review" in listed()
    reviewed("--sign-off", "R. Viewer", "--report", str(tmp_path / "page.html"))
    assert "CONFORMING, signed as not proven" in listed()
    history = lashmap("list", "--logbook", book, "--serial", "INV-1340-07").stdout
    assert "signed as not proven" in history
    # The page to sign does not show a tick alone where the signature is for something else.
    page = (tmp_path / "page.html").read_text("utf-8")
    head = re.search(r'<h2 id="verdict">conforming</h2>\s*<p class="otherwise">([^\n]*)</p>', page)
    assert head is not None
    assert head[1] == "As reviewed: <strong>not proven</strong>"
    reviewed("--undo", "1", "--reason", "no burr")
    assert "CONFORMING, readings taken out in review" in listed()
    reviewed("--undo", "2", "--reason", "no burr")
    assert "CONFORMING 0." in listed()
