"""A full disk: what was acknowledged is in the file, the rest waits in memory, and the file is whole."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from daemon.logbooks import CLOSE, note
from daemon.small_disk import small_disk
from lashmap_daemon.errors import LogbookError, LogbookFull
from lashmap_daemon.logbook.check import check_file
from lashmap_daemon.logbook.logbook import MOST_WAITING_BYTES, Logbook, Waiting
from lashmap_daemon.story import events
from lashmap_drivers.readings import Chunk


def fill(book: Logbook, *, pages: int = 3) -> None:
    """Let the file grow by so many pages only."""
    (now,) = book._base.execute("PRAGMA page_count").fetchone()
    book._base.execute(f"PRAGMA max_page_count={now + pages}")


def make_room(book: Logbook) -> None:
    book._base.execute("PRAGMA max_page_count=100000")


def noise(size: int, seed: int) -> bytes:
    """Bytes that do not deflate, without chance."""
    return b"".join((seed * 7919 + at * 104729).to_bytes(8, "big") for at in range(size // 8))


def texts(book: Logbook, test: str) -> list[str]:
    return [one.event.text for one in book.events(test) if isinstance(one.event, events.NoteTaken)]


def test_an_event_that_found_no_room_can_be_appended_again(tmp_path: Path) -> None:
    with Logbook(tmp_path / "book", create=True) as book:
        book.append("t", note("first"))
        fill(book)
        book.keep("t", "indicator", [Chunk(0.1, noise(60_000, 1))])
        with pytest.raises(LogbookFull, match=r"book: no room .*full.* Make room; what was written is safe"):
            book.append("t", note("second"))
        assert texts(book, "t") == ["first"]
        assert book.waiting_bytes > 60_000
        with pytest.raises(LogbookFull):
            book.append("t", note("second"))
        make_room(book)
        book.append("t", note("second"))
        book.append("t", CLOSE)
        assert book.waiting_bytes == 0
        assert texts(book, "t") == ["first", "second"]
        assert list(book.raw("t", "indicator")) == [Chunk(0.1, noise(60_000, 1))]
    found = check_file(tmp_path / "book")
    assert found.good
    assert found.tests[0].sealed is not None


def test_samples_wait_and_are_written_when_there_is_room(tmp_path: Path) -> None:
    chunks = [Chunk(0.3 * at, noise(3_000, at)) for at in range(40)]
    with Logbook(tmp_path / "book", create=True) as book:
        book.append("t", note("first"))
        fill(book)
        refused = 0
        for at, chunk in enumerate(chunks):
            if at == 30:
                make_room(book)
            try:
                book.keep("t", "indicator", [chunk])
            except LogbookFull:
                refused += 1
        assert 20 < refused < 30
        assert book.dropped_chunks == 0
    with Logbook(tmp_path / "book", create=False) as book:
        assert list(book.raw("t", "indicator")) == chunks
    assert check_file(tmp_path / "book").good


def test_between_two_tries_nothing_is_packed_and_the_answer_is_the_same(tmp_path: Path) -> None:
    with Logbook(tmp_path / "book", create=True) as book:
        book.append("t", note("first"))
        fill(book, pages=1)
        book.keep("t", "indicator", [Chunk(0.0, noise(30_000, 1))])
        with pytest.raises(LogbookFull) as first:
            book.keep("t", "indicator", [Chunk(0.3, noise(30_000, 2))])
        with pytest.raises(LogbookFull) as second:
            book.keep("t", "indicator", [Chunk(0.31, b"x")])
        assert second.value is first.value
        make_room(book)
        book.keep("t", "indicator", [Chunk(0.6, b"y")])
        assert len(list(book.raw("t", "indicator"))) == 4


def test_what_waits_is_bounded_and_what_goes_is_counted_and_marked() -> None:
    waiting = Waiting(most_bytes=50_000)
    for at in range(1000):
        waiting.add(("t", "indicator"), [Chunk(0.001 * at, b"%08d\r\n" % at)])
        waiting.add(("t", "encoder"), [Chunk(0.001 * at, b"%08d\r\n" % at)])
        assert waiting.bytes <= 50_000
    kept = waiting.oldest("t")
    assert waiting.dropped_chunks == 2000 - sum(not one.is_break for some in kept.values() for one in some)
    for some in kept.values():
        assert some[0].is_break
        assert some[-1] == Chunk(0.999, b"00000999\r\n")
        assert [one.is_break for one in some].count(True) == 1
    waiting.written("t", kept)
    assert waiting.bytes == 0
    # Two instruments of 1000 lines a second read 250 times a second: what the documentation promises.
    a_second = 2 * (1000 * 11 + 250 * 200)
    assert MOST_WAITING_BYTES / a_second > 500


def test_what_waits_is_due_by_its_time_or_its_size_and_what_was_written_counts_no_more() -> None:
    waiting, key = Waiting(), ("t", "indicator")
    waiting.add(key, [Chunk(0.0, bytes(40_000)), Chunk(0.2, b"")])
    assert not waiting.is_due(key)
    waiting.written("t", waiting.oldest("t"))
    waiting.add(key, [Chunk(0.3, bytes(40_000))])
    assert not waiting.is_due(key)
    waiting.add(key, [Chunk(0.3, bytes(40_000))])
    assert waiting.is_due(key)
    waiting.written("t", waiting.oldest("t"))
    waiting.add(key, [Chunk(1.0, b"x"), Chunk(1.24, b"y")])
    assert not waiting.is_due(key)
    waiting.add(key, [Chunk(1.25, b"z")])
    assert waiting.is_due(key)


def test_closing_on_a_full_disk_says_what_is_lost_and_lets_go_of_the_file(tmp_path: Path) -> None:
    book = Logbook(tmp_path / "book", create=True)
    book.append("t", note("first"))
    fill(book, pages=1)
    book.keep("t", "indicator", [Chunk(0.0, noise(60_000, 1))])
    with pytest.raises(LogbookFull, match="closed with raw samples not written: 60200 bytes"):
        book.close()
    with pytest.raises(LogbookError, match="closed database"):
        book.append("t", note("late"))
    assert check_file(tmp_path / "book").good


LIMITED = """
import json, resource, sys
from pathlib import Path
from lashmap_daemon.errors import LogbookFull
from lashmap_daemon.story.events import NoteTaken, Stamped
from lashmap_daemon.logbook.logbook import Logbook

def note(number):
    event = NoteTaken(text=f"{number} " + 3000 * "x")
    return Stamped(time_s=float(number), utc="2026-11-25T08:00:00Z", event=event)

book = Logbook(Path(sys.argv[1]), create=True)
soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, hard))
kept = 0
try:
    while kept < 1000:
        book.append("t", note(kept))
        kept += 1
except LogbookFull as error:
    message = str(error)
resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
book.append("t", note(kept))
book.close()
print(json.dumps({"kept": kept, "message": message}))
"""


def test_a_limit_on_the_size_of_files_is_a_full_disk(tmp_path: Path) -> None:
    """As the system enforces it, in a process of its own: writes fail with EFBIG."""
    path = tmp_path / "book"
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, str(path)], capture_output=True, text=True, check=False, timeout=60
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert 10 < told["kept"] < 1000
    assert "a quota or size limit is reached" in told["message"]
    with Logbook(path, create=False) as book:
        numbers = [int(text.split()[0]) for text in texts(book, "t")]
    assert numbers == list(range(told["kept"] + 1))
    assert check_file(path).good


def test_a_real_disk_of_a_megabyte(tmp_path: Path) -> None:
    with small_disk(tmp_path, 1) as disk:
        filled_up(disk)


def keep_until_full(book: Logbook) -> int:
    """How many chunks were kept before one was refused."""
    for kept in range(1000):
        try:
            book.keep("t", "encoder", [Chunk(0.3 * kept, noise(4_000, kept))])
        except LogbookFull:
            return kept
    return 1000


def filled_up(disk: Path) -> None:
    ballast = disk / "ballast"
    ballast.write_bytes(bytes(400_000))
    book = Logbook(disk / "book", create=True)
    kept = keep_until_full(book)
    assert 20 < kept < 1000
    base = sqlite3.connect(disk / "book")
    assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    base.close()
    ballast.unlink()
    book.append("t", note("there is room again"))
    assert len(list(book.raw("t", "encoder"))) == kept + 1
    assert book.dropped_chunks == 0
    book.close()
    assert check_file(disk / "book").good
