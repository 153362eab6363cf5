"""The index of a list: as good as the events, never better known than they, and never needed."""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from daemon.command import lashmap
from daemon.logbooks import add_test, note, two_tests
from lashmap_daemon.logbook import index as index_module
from lashmap_daemon.logbook.check import check_file
from lashmap_daemon.logbook.index import Index
from lashmap_daemon.logbook.logbook import Logbook


@pytest.fixture(name="book")
def a_book(tmp_path: Path) -> Path:
    path = two_tests(tmp_path)
    with Logbook(path, create=False) as logbook:
        add_test(logbook, tmp_path, "t3", "conforming")
    settled(path)
    return path


def settled(path: Path) -> None:
    """As if nobody had written for a while."""
    os.utime(path, ns=(0, path.stat().st_mtime_ns - 10_000_000_000))


def beside(path: Path) -> Path:
    return path.with_name(f"{path.name}.index")


def of_events(path: Path) -> list[str]:
    """The list as the events alone give it."""
    with Logbook(path, create=False) as book:
        return [repr(book.summary(name, str(utc))) for name, utc in book._base.execute(
            "SELECT test, utc FROM event WHERE number = 1 ORDER BY utc, test")]  # fmt: skip


def listed(path: Path) -> list[str]:
    with Logbook(path, create=False) as book:
        return [repr(one) for one in book.tests()]


def test_it_says_what_the_events_say_and_no_event_is_read_for_it_again(
    book: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert listed(book) == of_events(book)
    assert beside(book).exists()
    monkeypatch.setattr(Logbook, "events", None)
    assert len(listed(book)) == 3
    assert Index.of(book).missing == ()
    monkeypatch.setattr(index_module, "_events", None)  # nor any digest made, while the file stays as it is
    assert len(listed(book)) == 3


def test_what_is_added_is_read_and_the_rest_is_not(book: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    listed(book)
    with Logbook(book, create=False) as logbook:
        logbook.append("t2", note("later", 201.0))
    settled(book)
    assert Index.of(book).missing == ("t2",)
    read: list[str] = []
    events = Logbook.events

    def counted(self: Logbook, test: str) -> object:
        read.append(test)
        return events(self, test)

    monkeypatch.setattr(Logbook, "events", counted)
    listed(book)
    assert read == ["t2"]
    monkeypatch.undo()
    assert listed(book) == of_events(book)


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE event SET body = replace(body, 'conforming', 'not proven') WHERE kind = 'ResultStored'",
        "UPDATE event SET utc = '2020-01-01T00:00:00Z' WHERE test = 't3' AND number = 1",
        "UPDATE event SET digest = zeroblob(32) WHERE test = 't3' AND number = 2",
        "DELETE FROM event WHERE test = 't3' AND kind = 'ResultStored'",
    ],
)
def test_a_record_that_was_changed_is_believed_before_the_index(book: Path, change: str) -> None:
    before = listed(book)
    with sqlite3.connect(book) as base:
        base.execute(change)
    base.close()
    assert Index.of(book).missing == ("t3",)
    assert listed(book) == of_events(book)
    assert (listed(book) == before) == ("zeroblob" in change)


def test_a_logbook_that_changed_a_moment_ago_is_not_believed_by_its_time(book: Path) -> None:
    listed(book)
    kept = json.loads(beside(book).read_text("ascii").partition("\n")[2])
    assert kept["stamp"]
    with Logbook(book, create=False) as logbook:
        logbook.append("t1", note("now", 201.0))
    listed(book)
    kept = json.loads(beside(book).read_text("ascii").partition("\n")[2])
    assert kept["stamp"] is None


def _planted(change: Callable[[dict[str, object]], object]) -> Callable[[bytes], bytes]:
    """What somebody would write who knows how the digest is made."""

    def made(content: bytes) -> bytes:
        kept = json.loads(content.partition(b"\n")[2])
        change(kept)
        body = json.dumps(kept)
        digest = hashlib.sha256(body.encode()).hexdigest()
        return f"lashmap index {index_module._VERSION} {digest}\n{body}\n".encode()

    return made


def _entry(kept: dict[str, object]) -> dict[str, object]:
    entries = kept["entries"]
    assert isinstance(entries, dict)
    found = entries["t3"]
    assert isinstance(found, dict)
    return found


@pytest.mark.parametrize(
    "damage",
    [
        lambda _: b"",
        lambda _: b"\xff" * 100,
        lambda content: content[:-20],
        lambda content: content.replace(b"conforming", b"not proven"),
        lambda content: content.replace(b"lashmap index 1", b"lashmap index 0"),
        lambda _: b"lashmap index 1 " + b"0" * 64 + b"\n" + b"[" * 100_000,
        _planted(lambda kept: kept.update(entries=3)),
        _planted(lambda kept: kept.pop("fields")),
        _planted(lambda kept: kept.update(fields=["test"])),
        _planted(lambda kept: _entry(kept).update(said={"test": "t3"})),
        _planted(lambda kept: _entry(kept).update(utc=5)),
        _planted(lambda kept: _entry(kept).pop("digest")),
    ],
)
def test_a_damaged_index_is_made_anew(book: Path, damage: Callable[[bytes], bytes]) -> None:
    right = listed(book)
    whole = beside(book).read_bytes()
    beside(book).write_bytes(damage(whole))
    assert listed(book) == right == of_events(book)
    assert beside(book).read_bytes() == whole


def test_a_link_in_its_place_is_replaced_and_what_it_points_at_is_left(book: Path, tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.write_text("mine", "utf-8")
    beside(book).symlink_to(other)
    right = listed(book)
    assert right == of_events(book)
    assert not beside(book).is_symlink()
    assert other.read_text("utf-8") == "mine"


def test_seals_and_the_logbook_itself_know_nothing_of_it(book: Path) -> None:
    before = book.read_bytes()
    listed(book)
    assert book.read_bytes() == before
    assert check_file(book).good


def test_the_command_shows_the_same_with_and_without_it(book: Path) -> None:
    first = lashmap("list", "--logbook", book).stdout
    assert beside(book).exists()
    assert lashmap("list", "--logbook", book).stdout == first
    assert "CONFORMING" in first
