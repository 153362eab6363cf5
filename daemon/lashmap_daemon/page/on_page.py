"""A test on the page: a screen that also lets the page see, and hands on what is asked there.

The snapshot is taken in the thread of the test; everything after that happens behind a relay. Nothing here
waits, and a page that failed is left alone.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from lashmap_daemon.page import health
from lashmap_daemon.page.camera import keep_photo
from lashmap_daemon.page.picture import Running, of_test
from lashmap_daemon.screens.live import REFRESH_S
from lashmap_daemon.screens.view import RockTrace, trace_of, view_of
from lashmap_daemon.story import events
from lashmap_daemon.story.story import Sweep
from lashmap_daemon.story.wording import FlagsOnce, told

if TYPE_CHECKING:
    from lashmap_daemon.page.orders import Pending
    from lashmap_daemon.page.stand_page import StandPage
    from lashmap_daemon.story.events import Stamped
    from lashmap_daemon.testing.conductor import Conductor
    from lashmap_daemon.testing.live_test import Screen

PICTURE_S = 0.06  # with a tick of 32 ms every second one, while somebody looks
UNSEEN_S = 1.0  # while nobody does: for whoever comes
_LINES = 6
_TONES: dict[type[events.Event], str] = {
    events.RockStarted: "arrived",
    events.RockAccepted: "good",
    events.PassRecorded: "good",
    events.RockRefused: "again",
    events.PassRefused: "again",
    events.SweepRefused: "again",
    events.MarksAsked: "wanted",
    events.CountAsked: "wanted",
    events.CauseAsked: "wanted",
    events.SweepAsked: "wanted",
    events.ReadyAsked: "wanted",
    events.PassAsked: "wanted",
    events.InstrumentLost: "wanted",
    events.RecordingPaused: "wanted",
    events.TestClosed: "wanted",
}


def place_of(conductor: Conductor) -> str:
    """What the test asks for now; another text as soon as it asks for something else."""
    state = conductor.state
    target, turn = state.target or state.stuck, state.turn
    asked = [str(state.phase.value)]
    asked += [f"{target.purpose} {target.number}.{target.attempt}"] if target is not None else []
    if turn is not None:
        asked.append(f"{turn.member if isinstance(turn, Sweep) else turn.number}.{turn.attempt}")
    return " ".join(asked)


class OnThePage:
    """A screen that also lets the page see; with ``asks`` it hands on what is asked there, too."""

    def __init__(
        self, screen: Screen, page: StandPage, started: events.TestStarted, *, asks: bool = True
    ) -> None:
        self._screen, self._page, self._asks = screen, page, asks
        self._test = started.test
        self._units, self._teeth = started.box.box.units, started.box.gear_set
        self._flags_once = FlagsOnce()
        self._lines: list[str] = []
        self._tone = (0, "")
        self._trace: RockTrace | None = None
        self._conductor: Conductor | None = None
        self._shown_s = self._traced_s = self._told_s = float("-inf")
        self._handed_on: list[Pending] = []
        self._came_of_it = False

    def hear(self, stamped: Stamped) -> None:
        """An event happened: the person at the terminal sees it first."""
        self._screen.hear(stamped)
        event = stamped.event
        if tone := _TONES.get(type(event)):
            self._tone = (self._tone[0] + 1, tone)
        text = told(self._flags_once(event), self._units, self._teeth)
        if text:
            self._lines = [*self._lines, text][-_LINES:]
        notes_only = all(one.order.deed == "note" for one in self._handed_on)
        self._came_of_it = self._came_of_it or notes_only or not isinstance(event, events.NoteTaken)
        if isinstance(event, events.TestClosed):
            self._settle()
        self._shown_s = float("-inf")

    def show(self, conductor: Conductor, now_s: float) -> None:
        """Draw, and let the page have a snapshot: often while somebody looks."""
        self._screen.show(conductor, now_s)
        self._conductor = conductor
        if now_s - self._told_s >= UNSEEN_S:
            self._told_s = now_s
            self._page.metrics.tell(health.of_test(conductor, self._test, now_s))
        every_s = PICTURE_S if self._page.is_seen else UNSEEN_S
        if self._page.failed or (now_s - self._shown_s < every_s and not conductor.closed):
            return
        self._shown_s = now_s
        if now_s - self._traced_s >= REFRESH_S or conductor.closed:
            self._traced_s = now_s
            self._trace = trace_of(conductor) or self._trace  # the last rock stays until the next one
        view = replace(view_of(conductor, now_s, ""), trace=self._trace)
        shown = Running(
            view=view, lines=self._lines, test=self._test, place=place_of(conductor), doing=self._tone
        )
        self._page.show(lambda: of_test(shown))

    def commands(self) -> list[str]:
        """What the person at the terminal asked for, then what was asked on the page."""
        self._settle()
        own = self._screen.commands()
        if not self._asks or self._conductor is None:
            return own
        taken = self._page.orders.take(self._test, place_of(self._conductor))
        for pending in taken:
            if pending.photo:
                pending.refusal = keep_photo(self._conductor, pending)
        self._handed_on = [pending for pending in taken if not pending.photo]
        return [*own, *(words for pending in self._handed_on for words in pending.order.as_commands)]

    def _settle(self) -> None:
        """Say of what was handed on before whether anything came of it."""
        for pending in self._handed_on:
            fits = self._came_of_it or pending.order.deed == "note"
            pending.refusal = "" if fits else "it does not fit what the test asks now; nothing came of it"
        self._handed_on, self._came_of_it = [], False
