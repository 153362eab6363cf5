"""What waits in a logbook, published without a test: whole, once, and never in the way of another."""

from __future__ import annotations

import io
import json
import shutil
import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import pytest
from daemon.bus.broker import Broker, free_port
from daemon.bus.killing import arrived, expected
from daemon.bus.on_bus import logbook_of, on_bus, settings
from daemon.bus.subscriber import subscriber
from daemon.bus.test_traffic import eventually
from daemon.command import lashmap
from daemon.damaged_logbooks import make_digests_anew
from daemon.virtual_time import CONFIGS, VirtualTest, load_box
from lashmap_daemon.bus import outbox
from lashmap_daemon.bus.outbox import Outbox
from lashmap_daemon.bus.stand_bus import StandBus
from lashmap_daemon.commands.bus import publish
from lashmap_daemon.commands.options import PublishOptions
from lashmap_daemon.errors import ConfigurationError, LogbookError, StandError
from lashmap_daemon.logbook.guard import only_writer
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.story import events
from rich.console import Console

BASE = "lashmap/bench-1"
SKIPPED = events.PositionSkipped(number=1, engagement=1, reason="x")
BENCH = (CONFIGS / "stands" / "bench.toml").read_text("utf-8")


def stand_file(folder: Path, url: str, *more: str) -> Path:
    path = folder / "stand.toml"
    text = BENCH.replace('"../instruments/', f'"{CONFIGS}/instruments/')
    path.write_text("\n".join([text, "[bus]", f'broker = "{url}"', "settle_seconds = 0.5", *more]), "utf-8")
    return path


def published(stand: Path, logbook: Path) -> str:
    file = io.StringIO()
    publish(PublishOptions(stand=stand, logbook=logbook), Console(file=file, width=200))
    return file.getvalue()


@pytest.fixture(scope="module")
def away(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, str]]:
    """A logbook with a test whose broker was away, and what of it must arrive."""
    folder = tmp_path_factory.mktemp("away")
    test = VirtualTest(folder, load_box(positions=5, gear_turns=1.0, confirming_positions=1))
    with on_bus(test, settings(f"mqtt://127.0.0.1:{free_port()}")) as stand:
        stand.run()
        stand.bus.conclude(conclude(test.logbook, None))
        wanted = expected(test, stand.bus)
    test.logbook.close()
    return logbook_of(test), wanted


@pytest.fixture
def unpublished(tmp_path: Path, away: tuple[Path, dict[str, str]]) -> tuple[Path, dict[str, str]]:
    """The same, to work with."""
    book, wanted = away
    assert not book.with_name(f"{book.name}-wal").exists()
    return Path(shutil.copy(book, tmp_path)), wanted


def test_all_that_waits_arrives_once_and_the_next_time_nothing(
    tmp_path: Path, broker: Broker, unpublished: tuple[Path, dict[str, str]]
) -> None:
    logbook, wanted = unpublished
    stand = stand_file(tmp_path, broker.url)
    with subscriber(broker.port) as heard:
        said = published(stand, logbook)
        assert f"{len(wanted)} records go to {broker.url}, below {BASE}" in said
        assert said.endswith(f"{len(wanted)} records were published.\n")
        assert heard.wait(lambda: set(arrived(heard)) == set(wanted))
        again = published(stand, logbook)
        assert again == f"Nothing waits in {logbook} for {BASE}.\n"
    for identifier, copies in arrived(heard).items():
        assert len(copies) == 1
        text, body = copies[0].decode(), wanted[identifier]
        assert text == body or text.endswith(f'"record":{body}}}')
    assert list(arrived(heard)) == list(wanted)  # in order
    assert {one.last for one in heard.heard} == {"position", "result"}  # nobody is said to be there


def test_a_broker_that_is_away_is_named_and_nothing_is_lost(
    tmp_path: Path, unpublished: tuple[Path, dict[str, str]]
) -> None:
    logbook, wanted = unpublished
    done = lashmap("publish", stand_file(tmp_path, f"mqtt://127.0.0.1:{free_port()}"), "--logbook", logbook)
    assert done.returncode == 3
    assert "is the broker running there?" in done.stderr
    assert f"{len(wanted)} records still wait in the logbook" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_broker_that_dies_before_it_surely_has_them_gets_them_again(
    tmp_path: Path, unpublished: tuple[Path, dict[str, str]]
) -> None:
    logbook, wanted = unpublished
    broker = Broker(tmp_path / "broker")
    broker.start()
    stand = stand_file(tmp_path, broker.url)
    stand.write_text(stand.read_text("utf-8").replace("settle_seconds = 0.5", "settle_seconds = 60"), "utf-8")
    try:
        with subscriber(broker.port) as heard:

            def kill() -> None:
                heard.wait(lambda: len(arrived(heard)) == len(wanted))
                broker.kill()

            killer = threading.Thread(target=kill)
            killer.start()
            with pytest.raises(StandError, match=f"{len(wanted)} records still wait"):
                published(stand, logbook)
            killer.join()
    finally:
        broker.kill()
    with closing(Outbox(logbook, BASE)) as box:
        assert box.waiting() == len(wanted)


def test_a_stand_that_is_there_is_left_alone(
    tmp_path: Path, broker: Broker, unpublished: tuple[Path, dict[str, str]]
) -> None:
    """MQTT 5, 3.1.4: a second connection with the same identifier would end the first."""
    logbook, _ = unpublished
    other = VirtualTest(tmp_path / "other", load_box(positions=5, gear_turns=1.0), seed=2)
    with subscriber(broker.port) as heard, on_bus(other, settings(broker.url)) as running:
        assert eventually(lambda: running.bus.report.connected)
        published(stand_file(tmp_path, broker.url), logbook)
        assert running.bus.report.connections == 1
        assert all(json.loads(one.payload)["online"] for one in heard.on("status"))


def test_a_logbook_that_is_written_is_refused_and_a_foreign_stand_is_named(
    tmp_path: Path, broker: Broker, unpublished: tuple[Path, dict[str, str]]
) -> None:
    logbook, wanted = unpublished
    stand = stand_file(tmp_path, broker.url, 'stand = "renamed"')
    with (
        only_writer(logbook),
        pytest.raises(LogbookError, match="sends what waits by itself"),
    ):
        published(stand, logbook)
    said = published(stand, logbook)
    assert f"Nothing waits in {logbook} for lashmap/renamed." in said
    assert f"{len(wanted)} records wait for {BASE}, which is another stand" in said


def test_verify_calls_a_logbook_good_whose_records_wait(unpublished: tuple[Path, dict[str, str]]) -> None:
    logbook, _ = unpublished
    done = lashmap("verify", "--logbook", logbook)
    assert done.returncode == 0, done.stdout
    assert "All good: 1 of 1 tests fit their seals." in done.stdout


def test_a_rescue_carries_over_what_waits(tmp_path: Path, unpublished: tuple[Path, dict[str, str]]) -> None:
    logbook, wanted = unpublished
    new = tmp_path / "new.logbook"
    done = lashmap("rescue", logbook, new)
    assert done.returncode == 0, done.stdout
    assert f"{len(wanted)} records wait to be published below {BASE}" in done.stdout
    with closing(Outbox(new, BASE)) as box:
        assert box.waiting() == len(wanted)
    assert lashmap("verify", "--logbook", new).returncode == 0


def test_a_rescue_says_what_of_that_it_could_not_carry(
    tmp_path: Path, unpublished: tuple[Path, dict[str, str]]
) -> None:
    logbook, _ = unpublished
    with closing(sqlite3.connect(logbook)) as base:
        base.execute("INSERT INTO outbox (topic, test, sent) VALUES (?, 'gone', 0)", (BASE,))
        base.commit()
    done = lashmap("rescue", logbook, tmp_path / "new.logbook")
    assert done.returncode == 3
    assert f"NOT CARRIED OVER: test gone was to be published below {BASE}, and nothing of it is left" in (
        " ".join(done.stdout.split())
    )
    told = lashmap("verify", "--logbook", tmp_path / "new.logbook").stdout
    assert "Not carried over when it was rescued: test gone" in " ".join(told.split())


def test_a_rescue_that_finds_the_index_of_the_outbox_alone_sends_all_again(
    tmp_path: Path, unpublished: tuple[Path, dict[str, str]]
) -> None:
    logbook, wanted = unpublished
    with closing(Outbox(logbook, BASE)) as box:
        box.mark({name.partition("/")[0]: 10**6 for name in wanted})
    with closing(sqlite3.connect(logbook)) as base:
        query = "SELECT rootpage FROM sqlite_master WHERE type = 'table' AND name = 'outbox'"
        (page,) = base.execute(query).fetchone()
        base.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    content = bytearray(logbook.read_bytes())
    content[(page - 1) * 4096 : page * 4096] = bytes(4096)
    (tmp_path / "damaged").write_bytes(content)
    done = lashmap("rescue", tmp_path / "damaged", tmp_path / "new.logbook")
    assert f"{len(wanted)} records wait to be published below {BASE}" in done.stdout


def changed(logbook: Path, kind: str, old: str, new: str) -> str:
    """Change what an event says, and make the digests of its test anew; returns the test."""
    with closing(sqlite3.connect(logbook)) as base, base:
        test, number, body = base.execute(
            "SELECT test, number, body FROM event WHERE kind = ? LIMIT 1", (kind,)
        ).fetchone()
        assert old in body
        base.execute(
            "UPDATE event SET body = ? WHERE test = ? AND number = ?", (body.replace(old, new), test, number)
        )
        make_digests_anew(base, test)
    return str(test)


@pytest.mark.parametrize(
    "change",
    [
        ("ResultAnnounced", '\\"outcome\\":\\"', '\\"outcome\\":\\"con'),
        ("ResultAnnounced", BASE, "lashmap/bench-2"),
        ("RockAccepted", '"number":1,', '"number":7,'),
    ],
)
def test_what_was_changed_while_it_waited_is_not_published(
    tmp_path: Path, broker: Broker, unpublished: tuple[Path, dict[str, str]], change: tuple[str, str, str]
) -> None:
    """Digests made anew up to the seal: only the seal is left to show it."""
    logbook, _ = unpublished
    test = changed(logbook, *change)
    stand = stand_file(tmp_path, broker.url)
    with Logbook(logbook, create=False) as book:
        book.append("other", events.Stamped(time_s=1.0, utc="2026-11-25T08:00:00Z", event=SKIPPED))
    outbox.enrol(logbook, BASE, "other")
    with subscriber(broker.port) as heard:
        with pytest.raises(LogbookError, match=rf"NOT SENT, since not as it was written:\ntest {test}: seal"):
            published(stand, logbook)
        assert heard.wait(lambda: bool(arrived(heard)))
    assert list(arrived(heard)) == ["other/1"]  # what is whole goes out all the same


def test_mistakes_are_named(tmp_path: Path) -> None:
    plain = tmp_path / "plain.toml"
    plain.write_text(BENCH.replace('"../instruments/', f'"{CONFIGS}/instruments/'), "utf-8")
    with pytest.raises(ConfigurationError, match=r"has no table \[bus\]"):
        published(plain, tmp_path / "a.logbook")
    with pytest.raises(LogbookError, match="no such logbook"):
        published(stand_file(tmp_path, "mqtt://127.0.0.1:1"), tmp_path / "a.logbook")
    assert not (tmp_path / "a.logbook").exists()


def test_a_test_whose_logbook_was_locked_when_it_began_is_published_all_the_same(
    tmp_path: Path, broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    test = VirtualTest(tmp_path, load_box(positions=5, gear_turns=1.0))

    def locked(*_: object) -> str:
        raise LogbookError("the outbox of the bus: database is locked")

    with (
        subscriber(broker.port) as heard,
        StandBus(settings(broker.url), "Bench 1", logbook_of(test)) as bus,
    ):
        monkeypatch.setattr(outbox, "enrol", locked)
        bus.begin(test.started)
        test.run_until(events.RockAccepted)
        assert heard.wait(lambda: bool(heard.on("position")))
