"""What a real broker carries during a test, against the schemas in docs and MQTT 5 (OASIS, 2019)."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import jsonschema
import pytest
from daemon.bus.broker import Broker
from daemon.bus.on_bus import on_bus, settings
from daemon.bus.subscriber import Heard, Subscriber, subscriber
from daemon.virtual_time import VirtualTest, load_box
from lashmap_analysis.facts.result import to_document
from lashmap_daemon.bus.messages import PUBLISHED
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.story import events

SCHEMAS = Path(__file__).parents[3] / "docs" / "schemas"


def validator(name: str) -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(json.loads((SCHEMAS / f"{name}.schema.json").read_text("utf-8")))


def check(message: Heard) -> None:
    """Against the schema in docs, NaN and infinities refused (RFC 8259 has neither)."""

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} in {message.topic}")

    validator(message.last).validate(json.loads(message.payload, parse_constant=refuse))


def named(heard: Subscriber) -> set[object]:
    """Which tests the status has named as running; None where none did."""
    return {json.loads(one.payload)["test"] for one in heard.on("status") if one.payload}


def test_a_whole_test_as_a_subscriber_hears_it(tmp_path: Path, broker: Broker) -> None:
    test = VirtualTest(
        tmp_path, load_box(positions=5, gear_turns=1.0, confirming_positions=1), sweeps=("gear",)
    )
    with subscriber(broker.port) as heard:
        with on_bus(test, settings(broker.url)) as stand:
            # What is of now is not sent afterwards: both must have been said while the test runs.
            assert stand.until(lambda: bool(heard.on("live")) and test.started.test in named(heard))
            stand.run()
            assessment = conclude(test.logbook, None)
            stand.bus.conclude(assessment)
        assert heard.wait(lambda: any(b'"online":false' in one.payload for one in heard.on("status")))
        for one in heard.heard:
            check(one)
        assert {one.topic for one in heard.heard} == {
            f"lashmap/bench-1/{name}" for name in ("status", "live", "state", "position", "result")
        }
        numbers = [json.loads(one.payload)["record"].get("number") for one in heard.on("position")]
        accepted = [event.number for event in test.of(events.RockAccepted)]  # type: ignore[union-attr]
        assert [number for number in numbers if number is not None] == accepted
        assert len(numbers) == len(accepted) + 1  # and the sweep
        result = json.loads(heard.on("result")[0].payload)
        document = to_document(assessment)
        assert result["tight_spot_stated"] == document["tight_spot"]["stated"]
        assert result["outcome"] == document["verdict"]["outcome"]
        turns = [json.loads(one.payload)["number"] for one in heard.on("live")]
        assert turns == sorted(set(turns))  # no value goes out twice
        assert json.loads(heard.on("state")[-1].payload)["phase"] == "closed"
        *online, offline = [json.loads(one.payload) for one in heard.on("status")]
        assert all(one["online"] for one in online)
        assert not offline["online"]
        assert [one["test"] for one in online[-2:]] == [
            test.started.test,
            None,
        ]  # it ended before its stand left
        assert offline["test"] is None
    with subscriber(broker.port) as late:  # what a late comer is told at once
        assert late.wait(lambda: len(late.heard) >= 3)
        kept = {topic.name for topic in PUBLISHED if topic.retain}
        assert {one.last for one in late.heard} == kept - {"review"}  # nobody has reviewed it
        assert all(one.retain for one in late.heard)


def test_mqtt_5_properties_and_quality_of_service(tmp_path: Path, broker: Broker) -> None:
    test = VirtualTest(tmp_path, load_box(positions=5, gear_turns=1.0))
    with subscriber(broker.port) as heard:
        with on_bus(test, settings(broker.url)) as stand:
            assert stand.until(lambda: bool(heard.on("live")))
            while not test.of(events.RockAccepted):
                stand.tick()
        assert heard.wait(lambda: any(one.last == "position" for one in heard.heard))
    for topic in PUBLISHED:
        for one in heard.on(topic.name):
            assert one.qos == topic.qos
            assert one.properties.ContentType == "application/json"
            assert one.properties.PayloadFormatIndicator == 1
    live = heard.on("live")
    assert live
    assert all(one.properties.MessageExpiryInterval in {1, 2} for one in live)
    assert not hasattr(heard.on("position")[0].properties, "MessageExpiryInterval")
    record = heard.on("position")[0]
    assert ("id", json.loads(record.payload)["id"]) in record.properties.UserProperty


def test_live_values_are_thinned_out_to_the_chosen_rate(tmp_path: Path, broker: Broker) -> None:
    test = VirtualTest(tmp_path, load_box(positions=5, gear_turns=1.0))
    with on_bus(test, settings(broker.url, live_hz=4.0)) as stand:
        stand.tick_for(5.0)  # 5 s
        due = stand.bus.report.live_due
    moments = len([one for one in test.stream if one.time_s > 0.0])
    assert 20 <= due <= 21 + moments  # four a second, and what happens is not kept waiting


def test_the_last_will_says_offline_when_the_program_is_killed(tmp_path: Path, broker: Broker) -> None:
    program = (
        "import sys, time; from pathlib import Path\n"
        "from lashmap_daemon.setup.bus_table import BusTable\n"
        "from lashmap_daemon.bus.stand_bus import StandBus\n"
        "from lashmap_daemon.logbook.logbook import Logbook\n"
        "book = Logbook(Path(sys.argv[2]), create=True)\n"
        "bus = StandBus(BusTable(broker=sys.argv[1]), 'Bench 1', Path(sys.argv[2])).__enter__()\n"
        "time.sleep(60)\n"
    )
    command = [sys.executable, "-c", program, broker.url, str(tmp_path / "a.logbook")]
    with subscriber(broker.port) as heard:
        process = subprocess.Popen(command)
        try:
            assert heard.wait(lambda: len(heard.heard) == 1)
        finally:
            process.send_signal(signal.SIGKILL)
            process.wait(60.0)
        assert heard.wait(lambda: len(heard.heard) == 2)
        check(heard.heard[1])
        last = json.loads(heard.heard[1].payload)
        assert (last["online"], last["reason"]) == (False, "the connection broke")


def test_small_packets_leave_at_once(tmp_path: Path, broker: Broker, monkeypatch: pytest.MonkeyPatch) -> None:
    chosen: list[tuple[object, ...]] = []
    real = socket.socket.setsockopt

    def spy(self: socket.socket, *option: int) -> None:
        chosen.append(option)
        real(self, *option)

    monkeypatch.setattr(socket.socket, "setsockopt", spy)
    test = VirtualTest(tmp_path, load_box(positions=5, gear_turns=1.0))
    with on_bus(test, settings(broker.url)) as stand:
        assert eventually(lambda: stand.bus.report.connected)
    assert (socket.IPPROTO_TCP, socket.TCP_NODELAY, 1) in chosen


def test_a_second_program_under_the_same_name_is_told_so(tmp_path: Path, broker: Broker) -> None:
    first = VirtualTest(tmp_path / "a", load_box(positions=5, gear_turns=1.0))
    second = VirtualTest(tmp_path / "b", load_box(positions=5, gear_turns=1.0), seed=2)
    with on_bus(first, settings(broker.url)) as one:
        assert eventually(lambda: one.bus.report.connected)
        with on_bus(second, settings(broker.url)) as other:
            reports = (one.bus.report, other.bus.report)
            assert eventually(
                lambda: any("give each stand its own bus.stand" in report.problem for report in reports)
            )


def eventually(what: object, within_s: float = 60.0) -> bool:
    """True as soon as it holds."""
    assert callable(what)
    deadline_s = time.monotonic() + within_s
    while not (holds := bool(what())) and time.monotonic() < deadline_s:
        time.sleep(0.01)
    return holds
