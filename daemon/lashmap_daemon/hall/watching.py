"""The connection of who watches in a terminal: it feeds a hall, live values included, and sends nothing."""

from __future__ import annotations

import asyncio
import contextlib
import secrets
import time
from collections.abc import Coroutine
from typing import Any

import aiomqtt

from lashmap_daemon.bus.connection import BusClient, Refused, connect, reason_of
from lashmap_daemon.bus.messages import PUBLISHED, REVIEW, Topic
from lashmap_daemon.bus.publisher import BackOff
from lashmap_daemon.hall.hall import MOST_BYTES, BrokerSeen, Hall
from lashmap_daemon.setup.bus_table import BusTable

_LASTED_S = 5.0


class Watcher:
    """Feeds a hall from a broker.

    Args:
        settings: Broker and identity.
        hall: What is fed.
    """

    def __init__(self, settings: BusTable, hall: Hall) -> None:
        self._settings = settings
        self._hall = hall
        self._identifier = f"lashmap-watch-{secrets.token_hex(6)}"
        self.broker = BrokerSeen(
            address=settings.broker, since_s=time.monotonic(), problem="not reached yet; trying"
        )

    async def run(self) -> None:
        """Listen until cancelled.

        Raises:
            ConfigurationError: When password or certificates cannot be read.
        """
        waits = BackOff()
        while True:
            began_s = time.monotonic()
            try:
                await self._one_connection()
            except (aiomqtt.MqttError, OSError) as error:
                if not self.broker.problem and time.monotonic() - began_s > _LASTED_S:
                    waits.reset()  # a broker that ends every connection at once is not knocked at as fast
                self._lost(reason_of(error))
            await asyncio.sleep(waits.next_s())

    async def _one_connection(self) -> None:
        async with connect(self._settings, self._identifier, most_bytes=MOST_BYTES) as client:
            for stand in sorted(self._hall.wanted) or ["+"]:
                for topic in PUBLISHED:
                    await self._listen(client, f"{self._hall.root}/{stand}/{topic.name}", topic)
            self.broker.since_s, self.broker.problem = time.monotonic(), ""
            self._tell("broker reached")
            async for message in client.messages:
                if isinstance(message.payload, bytes):
                    self._hall.feed(
                        str(message.topic), message.payload, retained=message.retain, now_s=time.monotonic()
                    )

    async def _listen(self, client: BusClient, name: str, topic: Topic) -> None:
        try:
            await client.listen_to(name, qos=topic.qos)
        except Refused as error:
            if topic is not REVIEW:
                raise
            # An access list from before there were reviews does not allow them; all else can be watched.
            self._tell(f"reviews are not shown: {error}")

    def _lost(self, problem: str) -> None:
        if not self.broker.problem:
            self.broker.since_s = time.monotonic()
        if problem != self.broker.problem:
            self._tell(f"broker away: {problem}")
        self.broker.problem = problem

    def _tell(self, line: str) -> None:
        if self._hall.tell is not None:
            self._hall.tell(line)


async def watch_until(watcher: Watcher, other: Coroutine[Any, Any, None]) -> None:
    """Listen until ``other`` ends, or listening fails.

    Raises:
        Exception: What ended either of them.
    """
    both = {asyncio.ensure_future(one) for one in (watcher.run(), other)}
    done, left = await asyncio.wait(both, return_when=asyncio.FIRST_COMPLETED)
    for task in left:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
    for task in done:
        task.result()
