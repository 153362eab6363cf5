"""What reviewers did goes with an export: as the result document has it, and beside what was recorded."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from daemon.command import lashmap
from daemon.exported import FORMULA, recorded
from lashmap_analysis import load


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The recorded test after a review: a position out, a reversal out and in again, signed twice."""
    path = tmp_path_factory.mktemp("reviewed") / "book"
    shutil.copy(recorded()[0], path)
    for words in (
        ("--exclude", "2", "--reason", FORMULA, "--by", "R. Nobody"),
        ("--sign-off", "R. Nobody", "--reason", "but look at position 3"),
        ("--exclude", "3", "--reversal", "2", "--reason", "bump", "--by", "S. Nobody"),
        ("--undo", "2", "--reason", "none after all", "--by", "R. Nobody"),
        ("--sign-off", "S. Nobody"),
    ):
        assert lashmap("review", "--logbook", str(path), *words).returncode == 0
    return path


def document(book: Path) -> dict[str, Any]:
    """The result document as the command line gives it."""
    done = lashmap("review", "--logbook", str(book), "--json")
    found: dict[str, Any] = json.loads(done.stdout)
    return found


@pytest.mark.parametrize("kind", ["csv", "parquet", "json"])
def test_a_review_is_exported_value_for_value(kind: str, book: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    words = ("--to", kind, "--output", str(out), "--samples", "none", "--logbook", str(book))
    done = lashmap("export", *words)
    assert done.returncode == 0
    said = " ".join(done.stdout.split())
    assert (
        "exported is the result as recorded, with all of them. The other is in the table reviewed_results"
        in said
    )
    found, shown = load(out), document(book)
    review = shown["review"]

    (reviewed,) = found["reviewed_results"].to_dict("records")
    for name in ("outcome", "engagement", "normal_backlash_mm", "interval_low_mm", "positions", "usable"):
        assert reviewed[name] == review["reviewed"][name], name
    assert reviewed["reasons"].split("\n") == review["reviewed"]["reasons"]
    (result,) = found["results"].to_dict("records")
    assert result["stated_normal_backlash_mm"] == shown["tight_spot"]["stated"]["normal_backlash_mm"]
    assert result["stated_interval_low_mm"] != reviewed["interval_low_mm"]  # the recorded one stays
    assert len(found["positions"]) == reviewed["positions"] + 1
    assert result["review_signed"] == review["signed"] != ""

    out_of_it = found["exclusions"]
    assert out_of_it["reason"].tolist() == [FORMULA, "bump"]
    assert out_of_it["holds"].tolist() == [True, False]
    assert out_of_it["reversal"].isna().tolist() == [True, False]
    assert out_of_it["undone_reason"].tolist() == ["", "none after all"]
    assert out_of_it["start_s"][1] == review["exclusions"][1]["start_s"]

    signatures = found["signatures"]
    assert signatures["by"].tolist() == ["R. Nobody", "S. Nobody"]
    assert signatures["exclusions"].tolist() == ["1", "1"]
    assert signatures["remark"].tolist() == ["but look at position 3", ""]
    assert signatures["normal_backlash_mm"].tolist() == [
        one["normal_backlash_mm"] for one in review["sign_offs"]
    ]


def test_a_test_that_nobody_reviewed_has_no_rows_there(tmp_path: Path) -> None:
    words = ("--to", "csv", "--output", str(tmp_path / "out"), "--samples", "none")
    done = lashmap("export", *words, "--logbook", str(recorded()[0]))
    assert done.returncode == 0
    assert "reviewer" not in done.stdout
    for name in ("reviewed_results", "exclusions", "signatures"):
        assert len(pd.read_csv(tmp_path / "out" / f"{name}.csv")) == 0
    assert load(tmp_path / "out")["results"]["review_signed"].tolist() == [""]
