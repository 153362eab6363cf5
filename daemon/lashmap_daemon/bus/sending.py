"""Sending the outbox without a test: once, over one connection, until the broker surely has it.

The stand is not there meanwhile, so its status is not sent and its state is left alone.

Reaching a broker may take longer than anybody waits at the end of a program: a name without a server and a
host that drops packets keep a call inside the system for many seconds, and Python waits at exit for every
thread of an ordinary executor. So each call has a daemon thread (`BackgroundCalls`).
"""

from __future__ import annotations

import asyncio
import secrets
import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TYPE_CHECKING, ParamSpec, TypeVar

import aiomqtt

from lashmap_daemon.bus.connection import connect, reason_of
from lashmap_daemon.bus.records import Records
from lashmap_daemon.errors import StandError

if TYPE_CHECKING:
    from lashmap_daemon.bus.connection import BusClient
    from lashmap_daemon.bus.identity import Identity
    from lashmap_daemon.bus.outbox import Outbox
    from lashmap_daemon.bus.recorded import Outgoing
    from lashmap_daemon.setup.bus_table import BusTable


Given = ParamSpec("Given")
Found = TypeVar("Found")


class BackgroundCalls(ThreadPoolExecutor):
    """An executor for few calls at a time; shutting it down leaves those that hang behind."""

    def submit(
        self, fn: Callable[Given, Found], /, *args: Given.args, **kwargs: Given.kwargs
    ) -> Future[Found]:
        """Call in a thread of its own."""
        future: Future[Found] = Future()

        def work() -> None:
            if not future.set_running_or_notify_cancel():
                return
            try:
                found = fn(*args, **kwargs)
            except BaseException as error:  # noqa: BLE001 - it is whoever waits who gets it
                future.set_exception(error)
            else:
                future.set_result(found)

        threading.Thread(target=work, name="bus call", daemon=True).start()
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:  # noqa: FBT001, FBT002 - the interface
        """Nothing is waited for."""


_MOST_BYTES = 65536
_LOOK_S = 0.2
_ALLOWANCE_S = 10.0  # for marks that the logbook's other users keep waiting


class Sending:
    """Sends what waits in one outbox.

    Args:
        settings: Broker and identity.
        identity: Whose records they are.
        outbox: Where they wait.
        tell: Called with the number of records sent so far, after each.
    """

    def __init__(
        self, settings: BusTable, identity: Identity, outbox: Outbox, tell: Callable[[int], None]
    ) -> None:
        self._settings = settings
        self._identity = identity
        self._outbox = outbox
        self._tell = tell
        self._trouble = ""
        self.sent = 0

    async def run(self, sent_all: Callable[[], None]) -> None:
        """Send everything and stay until it has settled.

        Args:
            sent_all: Called when the broker acknowledged the last one.

        Raises:
            StandError: When the broker is away, goes away, or refuses; what had settled is marked.
            ConfigurationError: When password or certificates cannot be read.
        """
        asyncio.get_running_loop().set_default_executor(BackgroundCalls())
        records = Records(self._outbox, self._settings.settle_seconds, self._had_trouble)
        # A name of its own: as the stand itself it would end the connection of a test that runs elsewhere.
        name = f"lashmap-{self._identity.stand}-publish-{secrets.token_hex(4)}"
        try:
            async with connect(self._settings, name, most_bytes=_MOST_BYTES) as client:
                await self._send_over(client, records, sent_all)
        except (aiomqtt.MqttError, OSError, ExceptionGroup) as error:
            if isinstance(error, ExceptionGroup) and isinstance(error.exceptions[0], StandError):
                raise error.exceptions[0] from error
            left = f"{await records.waiting()} records still wait in the logbook, publish them again later"
            raise StandError(f"{self._settings.broker}: {reason_of(error)}", left) from error
        finally:
            records.close()

    async def _send_over(self, client: BusClient, records: Records, sent_all: Callable[[], None]) -> None:
        async def send(record: Outgoing) -> None:
            await client.send_record(self._identity.topic(record.topic), record)
            self.sent += 1
            self._tell(self.sent)

        async def receive() -> None:
            async for _ in client.messages:  # none come; it ends when the connection breaks
                pass

        async with asyncio.TaskGroup() as group:
            tasks = [
                group.create_task(records.run(send, repeat_newest=False)),
                group.create_task(receive()),
            ]
            await records.emptied()
            sent_all()
            try:
                async with asyncio.timeout(self._settings.settle_seconds + _ALLOWANCE_S):
                    while await records.waiting():  # noqa: ASYNC110 - the logbook rings no bell
                        await asyncio.sleep(_LOOK_S)
            except TimeoutError:
                raise StandError(
                    f"all was sent, but it could not be marked as sent and would be sent again: "
                    f"{self._trouble or 'the logbook is busy; try again'}"
                ) from None
            finally:
                for task in tasks:
                    task.cancel()

    def _had_trouble(self, problem: str) -> None:
        self._trouble = problem
