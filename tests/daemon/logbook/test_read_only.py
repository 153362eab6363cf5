"""A logbook that may be read and not written, for a user who is not root: to root its mode means nothing."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from daemon.command import lashmap
from daemon.exported import recorded
from daemon.logbooks import note
from daemon.other_user import common_folder, lashmap_without_rights
from daemon.small_disk import small_disk
from daemon.virtual_time import DEMO_BOX
from lashmap_daemon.logbook.logbook import Logbook

STAND = Path(__file__).parents[3] / "configs" / "stands" / "bench.toml"
Place = Callable[[Path], None]


def file_only(book: Path) -> None:
    """The folder may be written."""
    book.chmod(0o444)
    book.parent.chmod(0o777)


def file_and_folder(book: Path) -> None:
    """As on a share that others fill."""
    book.chmod(0o444)
    book.parent.chmod(0o555)


def folder_only(book: Path) -> None:
    """SQLite needs files beside it to write."""
    book.chmod(0o666)
    book.parent.chmod(0o555)


def left_in_the_log(book: Path) -> None:
    """Whoever wrote was killed: rows stand in the write-ahead log alone."""
    child = os.fork()
    if child == 0:
        Logbook(book, create=False).append(recorded()[1], note("written late"))
        os._exit(0)
    os.waitpid(child, 0)
    assert book.with_name(f"{book.name}-wal").stat().st_size > 0
    for one in book.parent.iterdir():
        one.chmod(0o444)
    book.parent.chmod(0o555)


PLACES = (file_only, file_and_folder, folder_only, left_in_the_log)


@pytest.fixture
def common() -> Iterator[Path]:
    with common_folder() as folder:
        (folder / "books").mkdir()
        (folder / "out").mkdir()
        (folder / "out").chmod(0o777)
        yield folder


def made(common: Path, place: Place) -> Path:
    book = Path(shutil.copy(recorded()[0], common / "books" / "box.logbook"))
    place(book)
    return book


def state_of(folder: Path) -> dict[str, tuple[int, bytes]]:
    """Everything in a folder; the shared-memory index aside, in which readers mark where they read."""
    return {
        one.name: (one.stat().st_mode, one.read_bytes())
        for one in folder.iterdir()
        if not one.name.endswith("-shm")
    }


@pytest.mark.parametrize("place", PLACES)
def test_it_can_be_listed_reviewed_exported_and_verified_and_stays_as_it_is(
    common: Path, place: Place
) -> None:
    book = made(common, place)
    before = state_of(book.parent)
    test = recorded()[1]
    for words, expected in (
        (("list",), test[:15]),
        (("review", test, "--report", common / "out" / "box.html"), "report"),
        (("export", "--to", "csv", "--samples", "none", "--output", common / "out" / "box"), "1 of 1 tests"),
        (("verify",), "All good"),
    ):
        done = lashmap_without_rights(*words, "--logbook", book)
        assert done.returncode == 0, (words, done.stderr)
        assert expected in done.stdout
        assert "Traceback" not in done.stderr
    assert (common / "out" / "box.html").stat().st_uid != 0  # it was no root that did all this
    assert ("written late" in (common / "out" / "box.html").read_text("utf-8")) == (place is left_in_the_log)
    assert state_of(book.parent) == before


@pytest.mark.parametrize(
    ("command", "place"),
    [
        *(("run", place) for place in PLACES),
        *((command, place) for command in ("resume", "serve", "archive") for place in PLACES[:2]),
    ],
)
def test_what_would_write_refuses_at_once_and_changes_nothing(
    common: Path, place: Place, command: str
) -> None:
    book = made(common, place)
    before = state_of(book.parent)
    words: dict[str, tuple[str | Path, ...]] = {
        "run": ("run", STAND, DEMO_BOX, "--locked-out", "--plain"),
        "resume": ("run", STAND, DEMO_BOX, "--locked-out", "--plain", "--resume"),
        "serve": ("serve", STAND, "--boxes", DEMO_BOX.parent),
        "archive": ("archive", common / "out" / "old.archive", "--older-than", "0"),
    }
    done = lashmap_without_rights(*words[command], "--logbook", book)
    assert done.returncode == 3, done.stderr
    assert str(book) in done.stderr
    assert "you may not write" in done.stderr
    assert "--logbook" in done.stderr
    assert "Traceback" not in done.stderr
    assert "isolate" not in done.stdout.lower()  # nobody was asked to confirm anything first
    assert state_of(book.parent) == before
    assert list((common / "out").iterdir()) == []


def test_a_new_logbook_in_a_read_only_folder_is_refused_by_run(common: Path) -> None:
    (common / "books").chmod(0o555)
    book = common / "books" / "new.logbook"
    done = lashmap_without_rights("run", STAND, DEMO_BOX, "--locked-out", "--plain", "--logbook", book)
    assert done.returncode == 3
    assert f"you may not write in its folder {book.parent}" in done.stderr
    assert list(book.parent.iterdir()) == []


def test_a_review_is_not_signed_in_a_read_only_logbook(common: Path) -> None:
    book = made(common, file_and_folder)
    before = state_of(book.parent)
    done = lashmap_without_rights("review", "--sign-off", "Ada", "--logbook", book)
    assert done.returncode == 3
    assert "cannot be written; copy it to a folder where you may write" in done.stderr
    assert "Traceback" not in done.stderr
    assert state_of(book.parent) == before


@pytest.mark.parametrize("words", [("list",), ("review",), ("verify",)])
def test_what_cannot_be_read_without_writing_says_what_to_do(common: Path, words: tuple[str, ...]) -> None:
    """A log without its index needs one made beside it."""
    book = made(common, left_in_the_log)
    book.parent.chmod(0o755)
    book.with_name(f"{book.name}-shm").unlink()
    book.parent.chmod(0o555)
    before = state_of(book.parent)
    done = lashmap_without_rights(*words, "--logbook", book)
    assert done.returncode == 3, done.stdout
    assert "to a folder where you may write" in done.stderr
    assert "Traceback" not in done.stderr
    assert state_of(book.parent) == before


def test_a_disk_that_is_mounted_read_only_is_refused_by_run_as_root_too(tmp_path: Path) -> None:
    with small_disk(tmp_path, 4) as disk:
        book = Path(shutil.copy(recorded()[0], disk / "box.logbook"))
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        assert lashmap("list", "--logbook", book).returncode == 0
        done = lashmap("run", STAND, DEMO_BOX, "--locked-out", "--plain", "--logbook", book)
        assert done.returncode == 3
        assert "its disk is read-only" in done.stderr
