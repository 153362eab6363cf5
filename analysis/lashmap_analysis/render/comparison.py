"""The comparison as one HTML page in the look of the report: nothing fetched, nothing scripted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from lashmap_analysis.charts.lash_map import band, engagement_axis, thinned, value_axis
from lashmap_analysis.charts.style import style_sheet
from lashmap_analysis.charts.svg import (
    Axis,
    chart,
    circle,
    lash_range,
    line,
    polyline,
    rectangle,
    text,
)
from lashmap_analysis.judge.compare import Build, Difference, same_teeth, whole_lash
from lashmap_analysis.judge.comparison import Pair, difference_words, runout_words
from lashmap_analysis.judge.tight_spot import NORMAL_95
from lashmap_analysis.record.lengths import format_length, format_spread, in_units
from lashmap_analysis.record.record import Units, moment
from lashmap_analysis.render.page import page_template


@dataclass(frozen=True, kw_only=True)
class PairView:
    """One test against the first, as text and pictures."""

    letter: str
    rows: tuple[tuple[str, str], ...]
    budget: tuple[tuple[str, str, str, str, str], ...]
    picture: Markup | None
    shims: tuple[str, ...]
    cautions: tuple[str, ...]


def render_comparison(pairs: Sequence[Pair]) -> str:
    """Render a comparison.

    Args:
        pairs: From `compare_tests`, all with the same first test. Lengths are in the units of its paperwork.

    Returns:
        A whole HTML document.
    """
    return page_template("compare.html.j2").render(
        **comparison_view(pairs), dashes=enumerate(DASHES), style=style_sheet()
    )


def comparison_view(pairs: Sequence[Pair]) -> dict[str, Any]:
    """What the page of a comparison shows, by the names of its template; ``pairs`` as `render_comparison`."""
    builds = [pairs[0].first, *(pair.second for pair in pairs)]
    units = builds[0].assessment.record.units
    return {
        "tests": [
            {"letter": letter(n), "test": build.test, "figures": figures(build, units)}
            for n, build in enumerate(builds)
        ],
        "pairs": [pair_view(pair, n, units) for n, pair in enumerate(pairs, 1)],
        "overlay": overlay_chart(builds, units),
        "units": units,
    }


def pair_view(pair: Pair, number: int, units: Units) -> PairView:
    """What is shown of one pair, on the page and on a terminal alike.

    Args:
        pair: One test against the first.
        number: Of the second test, the first being 0.
        units: Of the lengths.
    """
    rows = [
        ("tight spot", difference_words(pair.tight_spot, units)),
        ("mean over the mesh cycle", difference_words(pair.mean, units)),
    ]
    rows += [(f"once per turn, {one.member}", runout_words(one, units)) for one in pair.runouts]
    if not pair.runouts:
        rows.append(("once per turn", "not compared: no member stands by itself in both tests"))
    return PairView(
        letter=letter(number),
        rows=tuple(rows),
        budget=_budget(pair.tight_spot, units),
        picture=difference_chart(pair, number, units),
        shims=pair.shim_sentences,
        cautions=pair.cautions,
    )


def figures(build: Build, units: Units) -> tuple[tuple[str, str], ...]:
    """The figures of one test, with their names."""
    assessment = build.assessment
    identity, stated, lash_map = assessment.record.identity, assessment.stated, assessment.judged
    found = [
        ("box", f"{identity.box}, serial {identity.serial}"),
        ("gear set", identity.set_number or "–"),
        ("started", moment(identity.started_utc, identity.started_local) or "–"),
        ("verdict", assessment.verdict.outcome),
    ]
    if stated is not None:
        low, high = (format_length(end, units, with_unit=False) for end in stated.interval_mm)
        found.append(
            ("tight spot", f"{format_length(stated.normal_backlash_mm, units)} (95 %: {low} to {high})")
        )
        found.append(("engagement", str(stated.engagement)))
    if lash_map is not None:
        spread = format_spread(lash_map.mean_uncertainty_mm, units)
        found.append(("mean", f"{format_length(lash_map.mean_mm, units)} (u = {spread})"))
        for member in ("gear", "pinion"):
            runout = getattr(lash_map, f"{member}_runout")
            if runout is not None:
                size = format_length(runout.amplitude_mm, units)
                found.append((f"{member} once per turn", f"{size} at {runout.high_point_deg:.0f}°"))
    found.append(("analysis", assessment.version))
    found.append(("seal of the record", identity.seal or "none: the test is not sealed"))
    return tuple(found)


def _budget(difference: Difference | None, units: Units) -> tuple[tuple[str, str, str, str, str], ...]:
    def fine(size: float | None) -> str:
        return format_spread(size, units, with_unit=False)

    return tuple(
        (
            one.quantity,
            fine(one.first_mm),
            fine(one.second_mm),
            fine(one.together_mm),
            "the same in both, cancels" if one.common else "independent",
        )
        for one in (difference.contributions if difference is not None else ())
    )


# Lash maps over each other, aligned at the matched teeth, and their differences.
#
# Each test has a dash pattern and a letter of its own, so that no reader and no printer needs the colours.


Floats = NDArray[np.float64]
WIDTH, LEFT, RIGHT, TOP, BELOW = 680.0, 64.0, 640.0, 24.0, 32.0
LABEL_WIDTH, LINE = 80.0, 11.0  # of the figure at a tight spot
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
DASHES = ("none", "7 3", "2 3", "10 3 2 3", "5 2 1 2 1 2", "1 4")


def letter(number: int) -> str:
    """Name of a test in pictures and tables."""
    return LETTERS[number] if number < len(LETTERS) else str(number + 1)


def overlay_chart(builds: Sequence[Build], units: Units) -> Markup | None:
    """Draw the lash maps of all tests that can be laid over that of the first; None without any."""
    shown = [(n, build) for n, build in enumerate(builds) if same_teeth(builds[0], build)]
    curves = {}
    for number, build in shown:
        lash = whole_lash(build)
        if lash is not None:
            every = np.arange(lash.gear_set.mesh_cycle, dtype=np.int64)
            curves[number] = lash.predict(every).backlash_mm * in_units(1.0, units)
    ends = [float(v) for curve in curves.values() for v in (curve.min(), curve.max())]
    # The stated minimum over many engagements lies below the fitted curve: its ring must not leave the plate.
    ends += [
        in_units(spot.normal_backlash_mm, units)
        for spot in (builds[number].assessment.stated for number in curves)
        if spot is not None
    ]
    covered = lash_range(ends, [])
    if covered is None:
        return None
    cycle = len(next(iter(curves.values())))
    height = 220.0
    x = Axis(low=0.0, high=float(cycle), start=LEFT, end=RIGHT)
    y = Axis(low=covered.low, high=covered.high, start=height - BELOW, end=TOP)
    shapes = _plate(x, y, builds[0].assessment.record.gear_set.gear_teeth, f"backlash, {units}")
    for number, curve in curves.items():
        shapes.append(polyline(*_closed(x, y, curve), f"curve c{number % len(DASHES)}"))
    shapes += _spots([(number, builds[number]) for number in curves], x, y, units)
    told = "; ".join(
        f"{letter(number)} is {builds[number].test}, mean {curve.mean():.4g} {units}"
        for number, curve in curves.items()
    )
    title = "Lash maps over each other, aligned at the matched teeth"
    return chart("overlay", WIDTH, height, title, told, *shapes)


def difference_chart(pair: Pair, number: int, units: Units) -> Markup | None:
    """Draw second less first at every engagement with its band; None without both maps."""
    if pair.lash_map is None:
        return None
    factor = in_units(1.0, units)
    value = pair.lash_map.value_mm * factor
    half = NORMAL_95 * pair.lash_map.standard_uncertainty_mm * factor
    covered = lash_range([float((value - half).min()), float((value + half).max())], [0.0])
    if covered is None:
        return None
    low, high = min(covered.low, 0.0), max(covered.high, 0.0)
    height = 170.0
    x = Axis(low=0.0, high=float(len(value)), start=LEFT, end=RIGHT)
    y = Axis(low=low, high=high, start=height - BELOW, end=TOP)
    shapes = _plate(x, y, pair.first.assessment.record.gear_set.gear_teeth, f"change, {units}")
    shapes += [
        *band(_closed(x, y, value - half), _closed(x, y, value + half)),
        polyline(*_closed(x, y, value), "curve"),
        line(LEFT, y.at(0.0), RIGHT, y.at(0.0), "limit"),
        text(RIGHT + 4, y.at(0.0) + 3.5, "0", style="t strong"),
    ]
    title = f"{letter(number)} less A over the mesh cycle"
    outside = float(np.mean((value - half > 0.0) | (value + half < 0.0)))
    told = (
        f"Mean change {value.mean():+.4g} {units}, from {value.min():+.4g} to {value.max():+.4g}; "
        f"at {outside:.0%} of the engagements the 95 % band does not hold zero."
    )
    return chart(f"difference-{number}", WIDTH, height, title, told, *shapes)


def _closed(x: Axis, y: Axis, values: Floats) -> tuple[Floats, Floats]:
    """Pixels of a curve over the mesh cycle, with its first engagement again at the end."""
    return thinned(x.at_all(np.arange(len(values) + 1.0)), y, np.r_[values, values[0]])


def _spots(shown: Sequence[tuple[int, Build]], x: Axis, y: Axis, units: Units) -> list[str]:
    """A ring at every stated tight spot, and its figure where no other stands."""
    shapes: list[str] = []
    taken: list[tuple[float, float]] = []
    for number, build in shown:
        stated = build.assessment.stated
        if stated is None:
            continue
        level = y.at(in_units(stated.normal_backlash_mm, units))
        at = x.at(float(stated.engagement % (x.high - x.low)))
        anchor = "end" if at > (LEFT + RIGHT) / 2 else "start"
        line_at = level + 4.0
        while any(abs(at - other) < LABEL_WIDTH and abs(line_at - above) < LINE for other, above in taken):
            line_at += LINE if line_at + LINE < y.start else -LINE * (len(taken) + 1)
        taken.append((at, line_at))
        words = f"{letter(number)} {format_length(stated.normal_backlash_mm, units, with_unit=False)}"
        shapes += [
            circle(at, level, 5, "m-tight"),
            text(at + (-8 if anchor == "end" else 8), line_at, words, style="t strong halo", anchor=anchor),
        ]
    return shapes


def _plate(x: Axis, y: Axis, gear_teeth: int, name: str) -> list[str]:
    """Ground, grid, both axes, and a mark at the matched teeth and every turn of the gear."""
    shapes = [rectangle(LEFT, TOP, RIGHT - LEFT, y.start - TOP, "plate"), *value_axis(x, y, name)]
    turns = range(gear_teeth, int(x.high), gear_teeth)
    shapes += [line(x.at(turn), TOP, x.at(turn), y.start, "turn") for turn in turns]
    shapes.append(line(x.at(0.0), TOP - 6, x.at(0.0), y.start, "matched"))
    shapes.append(text(x.at(0.0) + 3, TOP - 8, "matched teeth", style="t"))
    return [*shapes, *engagement_axis(x, y)]
