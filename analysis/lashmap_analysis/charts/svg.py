"""SVG as text: the few shapes the charts are drawn with, and the frame that gives each chart its words.

Everything a person or a file may have written is escaped here, once. A record is read by people who were not
there, so nothing in it may look like something else: control characters, direction overrides and the like
become ``‹U+202E›``, by the words of a page as well. Scripts that are written from right to left are left
alone. Where the shapes go is not decided here.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from html import escape as escape_markup
from itertools import chain

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

Floats = NDArray[np.float64]
# White space that ends no line and a line feed stay; joiners stay, since scripts and emoji need them.
_STAY = "\t\n\N{ZERO WIDTH JOINER}\N{ZERO WIDTH NON-JOINER}\N{SOFT HYPHEN}"
# General categories of the Unicode Standard, table 4-4: control, format, surrogate, private use, and the two
# separators that end lines and paragraphs. (Unassigned code points are left to the fonts.)
_HIDDEN = ("Cc", "Cf", "Cs", "Co", "Zl", "Zp")
_SPANS = (range(0x3000), range(0xD800, 0x10000), range(0xE0000, 0xE0200))
MORE = " …"


def visible(words: str) -> str:
    """Write hidden characters by their numbers.

    Args:
        words: Any text, as a person or a file gave it.

    Returns:
        The same words; a carriage return before a line feed is dropped.
    """
    return _hidden().sub(lambda found: code_name(found[0]), words.replace("\r\n", "\n"))


def code_name(character: str) -> str:
    """Write one character by its number, such as ``‹U+202E›``."""
    return f"‹U+{ord(character):04X}›"


def width(words: str) -> int:
    """Columns that words take: wide characters count twice (Unicode Standard Annex 11)."""
    return sum(2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in words)


def cut_to(words: str, most: int) -> str:
    """Cut words to `most` columns, at a space where one is near; the cut is marked by an ellipsis.

    White space is drawn together, and hidden characters are written by their numbers first.
    """
    whole = re.sub(r"[ \t\n]+", " ", visible(words)).strip(" ")
    if width(whole) <= most:
        return whole
    room, end = most - width(MORE), 0
    for end, character in enumerate(whole):  # noqa: B007 - the place where the room is used up is wanted
        room -= width(character)
        if room < 0:
            break
    space = whole.rfind(" ", max(0, end - 24), end)
    return whole[: space if space > 0 else end].rstrip() + MORE


@cache
def _hidden() -> re.Pattern[str]:
    """What hides, as a pattern: put together when it is first needed, which takes 10 ms."""
    codes = (
        re.escape(chr(code))
        for code in chain.from_iterable(_SPANS)
        if unicodedata.category(chr(code)) in _HIDDEN and chr(code) not in _STAY
    )
    return re.compile(f"[{''.join(codes)}\U000f0000-\U0010ffff]")


def escape(words: str) -> str:
    """Write words as SVG text or attribute, hidden characters by their numbers."""
    return escape_markup(visible(words))


def pixel(value: float) -> str:
    """Write a coordinate to a tenth of a pixel, without needless zeros."""
    return f"{round(value, 1) + 0.0:.1f}".removesuffix(".0")


def text(
    x: float, y: float, words: str, *, style: str = "t", anchor: str = "start", turn: float = 0.0
) -> str:
    """Write words at a point; `style` names a class of the style sheet, `turn` rotates in degrees."""
    turned = f' transform="rotate({pixel(turn)} {pixel(x)} {pixel(y)})"' if turn else ""
    anchored = f' text-anchor="{anchor}"' if anchor != "start" else ""
    return f'<text class="{style}" x="{pixel(x)}" y="{pixel(y)}"{anchored}{turned}>{escape(words)}</text>'


def line(x1: float, y1: float, x2: float, y2: float, style: str) -> str:
    """Draw a straight line."""
    return f'<path class="{style}" d="M{pixel(x1)} {pixel(y1)}L{pixel(x2)} {pixel(y2)}"/>'


def polyline(x: Floats, y: Floats, style: str, *, closed: bool = False) -> str:
    """Draw a line through points, shapes (n,) and (n,); closed, it is an area."""
    points = " ".join(f"{pixel(a)},{pixel(b)}" for a, b in zip(x.tolist(), y.tolist(), strict=True))
    return f'<{"polygon" if closed else "polyline"} class="{style}" points="{points}"/>'


def rectangle(x: float, y: float, width: float, height: float, style: str) -> str:
    """Draw a rectangle."""
    return (
        f'<rect class="{style}" x="{pixel(x)}" y="{pixel(y)}" '
        f'width="{pixel(max(width, 0.0))}" height="{pixel(max(height, 0.0))}"/>'
    )


def circle(x: float, y: float, radius: float, style: str) -> str:
    """Draw a circle."""
    return f'<circle class="{style}" cx="{pixel(x)}" cy="{pixel(y)}" r="{pixel(radius)}"/>'


def marker(x: float, y: float, kind: str) -> str:
    """Draw the mark of a position: every kind has a shape of its own, so that none depends on colour.

    Args:
        x: Centre.
        y: Centre.
        kind: ``planned`` dot, ``confirming`` diamond, ``outlier`` crossed ring, ``matched`` triangle that
            points down, ``tight`` ring with a dot.
    """
    if kind == "confirming":
        return (
            f'<path class="m-confirming" d="M{pixel(x)} {pixel(y - 5)}L{pixel(x + 5)} {pixel(y)}'
            f'L{pixel(x)} {pixel(y + 5)}L{pixel(x - 5)} {pixel(y)}Z"/>'
        )
    if kind == "outlier":
        return circle(x, y, 4, "m-open") + line(x - 3, y - 3, x + 3, y + 3, "m-cross")
    if kind == "matched":
        return f'<path class="m-matched" d="M{pixel(x - 5)} {pixel(y - 9)}h10l-5 9Z"/>'
    if kind == "tight":
        return circle(x, y, 7, "m-tight")
    return circle(x, y, 2.6, "m-planned")


def chart(
    name: str,
    width: float,
    height: float,
    title: str,
    description: str,
    *shapes: str,
    reading: Mapping[str, str | float] | None = None,
) -> Markup:
    """Frame shapes as one picture that a screen reader can name.

    Args:
        name: Unique in the page, letters, digits and hyphens.
        width: Of the drawing, in CSS pixels.
        height: Of the drawing, in CSS pixels.
        title: What it shows, in a few words.
        description: What a person without the picture must know.
        shapes: SVG text from the functions of this module.
        reading: What the page's script needs to tell the figures under the pointer, as ``data-`` attributes;
            None for a picture that has none.
    """
    data = "".join(
        f' data-{key}="{value:.10g}"' if isinstance(value, float) else f' data-{key}="{escape(value)}"'
        for key, value in (reading or {}).items()
    )
    return Markup(  # noqa: S704  (shapes come from the functions above, which escape every text)
        f'<svg class="chart" role="img" aria-labelledby="{name}-t {name}-d" viewBox="0 0 {pixel(width)} '
        f'{pixel(height)}" width="{pixel(width)}" height="{pixel(height)}" xmlns="http://www.w3.org/2000/svg"{data}>'
        f'<title id="{name}-t">{escape(title)}</title><desc id="{name}-d">{escape(description)}</desc>'
        f"{''.join(shapes)}</svg>"
    )


# Axes: round ticks, the map from values to pixels, and the range a lash chart has to cover.
#
# No shape is drawn here.


def round_step(span: float, most: int) -> float:
    """Return the smallest of 1, 2, 5 times a power of ten that divides `span` into at most `most` parts."""
    if not (span > 0 and math.isfinite(span)):
        return 1.0
    rough = span / most
    power = 10.0 ** math.floor(math.log10(rough))
    # The tiny allowance keeps a span of exactly `most` steps from taking the next larger one.
    return next((f * power for f in (1.0, 2.0, 5.0) if f * power >= rough * (1 - 1e-9)), 10.0 * power)


def round_ticks(low: float, high: float, most: int) -> Floats:
    """Return the multiples of a round step from `low` to `high`, shape (n,), n at most `most` + 1.

    From `most` = 5 on there are at least two, since the step is at most 2.5 times a `most`-th of the range.
    """
    step = round_step(high - low, most)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return np.arange(first, last + 1, dtype=np.float64) * step


def tick_decimals(ticks: Floats) -> int:
    """Return how many digits after the point tell the ticks apart."""
    if ticks.size < 2:
        return 3
    step = float(ticks[1] - ticks[0])
    return max(0, -math.floor(math.log10(step) + 1e-9))


@dataclass(frozen=True, kw_only=True)
class Axis:
    """A straight axis.

    Attributes:
        low: Value at `start`.
        high: Value at `end`.
        start: Pixel of `low`.
        end: Pixel of `high`; smaller than `start` on an axis that grows upwards.
    """

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Return the pixel of a value."""
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)

    def at_all(self, values: Floats) -> Floats:
        """Return the pixels of values, shape (n,)."""
        scale = (self.end - self.start) / (self.high - self.low)
        return np.asarray(self.start + (values - self.low) * scale, dtype=np.float64)

    def reading(self, name: str) -> dict[str, float]:
        """Return what turns pixels back into values: value at pixel zero, and per pixel."""
        step = (self.high - self.low) / (self.end - self.start)
        return {f"{name}-zero": self.low - self.start * step, f"{name}-step": step}


@dataclass(frozen=True, kw_only=True)
class LashRange:
    """What a backlash axis covers.

    Attributes:
        low: Lower end.
        high: Upper end.
        beyond: Limits that lie so far away that showing them would flatten the map.
    """

    low: float
    high: float
    beyond: tuple[float, ...]


def lash_range(values: Iterable[float], limits: Iterable[float | None]) -> LashRange | None:
    """Choose the range of a backlash axis: all values, and each limit that is near enough to be worth seeing.

    Args:
        values: Backlashes with the ends of their error bars; not finite ones are passed over.
        limits: Limits in the same unit.

    Returns:
        None when there is neither a value nor a limit.
    """
    finite = [v for v in values if math.isfinite(v)]
    wanted = [v for v in limits if v is not None and math.isfinite(v)]
    if not finite:
        finite, wanted = wanted, []
    if not finite:
        return None
    low, high = min(finite), max(finite)
    # Common practice, no source: beyond three times the map's own span a limit tells less than it hides.
    reach = 3 * max(high - low, 0.02 * abs(high))
    near = [v for v in wanted if low - reach <= v <= high + reach]
    low, high = min([low, *near]), max([high, *near])
    pad = 0.07 * (high - low) or 0.1 * abs(high) or 1.0
    return LashRange(low=low - pad, high=high + pad, beyond=tuple(v for v in wanted if v not in near))


# Fewer points for the same picture: a line of any length keeps the extremes of each column.
#
# No spike is lost and the file stays small. Nothing is drawn here.


def extremes(columns: NDArray[np.int64], values: Floats) -> NDArray[np.int64]:
    """Thin samples to the least and the greatest of each column.

    Args:
        columns: Column of each sample, shape (n,), not decreasing.
        values: Shape (n,), finite.

    Returns:
        Indices of the samples to keep, increasing, shape (m,) with m at most twice the number of columns.
    """
    if values.size == 0:
        return np.zeros(0, dtype=np.int64)
    starts = np.flatnonzero(np.r_[True, np.diff(columns) > 0])
    order = np.lexsort((values, columns))
    ends = np.r_[starts[1:], values.size] - 1
    # Sorted by value within its column, a column begins with its least sample and ends with its greatest.
    return np.unique(np.concatenate((order[starts], order[ends]))).astype(np.int64)


def stretches(time_s: Floats, values: Floats) -> NDArray[np.int64]:
    """Number the unbroken stretches of a trace, so that a gap is drawn as a gap.

    Args:
        time_s: Shape (n,).
        values: Shape (n,), NaN or infinite where a sample is missing or out of range.

    Returns:
        Number of the stretch that each sample belongs to, shape (n,), not decreasing.
    """
    pauses = np.diff(time_s)
    usual = float(np.median(pauses)) if pauses.size else 0.0
    # Common practice, no source: five times the usual pause between samples is a gap to the eye.
    broken = (pauses > 5 * usual) | ~np.isfinite(values[:-1])
    return np.concatenate(([0], np.cumsum(broken))).astype(np.int64)
