"""A live test: ports, clock, operator and listeners around a conductor.

Everything that can fail here fails into a closing record: whatever ends a test, the logbook's last event says
why, and what was recorded stays.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Protocol

from lashmap_analysis.record.record import PassTrace, Precondition
from lashmap_drivers.errors import InstrumentError
from lashmap_drivers.ports.source import Source
from lashmap_drivers.readings import Chunk

from lashmap_daemon.errors import LogbookGone
from lashmap_daemon.logbook.guard import RESERVE_BYTES, Reserve
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.pack import on_test_clock
from lashmap_daemon.sequence import sequence
from lashmap_daemon.sequence.resume import Resumption
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.story import events
from lashmap_daemon.story.cause import answer_of
from lashmap_daemon.system import on_signals
from lashmap_daemon.testing.channels import Channels
from lashmap_daemon.testing.conductor import Conductor
from lashmap_daemon.testing.keeper import SLOW_S, Keeper
from lashmap_daemon.testing.relay import BEHIND_S, Relay

TICK_S = 0.032  # three of them, with their work, are the 0.1 s from one live message to the next
_CLOSING_S = 1.0
_NO_RESERVE = (
    f"the disk of the logbook has no {RESERVE_BYTES // 1_000_000} MB to spare: should it fill up, this test "
    "can be closed only after room was made"
)
_HUNG_UP = {errno.EIO, errno.ENXIO, errno.ENODEV, errno.EBADF}  # what a terminal that is gone answers
_ENDING = {
    "SIGINT": sequence.Stop("stopped", "by the operator"),
    "SIGTERM": sequence.Stop("interrupted", "the program was ended (SIGTERM)"),
    "SIGHUP": sequence.Stop("interrupted", "the terminal went away (SIGHUP)"),
    "SIGBREAK": sequence.Stop("interrupted", "the terminal went away, or Ctrl-Break (SIGBREAK)"),
}
_TERMINAL_GONE = sequence.Stop("interrupted", "the terminal went away")


class Screen(Protocol):
    """What a live test needs of a screen. None of this may wait: what is slow goes behind a `Relay`."""

    def hear(self, stamped: events.Stamped) -> None:
        """An event happened."""

    def show(self, conductor: Conductor, now_s: float) -> None:
        """Time to draw."""

    def commands(self) -> list[str]:
        """What the operator asked for since then.

        ``repeat``, ``skip``, ``matched``, ``ready``, ``cause …`` (`story.cause`), ``stop``, ``note …``;
        ``unanswered`` where a cause is asked for and nobody can say it here; where teeth are counted,
        ``arrived`` and ``unmatched`` too.
        """


@dataclass(frozen=True, kw_only=True)
class Opening:
    """What is known when both instruments give readings and the sequence may begin.

    ``matched`` is the encoder's angle at engagement 0, ``rates_hz`` samples a second by channel. A test that
    goes on has the event that says so, and from where it goes on. ``build`` is the one that a new test names;
    ``notes`` say what else was shown and answered; ``passes``, ``recorded`` and
    ``ready_before`` as of `Conductor`.
    """

    started: events.TestStarted
    cautions: events.CautionsConfirmed
    preconditions: tuple[Precondition, ...]
    matched: events.MatchedTeethSet
    rates_hz: dict[str, float]
    resumed: events.TestResumed | None = None
    resumption: Resumption | None = None
    notes: tuple[str, ...] = ()
    build: events.BuildNamed | None = None
    passes: tuple[events.PlannedPass, ...] = ()
    recorded: tuple[PassTrace, ...] = ()
    ready_before: str = ""

    def records(self) -> Iterator[events.Event]:
        """The first events of the test."""
        yield self.resumed or self.started
        yield self.cautions
        if self.build is not None:
            yield self.build
        if self.passes:
            yield events.PassesPlanned(passes=self.passes)
        yield events.PreconditionsRecorded(preconditions=self.preconditions)
        stand = self.started.stand
        for name, rate_hz in self.rates_hz.items():
            yield events.InstrumentHeard(instrument=name, port=stand.port(name), rate_hz=rate_hz)
        yield self.matched
        for text in self.notes:
            yield events.NoteTaken(text=text)


class LiveTest:
    """Runs one test to its closing record.

    Args:
        opening: Identity, preconditions and reference of the test.
        ports: Open ports by channel.
        logbook: Where everything is kept.
        screen: Where it is shown.
        listeners: Further listeners to the events; each behind a thread of its own, so that it may be slow.
        handle_signals: Close the record on Ctrl-C (stopped) and on SIGTERM and SIGHUP (interrupted); false
            leaves signals to a program that runs more than this test, which cancels `run` instead.
        slow: Relays of the screen, whose lag is to be named as well.
        beside: Relays that may fail: that is noted, and the test goes on without them.
        go_on: The command that goes on with this test after it was closed, for messages.
    """

    def __init__(
        self,
        opening: Opening,
        ports: dict[str, Source],
        logbook: Logbook,
        screen: Screen,
        listeners: tuple[events.Listener, ...] = (),
        *,
        handle_signals: bool = True,
        slow: tuple[Relay[Any], ...] = (),
        beside: tuple[Relay[Any], ...] = (),
        go_on: str = "",
    ) -> None:
        self._opening = opening
        self._ports = ports
        self._screen = screen
        self._handle_signals = handle_signals
        self._first_s = opening.resumption.first_s if opening.resumption else 0.0
        self._start_s = time.monotonic() - self._first_s
        self._own = tuple(Relay(_name_of(listener), listener) for listener in listeners)
        self._slow, self._beside = slow, beside
        self._relays: tuple[Relay[Any], ...] = (*self._own, *slow, *beside)
        self._named: set[str] = set()
        self._failed: set[str] = set()
        started = opening.started
        self._reserve = Reserve(logbook.path)
        self._keeper = Keeper(
            logbook,
            started.test,
            now_s=self._now_s,
            listeners=(screen.hear, *self._own),
            reserve=self._reserve,
        )
        channels = Channels(started.stand, started.box.gear_set.gear_set())
        channels.count_from(opening.matched)
        self.conductor = Conductor(
            started,
            channels,
            emit=self._emit,
            keep=self._keeper.keep,
            resumption=opening.resumption,
            go_on=go_on,
            passes=opening.passes,
            recorded=opening.recorded,
            ready_before=opening.ready_before,
        )

    async def run(self) -> events.TestClosed:
        """Lead the test; returns its closing record.

        Raises:
            StandError: When the stand failed; the closing record is written first.
            InstrumentError: When an instrument failed; the closing record is written first.
            LogbookGone: When the logbook's file is gone; says where the test was saved and closed.
        """
        with ExitStack() as stack:
            for relay in self._own:  # what waits for a slow listener is handed on; one that is stuck is left
                stack.callback(relay.close, _CLOSING_S)
            stack.callback(self._reserve.release)
            kept = self._reserve.hold()
            stack.enter_context(self._closing_record())
            if self._handle_signals:
                endings = {name: partial(self._end, stop) for name, stop in _ENDING.items()}
                stack.enter_context(on_signals(endings))
            for event in self._opening.records():
                self.conductor.emit(event)
            if not kept:
                self.conductor.note(_NO_RESERVE)
            while not self.conductor.closed:
                self._tick()
                self._screen.show(self.conductor, self._now_s())
                await asyncio.sleep(TICK_S)
            self._keeper.finish(_CLOSING_S)
        if self._keeper.closed is None:
            raise RuntimeError("a test ended without its closing record")
        return self._keeper.closed

    def _tick(self) -> None:
        chunks: dict[str, list[Chunk]] = {}
        failed: InstrumentError | None = None
        lost: dict[str, str] = {}
        for name, port in self._ports.items():
            try:
                taken = port.take()
            except InstrumentError as error:
                failed = error  # what the other port brought is kept first
            else:
                on_clock = [on_test_clock(chunk, self._start_s) for chunk in taken]
                chunks[name] = [chunk for chunk in on_clock if chunk.arrival_s >= self._first_s]
            if port.lost is not None:
                lost[name] = port.lost.reason
        self.conductor.tick(self._now_s(), self._keeper.admit(chunks), lost)
        if failed is not None:
            raise failed
        self._check_disk()
        self._check_relays()
        if not self.conductor.closed:
            self._take_commands()

    def _take_commands(self) -> None:
        try:
            commands = self._screen.commands()
        except OSError as error:
            if error.errno not in _HUNG_UP:
                raise
            self._end(_TERMINAL_GONE)
            return
        for command in commands:
            self._run_command(command)

    def _end(self, stop: sequence.Stop) -> None:
        """Close the record; what was lost before belongs to the reason: one cause may have taken both."""
        away = self.conductor.away
        self.conductor.happen(replace(stop, reason=f"{stop.reason}; before, {away}") if away else stop)

    def _check_disk(self) -> None:
        self._keeper.check_file()
        if self._keeper.gone is not None:
            raise self._keeper.gone
        paused = self.conductor.state.phase is Phase.PAUSED
        if self._keeper.full and not paused:
            self.conductor.happen(sequence.Full(self._keeper.full))
        elif paused and self._keeper.try_again():
            self.conductor.given_up_s = self._keeper.given_up_s
            self.conductor.happen(sequence.Space())

    def _check_relays(self) -> None:
        for relay in self._relays:
            failure = relay.failure
            if relay in self._beside and failure is not None:
                if relay.name not in self._failed:
                    self._failed.add(relay.name)
                    self.conductor.note(f"{relay.name} is gone ({failure}); the test goes on without it")
                continue
            if relay in self._slow and isinstance(failure, OSError) and failure.errno in _HUNG_UP:
                self._end(_TERMINAL_GONE)
                return
            if failure is not None:
                raise failure
            if relay.name not in self._named and relay.behind_s > BEHIND_S:
                self._named.add(relay.name)
                self.conductor.note(f"{relay.name} does not keep up; the recording does not wait for it")

    def _run_command(self, command: str) -> None:
        word, _, rest = command.partition(" ")
        match word:
            case "repeat":
                self.conductor.happen(sequence.Repeat())
            case "skip":
                self.conductor.happen(sequence.Skip())
            case "arrived":
                self.conductor.arrived()
            case "matched":
                self.conductor.matched(f"matched {rest}".strip())
            case "ready":
                self.conductor.ready("at the stand")
            case "cause" if (found := answer_of(rest)) is not None:
                self.conductor.told_cause(found)
            case "unanswered":
                self.conductor.nobody_tells_cause("nobody is at a terminal to say why")
            case "unmatched":
                self.conductor.unmatched()
            case "note" if rest:
                self.conductor.note(rest)
            case "stop":
                self.conductor.happen(sequence.Stop("stopped", "by the operator"))

    @contextmanager
    def _closing_record(self) -> Iterator[None]:
        """A closing event is written whatever happens, cancellation included."""
        try:
            yield
        except BaseException as error:
            with contextlib.suppress(Exception):  # the first failure is the one to report
                if not self.conductor.closed:
                    self.conductor.emit(_closing_of(error))
                    self._keeper.finish(_CLOSING_S)
                elif self._keeper.gone is not None:
                    self._keeper.finish(_CLOSING_S)
            if self._keeper.gone is not None and self._keeper.gone is not error:
                raise self._keeper.gone from error
            raise

    def _emit(self, event: events.Event) -> events.Stamped:
        if isinstance(event, events.TestClosed):
            for text in (*self.conductor.wire_notes(), *self._lags()):
                self.conductor.note(text)
        return self._keeper.emit(event)

    def _lags(self) -> Iterator[str]:
        """Who did not keep up, with counts."""
        yield from (lag for relay in self._relays if (lag := relay.lag))
        if self._keeper.slow_writes:
            yield (
                f"the disk of the logbook took longer than {SLOW_S} s for {self._keeper.slow_writes} events, "
                f"at most {self._keeper.slowest_s:.1f} s"
            )
        dropped = {name: port.dropped_chunks for name, port in self._ports.items() if port.dropped_chunks}
        for name, count in dropped.items():
            yield f"{count} reads of the {name} were dropped: this computer was too busy to take them in time"

    def _now_s(self) -> float:
        return time.monotonic() - self._start_s


def _closing_of(error: BaseException) -> events.TestClosed:
    """The closing record of a test that ``error`` ended."""
    outcome: events.Outcome = "failed"
    match error:
        case KeyboardInterrupt():
            outcome, reason = "stopped", "by the operator"
        case asyncio.CancelledError():
            outcome, reason = "interrupted", "the program that ran it ended"
        case BrokenPipeError():
            outcome, reason = "interrupted", "the reader of the output went away"
        case LogbookGone():
            reason = f"the logbook was lost: {error.path}: {error.why}"
        case OSError():
            reason = f"this computer refused to read or write: {error.strerror or error}"
        case _:
            reason = str(error) or type(error).__name__
    return events.TestClosed(outcome=outcome, reason=reason)


def _name_of(listener: events.Listener) -> str:
    return str(getattr(listener, "name", type(listener).__name__))
