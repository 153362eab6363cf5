"""The decision at a glance: the interval of the tight spot on a rail with the limits.

The verdict itself is not drawn from here; this picture only shows what it was drawn from.
"""

from __future__ import annotations

from markupsafe import Markup

from lashmap_analysis.charts.lash_map import Limit, Spot
from lashmap_analysis.charts.svg import (
    Axis,
    chart,
    circle,
    lash_range,
    line,
    rectangle,
    round_ticks,
    text,
    tick_decimals,
)
from lashmap_analysis.judge.verdict import Outcome
from lashmap_analysis.record.lengths import format_given, in_mm
from lashmap_analysis.record.record import Units

WIDTH, HEIGHT = 680.0, 62.0
LEFT, RIGHT, RAIL, THICK = 14.0, 666.0, 32.0, 12.0
LABEL = 135.0  # width of "min 0.004" in the letters of the narrowest page
APART = 6.0


def limits_chart(
    spot: Spot, limits: tuple[Limit, ...], units: Units, *, name: str, description: str
) -> Markup:
    """Draw the 95 % interval of the tight spot against the limits."""
    covered = lash_range((spot.low, spot.high), [limit.value for limit in limits])
    values = [spot.low, spot.high, *(limit.value for limit in limits)]
    low, high = min(values), max(values)
    pad = 0.12 * (high - low)
    if covered is not None and not limits:
        low, high, pad = covered.low, covered.high, 0.0
    x = Axis(low=low - pad, high=high + pad, start=LEFT, end=RIGHT)
    shapes = [
        *_rail(x, limits),
        *_ticks(x, units),
        *_limits(x, limits, units),
        *_interval(x, spot),
    ]
    return chart(name, WIDTH, HEIGHT, "Interval of the tight spot against the limits", description, *shapes)


def _rail(x: Axis, limits: tuple[Limit, ...]) -> list[str]:
    top = RAIL - THICK / 2
    shapes = [rectangle(x.start, top, x.end - x.start, THICK, "plate")]
    for limit in limits:
        edge = x.at(limit.value)
        left, right = (x.start, edge) if limit.name == "minimum" else (edge, x.end)
        shapes.append(rectangle(left, top, right - left, THICK, "forbidden"))
    return shapes


def _ticks(x: Axis, units: str) -> list[str]:
    ticks = round_ticks(x.low, x.high, 10)
    decimals = tick_decimals(ticks)
    bottom = RAIL + THICK / 2
    shapes = []
    for number, tick in enumerate(ticks.tolist()):
        at = x.at(tick)
        last = number == ticks.size - 1
        words = f"{tick:.{decimals}f}{' ' + units if last else ''}"
        shapes.append(line(at, bottom, at, bottom + 4, "axis"))
        # Every other figure goes where the rail is narrow and its letters must be large.
        style = "t" if (ticks.size - number) % 2 else "t other"
        anchor = "end" if last and at > RIGHT - 25 else "middle"
        shapes.append(text(at, bottom + 16, words, style=style, anchor=anchor))
    return shapes


def _limits(x: Axis, limits: tuple[Limit, ...], units: Units) -> list[str]:
    shapes = []
    for limit, (label_at, anchor) in zip(limits, _label_places(x, limits), strict=True):
        at = x.at(limit.value)
        shapes.append(line(at, RAIL - 15, at, RAIL + 9, f"limit {limit.name}"))
        words = f"{limit.name} {format_given(in_mm(limit.value, units), units, with_unit=False)}"
        label = text(label_at, RAIL - 19, words, style="t strong", anchor=anchor)
        # Of the name "min" and "max" stay where the rail is narrow and its letters must be large.
        whole = f'{limit.name[:3]}<tspan class="other">{limit.name[3:]}</tspan>'
        shapes.append(label.replace(limit.name, whole))
    return shapes


def _label_places(x: Axis, limits: tuple[Limit, ...]) -> list[tuple[float, str]]:
    """Where the labels of limits begin or end: between them, or outside those that lie close together."""
    at = {limit.name: x.at(limit.value) for limit in limits}
    if len(at) < 2 or at["maximum"] - at["minimum"] >= 2 * LABEL:
        return [
            (at[one.name] - 4, "start") if one.name == "minimum" else (at[one.name] + 4, "end")
            for one in limits
        ]
    left = min(max(at["minimum"] + 4, LEFT + LABEL), RIGHT - LABEL - APART)
    right = max(min(at["maximum"] - 4, RIGHT - LABEL), left + APART)
    return [(left, "end") if one.name == "minimum" else (right, "start") for one in limits]


def _interval(x: Axis, spot: Spot) -> list[str]:
    low, high, at = x.at(spot.low), x.at(spot.high), x.at(spot.backlash)
    return [
        line(low, RAIL, high, RAIL, "interval"),
        line(low, RAIL - 9, low, RAIL + 9, "interval-end"),
        line(high, RAIL - 9, high, RAIL + 9, "interval-end"),
        circle(at, RAIL, 4.5, "m-tight"),
    ]


# The sign of the verdict: each outcome has a shape of its own, for grey print and for any eyes.


SIZE = 64.0


def seal(outcome: Outcome) -> Markup:
    """Draw the sign of an outcome: ticked disc, crossed square, or broken ring with a question mark."""
    if outcome == "conforming":
        shapes = circle(32, 32, 29, "seal-solid") + '<path class="seal-cut" d="M18 33l10 10 19-22"/>'
    elif outcome == "nonconforming":
        shapes = (
            rectangle(4, 4, 56, 56, "seal-solid") + '<path class="seal-cut" d="M19 19l26 26M45 19l-26 26"/>'
        )
    else:
        shapes = (
            circle(32, 32, 28, "seal-broken")
            + '<path class="seal-line" d="M23 25c0-13 18-12 18-1 0 8-9 7-9 16"/>'
            + circle(32, 48, 3, "seal-solid")
        )
    return chart("seal", SIZE, SIZE, f"Verdict: {outcome}", "Sign of the verdict.", shapes)
