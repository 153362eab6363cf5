"""A number three lines tall, readable from across the bench."""

from __future__ import annotations

import time
from contextlib import ExitStack, suppress
from itertools import zip_longest
from types import TracebackType
from typing import TYPE_CHECKING, Self

from lashmap_analysis.record.lengths import format_length
from rich.console import Console, Group
from rich.control import Control
from rich.panel import Panel
from rich.segment import Segment, Segments
from rich.text import Text

from lashmap_daemon.screens.gear_picture import draw
from lashmap_daemon.screens.keys import Keyboard
from lashmap_daemon.screens.view import View, look
from lashmap_daemon.sequence.words import Phase
from lashmap_daemon.story.story import BEGINNING, apply
from lashmap_daemon.story.wording import angle_text, sentence, uncertainty_text
from lashmap_daemon.testing.relay import Relay

if TYPE_CHECKING:
    from lashmap_analysis.record.record import Units
    from rich.console import ConsoleOptions, RenderableType, RenderResult

    from lashmap_daemon.story.events import Stamped
    from lashmap_daemon.testing.conductor import Conductor


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


# The live screen: what to do now, the value, the rock in hand, the positions around the gear.


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

    Args:
        console: The terminal, which shows nothing else meanwhile.
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
    """A screen on a terminal, with keys.

    Args:
        console: The terminal.
        title: Stands on the frame.
    """

    def __init__(self, console: Console, title: str) -> None:
        self._console = console
        self._title = title
        self._keyboard = Keyboard()
        self._painter = Painter(console)
        self._stack = ExitStack()
        self._lines: list[str] = []
        self._story = BEGINNING
        self.drawing = Relay("the screen", self._draw, replace=True)
        self._drawn_s = -REFRESH_S
        self._units: Units = "mm"

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
        self._story = apply(self._story, stamped)
        if self._story.started is not None:
            self._units = self._story.started.box.box.units
        if self._story.awaited is stamped.event and self._story.closed is None:
            return  # it stands on top
        text = sentence(stamped.event, self._units)
        if text:
            self._lines = [*self._lines, text][-_LOG_LINES:]

    def show(self, conductor: Conductor, now_s: float) -> None:
        """Have it drawn, at most four times a second, by a thread of its own: a terminal can be stopped."""
        if now_s - self._drawn_s < REFRESH_S:
            return
        self._drawn_s = now_s
        self._units = conductor.box.box.units  # a test that goes on has no start record to hear
        awaited = self._story.awaited
        view = look(conductor, now_s, "" if awaited is None else sentence(awaited, self._units) or "")
        self.drawing((view, self._lines, self._keyboard.note))

    def commands(self) -> list[str]:
        """Commands typed since the last call."""
        return self._keyboard.commands()

    def _draw(self, shown: tuple[View, list[str], str | None]) -> None:
        view, lines, note = shown
        screen = render(view, self._title, lines, note, height=self._console.height)
        self._painter.paint(screen, time.monotonic())


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
    uncertainty = uncertainty_text(rock.standard_uncertainty_mm, view.units)
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
