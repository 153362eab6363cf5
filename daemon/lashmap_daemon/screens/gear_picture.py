"""The positions around the gear, as a small picture of dots: the further in, the tighter.

Angle is the gear's own, matched teeth at the top, clockwise. The dotted ring is the mean of what has been
measured; positions of later turns lie over those of earlier ones.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lashmap_daemon.screens.view import Mark


_DOT_BITS = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]])  # Unicode braille patterns
_BLANK = 0x2800
_RING = 0.72  # radius of the mean, as a share of the picture's half width
_SWING = 0.22  # share of the half width for the largest deviation shown


def draw(marks: Sequence[Mark], gear_deg: float | None, tight_deg: float | None, *, rows: int = 15) -> str:
    """Draw the picture, twice as many columns as rows.

    Args:
        marks: Positions measured and to come.
        gear_deg: Where the gear stands (``>``); None leaves it out.
        tight_deg: Where the tight spot is predicted (``X``); None leaves it out.
        rows: Lines of text.
    """
    measured = [
        (mark.gear_angle_deg, mark.normal_backlash_mm)
        for mark in marks
        if mark.normal_backlash_mm is not None
    ]
    text = [list(row) for row in _rings(tuple(measured), rows)]
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
    return _braille(dots)


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


def _braille(dots: np.ndarray) -> list[list[str]]:
    height, width = dots.shape
    cells = dots.reshape(height // 4, 4, width // 2, 2).transpose(0, 2, 1, 3)
    codes = _BLANK + (cells * _DOT_BITS).sum(axis=(2, 3))
    return [[chr(code) for code in row] for row in codes]


def _letter(text: list[list[str]], angle_deg: float, radius: float, letter: str) -> None:
    right, down = _place(angle_deg, radius)
    row = round((1.0 + float(down)) * (len(text) - 1) / 2.0)
    column = round((1.0 + float(right)) * (len(text[0]) - 1) / 2.0)
    text[row][column] = letter
