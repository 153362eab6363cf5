"""A test on a terminal: keys, the painter that writes only what changed, and the screen that a test draws on.

What stands where is decided in `layout.py`, what is to be done in `cue.py`.
"""

from __future__ import annotations

import time
from contextlib import ExitStack, suppress
from dataclasses import replace
from itertools import zip_longest
from types import TracebackType
from typing import TYPE_CHECKING, Self

from rich.control import Control
from rich.segment import Segment, Segments

from lashmap_daemon.screens.layout import render
from lashmap_daemon.screens.view import RockTrace, View, trace_of, view_of
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.story import events
from lashmap_daemon.story.cause import CAUSES, MOST_WORDS
from lashmap_daemon.story.wording import FlagsOnce, instruction, told
from lashmap_daemon.system import SingleKeys
from lashmap_daemon.testing.relay import Relay

if TYPE_CHECKING:
    from lashmap_analysis.gears.tooth_names import ToothCounts
    from lashmap_analysis.record.record import Units
    from rich.console import Console, RenderableType

    from lashmap_daemon.story.events import Stamped
    from lashmap_daemon.testing.conductor import Conductor


# Enter and space are what a pedal types.
COMMANDS = {
    "r": "repeat",
    "s": "skip",
    "m": "matched",
    "y": "ready",
    "x": "unmatched",
    "q": "stop",
    "\r": "arrived",
    "\n": "arrived",
    " ": "arrived",
}
_NOTE_KEY = "n"
_BACKSPACES = {"\x7f", "\b"}
_ENTERS = {"\r", "\n"}
_ESCAPE = "\x1b"
_STOP, _YES = "stop", "y"
_CAUSE_KEYS = {str(number): cause for number, cause in enumerate(CAUSES, start=1)}


class Keyboard(SingleKeys):
    """Single keys while it is entered; the terminal is given back as it was.

    Attributes:
        note: What has been typed of a note, or of a cause in a person's own words; None when nobody writes.
        stopping: It was asked to stop, and waits for a yes; only with ``confirm``.
        answering: The cause of refused rocks is asked for on the screen: numbers answer it.
    """

    def __init__(self, *, confirm: bool = False) -> None:
        super().__init__()
        self.note: str | None = None
        self.stopping = self.answering = False
        self._confirm = confirm
        self._about_cause = False

    @property
    def own_words(self) -> str:
        """What has been typed of a cause, as the last line shows it; empty when nobody writes one."""
        if self.note is None or not self._about_cause:
            return ""
        return f"what was it? {self.note}▏  (Enter answers, Esc drops it)"

    def commands(self) -> list[str]:
        """Commands completed since the last call.

        Raises:
            OSError: When the terminal is gone.
        """
        found = []
        for typed in self.typed():
            # Escape gives up a note; what follows it in the same read is an arrow or function key.
            plain, escape, _ = typed.partition(_ESCAPE)
            found += [command for key in plain if (command := self._key(key))]
            if escape:
                self.note, self.stopping = None, False
        return found

    def _key(self, key: str) -> str | None:
        if self.stopping:
            self.stopping = False
            return _STOP if key.lower() == _YES else None
        if self.note is None:
            cause = _CAUSE_KEYS.get(key) if self.answering else None
            if key == _NOTE_KEY or cause == "other":
                self.note, self._about_cause = "", cause == "other"
            elif cause is not None:
                return f"cause {cause}"
            command = COMMANDS.get(key)
            self.stopping = self._confirm and command == _STOP
            return None if self.stopping else command
        if key in _ENTERS:
            text, self.note = self.note.strip(), None
            if self._about_cause and self.answering:
                return f"cause other {text}" if text else None
            return f"note {text}" if text else None
        if key in _BACKSPACES:
            self.note = self.note[:-1]
        elif key.isprintable() and not (self._about_cause and len(self.note) >= MOST_WORDS):
            self.note += key
        return None


REFRESH_S = 0.25  # as often as the rock in hand is measured
_WHOLE_S = 5.0  # so often all lines are written, over whatever another program wrote between them
_LAST_FRAME_S = 1.0
_LOG_LINES = 12
_BELLS = (
    events.RockStarted,
    events.RockAccepted,
    events.RockRefused,
    events.MarksAsked,
    events.CauseAsked,
    events.CountAsked,
    events.SweepAsked,
    events.ReadyAsked,
    events.PassAsked,
    events.PassRecorded,
    events.InstrumentLost,
    events.RecordingPaused,
    events.TestClosed,
)
_DRAWN_IN: dict[type[events.MarksAsked | events.CountAsked | events.CauseAsked], Phase] = {
    events.MarksAsked: Phase.CHECKING,
    events.CountAsked: Phase.CHECKING,
    events.CauseAsked: Phase.FINDING,
}
_STOP_QUESTION = "stop the test?  y stops it (it can go on later)   any other key goes on"


class Painter:
    """Writes to a terminal only those lines of a picture that changed.

    The terminal shows nothing else meanwhile.
    """

    def __init__(self, console: Console) -> None:
        self._console = console
        self._lines: list[list[Segment]] = []
        self._size = console.size
        self._whole_s = -_WHOLE_S

    def paint(self, picture: RenderableType, now_s: float) -> None:
        """Show a picture, cut to the size of the terminal or filled up to it."""
        console, size = self._console, self._console.size
        lines = Segment.set_shape(console.render_lines(picture), *size)
        if size != self._size or now_s - self._whole_s >= _WHOLE_S:
            self._lines, self._size, self._whole_s = [], size, now_s
        changed = [
            part
            for row, (line, before) in enumerate(zip_longest(lines, self._lines))
            if line != before
            for part in (Control.move_to(0, row).segment, *line)
        ]
        self._lines = lines
        if changed:
            console.print(Segments(changed), end="", soft_wrap=True)


class LiveScreen:
    """A screen on a terminal, with keys; with ``bell`` it sounds where somebody is wanted or may go on."""

    def __init__(
        self, console: Console, title: str, units: Units, teeth: ToothCounts, *, bell: bool = False
    ) -> None:
        self._console, self._title, self._units, self._teeth = console, title, units, teeth
        self._keyboard = Keyboard(confirm=True)
        self._painter = Painter(console)
        self._stack = ExitStack()
        self._lines: list[str] = []
        self._trace: RockTrace | None = None
        self._bell, self._rings, self._flags_once = bell, False, FlagsOnce()
        self.drawing = Relay("the screen", self._draw, replace=True)
        self._drawn_s = -REFRESH_S
        # A question that is not drawn yet: no key answers it.
        self._unseen: type[events.MarksAsked | events.CountAsked | events.CauseAsked] | None = None
        self._asks_cause = False

    def __enter__(self) -> Self:
        self._stack.enter_context(self._keyboard)
        self._stack.enter_context(self._console.screen())
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.drawing.close(_LAST_FRAME_S)
        with suppress(OSError):  # a terminal that is gone takes no last frame
            self._stack.close()

    def hear(self, stamped: Stamped) -> None:
        """Take an event into the messages, and ring for it."""
        event = stamped.event
        if isinstance(event, events.MarksAsked | events.CountAsked | events.CauseAsked):
            self._unseen = type(event)
        self._rings = self._rings or (self._bell and isinstance(event, _BELLS))
        text = told(self._flags_once(event), self._units, self._teeth)
        if text:
            self._lines = [*self._lines, text][-_LOG_LINES:]

    def show(self, conductor: Conductor, now_s: float) -> None:
        """Have it drawn, at most four times a second, by a thread of its own: a terminal can be stopped."""
        if now_s - self._drawn_s < REFRESH_S and not conductor.closed:
            return
        self._drawn_s = now_s
        self._asks_cause = conductor.state.phase is Phase.FINDING
        awaited = conductor.story.awaited
        text = "" if awaited is None else instruction(awaited, self._units, self._teeth)
        self._trace = trace_of(conductor) or self._trace  # the last rock stays until the next one
        view = replace(view_of(conductor, now_s, text), trace=self._trace)
        asking = _STOP_QUESTION if self._keyboard.stopping else self._keyboard.own_words
        self.drawing((view, self._lines, self._keyboard.note, asking))

    def commands(self) -> list[str]:
        """Commands typed since the last call."""
        self._keyboard.answering = self._asks_cause and self._unseen is None
        unseen = self._unseen in {events.MarksAsked, events.CountAsked}
        return [one for one in self._keyboard.commands() if not (unseen and one in {"matched", "unmatched"})]

    def _draw(self, shown: tuple[View, list[str], str | None, str]) -> None:
        view, lines, note, asking = shown
        screen = render(view, self._title, lines, note, height=self._console.height, asking=asking)
        self._painter.paint(screen, time.monotonic())
        if self._unseen is not None and view.phase is _DRAWN_IN[self._unseen]:
            self._unseen = None
        if self._rings:
            self._rings = False
            self._console.control(Control.bell())
