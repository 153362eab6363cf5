"""Long chunks of lines of one width and layout, turned into numbers by whole columns.

Instruments pad their numbers, so mostly every line of a chunk has sign, point and digits at the same places.
Then the digits are weighed as one matrix. The result is the same as that of `float`, to the last bit: up to
fifteen digits make an exact whole number, a power of ten up to 10**15 is exact, and their quotient is rounded
once, to the nearest (IEEE 754), as `float` rounds.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from lashmap_drivers.readings import Floats

FEWEST_BYTES = 1024  # below, plain floats are quicker
_MOST_DIGITS = 15
_SHAPE = bytes.maketrans(b"123456789-", b"000000000+")  # every digit looks alike, and so do both signs


@dataclass(frozen=True)
class _Layout:
    """Where sign and digits of every line stand, and what the digits weigh."""

    digits: NDArray[np.intp]
    weights: Floats
    divisor: float
    sign: int | None


def fixed_numbers(whole: bytes, before: bytes, ending: bytes) -> Floats | None:
    """Numbers of lines that hold only an optional sign, digits and an optional point between fixed words.

    Args:
        whole: Whole lines, endings included.
        before: What stands before the number in every line.
        ending: What stands behind it, terminator included.

    Returns:
        Shape (lines,), or None when the lines differ in layout or hold anything else there. When they are
        given, all lines have digits and signs at the same places and the same bytes elsewhere; of what stands
        before the number only the length was looked at.
    """
    stride = whole.find(ending, len(before)) + len(ending)
    if stride < len(before) + len(ending) or len(whole) % stride:
        return None
    shape = whole.translate(_SHAPE)
    if shape != shape[:stride] * (len(whole) // stride):
        return None
    layout = _layout(shape[:stride], len(before), len(ending))
    if layout is None:
        return None
    table = np.frombuffer(whole, dtype=np.uint8).reshape(-1, stride)
    numbers: Floats = (table[:, layout.digits] - np.uint8(ord("0"))).astype(np.float64) @ layout.weights
    numbers /= layout.divisor
    if layout.sign is not None:
        numbers *= 44.0 - table[:, layout.sign]  # "+" is 43, "-" is 45
    return numbers


@lru_cache(maxsize=64)
def _layout(shape: bytes, before: int, ending: int) -> _Layout | None:
    """Layout of lines of this shape; None when more than sign, digits and point stand between the words."""
    text = shape[before : len(shape) - ending]
    signed = text.startswith(b"+")
    point = text.find(b".")
    digits = [place for place in range(int(signed), len(text)) if place != point]
    if not 1 <= len(digits) <= _MOST_DIGITS or any(text[place] != ord("0") for place in digits):
        return None
    return _Layout(
        digits=np.array(digits, dtype=np.intp) + before,
        weights=np.array([float(10**power) for power in range(len(digits) - 1, -1, -1)]),
        divisor=float(10 ** (len(text) - 1 - point)) if point >= 0 else 1.0,
        sign=before if signed else None,
    )
