from __future__ import annotations

import shutil
import signal
import sqlite3
import struct
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from lashmap_daemon.errors import LogbookError, LogbookFull
from lashmap_daemon.logbook import schema as logbook_migration
from lashmap_daemon.logbook.check import check_file
from lashmap_daemon.logbook.logbook import SCHEMA, Logbook
from lashmap_daemon.logbook.rescue import rescue
from lashmap_daemon.replay.conclude import conclude
from lashmap_drivers.readings import Chunk

SCHEMA_1 = Path(__file__).parents[1] / "data" / "schema-1.logbook"
CLOSED, KILLED = "20261125-080001-INV-1340-07", "20261125-080002-INV-1340-07"


@pytest.fixture
def old(tmp_path: Path) -> Path:
    return Path(shutil.copy(SCHEMA_1, tmp_path / "old.logbook"))


def chunks_of_schema_1(test: str, channel: str) -> list[tuple[float, bytes]]:
    """Read by the old layout itself: 12 bytes an arrival ('<dI'), the bytes one after another."""
    with sqlite3.connect(f"file:{SCHEMA_1}?immutable=1", uri=True) as base:
        rows = base.execute(
            "SELECT arrivals, data FROM raw WHERE test = ? AND channel = ? ORDER BY id", (test, channel)
        ).fetchall()
    base.close()
    chunks = []
    for arrivals, data in rows:
        start = 0
        for at in range(0, len(arrivals), 12):
            arrival_s, length = struct.unpack_from("<dI", arrivals, at)
            chunks.append((arrival_s, data[start : start + length]))
            start += length
    return chunks


def test_everything_of_schema_1_comes_along(old: Path) -> None:
    with sqlite3.connect(old) as base:
        assert base.execute("PRAGMA user_version").fetchone() == (1,)
        events = base.execute("SELECT test, number, time_s, utc, kind, body FROM event").fetchall()
    base.close()
    with Logbook(old, create=False) as book:
        for test in (CLOSED, KILLED):
            for channel in ("indicator", "encoder"):
                before = chunks_of_schema_1(test, channel)
                assert len(before) > 300
                assert [one[:2] for one in book.raw(test, channel)] == before
        assert conclude(book, CLOSED).lash_map is not None
        assert [one.closing for one in book.tests()] == ["completed: all positions done", "not closed"]
        sealed = book.seal_of(CLOSED)
        assert sealed is not None
        assert sealed.when == "brought over"
        assert book.seal_of(KILLED) is None
    with sqlite3.connect(old) as base:
        assert base.execute("PRAGMA user_version").fetchone() == (SCHEMA,)
        assert base.execute("SELECT test, number, time_s, utc, kind, body FROM event").fetchall() == events
        names = {name for (name,) in base.execute("SELECT name FROM sqlite_master WHERE sql IS NOT NULL")}
        assert names == {"event", "raw", "raw_by_place", "seal", "seal_by_test", "moved", "about"}
    base.close()
    assert [path.name for path in old.parent.glob("*schema*")] == []


def test_a_killed_test_of_schema_1_can_go_on(old: Path) -> None:
    with Logbook(old, create=False) as book:
        last_s = book.end_s(KILLED)
        assert last_s == pytest.approx(9.0)
        stamped = list(book.events(KILLED))
        book.append(KILLED, stamped[-1])
        book.keep(KILLED, "encoder", [Chunk(9.5, b"x")])
    with Logbook(old, create=False) as book:
        assert list(book.events(KILLED)) == [*stamped, stamped[-1]]
        assert book.end_s(KILLED) == 9.5


def test_a_migration_that_fails_leaves_the_file_and_its_copy(old: Path) -> None:
    with sqlite3.connect(old) as base:
        base.execute("UPDATE raw SET arrivals = ? WHERE id = 40", (b"short",))
    base.close()
    with pytest.raises(
        LogbookError, match=r"cannot be brought to 2 .* it is as it was, with a copy in .*rescue"
    ):
        Logbook(old, create=False)
    with sqlite3.connect(old) as base:
        assert base.execute("PRAGMA user_version").fetchone() == (1,)
        assert base.execute("SELECT count(*) FROM raw").fetchone() == (134,)
    base.close()
    assert (old.parent / "old.logbook.schema-1").exists()


CUT = """
import os, sys
from pathlib import Path
from lashmap_daemon import logbook_migration
from lashmap_daemon.logbook.logbook import Logbook
chain = logbook_migration.chain_of_schema_1
done = []
def cut(base, test):
    if done:
        os.kill(os.getpid(), 9)
    chain(base, test)
    done.append(test)
logbook_migration.chain_of_schema_1 = cut
Logbook(Path(sys.argv[1]), create=False)
"""


def test_a_migration_that_is_killed_is_as_if_it_had_never_begun(old: Path) -> None:
    """After the first of two tests, in a process of its own; opened again it goes through."""
    before = everything_of_schema_1(old)
    done = subprocess.run([sys.executable, "-c", CUT, str(old)], check=False, timeout=60)
    assert done.returncode == -signal.SIGKILL
    assert everything_of_schema_1(old) == before
    assert everything_of_schema_1(old.with_name("old.logbook.schema-1")) == before
    with Logbook(old, create=False) as book:
        assert [one.test for one in book.tests()] == [CLOSED, KILLED]
        assert [one[:2] for one in book.raw(KILLED, "encoder")] == chunks_of_schema_1(KILLED, "encoder")
    assert [path.name for path in old.parent.glob("*schema*")] == []
    assert check_file(old).good


def everything_of_schema_1(path: Path) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as base:
        assert base.execute("PRAGMA user_version").fetchone() == (1,)
        return [
            *base.execute("SELECT * FROM event ORDER BY test, number"),
            *base.execute("SELECT * FROM raw ORDER BY id"),
        ]


def test_a_migration_that_finds_no_room_says_so_and_leaves_everything(
    old: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = everything_of_schema_1(old)
    chain = logbook_migration.chain_of_schema_1

    def filled(base: sqlite3.Connection, test: str) -> None:
        (pages,) = base.execute("PRAGMA page_count").fetchone()
        base.execute(f"PRAGMA max_page_count = {pages + 2}")
        chain(base, test)

    monkeypatch.setattr(logbook_migration, "chain_of_schema_1", filled)
    with pytest.raises(LogbookFull, match=r"no room .* Make room; what was written is safe"):
        Logbook(old, create=False)
    assert [path.name for path in old.parent.glob("*schema*")] == []
    assert everything_of_schema_1(old) == before


def test_rows_of_another_kind_than_they_should_be_are_refused_and_not_stumbled_over(old: Path) -> None:
    with closing(sqlite3.connect(old)) as base:
        base.execute("UPDATE raw SET arrivals = 'text' WHERE id = 40")
        base.commit()
    with pytest.raises(LogbookError, match=r"cannot be brought to 2 .* it is as it was, with a copy"):
        Logbook(old, create=False)
    with closing(sqlite3.connect(old)) as base:
        assert base.execute("PRAGMA user_version").fetchone() == (1,)


def test_a_file_that_cannot_be_written_says_what_to_do(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # As os.access answers on a read-only disk; file modes would not stop tests that run as root.
    monkeypatch.setattr("lashmap_daemon.logbook.schema.os.access", lambda *_: False)
    with pytest.raises(LogbookError, match="copy it to a folder where you may write"):
        Logbook(old, create=False)


def test_a_damaged_file_of_schema_1_gives_what_can_be_read_and_no_seal(old: Path, tmp_path: Path) -> None:
    base = sqlite3.connect(old)
    base.execute("UPDATE raw SET arrivals = zeroblob(5) WHERE id = 40")
    base.execute("DELETE FROM event WHERE number = 9")
    base.commit()
    (packs,) = base.execute("SELECT count(*) FROM raw").fetchone()
    channel, first_s, last_s = base.execute(
        "SELECT channel, first_s, last_s FROM raw WHERE id = 40"
    ).fetchone()
    base.close()
    rescued = rescue(old, tmp_path / "new")
    assert [one.test[-17:] for one in rescued] == ["80001-INV-1340-07", "80002-INV-1340-07"]
    lost = f"samples of the {channel}, {first_s:.2f} to {last_s:.2f} s, cannot be read and were left out"
    assert lost in rescued[0].problems
    for one in rescued:
        assert "event 9 is gone" in one.problems
        assert any("carry no digests" in problem for problem in one.problems)
    base = sqlite3.connect(tmp_path / "new")
    assert base.execute("SELECT count(*) FROM raw").fetchone() == (packs - 1,)
    assert base.execute("SELECT count(*) FROM seal").fetchone() == (0,)
    base.close()
    with Logbook(tmp_path / "new", create=False) as book:
        verdict = conclude(book, rescued[0].test).verdict
    assert verdict.outcome == "not proven"
