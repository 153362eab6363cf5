"""A runout sweep of the record becomes a runout, held against the lash map's part of the same member.

Decided here: the member's angle at each indicator sample. What a runout is and whether it explains the lash
map is decided by `runout.py` and `runout_match.py`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.assessment import SweepResult
from lashmap_analysis.runout import RunoutError, measure_runout
from lashmap_analysis.runout_match import match_runout

if TYPE_CHECKING:
    from lashmap_analysis.lash_map import LashMap
    from lashmap_analysis.record import Floats, RunoutTrace, TestRecord


def sweep_result(trace: RunoutTrace, record: TestRecord, lash_map: LashMap | None) -> SweepResult:
    """Measure one sweep.

    Args:
        trace: The sweep.
        record: The test record, for the gear set, encoder, resolution and units.
        lash_map: The fitted map, or None.
    """
    try:
        sweep = measure_runout(
            member_angle_deg(trace, record), trace.indicator_mm, resolution_mm=record.indicator.resolution_mm
        )
    except RunoutError as error:
        return SweepResult(member=trace.member, sweep=None, refusal=str(error), match=None)
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
    return SweepResult(member=trace.member, sweep=sweep, refusal="", match=match)


def member_angle_deg(trace: RunoutTrace, record: TestRecord) -> Floats:
    """Angle of the swept member past the matched teeth at each indicator sample, shape (n,).

    Raises:
        RunoutError: The encoder gave no sample during the sweep.
    """
    if not len(trace.encoder_time_s):
        raise RunoutError("encoder_deg", 0, "samples of the encoder during the sweep")
    encoder = np.interp(trace.time_s, trace.encoder_time_s, trace.encoder_deg)
    if trace.member == record.encoder.shaft:
        return encoder
    ratio = record.gear_set.gear_teeth / record.gear_set.pinion_teeth
    return encoder * (ratio if trace.member == "pinion" else 1.0 / ratio)
