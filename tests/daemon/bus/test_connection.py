"""One connection: what it leaves behind when it fails, and whom it blames."""

from __future__ import annotations

import asyncio
import socket
import threading
import time
from dataclasses import replace
from itertools import product
from pathlib import Path

import aiomqtt
import pytest
from daemon.bus.broker import Broker
from daemon.bus.on_bus import settings
from lashmap_daemon.bus import connection
from lashmap_daemon.bus.connection import BackgroundCalls, BusClient, Refused, connect
from lashmap_daemon.bus.messages import POSITION, STATE

TRIES = 5


def sockets() -> int:
    """Open sockets of this process (proc(5))."""
    found = 0
    for name in Path("/proc/self/fd").iterdir():
        try:
            found += str(name.readlink()).startswith("socket:")
        except OSError:
            continue  # the listing's own
    return found


def test_a_broker_that_never_greets_costs_no_socket_a_try(monkeypatch: pytest.MonkeyPatch) -> None:
    """A service tries for months: at one socket a try it would have no port left for its instruments."""
    monkeypatch.setattr(connection, "_ANSWER_S", 0.05)
    complaints: list[object] = []
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen(2 * TRIES)  # the kernel accepts, nobody answers

        async def tries() -> tuple[int, int]:
            loop = asyncio.get_running_loop()
            loop.set_exception_handler(lambda _loop, context: complaints.append(context))
            loop.set_default_executor(BackgroundCalls())
            table = settings(f"mqtt://127.0.0.1:{silent.getsockname()[1]}")
            before = sockets()
            for _ in range(TRIES):
                with pytest.raises(aiomqtt.MqttError):
                    async with connect(table, "x", most_bytes=1000):
                        raise AssertionError
            deadline_s = time.monotonic() + 60.0
            while sockets() > before + 1 and time.monotonic() < deadline_s:  # noqa: ASYNC110 - what is given up
                await asyncio.sleep(0.01)  # is closed by the loop and a thread, in their turn
            return before, sockets()

        before, after = asyncio.run(tries())
    assert after <= before + 1
    assert complaints == []


def test_the_message_that_was_refused_is_named_not_the_one_beside_it(tmp_path: Path) -> None:
    rules = tmp_path / "rules"
    rules.write_text("topic write lashmap/bench-1/state\n", "utf-8")
    broker = Broker(tmp_path / "broker", f"allow_anonymous true\nacl_file {rules}\n")
    broker.start()

    async def both() -> list[BaseException | None]:
        async with connect(settings(broker.url), "x", most_bytes=1000) as client:
            sends = [
                client.send(f"lashmap/bench-1/{topic.name}", topic, b"{}")
                for topic in (POSITION, STATE, POSITION, STATE)
            ]
            return await asyncio.gather(*sends, return_exceptions=True)

    try:
        first, second, third, fourth = asyncio.run(both())
    finally:
        broker.kill()
    assert (second, fourth) == (None, None)
    for one in (first, third):
        assert isinstance(one, Refused)
        assert one.topic == "lashmap/bench-1/position"


def test_a_send_that_is_called_off_as_it_ends_does_not_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A task group that breaks calls its tasks off once; one that missed it would keep the group for ever."""
    broker = Broker(tmp_path / "broker")
    broker.start()
    acknowledged = asyncio.Event()
    heard = BusClient._on_publish

    def hear(client: BusClient, *given: object) -> None:
        heard(client, *given)  # type: ignore[arg-type]
        acknowledged.set()

    monkeypatch.setattr(BusClient, "_on_publish", hear)

    async def forgotten() -> list[tuple[int, int]]:
        """QoS and turns of the loop after the acknowledgement at which a cancellation made no difference."""
        found = []
        async with connect(settings(broker.url), "x", most_bytes=1000) as client:
            for qos, turns in product((0, 1), range(8)):
                acknowledged.clear()
                sending = asyncio.create_task(client.send("a", replace(POSITION, qos=qos), b"{}"))
                await acknowledged.wait()
                for _ in range(turns):
                    await asyncio.sleep(0)
                called_off = sending.cancel()
                [ended] = await asyncio.gather(sending, return_exceptions=True)
                if called_off and not isinstance(ended, asyncio.CancelledError):
                    found.append((qos, turns))
        return found

    try:
        assert asyncio.run(forgotten()) == []
    finally:
        broker.kill()


def test_a_call_that_hangs_holds_up_no_end() -> None:
    called, hangs, returned = threading.Event(), threading.Event(), threading.Event()

    def hang() -> None:
        called.set()
        hangs.wait()
        returned.set()

    async def leave_it() -> None:
        asyncio.get_running_loop().set_default_executor(BackgroundCalls())
        assert await asyncio.to_thread(lambda: 7) == 7
        with pytest.raises(ZeroDivisionError):
            await asyncio.to_thread(lambda: 1 // 0)
        calling = asyncio.create_task(asyncio.to_thread(hang))
        while not called.is_set():  # noqa: ASYNC110 - it is called in a thread
            await asyncio.sleep(0.001)
        calling.cancel()

    asyncio.run(leave_it())
    assert not returned.is_set()  # it hangs still, and yet we are here
    hangs.set()
    assert returned.wait(60.0)
