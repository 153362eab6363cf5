"""A comparison written as its file's name says."""

from __future__ import annotations

import subprocess
from pathlib import Path

from analysis.pdf_reading import pdf_text
from daemon.command import lashmap
from daemon.virtual_time import CONFIGS

GOLDEN = CONFIGS.parent / "tests" / "golden"
BEFORE, AFTER = "20261125-080003-INV-1340-07", "20261125-080004-INV-1340-07"


def compared(report: Path) -> subprocess.CompletedProcess[str]:
    books = (
        "--logbook",
        GOLDEN / "spiral" / "test.logbook",
        "--logbook2",
        GOLDEN / "resumed" / "test.logbook",
    )
    return lashmap("compare", BEFORE, AFTER, *books, "--report", report)


def test_the_pdf_has_what_the_terminal_says(tmp_path: Path) -> None:
    made = [tmp_path / "one.pdf", tmp_path / "two.PDF"]
    done = [compared(path) for path in made]
    assert [one.returncode for one in done] == [0, 0], done[0].stderr
    assert made[0].read_bytes() == made[1].read_bytes()
    text = "".join(pdf_text(made[0].read_bytes()).replace("\u200b", "").split())
    said = [
        line[28:] for line in done[0].stdout.splitlines() if line.startswith(("tight spot ", "mean over"))
    ]
    assert len(said) == 2
    for words in said:
        assert "".join(words.split()) in text
    for test in (BEFORE, AFTER):
        assert test in text


def test_another_ending_is_refused_before_any_work_and_both_are_named(tmp_path: Path) -> None:
    for name in ("change.txt", "change"):
        done = compared(tmp_path / name)
        assert done.returncode == 2
        assert ".html or .pdf" in done.stderr
        assert not list(tmp_path.iterdir())
