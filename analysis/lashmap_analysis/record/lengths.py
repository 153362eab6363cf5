"""Lengths and angles as text: millimetres inside, the box's own unit on paper.

How many decimals a length is shown with is decided here, for sentences, tables and charts alike. What is
worth showing is not.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # a list on a terminal writes lengths, and need not wait for numpy
    from lashmap_analysis.record.record import Units

# Exact since the international yard and pound agreement of 1959 (NIST SP 811, B.8).
MM_PER_INCH = 25.4
# A tenth of a micrometre, and the nearest power of ten to it in inches (a quarter of a micrometre).
DECIMALS: dict[Units, int] = {"mm": 4, "in": 5}
UNIT_NAMES: dict[Units, str] = {"mm": "millimetres", "in": "inches"}
MISSING = "–"
_NOTHING_MM = 1e-9  # a picometre: what rounding leaves of a difference that is nought
# Drawings give backlash in hundredths of a millimetre and in thousandths of an inch (common practice, no
# source): so many digits a given length has at least, its last noughts with it.
GIVEN_DECIMALS: dict[Units, int] = {"mm": 2, "in": 3}


def in_units(length_mm: float, units: Units) -> float:
    """Return a length in mm as a plain number in `units`."""
    return length_mm / MM_PER_INCH if units == "in" else length_mm


def in_mm(length: float, units: Units) -> float:
    """Return a length in `units` in mm."""
    return length * MM_PER_INCH if units == "in" else length


def format_length(
    length_mm: float | None,
    units: Units,
    *,
    decimals: int | None = None,
    with_unit: bool = True,
    signed: bool = False,
) -> str:
    """Write a length for people.

    Args:
        length_mm: In mm; None, NaN and infinities are written as a dash.
        units: Unit to write it in.
        decimals: Digits after the point; by default 4 in mm, 5 in inches.
        with_unit: Append the unit after a no-break space.
        signed: Write a plus sign before positive lengths.

    Returns:
        For example ``0.1423 mm``. Never ``-0.0000``.
    """
    if length_mm is None or not math.isfinite(length_mm):
        return MISSING
    digits = DECIMALS[units] if decimals is None else decimals
    # Rounding first and adding 0.0 turns a negative zero into a plain one.
    value = round(in_units(length_mm, units), digits) + 0.0
    text = f"{value:{'+' if signed else ''}.{digits}f}"
    return f"{text}\N{NO-BREAK SPACE}{units}" if with_unit else text


def format_spread(
    length_mm: float | None, units: Units, *, decimals: int | None = None, with_unit: bool = True
) -> str:
    """Write an uncertainty, a scatter or a resolution for people: what is not nought never reads as nought.

    Args:
        length_mm: In mm, not negative; None, NaN and infinities are written as a dash.
        units: Unit to write it in.
        decimals: Digits after the point, by default one more than the length it belongs to has. Where these
            would show nothing but noughts, as many more as show one digit.
        with_unit: Append the unit after a no-break space.
    """
    digits = DECIMALS[units] + 1 if decimals is None else decimals
    if length_mm is not None and math.isfinite(length_mm) and length_mm >= _NOTHING_MM:
        first = -math.floor(math.log10(in_units(length_mm, units)))
        digits = max(digits, first) if round(in_units(length_mm, units), digits) == 0.0 else digits
    return format_length(length_mm, units, decimals=digits, with_unit=with_unit)


def format_given(length_mm: float | None, units: Units, *, with_unit: bool = True) -> str:
    """Write a length as a drawing or a person gave it: no digit is made up, ``0.10 mm`` stays ``0.10 mm``.

    What was given in the other unit has as many digits as a measured length.
    """
    if length_mm is None or not math.isfinite(length_mm):
        return MISSING
    value, measured = in_units(length_mm, units), DECIMALS[units]
    # What turning a length into mm and back costs is far below the last digit.
    exact = (
        digits
        for digits in range(GIVEN_DECIMALS[units], measured + 2)
        if abs(round(value, digits) - value) < 1e-9
    )
    digits = next(exact, measured)
    write = format_spread if value > 0.0 else format_length
    return write(length_mm, units, decimals=digits, with_unit=with_unit)


def format_angle(angle_deg: float | None, *, decimals: int = 2, signed: bool = False) -> str:
    """Write an angle for people, without a sign where it is shown as nought: ``0.00°``, never ``-0.00°``."""
    if angle_deg is None or not math.isfinite(angle_deg):
        return MISSING
    value = round(angle_deg, decimals) + 0.0
    return f"{value:{'+' if signed and value else ''}.{decimals}f}°"


# Coefficients that hold a length, by their unit in mm: in inches another unit, and by what the figure grows.
RATES: dict[str, tuple[str, float]] = {
    "µm/(m K)": ("µin/(in K)", 1.0),  # a length for a length: the figure stays
    "µm/(N m)": ("µin/(N m)", 1e3 / MM_PER_INCH),
}


def format_rate(value: float, unit: str, units: Units) -> str:
    """Write an expansion or a compliance, given in a unit of `RATES`, in the unit of the paperwork."""
    if units == "mm":
        return f"{value:.4g} {unit}"
    other, factor = RATES[unit]
    return f"{factor * value:.4g} {other}"
