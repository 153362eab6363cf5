"""The tests of a service, one after another: begun, led, closed, judged; then the service is idle again.

Whatever becomes of a test, the service goes on. A refused request raises an error that names the reason.
Result and report of a closed test are made in a thread of their own.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from lashmap_drivers.errors import InstrumentError

from lashmap_daemon.errors import ConfigurationError, LashmapError, LogbookGone, StandError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.screens.prompts import PromptsFile
from lashmap_daemon.sequence import sequence
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.service.bus import ServiceBus
from lashmap_daemon.service.journal import about
from lashmap_daemon.service.opening import PREPARING_S, BoxFolder, Waiting, prepare, prepare_again
from lashmap_daemon.service.page import ServicePage
from lashmap_daemon.service.words import Begin, Cause, Resume
from lashmap_daemon.setup.stand_file import Stand
from lashmap_daemon.story import events
from lashmap_daemon.story.cause import CAUSES, answer_of
from lashmap_daemon.story.wording import instruction, sentence
from lashmap_daemon.testing.engine import Engine, Prepared
from lashmap_daemon.testing.live_test import LiveTest, Opening
from lashmap_daemon.testing.monitor import StandPorts
from lashmap_daemon.testing.opening import failed_already

if TYPE_CHECKING:
    from lashmap_analysis.judge.assessment import Assessment
    from lashmap_analysis.record.record import Units

    from lashmap_daemon.testing.conductor import Conductor


TEST_LOG = logging.getLogger("lashmap.test")
_MOST_COMMANDS = 32
_PATIENCE_S = 1.5  # for the first event that a command makes
_SETTLE_S = 0.2  # after the first event that a command made: what belongs to it follows at once
_TROUBLE = (
    events.InstrumentLost,
    events.RecordingPaused,
    events.RockRefused,
    events.CauseAsked,
    events.PositionSkipped,
    events.SweepRefused,
)


class ServiceScreen:
    """The screen of a test that nobody watches: logs its events and passes commands on.

    Events may arrive on another thread than the one that asks for commands; a person's command is answered
    with the sentences of what it made happen.

    Attributes:
        awaits: What the technician is asked for now.
        last_refusal: Why the last refused rock or sweep was refused.
        conductor: Of the running test, once it was shown.
        asked_s: Monotonic time at which the test asked for commands last: it goes on.
    """

    def __init__(self, started: events.TestStarted) -> None:
        self.started = started
        self.awaits = "the first position"
        self.last_refusal = ""
        self.conductor: Conductor | None = None
        self.asked_s = time.monotonic()
        self._units: Units = started.box.box.units
        self._teeth = started.box.gear_set
        self._shown = (0.0, time.monotonic())
        self._commands: deque[str] = deque()
        self._heard: deque[str] = deque(maxlen=100)
        self._count = 0

    def hear(self, stamped: events.Stamped) -> None:
        """Log an event and remember what is awaited."""
        event = stamped.event
        match event:
            case events.RockStarted():
                self.awaits = f"the rock of position {event.number} is recorded: rock on lightly"
            case events.MarksAsked():
                self.awaits = f"{instruction(event, self._units, self._teeth)}: lashmap tell STAND matched"
            case events.ReadyAsked():
                self.awaits = f"{instruction(event, self._units, self._teeth)}: lashmap tell STAND ready"
            case events.CauseAsked():
                asked = instruction(event, self._units, self._teeth)
                self.awaits = f"{asked}: lashmap tell STAND cause {'|'.join(CAUSES)}"
            case (
                events.PositionAsked()
                | events.SweepAsked()
                | events.PassAsked()
                | events.InstrumentLost()
                | events.RecordingPaused()
            ):
                self.awaits = instruction(event, self._units, self._teeth)
            case events.RockRefused() | events.SweepRefused() | events.PassRefused():
                self.last_refusal = "; ".join(event.reasons)
        text = sentence(event, self._units, self._teeth)
        if text is None:
            return
        self._heard.append(text.strip())
        self._count += 1
        level = logging.WARNING if isinstance(event, _TROUBLE) else logging.INFO
        TEST_LOG.log(
            level, "%s", text.strip(), extra={"test": self.started.test}
        )  # also called outside its task

    def show(self, conductor: Conductor, now_s: float) -> None:
        """Remember where the test is; nothing is drawn."""
        self.conductor, self._shown = conductor, (now_s, time.monotonic())

    def commands(self) -> list[str]:
        """What was asked for since the last call."""
        self.asked_s = time.monotonic()
        asked = list(self._commands)
        self._commands.clear()
        return asked

    def test_s(self, now_s: float) -> float:
        """Test time at a monotonic time."""
        shown_s, at_s = self._shown
        return shown_s + now_s - at_s

    def command(self, text: str) -> bool:
        """Pass a command on; false when too many wait already."""
        if len(self._commands) >= _MOST_COMMANDS:
            return False
        self._commands.append(text)
        return True

    async def obey(self, text: str) -> list[str]:
        """Pass a command on and wait for what it makes happen; empty when nothing does."""
        before = self._count
        if not self.command(text):
            return []
        waited_s = 0.0
        while self._count == before and waited_s < _PATIENCE_S:
            await asyncio.sleep(0.02)
            waited_s += 0.02
        if self._count == before:
            return []
        await asyncio.sleep(_SETTLE_S)
        return list(self._heard)[-min(self._count - before, len(self._heard)) :]


LOG = logging.getLogger("lashmap.service")
_BEGUN_S = 3.0
State = Literal["idle", "preparing", "testing", "concluding"]


_Begun = tuple[Opening, ServiceScreen]


class Lead:
    """Leads the tests of one stand.

    Attributes:
        state: What it does; `on_change` is called when that changes.
        stand: As it was read last.
        test: Identifier of the running test; empty without one.
        last_test: How the test before ended.
    """

    def __init__(
        self,
        *,
        stand: Stand,
        ports: StandPorts,
        logbook: Logbook,
        boxes: BoxFolder,
        output: Path,
        on_change: Callable[[], None],
        bus: ServiceBus | None = None,
        page: ServicePage | None = None,
    ) -> None:
        self.stand, self.boxes = stand, boxes
        self.state: State = "idle"
        self.screen: ServiceScreen | None = None
        self.test = self.last_test = ""
        self._ports, self._logbook, self._output = ports, logbook, output
        self._engine = Engine(ports, logbook, say_again=", then enter: lashmap tell STAND matched")
        self._on_change = on_change
        self._bus, self._page = bus or ServiceBus(None), page or ServicePage(None)
        self._wake = asyncio.Event()
        self._begun: _Begun | None = None
        self._live: LiveTest | None = None
        self._waiting: Waiting | None = None
        self._ending = False

    @property
    def prepared(self) -> Prepared | None:
        """The test that waits for its marked teeth."""
        return self._waiting.prepared if self._waiting else None

    async def run(self) -> None:
        """Lead tests as they come, until the service ends."""
        while not self._ending:
            await self._wake.wait()
            self._wake.clear()
            begun, self._begun = self._begun, None
            if begun is not None and not self._ending:
                await self._lead(begun)

    # What is asked for ------------------------------------------------------------------------------------

    async def begin(self, request: Begin) -> list[str]:
        """Begin a test, or prepare it until the marked teeth are together; returns what to do now.

        Raises:
            LashmapError: Why not.
        """
        with self._preparing():
            prepared = prepare(request, self.boxes, self.stand, self._engine)
            reference = prepared.started.setup.matched_deg
            if reference is not None:
                if self.stand.file.pinion_encoder is not None:  # whose angle there no file tells
                    await self._engine.still_encoder_deg(prepared)
                return [*_taken(prepared), *await self._go(Waiting(prepared), reference)]
        return [*_taken(prepared), *await self._match(Waiting(prepared), request.matched)]

    async def resume(self, request: Resume) -> list[str]:
        """Prepare a test that ended early to go on, or go on with it; returns what to do now.

        Raises:
            LashmapError: Why not.
        """
        with self._preparing():
            prepared = await asyncio.to_thread(
                prepare_again, request, self.boxes, self.stand, self._logbook.path
            )
            before_deg = await self._engine.still_encoder_deg(prepared)
        return await self._match(Waiting(prepared, before_deg), request.matched)

    async def matched(self, *, known: bool, cause: str = "") -> list[str]:
        """The marked teeth are together now (or nobody knows where they are): the prepared test begins.

        In a test: the marked tooth that it asked for stands in the mesh (or it is not to be compared).

        Raises:
            LashmapError: Why not.
        """
        if self.state == "testing":
            return await self._marks_seen(known=known)
        waiting = self._waiting
        if waiting is None or waiting.busy:
            raise StandError("no test waits for its marked teeth; begin one first")
        waiting.busy = True
        try:
            encoder_deg = await self._engine.still_encoder_deg(waiting.prepared)
            if self._waiting is not waiting:
                raise StandError("the preparation was given up meanwhile")
            waiting.person.answer = "matched" if known else ""
            return await self._go(waiting, encoder_deg, *([cause] if cause else []))
        finally:
            waiting.busy = False

    async def _marks_seen(self, *, known: bool) -> list[str]:
        conductor = self.screen.conductor if self.screen is not None else None
        if conductor is None or conductor.state.phase is not Phase.CHECKING:
            raise StandError("the running test does not ask for its marks now; lashmap tell STAND status")
        return await self.obey("matched" if known else "skip")

    async def cause(self, request: Cause) -> list[str]:
        """Somebody at the stand says why rocks were refused; returns what came of it.

        Raises:
            LashmapError: When nobody asks for it, or the words do not fit.
        """
        self._only_when("testing")
        conductor = self.screen.conductor if self.screen is not None else None
        if conductor is None or conductor.state.phase is not Phase.FINDING:
            raise StandError(
                "the running test does not ask why rocks were refused now; lashmap tell STAND status"
            )
        answer = f"{request.found} {request.words}".strip()
        if answer_of(answer) is None:
            raise ConfigurationError(
                "cause", ["other needs words that say what it was; the named causes take none (use note)"]
            )
        return await self.obey(f"cause {answer}")

    async def obey(self, command: str) -> list[str]:
        """Pass ``repeat``, ``skip``, ``note …`` or ``stop`` on to the running test; returns what came of it.

        Raises:
            LashmapError: When no test runs, or nothing came of it.
        """
        if command == "stop" and self.state == "preparing":
            self._idle_again()
            return ["the preparation was given up; nothing was recorded"]
        self._only_when("testing")
        screen = self.screen
        lines = await screen.obey(command) if screen is not None else []
        if not lines and screen is not None:
            phase = screen.conductor.state.phase.value if screen.conductor else "beginning"
            word = command.split(maxsplit=1)[0]
            raise StandError(f"nothing came of {word}: the test is {phase}; {screen.awaits}")
        return lines

    def interrupt(self, why: str) -> None:
        """Close the running test as interrupted; no further one begins."""
        self._ending = True
        self._wake.set()
        if self._live is not None and not self._live.conductor.closed:
            LOG.warning("the running test is closed as interrupted: %s", why, extra={"test": self.test})
            try:
                self._live.conductor.happen(sequence.Stop("interrupted", why))
            except LashmapError:
                LOG.exception("the closing record could not be written")

    def is_matched_by_knock(self, now_s: float) -> bool:
        """While a test is prepared: true when a knock of the gear reports the marked teeth together."""
        waiting = self._waiting
        if waiting is None or waiting.busy:
            return False
        if waiting.overdue(now_s):
            LOG.warning("no marked teeth for %.0f minutes: the preparation was given up", PREPARING_S / 60.0)
            self._idle_again()
            return False
        return waiting.knocked(now_s)

    async def _match(self, waiting: Waiting, when: Literal["later", "now", "unknown"]) -> list[str]:
        instructions = self._wait_for_matched(waiting)
        # What is refused from here on leaves the test prepared: the request can be repeated.
        return instructions if when == "later" else await self.matched(known=when == "now")

    # How it goes ------------------------------------------------------------------------------------------

    def _wait_for_matched(self, waiting: Waiting) -> list[str]:
        self._waiting = waiting
        self._ports.tap = waiting.gear.feed
        LOG.info("box %s is prepared and waits for its marked teeth", waiting.prepared.box.box.serial)
        return waiting.instructions()

    async def _go(self, waiting: Waiting, encoder_deg: float, *remarks: str) -> list[str]:
        if self._ending or self.state != "preparing":
            raise StandError("the test was given up before it began")
        self._engine.refuse_without_readings()
        self._logbook.must_be_there()
        prepared, angles = waiting.prepared, waiting.angles(encoder_deg)
        opening = self._engine.opening(prepared, waiting.person, encoder_deg=angles, followed=False)
        failed = failed_already(opening.preconditions)
        if failed:
            said = f"Before position 1: {' '.join(failed)} This was the answer to whoever began the test."
            opening = replace(opening, notes=(said,))
        self._waiting = self._ports.tap = None
        screen = self.screen = ServiceScreen(prepared.started)
        self.test = prepared.started.test
        for remark in remarks:
            screen.command(f"note {remark}")
        self._begun = (opening, screen)
        self._change("testing")
        self._wake.set()
        waited_s = 0.0
        while screen.conductor is None and self.test == prepared.started.test and waited_s < _BEGUN_S:
            await asyncio.sleep(0.05)
            waited_s += 0.05
        if screen.conductor is None:
            raise StandError(f"test {prepared.started.test} did not begin; {self.last_test or 'see the log'}")
        does = "has begun" if opening.resumed is None else "goes on"
        return [*failed, f"Test {prepared.started.test} {does}", screen.awaits]

    async def _lead(self, begun: _Begun) -> None:
        started = begun[0].started
        with about(test=started.test):
            book = self._logbook.path
            try:
                await self._bus.begin(started)
                closed = await self._live_test(begun)
                self.last_test = f"test {started.test} {closed.outcome}: {closed.reason}"
            except (LashmapError, InstrumentError) as error:
                book = (isinstance(error, LogbookGone) and error.saved) or book
                LOG.error("the test failed: %s", error)  # noqa: TRY400 - foreseen, its message says all
                self.last_test = f"test {started.test} failed: {error}"
            except Exception as error:
                LOG.exception("the test failed")
                self.last_test = f"test {started.test} failed: {type(error).__name__}, see the log"
            finally:
                self._live = None
                self._bus.over()
            self._change("concluding")
            for instrument in self._ports.instruments.values():
                instrument.skip_rest(time.monotonic())
            if self._ending:
                LOG.info("no result was written; lashmap review %s --logbook %s makes it", started.test, book)
            else:
                result = await asyncio.to_thread(
                    write_result, book, started.test, self._output, self._bus.conclude
                )
                self.last_test = f"{self.last_test}; {result}"
        self.test, self.screen = "", None
        self._change("idle")

    async def _live_test(self, begun: _Begun) -> events.TestClosed:
        if self._ending:
            raise StandError("the service ended before the test began")
        opening, shown = begun
        prompts = self.stand.file.prompts
        listeners: tuple[events.Listener, ...] = ()
        if prompts:
            listeners = (PromptsFile(Path(prompts.file), opening.started.box.gear_set),)
        go_on = f"lashmap tell STAND resume BOX --test {opening.started.test}"
        screen = self._page.screen(self._bus.screen(shown), opening.started)
        self._live = self._engine.live_test(
            opening,
            self.stand,
            screen,
            listeners,
            go_on=go_on,
            handle_signals=False,
            beside=self._page.relays,
        )
        return await self._live.run()

    @contextlib.contextmanager
    def _preparing(self) -> Iterator[None]:
        """From idle to a test that is prepared; idle again when that fails."""
        self._only_when("idle")
        self._logbook.must_be_there()
        self._change("preparing")
        try:
            self._engine.refuse_without_readings()
            yield
        except BaseException:
            if self.state == "preparing":
                self._idle_again()
            raise

    def _idle_again(self) -> None:
        self._waiting = self._ports.tap = None
        self._change("idle")

    def _only_when(self, state: State) -> None:
        if self._ending:
            raise StandError("the service is ending; nothing is begun")
        if self.state == state:
            return
        if state == "testing":
            todo = {
                "preparing": "the prepared test waits for its marked teeth: lashmap tell STAND matched",
                "concluding": "the last one is being concluded; wait for it",
            }.get(self.state, "begin one first")
            raise ConfigurationError("tell", [f"no test runs (the service is {self.state}): {todo}"])
        raise StandError(
            f"the service is {self.state}{self.test and ' '}{self.test}; wait for it, or stop it first"
        )

    def _change(self, state: State) -> None:
        self.state = state
        self._on_change()


def _taken(prepared: Prepared) -> list[str]:
    """What the test takes from the build of its box; nothing without one."""
    if prepared.build is None:
        return []
    return [f"{sentence(prepared.build, prepared.box.box.units, None)}"]


def write_result(logbook: Path, test: str, output: Path, publish: Callable[[Assessment], None]) -> str:
    """Judge a test from its raw samples, write JSON and report, and publish the result.

    Returns:
        How it went, as part of a sentence; a failure is logged and named, never raised.
    """
    from lashmap_daemon.replay.conclude import hand_over  # noqa: PLC0415 - heavy, after a test

    again = f"lashmap review {test} --logbook {logbook} makes it"
    try:
        with Logbook(logbook, create=False) as book:
            done = hand_over(book, test, output)
        publish(done.assessment)
    except LashmapError as error:
        LOG.error("no result was written: %s; %s", error, again)  # noqa: TRY400 - its message says all
        return f"no result was written ({error}); {again}"
    except Exception as error:
        LOG.exception("no result was written; %s", again)
        return f"no result was written ({type(error).__name__}, see the log); {again}"
    verdict = done.assessment.verdict.outcome
    LOG.info("verdict %s; result %s, report %s and %s", verdict, done.json, done.html, done.pdf)
    return f"verdict {verdict}, report {done.html}"
