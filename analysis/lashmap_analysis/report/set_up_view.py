"""What the analysis was told about set, indicator, encoder and limits, as lists of facts."""

from __future__ import annotations

from lashmap_analysis.assessment import Assessment
from lashmap_analysis.lengths import format_length, format_spread
from lashmap_analysis.report.sheet import limit_words

Facts = tuple[tuple[str, str], ...]


def provenance(assessment: Assessment) -> tuple[tuple[str, Facts], ...]:
    """List, under titles, what a reviewer needs to repeat the analysis."""
    return (
        ("Gear set", _gear_set(assessment)),
        ("Indicator", _indicator(assessment)),
        ("Encoder", _encoder(assessment)),
        ("Limits", limit_words(assessment)),
        ("Analysis", _analysis(assessment)),
    )


def _gear_set(assessment: Assessment) -> Facts:
    gear_set, units = assessment.record.gear_set, assessment.record.units
    cutter = gear_set.cutter_radius_mm
    return (
        ("teeth, pinion : gear", f"{gear_set.pinion_teeth} : {gear_set.gear_teeth}"),
        ("outer module", format_length(gear_set.outer_module_mm, units)),
        ("face width", format_length(gear_set.face_width_mm, units)),
        ("normal pressure angle", f"{gear_set.normal_pressure_angle_deg:g}°"),
        ("mean spiral angle", f"{gear_set.mean_spiral_angle_deg:g}°"),
        ("shaft angle", f"{gear_set.shaft_angle_deg:g}°"),
        ("cutter radius", "not given" if cutter is None else format_length(cutter, units)),
    )


def _indicator(assessment: Assessment) -> Facts:
    indicator, units = assessment.record.indicator, assessment.record.units
    radius = format_length(indicator.touch_radius_mm, units, with_unit=False)
    u_radius = format_spread(indicator.touch_radius_uncertainty_mm, units)
    rows = [
        ("direction", indicator.direction),
        ("angle off it", f"{indicator.off_normal_deg:g}°, u = {indicator.angle_uncertainty_deg:g}°"),
        ("tip", "plunger" if indicator.lever_deg is None else f"lever, inclined {indicator.lever_deg:g}°"),
        ("touches", "arm on the gear shaft" if indicator.on_arm else "tooth"),
        ("touch radius", f"{radius}, u = {u_radius}"),
        ("resolution", format_spread(indicator.resolution_mm, units)),
        ("calibration, U (k = 2)", format_spread(indicator.calibration_uncertainty_mm, units)),
    ]
    return tuple(rows)


def _encoder(assessment: Assessment) -> Facts:
    encoder = assessment.record.encoder
    return (
        ("sits on", f"{encoder.shaft} shaft"),
        ("one count", f"{encoder.resolution_deg:.5g}°"),
        ("u of a difference", f"{encoder.standard_uncertainty_deg:.3g}°"),
    )


def _analysis(assessment: Assessment) -> Facts:
    identity, positions = assessment.record.identity, assessment.positions
    usable = sum(p.normal_backlash_mm is not None for p in positions)
    rows = [
        ("version", assessment.version),
        ("positions", f"{len(positions)} recorded, {usable} usable" + _without_rock(assessment)),
        ("test ended", assessment.record.closing),
        ("seal of the record (SHA-256)", identity.seal or "none: the test is not sealed"),
        ("lengths", "inches" if assessment.record.units == "in" else "millimetres"),
    ]
    if identity.remark:
        rows.append(("remark", identity.remark))
    return tuple(rows)


def _without_rock(assessment: Assessment) -> str:
    count = len(assessment.record.left_out)
    return f", {count} left out" if count else ""
