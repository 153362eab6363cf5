"""What someone far away sees, and what a hostile sender must not make them see."""

from __future__ import annotations

import io
import json
import re
import threading
import time
import unicodedata
from pathlib import Path
from typing import Any

import pytest
from daemon.bus.broker import Broker, free_port
from daemon.bus.on_bus import OnBus, on_bus, settings
from daemon.bus.subscriber import Heard, subscriber
from daemon.bus.test_requests import Asker
from daemon.bus.test_traffic import eventually
from daemon.command import lashmap, start
from daemon.virtual_time import CONFIGS, VirtualTest, load_box
from hypothesis import given
from hypothesis import strategies as st
from lashmap_daemon.bus import from_test, messages
from lashmap_daemon.commands.bus import watch
from lashmap_daemon.commands.options import WatchOptions
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.hall.hall import MOST_STANDS, BrokerSeen, Hall
from lashmap_daemon.hall.screen import screen
from lashmap_daemon.story import events
from rich.console import Console

BENCH = CONFIGS / "stands" / "bench.toml"
THERE = BrokerSeen(address="mqtt://broker.example", since_s=0.0, problem="")
AWAY = BrokerSeen(address="mqtt://broker.example", since_s=100.0, problem="it sleeps")


@pytest.fixture(scope="module")
def heard(tmp_path_factory: pytest.TempPathFactory) -> list[Heard]:
    """What a stand says in the first positions of a test, as a broker delivered it."""
    folder = tmp_path_factory.mktemp("heard")
    broker = Broker(folder / "broker")
    broker.start()
    test = VirtualTest(folder, load_box(positions=5, gear_turns=1.0))
    try:
        with subscriber(broker.port) as found:
            with on_bus(test, settings(broker.url)) as stand:
                assert eventually(lambda: stand.bus.report.connected)
                test.run_until(events.RockAccepted)
                stand.tick_for(1.2)
                assert found.wait(lambda: bool(found.on("position")))
                assert stand.until(lambda: bool(found.on("live")))
                assert eventually(
                    lambda: [json.loads(one.payload)["done"] for one in found.on("state")[-1:]] == [1]
                )
            # It says that it is online once or, when it got there before its test, twice.
            assert found.wait(lambda: any(b'"online":false' in one.payload for one in found.on("status")))
    finally:
        broker.kill()
    return [one for one in found.heard if not (one.last == "status" and b'"online":false' in one.payload)]


def fed(messages: list[Heard], *, wanted: frozenset[str] = frozenset(), at_s: float = 100.0) -> Hall:
    hall = Hall(root="lashmap", wanted=wanted)
    for one in messages:
        hall.feed(one.topic, one.payload, retained=one.retain, now_s=at_s)
    return hall


def shown(hall: Hall, broker: BrokerSeen = THERE, now_s: float = 100.1, *, most: int | None = None) -> str:
    console = Console(file=io.StringIO(), width=120, height=40, highlight=False)
    console.print(screen(hall, broker, now_s, height=40, most=most))
    file = console.file
    assert isinstance(file, io.StringIO)
    return file.getvalue()


def test_one_stand_as_the_person_at_it_sees_it(heard: list[Heard]) -> None:
    hall = fed(heard, wanted=frozenset({"bench-1"}))
    text = shown(hall)
    state = hall.stands["bench-1"].state
    assert state is not None
    assert state.instruction.split(";")[0][:60] in text
    assert "1 of 5 positions" in text
    assert re.search(r"last sample 0\.[12] s ago", text)
    assert "q leave" in text
    assert "r repeat" not in text
    assert hall.not_understood == 0


def test_ages_go_on_while_nothing_is_heard(heard: list[Heard]) -> None:
    hall = fed(heard, wanted=frozenset({"bench-1"}))
    late = shown(hall, now_s=107.0)
    assert "SILENT" in late
    assert "last sample 7." in late
    assert "STALE" in late
    assert "SILENT" in shown(fed(heard), now_s=107.0)


def test_a_hall_as_a_table(heard: list[Heard]) -> None:
    text = shown(fed(heard))
    for cell in ("Bench 1", "online", "0.1 s ago", "1/5"):
        assert cell in text
    gone = shown(fed(heard), AWAY, now_s=112.0)
    assert "AWAY for 12 s" in gone
    assert "it sleeps" in gone
    assert "unknown" in gone
    assert "online" not in gone


def test_what_the_broker_kept_does_not_look_live(heard: list[Heard]) -> None:
    kept = [one for one in heard if one.last in {"status", "state"}]
    hall = Hall(root="lashmap")
    for one in kept:
        hall.feed(one.topic, one.payload, retained=True, now_s=100.0)
    assert "not yet SILENT" in shown(hall)


def test_a_closed_test_has_no_ages_and_no_time_that_nobody_knows(heard: list[Heard]) -> None:
    hall = Hall(root="lashmap", wanted=frozenset({"bench-1"}))
    newest = next(one for one in reversed(heard) if one.last == "state")
    hall.feed(newest.topic, changed(newest, phase="closed"), retained=True, now_s=100.0)
    text = shown(hall)
    assert re.search(r"1 of 5 positions *\n", text)
    assert "gone" not in text
    assert "nothing heard yet" not in text


def test_a_live_message_that_somebody_had_kept_is_not_shown(heard: list[Heard]) -> None:
    hall = Hall(root="lashmap", wanted=frozenset({"bench-1"}))
    for one in heard:
        hall.feed(one.topic, one.payload, retained=True, now_s=100.0)
    assert hall.stands["bench-1"].live is None
    assert "last sample" not in shown(hall)


def changed(one: Heard, **changes: object) -> bytes:
    return json.dumps(json.loads(one.payload) | changes).encode()


def test_texts_that_would_reach_the_terminal_are_cleaned(heard: list[Heard]) -> None:
    attack = "\x1b]0;owned\x07\x1b[2J[blink]\u202e\n\r\x9b31m"
    state = next(one for one in reversed(heard) if one.last == "state")
    status = next(one for one in heard if one.last == "status")
    for wanted in (frozenset[str](), frozenset({"bench-1"})):
        hall = Hall(root="lashmap", wanted=wanted)
        lines: list[str] = []
        hall.tell = lines.append
        texts = dict.fromkeys(("name", "test", "box", "serial", "instruction"), attack)
        hall.feed(state.topic, changed(state, lines=[attack], **texts), retained=False, now_s=100.0)
        hall.feed(status.topic, changed(status, name=attack, reason=attack), retained=False, now_s=100.0)
        text = shown(hall) + "\n".join(lines)
        assert not [one for one in text if one != "\n" and unicodedata.category(one) in {"Cc", "Cf"}]
        assert "[blink]" in text  # words, not styles


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"null",
        b"NaN",
        b"[" * 200_000,
        b'{"schema":1,"stand":"bench-1","number":NaN}',
        b"\xff\x00\x1b",
        b"x" * 10_000_000,
    ],
)
def test_rubbish_is_counted_and_changes_nothing(heard: list[Heard], payload: bytes) -> None:
    hall = fed(heard)
    before = shown(hall)
    for name in ("status", "live", "state", "position", "result", "alarm"):
        hall.feed(f"lashmap/bench-1/{name}", payload, retained=False, now_s=100.0)
    assert hall.not_understood == 6
    assert shown(hall).startswith(before.rstrip())


@pytest.mark.parametrize(
    ("name", "changes"),
    [
        ("live", {"indicator_mm": "0.1"}),
        ("live", {"indicator_mm": 1e999}),
        ("live", {"bad_frames": -1}),
        ("live", {"stand": "bench-2"}),
        ("state", {"phase": "exploding"}),
        ("state", {"done": True}),
        ("state", {"marks": [{}]}),
        ("state", {"lines": ["x"] * 21}),
        ("state", {"units": "furlong"}),
        ("status", {"schema": 2}),
        ("status", {"online": "yes"}),
        ("position", {"kind": "TestStarted"}),
        ("position", {"record": None}),
    ],
)
def test_wrong_types_and_strangers_are_not_believed(
    heard: list[Heard], name: str, changes: dict[str, object]
) -> None:
    one = next(one for one in heard if one.last == name)
    hall = Hall(root="lashmap")
    hall.feed(one.topic, changed(one), retained=False, now_s=0.0)
    assert hall.not_understood == 0
    hall.feed(one.topic, changed(one, **changes), retained=False, now_s=0.0)
    assert hall.not_understood == 1


@given(st.text(max_size=60), st.binary(max_size=200))
def test_no_topic_and_no_payload_is_an_exception(topic: str, payload: bytes) -> None:
    hall = Hall(root="lashmap")
    hall.feed(topic, payload, retained=False, now_s=0.0)
    hall.feed(f"lashmap/{topic}/live", payload, retained=False, now_s=0.0)
    assert not hall.stands


def test_a_flood_of_stands_is_bounded(heard: list[Heard]) -> None:
    status = next(one for one in heard if one.last == "status")
    hall = Hall(root="lashmap")
    for number in range(MOST_STANDS + 50):
        name = f"s{number}"
        hall.feed(f"lashmap/{name}/status", changed(status, stand=name), retained=True, now_s=0.0)
    assert (len(hall.stands), hall.too_many) == (MOST_STANDS, 50)
    assert "more stands than are shown" in shown(hall, most=30)


def test_a_newer_stand_may_say_more(heard: list[Heard]) -> None:
    one = next(one for one in heard if one.last == "live")
    hall = Hall(root="lashmap")
    hall.feed(one.topic, changed(one, torque_nm=3.0), retained=False, now_s=0.0)
    assert hall.not_understood == 0


def test_a_stand_that_is_always_on_says_what_it_does_without_a_test(heard: list[Heard]) -> None:
    instruments = (("indicator", "heard"), ("encoder", "away"))
    service = messages.Service(
        doing="idle",
        awaits="a test \x1b[2J",
        instruments=[messages.InstrumentIs(instrument=name, state=state) for name, state in instruments],  # type: ignore[arg-type]
    )
    idle = from_test.idle(from_test.Standing(service=service), "bench-1", "Bench 1")
    status = next(one for one in heard if one.last == "status")
    lines: list[str] = []
    for wanted, words in (
        (frozenset[str](), ("idle", "encoder away")),
        (frozenset({"bench-1"}), ("Bench 1 · no test", "idle; awaits a test")),
    ):
        hall = Hall(root="lashmap", wanted=wanted, tell=lines.append)
        hall.feed(status.topic, status.payload, retained=True, now_s=0.0)
        hall.feed("lashmap/bench-1/state", messages.payload(idle), retained=True, now_s=0.0)
        assert not hall.stands["bench-1"].silent(3600.0)  # it has nothing to say for hours
        text = shown(hall, now_s=3600.0)
        assert all(word in text for word in words), text
        assert "0/0" not in text
        assert "\x1b" not in text
    assert any("idle; awaits a test" in line for line in lines)


# The command -----------------------------------------------------------------------------------------------


def test_watch_without_a_terminal_survives_a_broker_that_goes_away(tmp_path: Path) -> None:
    broker = Broker(tmp_path / "broker")
    broker.start()
    test = VirtualTest(tmp_path, load_box())
    process = start("watch", "--broker", broker.url)
    lines: list[str] = []

    def collect() -> None:
        assert process.stdout is not None
        lines.extend(iter(process.stdout.readline, ""))

    collector = threading.Thread(target=collect)
    collector.start()
    try:
        assert eventually(lambda: any("broker reached" in line for line in lines))
        with on_bus(test, settings(broker.url)) as stand:
            assert until_said(stand, lines, "hold the pinion and rock the gear lightly")
            broker.kill()
            assert until_said(stand, lines, "broker away")
            broker.start()
            assert until_said(stand, lines, "broker reached", 2)
            hostile = Asker(broker, topic="lashmap/bench-1/state")
            hostile.send(b"[" * 10_000_000)
            hostile.send(b'{"instruction":"\x1b[2J"}')
            hostile.close()
            assert until_said(stand, lines, "accepted: normal backlash")
    finally:
        process.terminate()
        process.wait(60.0)
        collector.join()
        broker.kill()
    assert process.stderr is not None
    assert process.stderr.read() == ""
    assert process.stdout is not None
    process.stdout.close()
    process.stderr.close()
    assert "\x1b" not in "".join(lines)


def until_said(stand: OnBus, lines: list[str], words: str, times: int = 1) -> bool:
    """Let the stand run on until lines with these words were printed; False when they were not in time."""
    deadline_s = time.monotonic() + 60.0
    while sum(words in line for line in lines) < times and time.monotonic() < deadline_s:
        stand.tick()
        time.sleep(0.005)
    return sum(words in line for line in lines) >= times


def test_watch_once(tmp_path: Path, broker: Broker) -> None:
    test = VirtualTest(tmp_path, load_box(positions=5, gear_turns=1.0))
    own = tmp_path / "watcher.toml"
    own.write_text(f'[bus]\nbroker = "{broker.url}"\n')
    with on_bus(test, settings(broker.url)) as stand:
        assert eventually(lambda: stand.bus.report.connected)
        stand.tick_for(2.0)
        assert stand.until(lambda: stand.bus.report.live_sent > 0)
        done = lashmap("watch", own, "--once")
        assert (done.returncode, done.stderr) == (0, "")
        assert "Bench 1" in done.stdout
        assert "online" in done.stdout
        other = lashmap("watch", own, "bench-7", "--once")
        assert "no message of bench-7" in other.stdout


@pytest.mark.parametrize(
    ("stands", "others", "said"),
    [
        ((), {}, "--broker: is missing"),
        ((), {"broker": "mqtt://joe:hush@a"}, "bus.user and bus.password_file"),
        ((), {"broker": "mqtt://a", "ca_file": "x"}, "mqtts://"),
        (("none.toml",), {}, "no such file"),
        ((), {"broker": "mqtt://a", "user": "joe"}, "has no password"),
        ((str(BENCH),), {}, "has no table [bus]"),
    ],
)
def test_mistakes_are_named(stands: tuple[str, ...], others: dict[str, Any], said: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        watch(WatchOptions(stands=list(stands), once=True, **others), Console(file=io.StringIO()))
    assert said in str(caught.value)
    assert "hush" not in str(caught.value)


def test_watch_once_says_that_the_broker_is_away() -> None:
    away = lashmap("watch", "--broker", f"mqtt://127.0.0.1:{free_port()}", "--once")
    assert away.returncode == 3
    assert "is the broker running there?" in away.stderr
