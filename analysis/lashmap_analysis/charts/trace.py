"""One rock trace as a small picture: the samples, the settled dwells, nothing else.

A long trace is drawn through the extremes of each pixel column. What it means is decided elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from lashmap_analysis.charts.svg import Axis, chart, circle, extremes, line, rectangle, stretches, text
from lashmap_analysis.rock.rock import Dwell

Floats = NDArray[np.float64]
WIDTH, HEIGHT = 216.0, 88.0
LEFT, RIGHT, TOP, BOTTOM = 4.0, 212.0, 5.0, 74.0
# The path is drawn in twentieths of a pixel, as whole numbers, through the extremes of each half pixel: what
# a zoomed chart shows, and what is read off it, is right to about a 1400th of its height.
GRAIN = 20
COLUMNS_PER_PIXEL = 2
# So few samples are shown one by one: how thinly a dwell was sampled is then there to be seen.
FEW_SAMPLES = 90


@dataclass(frozen=True, kw_only=True)
class TraceView:
    """What one small picture shows; lengths in the unit of the paperwork.

    Attributes:
        name: Unique in the page.
        title: Title for a screen reader.
        description: What is to be seen.
        time_s: Shape (n,).
        indicator: Shape (n,).
        dwells: Settled dwells, levels in mm.
        scale: Paper unit per mm.
        span: Height of the picture, in the paper's unit, shared by all pictures.
        units: The paper's unit.
        label: The height of the picture in words.
        refused: True when no lash may be taken from it.
    """

    name: str
    title: str
    description: str
    time_s: Floats
    indicator: Floats
    dwells: tuple[Dwell, ...]
    scale: float
    span: float
    units: str
    label: str
    refused: bool


def trace_chart(view: TraceView) -> Markup:
    """Draw a small multiple of a rock trace."""
    finite = np.isfinite(view.time_s) & np.isfinite(view.indicator)
    time_s, values = view.time_s[finite], view.indicator[finite]
    stretch = stretches(view.time_s, view.indicator)[finite] if finite.any() else np.zeros(0, dtype=np.int64)
    shapes = [rectangle(LEFT, TOP, RIGHT - LEFT, BOTTOM - TOP, "plate refused" if view.refused else "plate")]
    if time_s.size < 2 or not time_s[-1] > time_s[0]:
        shapes.append(text((LEFT + RIGHT) / 2, (TOP + BOTTOM) / 2, "no samples", anchor="middle"))
        return chart(view.name, WIDTH, HEIGHT, view.title, view.description, *shapes)
    middle = (float(values.min()) + float(values.max())) / 2
    x = Axis(low=float(view.time_s[0]), high=float(view.time_s[-1]), start=LEFT, end=RIGHT)
    y = Axis(low=middle - view.span / 2, high=middle + view.span / 2, start=BOTTOM, end=TOP)
    wide = GRAIN // COLUMNS_PER_PIXEL
    columns = np.floor(x.at_all(time_s) * COLUMNS_PER_PIXEL).astype(np.int64) * wide
    kept = extremes(columns, values)
    rows = np.round(y.at_all(values[kept]) * GRAIN).astype(np.int64)
    shapes.append(_sample_path(columns[kept], rows, np.diff(stretch[kept]) > 0))
    shapes += [_dwell(dwell, x, y, view.scale) for dwell in view.dwells]
    if time_s.size <= FEW_SAMPLES:
        shapes += [
            circle(a, b, 1.5, "sample") for a, b in zip(x.at_all(time_s), y.at_all(values), strict=True)
        ]
    shapes.append(text(LEFT, HEIGHT - 3, "0 s"))
    shapes.append(text(RIGHT, HEIGHT - 3, f"{x.high - x.low:.3g} s", anchor="end"))
    shapes.append(text((LEFT + RIGHT) / 2, HEIGHT - 3, view.label, anchor="middle"))
    seconds = Axis(low=0.0, high=x.high - x.low, start=LEFT, end=RIGHT)
    axes = {**seconds.reading("x"), **y.reading("y")}
    reading = {"kind": "trace", "units": view.units}
    return chart(view.name, WIDTH, HEIGHT, view.title, view.description, *shapes, reading={**reading, **axes})


def _sample_path(columns: NDArray[np.int64], rows: NDArray[np.int64], broken: NDArray[np.bool_]) -> str:
    """Draw samples as one path of whole relative steps, four or five bytes a point; a gap lifts the pen."""
    steps = zip(np.diff(columns).tolist(), np.diff(rows).tolist(), broken.tolist(), strict=True)
    # A zero step makes a lone sample between two gaps a dot, since line ends are round.
    moves = "".join(f"{'m' if gap else ''}{dx} {dy}{'l0 0' if gap else ''} " for dx, dy, gap in steps)
    moves = moves.replace(" -", "-").replace(" m", "m").rstrip()
    return f'<path class="samples" transform="scale({1 / GRAIN})" d="M{columns[0]} {rows[0]}l0 0 {moves}"/>'


def _dwell(dwell: Dwell, x: Axis, y: Axis, scale: float) -> str:
    """Mark a dwell: a heavy bar at its level, ended by ticks that point to the other flank."""
    start, end, level = x.at(dwell.start_s), x.at(dwell.end_s), y.at(dwell.level_mm * scale)
    tick = 5.0 if dwell.high else -5.0
    return line(start, level, end, level, "dwell") + "".join(
        line(edge, level, edge, level + tick, "dwell-end") for edge in (start, end)
    )
