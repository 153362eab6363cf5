from __future__ import annotations

import json
import sqlite3
import time
from pathlib import Path

from daemon.bus.broker import Broker, free_port
from daemon.bus.killing import arrived, expected, strange, survive
from daemon.bus.on_bus import logbook_of, on_bus, settings
from daemon.bus.subscriber import subscriber
from daemon.bus.test_traffic import eventually
from daemon.virtual_time import VirtualTest, load_box
from lashmap_daemon.bus.outbox import Outbox
from lashmap_daemon.bus.stand_bus import StandBus
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.story import events

# `make attack` does the same to the installed program, with 50 kills.
KILLS = 4


def short_test(folder: Path, seed: int = 1) -> VirtualTest:
    return VirtualTest(folder, load_box(positions=5, gear_turns=1.0, confirming_positions=1), seed=seed)


def test_every_record_arrives_though_the_broker_is_killed(tmp_path: Path) -> None:
    outcome = survive(tmp_path, kills=KILLS, seed=3, positions=12)
    assert outcome.connections > KILLS // 2
    assert strange(outcome) == []
    numbers = [int(identifier.rpartition("/")[2]) for identifier in outcome.order[:-1]]
    assert numbers == sorted(numbers)
    assert "/result/" in outcome.order[-1]
    # In seconds. Waiting for the broker would take its patience, seconds; a busy machine pauses anyone.
    calls_s = sorted(outcome.calls_s)
    assert calls_s[len(calls_s) // 2] < 0.01
    assert calls_s[int(0.95 * len(calls_s))] < 0.5


def test_what_waited_goes_out_with_the_next_test(tmp_path: Path) -> None:
    """The broker is away during a whole test, and the program ends before it comes."""
    test = short_test(tmp_path)
    away = settings(f"mqtt://127.0.0.1:{free_port()}")
    with on_bus(test, away) as stand:
        stand.run()
        stand.bus.conclude(conclude(test.logbook, None))
        bodies = expected(test, stand.bus)
    words = stand.bus.closing_words()
    assert words is not None
    assert f"{len(bodies)} records wait" in words
    assert "was never reached" in words
    broker = Broker(tmp_path / "broker")
    broker.start()
    try:
        with subscriber(broker.port) as heard:
            with StandBus(settings(broker.url), "Bench 1", logbook_of(test)):
                assert heard.wait(lambda: set(arrived(heard)) >= set(bodies))
            assert list(arrived(heard)) == list(bodies)
    finally:
        broker.kill()


def test_an_acknowledgement_is_believed_only_after_a_while(tmp_path: Path, broker: Broker) -> None:
    test = short_test(tmp_path)
    with on_bus(test, settings(broker.url, settle_seconds=3600.0)) as stand:
        stand.run()
        assert eventually(lambda: stand.bus.report.records_sent >= len(test.of(events.RockAccepted)))
    outbox = Outbox(logbook_of(test), "lashmap/bench-1")
    assert outbox.waiting() == len(test.of(events.RockAccepted))  # of 25 events, those that are records
    outbox.close()
    with on_bus(test, settings(broker.url, settle_seconds=0.0)) as stand:
        box = Outbox(logbook_of(test), "lashmap/bench-1")
        assert eventually(lambda: box.waiting() == 0)
        box.close()
    with subscriber(broker.port) as heard, on_bus(test, settings(broker.url, settle_seconds=0.0)) as stand:
        assert eventually(lambda: stand.bus.report.connected)
        stand.bus.begin(test.started)
        assert heard.wait(lambda: bool(heard.on("status")))
        assert heard.on("position") == []


def test_only_enrolled_tests_of_this_stand_go_out(tmp_path: Path, broker: Broker) -> None:
    private = short_test(tmp_path)
    private.run()
    with subscriber(broker.port) as heard:
        with StandBus(settings(broker.url), "Bench 1", logbook_of(private)) as bus:
            assert eventually(lambda: bus.report.connected)
        assert heard.wait(lambda: len(heard.on("status")) == 2)
        assert {one.last for one in heard.heard} == {"status"}


def test_an_early_end_is_an_alarm(tmp_path: Path, broker: Broker) -> None:
    test = short_test(tmp_path)
    with subscriber(broker.port) as heard, on_bus(test, settings(broker.url)) as stand:
        stand.tick_for(1.0)
        test.stop()
        stand.tick()
        stand._tell()
        assert heard.wait(lambda: len(heard.on("alarm")) == 1)
        alarm = json.loads(heard.on("alarm")[0].payload)
        assert alarm["kind"] == "TestClosed"
        assert alarm["record"] == {"outcome": "stopped", "reason": "by the operator"}
        assert heard.wait(
            lambda: [json.loads(one.payload)["phase"] for one in heard.on("state")[-1:]] == ["closed"]
        )


def test_a_frozen_broker_and_a_locked_logbook_delay_nobody(tmp_path: Path, broker: Broker) -> None:
    test = short_test(tmp_path)
    with on_bus(test, settings(broker.url), patience_s=1.0) as stand:

        def looks_s() -> list[float]:
            taken_s = []
            for _ in range(100):
                start_s = time.perf_counter()
                stand.bus.take_snapshot(test.conductor, test.now_s)
                taken_s.append(time.perf_counter() - start_s)
                test.now_s += 0.02
            return sorted(taken_s)

        assert eventually(lambda: stand.bus.report.connected)
        broker.freeze()
        frozen_s = looks_s()
        other = sqlite3.connect(logbook_of(test), isolation_level=None)
        other.execute("BEGIN IMMEDIATE")  # a writer that does not let go
        locked_s = looks_s()
        other.execute("ROLLBACK")
        other.close()
    # Every fifth brings values that are due, and would wait each time; the machine itself holds up a few.
    assert frozen_s[90] < 0.05
    assert locked_s[90] < 0.05


def test_a_fault_inside_the_bus_ends_no_test_and_keeps_no_record(tmp_path: Path, broker: Broker) -> None:
    test = short_test(tmp_path)
    with subscriber(broker.port) as heard, on_bus(test, settings(broker.url)) as stand:

        def fails(*_: object) -> None:
            raise ZeroDivisionError("made to fail")

        assert stand.bus._snapshots is not None
        stand.bus._snapshots.hear = fails  # type: ignore[method-assign, assignment]
        stand.bus._snapshots.take = fails  # type: ignore[method-assign, assignment]
        stand.run()
        accepted = test.of(events.RockAccepted)
        assert heard.wait(lambda: len(heard.on("position")) == len(accepted))
    assert "something failed inside, which touches no record (made to fail)" in str(stand.bus.closing_words())
