"""The runout sweeps: what was seen when a member was turned before the indicator, and what it explains."""

from __future__ import annotations

from lashmap_analysis.facts.figure import TEST, Group, Section, Table, number, text, whole, yes_no

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
)
