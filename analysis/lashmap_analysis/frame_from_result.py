"""The columns of an export that hold a figure of the result document, each with the key that it comes from.

Meanings are those of `result_keys.py`, so that a figure is documented once and cannot mean two things.
"""

from __future__ import annotations

from collections.abc import Mapping

from lashmap_analysis.frame_table import Column, Kind
from lashmap_analysis.result_keys import KEYS

# Columns of the table of tests and the key of the result document that means the same.
GIVEN: Mapping[str, tuple[Kind, str]] = {
    **{
        name: ("string", f"identity.{name}")
        for name in ("box", "serial", "set_number", "stand", "operator", "started_utc", "remark", "seal")
    },
    "closing": ("string", "closing"),
    "damage": ("string", "damage"),
    "left_out": ("string", "left_out"),
    "paperwork_units": ("string", "units.paperwork"),
    "pinion_teeth": ("integer", "gear_set.pinion_teeth"),
    "gear_teeth": ("integer", "gear_set.gear_teeth"),
    **{
        name: ("number", f"gear_set.{name}")
        for name in (
            "outer_module_mm",
            "face_width_mm",
            "normal_pressure_angle_deg",
            "mean_spiral_angle_deg",
            "shaft_angle_deg",
            "cutter_radius_mm",
        )
    },
    "indicator_resolution_mm": ("number", "indicator.resolution_mm"),
    "touch_radius_mm": ("number", "indicator.touch_radius_mm"),
    "touch_radius_standard_uncertainty_mm": ("number", "indicator.touch_radius_standard_uncertainty_mm"),
    "indicator_direction": ("string", "indicator.direction"),
    "off_normal_deg": ("number", "indicator.off_normal_deg"),
    "lever_deg": ("number", "indicator.lever_deg"),
    "angle_standard_uncertainty_deg": ("number", "indicator.angle_standard_uncertainty_deg"),
    "on_arm": ("boolean", "indicator.on_arm"),
    "calibration_expanded_uncertainty_mm": ("number", "indicator.calibration_expanded_uncertainty_mm"),
    "encoder_shaft": ("string", "encoder.shaft"),
    "encoder_resolution_deg": ("number", "encoder.resolution_deg"),
    "encoder_standard_uncertainty_deg": ("number", "encoder.standard_uncertainty_deg"),
    "limit_minimum_mm": ("number", "limits.minimum_mm"),
    "limit_maximum_mm": ("number", "limits.maximum_mm"),
    "limit_variation_mm": ("number", "limits.variation_mm"),
    "limit_kind": ("string", "limits.kind"),
    "limit_source": ("string", "limits.source"),
}

_SPOT = (
    "engagement",
    "gear_angle_deg",
    "normal_backlash_mm",
    "standard_uncertainty_mm",
    "expanded_uncertainty_mm",
    "interval_low_mm",
    "interval_high_mm",
)
_RUNOUT = ("amplitude_mm", "standard_uncertainty_mm", "high_point_deg", "fim_mm")
_WHOLE = {"engagement"}

FOUND: Mapping[str, tuple[Kind, str]] = {
    "analysis_version": ("string", "analysis_version"),
    "verdict": ("string", "verdict.outcome"),
    **{
        f"{way}_{name}": ("integer" if name in _WHOLE else "number", f"tight_spot.{way}.{name}")
        for way in ("stated", "predicted", "measured")
        for name in _SPOT
    },
    "confirmed": ("boolean", "tight_spot.confirmed"),
    "cause": ("string", "tight_spot.cause"),
    "review_signed": ("string", "review.signed"),
    "mean_mm": ("number", "lash_map.mean_mm"),
    "mean_standard_uncertainty_mm": ("number", "lash_map.mean_standard_uncertainty_mm"),
    "loosest_mm": ("number", "lash_map.loosest_mm"),
    "variation_mm": ("number", "lash_map.variation_mm"),
    "variation_standard_uncertainty_mm": ("number", "lash_map.variation_standard_uncertainty_mm"),
    "tooth_scatter_mm": ("number", "lash_map.tooth_scatter_mm"),
    **{
        f"{member}_runout_{name}": ("number", f"runout.{member}.{name}")
        for member in ("gear", "pinion", "merged")
        for name in _RUNOUT
    },
}

KINDS: Mapping[str, Kind] = {"int64": "integer", "float64": "number", "bool": "boolean", "object": "string"}
SWEEP: Mapping[str, Kind] = {
    "refusal": "string",
    "turns": "integer",
    "fim_mm": "number",
    "fim_standard_uncertainty_mm": "number",
    "once_amplitude_mm": "number",
    "once_standard_uncertainty_mm": "number",
    "once_high_point_deg": "number",
    "once_high_point_standard_uncertainty_deg": "number",
    "turning_deg_per_s": "number",
    "times_apart_standard_uncertainty_s": "number",
    "twice_amplitude_mm": "number",
    "rest_mm": "number",
    "repeatability_mm": "number",
    "lash_amplitude_mm": "number",
    "lash_amplitude_standard_uncertainty_mm": "number",
    "mesh_high_point_deg": "number",
    "explains": "boolean",
    "tight_spot_part_mm": "number",
    "tight_spot_depth_mm": "number",
    "sentence": "string",
}


def column(name: str, kind: Kind, path: str, *, required: bool = False) -> Column:
    """A column with the meaning that a key of the result document has."""
    return Column(name=name, kind=kind, meaning=KEYS[path], required=required or kind == "string")


def spot_column(name: str, kind: Kind, path: str) -> Column:
    """A column of the results; those that several parts share say whose they are."""
    part = next(
        (one for one in ("tight_spot.", "runout.") if path.startswith(one) and path.count(".") > 1), ""
    )
    whose = f"{name.split('_', 1)[0]} {part[:-1].replace('_', ' ')}: " if part else ""
    return Column(name=name, kind=kind, meaning=whose + KEYS[path], required=kind == "string")
