"""Pictures of a running test in dots of braille: the map around the gear, the scale of the limits, the rock.

The map shows positions at the gear's own angle, matched teeth at the top, clockwise; the further in, the
tighter. Where the drawing gives both limits, the inner ring is the least allowed and the outer ring the most;
otherwise the one ring is the mean of what has been measured. Later turns lie over earlier ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from lashmap_analysis.gears.tooth_names import tooth_number
from lashmap_analysis.record.lengths import format_given, format_length

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lashmap_analysis.record.record import Units

    from lashmap_daemon.screens.view import Mark, RockTrace

_DOT_BITS = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]])  # Unicode braille patterns
_BLANK = 0x2800
_RING = 0.6  # radius of the mean, as a share of the picture's half width
_SWING = 0.2  # share of the half width for the largest deviation shown
_LEAST, _MOST = 0.35, 0.8  # radii of the limits
_INNERMOST, _OUTERMOST = 0.15, 0.9
_NUMBERS = 1.0  # radius of the numbers of teeth
_FEW_COLUMNS = 10  # in fewer no difference can be seen on the scale
_FEW_ROWS = 11  # below that four numbers of teeth have room, from there on eight

Limits = tuple[float | None, float | None]


@dataclass(frozen=True, kw_only=True)
class Around:
    """What the map shows beside the positions; angles in degrees past the matched teeth, None leaves one out.

    Attributes:
        gear_deg: Where the gear is: G.
        next_deg: Where it is to go: N.
        tight_deg: The tight spot as it is expected: T.
        limits_mm: Least and most normal backlash allowed.
        gear_teeth: z2, for the numbers of teeth; None where nobody knows it.
    """

    gear_deg: float | None
    next_deg: float | None
    tight_deg: float | None
    limits_mm: Limits = (None, None)
    gear_teeth: int | None = None


LEGEND = "G gear  N next  T tight  o to do"


def draw(marks: Sequence[Mark], around: Around, *, rows: int = 15) -> str:
    """Draw the map, twice as many columns as rows."""
    lashes = ((mark.gear_angle_deg, mark.normal_backlash_mm) for mark in marks)
    measured = tuple((angle_deg, lash) for angle_deg, lash in lashes if lash is not None)
    text = [list(row) for row in _rings(measured, around.limits_mm, rows)]
    for mark in marks:
        if mark.normal_backlash_mm is None:
            _write(text, mark.gear_angle_deg, _RING, "o")
    for angle_deg, number in _numbers(around.gear_teeth, rows):
        _write(text, angle_deg, _NUMBERS, number)
    letters = ((around.tight_deg, 0.2, "T"), (around.next_deg, 0.62, "N"), (around.gear_deg, 0.85, "G"))
    for place_deg, radius, letter in letters:
        if place_deg is not None:
            _write(text, place_deg, radius, letter)
    return "\n".join("".join(row) for row in text)


def _numbers(gear_teeth: int | None, rows: int) -> list[tuple[float, str]]:
    """Angles and numbers of some teeth around the gear; the marked one, 1, stands at the top."""
    if gear_teeth is None:
        return [(0.0, "1")]
    parts = 4 if rows < _FEW_ROWS else 8
    places = sorted({round(part * gear_teeth / parts) % gear_teeth for part in range(parts)})
    return [(360.0 * place / gear_teeth, str(tooth_number(place, gear_teeth))) for place in places]


@lru_cache(maxsize=1)  # the same from frame to frame, until a position is measured
def _rings(measured: tuple[tuple[float, float], ...], limits_mm: Limits, rows: int) -> list[list[str]]:
    """Rings, and the positions measured (angle in degrees, lash in mm)."""
    dots = np.zeros((rows * 4, rows * 4), dtype=bool)
    least, most = limits_mm
    angle, lash = np.array(measured).reshape(-1, 2).T
    if least is not None and most is not None and most > least:
        _ring(dots, np.arange(0.0, 360.0, 6.0), _LEAST, size=1)
        _ring(dots, np.arange(0.0, 360.0, 12.0), _MOST, size=1)
        radius = _LEAST + (_MOST - _LEAST) * (lash - least) / (most - least)
    else:
        _ring(dots, np.arange(0.0, 360.0, 6.0), _RING, size=1)
        deviation = lash - (lash.mean() if len(lash) else 0.0)
        radius = _RING + _SWING * deviation / max(float(np.max(np.abs(deviation), initial=0.0)), 1e-9)
    _ring(dots, angle, np.clip(radius, _INNERMOST, _OUTERMOST), size=3)
    return _cells(dots)


def _cells(dots: np.ndarray) -> list[list[str]]:
    """Braille letters of a field of dots, four rows and two columns of it to a letter."""
    down, across = dots.shape
    cells = dots.reshape(down // 4, 4, across // 2, 2).transpose(0, 2, 1, 3)
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


def _write(text: list[list[str]], angle_deg: float, radius: float, words: str) -> None:
    right, down = _place(angle_deg, radius)
    row = round((1.0 + float(down)) * (len(text) - 1) / 2.0)
    column = round((1.0 + float(right)) * (len(text[0]) - 1) / 2.0) - (len(words) - 1) // 2
    column = min(max(column, 0), len(text[0]) - len(words))
    text[row][column : column + len(words)] = words


def scale(
    lashes_mm: Sequence[float], tight_mm: float | None, limits_mm: Limits, units: Units, width: int
) -> str:
    """One line from the least to the most allowed, a sign for each lash: how far all of them are from it.

    One lash is ``·``, several in one column ``:``, T the tight spot as it is expected; ``<`` and ``>`` stand
    for what lies outside the limits. Empty without both limits.
    """
    least, most = limits_mm
    if least is None or most is None or most <= least:
        return ""
    left, right = f"least {format_given(least, units)} ", f" {format_given(most, units)} most"
    room = width - len(left) - len(right) - 2
    if room < _FEW_COLUMNS:
        return ""
    line = ["─"] * room
    low, high = "├", "┤"
    for lash in lashes_mm:
        column = int((lash - least) / (most - least) * room)
        low, high = ("<" if column < 0 else low), (">" if column >= room else high)
        if 0 <= column < room:
            line[column] = ":" if line[column] in "·:" else "·"
    if tight_mm is not None:
        line[min(max(int((tight_mm - least) / (most - least) * room), 0), room - 1)] = "T"
    return f"{left}{low}{''.join(line)}{high}{right}"


def rock_picture(trace: RockTrace, units: Units, width: int, rows: int) -> list[str]:
    """The indicator against time since the rock began; a dashed line and its value for each flank found."""
    names = [format_length(one, units, with_unit=False, signed=trace.is_rock) for one in trace.flanks_mm]
    left = max([*map(len, names), 0]) + 1
    columns = max(width - left, 1)
    dots = np.zeros((rows * 4, columns * 2), dtype=bool)
    seen = np.flatnonzero(np.isfinite(trace.low_mm))
    if not len(seen):
        return [" " * width] * rows
    low, high = float(np.min(trace.low_mm[seen])), float(np.max(trace.high_mm[seen]))
    pad = max(0.08 * (high - low), 0.002)
    low, high = low - pad, high + pad

    def down(value: np.ndarray | float) -> np.ndarray:
        return np.clip((high - value) / (high - low) * (rows * 4 - 1), 0, rows * 4 - 1).astype(int)

    x = (seen * (columns * 2) // len(trace.low_mm)).astype(int)
    for column, top, bottom in zip(x, down(trace.high_mm[seen]), down(trace.low_mm[seen]), strict=True):
        dots[top : bottom + 1, column] = True
    text = _cells(dots)
    labels = [""] * rows
    for level, name in zip(trace.flanks_mm, names, strict=True):
        row = int(down(level)) // 4
        labels[row] = name
        for column in range(0, columns, 2):
            if text[row][column] == chr(_BLANK):
                text[row][column] = "╌"
    return [f"{label:>{left - 1}} {''.join(line)}" for label, line in zip(labels, text, strict=True)]
