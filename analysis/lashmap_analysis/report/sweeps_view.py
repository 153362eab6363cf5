"""The runout sweeps as text and pictures: the mean turn against the angle, its once-per-turn part dashed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from lashmap_analysis.assessment import Assessment, SweepResult
from lashmap_analysis.lengths import DECIMALS, MISSING, format_length, in_units
from lashmap_analysis.record import Units
from lashmap_analysis.report.charts_axes import Axis, round_ticks, tick_decimals
from lashmap_analysis.report.charts_svg import chart, line, polyline, rectangle, text
from lashmap_analysis.runout import RunoutSweep

WIDTH, HEIGHT = 680.0, 150.0
LEFT, RIGHT, TOP, BOTTOM = 64.0, 612.0, 10.0, 118.0


@dataclass(frozen=True, kw_only=True)
class SweepFigure:
    """One sweep for the page.

    Attributes:
        member: Which member.
        picture: The mean turn; None when the sweep gave no runout.
        facts: Names and figures.
        sentence: Whether it explains the lash map, or why there is no runout.
    """

    member: str
    picture: Markup | None
    facts: tuple[tuple[str, str], ...]
    sentence: str


def sweep_figures(assessment: Assessment) -> tuple[SweepFigure, ...]:
    """List the sweeps in the order of recording."""
    units = assessment.record.units
    return tuple(_figure(number, result, units) for number, result in enumerate(assessment.sweeps, start=1))


def _figure(number: int, result: SweepResult, units: Units) -> SweepFigure:
    sweep = result.sweep
    if sweep is None:
        words = f"No runout could be taken from this sweep: {result.refusal}"
        return SweepFigure(member=result.member, picture=None, facts=(), sentence=words)
    return SweepFigure(
        member=result.member,
        picture=_picture(number, result.member, sweep, units),
        facts=_facts(sweep, units),
        sentence=result.match.sentence if result.match else "",
    )


def _facts(sweep: RunoutSweep, units: Units) -> tuple[tuple[str, str], ...]:
    finer = DECIMALS[units] + 1
    uncertainty = format_length(sweep.fim_uncertainty_mm, units, decimals=finer)
    repeatability = format_length(sweep.repeatability_mm, units, decimals=finer)
    return (
        ("FIM of the mean turn", f"{format_length(sweep.fim_mm, units)}, u = {uncertainty}"),
        (
            "once per turn, amplitude",
            f"{format_length(sweep.once.amplitude_mm, units)}, high at {sweep.once.high_point_deg:.0f}°",
        ),
        ("twice per turn, amplitude", format_length(sweep.twice.amplitude_mm, units)),
        ("the rest, peak to peak", format_length(sweep.rest_mm, units)),
        ("repeatability between turns", MISSING if sweep.turns < 2 else repeatability),
        ("whole turns used", str(sweep.turns)),
    )


def _picture(number: int, member: str, sweep: RunoutSweep, units: Units) -> Markup:
    order = np.argsort(sweep.angle_deg)
    angle = sweep.angle_deg[order]
    profile = np.array([in_units(value, units) for value in sweep.profile_mm[order].tolist()])
    high = sweep.once.high_point_deg
    amplitude = in_units(sweep.once.amplitude_mm, units)
    smooth = np.arange(0.0, 361.0, 3.0)
    once = amplitude * np.cos(np.radians(smooth - high))
    reach = 1.1 * max(float(np.max(np.abs(profile))), amplitude, 1e-9)
    x = Axis(low=0.0, high=360.0, start=LEFT, end=RIGHT)
    y = Axis(low=-reach, high=reach, start=BOTTOM, end=TOP)
    shapes = [rectangle(LEFT, TOP, RIGHT - LEFT, BOTTOM - TOP, "plate")]
    ticks = round_ticks(-reach, reach, 5)
    decimals = tick_decimals(ticks)
    for tick in ticks.tolist():
        shapes.append(line(LEFT, y.at(tick), RIGHT, y.at(tick), "grid"))
        shapes.append(text(LEFT - 5, y.at(tick) + 3.5, f"{tick:+.{decimals}f}", anchor="end"))
    for degrees in range(0, 361, 45):
        shapes.append(line(x.at(degrees), BOTTOM, x.at(degrees), BOTTOM + 4, "axis"))
        shapes.append(text(x.at(degrees), BOTTOM + 15, f"{degrees}°", anchor="middle"))
    shapes.append(polyline(x.at_all(smooth), y.at_all(once), "limit minimum"))
    shapes.append(polyline(x.at_all(angle), y.at_all(profile), "curve"))
    shapes.append(text(11, (TOP + BOTTOM) / 2, f"indicator, {units}", anchor="middle", turn=-90))
    shapes.append(text((LEFT + RIGHT) / 2, BOTTOM + 29, f"angle of the {member}", anchor="middle"))
    return chart(
        f"sweep-{number}",
        WIDTH,
        HEIGHT,
        f"Runout of the {member} over its mean turn",
        f"Full indicator movement {format_length(sweep.fim_mm, units)}; once per turn high at {high:.0f}°.",
        *shapes,
    )
