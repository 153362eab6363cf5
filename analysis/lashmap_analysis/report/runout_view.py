"""What the lash map says about runout, as text."""

from __future__ import annotations

import math
from dataclasses import dataclass

from lashmap_analysis.assessment import Assessment
from lashmap_analysis.lash_map import Runout
from lashmap_analysis.lengths import format_length, format_spread
from lashmap_analysis.once_per_turn import ANY_ANGLE_DEG
from lashmap_analysis.outlier_words import remarks_of
from lashmap_analysis.record import Units
from lashmap_analysis.report.words import why_no_map

# An angle known hardly better than any angle at all is no figure to print (common practice, no source).
UNKNOWN = 0.9


@dataclass(frozen=True, kw_only=True)
class RunoutRow:
    """The once-per-turn part of one member, as text."""

    member: str
    amplitude: str
    uncertainty: str
    high_point: str
    high_point_uncertainty: str
    fim: str


def runout_rows(assessment: Assessment) -> tuple[RunoutRow, ...]:
    """List the once-per-turn parts that stand by themselves."""
    lash_map, units = assessment.lash_map, assessment.record.units
    if lash_map is None:
        return ()
    named = (
        ("gear", lash_map.gear_runout),
        ("pinion", lash_map.pinion_runout),
        ("both, not told apart", lash_map.merged_runout),
    )
    return tuple(_row(member, runout, units) for member, runout in named if runout is not None)


def runout_words(assessment: Assessment) -> tuple[str, ...]:
    """Say what can and cannot be told apart, and what would separate it."""
    lash_map = assessment.lash_map
    if lash_map is None:
        return (why_no_map(assessment),)
    separable = lash_map.separable
    # What the verdict says already is not said again.
    remarks = [remark for remark in remarks_of(assessment) if remark not in assessment.verdict.cautions]
    candidates = (separable.sentence, separable.remedy, *remarks)
    words = list(dict.fromkeys(sentence for sentence in candidates if sentence))
    if not words and separable.gear and separable.pinion:
        words.append("The positions tell the gear's part and the pinion's part apart.")
    missing = [
        member
        for member, runout in (("gear", lash_map.gear_runout), ("pinion", lash_map.pinion_runout))
        if runout is None
    ]
    if missing and lash_map.merged_runout is None:
        words.append(f"No once-per-turn part is stated for the {' and the '.join(missing)}.")
    return tuple(words)


def map_facts(assessment: Assessment) -> tuple[tuple[str, str], ...]:
    """List the figures of the lash map."""
    lash_map, units = assessment.lash_map, assessment.record.units
    if lash_map is None:
        return ()
    return (
        ("terms fitted", ", ".join(lash_map.terms)),
        ("mean backlash", _with_u(lash_map.mean_mm, lash_map.mean_uncertainty_mm, units)),
        ("loosest", format_length(lash_map.loosest_mm, units)),
        (
            "variation, loosest minus tightest",
            _with_u(lash_map.variation_mm, lash_map.variation_uncertainty_mm, units),
        ),
        ("tooth-to-tooth scatter", format_length(lash_map.tooth_scatter_mm, units)),
        ("tight spot moved by", lash_map.cause),
    )


def _with_u(value_mm: float, uncertainty_mm: float, units: Units) -> str:
    value = format_length(value_mm, units)
    return value if math.isnan(uncertainty_mm) else f"{value}, u = {format_spread(uncertainty_mm, units)}"


def _row(member: str, runout: Runout, units: Units) -> RunoutRow:
    return RunoutRow(
        member=member,
        amplitude=format_length(runout.amplitude_mm, units, with_unit=False),
        uncertainty=format_spread(runout.standard_uncertainty_mm, units, with_unit=False),
        high_point=f"{runout.high_point_deg:.0f}°",
        high_point_uncertainty=(
            f"{runout.high_point_uncertainty_deg:.0f}°"
            if runout.high_point_uncertainty_deg < UNKNOWN * ANY_ANGLE_DEG
            else "unknown"
        ),
        fim=format_length(runout.fim_mm, units, with_unit=False),
    )
