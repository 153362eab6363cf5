"""Whoever opens a logbook finds the tables that lashmap made, or refuses; no command leaves others behind."""

from __future__ import annotations

import random
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from daemon.command import lashmap
from daemon.damaged_logbooks import another_object
from daemon.recordings import imported, mapping, write_csv
from daemon.virtual_time import CONFIGS, DEMO_BOX, VirtualTest, load_box
from lashmap_daemon.bus import outbox
from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook.check import check_test
from lashmap_daemon.logbook.digests import EventRow
from lashmap_daemon.logbook.guard import only_writer
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.rows import events_of
from lashmap_daemon.replay import replay as replay_samples
from lashmap_daemon.replay.conclude import hand_over
from lashmap_daemon.replay.replay import Replay
from lashmap_daemon.story.events import ResultAnnounced
from lashmap_drivers.readings import Samples

BENCH = (CONFIGS / "stands" / "bench.toml").read_text("utf-8")


def stand_file(folder: Path) -> Path:
    """A stand with a broker that is away."""
    path = folder / "stand.toml"
    text = BENCH.replace('"../instruments/', f'"{CONFIGS}/instruments/')
    path.write_text(text + '\n[bus]\nbroker = "mqtt://127.0.0.1:1"\nsettle_seconds = 0.1\n', "utf-8")
    return path


@pytest.fixture(scope="module")
def handed_over(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A logbook with a test that was judged and announced to a broker; and its name."""
    folder = tmp_path_factory.mktemp("handed-over")
    test = VirtualTest(folder, load_box(positions=6, gear_turns=1.0, confirming_positions=1), seed=5)
    test.run()
    name = test.started.test
    hand_over(test.logbook, name, folder)
    result = ResultAnnounced(topic="lashmap/bench-1", id=f"{name}/result/1", message='{"outcome":"x"}')
    outbox.announce(test.logbook.path, name, result)
    test.logbook.close()
    return test.logbook.path, name


COMMANDS = {
    "list": (0, "list --logbook {book}"),
    "review": (0, "review {test} --logbook {book} --report {folder}/report.html"),
    "sign": (0, "review {test} --logbook {book} --exclude 2 --reason burr --by R --sign-off S"),
    "export": (0, "export {test} --logbook {book} --to csv --output {folder}/tables"),
    "compare": (0, "compare {test} {test} --logbook {book} --logbook2 {copy}"),
    "shims": (0, "shims {test} --logbook {book} --box {box}"),
    "verify": (0, "verify --logbook {book}"),
    "publish": (3, "publish {folder}/stand.toml --logbook {book}"),
    "archive": (0, "archive {folder}/old.archive --older-than 0 --logbook {book}"),
}


def told(name: str, book: Path, test: str, folder: Path) -> tuple[int, str]:
    stand_file(folder)
    words = COMMANDS[name][1].format(
        book=book, test=test, folder=folder, copy=folder / "copy.logbook", box=DEMO_BOX
    )
    done = lashmap(*words.split())
    assert "Traceback" not in done.stderr
    return done.returncode, " ".join((done.stdout + done.stderr).split())


@pytest.mark.parametrize("name", COMMANDS)
def test_verify_calls_a_logbook_good_after_every_command(
    name: str, handed_over: tuple[Path, str], tmp_path: Path
) -> None:
    book, test = handed_over
    path = Path(shutil.copy(book, tmp_path / "a.logbook"))
    shutil.copy(book, tmp_path / "copy.logbook")
    status, said = told(name, path, test, tmp_path)
    assert status == COMMANDS[name][0], said
    done = lashmap("verify", "--logbook", path)
    assert done.returncode == 0, done.stdout
    for archived in tmp_path.glob("*.archive"):
        assert lashmap("verify", "--logbook", archived).returncode == 0


def test_verify_calls_the_logbook_of_an_import_good(tmp_path: Path) -> None:
    write_csv(tmp_path / "bench.csv")
    imported(mapping(tmp_path), tmp_path / "imported.logbook")
    assert lashmap("verify", "--logbook", tmp_path / "imported.logbook").returncode == 0


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_refuses_a_logbook_with_views_in_it(
    name: str, handed_over: tuple[Path, str], tmp_path: Path
) -> None:
    book, test = handed_over
    path = Path(shutil.copy(book, tmp_path / "a.logbook"))
    shutil.copy(book, tmp_path / "copy.logbook")
    before = path.read_bytes()
    with closing(sqlite3.connect(path)) as base:
        base.executescript(
            "ALTER TABLE event RENAME TO kept; ALTER TABLE moved RENAME TO kept_too;"
            "CREATE VIEW moved AS SELECT * FROM kept_too;"
            "CREATE VIEW event AS SELECT test, number, place, time_s, utc, kind, "
            "replace(body, '1', '2') AS body, digest FROM kept;"
        )
    assert path.read_bytes() != before
    status, said = told(name, path, test, tmp_path)
    assert status == 3, said
    assert "its tables are not those of a logbook" in said
    assert "view event" in said


@pytest.mark.parametrize("chance", range(6))
def test_nothing_is_written_to_or_read_from_a_file_with_anything_else_in_it(
    chance: int, handed_over: tuple[Path, str], tmp_path: Path
) -> None:
    path = Path(shutil.copy(handed_over[0], tmp_path / "a.logbook"))
    another_object(path, random.Random(chance))  # noqa: S311 - test data
    with only_writer(path), pytest.raises(LogbookError, match="its tables are not those of a logbook"):
        Logbook(path, create=True)
    with pytest.raises(LogbookError, match="its tables are not those of a logbook"):
        outbox.enrol(path, "lashmap/bench-1", "t")
    with pytest.raises(LogbookError, match="its tables are not those of a logbook"):
        check_test(path, handed_over[1])


def test_what_is_changed_while_it_is_read_is_not_judged(
    handed_over: tuple[Path, str], tmp_path: Path
) -> None:
    """The events are those of one moment, with their digests; what is written meanwhile is not among them."""
    path = Path(shutil.copy(handed_over[0], tmp_path / "a.logbook"))
    test = handed_over[1]
    changed: list[str] = []

    def hear(channel: str, _: Samples) -> None:
        if not changed:
            changed.append(channel)
            with closing(sqlite3.connect(path)) as base, base:
                base.execute("UPDATE event SET body = replace(body, '1', '2') WHERE kind != 'TestStarted'")

    with Logbook(path, create=False) as book:
        before = list(book.events(test))
        with Replay(book, test) as replay:
            record = replay.record(hear)
        assert changed
        assert list(replay.events) == before
        assert record.damage == ()
        with Replay(book, test) as replay:
            assert replay.record().damage != ()


def test_events_that_were_read_otherwise_than_they_stand_there_are_a_problem(
    handed_over: tuple[Path, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """As when a disk, or somebody, gives one reader something else than the next."""

    def otherwise(base: sqlite3.Connection, path: Path, test: str) -> list[EventRow]:
        return events_of(base, path, test)[:-1]

    monkeypatch.setattr(replay_samples, "events_of", otherwise)
    with Logbook(handed_over[0], create=False) as book, Replay(book, handed_over[1]) as replay:
        record = replay.record()
    assert any("what was read of the events is not what stands there now" in one for one in record.damage)
