"""The screen of a test that nobody watches: what happened goes to the log, commands come from elsewhere.

`LiveTest` uses it like any screen. Events may arrive on another thread than the one that asks for commands; a
person's command is answered with the sentences of what it made happen.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections import deque
from typing import TYPE_CHECKING

from lashmap_daemon.story import events
from lashmap_daemon.story.wording import instruction, sentence

if TYPE_CHECKING:
    from lashmap_analysis.record.record import Units

    from lashmap_daemon.testing.conductor import Conductor


LOG = logging.getLogger("lashmap.test")
_MOST_COMMANDS = 32
_PATIENCE_S = 1.5  # for the first event that a command makes
_SETTLE_S = 0.2  # after the first event that a command made: what belongs to it follows at once
_TROUBLE = (
    events.InstrumentLost,
    events.RecordingPaused,
    events.RockRefused,
    events.PositionSkipped,
    events.SweepRefused,
)


class ServiceScreen:
    """Logs the events of one test and passes commands on.

    Attributes:
        awaits: What the technician is asked for now.
        last_refusal: Why the last refused rock or sweep was refused.
        conductor: Of the running test, once it was shown.
        asked_s: Monotonic time at which the test asked for commands last: it goes on.
        started: Start record of the test.

    Args:
        started: Start record of the test.
    """

    def __init__(self, started: events.TestStarted) -> None:
        self.started = started
        self.awaits = "the first position"
        self.last_refusal = ""
        self.conductor: Conductor | None = None
        self.asked_s = time.monotonic()
        self._units: Units = started.box.box.units
        self._shown = (0.0, time.monotonic())
        self._commands: deque[str] = deque()
        self._heard: deque[str] = deque(maxlen=100)
        self._count = 0

    # What a live test asks of its screen ------------------------------------------------------------------

    def hear(self, stamped: events.Stamped) -> None:
        """Log an event and remember what is awaited."""
        event = stamped.event
        match event:
            case events.RockStarted():
                self.awaits = f"the rock of position {event.number} is recorded: rock on lightly"
            case events.MarksAsked():
                self.awaits = f"{instruction(event, self._units)}: lashmap tell STAND matched"
            case (
                events.PositionAsked()
                | events.SweepAsked()
                | events.InstrumentLost()
                | events.RecordingPaused()
            ):
                self.awaits = instruction(event, self._units)
            case events.RockRefused() | events.SweepRefused():
                self.last_refusal = "; ".join(event.reasons)
        text = sentence(event, self._units)
        if text is None:
            return
        self._heard.append(text.strip())
        self._count += 1
        level = logging.WARNING if isinstance(event, _TROUBLE) else logging.INFO
        LOG.log(level, "%s", text.strip(), extra={"test": self.started.test})  # also called outside its task

    def show(self, conductor: Conductor, now_s: float) -> None:
        """Remember where the test is; nothing is drawn."""
        self.conductor, self._shown = conductor, (now_s, time.monotonic())

    def commands(self) -> list[str]:
        """What was asked for since the last call."""
        self.asked_s = time.monotonic()
        asked = list(self._commands)
        self._commands.clear()
        return asked

    # What the service asks --------------------------------------------------------------------------------

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
