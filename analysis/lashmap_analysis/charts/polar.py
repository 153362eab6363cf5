"""The lash map around the gear: a ring of teeth, backlash growing outwards, matched teeth on top.

The radius does not start at zero: the ring covers the same range as the straight chart, so that a few
micrometres of runout can be seen, and its circles carry their figures.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from lashmap_analysis.charts.lash_map import LashView
from lashmap_analysis.charts.svg import (
    Axis,
    chart,
    circle,
    line,
    marker,
    polyline,
    round_step,
    round_ticks,
    text,
    tick_decimals,
)

Floats = NDArray[np.float64]
SIZE = 316.0
CENTRE = SIZE / 2
INNER, OUTER, RING = 32.0, 122.0, 128.0


@dataclass(frozen=True, kw_only=True)
class Around:
    """The lash map folded onto one turn of the gear, for each of its teeth and closed: shape (z2 + 1,).

    Attributes:
        curve: Fitted backlash in the turn that holds the tight spot.
        low: Lower end of the band, the lowest of all turns of the mesh cycle.
        high: Upper end, the highest of all turns.
        turns: Turns of the gear in the mesh cycle.
    """

    curve: Floats
    low: Floats
    high: Floats
    turns: int


def fold(view: LashView) -> Around | None:
    """Fold the lash map onto one turn of the gear; None without a lash map."""
    if view.curve is None or view.half_band is None:
        return None
    shape = (view.cycle // view.gear_teeth, view.gear_teeth)
    low = (view.curve - view.half_band).reshape(shape).min(axis=0)
    high = (view.curve + view.half_band).reshape(shape).max(axis=0)
    turn = 0 if view.spot is None else view.spot.engagement // view.gear_teeth
    first = turn * view.gear_teeth
    curve = view.curve[np.arange(first, first + view.gear_teeth + 1) % view.cycle]
    return Around(curve=curve, low=np.r_[low, low[0]], high=np.r_[high, high[0]], turns=shape[0])


def polar_chart(view: LashView, *, name: str, title: str, description: str) -> Markup:
    """Draw backlash around the gear."""
    radius = Axis(low=view.range.low, high=view.range.high, start=INNER, end=OUTER)
    shapes = [
        circle(CENTRE, CENTRE, OUTER, "plate"),
        *_circles(radius),
        *_teeth(view),
        *_map(view, radius),
        *_limits(view, radius),
        *_points(view, radius),
        *_tight_spot(view, radius),
        *_figures(view, radius),
    ]
    reading = {"kind": "polar", "units": view.units, "teeth": float(view.gear_teeth), "centre": CENTRE}
    return chart(name, SIZE, SIZE, title, description, *shapes, reading={**reading, **radius.reading("y")})


def _place(view: LashView, engagement: float, radius: float) -> tuple[float, float]:
    """Return the point of an engagement at a radius: matched teeth on top, counting clockwise."""
    angle = 2 * math.pi * engagement / view.gear_teeth
    return CENTRE + radius * math.sin(angle), CENTRE - radius * math.cos(angle)


def _ring(view: LashView, radii: Floats) -> tuple[Floats, Floats]:
    angles = 2 * np.pi * np.arange(view.gear_teeth + 1) / view.gear_teeth
    return CENTRE + radii * np.sin(angles), CENTRE - radii * np.cos(angles)


def _circles(radius: Axis) -> list[str]:
    return [circle(CENTRE, CENTRE, radius.at(tick), "grid") for tick in _ticks(radius)]


def _ticks(radius: Axis) -> list[float]:
    ticks: list[float] = round_ticks(radius.low, radius.high, 5).tolist()
    return ticks


def _figures(view: LashView, radius: Axis) -> list[str]:
    """Write the figures of the circles along the spoke that is farthest from any measured position."""
    ticks = _ticks(radius)
    spoke = _free_spoke(view)
    decimals = tick_decimals(np.asarray(ticks))
    shapes = []
    for tick in ticks:
        x, y = _place(view, spoke, radius.at(tick))
        shapes.append(text(x, y + 3, f"{tick:.{decimals}f}", style="t halo", anchor="middle"))
    return shapes


def _free_spoke(view: LashView) -> float:
    """Return the engagement, within a gear turn, of the spoke with most room on both sides."""
    taken = [point.engagement for point in view.points] + [0]
    taken += [view.spot.engagement] if view.spot is not None else []
    taken_turns = np.array(taken)[:, np.newaxis] / view.gear_teeth
    spokes = np.arange(24) / 24
    apart = np.abs((spokes - taken_turns + 0.5) % 1.0 - 0.5).min(axis=0)
    return float(spokes[int(np.argmax(apart))]) * view.gear_teeth


def _teeth(view: LashView) -> list[str]:
    """Draw a tick for every gear tooth, numbers at round ones and the quarters in degrees."""
    every = max(1, round(round_step(view.gear_teeth, 12)))
    shapes = [circle(CENTRE, CENTRE, RING, "axis")]
    for tooth in range(view.gear_teeth):
        named = tooth % every == 0 and tooth + every / 2 <= view.gear_teeth
        x1, y1 = _place(view, tooth, RING)
        x2, y2 = _place(view, tooth, RING + (7 if named else 4))
        shapes.append(line(x1, y1, x2, y2, "axis"))
        if named and tooth:
            x, y = _place(view, tooth, RING + 15)
            shapes.append(text(x, y + 3.5, str(tooth), anchor="middle"))
    for degrees in (90, 180, 270):
        # Below the number of the tooth, if there is one at this quarter.
        x, y = _place(view, view.gear_teeth * degrees / 360, RING + 15)
        shapes.append(text(x, y + 15, f"{degrees}°", style="t strong", anchor="middle"))
    x, y = _place(view, 0, RING)
    shapes.append(marker(x, y, "matched"))
    shapes.append(text(x, y - 13, "matched teeth", style="t strong", anchor="middle"))
    return shapes


def _map(view: LashView, radius: Axis) -> list[str]:
    around = fold(view)
    if around is None:
        return []
    low = _ring(view, radius.at_all(around.low))
    high = _ring(view, radius.at_all(around.high))
    outline = [np.r_[high[i], low[i][::-1]] for i in (0, 1)]
    curve = _ring(view, radius.at_all(around.curve))
    return [
        polyline(outline[0], outline[1], "band", closed=True),
        polyline(low[0], low[1], "band-edge"),
        polyline(high[0], high[1], "band-edge"),
        polyline(curve[0], curve[1], "curve"),
    ]


def _limits(view: LashView, radius: Axis) -> list[str]:
    shapes = []
    for limit in view.limits:
        if limit.value in view.range.beyond:
            continue
        shapes.append(circle(CENTRE, CENTRE, radius.at(limit.value), f"limit {limit.name}"))
    return shapes


def _points(view: LashView, radius: Axis) -> list[str]:
    shapes = []
    for point in view.points:
        ends = [_place(view, point.engagement, radius.at(point.backlash + s * point.bar)) for s in (-1, 1)]
        shapes.append(line(*ends[0], *ends[1], "bar"))
        shapes.append(marker(*_place(view, point.engagement, radius.at(point.backlash)), point.kind))
    for refused in view.refused:
        x, y = _place(view, refused, OUTER - 5)
        shapes.append(text(x, y + 3.5, "×", style="t strong", anchor="middle"))
    return shapes


def _tight_spot(view: LashView, radius: Axis) -> list[str]:
    if view.spot is None:
        return []
    x, y = _place(view, view.spot.engagement, radius.at(view.spot.backlash))
    tip = _place(view, view.spot.engagement, RING)
    return [line(x, y, *tip, "leader"), marker(x, y, "tight")]
