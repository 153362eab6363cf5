"""What an indicator gave, as pictures: a rock trace with its settled dwells, and the turn of a runout sweep.

A long trace is drawn through the extremes of each pixel column. What it means is decided elsewhere.
"""

from __future__ import annotations

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from lashmap_analysis.charts.svg import (
    Axis,
    chart,
    circle,
    extremes,
    line,
    polyline,
    rectangle,
    round_ticks,
    stretches,
    text,
    tick_decimals,
)
from lashmap_analysis.record.lengths import in_units
from lashmap_analysis.record.record import RockTrace, Units
from lashmap_analysis.rock.rock import Dwell
from lashmap_analysis.runout.sweep import RunoutSweep

Floats = NDArray[np.float64]
WIDTH, HEIGHT = 216.0, 88.0
LEFT, RIGHT, TOP, BOTTOM = 4.0, 212.0, 5.0, 74.0
# The path is drawn in twentieths of a pixel, as whole numbers, through the extremes of each half pixel: what
# a zoomed chart shows, and what is read off it, is right to about a 1400th of its height.
GRAIN = 20
COLUMNS_PER_PIXEL = 2
# So few samples are shown one by one: how thinly a dwell was sampled is then there to be seen.
FEW_SAMPLES = 90


def trace_chart(
    trace: RockTrace,
    dwells: tuple[Dwell, ...],
    *,
    title: str,
    description: str,
    height_mm: float,
    units: Units,
    label: str,
    refused: bool,
) -> Markup:
    """Draw a small multiple of a rock trace.

    Args:
        trace: Its samples.
        dwells: Settled dwells.
        title: Title for a screen reader.
        description: What is to be seen.
        height_mm: Height of the picture, the same of pictures that are compared.
        units: The paper's unit.
        label: The height of the picture in words.
        refused: True when no lash may be taken from it.
    """
    name, scale = f"trace-{trace.position}", in_units(1.0, units)
    indicator, span = trace.indicator_mm * scale, height_mm * scale
    finite = np.isfinite(trace.time_s) & np.isfinite(indicator)
    time_s, values = trace.time_s[finite], indicator[finite]
    stretch = stretches(trace.time_s, indicator)[finite] if finite.any() else np.zeros(0, dtype=np.int64)
    shapes = [rectangle(LEFT, TOP, RIGHT - LEFT, BOTTOM - TOP, "plate refused" if refused else "plate")]
    if time_s.size < 2 or not time_s[-1] > time_s[0]:
        shapes.append(text((LEFT + RIGHT) / 2, (TOP + BOTTOM) / 2, "no samples", anchor="middle"))
        return chart(name, WIDTH, HEIGHT, title, description, *shapes)
    middle = (float(values.min()) + float(values.max())) / 2
    x = Axis(low=float(trace.time_s[0]), high=float(trace.time_s[-1]), start=LEFT, end=RIGHT)
    y = Axis(low=middle - span / 2, high=middle + span / 2, start=BOTTOM, end=TOP)
    wide = GRAIN // COLUMNS_PER_PIXEL
    columns = np.floor(x.at_all(time_s) * COLUMNS_PER_PIXEL).astype(np.int64) * wide
    kept = extremes(columns, values)
    rows = np.round(y.at_all(values[kept]) * GRAIN).astype(np.int64)
    shapes.append(_sample_path(columns[kept], rows, np.diff(stretch[kept]) > 0))
    shapes += [_dwell(dwell, x, y, scale) for dwell in dwells]
    if time_s.size <= FEW_SAMPLES:
        shapes += [
            circle(a, b, 1.5, "sample") for a, b in zip(x.at_all(time_s), y.at_all(values), strict=True)
        ]
    shapes.append(text(LEFT, HEIGHT - 3, "0 s"))
    shapes.append(text(RIGHT, HEIGHT - 3, f"{x.high - x.low:.3g} s", anchor="end"))
    shapes.append(text((LEFT + RIGHT) / 2, HEIGHT - 3, label, anchor="middle"))
    seconds = Axis(low=0.0, high=x.high - x.low, start=LEFT, end=RIGHT)
    axes = {**seconds.reading("x"), **y.reading("y")}
    reading = {"kind": "trace", "units": units, **axes}
    return chart(name, WIDTH, HEIGHT, title, description, *shapes, reading=reading)


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


# A runout sweep: the mean turn against the member's angle, its once-per-turn part dashed.

SWEEP_WIDTH, SWEEP_HEIGHT = 680.0, 158.0
SWEEP_LEFT, SWEEP_RIGHT, SWEEP_TOP, SWEEP_BOTTOM = 74.0, 668.0, 22.0, 122.0
LEAST = 1e-9  # so that a surface without any runout still has a scale


def sweep_chart(sweep: RunoutSweep, member: str, units: Units, *, name: str, description: str) -> Markup:
    """Draw the mean turn of a sweep of a member; `name` is unique in the page."""
    profile_all = sweep.profile_mm * in_units(1.0, units)
    amplitude, high_deg = in_units(sweep.once.amplitude_mm, units), sweep.once.high_point_deg
    reach = 1.1 * max(float(np.max(np.abs(profile_all))), amplitude, LEAST)
    x = Axis(low=0.0, high=360.0, start=SWEEP_LEFT, end=SWEEP_RIGHT)
    y = Axis(low=-reach, high=reach, start=SWEEP_BOTTOM, end=SWEEP_TOP)
    smooth = np.arange(0.0, 361.0, 4.0)
    once = amplitude * np.cos(np.radians(smooth - high_deg))
    angle, profile = _closed(sweep.angle_deg, profile_all)
    shapes = [
        rectangle(SWEEP_LEFT, SWEEP_TOP, SWEEP_RIGHT - SWEEP_LEFT, SWEEP_BOTTOM - SWEEP_TOP, "plate"),
        *_axes(x, y, member, units),
        polyline(x.at_all(angle), y.at_all(profile), "curve"),
        polyline(x.at_all(smooth), y.at_all(once), "limit minimum"),
        *_high_point(x, y, amplitude, high_deg),
    ]
    title = f"Runout of the {member} over its mean turn"
    return chart(name, SWEEP_WIDTH, SWEEP_HEIGHT, title, description, *shapes)


def _closed(angle_deg: Floats, profile: Floats) -> tuple[Floats, Floats]:
    """Carry the turn on to both edges of the picture, where it meets itself."""
    edges = np.interp([0.0, 360.0], angle_deg, profile, period=360.0)
    return np.r_[0.0, angle_deg, 360.0], np.r_[edges[0], profile, edges[1]]


def _axes(x: Axis, y: Axis, member: str, units: Units) -> list[str]:
    ticks = round_ticks(y.low, y.high, 5)
    decimals = tick_decimals(ticks)
    shapes = []
    for tick in ticks.tolist():
        shapes.append(line(SWEEP_LEFT, y.at(tick), SWEEP_RIGHT, y.at(tick), "grid"))
        words = f"{tick:+.{decimals}f}" if abs(tick) > LEAST else "0"
        shapes.append(text(SWEEP_LEFT - 5, y.at(tick) + 3.5, words, anchor="end"))
    for degrees in range(0, 361, 45):
        anchor = "end" if degrees == 360 else "middle"
        shapes.append(line(x.at(degrees), SWEEP_BOTTOM, x.at(degrees), SWEEP_BOTTOM + 4, "axis"))
        shapes.append(text(x.at(degrees), SWEEP_BOTTOM + 15, f"{degrees}°", anchor=anchor))
    shapes.append(text(11, (SWEEP_TOP + SWEEP_BOTTOM) / 2, f"indicator, {units}", anchor="middle", turn=-90))
    under = f"{member} angle past the matched teeth, at the indicator"
    shapes.append(text((SWEEP_LEFT + SWEEP_RIGHT) / 2, SWEEP_BOTTOM + 30, under, anchor="middle"))
    return shapes


def _high_point(x: Axis, y: Axis, amplitude: float, high_deg: float) -> list[str]:
    at = x.at(high_deg)
    anchor = "start" if high_deg < 60 else "end" if high_deg > 300 else "middle"
    return [
        line(at, SWEEP_TOP - 4, at, y.at(amplitude), "leader"),
        text(at, SWEEP_TOP - 9, f"high point {high_deg:.0f}°", style="t strong", anchor=anchor),
    ]
