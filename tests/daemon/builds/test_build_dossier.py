"""``lashmap review --dossier``: the build that a test names, from a stored logbook of the golden set."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from analysis.code_reading import codes_on
from analysis.pdf_reading import pdf_text
from daemon.command import lashmap
from lashmap_daemon.builds.book import BuildBook, newest_open
from lashmap_daemon.logbook.logbook import Logbook

from daemon import made_build as made

GOLDEN = Path(__file__).parents[2] / "golden"


@pytest.fixture
def book(tmp_path: Path) -> Path:
    path = tmp_path / "book"
    shutil.copyfile(GOLDEN / "built" / "test.logbook", path)
    return path


def test_sheet_photographs_test_and_signatures_are_in_it(tmp_path: Path, book: Path) -> None:
    (tmp_path / "drive.png").write_bytes(made.png())
    with Logbook(book, create=False) as logbook:
        found = newest_open(logbook, "INV-2020-02")
        assert found is not None
        open_book = BuildBook(logbook, found.name, found.build)
        open_book.keep_photo(tmp_path / "drive.png", made.BY)
        open_book.append(made.decided("20261125-080010-INV-2020-02", accepted=False, outcome="not proven"))
    dossier = tmp_path / "dossier.pdf"
    done = lashmap("review", "--logbook", book, "--sign-off", "S. Nobody", "--dossier", dossier)
    assert done.returncode == 0, done.stderr
    assert f"dossier  {dossier}" in done.stdout
    text = pdf_text(dossier.read_bytes())
    for words in (
        "Dossier of build-20261125-080100-INV-2020-02",
        "cannot be measured here: no bore to it",
        "Photograph 1, of an earlier look: drive.png",
        "Test A: 20261125-080010-INV-2020-02",
        "R. Reviewer, 2026-11-25T09:00:00+01:00",
        "S. Nobody, ",
        "state: NOT ACCEPTED on test 20261125-080010-INV-2020-02 (not proven) by C. Chief, next: thicker",
        "box not accepted on test",
        "C. Chief, 2026-11-25T09:00:00+01:00",
        "Backlash record",
    ):
        assert words in text
    assert "no measured parts of the pinion, stock of shims for the pinion" in text
    assert not re.search(r"\[(parts|shims)|[a-z]\.[a-z]+_[a-z]", pdf_text(dossier.read_bytes(), page=1))
    (code,) = codes_on(dossier.read_bytes())
    verified = lashmap("verify", "--logbook", book, "20261125-080010-INV-2020-02").stdout
    assert code[0] == "lashmap build build-20261125-080100-INV-2020-02"
    assert code[2] == "lashmap test 20261125-080010-INV-2020-02"
    assert re.search(rf"seal 1\s+{code[3].removeprefix('seal SHA-256 ')}\s+closed", verified)


def test_a_test_without_a_build_and_another_ending_are_refused(tmp_path: Path, book: Path) -> None:
    done = lashmap("review", "--logbook", book, "--dossier", tmp_path / "dossier.html")
    assert done.returncode == 2
    assert "a dossier is a PDF; name it .pdf" in done.stderr
    shutil.copyfile(GOLDEN / "mitre" / "test.logbook", book)
    done = lashmap("review", "--logbook", book, "--dossier", tmp_path / "dossier.pdf")
    assert done.returncode == 2
    assert "names no build, so there is no dossier of one" in done.stderr
    assert not (tmp_path / "dossier.pdf").exists()
