"""Requests: asked over a real broker and answered; what a stand must not be made to do; how one is judged."""

from __future__ import annotations

import datetime as dt
import json
import time
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from daemon.bus.broker import Broker
from daemon.bus.on_bus import on_bus, settings
from daemon.bus.subscriber import subscriber
from daemon.bus.test_traffic import check, eventually
from daemon.virtual_time import VirtualTest, load_box
from hypothesis import given
from hypothesis import strategies as st
from lashmap_daemon.allowance import Allowance
from lashmap_daemon.bus import requests
from lashmap_daemon.bus.messages import Answer
from lashmap_daemon.bus.requests import MOST_BYTES, Desk, Pending
from lashmap_daemon.story import events
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

COMMAND = "lashmap/bench-1/command"
UNTAKEN_S = requests.UNTAKEN_S


class Asker:
    """Sends requests through the plain client."""

    def __init__(self, broker: Broker, topic: str = COMMAND) -> None:
        self._topic = topic
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self._client.connect("127.0.0.1", broker.port)
        self._client.loop_start()

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def ask(
        self, test: str, command: str, *, back: str | None = None, retain: bool = False, **other: object
    ) -> None:
        request = {
            "schema": 1,
            "stand": "bench-1",
            "id": f"{command}-{time.monotonic_ns()}",
            "utc": dt.datetime.now(dt.UTC).isoformat(),
            "test": test,
            "command": command,
            "by": "foreman",
        }
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        if back is not None:
            properties.ResponseTopic = back
            properties.CorrelationData = b"\x00\x01"
        self.send(json.dumps(request | other).encode(), properties, retain=retain)

    def send(self, payload: bytes, properties: Properties | None = None, *, retain: bool = False) -> None:
        sent = self._client.publish(self._topic, payload, qos=1, retain=retain, properties=properties)
        sent.wait_for_publish(60.0)
        assert sent.is_published()


@pytest.fixture
def _unhurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """No request is too late but where a test lets it be: whoever asks or takes it may be held up."""
    monkeypatch.setattr(requests, "STALE_S", 600.0)
    monkeypatch.setattr(requests, "UNTAKEN_S", 600.0)
    monkeypatch.setattr(requests, "UNDECIDED_S", 600.0)


@pytest.mark.usefixtures("_unhurried")
def test_ask_and_answer(tmp_path: Path, broker: Broker) -> None:
    test = VirtualTest(tmp_path, load_box(positions=5, gear_turns=1.0))
    asker = Asker(broker)
    with subscriber(broker.port) as heard, on_bus(test, settings(broker.url, commands=True)) as stand:
        assert eventually(lambda: stand.bus.report.connected)
        asker.ask(test.started.test, "note", text="seal looks worn", back="lashmap/bench-1/answer/desk")
        assert stand.until(lambda: len(heard.on("desk")) == 1)
        asker.ask(test.started.test, "stop", back="lashmap/bench-2/state")  # not ours to write
        assert stand.until(lambda: len(heard.on("answer")) == 1)
        assert heard.wait(lambda: len(heard.on("alarm")) == 1)
    asker.close()
    answer = heard.on("desk")[0]
    assert json.loads(answer.payload)["accepted"]
    assert answer.properties.CorrelationData == b"\x00\x01"
    check(heard.on("answer")[0])
    notes = [event.text for event in test.of(events.NoteTaken)]  # type: ignore[union-attr]
    assert notes == [
        "seal looks worn (over the bus, by foreman)",
        "stop was asked over the bus, by foreman",
    ]
    assert test.of(events.TestClosed)
    assert not [one for one in heard.heard if one.topic == "lashmap/bench-2/state"]


@pytest.mark.usefixtures("_unhurried")
def test_a_request_that_the_broker_is_told_to_retain_is_refused_and_may_be_taken_away(
    tmp_path: Path, broker: Broker
) -> None:
    # The stand hears it while it is new, and would be asked again by the broker's copy after a reconnection.
    test = VirtualTest(tmp_path, load_box(positions=5, gear_turns=1.0))
    asker = Asker(broker)
    with subscriber(broker.port) as heard, on_bus(test, settings(broker.url, commands=True)) as stand:
        assert eventually(lambda: stand.bus.report.connected)
        asker.ask(test.started.test, "skip", retain=True)
        assert stand.until(lambda: len(heard.on("answer")) == 1)
        asker.send(b"", retain=True)
        asker.ask(test.started.test, "note", text="after it")
        assert stand.until(lambda: len(heard.on("answer")) == 2)
        assert stand.bus.report.requests_refused == 1
    asker.close()
    refused, taken = (json.loads(one.payload) for one in heard.on("answer"))
    assert not refused["accepted"]
    assert "it is a retained message" in refused["reason"]
    assert taken["accepted"]  # the empty message in between was no request, and got no answer
    assert not test.of(events.PositionSkipped)


@pytest.mark.usefixtures("_unhurried")
def test_a_request_that_no_test_takes_is_refused_in_time(
    tmp_path: Path, broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(requests, "UNTAKEN_S", UNTAKEN_S)
    test = VirtualTest(tmp_path, load_box(positions=5, gear_turns=1.0))
    asker = Asker(broker)
    with subscriber(broker.port) as heard, on_bus(test, settings(broker.url, commands=True)) as stand:
        assert eventually(lambda: stand.bus.report.connected)
        asker.ask(test.started.test, "skip")
        assert heard.wait(lambda: len(heard.on("answer")) == 1)
        assert "took no request" in json.loads(heard.on("answer")[0].payload)["reason"]
        assert stand.bus.commands() == []  # and is not obeyed afterwards
    asker.close()


@pytest.mark.usefixtures("_unhurried")
def test_off_unless_switched_on(tmp_path: Path, broker: Broker) -> None:
    test = VirtualTest(tmp_path, load_box(positions=5, gear_turns=1.0))
    asker = Asker(broker)
    with subscriber(broker.port) as heard, on_bus(test, settings(broker.url)) as stand:
        assert eventually(lambda: stand.bus.report.connected)
        asker.ask(test.started.test, "stop")
        stand.tick_for(0.4)
        assert stand.until(lambda: bool(heard.on("live")))
        assert stand.bus.commands() == []
        assert heard.on("answer") == []
    asker.close()


@pytest.mark.usefixtures("_unhurried")
def test_a_flood_of_rubbish_is_neither_obeyed_nor_answered_in_kind(tmp_path: Path, broker: Broker) -> None:
    test = VirtualTest(tmp_path, load_box(positions=5, gear_turns=1.0))
    asker = Asker(broker)
    payloads = [b"[" * 60_000, b"[" * 10_000_000, b'{"by": NaN}', b"\x1b[2J\x07", b"{}", b"1e999"]
    with subscriber(broker.port, "lashmap/bench-1/answer/#") as heard:
        with on_bus(test, settings(broker.url, commands=True)) as stand:
            assert eventually(lambda: stand.bus.report.connected)
            began_s = time.monotonic()
            asker.send(b"{}", retain=True)
            for _ in range(50):
                for payload in payloads[2:]:
                    asker.send(payload)
            for payload in payloads:
                asker.send(payload)
            asker.ask(test.started.test, "repeat")
            assert eventually(lambda: stand.bus.report.requests_refused >= 200)
            assert eventually(lambda: len(stand.bus.commands()) == 2)
            assert stand.bus.report.connections == 1
        # Twenty at once, and one each 0.2 s from then on.
        assert len(heard.heard) <= 21 + (time.monotonic() - began_s) / 0.2
        for one in heard.heard:
            check(one)
            assert json.loads(one.payload)["reason"].isprintable()
    asker.close()


NOW = dt.datetime(2026, 11, 25, 8, 0, 0, tzinfo=dt.UTC)
GOOD = {
    "schema": 1,
    "stand": "bench-1",
    "id": "a1",
    "utc": "2026-11-25T08:00:00Z",
    "test": "T",
    "command": "skip",
    "by": "foreman",
}


def desk() -> Desk:
    made = Desk("bench-1")
    made.test = "T"
    return made


def ask(at: Desk, *, now_s: float = 100.0, retained: bool = False, **changes: object) -> Pending | Answer:
    return judge(at, changes, now_s=now_s, retained=retained)


def judge(
    at: Desk, changes: dict[str, object], *, now_s: float = 100.0, retained: bool = False
) -> Pending | Answer:
    return at.judge(json.dumps(GOOD | changes).encode(), retained=retained, now=NOW, now_s=now_s)


def refusal(judged: Pending | Answer) -> str:
    assert isinstance(judged, Answer)
    assert not judged.accepted
    return judged.reason


def test_a_good_request_reaches_the_test_once_and_says_who_asked() -> None:
    at = desk()
    pending = ask(at)
    assert isinstance(pending, Pending)
    assert "being handled" in refusal(ask(at))
    assert [words for one in at.take() for words in one.as_words] == [
        "note skip was asked over the bus, by foreman",
        "skip",
    ]
    assert at.take() == []
    first = at.settle("a1")
    assert first.accepted
    assert ask(at) == first  # a copy is answered, not obeyed, again
    assert at.take() == []


@pytest.mark.parametrize(
    "command", ["start", "drive", "begin", "resume", "Stop", "stop ", "", None, 3, ["stop"]]
)
def test_there_are_four_commands_and_none_moves_a_drive(command: object) -> None:
    assert "command" in refusal(ask(desk(), command=command))


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"utc": "2026-11-25T07:59:40Z"}, "sent 20 s ago"),
        ({"utc": "2026-11-25T08:01:00Z"}, "in the future"),
        ({"utc": "2026-11-25T08:00:00"}, "no time zone"),
        ({"utc": "yesterday"}, "expected a time"),
        ({"utc": "9999-12-31T23:59:59+00:00"}, "in the future"),
        ({"test": "U"}, "for test 'U'"),
        ({"stand": "bench-2"}, "for stand 'bench-2'"),
        ({"schema": 2}, "schema"),
        ({"by": ""}, "by"),
        ({"by": "me\x1b[2J"}, "control characters"),
        ({"by": "\u202eme"}, "control characters"),
        ({"command": "note"}, "a note needs one"),
        ({"command": "note", "text": "\n"}, "control characters"),
        ({"text": "why not"}, "belongs to a note"),
        ({"command": "note", "text": "x" * 501}, "text"),
        ({"id": ""}, "id"),
        ({"id": "a b"}, "id"),
        ({"id": 7}, "id"),
    ],
)
def test_refused_with_the_reason(changes: dict[str, object], said: str) -> None:
    reason = refusal(judge(desk(), changes))
    assert said in reason
    assert reason.isprintable()


def test_nothing_is_obeyed_while_no_test_runs_or_when_retained() -> None:
    at = desk()
    assert "retained" in refusal(ask(at, retained=True))
    at.test = None
    assert "none is running" in refusal(ask(at))


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"\xff\xfe",
        b"NaN",
        b'{"schema": NaN}',
        b"[" * 4000,
        b'{"a":' * 700,
        b"x" * (MOST_BYTES + 1),
        b"[" * 10_000_000,
        json.dumps(GOOD | {"by": "\ud800"}).encode(),
        json.dumps(GOOD).encode()[:-1],
    ],
)
def test_rubbish_is_refused(payload: bytes) -> None:
    reason = refusal(desk().judge(payload, retained=False, now=NOW, now_s=1.0))
    assert len(reason) < 500
    assert reason.isprintable()


@given(
    st.binary(max_size=300)
    | st.recursive(st.none() | st.text() | st.floats(), st.lists).map(repr).map(str.encode)
)
def test_no_payload_makes_a_command_or_an_exception(payload: bytes) -> None:
    assert isinstance(desk().judge(payload, retained=False, now=NOW, now_s=1.0), Answer)


def test_the_number_of_requests_is_limited() -> None:
    at = desk()
    judged = [ask(at, id=f"n{number}") for number in range(20)]
    assert sum(isinstance(one, Pending) for one in judged) == 5
    assert "too many" in refusal(judged[-1])
    assert isinstance(ask(at, id="later", now_s=103.0), Pending)


def test_an_allowance_refills_to_its_burst_and_no_further() -> None:
    allowance = Allowance(burst=2, interval_s=1.0)
    assert [allowance.spend(1000.0) for _ in range(3)] == [True, True, False]
    assert [allowance.spend(1001.0) for _ in range(2)] == [True, False]


def test_who_claims_first_decides() -> None:
    pending = ask(desk())
    assert isinstance(pending, Pending)
    assert pending.claim()
    assert not pending.claim()
