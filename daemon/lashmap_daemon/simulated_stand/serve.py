"""The simulated stand in real time, on two pseudo-terminals, following what the technician is shown.

Decided here: how virtual time keeps up with the clock, what a prompt makes the stand do, and when it ends:
when it is told to, on SIGTERM or SIGINT, when the program that started it is gone, or, if wished, when the
program it follows closes. Whatever the end, links are removed and terminals closed.
"""

from __future__ import annotations

import os
import signal
import threading
from contextlib import contextmanager
from dataclasses import dataclass
from time import monotonic
from typing import TYPE_CHECKING

from lashmap_daemon.simulated_stand.prompts import Prompts
from lashmap_daemon.simulated_stand.terminals import Terminal
from lashmap_daemon.whole_file import replace_whole

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path
    from types import FrameType

    from lashmap_daemon.simulated_stand.stand import Stand

_TICK_S = 0.004
_TICKS_A_LOOK = 10
# A stand that was held up longer than this goes on from now instead of sending what it owes.
_MOST_BEHIND_S = 0.5


@dataclass(frozen=True, kw_only=True)
class Served:
    """How it went.

    Attributes:
        ended_because: In a few words.
        indicator_lines_sent: Lines of the indicator that went out.
        indicator_lines_dropped: Lines of the indicator that nobody read in time.
        encoder_lines_sent: The same of the encoder.
        encoder_lines_dropped: The same of the encoder.
        skipped_s: Time that the stand left out because it was held up.
    """

    ended_because: str
    indicator_lines_sent: int
    indicator_lines_dropped: int
    encoder_lines_sent: int
    encoder_lines_dropped: int
    skipped_s: float


def serve(
    stand: Stand,
    *,
    folder: Path,
    prompts: Path | None = None,
    truth: Path | None = None,
    announce: Callable[[str], None],
    ready: Callable[[Path, Path], None] | None = None,
    stop: threading.Event | None = None,
    exit_when_closed: bool = False,
) -> Served:
    """Run a stand until something ends it.

    Args:
        stand: The stand, which may have been advanced already.
        folder: Where the links ``indicator`` and ``encoder`` are made; made when missing.
        prompts: File to follow; without one the stand only does what it was asked before.
        truth: Where to write the truth before the ports open.
        announce: Called with sentences for a person.
        ready: Called with the links of indicator and encoder once both can be opened.
        stop: Set by another thread to end it.
        exit_when_closed: End when the last prompt says that the program is done; otherwise rest and wait.

    Returns:
        Why it ended, and what was sent.

    Raises:
        StandError: When a link cannot be made because a file is in its place.
        OSError: When a folder, file or pseudo-terminal cannot be made.
    """
    parent = os.getppid()
    folder.mkdir(parents=True, exist_ok=True)
    if truth is not None:
        replace_whole(truth, stand.truth.to_json() + "\n")
    stop = stop or threading.Event()
    with (
        _noted_signals() as signals,
        Terminal(folder / "indicator") as indicator,
        Terminal(folder / "encoder") as encoder,
    ):
        announce(f"Simulated stand: indicator on {indicator.link}, encoder on {encoder.link}.")
        if ready is not None:
            ready(indicator.link, encoder.link)
        follower = None if prompts is None else Prompts(prompts)
        loop = _Loop(stand, indicator, encoder, follower, announce, exit_when_closed=exit_when_closed)
        because = loop.run(stop, signals, parent)
        return Served(
            ended_because=because,
            indicator_lines_sent=indicator.lines_sent,
            indicator_lines_dropped=indicator.lines_dropped,
            encoder_lines_sent=encoder.lines_sent,
            encoder_lines_dropped=encoder.lines_dropped,
            skipped_s=loop.skipped_s,
        )


class _Loop:
    def __init__(
        self,
        stand: Stand,
        indicator: Terminal,
        encoder: Terminal,
        follower: Prompts | None,
        announce: Callable[[str], None],
        *,
        exit_when_closed: bool,
    ) -> None:
        self._stand, self._indicator, self._encoder = stand, indicator, encoder
        self._follower, self._announce = follower, announce
        self._exit_when_closed = exit_when_closed
        self._lost = False
        self.skipped_s = 0.0

    def run(self, stop: threading.Event, signals: list[int], parent: int) -> str:
        """Go on until something ends it; return what."""
        last = monotonic()
        looks = 0
        while not stop.wait(_TICK_S):
            if signals:
                return signal.Signals(signals[0]).name
            now = monotonic()
            behind, last = now - last, now
            self.skipped_s += max(0.0, behind - _MOST_BEHIND_S)
            self._send(min(behind, _MOST_BEHIND_S))
            looks += 1
            if looks % _TICKS_A_LOOK:
                continue
            if os.getppid() != parent:
                return "the program that started it is gone"
            if self._look() and self._exit_when_closed:
                return "the program it follows is done"
        return "told to stop"

    def _send(self, seconds: float) -> None:
        wire = self._stand.advance(seconds)
        if self._stand.indicator_lost and not self._lost:
            self._lost = True
            self._indicator.close()
            self._announce("Simulated stand: the indicator's port is gone.")
        self._indicator.say(wire.indicator_lines)
        self._encoder.say(wire.encoder_lines)

    def _look(self) -> bool:
        """Do what the last prompt wants; return whether the program is done."""
        prompt = None if self._follower is None else self._follower.latest()
        if prompt is None:
            return False
        if prompt.closed:
            self._stand.rest()
        elif prompt.engagement is not None:
            self._stand.ask(prompt.engagement)
        elif prompt.sweep is not None:
            self._stand.sweep(prompt.sweep)
        elif prompt.marks is not None:
            self._stand.see_mark(prompt.marks)
        return prompt.closed


@contextmanager
def _noted_signals() -> Iterator[list[int]]:
    """Yield the list of those of SIGTERM and SIGINT that came, where signals can be handled at all.

    They are noted and nothing else: a handler that set an event would wait for ever for the event's own lock
    when it interrupts the wait for that event.
    """
    came: list[int] = []
    if threading.current_thread() is not threading.main_thread():
        yield came
        return

    def handle(number: int, _frame: FrameType | None) -> None:
        came.append(number)

    before = {number: signal.signal(number, handle) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield came
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
