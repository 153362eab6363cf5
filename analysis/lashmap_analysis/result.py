"""The result document: an assessment as plain values, ready for JSON, and as a tidy table.

The names of the keys and the shape of the document are decided here; `result_keys.py` documents every key.
Nothing is computed: figures pass from the assessment as they are, in mm and degrees whatever the box's
paperwork uses, and what is not a finite number becomes null.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from lashmap_analysis.outlier_words import remarks_of
from lashmap_analysis.result_budget import budget_document
from lashmap_analysis.result_given import given
from lashmap_analysis.result_keys import KEYS, SCHEMA, TABLE_COLUMNS
from lashmap_analysis.result_review import review_document

if TYPE_CHECKING:
    import pandas as pd

    from lashmap_analysis.assessment import Assessment, PositionResult, SweepResult, TightSpotResult
    from lashmap_analysis.flags import Flag
    from lashmap_analysis.lash_map import LashMap, Runout

__all__ = ["KEYS", "SCHEMA", "key_paths", "positions_table", "to_document"]

Json = dict[str, Any]


def to_document(assessment: Assessment) -> Json:
    """Turn an assessment into nested dicts, lists and plain values that any JSON writer takes.

    Args:
        assessment: What was concluded.

    Returns:
        The document described key by key in `KEYS`. Lengths are in mm, angles in degrees. NaN and infinities
        are None, since JSON (RFC 8259) has no word for them.
    """
    record = assessment.record
    lash_map = assessment.lash_map
    verdict = assessment.verdict
    document: Json = {
        "schema": SCHEMA,
        "test": record.identity.test,
        "analysis_version": assessment.version,
        "closing": record.closing,
        "units": {"lengths": "mm", "angles": "deg", "times": "s", "paperwork": record.units},
        "identity": {
            name: getattr(record.identity, name)
            for name in ("box", "serial", "set_number", "stand", "operator", "started_utc", "remark", "seal")
        },
        "verdict": {
            "outcome": verdict.outcome,
            "reasons": list(verdict.reasons),
            "would_settle": list(verdict.would_settle),
            "cautions": list(verdict.cautions),
        },
        "tight_spot": {
            "measured": tight_spot_document(assessment.measured),
            "predicted": tight_spot_document(assessment.predicted),
            "stated": tight_spot_document(assessment.stated),
            "confirmed": assessment.confirmed,
            "cause": assessment.cause,
        },
        "runout": {
            "gear": _runout(lash_map.gear_runout if lash_map else None),
            "pinion": _runout(lash_map.pinion_runout if lash_map else None),
            "merged": _runout(lash_map.merged_runout if lash_map else None),
            "separable": _separable(lash_map),
        },
        "sweeps": [_sweep(sweep) for sweep in assessment.sweeps],
        "lash_map": _lash_map(lash_map, remarks_of(assessment)),
        "positions": [_position(position) for position in assessment.positions],
        "budget": budget_document(assessment.budget),
        "review": review_document(assessment.review),
        **given(record),
    }
    return {key: finite(value) for key, value in document.items()}


def key_paths(document: object, prefix: str = "") -> Iterator[str]:
    """Walk through a document and name every key as `KEYS` does, each as often as it occurs.

    Args:
        document: What `to_document` returned, or a part of it.
        prefix: Name of that part.

    Yields:
        For example ``positions[].reading_mm``. The free keys under ``numbers`` are named ``*``.
    """
    if isinstance(document, list):
        for item in document:
            yield from key_paths(item, f"{prefix}[]")
    elif isinstance(document, dict):
        free = prefix.endswith("numbers")
        for key, value in document.items():
            path = f"{prefix}.{'*' if free else key}".lstrip(".")
            yield path
            yield from key_paths(value, path)


def positions_table(assessment: Assessment) -> pd.DataFrame:
    """Tabulate the positions, one row each in the order of recording.

    Args:
        assessment: What was concluded.

    Returns:
        A frame with the columns of `TABLE_COLUMNS`: numbers as numbers (NaN where there is none), `flags` as
        one text with the names separated by ``; ``. It has its columns also when it has no rows.
    """
    import pandas as pd  # noqa: PLC0415  (290 ms that the start of the command line must not pay)

    rows = [_position(position) for position in assessment.positions]
    for row in rows:
        row["flags"] = "; ".join(row["flags"])
    frame = pd.DataFrame(rows, columns=list(TABLE_COLUMNS))
    return frame.astype(dict(TABLE_COLUMNS))


def tight_spot_document(spot: TightSpotResult | None) -> Json | None:
    """One way of seeing the tight spot; None stays None."""
    if spot is None:
        return None
    low, high = spot.interval_mm
    return {
        "engagement": spot.engagement,
        "gear_angle_deg": spot.gear_angle_deg,
        "normal_backlash_mm": spot.normal_backlash_mm,
        "standard_uncertainty_mm": spot.standard_uncertainty_mm,
        "expanded_uncertainty_mm": spot.expanded_uncertainty_mm,
        "interval_low_mm": low,
        "interval_high_mm": high,
    }


def _sweep(result: SweepResult) -> Json:
    sweep, match = result.sweep, result.match
    remainder = match.remainder if match else None
    return {
        "member": result.member,
        "refusal": result.refusal,
        "turns": sweep.turns if sweep else None,
        "fim_mm": sweep.fim_mm if sweep else None,
        "fim_standard_uncertainty_mm": sweep.fim_uncertainty_mm if sweep else None,
        "once_amplitude_mm": sweep.once.amplitude_mm if sweep else None,
        "once_standard_uncertainty_mm": sweep.once.standard_uncertainty_mm if sweep else None,
        "once_high_point_deg": sweep.once.high_point_deg if sweep else None,
        "once_high_point_standard_uncertainty_deg": sweep.once.high_point_uncertainty_deg if sweep else None,
        "turning_deg_per_s": result.turning_deg_per_s,
        "times_apart_standard_uncertainty_s": result.times_apart_uncertainty_s,
        "twice_amplitude_mm": sweep.twice.amplitude_mm if sweep else None,
        "rest_mm": sweep.rest_mm if sweep else None,
        "repeatability_mm": sweep.repeatability_mm if sweep else None,
        "lash_amplitude_mm": match.predicted_amplitude_mm if match else None,
        "lash_amplitude_standard_uncertainty_mm": match.standard_uncertainty_mm if match else None,
        "mesh_high_point_deg": match.mesh_high_point_deg if match else None,
        "explains": match.explains if match else None,
        "tight_spot_part_mm": result.tight_spot_part_mm,
        "tight_spot_depth_mm": result.tight_spot_depth_mm,
        "other_member": {
            "amplitude_mm": remainder.amplitude_mm,
            "high_point_deg": remainder.high_point_deg,
            "standard_uncertainty_mm": remainder.standard_uncertainty_mm,
        }
        if remainder
        else None,
        "sentence": result.sentence,
    }


def _runout(runout: Runout | None) -> Json | None:
    if runout is None:
        return None
    return {
        "amplitude_mm": runout.amplitude_mm,
        "high_point_deg": runout.high_point_deg,
        "standard_uncertainty_mm": runout.standard_uncertainty_mm,
        "fim_mm": runout.fim_mm,
        "high_point_standard_uncertainty_deg": runout.high_point_uncertainty_deg,
    }


def _separable(lash_map: LashMap | None) -> Json | None:
    if lash_map is None:
        return None
    separable = lash_map.separable
    return {
        "gear": separable.gear,
        "pinion": separable.pinion,
        "sentence": separable.sentence,
        "remedy": separable.remedy,
        "add_engagements": list(separable.add_engagements),
    }


def _lash_map(lash_map: LashMap | None, remarks: tuple[str, ...]) -> Json | None:
    if lash_map is None:
        return None
    return {
        "terms": list(lash_map.terms),
        "mean_mm": lash_map.mean_mm,
        "mean_standard_uncertainty_mm": lash_map.mean_uncertainty_mm,
        "loosest_mm": lash_map.loosest_mm,
        "variation_mm": lash_map.variation_mm,
        "variation_standard_uncertainty_mm": lash_map.variation_uncertainty_mm,
        "tooth_scatter_mm": lash_map.tooth_scatter_mm,
        "cause": lash_map.cause,
        "remarks": list(remarks),
    }


def _flag(flag: Flag) -> Json:
    return {
        "name": flag.name.value,
        "disabling": flag.disabling,
        "sentence": flag.sentence,
        "numbers": {key: float(value) for key, value in flag.numbers.items()},
    }


def _position(position: PositionResult) -> Json:
    """One position; what a refused rock would have read is no reading, and stays with its flags alone."""
    rock, usable = position.rock, position.normal_backlash_mm is not None

    def read(value: float | None) -> float | None:
        return value if usable else None

    return {
        "position": position.position,
        "engagement": position.engagement,
        "purpose": position.purpose,
        "attempt": position.attempt,
        "gear_angle_deg": position.gear_angle_deg,
        "usable": usable,
        "reading_mm": read(rock.reading_mm),
        "reading_standard_uncertainty_mm": read(rock.standard_uncertainty_mm),
        "degrees_of_freedom": read(rock.degrees_of_freedom),
        "normal_backlash_mm": position.normal_backlash_mm,
        "standard_uncertainty_mm": position.standard_uncertainty_mm,
        "reversals": rock.reversals,
        "spread_mm": read(rock.spread_mm),
        "peak_to_peak_mm": read(rock.peak_to_peak_mm),
        "drift_mm_per_s": rock.drift_mm_per_s,
        "encoder_backlash_mm": read(position.encoder_backlash_mm),
        "outlier": position.outlier,
        "flags": [flag.name.value for flag in position.flags],
        "flag_details": [_flag(flag) for flag in position.flags],
    }


def finite(value: object) -> object:
    """`value` with plain Python numbers in it and None for every number that is not finite."""
    if isinstance(value, dict):
        return {key: finite(item) for key, item in value.items()}
    if isinstance(value, list):
        return [finite(item) for item in value]
    if value is None or isinstance(value, str | bool):
        return value
    if isinstance(value, int):
        return int(value)
    if hasattr(value, "item"):  # a numpy scalar that slipped through a field typed as a plain number
        return finite(value.item())
    return float(value) if isinstance(value, float) and math.isfinite(value) else None
