"""The runout sweeps: what was seen when a member was turned before the indicator, and what it explains."""

from __future__ import annotations

from collections.abc import Iterator

from lashmap_analysis.charts.trace import sweep_chart
from lashmap_analysis.facts.section import (
    TEST,
    Block,
    Chapter,
    Grid,
    Group,
    Head,
    Heading,
    Picture,
    Section,
    Side,
    Table,
    Words,
    number,
    rows_of,
    text,
    whole,
    yes_no,
)
from lashmap_analysis.judge.assessment import Assessment, SweepResult
from lashmap_analysis.record.lengths import MISSING, format_length, format_spread
from lashmap_analysis.record.record import Units
from lashmap_analysis.runout.sweep import RunoutSweep, TurnPart

MEMBER = text("member", "'gear' or 'pinion': the member that was turned before the indicator")
SWEEP = (
    text("refusal", "why the samples give no runout, every figure being null; empty when they do"),
    whole("turns", "whole turns used", "sweep.turns", required=False),
    number("fim_mm", "full indicator movement of the mean turn", "sweep.fim_mm"),
    number("fim_standard_uncertainty_mm", "its standard uncertainty", "sweep.fim_uncertainty_mm"),
    number("once_amplitude_mm", "amplitude of the once-per-turn part", "sweep.once.amplitude_mm"),
    number(
        "once_standard_uncertainty_mm",
        "standard uncertainty of that amplitude",
        "sweep.once.standard_uncertainty_mm",
    ),
    number(
        "once_high_point_deg",
        "angle of the member past the matched teeth where it reads highest",
        "sweep.once.high_point_deg",
    ),
    number(
        "once_high_point_standard_uncertainty_deg",
        "of that, the time between the instruments included where it is known",
        "sweep.once.high_point_uncertainty_deg",
    ),
    number("turning_deg_per_s", "speed at which the member was turned, mean over its angle; or null"),
    number(
        "times_apart_standard_uncertainty_s",
        "of the indicator's times against the encoder's; null when nobody stated it: then it is not in the "
        "high point's",
        "times_apart_uncertainty_s",
    ),
    number(
        "twice_amplitude_mm",
        "amplitude of the twice-per-turn part of the indicator",
        "sweep.twice.amplitude_mm",
    ),
    number("rest_mm", "peak to peak of the mean turn without both parts", "sweep.rest_mm"),
    number(
        "repeatability_mm",
        "standard deviation of one turn about the mean; null for a single turn",
        "sweep.repeatability_mm",
    ),
    number(
        "lash_amplitude_mm",
        "amplitude of normal backlash that this runout makes",
        "match.predicted_amplitude_mm",
    ),
    number(
        "lash_amplitude_standard_uncertainty_mm",
        "of that, the relation's own allowance included",
        "match.standard_uncertainty_mm",
    ),
    number(
        "mesh_high_point_deg",
        "angle of the member past the matched teeth where its high point is at the mesh; null when nobody "
        "recorded where the indicator sat",
        "match.mesh_high_point_deg",
    ),
    yes_no(
        "explains",
        "true when it agrees with the lash map's part of that member; null when that cannot be told",
        "match.explains",
        required=False,
    ),
    number(
        "tight_spot_part_mm",
        "normal backlash it takes at the map's tight spot, negative where it gives; or null",
    ),
    number("tight_spot_depth_mm", "how far the map's tight spot lies below its mean; null without a map"),
)
OTHER_MEMBER = Group(
    "other_member",
    "in a 1:1 set what the sweep leaves for the other member; otherwise null",
    (
        number("amplitude_mm", "amplitude of normal backlash"),
        number("high_point_deg", "angle past the matched teeth where it takes most backlash away"),
        number("standard_uncertainty_mm", "standard uncertainty of the amplitude"),
    ),
    "match.remainder",
)
SENTENCE = text("sentence", "all of it in words, lengths in the units of the paperwork")
_LOOK = (
    "The member was turned steadily before the indicator, square to its pitch cone at the outer end. Full "
    "line: mean turn; dashed: its once-per-turn part."
)


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


def _chapters(assessment: Assessment) -> Iterator[Chapter]:
    units = assessment.record.units
    found = [one for n, result in enumerate(assessment.sweeps, 1) for one in _blocks(n, result, units)]
    if found:
        yield Chapter("Runout sweeps", "sweeps", (*found, Words(_LOOK, "small")))


def _blocks(number: int, result: SweepResult, units: Units) -> tuple[Block, ...]:
    sweep, heading = result.sweep, Heading(f"Runout of the {result.member}")
    if sweep is None:
        return heading, Words(f"No runout could be taken from this sweep: {result.refusal}")
    picture = sweep_chart(
        sweep,
        result.member,
        units,
        name=f"sweep-{number}",
        description=f"Full indicator movement {format_length(sweep.fim_mm, units)}; "
        f"once per turn high at {sweep.once.high_point_deg:.0f}°.",
    )
    heads = (
        Head("quantity", 2.2, on_paper=f"quantity, {units}"),
        Head("value", right=True),
        Head("u", right=True),
        Head("high point", 1.5, right=True),
    )
    rows = rows_of(_rows(result, sweep, units))
    table = Grid(f"Runout of the {result.member}, {units}", heads, rows, "whole", caption_on_paper=False)
    return heading, Picture(picture), Side((Words(result.sentence),), (table,), "sweep")


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


SECTION = Section(
    figures=(
        Group(
            "sweeps",
            "runout sweeps in the order of recording",
            (MEMBER, *SWEEP, OTHER_MEMBER, SENTENCE),
            many=True,
        ),
    ),
    tables=(
        Table(
            name="sweeps",
            meaning="one runout sweep",
            key=("test", "member"),
            columns=(
                TEST,
                MEMBER.under("0"),
                number(
                    "indicator_from_mesh_deg",
                    "where the indicator sat: angle of the member from the mesh; missing when not recorded",
                    "1.indicator_from_mesh_deg",
                ),
                *(one.under("0") for one in (*SWEEP, SENTENCE)),
            ),
            rows=lambda assessment: zip(assessment.sweeps, assessment.record.sweeps, strict=True),
        ),
    ),
    chapters=_chapters,
)
