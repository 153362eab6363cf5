"""A runout sweep as a picture: the mean turn against the member's angle, its once-per-turn part dashed.

What it means is decided elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from lashmap_analysis.charts.svg import (
    Axis,
    chart,
    line,
    polyline,
    rectangle,
    round_ticks,
    text,
    tick_decimals,
)

Floats = NDArray[np.float64]
WIDTH, HEIGHT = 680.0, 158.0
LEFT, RIGHT, TOP, BOTTOM = 74.0, 668.0, 22.0, 122.0
LEAST = 1e-9  # so that a surface without any runout still has a scale


@dataclass(frozen=True, kw_only=True)
class SweepView:
    """What the picture shows; lengths in the paper's unit.

    Attributes:
        name: Unique in the page.
        title: Title for a screen reader.
        description: What is to be seen.
        member: Which member turned.
        units: The paper's unit.
        angle_deg: Shape (n,), rising in 0 … 360.
        profile: Shape (n,), the mean turn about its mean.
        amplitude: Of the once-per-turn part.
        high_deg: Where the once-per-turn part is highest.
    """

    name: str
    title: str
    description: str
    member: str
    units: str
    angle_deg: Floats
    profile: Floats
    amplitude: float
    high_deg: float


def sweep_chart(view: SweepView) -> Markup:
    """Draw the mean turn of a sweep."""
    reach = 1.1 * max(float(np.max(np.abs(view.profile))), view.amplitude, LEAST)
    x = Axis(low=0.0, high=360.0, start=LEFT, end=RIGHT)
    y = Axis(low=-reach, high=reach, start=BOTTOM, end=TOP)
    smooth = np.arange(0.0, 361.0, 4.0)
    once = view.amplitude * np.cos(np.radians(smooth - view.high_deg))
    angle, profile = _closed(view.angle_deg, view.profile)
    shapes = [
        rectangle(LEFT, TOP, RIGHT - LEFT, BOTTOM - TOP, "plate"),
        *_axes(x, y, view),
        polyline(x.at_all(angle), y.at_all(profile), "curve"),
        polyline(x.at_all(smooth), y.at_all(once), "limit minimum"),
        *_high_point(x, y, view),
    ]
    return chart(view.name, WIDTH, HEIGHT, view.title, view.description, *shapes)


def _closed(angle_deg: Floats, profile: Floats) -> tuple[Floats, Floats]:
    """Carry the turn on to both edges of the picture, where it meets itself."""
    edges = np.interp([0.0, 360.0], angle_deg, profile, period=360.0)
    return np.r_[0.0, angle_deg, 360.0], np.r_[edges[0], profile, edges[1]]


def _axes(x: Axis, y: Axis, view: SweepView) -> list[str]:
    ticks = round_ticks(y.low, y.high, 5)
    decimals = tick_decimals(ticks)
    shapes = []
    for tick in ticks.tolist():
        shapes.append(line(LEFT, y.at(tick), RIGHT, y.at(tick), "grid"))
        words = f"{tick:+.{decimals}f}" if abs(tick) > LEAST else "0"
        shapes.append(text(LEFT - 5, y.at(tick) + 3.5, words, anchor="end"))
    for degrees in range(0, 361, 45):
        anchor = "end" if degrees == 360 else "middle"
        shapes.append(line(x.at(degrees), BOTTOM, x.at(degrees), BOTTOM + 4, "axis"))
        shapes.append(text(x.at(degrees), BOTTOM + 15, f"{degrees}°", anchor=anchor))
    shapes.append(text(11, (TOP + BOTTOM) / 2, f"indicator, {view.units}", anchor="middle", turn=-90))
    under = f"{view.member} angle past the matched teeth, at the indicator"
    shapes.append(text((LEFT + RIGHT) / 2, BOTTOM + 30, under, anchor="middle"))
    return shapes


def _high_point(x: Axis, y: Axis, view: SweepView) -> list[str]:
    at = x.at(view.high_deg)
    anchor = "start" if view.high_deg < 60 else "end" if view.high_deg > 300 else "middle"
    return [
        line(at, TOP - 4, at, y.at(view.amplitude), "leader"),
        text(at, TOP - 9, f"high point {view.high_deg:.0f}°", style="t strong", anchor=anchor),
    ]
