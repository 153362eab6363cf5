"""The always-on service, published: through whole tests, without its broker, and asked from far away."""

from __future__ import annotations

import datetime as dt
import json
import signal
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from daemon.bus.broker import Broker, free_port
from daemon.bus.killing import arrived
from daemon.bus.subscriber import Subscriber, subscriber
from daemon.bus.test_requests import Asker
from daemon.bus.test_traffic import check, named
from daemon.command import least, simulated_stand
from daemon.running_service import Serve, short_boxes
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.service.words import Stop
from lashmap_daemon.story import events

BASE = "lashmap/bench-1"
RECORDS = (events.RockAccepted, events.RockRefused, events.PositionSkipped, events.SweepRecorded)


@contextmanager
def published(folder: Path, url: str, *more: str) -> Iterator[Path]:
    """A simulated stand whose file has a table ``bus``."""
    box = short_boxes(folder / "simulated") / "short.toml"
    with simulated_stand(folder / "stand", box=box) as stand:
        with stand.open("a", encoding="utf-8") as file:
            file.write("\n".join(["\n[bus]", f'broker = "{url}"', 'stand = "bench-1"', *more, ""]))
        yield stand


def states(heard: Subscriber) -> list[dict[str, object]]:
    return [json.loads(one.payload) for one in heard.on("state")]


def doing(heard: Subscriber) -> list[str]:
    """What the service said that it does, one after the other."""
    found = [json.loads(one.payload)["service"]["doing"] for one in heard.on("state")]
    return [word for word, before in zip(found, ["", *found], strict=False) if word != before]


def leaving_s(log: list[dict[str, Any]]) -> float:
    """From the word to end to the last line, about the bus; the interpreter takes its own time after it."""
    told = next(line for line in log if "was ended" in line["message"])
    assert "in the outbox" in log[-1]["message"] or "did not end in time" in log[-1]["message"], log[-1]
    first, last = (dt.datetime.fromisoformat(line["time"]) for line in (told, log[-1]))
    return (last - first).total_seconds()


def records_of(logbook: Path, tests: list[str]) -> set[str]:
    """Identifiers of all that must arrive, results apart: counted in the logbook itself."""
    with Logbook(logbook, create=False) as book:
        return {
            f"{test}/{number}"
            for test in tests
            for number, stamped in enumerate(book.events(test), start=1)
            if isinstance(stamped.event, RECORDS)
            or (isinstance(stamped.event, events.TestClosed) and stamped.event.outcome != "completed")
        }


@pytest.mark.begins_first
def test_a_service_publishes_though_its_broker_is_killed(tmp_path: Path, serve: Serve) -> None:
    broker = Broker(tmp_path / "broker", keep=True)
    broker.start()
    try:
        with (
            published(tmp_path, broker.url, "settle_seconds = 1.5") as stand,
            subscriber(broker.port, session="witness") as heard,
            serve(stand) as service,
        ):
            assert heard.wait(lambda: bool(heard.on("state")))
            assert (states(heard)[0]["test"], states(heard)[0]["phase"]) == ("", "closed")
            assert "lashmap tell STAND begin BOX" in str(states(heard)[0]["instruction"])
            first = service.begin()
            assert heard.wait(lambda: bool(heard.on("position")) and first in named(heard))
            broker.kill(signal.SIGKILL)
            service.until(lambda status: status.done >= 2)
            service.until(lambda status: "away" in status.bus)
            broker.start()
            service.until(lambda status: status.state == "idle")
            # What a service does is of now, no history: it may be over before it could be said, and half a
            # minute may pass until the broker is tried again, longer than such a test lasts.
            service.until(lambda status: "connected" in status.bus)
            tests = [first]
            while len(tests) < 2 or ("concluding" not in doing(heard) and len(tests) < 6):
                tests.append(service.begin())
                assert heard.wait(lambda: tests[-1] in named(heard))
                assert service.ask(Stop()).exit_status == 0
                service.until(lambda status: status.state == "idle")
                assert heard.wait(
                    lambda: doing(heard)[-1] == "idle" and states(heard)[-1]["test"] == tests[-1]
                )
            wanted = records_of(service.logbook, tests)
            assert heard.wait(lambda: wanted <= set(arrived(heard)))
            results = [f"{test}/result/" for test in tests]
            assert heard.wait(lambda: all(any(one in key for key in arrived(heard)) for one in results))
            _, log = service.end()
            assert service.process.returncode == 0
            assert heard.wait(lambda: b'"online":false' in heard.on("status")[-1].payload)
    finally:
        broker.kill()
    for one in heard.heard:
        check(one)
    assert all(len(set(copies)) == 1 for copies in arrived(heard).values())
    assert doing(heard)[0] == "idle"
    assert {"testing", "concluding", "idle"} <= set(doing(heard))
    assert {*tests, None} <= named(heard)
    assert {json.loads(one.payload)["test"] for one in heard.on("live")} <= set(tests)
    away = [line for line in log if "is away" in line["message"]]
    assert away
    assert all(line["stand"] == "Simulated stand" for line in away)


def test_a_broker_that_is_a_void_or_hangs_delays_nothing(
    tmp_path: Path, serve: Serve, broker: Broker
) -> None:
    """tcp(7): with a full backlog the kernel drops further connections, which is what a firewall does."""
    logbooks: list[Path] = []

    def ended(stand: Path, hangs: Broker | None = None) -> float:
        """Seconds that a service takes to leave in the middle of a test."""
        with serve(stand) as service:
            logbooks.append(service.logbook)
            if hangs is not None:
                service.until(lambda status: "connected" in status.bus)
            service.begin()
            service.until(lambda status: status.done >= 1)
            if hangs is not None:
                hangs.freeze()
            _, log = service.end()
            assert service.process.returncode == 0
        if hangs is not None:
            hangs.kill()
            hangs.start()
        assert not [line for line in log if line["message"].startswith("Traceback")]
        return leaving_s(log)

    with socket.socket() as void:
        void.bind(("127.0.0.1", 0))
        void.listen(0)
        fillers = [socket.socket() for _ in range(4)]
        for filler in fillers:
            filler.setblocking(False)
            filler.connect_ex(void.getsockname())
        with published(tmp_path, f"mqtt://127.0.0.1:{void.getsockname()[1]}") as stand:
            assert least(lambda: ended(stand), below=2.0) < 2.0
        for filler in fillers:
            filler.close()
        with simulated_stand(tmp_path / "again") as again:
            with again.open("a", encoding="utf-8") as file:
                file.write(f'\n[bus]\nbroker = "{broker.url}"\nstand = "bench-1"\n')
            assert least(lambda: ended(again, hangs=broker), below=2.0) < 2.0
    with Logbook(logbooks[0], create=False) as book:
        assert [one.closing for one in book.tests()] == [
            "interrupted: the service was ended (SIGTERM)"
        ] * len(logbooks)


def test_what_waits_goes_out_when_the_service_starts(tmp_path: Path, serve: Serve) -> None:
    port = free_port()
    with published(tmp_path, f"mqtt://127.0.0.1:{port}") as stand:
        with serve(stand) as service:
            test = service.begin()
            service.until(lambda status: status.done >= 1)
            _, log = service.end()
        assert any("in the outbox" in line["message"] for line in log)
        broker = Broker(tmp_path / "broker", port=port)
        broker.start()
        try:
            with subscriber(port) as heard, serve(stand) as service:
                wanted = records_of(service.logbook, [test])
                assert len(wanted) >= 2  # a position, and the early end
                assert heard.wait(lambda: wanted <= set(arrived(heard)))
        finally:
            broker.kill()


def test_requests_take_the_way_of_tell(tmp_path: Path, serve: Serve, broker: Broker) -> None:
    asker = Asker(broker)

    def answer(count: int) -> dict[str, object]:
        assert heard.wait(lambda: len(heard.on("answer")) >= count)
        check(heard.on("answer")[-1])
        said: dict[str, object] = json.loads(heard.on("answer")[-1].payload)
        return said

    with (
        published(tmp_path, broker.url, "commands = true") as stand,
        subscriber(broker.port) as heard,
        serve(stand) as service,
    ):
        service.until(lambda status: "connected" in status.bus)
        asker.ask("", "stop")
        assert answer(1)["reason"] == "it is for test '', none is running"
        asker.ask("some-test", "begin")  # the cautions are confirmed at the stand
        assert not answer(2)["accepted"]
        test = service.begin()
        asker.ask(test, "note", text="seal looks worn")
        assert answer(3)["accepted"]
        service.until(lambda status: status.done >= 1)
        asker.ask(test, "skip")
        assert answer(4)["accepted"], answer(4)
        asker.ask(test, "stop")
        assert answer(5)["accepted"]
        service.until(lambda status: status.state == "idle")
        asker.ask(test, "stop")
        assert answer(6)["reason"] == f"it is for test '{test}', none is running"
        service.end()
    asker.close()
    with Logbook(service.logbook, create=False) as book:
        stamped = list(book.events(test))
        notes = [one.event.text for one in stamped if isinstance(one.event, events.NoteTaken)]
    assert notes[:3] == [
        "seal looks worn (over the bus, by foreman)",
        "skip was asked over the bus, by foreman",
        "stop was asked over the bus, by foreman",
    ]
    assert any(isinstance(one.event, events.PositionSkipped) for one in stamped)
