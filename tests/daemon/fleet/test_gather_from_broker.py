"""Gatherers at a real broker: one is killed again and again, and every record stands in the store once."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import ClassVar

import pytest
from daemon.bus.broker import Broker
from daemon.fleet.halls import events_of, invented, rows
from lashmap_daemon.fleet.store import Store, StoreError
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

PATIENCE_S = 240.0


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    """A broker that forgets nothing of sessions while it lives, as configs/bus has it."""
    one = Broker(
        tmp_path / "broker", "allow_anonymous true\nset_tcp_nodelay true\nmax_queued_messages 10000\n"
    )
    one.start()
    yield one
    one.kill()
    for process in Process.all:
        process.ends(signal.SIGKILL)
    Process.all.clear()


class Process:
    """A gatherer in a process of its own; what it says goes into a file."""

    all: ClassVar[list[Process]] = []

    def __init__(self, broker: Broker, store: Path, name: str, *more: str) -> None:
        self._said = store.with_name(f"said-{name}-{time.monotonic_ns()}")
        command = [sys.executable, "-m", "lashmap_daemon", "gather", str(store), "--broker", broker.url]
        with self._said.open("w") as said:
            self.process = subprocess.Popen(
                [*command, "--name", name, "--every", "0.5", *more], stdout=said, stderr=said
            )
        self.all.append(self)

    @property
    def said(self) -> str:
        return self._said.read_text()

    def listens(self) -> None:
        """Wait until it has subscribed."""
        deadline_s = time.monotonic() + PATIENCE_S
        while "connected to the broker" not in self.said:
            assert self.process.poll() is None, self.said
            assert time.monotonic() < deadline_s, self.said
            time.sleep(0.05)

    def ends(self, how: signal.Signals = signal.SIGTERM) -> int:
        self.process.send_signal(how)
        return self.process.wait(60.0)


def publisher(broker: Broker) -> Client:
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    return client


def publish(client: Client, records: list[tuple[str, bytes]]) -> None:
    for topic, payload in records:
        client.publish(topic, payload, qos=1).wait_for_publish(60.0)


def kept(store: Path) -> Counter[tuple[str, int]]:
    try:
        return events_of(Store(str(store), create=False))
    except StoreError:
        return Counter()


def until_kept(store: Path, wanted: int) -> Counter[tuple[str, int]]:
    deadline_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline_s:
        found = kept(store)
        if len(found) >= wanted:
            return found
        time.sleep(0.5)
    return kept(store)


def test_a_gatherer_that_is_killed_loses_nothing_and_nothing_comes_twice(
    broker: Broker, tmp_path: Path
) -> None:
    store = tmp_path / "store"
    records = invented(stands=3, days=4)
    wanted = sum(topic.endswith("/position") for topic, _ in records)
    staying, dying = Process(broker, store, "1"), Process(broker, store, "2")
    staying.listens()
    dying.listens()
    client = publisher(broker)
    try:
        for part in range(4):  # killed while records are in its hands, and begun anew under its name
            publish(client, records[part::4])
            dying.ends(signal.SIGKILL)
            dying = Process(broker, store, "2")
            dying.listens()
        found = until_kept(store, wanted)
    finally:
        client.disconnect()
        client.loop_stop()
        statuses = [staying.ends(), dying.ends()]
    assert statuses == [0, 0], staying.said + dying.said
    assert set(found.values()) == {1}
    assert len(found) == wanted
    base = Store(str(store), create=False)
    assert len(rows(base, "results")) == sum(topic.endswith("/result") for topic, _ in records)
    assert rows(base, "quarantine") == []


def test_what_comes_while_nobody_gathers_waits_at_the_broker(broker: Broker, tmp_path: Path) -> None:
    store = tmp_path / "store"
    first = Process(broker, store, "1")
    first.listens()
    assert first.ends() == 0
    records = invented(stands=1, days=2)
    client = publisher(broker)
    publish(client, records)
    client.disconnect()
    client.loop_stop()
    second = Process(broker, store, "1", "--once")
    assert second.process.wait(PATIENCE_S) == 0, second.said
    assert f"{len(records)} records came" in second.said
    assert len(kept(store)) == sum(topic.endswith("/position") for topic, _ in records)


def test_a_broker_that_is_not_there_is_said(tmp_path: Path) -> None:
    nobody = Broker(tmp_path / "broker")
    one = Process(nobody, tmp_path / "store", "1", "--once")
    assert one.process.wait(PATIENCE_S) == 3
    assert "Connection refused; is the broker running there?" in one.said
