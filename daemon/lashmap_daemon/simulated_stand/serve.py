"""What the technician is being shown: the last whole line of a file that the recording program appends to.

Each line is a JSON object with at least ``show`` (text), ``engagement`` (a whole number, or null when no
target is shown) and ``closed`` (true once the program is done); ``gear_angle_deg`` says how far past the
engagement the pair is to be rolled; ``sweep`` names the member to turn for its
runout, ``marks`` the one whose marked tooth is to stand in the mesh, ``pass`` the pass to make, an object
with the fields of `PassOrder`; null or missing means none, and each comes alone. The file may not be there
yet, may be begun anew, and may end in half a line. Decided here: which line counts. What follows from it is
`serve`.
"""

from __future__ import annotations

import json
import math
import os
import threading
from contextlib import nullcontext
from dataclasses import dataclass, replace
from time import monotonic
from typing import TYPE_CHECKING, Self

from lashmap_daemon.simulated_stand.passes import PassOrder
from lashmap_daemon.simulated_stand.settings import StandError
from lashmap_daemon.system import noted_signals, open_pseudo_terminal
from lashmap_daemon.whole_file import replace_whole

if TYPE_CHECKING:
    import signal
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path
    from types import TracebackType

    from lashmap_daemon.simulated_stand.passes import Direction
    from lashmap_daemon.simulated_stand.settings import Shaft
    from lashmap_daemon.simulated_stand.stand import Stand


@dataclass(frozen=True, kw_only=True)
class Prompt:
    """What is shown, as the lines of the file say it."""

    show: str
    engagement: int | None
    sweep: Shaft | None
    closed: bool
    marks: Shaft | None = None
    makes: PassOrder | None = None
    gear_angle_deg: float | None = None


class Prompts:
    """Follows the file from its start.

    Attributes:
        bad_lines: Whole lines that were no prompts.
        files: How many files there were, one after the other: a program that leads begins one of its own.
    """

    def __init__(self, path: Path) -> None:
        """Follow a file that need not exist yet."""
        self.bad_lines = self.files = 0
        self._path = path
        self._inode = -1
        self._read_to = self._written_ns = 0

    def latest(self) -> Prompt | None:
        """Return the last whole prompt written since the last call; None when there is no new one."""
        try:
            with self._path.open("rb") as file:
                status = os.fstat(file.fileno())
                # Emptied and written to the same length again, it is another one too.
                rewritten = status.st_size == self._read_to and status.st_mtime_ns != self._written_ns
                if status.st_ino != self._inode or status.st_size < self._read_to or rewritten:
                    self._inode, self._read_to = status.st_ino, 0
                    self.files += 1
                if status.st_size == self._read_to:
                    return None
                file.seek(self._read_to)
                data = file.read()
                self._written_ns = os.fstat(file.fileno()).st_mtime_ns
        except FileNotFoundError:
            return None
        whole, end, _ = data.rpartition(b"\n")
        self._read_to += len(whole) + len(end)
        prompts = [prompt for line in whole.splitlines() if (prompt := self._parsed(line)) is not None]
        return prompts[-1] if prompts else None

    def _parsed(self, line: bytes) -> Prompt | None:
        if not line.strip():
            return None
        try:
            prompt = _prompt(json.loads(line))
        except ValueError:
            prompt = None
        self.bad_lines += prompt is None
        return prompt


def _prompt(document: object) -> Prompt | None:
    if not isinstance(document, dict):
        return None
    show, engagement, closed = (document.get(key) for key in ("show", "engagement", "closed"))
    whole = engagement is None or (isinstance(engagement, int) and not isinstance(engagement, bool))
    if not (isinstance(show, str) and whole and isinstance(closed, bool)):
        return None
    angle = document.get("gear_angle_deg")
    angle_deg = float(angle) if isinstance(angle, int | float) and math.isfinite(angle) else None
    shown = Prompt(show=show, engagement=engagement, sweep=None, closed=closed, gear_angle_deg=angle_deg)
    wanted = [(kind, document.get(kind)) for kind in ("sweep", "marks", "pass")]
    match [(kind, value) for kind, value in wanted if value is not None]:
        case []:
            pass
        case [("sweep", "gear" | "pinion" as member)] if engagement is None:
            shown = replace(shown, sweep=member)
        case [("marks", "gear" | "pinion" as member)] if engagement is None:
            shown = replace(shown, marks=member)
        case [("pass", {"number": int(number), "direction": str(way), "engagements": int(far)} as order)] if (
            engagement is None
        ):
            shown = replace(shown, makes=_pass_order(number, way, far, order))
        case _:
            return None
    return shown


def _pass_order(number: int, direction: str, engagements: int, order: Mapping[str, object]) -> PassOrder:
    """Return the pass of a prompt; a ValueError when there is none like it."""
    attempt, most = order.get("attempt", 1), order.get("most_deg_per_s")
    if direction not in {"forward", "back"} or not isinstance(attempt, int):
        raise ValueError(direction, attempt)
    if not (most is None or isinstance(most, int | float)):
        raise ValueError(most)
    way: Direction = "forward" if direction == "forward" else "back"
    return PassOrder(
        number=number, direction=way, engagements=engagements, attempt=attempt, most_deg_per_s=most
    )


# One pseudo-terminal that an instrument speaks on, with a link to it under a name that stays.
#
# Decided here: raw mode, whole lines only, and that an instrument which nobody listens to speaks on: what
# does not fit into the terminal is dropped line by line, and counted. What is said is not decided here.


class Terminal:
    """An open pseudo-terminal; a context manager that closes it and takes its link away.

    Attributes:
        link: The name to open, a symbolic link to the device.
        lines_sent: Lines that went out whole.
        lines_dropped: Lines that found no room, because nobody was reading.
    """

    def __init__(self, link: Path) -> None:
        """Open a pseudo-terminal and point the link at it.

        Raises:
            StandError: When something other than an old link is in the way.
        """
        if link.exists() and not link.is_symlink():
            raise StandError(
                what=str(link), expected="nothing, or an old link of a stand", got="another file"
            )
        self.link = link
        self.lines_sent = self.lines_dropped = 0
        self._tail = b""
        # The stand keeps the instrument's side open as well: a reader that leaves and comes back changes
        # nothing, and the raw mode stays.
        self._master, self._slave, self._device = open_pseudo_terminal()
        try:
            link.unlink(missing_ok=True)
            link.symlink_to(self._device)
        except BaseException:
            self._close_both()
            raise

    def __enter__(self) -> Self:
        """Return itself, already open."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the terminal."""
        self.close()

    def say(self, lines: Sequence[bytes]) -> None:
        """Send lines; those that do not fit whole are dropped, but one that has begun is finished first."""
        if self._master < 0:
            self.lines_dropped += len(lines)
            return
        self._swallow_input()
        if self._tail:
            self._tail = self._tail[self._write(self._tail) :]
            if self._tail:
                self.lines_dropped += len(lines)
                return
            self.lines_sent += 1
        room = self._write(b"".join(lines))
        for line in lines:
            if room >= len(line):
                self.lines_sent += 1
            elif room > 0:
                self._tail = line[room:]
            else:
                self.lines_dropped += 1
            room = max(0, room - len(line))

    def close(self) -> None:
        """Close the terminal, and remove the link if it is still this terminal's; once is enough."""
        if self._master < 0:
            return
        # The link first: whoever sees the hang-up finds no name to come back to.
        if self.link.is_symlink() and str(self.link.readlink()) == self._device:
            self.link.unlink()
        self._close_both()

    def _write(self, data: bytes) -> int:
        try:
            return os.write(self._master, data) if data else 0
        except BlockingIOError:
            return 0

    def _swallow_input(self) -> None:
        # These instruments take no commands; unread ones would fill the terminal.
        try:
            while os.read(self._master, 4096):
                pass
        except BlockingIOError:
            return

    def _close_both(self) -> None:
        master, slave, self._master, self._slave = self._master, self._slave, -1, -1
        os.close(master)
        os.close(slave)


# The simulated stand in real time, on pseudo-terminals, following what the technician is shown.
#
# Decided here: how virtual time keeps up with the clock, what a prompt makes the stand do, and when it
# ends: when it is told to, on SIGTERM or SIGINT, when the program that started it is gone, or, if wished,
# when the program it follows closes. Whatever the end, links are removed and terminals closed.


_TICK_S = 0.004
_TICKS_A_LOOK = 10
# A stand that was held up longer than this goes on from now instead of sending what it owes.
_MOST_BEHIND_S = 0.5


@dataclass(frozen=True, kw_only=True)
class Served:
    """How it went: why it ended, the terminals, and the time left out because the stand was held up.

    The pinion's terminal is None unless its encoder has a port of its own.
    """

    ended_because: str
    indicator: Terminal
    encoder: Terminal
    skipped_s: float
    pinion: Terminal | None = None


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
        folder: Where the links ``indicator`` and ``encoder`` are made, and ``pinion`` where its encoder has a
            port of its own; made when missing.
        prompts: File to follow; without one the stand only does what it was asked before.
        truth: Where to write the truth before the ports open.
        announce: Called with sentences for a person.
        ready: Called with the links of indicator and encoder once all can be opened.
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
        noted_signals("SIGTERM", "SIGINT") as signals,
        Terminal(folder / "indicator") as indicator,
        Terminal(folder / "encoder") as encoder,
        Terminal(folder / "pinion") if stand.two_ports else nullcontext() as pinion,
    ):
        further = "" if pinion is None else f", the pinion's encoder on {pinion.link}"
        announce(f"Simulated stand: indicator on {indicator.link}, encoder on {encoder.link}{further}.")
        if ready is not None:
            ready(indicator.link, encoder.link)
        follower = None if prompts is None else Prompts(prompts)
        terminals = (indicator, encoder, pinion)
        loop = _Loop(stand, terminals, follower, announce, exit_when_closed=exit_when_closed)
        because = loop.run(stop, signals, parent)
        return Served(
            ended_because=because,
            indicator=indicator,
            encoder=encoder,
            skipped_s=loop.skipped_s,
            pinion=pinion,
        )


class _Loop:
    def __init__(
        self,
        stand: Stand,
        terminals: tuple[Terminal, Terminal, Terminal | None],
        follower: Prompts | None,
        announce: Callable[[str], None],
        *,
        exit_when_closed: bool,
    ) -> None:
        self._stand = stand
        self._indicator, self._encoder, self._pinion = terminals
        self._follower, self._announce = follower, announce
        self._exit_when_closed = exit_when_closed
        self._lost = False
        self._led_by = 0  # which file of prompts was obeyed last
        self.skipped_s = 0.0

    def run(self, stop: threading.Event, signals: list[signal.Signals], parent: int) -> str:
        """Go on until something ends it; return what."""
        last = monotonic()
        looks = 0
        while not stop.wait(_TICK_S):
            if signals:
                return signals[0].name
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

    def _rolled(self, prompt: Prompt) -> float:
        """Return how far past the whole engagement the angle is that is asked for."""
        if prompt.gear_angle_deg is None or prompt.engagement is None:
            return 0.0
        return self._stand.rolled(prompt.engagement, prompt.gear_angle_deg)

    def _send(self, seconds: float) -> None:
        wire = self._stand.advance(seconds)
        if self._stand.indicator_lost and not self._lost:
            self._lost = True
            self._indicator.close()
            self._announce("Simulated stand: the indicator's port is gone.")
        self._indicator.say(wire.indicator_lines)
        self._encoder.say(wire.encoder_lines)
        if self._pinion is not None:
            self._pinion.say(wire.pinion_lines)

    def _look(self) -> bool:
        """Do what the last prompt wants; return whether the program is done."""
        prompt = None if self._follower is None else self._follower.latest()
        if prompt is None or self._follower is None:
            return False
        if self._follower.files != self._led_by:
            # Another program leads: what the one before had asked for, which may have died, is over.
            self._led_by = self._follower.files
            self._stand.rest()
        if prompt.closed:
            self._stand.rest()
        elif prompt.engagement is not None:
            self._stand.ask(prompt.engagement, rolled=self._rolled(prompt))
        elif prompt.sweep is not None:
            self._stand.sweep(prompt.sweep)
        elif prompt.marks is not None:
            self._stand.see_mark(prompt.marks)
        elif prompt.makes is not None:
            self._stand.make_pass(prompt.makes)
        return prompt.closed
