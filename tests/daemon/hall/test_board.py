"""The board of all stands, from a real broker to its rows: what needs a person, is away, is hostile."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import paho.mqtt.client as paho
import pytest
from daemon.command import lashmap
from daemon.hall.halls import RESULT, TEST, Halls, alarm, halls, idle, state, status
from daemon.page.shown import Client, wait_until
from hypothesis import given
from hypothesis import strategies as st
from lashmap_daemon.hall import hall as model
from lashmap_daemon.hall import served
from lashmap_daemon.hall.board import ALARM, ASKED, AWAY, IDLE, OFF, PREPARES, RUNS, Board, row
from lashmap_daemon.hall.hall import MOST_BYTES, BrokerSeen, Hall
from lashmap_daemon.setup.page_table import PageTable
from paho.mqtt.enums import CallbackAPIVersion

AT = {"instrument": "indicator", "port": "/dev/x"}
LOST = {**AT, "reason": "the port is gone", "patience_s": 60.0, "remedy": "plug it in"}
THERE = BrokerSeen(address="mqtt://broker.example", since_s=0.0, problem="")


@pytest.fixture(name="hall")
def one_hall(tmp_path: Path) -> Iterator[Halls]:
    with halls(tmp_path) as found:
        yield found


def test_what_needs_a_person_comes_first(hall: Halls) -> None:
    hall.is_there("asked")
    hall.is_there("rocks", state("rocks", "recording the rock"))
    hall.is_there("cause", state("cause", "waiting for the cause of refused rocks"))
    hall.is_there("full", state("full", "paused: the disk is full"))
    hall.is_there("free", idle("free"))
    hall.is_there("lacks", idle("lacks", [{"instrument": "encoder", "state": "silent"}]))
    service = idle("prepares")["service"] | {"doing": "preparing"}
    hall.is_there("prepares", idle("prepares") | {"service": service})
    hall.say("left/status", status("left", online=False, reason="the program ended"))
    hall.say("gone/status", status("gone", online=False, reason="the connection broke"))
    hall.say("fell/status", status("fell", online=False, reason="the connection broke"))
    hall.say("fell/state", state("fell"))
    rows = hall.until(lambda rows: len(rows) == 10 and all(row["is"] != "unknown" for row in rows.values()))
    rows = hall.until(lambda rows: rows["fell"]["need"] == ALARM)
    assert {stand: row["need"] for stand, row in rows.items()} == {
        "cause": ALARM, "full": ALARM, "lacks": ALARM, "fell": ALARM, "gone": AWAY, "asked": ASKED,
        "rocks": RUNS, "prepares": PREPARES, "free": IDLE, "left": OFF,
    }  # fmt: skip
    assert rows["asked"]["wants"] == {"key": "cue.turn"}
    assert rows["asked"]["asks"] == "turn the gear FORWARD 3 teeth"
    assert (rows["asked"]["done"], rows["asked"]["tight"]) == ([2, 9], "0.1140\N{NO-BREAK SPACE}mm")
    assert rows["lacks"]["lacks"] == [["encoder", "silent"]]
    assert rows["gone"]["why"] == "the connection broke"


def test_an_alarm_stays_until_it_is_taken_back(hall: Halls) -> None:
    hall.is_there("bench-1")
    hall.until(lambda rows: rows.get("bench-1", {}).get("need") == ASKED)
    hall.say("bench-1/alarm", alarm("bench-1", "InstrumentLost", LOST), retain=False)
    rows = hall.until(lambda rows: rows["bench-1"]["need"] == ALARM)
    assert "indicator" in rows["bench-1"]["alarms"][0]
    back = {**AT, "away_s": 3.0}
    hall.say("bench-1/alarm", alarm("bench-1", "InstrumentBack", back, 2), retain=False)
    rows = hall.until(lambda rows: rows["bench-1"]["need"] == ASKED)
    closed = {"outcome": "failed", "reason": "the encoder slipped"}
    hall.say("bench-1/alarm", alarm("bench-1", "TestClosed", closed, 3), retain=False)
    hall.until(lambda rows: rows["bench-1"]["need"] == ALARM)
    stopped = {"outcome": "stopped", "reason": "by the operator"}
    hall.say("bench-1/alarm", alarm("bench-1", "TestClosed", stopped, 4), retain=False)
    hall.until(lambda rows: rows["bench-1"]["alarms"] == [])
    hall.say("bench-1/alarm", alarm("bench-1", "TestClosed", closed, 5), retain=False)
    hall.until(lambda rows: rows["bench-1"]["need"] == ALARM)
    hall.say("bench-1/state", state("bench-1", test="another"))  # whoever begins a test has seen it
    hall.until(lambda rows: rows["bench-1"]["alarms"] == [])


def test_the_last_verdict_is_not_taken_for_one_of_the_running_test(hall: Halls) -> None:
    hall.is_there("bench-1")
    hall.say("bench-1/result", {**RESULT, "stand": "bench-1", "test": "before", "outcome": "conforming"})
    rows = hall.until(lambda rows: rows.get("bench-1", {}).get("verdict"))
    assert (rows["bench-1"]["verdict"], rows["bench-1"]["before"]) == ("conforming", True)
    hall.say("bench-1/state", state("bench-1", "closed"))
    hall.say("bench-1/result", {**RESULT, "stand": "bench-1", "test": TEST, "outcome": "not proven"})
    hall.until(lambda rows: not rows["bench-1"]["before"] and rows["bench-1"]["verdict"] == "not proven")
    signed: dict[str, Any] = {
        "by": "S. Nobody", "analysis_version": "0", "outcome": "not proven", "recorded_outcome": "not proven",
        "exclusions": [], "remark": "", "engagement": None, "normal_backlash_mm": None, "low_mm": None,
        "high_mm": None,
    }  # fmt: skip
    hall.say("bench-1/review", alarm("bench-1", "SignedOff", signed, 9))
    hall.until(lambda rows: rows["bench-1"]["signed"] == "signed")
    hall.say("bench-1/result", {**RESULT, "stand": "bench-1", "test": "next", "id": "n"})
    hall.until(lambda rows: rows["bench-1"]["signed"] == "")  # that was another one's


def test_only_what_changed_travels(hall: Halls) -> None:
    for number in range(5):
        hall.is_there(f"bench-{number}")
    hall.until(lambda rows: len(rows) == 5 and all(row["need"] == ASKED for row in rows.values()))
    with Client(hall.board.port).look() as parts:
        names = {next(parts)[0] for _ in range(7)}
        assert names == {"hall", "heard", "s0", "s1", "s2", "s3", "s4"}
        hall.say("bench-3/state", state("bench-3", done=3))
        wait_until(lambda: hall.look()["bench-3"]["done"] == [3, 9])
        travelled: list[tuple[str, Any]] = []
        while "s" not in {name[0] for name, _ in travelled}:
            travelled.append(next(parts))
        rows = [part for name, part in travelled if name not in {"hall", "heard", "beat"}]
        assert [row["stand"] for row in rows] == ["bench-3"]


def test_what_the_broker_kept_has_no_age(hall: Halls) -> None:
    hall.is_there("bench-1")
    hall.until(lambda rows: "bench-1" in rows)
    heard = json.loads(hall.board._feed._parts["heard"])["at"]
    assert heard[0] is not None
    late = Board(fed_retained(), THERE)
    assert json.loads(late.parts(5.0)["heard"])["at"] == [None]


def fed_retained() -> Hall:
    hall = Hall(root="lashmap")
    for topic, message in (("status", status("a")), ("state", state("a"))):
        hall.feed(f"lashmap/a/{topic}", json.dumps(message).encode(), retained=True, now_s=1.0)
    return hall


def test_a_quiet_test_is_asked_whether_it_goes_on(hall: Halls, monkeypatch: pytest.MonkeyPatch) -> None:
    for stand in ("thinks", "hangs"):
        hall.is_there(stand)
    hall.is_there("free", idle("free"))
    hall.until(lambda rows: len(rows) == 3 and all(row["doing"] for row in rows.values()))
    later = SimpleNamespace(monotonic=lambda: time.monotonic() + 90.0)
    monkeypatch.setattr(served, "time", later)
    stands = hall.board.hall.stands
    assert sorted(hall.board.hall.quiet(later.monotonic(), served.QUIET_S)) == ["hangs", "thinks"]

    def is_heard() -> bool:
        hall.says_live("thinks", "free")
        hall.board.turn()
        return stands["thinks"].live is not None

    wait_until(is_heard)
    assert hall.board.hall.quiet(later.monotonic(), served.QUIET_S) == ["hangs"]
    assert stands["free"].live is None  # nobody asks a stand without a test


def test_a_message_that_is_too_large_is_counted_and_not_kept(hall: Halls) -> None:
    hall.is_there("bench-1")
    hall.until(lambda rows: rows.get("bench-1", {}).get("box"))
    hall.say("bench-1/state", state("bench-1", serial="x" * MOST_BYTES))
    wait_until(lambda: hall.hall()["not_understood"] == 1)
    assert hall.look()["bench-1"]["box"] == "INV-bench-1"


def test_a_board_sees_of_a_state_what_it_shows() -> None:
    whole = state("a") | {"marks": [{"gear_angle_deg": 1.0, "normal_backlash_mm": 0.1, "purpose": "planned"}]}
    rows = []
    for brief in (False, True):
        hall = Hall(root="lashmap", in_brief=brief)
        for topic, message in (("status", status("a")), ("state", whole)):
            hall.feed(f"lashmap/a/{topic}", json.dumps(message).encode(), retained=False, now_s=1.0)
        seen = hall.stands["a"].state
        assert seen is not None
        assert len(seen.marks) == (0 if brief else 1)
        rows.append(row(hall.stands["a"]))
    assert rows[0] == rows[1]


def test_the_broker_tells_of_a_stand_whose_connection_breaks(hall: Halls) -> None:
    """Its last will (MQTT 5, 3.1.2.5): whoever closes the socket without a word has it sent."""
    stand = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    will = json.dumps(status("falls", online=False, reason="the connection broke"))
    stand.will_set("lashmap/falls/status", will, qos=1, retain=True)
    stand.connect("127.0.0.1", hall.broker.port)
    hall.is_there("falls")
    hall.until(lambda rows: rows.get("falls", {}).get("need") == ASKED)
    socket = stand.socket()
    assert socket is not None
    socket.close()
    rows = hall.until(lambda rows: rows["falls"]["is"] == "offline")
    assert (rows["falls"]["need"], rows["falls"]["why"]) == (ALARM, "the connection broke")  # in mid-test


def test_a_broker_that_goes_and_comes(hall: Halls) -> None:
    hall.is_there("bench-1")
    hall.until(lambda rows: "bench-1" in rows)
    hall.broker.kill()
    wait_until(lambda: hall.hall()["problem"])
    assert hall.look()["bench-1"]["box"] == "INV-bench-1"  # the last picture stays
    hall.broker.start()
    wait_until(lambda: not hall.hall()["problem"])


HOSTILE = {
    "bytes": b"\xff\xfe{",
    "deep": b"[" * 100_000,
    "large": b'{"schema":1,"stand":"bench-9","x":"' + b"x" * 300_000 + b'"}',
    "other stand": json.dumps(status("bench-1")).encode(),
    "nan": b'{"schema":1,"stand":"bench-9","online":NaN}',
    "empty": b"",
}


@pytest.mark.parametrize("payload", HOSTILE.values(), ids=HOSTILE)
@pytest.mark.parametrize("topic", ["status", "state", "result", "alarm", "review"])
def test_a_hostile_payload_is_counted_and_shown_nowhere(topic: str, payload: bytes) -> None:
    hall = Hall(root="lashmap")
    hall.feed(f"lashmap/bench-9/{topic}", payload, retained=False, now_s=1.0)
    parts = Board(hall, THERE).parts(1.0)
    assert parts.keys() == {"hall", "heard"}
    assert json.loads(parts["hall"])["not_understood"] == 1


@given(text=st.text(max_size=60), stand=st.text(min_size=1, max_size=20))
def test_a_hostile_name_breaks_no_line_of_the_stream(text: str, stand: str) -> None:
    hall = Hall(root="lashmap")
    message = json.dumps(status(stand, name=text or "x")).encode()
    hall.feed(f"lashmap/{stand}/status", message, retained=False, now_s=1.0)
    for name, data in Board(hall, THERE).parts(1.0).items():
        assert name.isalnum()
        assert b"\n" not in data
        assert b"\r" not in data
        json.loads(data)


def test_made_up_stands_fill_no_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(model, "MOST_STANDS", 3)
    hall = Hall(root="lashmap")
    for number in range(10):
        message = json.dumps(status(f"s{number}")).encode()
        hall.feed(f"lashmap/s{number}/status", message, retained=False, now_s=1.0)
    part = json.loads(Board(hall, THERE).parts(1.0)["hall"])
    assert (part["stands"], part["too_many"]) == (3, 7)


def test_made_up_instruments_fill_none_either() -> None:
    hall = Hall(root="lashmap")
    for number in range(1000):
        lost = json.dumps(alarm("a", "InstrumentLost", LOST | {"instrument": f"i{number}"})).encode()
        hall.feed("lashmap/a/alarm", lost, retained=False, now_s=1.0)
    assert 0 < len(hall.stands["a"].open_alarms) < 50


def test_the_guard_of_the_page_stands_before_the_board(tmp_path: Path) -> None:
    file = tmp_path / "token"
    file.write_text("a-token-of-more-than-twenty-letters")
    file.chmod(0o600)
    table = PageTable(host="0.0.0.0", port=0, token_file=str(file))  # noqa: S104 - that is what is tried
    with halls(tmp_path, table) as hall:
        client = Client(hall.board.port)
        for path in ("/about", "/pictures"):
            assert client.get(path)[0] == 401
        assert client.get("/")[0] == 200  # it says nothing of any stand
        assert Client(hall.board.port, host="elsewhere.example").get("/")[0] == 421
        token = Client(hall.board.port, token="a-token-of-more-than-twenty-letters")  # noqa: S106 - invented
        assert token.get("/about")[0] == 200
        assert token.send("POST", "/ask", b"{}", Origin=f"http://127.0.0.1:{hall.board.port}")[0] == 404
        assert "a-token" in hall.board.invitation()[0]


def test_mistakes_are_named(tmp_path: Path) -> None:
    done = lashmap("watch", "--broker", "mqtt://127.0.0.1:1", "--page", "--once")
    assert (done.returncode, "leave out --once or --page" in done.stderr) == (2, True)
    watcher = tmp_path / "watcher.toml"
    watcher.write_text('[bus]\nbroker = "mqtt://127.0.0.1:1"\n[page]\nhost = "a b"\n')
    done = lashmap("watch", watcher, "--page")
    assert (done.returncode, "page.host" in done.stderr) == (2, True)
