"""Requests over a real broker: asked, answered, recorded; and what a stand must not be made to do."""

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
from lashmap_daemon.bus import requests
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


@pytest.fixture(autouse=True)
def _unhurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """No request is too late but where a test lets it be: whoever asks or takes it may be held up."""
    monkeypatch.setattr(requests, "STALE_S", 600.0)
    monkeypatch.setattr(requests, "UNTAKEN_S", 600.0)
    monkeypatch.setattr(requests, "UNDECIDED_S", 600.0)


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


def test_off_unless_switched_on(tmp_path: Path, broker: Broker) -> None:
    test = VirtualTest(tmp_path, load_box(positions=5, gear_turns=1.0))
    asker = Asker(broker)
    with subscriber(broker.port) as heard, on_bus(test, settings(broker.url)) as stand:
        assert eventually(lambda: stand.bus.report.connected)
        asker.ask(test.started.test, "stop")
        stand.tick(20)
        assert stand.until(lambda: bool(heard.on("live")))
        assert stand.bus.commands() == []
        assert heard.on("answer") == []
    asker.close()


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
