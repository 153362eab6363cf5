"""A stand that is always on: its tasks, its signals, its end.

All tasks live in one group: when any of them fails, the service ends with its reason and the service manager
starts it anew; none dies unseen. A failing *test* is no such failure (`service_lead`).
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import signal
import time
from collections.abc import Callable, Coroutine, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lashmap_daemon.control_server import listening
from lashmap_daemon.errors import EXIT_STOPPED, ConfigurationError, LashmapError
from lashmap_daemon.journal import Holding
from lashmap_daemon.logbook import Logbook
from lashmap_daemon.notify import Notifier
from lashmap_daemon.service_answer import Answers
from lashmap_daemon.service_boxes import BoxFolder
from lashmap_daemon.service_bus import ServiceBus
from lashmap_daemon.service_lead import Lead
from lashmap_daemon.service_ports import StandPorts
from lashmap_daemon.service_reload import accepted
from lashmap_daemon.service_watch import Watch
from lashmap_daemon.stand_file import Stand, load_stand

LOG = logging.getLogger("lashmap.service")
_DRAIN_S = 0.1
_WATCH_S = 1.0
_CLOSE_S = 2.0  # for a running test to be closed
_CONCLUDE_S = 60.0  # for a result that is being made to be written


@dataclass(frozen=True, kw_only=True)
class Setup:
    """What a service is made of.

    Attributes:
        stand_path: Stand file.
        stand: As read.
        logbook: Open for writing.
        boxes: What may be tested.
        output: Folder for results.
        socket: Where to listen for commands.
        notifier: Tells the service manager.
        holding: Of the log.
        bus: Where tests are published; leaves it after the service has ended.
    """

    stand_path: Path
    stand: Stand
    logbook: Logbook
    boxes: BoxFolder
    output: Path
    socket: Path
    notifier: Notifier
    holding: Holding
    bus: ServiceBus


class Service:
    """One stand, from start to end.

    Args:
        setup: What it is made of.
    """

    def __init__(self, setup: Setup) -> None:
        self._setup = setup
        self._end = asyncio.Event()
        self._status = 0
        self._reload_wanted = False
        self._failures: list[str] = []
        self._ports = StandPorts(setup.stand)
        self._lead = Lead(
            stand=setup.stand,
            ports=self._ports,
            logbook=setup.logbook,
            boxes=setup.boxes,
            output=setup.output,
            on_change=self._tell_status,
            bus=setup.bus,
        )
        self._answers = Answers(
            lead=self._lead,
            ports=self._ports,
            logbook=str(setup.logbook.path),
            started_s=time.monotonic(),
            bus=setup.bus,
        )
        self._watch = Watch(self._lead, self._ports, setup.logbook)

    async def run(self) -> int:
        """Serve until a signal ends it; returns the exit status.

        Raises:
            ExceptionGroup: When a task failed.
        """
        try:
            async with asyncio.TaskGroup() as group, listening(self._setup.socket, self._answers):
                with self._signals():
                    lead = group.create_task(self._lead.run(), name="tests")
                    others = [
                        group.create_task(task, name=name)
                        for name, task in (
                            ("drain", self._drain()),
                            ("watch", self._watch_over()),
                            ("requests", self._setup.bus.take_requests(self._lead.obey)),
                            *((f"open {name}", self._ports.keep(name)) for name in self._ports.ears),
                        )
                    ]
                    self._greet()
                    await self._end.wait()
                    await self._finish(lead)
                    for task in (*others, lead):
                        task.cancel()
        finally:
            self._ports.close()
        LOG.info("the service has ended")
        return self._status

    def _greet(self) -> None:
        setup = self._setup
        LOG.info("the service of %s is up, logbook %s", setup.stand.file.stand.name, setup.logbook.path)
        LOG.info("commands are taken on %s", setup.socket)
        for problem in setup.boxes.problems():
            LOG.warning("a box file cannot be used: %s", problem)
        setup.notifier.ready()
        self._tell_status()

    async def _finish(self, lead: asyncio.Task[None]) -> None:
        """Let the running test be closed, and a result that is being made be written."""
        self._setup.notifier.stopping()
        patience_s = _CONCLUDE_S if self._lead.state == "concluding" else _CLOSE_S
        _, unfinished = await asyncio.wait({lead}, timeout=patience_s)
        if unfinished:
            LOG.error("the running test did not close within %.0f s", patience_s)

    # Tasks ------------------------------------------------------------------------------------------------

    async def _drain(self) -> None:
        """Take what the instruments send while no test does, and let the gear speak."""
        while True:
            if self._lead.state != "testing":
                self._ports.drain()
                if self._lead.look(time.monotonic()):
                    await self._matched_by_hand()
            if self._reload_wanted and self._lead.state == "idle":
                self._reload()
            await asyncio.sleep(_DRAIN_S)

    async def _matched_by_hand(self) -> None:
        try:
            await self._lead.matched(
                known=True, cause="hands-free: the marked teeth are together; a knock there"
            )
        except LashmapError as error:
            LOG.warning("a knock for the marked teeth was not taken: %s", error)

    async def _watch_over(self) -> None:
        """Send signs of life while there is reason to."""
        watchdog_s = self._setup.notifier.watchdog_s
        every_s = _WATCH_S if watchdog_s is None else min(_WATCH_S, watchdog_s / 3.0)
        while True:
            self._failures = self._watch.failures()
            for failure in self._failures:
                LOG.error("no sign of life is sent: %s", failure)
            if not self._failures:
                self._setup.notifier.alive()
            for sentence in self._setup.holding.ended():
                LOG.info("held back: %s", sentence)
            self._tell_status()
            await asyncio.sleep(every_s)

    # Signals ----------------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def _signals(self) -> Iterator[None]:
        loop = asyncio.get_running_loop()
        handlers: dict[signal.Signals, Callable[[], None]] = {
            signal.SIGTERM: lambda: self._stop("the service was told to end (SIGTERM)", 0),
            signal.SIGINT: lambda: self._stop("the service was told to end (Ctrl-C)", EXIT_STOPPED),
            signal.SIGHUP: self._want_reload,
        }
        for number, handler in handlers.items():
            loop.add_signal_handler(number, handler)
        try:
            yield
        finally:
            for number in handlers:
                loop.remove_signal_handler(number)

    def _stop(self, why: str, status: int) -> None:
        if self._end.is_set():
            return
        LOG.info("%s", why)
        self._status = status
        self._lead.interrupt(why)
        self._end.set()

    def _want_reload(self) -> None:
        self._reload_wanted = True
        if self._lead.state != "idle":
            LOG.info("the service is %s: the files are read again when that is over", self._lead.state)

    def _reload(self) -> None:
        self._reload_wanted = False
        notifier, path = self._setup.notifier, self._setup.stand_path
        notifier.reloading()
        try:
            new = load_stand(path)
            changed = accepted(self._lead.stand, new, str(path))
        except ConfigurationError as error:
            LOG.error("the stand file was not taken over: %s", error)  # noqa: TRY400 - its message says all
        else:
            self._lead.stand = new
            LOG.info("the stand file was read again; changed: %s", ", ".join(changed) or "nothing")
        for problem in self._setup.boxes.problems():
            LOG.warning("a box file cannot be used: %s", problem)
        LOG.info("boxes: %s", ", ".join(self._setup.boxes.names()) or "none")
        notifier.ready()

    def _tell_status(self) -> None:
        report = self._answers.report()
        prepared = self._lead.prepared
        self._setup.bus.show(report, prepared.box.box if prepared else None)
        away = [one.instrument for one in report.instruments if one.state != "heard"]
        text = f"{report.state}" + (f" {report.test}: {report.done} of {report.total}" if report.test else "")
        if away:
            text += f"; {' and '.join(away)} not heard"
        room = self._watch.little_room()
        self._setup.notifier.status("; ".join([text, *([room] if room else []), *self._failures]))


def run_until_ended(make: Callable[[], Service]) -> int:
    """Run a service in a loop of its own; a failure of one of its tasks comes out as itself.

    Raises:
        LashmapError: What was foreseen.
    """

    async def main() -> int:
        return await make().run()

    work: Coroutine[Any, Any, int] = main()
    try:
        return asyncio.run(work)
    except BaseExceptionGroup as group:
        first = group
        while isinstance(first, BaseExceptionGroup):
            first = first.exceptions[0]
        raise first from group
