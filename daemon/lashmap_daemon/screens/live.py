"""A test on a terminal: what to do now, the value in tall digits, the rock, the gear's picture; and keys.

The picture shows positions at the gear's own angle, matched teeth at the top, clockwise; the further in, the
tighter. Its dotted ring is the mean of what has been measured; later turns lie over earlier ones.
"""

from __future__ import annotations

import time
from contextlib import ExitStack, suppress
from functools import lru_cache
from itertools import zip_longest
from types import TracebackType
from typing import TYPE_CHECKING, Self

import numpy as np
from lashmap_analysis.record.lengths import format_length, format_spread
from rich.console import Console, Group
from rich.control import Control
from rich.panel import Panel
from rich.segment import Segment, Segments
from rich.text import Text

from lashmap_daemon.screens.view import View, view_of
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.story.events import MarksAsked, TestClosed
from lashmap_daemon.story.story import Awaited
from lashmap_daemon.story.wording import angle_text, sentence
from lashmap_daemon.system import SingleKeys
from lashmap_daemon.testing.relay import Relay

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lashmap_analysis.record.record import Units
    from rich.console import ConsoleOptions, RenderableType, RenderResult

    from lashmap_daemon.screens.view import Mark
    from lashmap_daemon.story.events import Stamped
    from lashmap_daemon.testing.conductor import Conductor


_DOT_BITS = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]])  # Unicode braille patterns
_BLANK = 0x2800
_RING = 0.72  # radius of the mean, as a share of the picture's half width
_SWING = 0.22  # share of the half width for the largest deviation shown


def draw(marks: Sequence[Mark], gear_deg: float | None, tight_deg: float | None, *, rows: int = 15) -> str:
    """Draw the picture, twice as many columns as rows.

    ``>`` is the gear, ``X`` the predicted tight spot; None leaves either out.
    """
    lashes = ((mark.gear_angle_deg, mark.normal_backlash_mm) for mark in marks)
    measured = tuple((angle_deg, lash) for angle_deg, lash in lashes if lash is not None)
    text = [list(row) for row in _rings(measured, rows)]
    for mark in marks:
        if mark.normal_backlash_mm is None:
            _letter(text, mark.gear_angle_deg, _RING, "o")
    _letter(text, 0.0, 0.99, "M")
    if tight_deg is not None:
        _letter(text, tight_deg, 0.4, "X")
    if gear_deg is not None:
        _letter(text, gear_deg, 0.99, ">")
    return "\n".join("".join(row) for row in text)


@lru_cache(maxsize=1)  # the same from frame to frame, until a position is measured
def _rings(measured: tuple[tuple[float, float], ...], rows: int) -> list[list[str]]:
    """The ring of the mean, and the positions measured (angle in degrees, lash in mm) around it."""
    dots = np.zeros((rows * 4, rows * 4), dtype=bool)
    _ring(dots, np.arange(0.0, 360.0, 6.0), _RING, size=1)
    if measured:
        angle, lash = np.array(measured).T
        deviation = lash - lash.mean()
        largest = max(float(np.max(np.abs(deviation))), 1e-9)
        _ring(dots, angle, _RING + _SWING * deviation / largest, size=3)
    cells = dots.reshape(rows, 4, rows * 2, 2).transpose(0, 2, 1, 3)
    codes = _BLANK + (cells * _DOT_BITS).sum(axis=(2, 3))
    return [[chr(code) for code in row] for row in codes]


def _place(angle_deg: np.ndarray | float, radius: np.ndarray | float) -> tuple[np.ndarray, np.ndarray]:
    """Right and down from the middle, as shares of the half width."""
    angle = np.radians(angle_deg)
    return radius * np.sin(angle), -radius * np.cos(angle)


def _ring(dots: np.ndarray, angle_deg: np.ndarray, radius: np.ndarray | float, *, size: int) -> None:
    right, down = _place(angle_deg, radius)
    height, width = dots.shape
    x = np.round((1.0 + right) * (width - 1) / 2.0).astype(int)
    y = np.round((1.0 + down) * (height - 1) / 2.0).astype(int)
    for dx in range(-(size // 2), size // 2 + 1):
        for dy in range(-(size // 2), size // 2 + 1):
            dots[np.clip(y + dy, 0, height - 1), np.clip(x + dx, 0, width - 1)] = True


def _letter(text: list[list[str]], angle_deg: float, radius: float, letter: str) -> None:
    right, down = _place(angle_deg, radius)
    row = round((1.0 + float(down)) * (len(text) - 1) / 2.0)
    column = round((1.0 + float(right)) * (len(text[0]) - 1) / 2.0)
    text[row][column] = letter


COMMANDS = {"r": "repeat", "s": "skip", "m": "matched", "q": "stop"}
_NOTE_KEY = "n"
_BACKSPACES = {"\x7f", "\b"}
_ENTERS = {"\r", "\n"}
_ESCAPE = "\x1b"


class Keyboard(SingleKeys):
    """Single keys while it is entered; the terminal is given back as it was."""

    def __init__(self) -> None:
        super().__init__()
        self.note: str | None = None

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
                self.note = None
        return found

    def _key(self, key: str) -> str | None:
        if self.note is None:
            if key == _NOTE_KEY:
                self.note = ""
            return COMMANDS.get(key)
        if key in _ENTERS:
            text, self.note = self.note.strip(), None
            return f"note {text}" if text else None
        if key in _BACKSPACES:
            self.note = self.note[:-1]
        elif key.isprintable():
            self.note += key
        return None


_GLYPHS = {
    "0": ("┏━┓", "┃ ┃", "┗━┛"),
    "1": (" ╻ ", " ┃ ", " ╹ "),
    "2": ("╺━┓", "┏━┛", "┗━╸"),
    "3": ("╺━┓", " ━┫", "╺━┛"),
    "4": ("╻ ╻", "┗━┫", "  ╹"),
    "5": ("┏━╸", "┗━┓", "╺━┛"),
    "6": ("┏━╸", "┣━┓", "┗━┛"),
    "7": ("╺━┓", "  ┃", "  ╹"),
    "8": ("┏━┓", "┣━┫", "┗━┛"),
    "9": ("┏━┓", "┗━┫", "╺━┛"),
    "-": ("   ", "╺━╸", "   "),
    "+": ("   ", "╺╋╸", "   "),
    ".": (" ", " ", "•"),
    " ": ("   ", "   ", "   "),
    "–": ("   ", "╺━╸", "   "),
}


def big(text: str) -> str:
    """Three lines for a number text; characters without a tall form are left out."""
    glyphs = [_GLYPHS[character] for character in text if character in _GLYPHS]
    return "\n".join("".join(glyph[row] for glyph in glyphs) for row in range(3))


REFRESH_S = 0.25  # as often as the rock in hand is measured
_WHOLE_S = 5.0  # so often all lines are written, over whatever another program wrote between them
_LAST_FRAME_S = 1.0
_STALE_S = 1.0
_LABELS = 10
_GAP = 3
_BAR = 20
_PLAIN = Console(width=80, color_system=None)
_LOG_LINES = 4
_LINES_OF_WORDS = 13
_SMALLEST_PICTURE, _LARGEST_PICTURE = 9, 15
_KEYS = "r repeat   s skip   n note   q stop"
_KEYS_AT_MARKS = "m matched   s skip   n note   q stop"


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
    """A screen on a terminal, with keys."""

    def __init__(self, console: Console, title: str, units: Units) -> None:
        self._console, self._title, self._units = console, title, units
        self._keyboard = Keyboard()
        self._painter = Painter(console)
        self._stack = ExitStack()
        self._lines: list[str] = []
        self.drawing = Relay("the screen", self._draw, replace=True)
        self._drawn_s = -REFRESH_S
        self._marks_unseen = False  # the question after the marks is not drawn yet: no key answers it

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
        """Take an event into the lines below the picture."""
        event = stamped.event
        self._marks_unseen = self._marks_unseen or isinstance(event, MarksAsked)
        if isinstance(event, Awaited) and not isinstance(event, TestClosed):
            return  # it stands on top
        text = sentence(event, self._units)
        if text:
            self._lines = [*self._lines, text][-_LOG_LINES:]

    def show(self, conductor: Conductor, now_s: float) -> None:
        """Have it drawn, at most four times a second, by a thread of its own: a terminal can be stopped."""
        if now_s - self._drawn_s < REFRESH_S:
            return
        self._drawn_s = now_s
        awaited = conductor.story.awaited
        view = view_of(conductor, now_s, "" if awaited is None else sentence(awaited, self._units) or "")
        self.drawing((view, self._lines, self._keyboard.note))

    def commands(self) -> list[str]:
        """Commands typed since the last call."""
        unseen = self._marks_unseen
        return [one for one in self._keyboard.commands() if not (unseen and one == "matched")]

    def _draw(self, shown: tuple[View, list[str], str | None]) -> None:
        view, lines, note = shown
        screen = render(view, self._title, lines, note, height=self._console.height)
        self._painter.paint(screen, time.monotonic())
        if view.phase is Phase.CHECKING:
            self._marks_unseen = False


def render(
    view: View,
    title: str | Text,
    lines: list[str],
    note: str | None,
    *,
    height: int = 30,
    keys: str = _KEYS,
) -> RenderableType:
    """The whole screen for one snapshot; on a low terminal the picture shrinks, words do not."""
    rows = min(max(height - _LINES_OF_WORDS, _SMALLEST_PICTURE), _LARGEST_PICTURE)
    if keys == _KEYS and view.phase is Phase.CHECKING:
        keys = _KEYS_AT_MARKS
    footer = Text(
        f"note: {note}▏  (Enter keeps it, Esc drops it)" if note is not None else keys, style="bold"
    )
    log = Text("\n".join(lines), style="dim", no_wrap=True, overflow="ellipsis")
    now = Text(view.instruction, style="bold")
    return Panel(
        Group(now, Text(""), _Beside(view, rows), Text(""), _progress(view), footer, log),
        title=title,
        title_align="left",
    )


class _Beside:
    """The picture, and the facts beside it, as one text: nested tables take most of the work of a frame."""

    def __init__(self, view: View, rows: int) -> None:
        self._view, self._rows = view, rows

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        view = self._view
        tight_deg = view.tight_spot[0] if view.tight_spot else None
        picture = draw(view.marks, view.gear_deg, tight_deg, rows=self._rows).splitlines()
        facts = _right(view, max(options.max_width - 2 * self._rows - _GAP, _LABELS))
        body = Text(no_wrap=True, overflow="crop")
        for left, right in zip_longest(picture, facts, fillvalue=None):
            # A style of its own, though it looks the same, keeps the columns apart in pictures of the screen.
            body.append((left or "").ljust(2 * self._rows + _GAP), "not bold")
            body.append(right or "").append("\n")
        body.rstrip()
        yield body


def _right(view: View, width: int) -> list[Text]:
    """The value in tall digits, and the facts below it; a line each."""
    value = format_length(view.indicator_mm, view.units, with_unit=False, signed=True)
    *upper, last = big(value).splitlines()
    lines = [Text(line, "bold") for line in upper]
    lines += [Text.assemble((last, "bold"), f"  {view.units}"), Text("")]
    room = max(width - _LABELS - 2, _LABELS)
    for label, fact in _facts(view).items():
        text = Text(fact) if isinstance(fact, str) else fact
        for number, part in enumerate(text.wrap(_PLAIN, room)):
            part.rstrip()
            lines.append(Text((label if number == 0 else "").ljust(_LABELS + 2)).append(part))
    return lines


def _facts(view: View) -> dict[str, Text | str]:
    facts: dict[str, Text | str] = {
        "indicator": _age(view, view.indicator_age_s),
        "gear": "–" if view.gear_deg is None else angle_text(view.gear_deg, decimals=2),
        "to": "–" if view.target_deg is None else angle_text(view.target_deg, decimals=2),
        "encoder": _age(view, view.encoder_age_s),
        "doing": str(view.phase),
    }
    if view.swept_deg is None:
        facts["rock"] = _rock(view)
    else:
        facts["sweep"] = f"turned {view.swept_deg:.0f}°"
    if view.tight_spot:
        gear_deg, lash_mm = view.tight_spot
        lash = format_length(lash_mm, view.units)
        facts["tight spot"] = f"{angle_text(gear_deg, decimals=1)}, {lash} normal"
    if view.damaged:
        facts["bad lines"] = Text(f"{view.damaged}: check cable and baud rate", "bold")
    elif view.bad_frames:
        facts["bad lines"] = str(view.bad_frames)
    facts["picture"] = Text("M matched teeth, > gear, o to do, X tight spot; inward is tighter", "dim")
    return facts


def _age(view: View, age_s: float | None) -> Text:
    if view.phase is Phase.CLOSED:
        return Text("–")  # nobody listens any more
    if age_s is None:
        return Text("nothing heard yet")
    text = f"last sample {age_s:.1f} s ago"
    return Text(f"{text}, STALE", style="bold reverse") if age_s > _STALE_S else Text(text)


def _rock(view: View) -> str:
    if view.rock_s is None:
        return "–"
    rock = view.rock
    if rock is None:
        return f"recording, {view.rock_s:.1f} s"
    count = f"{rock.reversals} of {view.reversals_wanted} reversals"
    if not rock.usable:
        reasons = ", ".join(flag.name for flag in rock.flags if flag.disabling)
        return f"{count}; not yet usable: {reasons}"
    reading = format_length(rock.reading_mm, view.units)
    uncertainty = format_spread(rock.standard_uncertainty_mm, view.units)
    warnings = "".join(f"; {flag.name}" for flag in rock.flags)
    return f"{count}; reading {reading}, repeatability {uncertainty}{warnings}"


def _progress(view: View) -> Text:
    left = "" if view.left_s is None else f", about {_clock(view.left_s)} left"
    gone = "" if view.elapsed_s is None else f", {_clock(view.elapsed_s)} gone"
    done = round(_BAR * view.done / max(view.total, 1))
    return Text.assemble(
        ("━" * done, "bar.complete"),
        ("─" * (_BAR - done), "bar.back"),
        f"  {view.done} of {view.total} positions{gone}{left}",
        no_wrap=True,
    )


def _clock(seconds: float) -> str:
    return f"{int(seconds) // 60}:{int(seconds) % 60:02d}"
