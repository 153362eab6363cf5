"""Figures of a build as text, in the units of the box."""

from __future__ import annotations

from lashmap_analysis.record.lengths import MM_PER_INCH, format_length, format_spread
from lashmap_analysis.record.record import Units
from lashmap_analysis.uncertainty.budget import coverage_factor

from lashmap_daemon.builds import events

# 1 lbf = 4.4482216152605 N and 1 in = 25.4 mm, exactly (NIST SP 811, B.8).
NEWTONS_PER_LBF = 4.4482216152605
_ON_INCH_PAPER = {"N m": ("lbf in", NEWTONS_PER_LBF * MM_PER_INCH / 1000.0), "N": ("lbf", NEWTONS_PER_LBF)}
_GAP = "\N{NO-BREAK SPACE}"  # before a unit


def length_text(length_mm: float | None, units: Units, *, signed: bool = False) -> str:
    """A length with the decimals of a drawing: micrometres, or tenths of a thousandth of an inch."""
    return format_length(length_mm, units, decimals=3 if units == "mm" else 4, signed=signed)


def pack_text(pieces_mm: tuple[float, ...], units: Units) -> str:
    """A pack by its pieces, the sum behind them."""
    if not pieces_mm:
        return "no shims"
    pieces = " + ".join(length_text(one, units) for one in sorted(pieces_mm, reverse=True))
    return pieces if len(pieces_mm) == 1 else f"{pieces} = {length_text(sum(pieces_mm), units)}"


def quantity_unit(quantity: events.Quantity, units: Units) -> tuple[str, float]:
    """Unit of a figure of a bearing on paper in ``units``, and one of it in the unit of the record."""
    kept = events.QUANTITY_UNITS[quantity]
    if kept == "mm":
        return units, MM_PER_INCH if units == "in" else 1.0
    return _ON_INCH_PAPER[kept] if units == "in" else (kept, 1.0)


def quantity_text(quantity: events.Quantity, value: float, units: Units) -> str:
    """A figure of a bearing in the unit of the paperwork."""
    unit, factor = quantity_unit(quantity, units)
    return length_text(value, units) if unit == units else f"{value / factor:g}{_GAP}{unit}"


def limits_text(measured: events.BearingsMeasured, units: Units) -> str:
    """What the drawing allows of it."""
    low, high = (
        None if end is None else quantity_text(measured.quantity, end, units)
        for end in (measured.low, measured.high)
    )
    if low is not None and high is not None:
        return f"{low.partition(_GAP)[0]} to {high}"  # the unit once
    if low is not None:
        return f"at least {low}"
    return "no limit given" if high is None else f"at most {high}"


def spread_text(length_mm: float, units: Units) -> str:
    """An uncertainty with the decimals of a length."""
    return format_spread(length_mm, units, decimals=4 if units == "mm" else 5)


def bearing_text(measured: events.BearingsMeasured, units: Units) -> str:
    """Quantity, figure, its uncertainty, limits and instrument."""
    figure = quantity_text(measured.quantity, measured.value, units)
    instrument = f", {measured.instrument}" if measured.instrument else ""
    known = "uncertainty not stated"
    if measured.uncertainty is not None:
        expanded = coverage_factor(float("inf")) * measured.uncertainty
        unit, factor = quantity_unit(measured.quantity, units)
        spread = spread_text(expanded, units) if unit == units else f"{expanded / factor:.2g}{_GAP}{unit}"
        known = f"U = {spread}"
    return f"{measured.quantity} {figure}, {known} ({limits_text(measured, units)}{instrument})"


def share_text(share: float) -> str:
    """A share of the face in percent."""
    return f"{100.0 * share:.0f}\N{NO-BREAK SPACE}%"


def when_text(said: events.Event, utc: str) -> str:
    """Local time with its offset, and UTC beside it."""
    return f"{said.local} ({utc[:19]}Z)"
