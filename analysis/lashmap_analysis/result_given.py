"""The part of the result document that the analysis was told: nothing in it is concluded.

Its keys are documented with all others in `result_keys.py`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from lashmap_analysis.record import TestRecord


def given(record: TestRecord) -> dict[str, Any]:
    """What the analysis was told, so that the document can be judged without the logbook."""
    gear_set, indicator, encoder, limits = record.gear_set, record.indicator, record.encoder, record.limits
    return {
        "preconditions": [
            {"name": p.name, "state": p.state, "detail": p.detail, "remedy": p.remedy}
            for p in record.preconditions
        ],
        "limits": {
            "minimum_mm": limits.minimum_mm,
            "maximum_mm": limits.maximum_mm,
            "variation_mm": limits.variation_mm,
            "kind": limits.kind,
            "source": limits.source,
        },
        "gear_set": {
            "pinion_teeth": gear_set.pinion_teeth,
            "gear_teeth": gear_set.gear_teeth,
            "outer_module_mm": gear_set.outer_module_mm,
            "face_width_mm": gear_set.face_width_mm,
            "normal_pressure_angle_deg": gear_set.normal_pressure_angle_deg,
            "mean_spiral_angle_deg": gear_set.mean_spiral_angle_deg,
            "shaft_angle_deg": gear_set.shaft_angle_deg,
            "cutter_radius_mm": gear_set.cutter_radius_mm,
        },
        "indicator": {
            "resolution_mm": indicator.resolution_mm,
            "touch_radius_mm": indicator.touch_radius_mm,
            "touch_radius_standard_uncertainty_mm": indicator.touch_radius_uncertainty_mm,
            "direction": indicator.direction,
            "off_normal_deg": indicator.off_normal_deg,
            "lever_deg": indicator.lever_deg,
            "angle_standard_uncertainty_deg": indicator.angle_uncertainty_deg,
            "on_arm": indicator.on_arm,
            "calibration_expanded_uncertainty_mm": indicator.calibration_uncertainty_mm,
        },
        "encoder": {
            "shaft": encoder.shaft,
            "resolution_deg": encoder.resolution_deg,
            "standard_uncertainty_deg": encoder.standard_uncertainty_deg,
        },
        "damage": list(record.damage),
        "left_out": list(record.left_out),
        "notes": [{"time_s": time_s, "text": text} for time_s, text in record.notes],
    }
