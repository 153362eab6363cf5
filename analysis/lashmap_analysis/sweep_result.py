"""A runout sweep of the record becomes a runout, held against the lash map's part of the same member.

Decided here: the member's angle at each indicator sample, and what its runout takes at the tight spot. What a
runout is and whether it explains the lash map is decided by `runout.py` and `runout_match.py`.
"""

from __future__ import annotations

from math import cos, hypot, isnan, radians
from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.assessment import SweepResult
from lashmap_analysis.runout import RunoutError, measure_runout
from lashmap_analysis.runout_match import match_runout
from lashmap_analysis.sweep_time import time_sentence, turning_speed_deg_per_s
from lashmap_analysis.sweep_words import sweep_sentence, tight_spot_sentence

if TYPE_CHECKING:
    from lashmap_analysis.lash_map import LashMap
    from lashmap_analysis.record import Floats, RunoutTrace, Shaft, TestRecord
    from lashmap_analysis.runout_match import RunoutMatch

# Turned further than this between two encoder samples, the angle between them is not interpolated: the turn
# then has a hole, and a hole of 30 degrees is refused. A sweep turns about 200 degrees in a second, so that
# only a drop-out of the encoder comes near.
MOST_BETWEEN_DEG = 30.0


def sweep_result(trace: RunoutTrace, record: TestRecord, lash_map: LashMap | None) -> SweepResult:
    """Measure one sweep.

    Args:
        trace: The sweep.
        record: The test record, for the gear set, encoder, resolution and units.
        lash_map: The fitted map, or None.

    Returns:
        The result; without a runout, only its refusal. Samples that are no number, or at which nobody knows
        the angle, are left out; a turn with too many left out is refused.
    """
    try:
        angle = member_angle_deg(trace, record)
        known = np.isfinite(angle) & np.isfinite(trace.indicator_mm)
        speed = turning_speed_deg_per_s(trace.time_s[known], angle[known])
        stated = trace.times_apart_uncertainty_s
        sweep = measure_runout(
            angle[known],
            trace.indicator_mm[known],
            resolution_mm=record.indicator.resolution_mm,
            angle_uncertainty_deg=0.0 if isnan(stated) or isnan(speed) else speed * stated,
        )
    except RunoutError as error:
        refusal = f"needed is {error.expected}; the sweep has {error.got}."
        return SweepResult(member=trace.member, sweep=None, refusal=refusal, match=None, sentence=refusal)
    part = None
    if lash_map is not None:
        part = lash_map.gear_runout if trace.member == "gear" else lash_map.pinion_runout
    match = match_runout(
        sweep,
        part,
        gear_set=record.gear_set,
        shaft=trace.member,
        look="perpendicular to the pitch cone",
        indicator_past_mesh_deg=trace.indicator_from_mesh_deg,
        merged=lash_map.merged_runout if lash_map is not None else None,
        units=record.units,
    )
    words = [sweep_sentence(sweep, record.units), match.sentence, time_sentence(stated, speed)]
    taken = depth = None
    if lash_map is not None:
        taken, depth = _taken_mm(match, trace.member, lash_map), _depth_mm(lash_map)
        if taken is not None and depth > 0:
            known_to = hypot(
                0.0 if isnan(lash_map.mean_uncertainty_mm) else lash_map.mean_uncertainty_mm,
                lash_map.tight_spot.standard_uncertainty_mm,
            )
            words.append(tight_spot_sentence(taken, depth, known_to, record.units))
    return SweepResult(
        member=trace.member,
        sweep=sweep,
        refusal="",
        match=match,
        tight_spot_part_mm=taken,
        tight_spot_depth_mm=depth,
        sentence=" ".join(word for word in words if word),
        turning_deg_per_s=speed,
        times_apart_uncertainty_s=stated,
    )


def member_angle_deg(trace: RunoutTrace, record: TestRecord) -> Floats:
    """Angle of the swept member past the matched teeth at each indicator sample, shape (n,).

    NaN before the encoder's first sample, after its last, and in its drop-outs.

    Raises:
        RunoutError: The encoder gave fewer than two samples during the sweep.
    """
    usable = np.isfinite(trace.encoder_time_s) & np.isfinite(trace.encoder_deg)
    time_s = trace.encoder_time_s[usable]
    if len(time_s) < 2:
        raise RunoutError("encoder_deg", len(time_s), "at least two samples of the encoder during the sweep")
    teeth = {"gear": record.gear_set.gear_teeth, "pinion": record.gear_set.pinion_teeth}
    angle = trace.encoder_deg[usable] * (teeth[record.encoder.shaft] / teeth[trace.member])
    between = np.interp(trace.time_s, time_s, angle, left=np.nan, right=np.nan)
    after = np.clip(np.searchsorted(time_s, trace.time_s, side="left"), 1, len(time_s) - 1)
    between[np.abs(np.diff(angle))[after - 1] > MOST_BETWEEN_DEG] = np.nan
    return between


def _taken_mm(match: RunoutMatch, member: Shaft, lash_map: LashMap) -> float | None:
    """Backlash that the measured runout takes at the tight spot: A cos(θ − φ), θ the member's angle there."""
    if match.mesh_high_point_deg is None:
        return None
    gear_set = lash_map.gear_set
    teeth = gear_set.gear_teeth if member == "gear" else gear_set.pinion_teeth
    angle = 360.0 * lash_map.tight_spot.engagement / teeth
    return match.predicted_amplitude_mm * cos(radians(angle - match.mesh_high_point_deg))


def _depth_mm(lash_map: LashMap) -> float:
    return lash_map.mean_mm - lash_map.tight_spot.backlash_mm
