"""The lash map as pictures: straight against engagement, and around the gear.

What both show is gathered once, in the unit of the paperwork. Positions are folded into one mesh cycle, since
the same teeth meet again after it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from lashmap_analysis.charts.svg import (
    Axis,
    LashRange,
    chart,
    circle,
    extremes,
    lash_range,
    line,
    marker,
    polyline,
    rectangle,
    round_step,
    round_ticks,
    text,
    tick_decimals,
)
from lashmap_analysis.gears.tooth_names import tooth_number
from lashmap_analysis.judge.assessment import Assessment, PositionResult, TightSpotResult
from lashmap_analysis.record.lengths import in_units
from lashmap_analysis.record.record import TestRecord, Units

Floats = NDArray[np.float64]
# 97.5 % point of the normal distribution; the report says that band and bars are this many uncertainties.
BAND = 1.96


@dataclass(frozen=True, kw_only=True)
class Point:
    """A measured position.

    Attributes:
        engagement: Folded into 0 … mesh cycle − 1.
        backlash: In the paper's unit.
        bar: Half the length of its error bar.
        kind: Name of its mark.
    """

    engagement: int
    backlash: float
    bar: float
    kind: Literal["planned", "confirming", "outlier"]


@dataclass(frozen=True, kw_only=True)
class Spot:
    """The tight spot with its interval, in the paper's unit."""

    engagement: int
    backlash: float
    low: float
    high: float


@dataclass(frozen=True, kw_only=True)
class Limit:
    """A limit as normal backlash in the paper's unit, with its name."""

    value: float
    name: Literal["minimum", "maximum"]


@dataclass(frozen=True, kw_only=True)
class LashView:
    """What the pictures show.

    Attributes:
        units: The paper's unit.
        pinion_teeth: z1.
        gear_teeth: z2.
        cycle: Engagements until the same teeth meet again.
        curve: Backlash at engagements 0 … cycle − 1 of the lash that is judged, shape (cycle,), NaN where it
            is not known; None without one.
        half_band: Half width of its band, shape (cycle,).
        points: Usable positions.
        refused: Folded engagements of positions that gave no backlash.
        spot: The tight spot that is stated; None when none is.
        limits: Of the tightest point.
        range: Of the backlash axis.
    """

    units: Units
    pinion_teeth: int
    gear_teeth: int
    cycle: int
    curve: Floats | None
    half_band: Floats | None
    points: tuple[Point, ...]
    refused: tuple[int, ...]
    spot: Spot | None
    limits: tuple[Limit, ...]
    range: LashRange

    @property
    def near_limits(self) -> tuple[Limit, ...]:
        """Limits that the pictures can show."""
        return tuple(one for one in self.limits if one.value not in self.range.beyond)


def lash_view(assessment: Assessment) -> LashView | None:
    """Gather what the pictures show; None when there is neither a measured position nor a lash map."""
    record = assessment.record
    gear_set, units = record.gear_set, record.units
    cycle = math.lcm(gear_set.pinion_teeth, gear_set.gear_teeth)
    curve = half_band = None
    if assessment.judged is not None:
        prediction = assessment.judged.predict(np.arange(cycle, dtype=np.int64))
        curve = prediction.backlash_mm * in_units(1.0, units)
        half_band = BAND * prediction.standard_uncertainty_mm * in_units(1.0, units)
    points = tuple(_point(p, cycle, units) for p in assessment.positions if p.mapped)
    spot = _spot(assessment.stated, cycle, units)
    limits = _limits(record)
    reach = [p.backlash + side * p.bar for p in points for side in (-1, 1)]
    if curve is not None and half_band is not None:
        reach += [float(np.nanmin(curve - half_band)), float(np.nanmax(curve + half_band))]
    if spot is not None:
        reach += [spot.low, spot.high]
    covered = lash_range(reach, [limit.value for limit in limits]) if reach else None
    if covered is None:
        return None
    return LashView(
        units=units,
        pinion_teeth=gear_set.pinion_teeth,
        gear_teeth=gear_set.gear_teeth,
        cycle=cycle,
        curve=curve,
        half_band=half_band,
        points=points,
        refused=tuple(p.engagement % cycle for p in assessment.positions if not p.usable),
        spot=spot,
        limits=limits,
        range=covered,
    )


def _limits(record: TestRecord) -> tuple[Limit, ...]:
    allowed = record.limits.normal_mm(record.gear_set)
    names: tuple[Literal["minimum", "maximum"], ...] = ("minimum", "maximum")
    return tuple(
        Limit(value=in_units(allowed[name], record.units), name=name) for name in names if name in allowed
    )


def _point(position: PositionResult, cycle: int, units: Units) -> Point:
    kind: Literal["planned", "confirming", "outlier"] = (
        "confirming" if position.purpose == "confirming" else "planned"
    )
    if position.outlier:
        kind = "outlier"
    return Point(
        engagement=position.engagement % cycle,
        backlash=in_units(position.normal_backlash_mm or math.nan, units),
        bar=in_units(BAND * (position.with_setting_mm or 0.0), units),
        kind=kind,
    )


def _spot(stated: TightSpotResult | None, cycle: int, units: Units) -> Spot | None:
    if stated is None:
        return None
    low, high = stated.interval_mm
    return Spot(
        engagement=stated.engagement % cycle,
        backlash=in_units(stated.normal_backlash_mm, units),
        low=in_units(low, units),
        high=in_units(high, units),
    )


# Against engagement: one picture serves the whole mesh cycle and any window of it.

WIDTH = 680.0
LEFT, RIGHT, TOP, BELOW = 64.0, 612.0, 24.0, 32.0
LETTER_HIGH, LETTER_DEEP = 9.0, 4.0  # above and below the line that letters stand on


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
        *value_axis(x, y, f"backlash, {view.units}"),
        *engagement_axis(x, y),
        *_turns(view, x, y),
        *_curve(view, window, x, y),
        *_limit_lines(view, y),
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
    for limit in view.near_limits:
        edge = y.at(limit.value)
        top, bottom = (edge, y.start) if limit.name == "minimum" else (y.end, edge)
        shapes.append(rectangle(LEFT, top, RIGHT - LEFT, bottom - top, "forbidden"))
    return shapes


def _limit_lines(view: LashView, y: Axis) -> list[str]:
    shapes = []
    for limit in view.near_limits:
        edge = y.at(limit.value)
        shapes.append(line(LEFT, edge, RIGHT, edge, f"limit {limit.name}"))
        shapes.append(text(RIGHT + 8, edge + 3.5, limit.name, style="t strong"))
    return shapes


def value_axis(x: Axis, y: Axis, name: str) -> list[str]:
    """Draw the grid of an upright axis over the width of `x`, with its figures and its name."""
    ticks = round_ticks(y.low, y.high, 6)
    decimals = tick_decimals(ticks)
    shapes = []
    for tick in ticks.tolist():
        shapes.append(line(x.start, y.at(tick), x.end, y.at(tick), "grid"))
        shapes.append(text(x.start - 5, y.at(tick) + 3.5, f"{tick:.{decimals}f}", anchor="end"))
    return [*shapes, text(11, (y.start + y.end) / 2, name, anchor="middle", turn=-90)]


def engagement_axis(x: Axis, y: Axis) -> list[str]:
    """Draw the figures of engagements under the start of `y`."""
    step = max(1, round(round_step(x.high - x.low, 12)))
    first = int(np.ceil(x.low / step)) * step
    shapes = []
    for tick in range(first, int(x.high) + 1, step):
        shapes.append(line(x.at(tick), y.start, x.at(tick), y.start + 4, "axis"))
        shapes.append(text(x.at(tick), y.start + 15, str(tick), anchor="middle"))
    words = "engagement, gear teeth past the matched teeth"
    return [*shapes, text((x.start + x.end) / 2, y.start + 29, words, anchor="middle")]


def band(low: tuple[Floats, Floats], high: tuple[Floats, Floats]) -> list[str]:
    """Draw the area between two lines, each of which is pixels across and down, shapes (n,) and (m,)."""
    return [
        polyline(np.r_[low[0], high[0][::-1]], np.r_[low[1], high[1][::-1]], "band", closed=True),
        polyline(*low, "band-edge"),
        polyline(*high, "band-edge"),
    ]


def thinned(across: Floats, y: Axis, values: Floats) -> tuple[Floats, Floats]:
    """Pixels of a curve, shapes (m,); a long mesh cycle keeps what reaches farthest in a quarter of one."""
    kept = extremes(np.floor(4 * across).astype(np.int64), values)
    return across[kept], y.at_all(values)[kept]


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
    shapes = []
    for first, last in runs_of(np.isfinite(middle)):
        part = slice(first, last + 1)
        low, high, curve = (
            thinned(across[part], y, one[part]) for one in (middle - half, middle + half, middle)
        )
        shapes += [*band(low, high), polyline(*curve, "curve")]
    return shapes


def runs_of(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last place of every unbroken run of True."""
    edges = np.flatnonzero(np.diff(np.r_[False, flags, False].astype(np.int8)))
    return [(int(first), int(last) - 1) for first, last in zip(edges[::2], edges[1::2], strict=True)]


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
        words_at = level + _beside_limits(level, [y.at(one.value) for one in view.near_limits])
        shapes.append(text(label_at, words_at, "tight spot", style="t strong halo", anchor=anchor))
    return shapes


def _beside_limits(level: float, lines: list[float]) -> float:
    """How far below a level words stand: under it, or above it where the line of a limit would cross them."""
    below, above = 12.0, -6.0
    crossed = any(level + below - LETTER_HIGH < one < level + below + LETTER_DEEP for one in lines)
    return above if crossed else below


# Around the gear: a ring of teeth, backlash growing outwards, matched teeth on top. The radius does not start
# at zero: the ring covers the same range as the straight chart, so that a few micrometres of runout can be
# seen, its circles carry their figures, and its centre says that it is not zero.

SIZE = 316.0
CENTRE = SIZE / 2
INNER, OUTER, RING = 34.0, 122.0, 128.0
BESIDE = 0.04  # of a turn
FIGURE_OUTSIDE = 8.5  # of a circle: middle of its figure
HALF_FIGURE = 6.0  # of its height, with a little air
STEEP = 0.9  # cosine of the angle of the spoke with figures to the upright


def polar_chart(view: LashView, *, name: str, title: str, description: str) -> Markup:
    """Draw backlash around the gear."""
    radius = Axis(low=view.range.low, high=view.range.high, start=INNER, end=OUTER)
    shapes = [
        circle(CENTRE, CENTRE, OUTER, "plate"),
        *_circles(radius),
        *_teeth(view),
        *_map(view, radius),
        *(circle(CENTRE, CENTRE, radius.at(one.value), f"limit {one.name}") for one in view.near_limits),
        *_polar_points(view, radius),
        *_polar_tight_spot(view, radius),
        *_figures(view, radius),
        *_not_zero(),
    ]
    reading = {"kind": "polar", "units": view.units, "teeth": float(view.gear_teeth), "centre": CENTRE}
    return chart(name, SIZE, SIZE, title, description, *shapes, reading={**reading, **radius.reading("y")})


def _polar_place(view: LashView, engagement: float, radius: float) -> tuple[float, float]:
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
    """Write the figures outside their circles, along the steep spoke farthest from any measured position."""
    ticks = _ticks(radius)
    spoke = _free_spoke(view)
    decimals = tick_decimals(np.asarray(ticks))
    shapes = []
    for number, tick in enumerate(reversed(ticks)):
        at = radius.at(tick) + FIGURE_OUTSIDE
        if any(abs(at - radius.at(one.value)) < HALF_FIGURE for one in view.near_limits):
            at = radius.at(tick) - FIGURE_OUTSIDE  # the circle of a limit is not that of the figure beside it
        if at > OUTER:  # there the teeth have their numbers
            continue
        x, y = _polar_place(view, spoke, at)
        style = "t halo other" if number % 2 else "t halo"
        shapes.append(text(x, y + 4, f"{tick:.{decimals}f}", style=style, anchor="middle"))
    return shapes


def _not_zero() -> list[str]:
    """Say in the middle that it is not zero: the radius begins above it."""
    return [
        text(CENTRE, CENTRE + below, words, style="t halo", anchor="middle")
        for below, words in ((-4.0, "centre"), (13.0, "is not 0"))
    ]


def _free_spoke(view: LashView) -> float:
    """Return the engagement, within a gear turn, of the spoke with most room on both sides.

    It is steep, so that figures stand one above the other.
    """
    taken = [point.engagement for point in view.points] + [0]
    taken += [view.spot.engagement] if view.spot is not None else []
    taken_turns = np.array(taken)[:, np.newaxis] / view.gear_teeth
    spokes = np.arange(48) / 48
    spokes = spokes[np.abs(np.cos(2 * np.pi * spokes)) > STEEP]
    apart = np.abs((spokes - taken_turns + 0.5) % 1.0 - 0.5).min(axis=0)
    return float(spokes[int(np.argmax(apart))]) * view.gear_teeth


def _teeth(view: LashView) -> list[str]:
    """Draw a tick for every gear tooth, round numbers (the marked one is 1) and the quarters in degrees."""
    every = max(1, round(round_step(view.gear_teeth, 12)))
    shapes = [circle(CENTRE, CENTRE, RING, "axis")]
    numbers = []
    for place in range(view.gear_teeth):
        tooth = tooth_number(place, view.gear_teeth)
        from_top = abs((place / view.gear_teeth + 0.5) % 1.0 - 0.5)  # where the marked teeth have their words
        named = tooth % every == 0 and tooth + every / 2 <= view.gear_teeth and from_top > 1.5 * BESIDE
        x1, y1 = _polar_place(view, place, RING)
        x2, y2 = _polar_place(view, place, RING + (7 if named else 4))
        shapes.append(line(x1, y1, x2, y2, "axis"))
        if named and place:
            x, y = _polar_place(view, place, RING + 15)
            numbers.append((x, y + 3.5))
            # A number beside a quarter goes where the picture is small and its letters must be large.
            apart = abs((place / view.gear_teeth + 0.125) % 0.25 - 0.125)
            shapes.append(
                text(x, y + 3.5, str(tooth), style="t" if apart > BESIDE else "t other", anchor="middle")
            )
    for degrees in (90, 180, 270):
        x, y = _polar_place(view, view.gear_teeth * degrees / 360, RING + 15)
        # Where it is, or below or above the number of a tooth that stands there.
        free = (one for one in (y + 3.5, y + 15, y - 9) if all(_apart(x, one, *other) for other in numbers))
        shapes.append(text(x, next(free, y + 15), f"{degrees}°", style="t strong", anchor="middle"))
    x, y = _polar_place(view, 0, RING)
    shapes.append(marker(x, y, "matched"))
    shapes.append(text(x, y - 13, "matched teeth", style="t strong", anchor="middle"))
    return shapes


def _apart(x: float, y: float, other_x: float, other_y: float) -> bool:
    """Two short texts do not touch."""
    return abs(x - other_x) > 24 or abs(y - other_y) > 11


def _map(view: LashView, radius: Axis) -> list[str]:
    """Draw the map folded onto one turn of the gear: the curve of the turn that holds the tight spot.

    The band reaches from the lowest to the highest of all turns of the mesh cycle.
    """
    if view.curve is None or view.half_band is None:
        return []
    shape = (view.cycle // view.gear_teeth, view.gear_teeth)
    # Where no turn knows a tooth, the band is drawn from its neighbours; page one names the teeth.
    lowest = _without_gaps(np.fmin.reduce((view.curve - view.half_band).reshape(shape)))
    highest = _without_gaps(np.fmax.reduce((view.curve + view.half_band).reshape(shape)))
    turn = 0 if view.spot is None else view.spot.engagement // view.gear_teeth
    first = turn * view.gear_teeth
    around = _without_gaps(view.curve[np.arange(first, first + view.gear_teeth + 1) % view.cycle])
    low, high, curve = (
        _ring(view, radius.at_all(values))
        for values in (np.r_[lowest, lowest[0]], np.r_[highest, highest[0]], around)
    )
    return [*band(low, high), polyline(*curve, "curve")]


def _without_gaps(values: Floats) -> Floats:
    known = np.flatnonzero(np.isfinite(values))
    return np.interp(np.arange(values.size), known, values[known]) if known.size < values.size else values


def _polar_points(view: LashView, radius: Axis) -> list[str]:
    shapes = []
    for point in view.points:
        ends = [
            _polar_place(view, point.engagement, radius.at(point.backlash + s * point.bar)) for s in (-1, 1)
        ]
        shapes.append(line(*ends[0], *ends[1], "bar"))
        shapes.append(marker(*_polar_place(view, point.engagement, radius.at(point.backlash)), point.kind))
    for refused in view.refused:
        x, y = _polar_place(view, refused, OUTER - 5)
        shapes.append(text(x, y + 3.5, "×", style="t strong", anchor="middle"))
    return shapes


def _polar_tight_spot(view: LashView, radius: Axis) -> list[str]:
    if view.spot is None:
        return []
    x, y = _polar_place(view, view.spot.engagement, radius.at(view.spot.backlash))
    tip = _polar_place(view, view.spot.engagement, RING)
    return [line(x, y, *tip, "leader"), marker(x, y, "tight")]
