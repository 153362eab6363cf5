"""The lash map against engagement: curve with band, positions with bars, matched teeth, tight spot, limits.

One picture serves the whole mesh cycle and any window of it. Polar drawing is next door.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from lashmap_analysis.report.charts_axes import Axis, round_step, round_ticks, tick_decimals
from lashmap_analysis.report.charts_svg import chart, line, marker, polyline, rectangle, text
from lashmap_analysis.report.charts_thin import extremes
from lashmap_analysis.report.lash_view import LashView, Spot

Floats = NDArray[np.float64]
WIDTH = 680.0
LEFT, RIGHT, TOP, BELOW = 64.0, 612.0, 24.0, 32.0


@dataclass(frozen=True, kw_only=True)
class Window:
    """Which engagements to draw: `first` to `last`, both drawn; they may run past the mesh cycle's ends."""

    first: int
    last: int


def whole_cycle(view: LashView) -> Window:
    """Return the window that holds one mesh cycle and closes it."""
    return Window(first=0, last=view.cycle)


def around_spot(view: LashView, spot: Spot) -> Window:
    """Return one turn of the gear with the tight spot in its middle."""
    half = view.gear_teeth // 2
    return Window(first=spot.engagement - half, last=spot.engagement + half)


def map_chart(
    view: LashView, window: Window, *, name: str, title: str, description: str, height: float = 144.0
) -> Markup:
    """Draw backlash against engagement over a window."""
    x = Axis(low=window.first, high=window.last, start=LEFT, end=RIGHT)
    y = Axis(low=view.range.low, high=view.range.high, start=height - BELOW, end=TOP)
    shapes = [
        rectangle(LEFT, TOP, RIGHT - LEFT, y.start - TOP, "plate"),
        *_forbidden(view, y),
        *_backlash_axis(view, y),
        *_engagement_axis(x, y),
        *_turns(view, x, y),
        *_curve(view, window, x, y),
        *_limits(view, y),
        *_matched(view, window, x, y),
        *_points(view, window, x, y),
        *_tight_spot(view, window, x, y),
    ]
    reading = {"kind": "map", "units": view.units, "teeth": float(view.gear_teeth)}
    return chart(
        name, WIDTH, height, title, description, *shapes,
        reading={**reading, **x.reading("x"), **y.reading("y")},
    )  # fmt: skip


def _forbidden(view: LashView, y: Axis) -> list[str]:
    shapes = []
    for limit in view.limits:
        if limit.value in view.range.beyond:
            continue
        edge = y.at(limit.value)
        top, bottom = (edge, y.start) if limit.name == "minimum" else (y.end, edge)
        shapes.append(rectangle(LEFT, top, RIGHT - LEFT, bottom - top, "forbidden"))
    return shapes


def _limits(view: LashView, y: Axis) -> list[str]:
    shapes = []
    for limit in view.limits:
        if limit.value in view.range.beyond:
            continue
        edge = y.at(limit.value)
        shapes.append(line(LEFT, edge, RIGHT, edge, f"limit {limit.name}"))
        shapes.append(text(RIGHT + 8, edge + 3.5, limit.name, style="t strong"))
    return shapes


def _backlash_axis(view: LashView, y: Axis) -> list[str]:
    ticks = round_ticks(y.low, y.high, 6)
    decimals = tick_decimals(ticks)
    shapes = []
    for tick in ticks.tolist():
        shapes.append(line(LEFT, y.at(tick), RIGHT, y.at(tick), "grid"))
        shapes.append(text(LEFT - 5, y.at(tick) + 3.5, f"{tick:.{decimals}f}", anchor="end"))
    shapes.append(text(11, (y.start + y.end) / 2, f"backlash, {view.units}", anchor="middle", turn=-90))
    return shapes


def _engagement_axis(x: Axis, y: Axis) -> list[str]:
    step = max(1, round(round_step(x.high - x.low, 12)))
    first = int(np.ceil(x.low / step)) * step
    shapes = []
    for tick in range(first, int(x.high) + 1, step):
        shapes.append(line(x.at(tick), y.start, x.at(tick), y.start + 4, "axis"))
        shapes.append(text(x.at(tick), y.start + 15, str(tick), anchor="middle"))
    middle = (x.start + x.end) / 2
    shapes.append(
        text(middle, y.start + 29, "engagement, gear teeth past the matched teeth", anchor="middle")
    )
    return shapes


def _turns(view: LashView, x: Axis, y: Axis) -> list[str]:
    """Divide the window by turns of the gear, or by quarters of one, on a second axis on top."""
    turns = (x.high - x.low) / view.gear_teeth
    shapes = []
    if turns <= 1.5:
        for quarter in range(
            int(np.ceil(4 * x.low / view.gear_teeth)), int(4 * x.high / view.gear_teeth) + 1
        ):
            at = x.at(quarter * view.gear_teeth / 4)
            shapes.append(line(at, y.end - 4, at, y.end, "axis"))
            shapes.append(text(at, y.end - 8, f"{quarter * 90}°", anchor="middle"))
        shapes.append(text(LEFT - 14, y.end - 8, "gear", anchor="end"))
        return shapes
    every = max(1, round(round_step(turns, 20)))
    for turn in range(int(np.ceil(x.low / view.gear_teeth)), int(np.ceil(turns))):
        at = x.at(turn * view.gear_teeth)
        shapes.append(line(at, y.end - 4, at, y.start, "turn"))
        if turn % every == 0:
            shapes.append(
                text(x.at((turn + 0.5) * view.gear_teeth), y.end - 8, str(turn + 1), anchor="middle")
            )
    shapes.append(text(LEFT - 5, y.end - 8, "turn", anchor="end"))
    return shapes


def _curve(view: LashView, window: Window, x: Axis, y: Axis) -> list[str]:
    if view.curve is None or view.half_band is None:
        return []
    engagements = np.arange(window.first, window.last + 1)
    folded = engagements % view.cycle
    across = x.at_all(engagements.astype(np.float64))
    middle, half = view.curve[folded], view.half_band[folded]
    # A long mesh cycle has many engagements to a pixel: keep what reaches farthest in each quarter of one.
    columns = np.floor(4 * across).astype(np.int64)
    low, high, line_at = (
        (across[kept], y.at_all(values)[kept])
        for values in (middle - half, middle + half, middle)
        for kept in (extremes(columns, values),)
    )
    return [
        polyline(np.r_[low[0], high[0][::-1]], np.r_[low[1], high[1][::-1]], "band", closed=True),
        polyline(*low, "band-edge"),
        polyline(*high, "band-edge"),
        polyline(*line_at, "curve"),
    ]


def _shown(view: LashView, window: Window, engagement: int) -> list[int]:
    """Return every place in the window at which an engagement of the mesh cycle is seen."""
    first = window.first + (engagement - window.first) % view.cycle
    return list(range(first, window.last + 1, view.cycle))


def _matched(view: LashView, window: Window, x: Axis, y: Axis) -> list[str]:
    shapes = []
    for engagement in _shown(view, window, 0):
        at = x.at(engagement)
        shapes.append(line(at, y.end, at, y.start, "matched"))
        shapes.append(marker(at, y.end + 9, "matched"))
    return shapes


def _points(view: LashView, window: Window, x: Axis, y: Axis) -> list[str]:
    shapes = []
    for point in view.points:
        for engagement in _shown(view, window, point.engagement):
            at = x.at(engagement)
            low, high = y.at(point.backlash - point.bar), y.at(point.backlash + point.bar)
            shapes += [
                line(at, low, at, high, "bar"),
                line(at - 3, low, at + 3, low, "bar"),
                line(at - 3, high, at + 3, high, "bar"),
                marker(at, y.at(point.backlash), point.kind),
            ]
    for refused in view.refused:
        for engagement in _shown(view, window, refused):
            shapes.append(text(x.at(engagement), y.start - 3, "×", style="t strong", anchor="middle"))
    return shapes


def _tight_spot(view: LashView, window: Window, x: Axis, y: Axis) -> list[str]:
    if view.spot is None:
        return []
    shapes = []
    for engagement in _shown(view, window, view.spot.engagement):
        at, level = x.at(engagement), y.at(view.spot.backlash)
        shapes.append(marker(at, level, "tight"))
        leftward = at > (LEFT + RIGHT) / 2
        label_at = at - 11 if leftward else at + 11
        anchor = "end" if leftward else "start"
        shapes.append(text(label_at, level + 12, "tight spot", style="t strong halo", anchor=anchor))
    return shapes
