"""The result on a terminal: verdict first, then its grounds, the lash map, the review.

The map is a curve in braille dots, positions as marks, limits as dashes. A column of dots shows the least to
the greatest of its engagements, so that no tight spot falls between two columns, be there 12 engagements or
1,500. What the map is, is decided in the analysis.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from lashmap_analysis.charts.lash_map import LashView, Window, around_spot, lash_view, whole_cycle
from lashmap_analysis.charts.svg import round_step, round_ticks, tick_decimals
from lashmap_analysis.facts.result import SECTIONS
from lashmap_analysis.facts.review import review_columns
from lashmap_analysis.record.lengths import UNIT_NAMES, format_given, format_length, format_spread, in_mm
from rich.table import Table
from rich.text import Text

from lashmap_daemon.screens.terminal import say

if TYPE_CHECKING:
    from collections.abc import Container, Iterable, Iterator
    from pathlib import Path

    from lashmap_analysis.facts.section import Section
    from lashmap_analysis.judge.assessment import Assessment, PositionResult
    from lashmap_analysis.record.record import Purpose
    from numpy.typing import NDArray
    from rich.console import Console

    from lashmap_daemon.replay.conclude import HandedOver

_SHARED_BY = 3  # positions: fewer are named one by one


def print_files(logbook: Path, done: HandedOver, console: Console) -> None:
    """Print where the record and its reports are."""
    console.print()
    say(console, f"logbook  {logbook}")
    say(console, f"result   {done.json}")
    say(console, f"report   {done.html}")
    say(console, f"         {done.pdf}")


def print_summary(
    assessment: Assessment, console: Console, *, positions: bool, sections: Iterable[Section] = SECTIONS
) -> None:
    """Print what was concluded."""
    verdict = assessment.verdict
    identity = assessment.record.identity
    say(console, f"{identity.box}, serial {identity.serial}, test {identity.test}")
    if identity.remark:
        say(console, " ".join(identity.remark.split("\n")), "dim")
    console.print()
    say(console, f"VERDICT: {verdict.outcome.upper()}", "bold")
    for reason in verdict.reasons:
        say(console, f"  - {reason}")
    for text in verdict.would_settle:
        say(console, f"  would settle it: {text}")
    for text in verdict.cautions:
        say(console, f"  note: {text}", "dim")
    console.print()
    for section in sections:
        for name, words in section.terminal(assessment):
            say(console, f"{name:<23} {words}")
    shared = _shared_flags(assessment)
    for name, words in shared.items():
        say(console, f"{'flag of most rocks':<23} {name}, {words}")
    if positions:
        console.print()
        console.print(_positions(assessment, shared))


def _shared_flags(assessment: Assessment) -> dict[str, str]:
    """Warnings that most positions share, by name, with count and sentence: said once, not in each row."""
    found: dict[str, list[str]] = {}
    for one in assessment.positions:
        for flag in one.flags:
            if not flag.disabling:
                found.setdefault(flag.name.value, []).append(flag.sentence)
    all_of_them = len(assessment.positions)
    return {
        name: f"{len(sentences)} of {all_of_them}: {' '.join(dict.fromkeys(sentences))}"
        for name, sentences in found.items()
        if len(sentences) >= max(_SHARED_BY, all_of_them / 2)
    }


_LETTERS: dict[Purpose, str] = {"confirming": "c", "third back": "b", "third forward": "f"}


def _positions(assessment: Assessment, shared: Container[str]) -> Table:
    units = assessment.record.units
    title = (
        f"Positions (lengths in {UNIT_NAMES[units]}, u = standard uncertainty, setting of the tip included)"
    )
    table = Table(title=title, title_justify="left")
    for heading in ("no.", "engage-\nment", "gear °", "reading", "normal", "u", "rever-\nsals"):
        table.add_column(heading, justify="right")
    table.add_column("flags")
    for one in assessment.positions:
        table.add_row(
            f"{one.position}{_LETTERS.get(one.purpose, '')}",
            str(one.engagement),
            f"{one.gear_angle_deg:.2f}",
            format_length(one.rock.reading_mm, units, with_unit=False),
            format_length(one.normal_backlash_mm, units, with_unit=False),
            format_spread(one.with_setting_mm, units).removesuffix(f"\N{NO-BREAK SPACE}{units}"),
            str(one.rock.reversals),
            Text(", ".join([*_named(one, shared), *(["outlier"] if one.outlier else [])])),
        )
    return table


def _named(position: PositionResult, shared: Container[str]) -> Iterator[str]:
    """Flags of a position, but for those that were said of most."""
    return (flag.name.value for flag in position.flags if flag.disabling or flag.name.value not in shared)


def print_review(assessment: Assessment, console: Console) -> None:
    """Print the review of an assessment; nothing when it has none."""
    review = assessment.review
    if review is None:
        return
    console.print()
    table = Table(title="Review", title_justify="left")
    names, columns = review_columns(assessment)
    table.add_column("")
    for column in columns:
        table.add_column(column.heading, overflow="fold")
    for number, name in enumerate(names):
        table.add_row(Text(name), *(Text(column.cells[number]) for column in columns))
    console.print(table)
    for line in review.changes:
        say(console, line)
    for one in review.exclusions:
        say(console, f"exclusion {one.number}: {one.what}, by {one.by}, {one.utc}: {one.reason}")
        if one.undone is not None:
            by, utc, reason = one.undone
            say(console, f"  taken back by {by}, {utc}: {reason}")
    if review.signed:
        say(console, review.signed, "bold")


WIDTH, HEIGHT = 80, 12
_LEFT = 13  # columns for the figures of the backlash axis: "max 0.008125"
_ACROSS, _DOWN = 2, 4  # dots in a braille cell
_DOTS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))  # Unicode Standard, block Braille Patterns
_MARKS = {  # each as a mark, as a letter, in its style, and its name in the key
    "curve": ("", "*", "blue", ""),
    "minimum": ("╌", "-", "dim", ""),
    "maximum": ("╌", "=", "dim", ""),
    "planned": ("●", "o", "bold", "position"),
    "confirming": ("◆", "c", "bold magenta", "confirming"),
    "outlier": ("⊘", "!", "bold", "outlier"),
    "tight": ("◎", "T", "bold red", "tight spot"),
    "refused": ("×", "x", "dim", "refused"),
}


@dataclass(frozen=True, kw_only=True)
class Canvas:
    """A grid of cells over a window of the map."""

    view: LashView
    window: Window
    columns: int
    rows: int

    def column(self, engagement: float) -> int:
        """Cell that an engagement is seen in."""
        share = (engagement - self.window.first) / (self.window.last - self.window.first)
        return min(self.columns - 1, max(0, int(share * self.columns)))

    def row(self, backlash: float) -> int:
        """Cell that a backlash is seen in, from the top."""
        return min(self.rows - 1, max(0, int(self._down(np.array(backlash)) * self.rows)))

    @cached_property
    def blocks(self) -> NDArray[np.bool_]:
        """Where the curve passes, in dots; shape (rows, 4, columns, 2)."""
        across, down = self.columns * _ACROSS, self.rows * _DOWN
        shape = (self.rows, _DOWN, self.columns, _ACROSS)
        if self.view.curve is None:
            return np.zeros(shape, dtype=np.bool_)
        engagements = np.arange(self.window.first, self.window.last + 1)
        values = self.view.curve[engagements % self.view.cycle]
        # Four samples to a column at least, so that few engagements give a line and many lose no extreme.
        fine = np.unique(np.r_[np.linspace(engagements[0], engagements[-1], 4 * across), engagements])
        levels = np.interp(fine, engagements, values)
        fine, levels = fine[np.isfinite(levels)], levels[np.isfinite(levels)]  # a cycle run may miss some
        share = (fine - engagements[0]) / (engagements[-1] - engagements[0])
        column = np.minimum((share * across).astype(np.int64), across - 1)
        level = np.clip((self._down(levels) * down).astype(np.int64), 0, down - 1)
        top, bottom = np.full(across, down), np.full(across, -1)
        np.minimum.at(top, column, level)
        np.maximum.at(bottom, column, level)
        rows = np.arange(down)[:, np.newaxis]
        return np.asarray((rows >= top) & (rows <= bottom), dtype=np.bool_).reshape(shape)

    def _down(self, backlash: NDArray[np.float64]) -> NDArray[np.float64]:
        low, high = self.view.range.low, self.view.range.high
        return np.asarray((high - backlash) / (high - low), dtype=np.float64)


def print_map(assessment: Assessment, console: Console, *, plain: bool = False) -> None:
    """Print the lash map over the mesh cycle, and over the gear turn around the tight spot.

    Nothing is printed without a usable position; 80 columns are enough. ``plain`` prints letters alone; they
    are also used where the terminal has no other characters.
    """
    view = lash_view(assessment)
    if view is None:
        return
    letters = plain or console.options.ascii_only
    width = min(WIDTH, console.width)
    windows = [("Lash map over the mesh cycle", whole_cycle(view))]
    if view.spot is not None and view.cycle > 1.5 * view.gear_teeth:
        windows.append(("One gear turn around the tight spot", around_spot(view, view.spot)))
    unit = "inches" if view.units == "in" else "mm"
    for title, window in windows:
        console.print()
        say(console, f"{title}: normal backlash in {unit}, by engagement", "bold")
        for line in map_lines(view, window, width=width, letters=letters):
            console.print(line, no_wrap=True, overflow="crop")
    console.print(_key(letters=letters), no_wrap=True, overflow="crop")


def map_lines(view: LashView, window: Window, *, width: int = WIDTH, letters: bool = False) -> list[Text]:
    """Draw a window of the lash map as lines of text, at most `width` columns wide."""
    canvas = Canvas(view=view, window=window, columns=max(20, width - _LEFT - 1), rows=HEIGHT)
    cells = _curve_cells(canvas, letters=letters)
    for (row, column), kind in _marks(canvas).items():
        mark, letter, style, _ = _MARKS[kind]
        cells[row][column] = (letter if letters else mark, style)
    figures = _figures(canvas)
    wall = "|" if letters else "│"
    lines = []
    for number, row_cells in enumerate(cells):
        line = Text(f"{figures.get(number, ''):>{_LEFT - 1}}{wall}", "dim")
        for mark, style in row_cells:
            line.append(mark, style)
        line.rstrip()
        lines.append(line)
    lines += _engagement_axis(canvas, letters=letters)
    return lines


def _curve_cells(canvas: Canvas, *, letters: bool) -> list[list[tuple[str, str]]]:
    blocks = canvas.blocks.transpose(0, 2, 3, 1)
    style = _MARKS["curve"][2]
    if letters:
        filled = np.asarray(blocks.any(axis=(2, 3)))
        return [[("*", style) if cell else (" ", "") for cell in row] for row in filled.tolist()]
    codes = (blocks * np.array(_DOTS)).sum(axis=(2, 3))
    # A blank braille cell is as wide as others where the font draws it, a space everywhere.
    return [[(chr(0x2800 + code), style) if code else (" ", "") for code in row] for row in codes.tolist()]


def _marks(canvas: Canvas) -> dict[tuple[int, int], str]:
    """Marks by cell; what matters more is put in later and stays."""
    view = canvas.view
    found: dict[tuple[int, int], str] = {}
    occupied = np.asarray(canvas.blocks.any(axis=(1, 3)))
    for limit in view.limits:
        if limit.value in view.range.beyond:
            continue
        row = canvas.row(limit.value)
        free = [column for column in range(canvas.columns) if not occupied[row, column]]
        found.update({(row, column): limit.name for column in free})
    for engagement in view.refused:
        found.update({(canvas.rows - 1, column): "refused" for column in _seen(canvas, engagement)})
    for kind in ("planned", "outlier", "confirming"):
        for point in view.points:
            if point.kind == kind:
                row = canvas.row(point.backlash)
                found.update({(row, column): kind for column in _seen(canvas, point.engagement)})
    if view.spot is not None:
        row = canvas.row(view.spot.backlash)
        found.update({(row, column): "tight" for column in _seen(canvas, view.spot.engagement)})
    return found


def _seen(canvas: Canvas, engagement: int) -> list[int]:
    """Columns in which an engagement of the mesh cycle is seen."""
    first = canvas.window.first + (engagement - canvas.window.first) % canvas.view.cycle
    return [canvas.column(k) for k in range(first, canvas.window.last + 1, canvas.view.cycle)]


def _figures(canvas: Canvas) -> dict[int, str]:
    """Figures of the backlash axis by row: round ones, and the limits in words."""
    view = canvas.view
    ticks = round_ticks(view.range.low, view.range.high, 5)
    decimals = tick_decimals(ticks)
    figures = {canvas.row(tick): f"{tick:.{decimals}f}" for tick in ticks.tolist()}
    for limit in view.limits:
        if limit.value not in view.range.beyond:
            # As the drawing has it: a limit cut off at its last digits would be another limit.
            limit_mm = in_mm(limit.value, view.units)
            full = f"{limit.name[:3]} {format_given(limit_mm, view.units, with_unit=False)}"
            figures[canvas.row(limit.value)] = full
    return figures


def _engagement_axis(canvas: Canvas, *, letters: bool) -> list[Text]:
    first, last = canvas.window.first, canvas.window.last
    step = max(1, round(round_step(last - first, 8)))
    corner, flat, tick = ("+", "-", "+") if letters else ("└", "─", "┴")
    axis, words = [flat] * canvas.columns, [" "] * (canvas.columns + _LEFT)
    for k in range(-(-first // step) * step, last + 1, step):
        column, name = canvas.column(k), str(k)
        axis[column] = tick
        start = min(max(0, column + _LEFT - len(name) // 2), len(words) - len(name))
        words[start : start + len(name)] = name
    return [
        Text(" " * (_LEFT - 1) + corner + "".join(axis), "dim"),
        Text("".join(words).rstrip(), "dim"),
    ]


def _key(*, letters: bool) -> Text:
    line = Text(" " * _LEFT)
    for mark, letter, style, name in _MARKS.values():
        if name:
            line.append(letter if letters else mark, style).append(f" {name}  ")
    return line
