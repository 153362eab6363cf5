"""Damaged files: nothing ends in a traceback, nothing damaged is called good, nothing undamaged is lost."""

from __future__ import annotations

import io
import random
import shutil
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from daemon.command import lashmap
from daemon.logbooks import closed_test, note, two_tests
from lashmap_daemon.commands.logbook import rescue_logbook
from lashmap_daemon.commands.options import RescueOptions
from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook.check import check_file, check_test
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.rescue import Rescued, rescue
from rich.console import Console

PAGE = 4096
Content = dict[str, tuple[object, ...]]


def content_of(path: Path, names: Iterable[str] | None = None) -> Content:
    """What a reader gets: events and samples of every test, or of those named."""
    with Logbook(path, create=False) as book:
        return {
            test: (
                tuple(book.events(test)),
                tuple(book.raw(test, "indicator")),
                tuple(book.raw(test, "encoder")),
            )
            for test in (names if names is not None else [one.test for one in book.tests()])
        }


def verified(path: Path) -> set[str]:
    """Tests that verify calls good in a file whose database it calls good; reported errors are no verdict."""
    try:
        found = check_file(path)
    except LogbookError:
        return set()
    return set() if found.damage else {one.test for one in found.tests if not one.problems and one.rows}


def must_be_honest(damaged: Path, before: Content) -> list[Rescued]:
    """Verify, then rescue and verify again: whatever is called good must be as it was."""
    good = verified(damaged)
    if good:
        assert content_of(damaged, good) == {test: before[test] for test in good}
    new = damaged.with_name("new.logbook")
    try:
        rescued = rescue(damaged, new)
    except LogbookError:
        assert not good
        assert not new.exists()
        return []
    whole = {one.test for one in rescued if not one.problems}
    assert good <= whole
    assert content_of(new, whole) == {test: before[test] for test in whole}
    return list(rescued)


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return two_tests(tmp_path_factory.mktemp("sound"))


@pytest.fixture(scope="module")
def before(sound: Path) -> Content:
    return content_of(sound)


def flip(content: bytearray, rng: random.Random) -> None:
    for _ in range(rng.choice([1, 1, 3, 30])):
        content[rng.randrange(len(content))] ^= 1 << rng.randrange(8)


def cut(content: bytearray, rng: random.Random) -> None:
    del content[rng.randrange(len(content)) :]


def tear_last_page(content: bytearray, rng: random.Random) -> None:
    """As a power cut leaves it: the first part of the page is new, the rest was never written."""
    half = rng.randrange(512, PAGE, 512)
    content[len(content) - PAGE + half :] = bytes(PAGE - half)


def blank_page(content: bytearray, rng: random.Random) -> None:
    start = rng.randrange(len(content) // PAGE) * PAGE
    content[start : start + PAGE] = bytes(PAGE)


def scribble(content: bytearray, rng: random.Random) -> None:
    start = rng.randrange(len(content))
    some = rng.randbytes(rng.randrange(1, 6000))
    content[start : start + len(some)] = some
    del content[max(start, len(content) - PAGE) + PAGE :]


@pytest.mark.parametrize("damage", [flip, cut, tear_last_page, blank_page, scribble])
def test_damage_at_random_places_is_never_called_good(
    sound: Path, before: Content, tmp_path: Path, damage: Callable[[bytearray, random.Random], None]
) -> None:
    rng = random.Random(damage.__name__)  # noqa: S311 - test data
    saved = 0
    for turn in range(10):
        folder = tmp_path / str(turn)
        folder.mkdir()
        content = bytearray(sound.read_bytes())
        damage(content, rng)
        path = folder / "damaged.logbook"
        path.write_bytes(content)
        saved += sum(not one.problems for one in must_be_honest(path, before))
    assert saved >= (0 if damage is cut else 6)  # of 20; a cut takes most of a file this small


def test_a_sound_file_comes_out_as_it_was(sound: Path, before: Content, tmp_path: Path) -> None:
    rescued = rescue(sound, tmp_path / "new")
    assert [(one.test, one.problems, len(one.kept), one.dropped) for one in rescued] == [
        ("t1", (), 1, ()),
        ("t2", (), 1, ()),
    ]
    assert content_of(tmp_path / "new") == before
    found = check_file(tmp_path / "new")
    assert found.good
    assert [one.digest for one in found.seals] == [one.digest for one in check_file(sound).seals]


def test_a_lost_header_and_a_lost_index_cost_nothing(sound: Path, before: Content, tmp_path: Path) -> None:
    content = bytearray(sound.read_bytes())
    content[:PAGE] = bytes(PAGE)  # the header, and where every table begins
    path = tmp_path / "headless"
    path.write_bytes(content)
    assert verified(path) == set()
    rescued = rescue(path, tmp_path / "new")
    assert [one.problems for one in rescued] == [(), ()]
    assert content_of(tmp_path / "new") == before


def test_a_row_that_was_changed_is_named_and_its_seal_dropped(sound: Path, tmp_path: Path) -> None:
    path = Path(shutil.copy(sound, tmp_path / "changed"))
    base = sqlite3.connect(path)
    base.execute("UPDATE event SET body = replace(body, 'note 3', 'note X') WHERE test = 't1'")
    base.commit()
    base.close()
    console = Console(file=io.StringIO(), width=200)
    assert rescue_logbook(RescueOptions(damaged=path, new=tmp_path / "new"), console) == 3
    assert isinstance(console.file, io.StringIO)
    text = console.file.getvalue()
    assert "test t1: DAMAGED" in text
    assert "seal 1 does not fit what is left and was dropped" in text
    assert "event 5 (NoteTaken, at 3.0 s): it was changed" in text
    assert "test t2: whole" in text
    assert "1 of 2 tests are whole" in text
    with Logbook(tmp_path / "new", create=False) as book:
        assert not check_test(tmp_path / "new", "t1").seals
        assert check_test(tmp_path / "new", "t2").is_sealed
        assert len(list(book.events("t1"))) == 8


@contextmanager
def running(path: Path) -> Iterator[Logbook]:
    """A logbook with t1 in the file, t2 only in the write-ahead log."""
    two = Logbook(path, create=True)
    closed_test(two, path.parent, "t1")
    base = sqlite3.connect(path)
    base.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    base.close()
    closed_test(two, path.parent, "t2")
    try:
        yield two
    finally:
        two.close()


def test_a_missing_log_is_an_earlier_moment_and_what_was_in_the_file_is_good(tmp_path: Path) -> None:
    with running(tmp_path / "book") as book:
        before = content_of(book.path)
        lone = Path(shutil.copy(book.path, tmp_path / "lone"))
    assert verified(lone) == {"t1"}
    assert content_of(lone) == {"t1": before["t1"]}


def test_a_torn_log_loses_only_what_was_torn(tmp_path: Path) -> None:
    rng = random.Random(5)  # noqa: S311 - test data
    with running(tmp_path / "book") as book:
        before = content_of(book.path)
        file, log = book.path.read_bytes(), (tmp_path / "book-wal").read_bytes()
    for turn in range(6):
        folder = tmp_path / f"torn{turn}"
        folder.mkdir()
        (folder / "torn").write_bytes(file)
        torn = bytearray(log)
        (cut if turn % 2 else flip)(torn, rng)
        (folder / "torn-wal").write_bytes(torn)
        verified(folder / "torn")
        assert (folder / "torn-wal").read_bytes() == torn  # what is left of it is left to rescue
        rescued = must_be_honest_running(folder / "torn", before)
        assert not next(one for one in rescued if one.test == "t1").problems


def must_be_honest_running(path: Path, before: Content) -> list[Rescued]:
    """The end of a test that was not closed may be gone without a trace; what is there is its beginning."""
    shutil.copytree(path.parent, path.parent / "copy")  # opening it would tidy the log away
    good = verified(path.parent / "copy" / path.name)
    assert "t1" in good
    if "t2" in good:
        now = content_of(path.parent / "copy" / path.name, ["t2"])["t2"]
        for some, all_ in zip(now, before["t2"], strict=True):
            assert isinstance(some, tuple)
            assert isinstance(all_, tuple)
            assert some == all_[: len(some)]
    return list(rescue(path, path.parent / "new"))


def test_a_log_of_another_moment_is_never_good(tmp_path: Path) -> None:
    """An old log beside a newer file: its sums are right, and SQLite plays it over the newer pages."""
    with running(tmp_path / "book") as book:
        stale = (tmp_path / "book-wal").read_bytes()
        closed_test(book, tmp_path, "t3", notes=30)
        before = content_of(book.path)
    file = (tmp_path / "book").read_bytes()
    folder = tmp_path / "mixed"
    folder.mkdir()
    (folder / "mixed").write_bytes(file)
    (folder / "mixed-wal").write_bytes(stale)
    shutil.copytree(folder, tmp_path / "copy")
    good = verified(tmp_path / "copy" / "mixed")
    if good:
        assert content_of(tmp_path / "copy" / "mixed", good) == {test: before[test] for test in good}
    assert "t3" not in good
    rescued = rescue(folder / "mixed", tmp_path / "new")
    assert {one.test for one in rescued if not one.problems} == {"t1", "t2", "t3"}
    assert content_of(tmp_path / "new") == before


def test_the_command_says_what_is_wrong_with_its_arguments(sound: Path, tmp_path: Path) -> None:
    there = tmp_path / "there"
    there.write_text("something")
    done = lashmap("rescue", sound, there)
    assert done.returncode == 3
    assert f"{there}: is there already" in done.stderr
    done = lashmap("rescue", tmp_path / "absent", tmp_path / "new")
    assert done.returncode == 3
    assert "cannot be read (No such file" in done.stderr
    done = lashmap("rescue", there, tmp_path / "new")
    assert done.returncode == 3
    assert "no row of a logbook can be read" in done.stderr
    assert not (tmp_path / "new").exists()
    (tmp_path / "empty").touch()
    done = lashmap("rescue", tmp_path / "empty", tmp_path / "new")
    assert "no row of a logbook" in done.stderr
    done = lashmap("rescue", sound, tmp_path / "no-folder" / "new")
    assert done.returncode == 3
    assert "Traceback" not in done.stderr


def test_damage_that_the_database_cannot_even_quote_is_an_error_with_a_way_out(
    sound: Path, tmp_path: Path
) -> None:
    content = bytearray(sound.read_bytes())
    content[content.index(b"CREATE UNIQUE INDEX") + 5] = 0xC5
    path = tmp_path / "unquotable"
    path.write_bytes(content)
    with pytest.raises(
        LogbookError, match="its tables cannot be read; save what is left with: lashmap rescue"
    ):
        Logbook(path, create=False)


def test_an_open_test_comes_along(tmp_path: Path) -> None:
    with Logbook(tmp_path / "book", create=True) as book:
        book.append("t1", note("one"))
        book.append("t1", note("two"))
        rescued = rescue(book.path, tmp_path / "new")  # while it is written
    assert [(one.rows, one.problems, one.kept) for one in rescued] == [(2, (), ())]
