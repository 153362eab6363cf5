"""The screen of a running test in three zones: do (what now, in tall letters), see (map and rock), know.

Where a zone stands depends on the size of the terminal alone, so that nothing jumps while a test runs. A text
that must be read whole (why a rock is made again, what to do about a lost instrument) takes the place of the
rock's picture. A low or narrow terminal loses the pictures first, never what is to be done.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from lashmap_analysis.record.lengths import format_length, format_spread
from rich.cells import cell_len
from rich.console import Console
from rich.segment import Segment
from rich.style import Style
from rich.text import Text

from lashmap_daemon.screens.cue import Kind, hint
from lashmap_daemon.screens.letters import HIGH, tall
from lashmap_daemon.screens.picture import LEGEND, Around, draw, rock_picture, scale
from lashmap_daemon.screens.view import STALE_S
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.story.wording import angle_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from rich.console import ConsoleOptions, RenderableType, RenderResult

    from lashmap_daemon.screens.view import RockShown, View

KEYS = "r repeat   s skip   n note   q stop"
_KEYS_IN_PHASE = {
    Phase.CHECKING: "m matched   s skip   n note   q stop",
    Phase.FINDING: "1 to 5 what was found   n note   q stop",
    Phase.READYING: "y ready   s skip the cycle run   n note   q stop",
}
_KEYS_BEFORE_ROCKS = "y ready   r passes anew   n note   q stop"
# Teeth are counted: nobody but the person knows where the gear is.
_KEYS_WHEN_COUNTED = {
    **_KEYS_IN_PHASE,
    Phase.CHECKING: "m it is there   x it is not   s skip   n note   q stop",
    Phase.TURNING: f"Enter there   {KEYS}",
}
_BAR = 14
_GAP = 2
_MARGIN = 1
_FIXED = 5  # title, rule, indicator, encoder, keys
_FIXED_LOW = 2  # title, keys
_LOW = 12  # rows below which figures give way to messages
_LEAST_SEEN = 6  # rows below which the pictures say nothing
_LARGEST_MAP = 21
_NARROW = 60  # columns below which two things do not stand side by side
_PLAIN = Console(width=80, color_system=None)

Line = list[Segment]
# Each kind has a shape as well (`letters.py`): a colour alone says nothing here.
_COLOURS = {
    Kind.FORWARD: "bold cyan",
    Kind.BACK: "bold cyan",
    Kind.TURN: "bold cyan",
    Kind.MARK: "bold cyan",
    Kind.ROCK: "bold yellow",
    Kind.GOOD: "bold green",
    Kind.AGAIN: "bold magenta",
    Kind.WAIT: "bold red",
    Kind.STOP: "bold red",
    Kind.END: "bold",
}
_STYLES = {
    name: Style.parse(name)
    for name in ("none", "bold", "dim", "bold reverse", "cyan", "not bold", *_COLOURS.values())
}


@dataclass(frozen=True, kw_only=True)
class _Rows:
    """How many rows each part has."""

    letters: int
    details: int
    see: int
    know: bool
    messages: int


@lru_cache(maxsize=8)
def _rows(width: int, height: int) -> _Rows:
    """The parts of a terminal of this size."""
    letters = 0 if height < 18 or width < _NARROW else HIGH if height < 38 else 2 * HIGH + 1
    details = 1 if height < _LOW else 2 if height < 26 else 3
    know = height >= _LOW
    rest = max(height - (_FIXED if know else _FIXED_LOW) - max(letters, 1) - details, 1)
    messages = min(max(3, rest // 4), 8)
    see = rest - messages
    if see < _LEAST_SEEN or width < _NARROW:
        return _Rows(letters=letters, details=details, see=0, know=know, messages=rest)
    return _Rows(letters=letters, details=details, see=see, know=know, messages=messages)


def render(
    view: View,
    title: str | Text,
    lines: Sequence[str],
    note: str | None,
    *,
    height: int = 30,
    keys: str = KEYS,
    asking: str = "",
) -> RenderableType:
    """The whole screen for one snapshot.

    Args:
        view: The snapshot.
        title: At the top.
        lines: Messages, the newest last.
        note: What has been typed of a note; None when nobody writes one.
        height: Rows there are.
        keys: What can be pressed.
        asking: A question that waits for a key; empty without one.
    """
    title = title if isinstance(title, Text) else Text(title, "bold")
    return _Screen(view=view, title=title, lines=lines, note=note, height=height, keys=keys, asking=asking)


@dataclass(frozen=True, kw_only=True)
class _Screen:
    view: View
    title: Text
    lines: Sequence[str]
    note: str | None
    height: int
    keys: str
    asking: str

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        width = options.max_width
        rows = _rows(width, self.height)
        for line in self._all(width, rows):
            yield from Segment.adjust_line_length(line, width)
            yield Segment.line()

    def _all(self, width: int, rows: _Rows) -> Iterator[Line]:
        yield _rule(self.title, width)
        yield from _do(self.view, width, rows)
        if rows.see:
            yield from _see(self.view, width, rows.see)
        if rows.know:
            yield _rule(_damage(self.view), width)
            yield from _know(self.view, width)
        yield from _messages(self._lines(rows), width, rows.messages)
        yield [Segment(" " * _MARGIN), Segment(self._footer(), _STYLES["bold"])]

    def _lines(self, rows: _Rows) -> list[str]:
        """The messages; without a place beside the map, what must be read whole is the newest of them."""
        why = self.view.cue.why
        return [*self.lines, why] if why and not rows.see else list(self.lines)

    def _footer(self) -> str:
        if self.asking:
            return self.asking
        if self.note is not None:
            return f"note: {self.note}▏  (Enter keeps it, Esc drops it)"
        if self.view.ready_for == "rock" and self.keys == KEYS:
            return _KEYS_BEFORE_ROCKS
        keys = _KEYS_WHEN_COUNTED if self.view.is_counted else _KEYS_IN_PHASE
        return keys.get(self.view.phase, KEYS) if self.keys == KEYS else self.keys


def _damage(view: View) -> Text:
    """Which instrument's lines are damaged: on the rule, where nothing else takes the room."""
    if not view.damaged:
        return Text()
    return Text(f"bad lines: {view.damaged}: check cable and baud rate", "bold reverse")


def _rule(title: Text, width: int) -> Line:
    if not title.plain:
        return [Segment("─" * width, _STYLES["dim"])]
    shown = [Segment(part.text, part.style) for part in title.render(_PLAIN)]
    after = max(width - cell_len(title.plain) - 4, 0)
    return [Segment("━ ", _STYLES["dim"]), *shown, Segment(" " + "━" * (after + 1), _STYLES["dim"])]


@lru_cache(maxsize=128)
def _wrapped(text: str, width: int) -> tuple[str, ...]:
    return tuple(line.plain.rstrip() for line in Text(text).wrap(_PLAIN, max(width, 8)))


# Do ---------------------------------------------------------------------------------------------------------


def _do(view: View, width: int, rows: _Rows) -> Iterator[Line]:
    cue, style = view.cue, _STYLES[_COLOURS[view.cue.kind]]
    room = width - 2 * _MARGIN
    drawn = tall(cue.words, cue.kind, room, rows.letters)
    if drawn is None:
        pad = max(rows.letters - 1, 0)
        words = [Segment(" " * _MARGIN), Segment(f" {cue.words} ", style + _STYLES["bold reverse"])]
        yield from ([], words) if pad else (words,)
        yield from ([] for _ in range(pad - 1))
    else:
        above = (rows.letters - len(drawn)) // 2
        yield from ([] for _ in range(above))
        yield from ([Segment(" " * _MARGIN), Segment(line, style)] for line in drawn)
        yield from ([] for _ in range(rows.letters - len(drawn) - above))
    details = [line for detail in cue.details for line in _wrapped(detail, room)][: rows.details]
    if not details and not rows.see:
        details = list(_wrapped(cue.why, room))[: rows.details]
    yield from ([Segment(" " * _MARGIN), Segment(line, _STYLES["bold"])] for line in details)
    yield from ([] for _ in range(rows.details - len(details)))


# See --------------------------------------------------------------------------------------------------------


def _see(view: View, width: int, rows: int) -> Iterator[Line]:
    lashes = [mark.normal_backlash_mm for mark in view.marks if mark.normal_backlash_mm is not None]
    tight_deg, tight_mm = view.tight_spot or (None, None)
    strip = scale(lashes, tight_mm, view.limits_mm, view.units, width - 2 * _MARGIN)
    high = min(rows - bool(strip), _LARGEST_MAP, (width - _NARROW) // 2 + _LARGEST_MAP // 2)
    around = Around(
        gear_deg=view.gear_deg,
        next_deg=view.target_deg,
        tight_deg=tight_deg,
        limits_mm=view.limits_mm,
        gear_teeth=view.gear_teeth,
    )
    left = draw(view.marks, around, rows=high).splitlines()
    beside = width - 2 * high - 2 * _MARGIN - _GAP
    right = _right(view, beside, rows - bool(strip))
    for row in range(rows - bool(strip)):
        picture = left[row] if row < len(left) else " " * (2 * high)
        # A style of its own keeps the columns apart in pictures of the screen.
        line = [Segment(" " * _MARGIN), Segment(picture, _STYLES["cyan"]), Segment(" " * _GAP)]
        yield [*line, *(right[row] if row < len(right) else [])]
    if strip:
        yield [Segment(" " * _MARGIN), Segment(strip)]


def _right(view: View, width: int, rows: int) -> list[Line]:
    """What must be read whole, else the rock; the legend of the map last."""
    legend: Line = [Segment(LEGEND, _STYLES["dim"])]
    lines: list[Line] = []
    if view.cue.why:
        lines = [[Segment(line, _STYLES["bold"])] for line in _wrapped(view.cue.why, width)]
    else:
        said = _wrapped(_rock_line(view), width)
        lines = [[Segment(line)] for line in said]
        high = rows - len(lines) - 2
        if view.trace is not None and high > 1:
            lines += [
                [Segment(line, _STYLES["not bold"])]
                for line in rock_picture(view.trace, view.units, width, high)
            ]
    spot = _spot(view)
    below = [[Segment(spot)], legend] if spot else [legend]
    if len(lines) + len(below) > rows:
        return lines[:rows]
    return [*lines, *([[]] * (rows - len(lines) - len(below))), *below]


def _spot(view: View) -> str:
    if view.tight_spot is None:
        return ""
    gear_deg, lash_mm = view.tight_spot
    place = view.tight_teeth or angle_text(gear_deg, decimals=1)
    return f"tight spot {format_length(lash_mm, view.units)} at {place}"


def _rock_line(view: View) -> str:
    """The rock in hand in words; its flags with what to do about each."""
    if view.rock is None:
        return "" if view.trace is None else view.trace.title
    count = f"{view.rock.reversals} of {view.reversals_wanted} reversals"
    flags = "; ".join(f"{flag.name}: {hint(flag.name)}" for flag in view.rock.flags)
    if not view.rock.usable:
        return f"{count}; not yet usable{f' ({flags})' if flags else ''}"
    return f"{count}; {_reading(view, view.rock)}{f'. {flags}' if flags else ''}"


def _reading(view: View, rock: RockShown) -> str:
    reading = format_length(rock.reading_mm, view.units)
    return f"reading {reading}, repeatability {format_spread(rock.standard_uncertainty_mm, view.units)}"


# Know -------------------------------------------------------------------------------------------------------


def _know(view: View, width: int) -> Iterator[Line]:
    value = format_length(view.indicator_mm, view.units, signed=True)
    gear = "–" if view.gear_deg is None else angle_text(view.gear_deg, decimals=2)
    yield _both_ends(
        [
            Segment(f"{'arc' if view.is_by_angle else 'indicator'} {value}  "),
            _age(view, view.indicator_age_s),
        ],
        _done(view),
        width,
    )
    right = [Segment(_times(view))]
    if view.bad_frames and not view.damaged:
        right = [Segment(f"bad lines {view.bad_frames}")]
    left = [Segment(f"gear {gear}  "), _age(view, view.encoder_age_s)]
    yield _both_ends([Segment("gear: teeth counted by hand")] if view.is_counted else left, right, width)


def _both_ends(left: Line, right: Line, width: int) -> Line:
    """The right part gives way where both do not fit."""
    line = [Segment(" " * _MARGIN), *left]
    room = width - _MARGIN - Segment.get_line_length(line) - Segment.get_line_length(right)
    return [*line, Segment(" " * room), *right] if room > 0 else line


def _age(view: View, age_s: float | None) -> Segment:
    if view.phase is Phase.CLOSED:
        return Segment("")  # nobody listens any more
    if age_s is None:
        return Segment("nothing heard yet", _STYLES["bold reverse"])
    text = f"last sample {age_s:.1f} s ago"
    stale = age_s > STALE_S
    return Segment(f"STALE: {text}", _STYLES["bold reverse"]) if stale else Segment(text, _STYLES["dim"])


def _done(view: View) -> Line:
    done = round(_BAR * view.done / max(view.total, 1))
    return [
        Segment("━" * done, _STYLES["bold green"]),
        Segment("─" * (_BAR - done), _STYLES["dim"]),
        Segment(f" {view.done} of {view.total} positions"),
    ]


def _times(view: View) -> str:
    gone = "" if view.elapsed_s is None else f"{_clock(view.elapsed_s)} gone"
    left = "" if view.left_s is None else f", about {_clock(view.left_s)} left"
    return gone + left


def _clock(seconds: float) -> str:
    return f"{int(seconds) // 60}:{int(seconds) % 60:02d}"


def _messages(lines: Sequence[str], width: int, rows: int) -> Iterator[Line]:
    """As many as there is room for, the newest at the bottom and whole; older ones are dim."""
    shown: list[Line] = []
    for number, text in enumerate(reversed(lines)):
        style = _STYLES["none" if number == 0 else "dim"]
        wrapped = _wrapped(text, width - 2 * _MARGIN - 2) or ("",)
        if len(wrapped) > rows:
            wrapped = (*wrapped[: rows - 1], f"{wrapped[rows - 1]} …")
        if number and len(shown) + len(wrapped) > rows:
            break
        marked = [f"{'  ' if row else '• '}{line}" for row, line in enumerate(wrapped)]
        shown = [*([Segment(" " * _MARGIN), Segment(line, style)] for line in marked), *shown]
    yield from ([] for _ in range(rows - len(shown)))
    yield from shown[:rows]
