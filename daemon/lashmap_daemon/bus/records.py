"""Records from the outbox to the broker: in order, at most ten in flight, believed only after a while.

An acknowledgement says that the broker has the record in memory. A broker that is killed a moment later has
sent it to nobody and has forgotten it. So a record counts as delivered only when the same connection still
stands ``settle_seconds`` after the acknowledgement. Whatever had not settled when a connection ends is sent
again on the next one, under the same identifier and byte for byte the same.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections import deque
from collections.abc import Callable, Coroutine
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import ParamSpec, TypeVar

from lashmap_daemon.bus.connection import MOST_IN_FLIGHT
from lashmap_daemon.bus.outbox import Outbox
from lashmap_daemon.bus.recorded import Outgoing, outgoing
from lashmap_daemon.errors import LogbookError

Send = Callable[[Outgoing], Coroutine[None, None, None]]
Given = ParamSpec("Given")
Found = TypeVar("Found")
_PAUSE_S = 1.0


@dataclass(frozen=True, kw_only=True)
class _Acknowledged:
    """Up to where records were acknowledged at a time (monotonic)."""

    at_s: float
    events: dict[str, int]


class Records:
    """Empties an outbox over one connection after another.

    The disk has a thread of its own: a slow one, or a recorder that is writing, must not delay live values.

    Args:
        outbox: Where records come from; used from that thread alone until `close`.
        settle_s: How long a connection must outlive an acknowledgement.
        trouble: Told when the logbook cannot be read or marked.
    """

    def __init__(self, outbox: Outbox, settle_s: float, trouble: Callable[[str], None]) -> None:
        self._outbox = outbox
        self._settle_s = settle_s
        self._trouble = trouble
        self._acknowledged: deque[_Acknowledged] = deque()
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
        newest = await self._there(self._begin)
        if newest is not None and repeat_newest:
            await send(newest)  # a new broker may not have it
        while True:
            self._wake.clear()
            try:
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
        messages = [made for row in rows if (made := outgoing(row, self._outbox.topic)) is not None]
        async with asyncio.TaskGroup() as group:
            for message in messages:
                group.create_task(send(message))
        self.sent += len(messages)
        if rows:
            self._note({row.test: row.number for row in rows})
        return bool(rows)

    def _begin(self) -> Outgoing | None:
        """Start over; the newest result, unless it waits to be sent."""
        self._outbox.start_over()
        row = self._outbox.newest_result()
        return None if row is None or not self._outbox.is_sent(row) else outgoing(row, self._outbox.topic)

    async def _there(self, call: Callable[Given, Found], *given: Given.args, **named: Given.kwargs) -> Found:
        """Call in the disk's thread."""
        return await asyncio.get_running_loop().run_in_executor(self._disk, partial(call, *given, **named))

    def _note(self, events: dict[str, int]) -> None:
        self._acknowledged.append(_Acknowledged(at_s=time.monotonic(), events=events))

    async def _settle(self) -> None:
        """Mark what was acknowledged long enough ago, in one go."""
        until_s = time.monotonic() - self._settle_s
        events: dict[str, int] = {}
        settled = 0
        for entry in self._acknowledged:
            if entry.at_s > until_s:
                break
            events |= entry.events
            settled += 1
        if settled:
            await self._there(self._outbox.mark, events)
            for _ in range(settled):
                self._acknowledged.popleft()
