"""Records from the outbox to the broker: in order, at most ten in flight, believed only after a while.

An acknowledgement says that the broker has the record in memory. A broker that is killed a moment later has
sent it to nobody and has forgotten it. So a record counts as delivered only when the same connection still
stands ``settle_seconds`` after the acknowledgement. Whatever had not settled when a connection ends is sent
again on the next one, under the same identifier and byte for byte the same.

`send_waiting` does it without a test: the stand is not there, so neither its status nor its state is sent.
"""

from __future__ import annotations

import asyncio
import contextlib
import secrets
import time
from collections import deque
from collections.abc import Callable, Coroutine
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import ParamSpec, TypeVar

import aiomqtt

from lashmap_daemon.bus.connection import (
    MOST_IN_FLIGHT,
    BackgroundCalls,
    BusClient,
    Identity,
    Refused,
    connect,
    reason_of,
)
from lashmap_daemon.bus.messages import REVIEW, Outgoing, outgoing
from lashmap_daemon.bus.outbox import Outbox
from lashmap_daemon.errors import LogbookError, StandError
from lashmap_daemon.setup.bus_table import BusTable

Send = Callable[[Outgoing], Coroutine[None, None, None]]
Given = ParamSpec("Given")
Found = TypeVar("Found")
_PAUSE_S = 1.0
_LOOK_AGAIN_S = 5.0  # for what another program has added to a test that ended


class Records:
    """Empties an outbox over one connection after another.

    The disk has a thread of its own, which alone uses the outbox until `close`: a slow disk, or a recorder
    that is writing, must not delay live values. A record counts as delivered when its connection outlives
    the acknowledgement by ``settle_s``; ``trouble`` is told when the logbook cannot be read or marked,
    ``counted`` now and then how many records wait.
    """

    def __init__(
        self,
        outbox: Outbox,
        settle_s: float,
        trouble: Callable[[str], None],
        counted: Callable[[int], None] = lambda _waiting: None,
    ) -> None:
        self._outbox = outbox
        self._settle_s = settle_s
        self._trouble, self._counted = trouble, counted
        # Up to which event of each test records were acknowledged, and when (monotonic).
        self._acknowledged: deque[tuple[float, dict[str, int]]] = deque()
        self._wake = asyncio.Event()
        self._empty = asyncio.Event()
        self._disk = ThreadPoolExecutor(max_workers=1, thread_name_prefix="outbox")
        self.sent = 0

    def close(self) -> None:
        """Let the disk's thread end; the outbox may be closed then."""
        self._disk.shutdown()

    def follow(self, test: str) -> None:
        """A test is running: its events are to be sent as they come."""
        self._disk.submit(self._outbox.follow, test)  # where that fails, `take` does it
        self.wake()

    def unfollow(self, test: str) -> None:
        """It has ended, and its last event is in the logbook."""
        self._disk.submit(self._outbox.unfollow, test)
        self.wake()

    def reopen(self, test: str) -> None:
        """A test that has ended has one more record."""
        self._disk.submit(self._outbox.reopen, test)
        self.wake()

    async def waiting(self) -> int:
        """How many records the broker does not surely have.

        Raises:
            LogbookError: When the logbook cannot be read.
        """
        return await self._there(self._outbox.waiting)

    async def held(self) -> int:
        """How many of them wait because the broker refuses their test's review.

        Raises:
            LogbookError: When the logbook cannot be read.
        """
        return await self._there(self._outbox.waiting_held)

    def wake(self) -> None:
        """There may be something new in the logbook."""
        self._empty.clear()
        self._wake.set()

    async def emptied(self) -> None:
        """Wait until everything that is in the logbook now was acknowledged."""
        self.wake()
        await self._empty.wait()

    async def left_over(self, *, all_over: bool) -> int:
        """How many records and results are still to be sent.

        Args:
            all_over: Count also those whose acknowledgement the end of a connection has made void.

        Raises:
            LogbookError: When the logbook cannot be read.
        """
        return await self._there(self._count_left, all_over)

    def _count_left(self, all_over: bool) -> int:  # noqa: FBT001 - called through an executor
        if all_over:
            self._outbox.start_over()
        return self._outbox.left()

    async def run(self, send: Send, *, repeat_newest: bool = True) -> None:
        """Send on one connection until it is cancelled or ``send`` fails.

        Args:
            send: Sends one record.
            repeat_newest: Send the newest result once more when none waits.
        """
        self._acknowledged.clear()
        looked_s = time.monotonic()
        newest = await self._there(self._begin)
        if newest is not None and repeat_newest:
            await send(newest)  # a new broker may not have it
        while True:
            self._wake.clear()
            try:
                if time.monotonic() - looked_s > _LOOK_AGAIN_S:
                    looked_s = time.monotonic()
                    await self._there(self._outbox.look_again)
                    self._counted(await self.waiting())
                busy = await self._send_some(send)
                await self._settle()
            except LogbookError as error:
                self._trouble(str(error))
                busy = False
            if busy:
                continue
            if not self._wake.is_set():
                self._empty.set()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_PAUSE_S):  # `wait_for` forgets a cancellation in Python 3.11
                    await self._wake.wait()

    async def _send_some(self, send: Send) -> bool:
        """Send the next few; False when there are none."""
        known = len(self._outbox.refused)
        rows = await self._there(self._outbox.take, MOST_IN_FLIGHT)
        for test, problem in list(self._outbox.refused.items())[known:]:
            self._trouble(
                f"nothing of test {test} is published: it is not as it was written ({problem}); see what is "
                "wrong with: lashmap verify"
            )
        made = [(row.test, outgoing(row, self._outbox.topic)) for row in rows]
        messages = [(test, message) for test, message in made if message is not None]
        async with asyncio.TaskGroup() as group:
            for test, message in messages:
                group.create_task(self._send_or_hold(send, test, message))
        self.sent += len(messages)
        numbers = {row.test: row.number for row in rows if row.test not in self._outbox.held}
        if numbers:
            self._acknowledged.append((time.monotonic(), numbers))
        return bool(rows)

    async def _send_or_hold(self, send: Send, test: str, message: Outgoing) -> None:
        """Send; where the broker refuses a review, the other tests go on all the same.

        An access list from before there were reviews does not allow them. Every other refusal ends the
        connection, since nothing of the stand would reach anybody.
        """
        try:
            await send(message)
        except Refused as error:
            if message.topic is not REVIEW:
                raise
            self._outbox.held[test] = str(error)
            self._trouble(f"the review of test {test} waits: {error}")

    def _begin(self) -> Outgoing | None:
        """Start over; the newest result, unless it waits to be sent."""
        self._outbox.start_over()
        row = self._outbox.newest_result()
        return None if row is None or not self._outbox.is_sent(row) else outgoing(row, self._outbox.topic)

    async def _there(self, call: Callable[Given, Found], *given: Given.args, **named: Given.kwargs) -> Found:
        """Call in the disk's thread."""
        return await asyncio.get_running_loop().run_in_executor(self._disk, partial(call, *given, **named))

    async def _settle(self) -> None:
        """Mark what was acknowledged long enough ago, in one go."""
        until_s = time.monotonic() - self._settle_s
        settled = [events for at_s, events in self._acknowledged if at_s <= until_s]
        if settled:
            newest: dict[str, int] = {}
            for events in settled:
                newest |= events
            await self._there(self._outbox.mark, newest)
            for _ in settled:
                self._acknowledged.popleft()


_MOST_BYTES = 65536
_LOOK_S = 0.2
_ALLOWANCE_S = 10.0  # for marks that the logbook's other users keep waiting


async def send_waiting(
    settings: BusTable,
    identity: Identity,
    outbox: Outbox,
    *,
    tell: Callable[[int], None],
    sent_all: Callable[[], None],
) -> int:
    """Send what waits in an outbox, once, over one connection, and stay until it has settled; how many.

    ``tell`` is called with the number sent so far, ``sent_all`` when the broker acknowledged the last one.

    Raises:
        StandError: When the broker is away, goes away, or refuses; what had settled is marked.
        ConfigurationError: When password or certificates cannot be read.
    """
    asyncio.get_running_loop().set_default_executor(BackgroundCalls())
    troubles = ["the logbook is busy; try again"]
    records = Records(outbox, settings.settle_seconds, troubles.append)
    count = 0
    # A name of its own: as the stand itself it would end the connection of a test that runs elsewhere.
    name = f"lashmap-{identity.stand}-publish-{secrets.token_hex(4)}"
    try:
        async with connect(settings, name, most_bytes=_MOST_BYTES) as client, asyncio.TaskGroup() as group:

            async def send(record: Outgoing) -> None:
                nonlocal count
                await client.send_record(identity.topic(record.topic), record)
                count += 1
                tell(count)

            tasks = [group.create_task(records.run(send, repeat_newest=False))]
            tasks.append(group.create_task(_until_broken(client)))
            await records.emptied()
            sent_all()
            await _settled(records, outbox, settings.settle_seconds + _ALLOWANCE_S, troubles)
            for task in tasks:
                task.cancel()
    except (aiomqtt.MqttError, OSError, ExceptionGroup) as error:
        if isinstance(error, ExceptionGroup) and isinstance(error.exceptions[0], StandError):
            raise error.exceptions[0] from error
        left = f"{await records.waiting()} records still wait in the logbook, publish them again later"
        raise StandError(f"{settings.broker}: {reason_of(error)}", left) from error
    finally:
        records.close()
    return count


async def _until_broken(client: BusClient) -> None:
    async for _ in client.messages:  # none come; it ends when the connection breaks
        pass


async def _settled(records: Records, outbox: Outbox, patience_s: float, troubles: list[str]) -> None:
    try:
        async with asyncio.timeout(patience_s):
            while await records.waiting() > await records.held():  # noqa: ASYNC110 - the logbook rings no bell
                await asyncio.sleep(_LOOK_S)
            if outbox.held:
                raise StandError(troubles[-1], f"{await records.held()} records still wait in the logbook")
    except TimeoutError:
        raise StandError(
            f"all was sent, but it could not be marked as sent and would be sent again: {troubles[-1]}"
        ) from None
