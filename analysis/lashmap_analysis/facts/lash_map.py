"""The lash map in figures: its mean, its variation, and the once-per-turn parts that stand by themselves."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.facts.figure import TEST, WHOLE, Group, Section, Table, number, text, whole, yes_no
from lashmap_analysis.outlier_words import remarks_of

if TYPE_CHECKING:
    from lashmap_analysis.assessment import Assessment

RUNOUT = (
    number(
        "amplitude_mm", "amplitude of the once-per-turn part of the normal backlash (half of peak to peak)"
    ),
    number(
        "high_point_deg",
        "angle of the member past the matched teeth where its runout takes most backlash away",
    ),
    number("standard_uncertainty_mm", "standard uncertainty of the amplitude"),
    number("fim_mm", "full indicator movement perpendicular to the pitch cone that explains it"),
    number(
        "high_point_standard_uncertainty_deg",
        "standard uncertainty of the high point; 104 means unknown",
        "high_point_uncertainty_deg",
    ),
)
SEPARABLE = (
    yes_no("gear", "true when the gear's part stands by itself"),
    yes_no("pinion", "true when the pinion's part stands by itself"),
    text("sentence", "what is merged with what, and why; empty when both stand"),
    text("remedy", "the measurement that would separate them; empty when both stand"),
    text("add_engagements", "positions that would separate them, when positions can"),
)
MAP = (
    number("mean_mm", "mean normal backlash"),
    number("mean_standard_uncertainty_mm", "standard uncertainty of the mean", "mean_uncertainty_mm"),
    number("loosest_mm", "largest predicted normal backlash over the mesh cycle"),
    number("variation_mm", "largest minus smallest predicted normal backlash over the mesh cycle"),
    number(
        "variation_standard_uncertainty_mm",
        "standard uncertainty of the variation",
        "variation_uncertainty_mm",
    ),
    number("tooth_scatter_mm", "standard deviation from tooth to tooth about the once-per-turn terms"),
)
# Order of the columns of the table of results; the high point's uncertainty is in the document only.
_EXPORTED = ("amplitude_mm", "standard_uncertainty_mm", "high_point_deg", "fim_mm")


def _engagements(assessment: Assessment) -> list[tuple[object, ...]]:
    """Every engagement of the mesh cycle: number, gear angle, backlash, uncertainty, chance."""
    lash_map = assessment.lash_map
    if lash_map is None:
        return []
    cycle = lash_map.gear_set.mesh_cycle
    engagements = np.arange(cycle, dtype=np.int64)
    prediction = lash_map.predict(engagements)
    chances = lash_map.tightest_probability
    angles = [lash_map.gear_set.gear_angle_deg(one) for one in range(cycle)]
    known = chances.tolist() if len(chances) == cycle else [None] * cycle
    figures = (engagements, angles, prediction.backlash_mm, prediction.standard_uncertainty_mm, known)
    return list(zip(*(np.asarray(one, dtype=object).tolist() for one in figures), strict=True))


def _part(member: str, meaning: str) -> Group:
    return Group(member, meaning, RUNOUT, f"lash_map.{member}_runout")


SECTION = Section(
    figures=(
        Group(
            "runout",
            "once-per-turn parts of the lash map",
            (
                _part("gear", "the gear's part; null when it does not stand by itself or nothing was fitted"),
                _part(
                    "pinion", "the pinion's part; null when it does not stand by itself or nothing was fitted"
                ),
                _part("merged", "in a 1:1 set the sum of both members' parts; otherwise null"),
                Group(
                    "separable",
                    "which parts the positions can tell apart; null when nothing was fitted",
                    SEPARABLE,
                    "lash_map.separable",
                ),
            ),
            WHOLE,
        ),
        Group(
            "lash_map",
            "the fitted lash map; null when the usable positions do not allow a fit",
            (
                text("terms", "terms that were fitted", "lash_map.terms"),
                *(one.under("lash_map") for one in MAP),
                text("cause", "which side moves the tight spot", "lash_map.cause"),
                text("remarks", "sentences for the technician: outliers, what is merged", remarks_of),
            ),
            lambda assessment: assessment if assessment.lash_map else None,
        ),
    ),
    results=(
        *(one.under("lash_map") for one in MAP),
        *(
            one.under(
                f"lash_map.{member}_runout",
                name=f"{member}_runout_{name}",
                meaning=f"{member} runout: {one.meaning}",
            )
            for member in ("gear", "pinion", "merged")
            for name in _EXPORTED
            for one in RUNOUT
            if one.name == name
        ),
    ),
    tables=(
        Table(
            name="lash_map",
            meaning="one engagement of the mesh cycle in the fitted lash map; no row without a fit",
            key=("test", "engagement"),
            columns=(
                TEST,
                whole("engagement", "gear teeth past the matched teeth, 0 to the mesh cycle less one", "0"),
                number(
                    "gear_angle_deg", "gear angle past the matched teeth, not wrapped", "1", required=True
                ),
                number(
                    "backlash_mm",
                    "normal backlash at the outer pitch radius, best estimate",
                    "2",
                    required=True,
                ),
                number(
                    "standard_uncertainty_mm",
                    "of that, tooth-to-tooth scatter included, the set-up's part not",
                    "3",
                    required=True,
                ),
                number("tightest_probability", "chance that this engagement is the tightest, 0 to 1", "4"),
            ),
            rows=_engagements,
        ),
    ),
)
