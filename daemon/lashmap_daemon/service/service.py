"""A stand that is always on: requests and their answers, its tasks, its signals, its end.

All tasks live in one group: when one fails, the service ends with its reason and the service manager starts
it anew. A failing *test* is no such failure (`service.lead`).

A stand file with any change that needs a restart is refused whole: a calibration date that came with another
instrument must not be taken for the one that is still connected.

The sign for the watchdog is sent from the loop itself, and only while every part goes on. A full disk is
reported and borne, since a restart makes no room and a paused test would be lost by it; a logbook that is
gone or broken is not.
"""

from __future__ import annotations

import asyncio
import logging
import os
import shutil
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal, TypeAlias

from lashmap_drivers.errors import (
    InstrumentError,
    InstrumentGarbled,
    InstrumentLost,
    InstrumentSilent,
    InstrumentWithoutReading,
)

from lashmap_daemon.errors import EXIT_STOPPED, ConfigurationError, LashmapError, LogbookGone
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.service import words
from lashmap_daemon.service.bus import ServiceBus
from lashmap_daemon.service.journal import Holding, Notifier
from lashmap_daemon.service.lead import Lead, ServiceScreen
from lashmap_daemon.service.opening import BoxFolder
from lashmap_daemon.service.page import ServicePage
from lashmap_daemon.service.server import serving
from lashmap_daemon.setup.same import accepted
from lashmap_daemon.setup.stand_file import ENCODER, PINION_ENCODER, Stand, load_stand
from lashmap_daemon.story.wording import angle_text
from lashmap_daemon.system import on_signals
from lashmap_daemon.testing.monitor import StandInstrument, StandPorts

if TYPE_CHECKING:
    from lashmap_daemon.testing.conductor import Conductor


def state_of(instrument: StandInstrument, now_s: float) -> words.InstrumentState:
    """What is known of an instrument now."""
    source, monitor = instrument.source, instrument.monitor
    state, detail = _in_a_word(monitor.problem(now_s, lost=source.lost if source is not None else None))
    return words.InstrumentState(
        instrument=instrument.name,
        port=instrument.port_name,
        state="absent" if source is None else state,
        detail=instrument.problem if source is None else detail,
        reading=monitor.reading,
        age_s=monitor.age_s(now_s),
        rate_hz=monitor.rate_hz(now_s),
        bad_frames=monitor.parser.bad_frames,
        dropped_chunks=source.dropped_chunks if source is not None else 0,
        missed_polls=getattr(source, "missed_polls", 0),  # a recording has none, nor comes it back
        reconnects=getattr(source, "reconnects", 0),
    )


_Judged: TypeAlias = Literal["heard", "away", "silent", "not understood", "without reading"]


def _in_a_word(problem: InstrumentError | None) -> tuple[_Judged, str]:
    """What is wrong with an instrument as state and detail of a status."""
    word: _Judged = "heard"  # also one that waits for its button: nothing is wrong with it
    match problem:
        case InstrumentLost():
            word = "away"
        case InstrumentSilent():
            word = "silent"
        case InstrumentGarbled():
            word = "not understood"
        case InstrumentWithoutReading():
            word = "without reading"
    return word, "" if problem is None else str(problem)


def _in_test(one: words.InstrumentState, screen: ServiceScreen, now_s: float) -> words.InstrumentState:
    """An instrument while a test takes its samples."""
    conductor = screen.conductor
    if conductor is None or one.state in {"absent", "away"}:
        return one
    test_s = screen.test_s(now_s)
    monitor = conductor.channels.monitors[one.instrument]
    state, detail = _in_a_word(monitor.problem(test_s))
    reading, latest = monitor.reading, conductor.channels.latest_gear_deg
    hidden = conductor.state.phase is Phase.CHECKING  # nobody is to go by what the marks are to check
    if one.instrument == PINION_ENCODER and hidden:
        reading = ""
    if one.instrument == ENCODER:
        reading = f"gear at {angle_text(latest[1], decimals=3)}" if latest and not hidden else ""
    return one.model_copy(
        update={
            "state": state,
            "detail": detail,
            "reading": reading,
            "age_s": monitor.age_s(test_s),
            "rate_hz": monitor.rate_hz(test_s),
            "bad_frames": monitor.parser.bad_frames,
        }
    )


def lines(report: words.StatusReport) -> list[str]:
    """A status for a person."""
    sentences = [f"{report.stand}: {report.state}" + (f", test {report.test}" if report.test else "")]
    if report.box:
        sentences.append(f"  box        {report.box}")
    sentences.append(f"  awaits     {report.awaits}")
    if report.total:
        sentences.append(f"  positions  {report.done} of {report.total} accepted")
    if report.last_refusal:
        sentences.append(f"  refused    {report.last_refusal}")
    for one in report.instruments:
        age = "no reading" if one.age_s is None else f"{one.reading}, {one.age_s:.2f} s old"
        counts = f", {one.bad_frames} bad frames" if one.bad_frames else ""
        counts += f", {one.missed_polls} polls missed" if one.missed_polls else ""
        counts += f", {one.dropped_chunks} reads dropped" if one.dropped_chunks else ""
        counts += f", came back {one.reconnects} times" if one.reconnects else ""
        rate = f"{one.rate_hz:.0f} samples a second"
        sentences.append(f"  {one.instrument:<10} {one.state}: {age}, {rate}{counts} ({one.port})")
        if one.detail:
            sentences.append(f"             {one.detail}")
    if report.last_test:
        sentences.append(f"  last       {report.last_test}")
    if report.bus:
        sentences.append(f"  bus        {report.bus}")
    if report.page:
        sentences.append(f"  page       {report.page}")
    sentences.append(f"  boxes      {', '.join(report.boxes) or 'none'}")
    sentences.append(f"  logbook    {report.logbook}; up for {_span(report.uptime_s)}")
    return sentences


def _span(seconds: float) -> str:
    minutes, hours = seconds / 60.0, seconds / 3600.0
    if hours >= 48.0:
        return f"{hours / 24.0:.0f} days"
    return f"{hours:.1f} hours" if minutes >= 90.0 else f"{minutes:.0f} minutes"


WATCH_LOG = logging.getLogger("lashmap.watch")
STUCK_S = 10.0  # a running test that did not come round for so long hangs
LEAST_FREE_BYTES = 64 * 1024 * 1024  # about an hour of raw samples


class Watch:
    """Looks whether the service does its work."""

    def __init__(
        self, lead: Lead, ports: StandPorts, logbook: Logbook, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._lead, self._ports, self._logbook, self._clock = lead, ports, logbook, clock
        self._said_full = False

    def failures(self) -> list[str]:
        """What no longer goes on; empty while everything does."""
        found = [
            f"the reader of the {instrument.name} on {instrument.port_name} ended without a word"
            for instrument in self._ports.instruments.values()
            if not instrument.alive
        ]
        screen = self._lead.screen
        if self._lead.state == "testing" and screen is not None:
            still_s = self._clock() - screen.asked_s
            if still_s > STUCK_S:
                found.append(f"the running test has not gone on for {still_s:.0f} s")
        path = self._logbook.path
        try:
            self._logbook.must_be_there()
        except LogbookGone as error:
            found.append(str(error))
        else:
            if not os.access(path, os.W_OK):
                found.append(f"{path}: cannot be written any more; check its permissions")
        return found

    def little_room(self) -> str:
        """A sentence when the logbook's disk is nearly full; empty otherwise."""
        try:
            free = shutil.disk_usage(self._logbook.path.parent).free
        except OSError:
            return ""
        if free >= LEAST_FREE_BYTES:
            self._said_full = False
            return ""
        text = f"{free // (1024 * 1024)} MB are left on the disk of {self._logbook.path}; make room"
        if not self._said_full:
            self._said_full = True
            WATCH_LOG.error("%s", text)
        return text


LOG = logging.getLogger("lashmap.service")
_DRAIN_S = 0.1
_WATCH_S = 1.0
_CLOSE_S = 2.0  # for a running test to be closed
_CONCLUDE_S = 60.0  # for a result that is being made to be written


@dataclass(frozen=True, kw_only=True)
class Setup:
    """What a service is made of; the bus is left after the service has ended."""

    stand_path: Path
    stand: Stand
    logbook: Logbook
    boxes: BoxFolder
    output: Path
    socket: Path
    notifier: Notifier
    holding: Holding
    bus: ServiceBus
    page: ServicePage


class Service:
    """One stand, from start to end."""

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
            page=setup.page,
        )
        self._started_s = time.monotonic()
        self._watch = Watch(self._lead, self._ports, setup.logbook)
        setup.page.follow(setup.logbook.path, self._ports.opened, setup.bus)

    async def run(self) -> int:
        """Serve until a signal ends it; returns the exit status.

        Raises:
            ExceptionGroup: When a task failed.
        """
        try:
            async with asyncio.TaskGroup() as group, serving(self._setup.socket, self._answer):
                with self._signals():
                    lead = group.create_task(self._lead.run(), name="tests")
                    others = [
                        group.create_task(task, name=name)
                        for name, task in (
                            ("drain", self._drain()),
                            ("watch", self._watch_over()),
                            ("requests", self._setup.bus.take_requests(self._lead.obey)),
                            ("page", self._setup.page.go_on(self._report, self._running, self._lead.obey)),
                            *((f"open {name}", self._ports.keep(name)) for name in self._ports.wires),
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
                if self._lead.is_matched_by_knock(time.monotonic()):
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

    # Requests ---------------------------------------------------------------------------------------------

    async def _answer(self, request: words.Request) -> words.Answer:
        """Do what is asked; raises `LashmapError` when it is not done."""
        match request:
            case words.Status():
                report = self._report()
                return words.Answer(say=lines(report), status=report)
            case words.Begin():
                sentences = await self._lead.begin(request)
            case words.Matched():
                sentences = await self._lead.matched(known=request.known)
            case words.Cause():
                sentences = await self._lead.cause(request)
            case words.Note():
                sentences = await self._lead.obey(f"note {' '.join(request.text.split())}")
            case words.Resume():
                sentences = await self._lead.resume(request)
            case _:
                sentences = await self._lead.obey(request.command)
        return words.Answer(say=sentences)

    def _running(self) -> Conductor | None:
        screen = self._lead.screen
        return screen.conductor if screen is not None and self._lead.state == "testing" else None

    def _report(self) -> words.StatusReport:
        """How the service is now."""
        lead, now_s = self._lead, time.monotonic()
        instruments = [state_of(instrument, now_s) for instrument in self._ports.instruments.values()]
        awaits, done, total, refusal = "a test: lashmap tell STAND begin BOX", 0, 0, ""
        started = lead.prepared.started if lead.prepared else None
        screen = lead.screen
        if lead.state == "preparing":
            awaits = "the marked teeth together, then: lashmap tell STAND matched"
        elif lead.state == "concluding":
            awaits = "nothing: the result is being made"
        elif screen is not None:
            awaits, refusal, started = screen.awaits, screen.last_refusal, screen.started
            if screen.conductor is not None:
                done = len(screen.conductor.story.accepted)
                total = max(screen.conductor.state.asked, done)
                instruments = [_in_test(one, screen, now_s) for one in instruments]
        return words.StatusReport(
            state=lead.state,
            stand=lead.stand.file.stand.name,
            logbook=str(self._setup.logbook.path),
            awaits=awaits,
            instruments=instruments,
            test=lead.test,
            box=f"{started.box.box.type}, serial {started.box.box.serial}" if started else "",
            done=done,
            total=total,
            last_refusal=refusal,
            last_test=lead.last_test,
            boxes=lead.boxes.names(),
            uptime_s=now_s - self._started_s,
            bus=self._setup.bus.line,
            page=self._setup.page.line,
        )

    # Signals ----------------------------------------------------------------------------------------------

    def _signals(self) -> AbstractContextManager[None]:
        return on_signals(
            {
                "SIGTERM": lambda: self._stop("the service was ended (SIGTERM)", 0),
                "SIGINT": lambda: self._stop("the service was ended (Ctrl-C)", EXIT_STOPPED),
                "SIGHUP": self._want_reload,
            }
        )

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
        report = self._report()
        prepared = self._lead.prepared
        self._setup.bus.show(report, prepared.box.box if prepared else None)
        self._setup.page.tell(report)
        away = [one.instrument for one in report.instruments if one.state != "heard"]
        text = f"{report.state}" + (f" {report.test}: {report.done} of {report.total}" if report.test else "")
        if away:
            text += f"; no readings of {' and '.join(away)}"
        room = self._watch.little_room()
        self._setup.notifier.status("; ".join([text, *([room] if room else []), *self._failures]))


def run_until_ended(make: Callable[[], Service]) -> int:
    """Run a service in a loop of its own; a failure of one of its tasks comes out as itself.

    Raises:
        LashmapError: What was foreseen.
    """

    async def main() -> int:
        return await make().run()

    try:
        return asyncio.run(main())
    except BaseExceptionGroup as group:
        first = group
        while isinstance(first, BaseExceptionGroup):
            first = first.exceptions[0]
        raise first from group
