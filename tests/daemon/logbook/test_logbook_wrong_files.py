"""What is no logbook, or cannot be reached: the reason given is the right one, and so is the advice."""

from __future__ import annotations

import io
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from daemon.command import lashmap
from daemon.logbooks import note, two_tests
from lashmap_daemon.commands.logbook import verify
from lashmap_daemon.commands.options import VerifyOptions
from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook.check import check_file
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.rescue import rescue
from rich.console import Console


def reason(path: Path, *, create: bool = False) -> str:
    """Why it is not opened."""
    with pytest.raises(LogbookError) as caught:
        Logbook(path, create=create)
    assert str(path) in str(caught.value)
    return str(caught.value)


def test_a_text_file_is_no_disk_to_be_checked(tmp_path: Path) -> None:
    text = tmp_path / "text"
    text.write_text("not a logbook\n")
    said = reason(text)
    assert "so it is no logbook; choose another file" in said
    assert "check the disk" not in said
    told = lashmap("verify", "--logbook", str(text))
    assert told.returncode == 3
    assert "it never was a logbook, or its beginning is damaged" in " ".join(told.stdout.split())
    assert text.read_text() == "not a logbook\n"


def test_a_logbook_with_a_broken_head_is_sent_to_the_rescue(tmp_path: Path) -> None:
    broken = two_tests(tmp_path)
    with broken.open("r+b") as file:
        file.seek(
            44
        )  # the schema format number, a whole number of 1 to 4 (sqlite.org/fileformat2.html, 1.3.10)
        file.write(b"\x77\x77\x77\x77")
    said = reason(broken)
    assert "unsupported file format; it is damaged; save what is left with: lashmap rescue" in said
    assert "permissions" not in said


def test_what_the_database_says_of_its_damage_is_told_line_by_line(tmp_path: Path) -> None:
    broken = two_tests(tmp_path)
    size = 4096  # SQLite's default, and the logbook's
    with broken.open("r+b") as file:
        file.seek(size + 200)  # within the second page: its cells no longer point where they should
        file.write(random.Random(4).randbytes(size // 2))  # noqa: S311 - test data
    told = lashmap("verify", "--logbook", str(broken))
    assert told.returncode == 3
    damage = [line for line in told.stdout.splitlines() if "the database is damaged" in line]
    assert damage
    assert not [line for line in damage if "\\x0a" in line or "***" in line]


def test_a_folder_and_a_missing_folder_are_named_as_such(tmp_path: Path) -> None:
    assert "is a folder; name the logbook in it" in reason(tmp_path)
    assert "it is a folder; name the file" in reason(tmp_path, create=True)
    assert f"there is no folder {tmp_path / 'no'}; make it" in reason(tmp_path / "no" / "book", create=True)
    with pytest.raises(LogbookError, match="there is no folder"):
        rescue(two_tests(tmp_path), tmp_path / "no" / "new")


def test_an_empty_file_is_not_called_a_logbook_without_tests(tmp_path: Path) -> None:
    empty = tmp_path / "empty"
    empty.touch()
    assert "is empty: nothing was ever written to it, or it was cut to nothing" in reason(empty)
    for command in ("list", "verify"):
        told = lashmap(command, "--logbook", str(empty))
        assert told.returncode == 3
    assert empty.stat().st_size == 0
    Logbook(empty, create=True).close()  # who may make one may make it of an empty file
    assert check_file(empty).good


@pytest.mark.parametrize("cut", ["gone", "empty"])
def test_a_log_whose_file_is_gone_is_never_deleted(tmp_path: Path, cut: str) -> None:
    """SQLite deletes a write-ahead log beside an empty database (sqlite.org/wal.html has no word on it)."""
    book = Logbook(tmp_path / "whole", create=True)
    book.append("t", note("only in the log"))
    log = tmp_path / "book-wal"
    shutil.copy(tmp_path / "whole-wal", log)
    book.close()
    before = log.read_bytes()
    path = tmp_path / "book"
    if cut == "empty":
        path.touch()
    for create in (True, False) if cut == "empty" else (True,):
        assert "its write-ahead log book-wal is" in reason(path, create=create)
    assert log.read_bytes() == before
    with pytest.raises(LogbookError, match="its write-ahead log book-wal is"):
        rescue(tmp_path / "whole", path) if cut == "gone" else check_file(path)
    assert [one.rows for one in rescue(path, tmp_path / "new")] == [1]


def test_a_file_named_like_the_database_in_memory_is_a_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with Logbook(Path(":memory:"), create=True) as book:
        book.append("t", note("durable"))
    assert (tmp_path / ":memory:").stat().st_size > 0


CHECKED = """
import os, sys
from pathlib import Path
from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.check import check_file
os.setgid(65534)
os.setuid(65534)
for what in (lambda path: Logbook(path, create=False), check_file):
    try:
        what(Path(sys.argv[1]))
    except LogbookError as error:
        print(error)
    else:
        print("opened")
"""


@pytest.mark.skipif(os.name == "nt" or os.geteuid() != 0, reason="only root can become one who may not read")
def test_what_one_may_not_read_is_not_called_damaged() -> None:
    """As user 65534, who owns nothing; the folder is open to all, the file is not."""
    with tempfile.TemporaryDirectory() as name:
        path = two_tests(Path(name))
        Path(name).chmod(0o755)
        path.chmod(0o600)
        done = subprocess.run(
            [sys.executable, "-c", CHECKED, str(path)],
            capture_output=True,
            text=True,
            check=False,
            timeout=60,
        )
    assert done.returncode == 0, done.stderr
    said = done.stdout.splitlines()
    assert len(said) == 2
    for line in said:
        assert "you may not read it; ask its owner" in line
        assert "damaged" not in line


def test_a_logbook_that_another_one_holds_is_not_called_damaged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = two_tests(tmp_path)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("PRAGMA journal_mode=DELETE")
    other.execute("BEGIN EXCLUSIVE")
    connect = sqlite3.connect
    monkeypatch.setattr(
        "lashmap_daemon.logbook.schema.sqlite3.connect",
        lambda *args, **kwargs: connect(*args, **{**kwargs, "timeout": 0.0}),
    )
    console = Console(file=io.StringIO())
    with pytest.raises(LogbookError, match="another program is writing to it; wait for it or end it"):
        verify(VerifyOptions(logbook=path), console)
    other.close()
