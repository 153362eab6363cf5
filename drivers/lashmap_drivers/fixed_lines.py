"""Long chunks of lines of one width and layout, turned into numbers by whole columns.

Instruments pad their numbers, so mostly every line of a chunk has sign, point and digits at the same places.
Then the digits are weighed as one matrix. The result is the same as that of `float`, to the last bit: up to
fifteen digits make an exact whole number, a power of ten up to 10**15 is exact, and their quotient is rounded
once, to the nearest (IEEE 754), as `float` rounds.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lashmap_drivers.readings import Floats

FEWEST_BYTES = 1024  # below, plain floats are quicker
_MOST_DIGITS = 15
_POWERS = np.array([float(10**power) for power in range(_MOST_DIGITS + 1)])


def fixed_numbers(whole: bytes, before: bytes, ending: bytes) -> Floats | None:
    """Numbers of lines that hold only an optional sign, digits and an optional point between fixed words.

    Args:
        whole: Whole lines, endings included.
        before: What stands before the number in every line.
        ending: What stands behind it, terminator included.

    Returns:
        Shape (lines,), or None when the lines differ in layout or hold anything else.
    """
    start = len(before)
    width = whole.find(ending, start) - start
    stride = start + width + len(ending)
    if width < 1 or len(whole) % stride:
        return None
    table = np.frombuffer(whole, dtype=np.uint8).reshape(-1, stride)
    if not (_all_are(table[:, :start], before) and _all_are(table[:, start + width :], ending)):
        return None
    whole, table = whole[start : start + width], table[:, start : start + width]
    signed = whole[:1] in {b"+", b"-"}
    point = whole.find(b".", 0, width)
    digits = [column for column in range(int(signed), width) if column != point]
    if not 1 <= len(digits) <= _MOST_DIGITS or (point >= 0 and not _all_are(table[:, [point]], b".")):
        return None
    values = table[:, digits] - np.uint8(ord("0"))  # what stands before "0" wraps to something large
    minus = table[:, 0] == ord("-")
    if values.max() > 9 or (signed and not (minus | (table[:, 0] == ord("+"))).all()):
        return None
    numbers: Floats = values @ _POWERS[len(digits) - 1 :: -1]
    if point >= 0:
        numbers /= _POWERS[width - 1 - point]
    if signed:
        numbers *= np.where(minus, -1.0, 1.0)
    return numbers


def _all_are(columns: NDArray[np.uint8], text: bytes) -> bool:
    return bool((columns == np.frombuffer(text, dtype=np.uint8)).all())
