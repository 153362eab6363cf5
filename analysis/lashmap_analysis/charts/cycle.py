"""A cycle run as pictures: lash over the mesh cycle, and transmission error of both flanks with its orders.

Both flanks stand below each other on one scale, so that they can be compared without colours.  Where the
figures come from is decided in `cycle/`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, log10

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from lashmap_analysis.charts.lash_map import (
    BAND,
    BELOW,
    LEFT,
    RIGHT,
    TOP,
    WIDTH,
    engagement_axis,
    runs_of,
    thinned,
    value_axis,
)
from lashmap_analysis.charts.lash_map import band as band_between
from lashmap_analysis.charts.svg import (
    Axis,
    chart,
    lash_range,
    line,
    marker,
    polyline,
    rectangle,
    round_ticks,
    text,
)
from lashmap_analysis.cycle.cells import PHASES
from lashmap_analysis.cycle.curve import LashCurve
from lashmap_analysis.cycle.transmission import HARMONICS, TransmissionError
from lashmap_analysis.judge.assessment import CycleRun
from lashmap_analysis.record.lengths import in_units
from lashmap_analysis.record.record import Units

Floats = NDArray[np.float64]
Flanks = Sequence[tuple[str, TransmissionError]]
HEIGHT = 190.0
PANEL, BETWEEN = 104.0, 16.0
ROOM = 110.0  # what the name of an order takes
NAMES = 30.0  # height of the names of orders
DECADES, LEAST_URAD = 4, 0.1


@dataclass(frozen=True, kw_only=True)
class _Scale:
    """Where a lash stands."""

    x: Axis
    y: Axis
    factor: float


def cycle_chart(run: CycleRun, curve: LashCurve, units: Units, *, name: str, description: str) -> Markup:
    """Draw lash over the mesh cycle with its band, the rocks beside it, and the tight spot.

    Engagements that were not seen on both flanks are hatched.
    """
    factor = in_units(1.0, units)
    middle, half = factor * curve.backlash_mm, factor * BAND * curve.standard_uncertainty_mm
    rocks = [
        (
            one.engagement,
            factor * one.backlash_mm,
            factor * BAND * one.standard_uncertainty_mm,
            one.confirming,
        )
        for one in run.rocks
    ]
    spot = curve.tight_spot
    reach = [*(middle - half).tolist(), *(middle + half).tolist(), *(factor * one for one in spot.band_mm)]
    reach += [level + side * bar for _, level, bar, _ in rocks for side in (-1, 1)]
    covered = lash_range(reach, ())
    if covered is None:
        raise ValueError("a curve with at least one known engagement is needed")
    scale = _Scale(
        x=Axis(low=0, high=middle.size, start=LEFT, end=RIGHT),
        y=Axis(low=covered.low, high=covered.high, start=HEIGHT - BELOW, end=TOP),
        factor=factor,
    )
    shapes = [
        rectangle(LEFT, TOP, RIGHT - LEFT, scale.y.start - TOP, "plate"),
        *_not_seen(run, scale),
        *value_axis(scale.x, scale.y, f"backlash, {units}"),
        *engagement_axis(scale.x, scale.y),
        *_curve(middle, half, scale),
        *(shape for rock in rocks for shape in _rock(*rock, scale)),
        *_spot(curve, scale),
    ]
    title = "Lash of every engagement from the cycle run, with the rocks that tie it"
    reading = {"kind": "map", "units": units, "teeth": float(curve.gear_set.gear_teeth)}
    return chart(
        name, WIDTH, HEIGHT, title, description, *shapes,
        reading={**reading, **scale.x.reading("x"), **scale.y.reading("y")},
    )  # fmt: skip


def _not_seen(run: CycleRun, scale: _Scale) -> list[str]:
    if run.fit is None:
        return []
    top, bottom = scale.y.end, scale.y.start
    hatched = []
    for first, last in runs_of(~run.fit.seen):
        start, end = scale.x.at(max(first - 0.5, 0.0)), scale.x.at(last + 0.5)
        hatched.append(rectangle(start, top, max(end - start, 1.0), bottom - top, "forbidden"))
    return hatched


def _curve(middle: Floats, half: Floats, scale: _Scale) -> list[str]:
    shapes = []
    across = scale.x.at_all(np.arange(middle.size, dtype=np.float64))
    for first, last in runs_of(np.isfinite(middle)):
        part = slice(first, last + 1)
        low, high, curve = (
            thinned(across[part], scale.y, one[part]) for one in (middle - half, middle + half, middle)
        )
        shapes += [*band_between(low, high), polyline(*curve, "curve")]
    return shapes


def _rock(engagement: int, level: float, bar: float, confirming: bool, scale: _Scale) -> list[str]:  # noqa: FBT001
    at, low, high = scale.x.at(engagement), scale.y.at(level - bar), scale.y.at(level + bar)
    return [
        line(at, low, at, high, "bar"),
        line(at - 3, low, at + 3, low, "bar"),
        line(at - 3, high, at + 3, high, "bar"),
        marker(at, scale.y.at(level), "confirming" if confirming else "planned"),
    ]


def _spot(curve: LashCurve, scale: _Scale) -> list[str]:
    spot = curve.tight_spot
    at, level = scale.x.at(spot.engagement), scale.y.at(scale.factor * spot.backlash_mm)
    leftward = at > (LEFT + RIGHT) / 2
    beside, anchor = (at - 11, "end") if leftward else (at + 11, "start")
    return [
        marker(at, level, "tight"),
        text(beside, level + 12, f"tight spot, {spot.engagement}", style="t strong halo", anchor=anchor),
    ]


def error_chart(flanks: Flanks, *, name: str, description: str) -> Markup:
    """Draw the transmission error of the flanks over the mesh cycle, in µrad of the gear, about the mean."""
    curves = [one.per_mm_urad * one.curve_mm for _, one in flanks]
    reach = max(float(np.abs(one).max()) for one in curves) * 1.08 or 1.0
    height = TOP + len(flanks) * PANEL + (len(flanks) - 1) * BETWEEN + BELOW
    x = Axis(low=0, high=curves[0].size / PHASES, start=LEFT, end=RIGHT)
    shapes, y = [], Axis(low=-reach, high=reach, start=TOP + PANEL, end=TOP)
    across = x.at_all(np.arange(curves[0].size) / PHASES)
    for number, ((flank, _), curve) in enumerate(zip(flanks, curves, strict=True)):
        top = TOP + number * (PANEL + BETWEEN)
        y = Axis(low=-reach, high=reach, start=top + PANEL, end=top)
        shapes += [
            rectangle(LEFT, top, RIGHT - LEFT, PANEL, "plate"),
            *value_axis(x, y, "µrad"),
            polyline(*thinned(across, y, curve), "curve"),
            text(RIGHT + 6, top + PANEL / 2 + 3.5, flank, style="t strong"),
        ]
    shapes += engagement_axis(x, y)
    title = "Transmission error of both flanks over the mesh cycle"
    return chart(name, WIDTH, height, title, description, *shapes)


def spectrum_chart(flanks: Flanks, *, gear_teeth: int, name: str, description: str) -> Markup:
    """Draw the orders of the transmission error: amplitudes in µrad against cycles for each turn of the gear.

    Amplitudes stand on a scale of decades, since those of the tooth mesh are a hundredth of the runout's.
    """
    height = TOP + len(flanks) * PANEL + (len(flanks) - 1) * BETWEEN + BELOW
    x = Axis(low=0, high=(HARMONICS + 0.3) * gear_teeth, start=LEFT, end=RIGHT)
    most = max(float((one.per_mm_urad * one.amplitude_mm).max()) for _, one in flanks)
    top_decade = ceil(log10(max(most, LEAST_URAD)))
    bottom_decade = top_decade - DECADES
    shapes: list[str] = []
    bottom = TOP
    for number, (flank, one) in enumerate(flanks):
        top = TOP + number * (PANEL + BETWEEN)
        bottom = top + PANEL
        y = Axis(low=bottom_decade, high=top_decade, start=bottom, end=top + NAMES)
        shapes += [
            rectangle(LEFT, top, RIGHT - LEFT, PANEL, "plate"),
            *_decades(bottom_decade, top_decade, x, y),
            *_stems(one, x, y),
            *_names(one, x, top),
            text(RIGHT + 6, top + PANEL / 2 + 3.5, flank, style="t strong"),
        ]
    for tick in round_ticks(0.0, x.high, 12).tolist():
        shapes.append(line(x.at(tick), bottom, x.at(tick), bottom + 4, "axis"))
        shapes.append(text(x.at(tick), bottom + 15, f"{tick:g}", anchor="middle"))
    words = "order, cycles for each turn of the gear"
    shapes.append(text((LEFT + RIGHT) / 2, bottom + 29, words, anchor="middle"))
    title = "Orders of the transmission error of both flanks"
    return chart(name, WIDTH, height, title, description, *shapes)


def _decades(first: int, last: int, x: Axis, y: Axis) -> list[str]:
    shapes = []
    for decade in range(first, last + 1):
        shapes.append(line(x.start, y.at(decade), x.end, y.at(decade), "grid"))
        shapes.append(text(x.start - 5, y.at(decade) + 3.5, f"{10.0**decade:g}", anchor="end"))
    return [*shapes, text(11, (y.start + y.end) / 2, "µrad", anchor="middle", turn=-90)]


def _stems(one: TransmissionError, x: Axis, y: Axis) -> list[str]:
    """One upright line an order; of those in one column of the picture, the tallest."""
    orders, urad = one.per_gear_turn, one.per_mm_urad * one.amplitude_mm
    seen = (orders <= x.high) & (urad > 10.0**y.low)
    across, tall = x.at_all(orders[seen]), y.at_all(np.log10(urad[seen]))
    tallest: dict[int, tuple[float, float]] = {}
    for at, top in zip(across.tolist(), tall.tolist(), strict=True):
        column = int(at)
        if column not in tallest or top < tallest[column][1]:
            tallest[column] = (at, top)
    return [line(at, y.start, at, top, "stem") for at, top in tallest.values()]


def _names(one: TransmissionError, x: Axis, top: float) -> list[str]:
    """Name the orders of gear, pinion and tooth mesh with their amplitudes, in two lines on top."""
    shapes: list[str] = []
    for number, order in enumerate(order for order in one.named if order.per_gear_turn <= x.high):
        at = x.at(order.per_gear_turn)
        words = f"{order.name}: {one.per_mm_urad * order.amplitude_mm:.3g}"
        beside, anchor = (at - 3, "end") if at + ROOM > x.end else (at + 3, "start")
        row = top + 11 + 12 * (number % 2)
        shapes += [
            line(at, row - 8, at, top + NAMES, "axis"),
            text(beside, row, words, anchor=anchor),
        ]
    return shapes
