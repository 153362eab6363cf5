"""The runout sweeps as text: one line each for the first page, table and picture for the evidence."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from lashmap_analysis.assessment import Assessment, SweepResult
from lashmap_analysis.lengths import MISSING, format_length, format_spread, in_units
from lashmap_analysis.record import Units
from lashmap_analysis.report.charts_sweep import SweepView, sweep_chart
from lashmap_analysis.runout import RunoutSweep, TurnPart


@dataclass(frozen=True, kw_only=True)
class SweepFigure:
    """One sweep for the page.

    Attributes:
        member: Which member.
        picture: The mean turn; None when the sweep gave no runout.
        rows: Of the table: name, figure, standard uncertainty, high point.
        sentence: Whether it explains the lash map, or why there is no runout.
    """

    member: str
    picture: Markup | None
    rows: tuple[tuple[str, str, str, str], ...]
    sentence: str


def sweep_figures(assessment: Assessment) -> tuple[SweepFigure, ...]:
    """List the sweeps in the order of recording."""
    units = assessment.record.units
    return tuple(_figure(number, result, units) for number, result in enumerate(assessment.sweeps, start=1))


def sweep_lines(assessment: Assessment) -> tuple[str, ...]:
    """Say of each sweep in one line whether it explains the lash map; the evidence says it in full."""
    return tuple(_line(result, assessment.record.units) for result in assessment.sweeps)


def _line(result: SweepResult, units: Units) -> str:
    start = f"{result.member.capitalize()} sweep:"
    if result.sweep is None or result.match is None:
        return f"{start} gave no runout (see evidence)."
    match = result.match
    part = f"the {result.member}'s part of the map"
    if match.amplitude_difference_mm is None:
        answer = f"{part} does not stand alone"
    elif match.explains is None:
        answer = f"cannot tell whether it explains {part}"
    elif not match.explains:
        answer = f"does not explain {part}"
    else:
        answer = f"{'may, by its size, explain' if match.mesh_high_point_deg is None else 'explains'} {part}"
    return f"{start} FIM {format_length(result.sweep.fim_mm, units)}, {answer}."


def _figure(number: int, result: SweepResult, units: Units) -> SweepFigure:
    sweep = result.sweep
    if sweep is None:
        words = f"No runout could be taken from this sweep: {result.refusal}"
        return SweepFigure(member=result.member, picture=None, rows=(), sentence=words)
    view = SweepView(
        name=f"sweep-{number}",
        title=f"Runout of the {result.member} over its mean turn",
        description=f"Full indicator movement {format_length(sweep.fim_mm, units)}; "
        f"once per turn high at {sweep.once.high_point_deg:.0f}°.",
        member=result.member,
        units=units,
        angle_deg=sweep.angle_deg,
        profile=sweep.profile_mm * in_units(1.0, units),
        amplitude=in_units(sweep.once.amplitude_mm, units),
        high_deg=sweep.once.high_point_deg,
    )
    return SweepFigure(
        member=result.member,
        picture=sweep_chart(view),
        rows=_rows(result, sweep, units),
        sentence=result.sentence,
    )


def _rows(result: SweepResult, sweep: RunoutSweep, units: Units) -> tuple[tuple[str, str, str, str], ...]:
    match = result.match

    def plain(length_mm: float | None) -> str:
        return format_length(length_mm, units, with_unit=False)

    def fine(length_mm: float | None) -> str:
        return format_spread(length_mm, units, with_unit=False)

    def part(name: str, part: TurnPart) -> tuple[str, str, str, str]:
        stands = part.amplitude_mm > 2 * part.standard_uncertainty_mm
        known_to = f"u = {part.high_point_uncertainty_deg:.1f}°"
        high = f"{part.high_point_deg:.0f}° ({known_to})" if stands else MISSING
        return name, plain(part.amplitude_mm), fine(part.standard_uncertainty_mm), high

    rows = [
        ("FIM of the mean turn", plain(sweep.fim_mm), fine(sweep.fim_uncertainty_mm), MISSING),
        part("once per turn, amplitude", sweep.once),
        part("twice per turn, amplitude", sweep.twice),
        ("the rest, peak to peak", plain(sweep.rest_mm), MISSING, MISSING),
        (_repeats(sweep), fine(sweep.repeatability_mm), MISSING, MISSING),
    ]
    if match is not None:
        mesh = match.mesh_high_point_deg
        lash = plain(match.predicted_amplitude_mm)
        place = MISSING if mesh is None else f"{mesh:.0f}° at the mesh"
        rows.append(("lash amplitude it makes", lash, fine(match.standard_uncertainty_mm), place))
    if result.tight_spot_part_mm is not None:
        rows.append(("taken at the tight spot", plain(result.tight_spot_part_mm), MISSING, MISSING))
    return tuple(rows)


def _repeats(sweep: RunoutSweep) -> str:
    if sweep.turns < 2:
        return "repeatability, not known from one turn"
    return f"repeatability between {sweep.turns} turns"
