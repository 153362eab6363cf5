"""Rocks at three phases of the roll become a correction of every position, and of the budget's line.

Decided here: what the rocks a third of a pitch back and forward are compared with, the lash map at their
whole engagement, and how well either is known. What that says of the least within a pitch is decided in
`uncertainty/roll.py`. A third of a pitch away another pair of teeth may carry: what teeth differ by from one
to the next counts as scatter of these rocks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import hypot

import numpy as np

from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.judge.assessment import PositionResult
from lashmap_analysis.lash_map.lash_map import LashMap
from lashmap_analysis.lash_map.repeats import BELIEVED_MM
from lashmap_analysis.record.conditions import RollSeen
from lashmap_analysis.record.record import ROLLED, TestRecord
from lashmap_analysis.uncertainty.mesh_state import ROLL, correction_mm
from lashmap_analysis.uncertainty.roll import VARIATION_MM, roll_seen


def with_roll(
    record: TestRecord, measured: tuple[PositionResult, ...], lash_map: LashMap | None
) -> tuple[TestRecord, tuple[PositionResult, ...]] | None:
    """Record and positions once rocks at three phases of the roll say what it takes; None without them.

    Args:
        record: The test record.
        measured: Its positions.
        lash_map: Fitted to those that count in it; None when it could not be.
    """
    if lash_map is None:
        return None
    seen = [
        next((one for one in reversed(measured) if one.purpose == purpose and one.usable), None)
        for purpose in ROLLED
    ]
    back, forward = seen
    if back is None or forward is None:
        return None
    before, roll = record.conditions, _roll_of((back, forward), measured, lash_map, record)
    record = replace(record, conditions=replace(before, roll_seen=roll))
    shift = sum(
        sign * correction_mm(record.gear_set, record.indicator, one, of={ROLL})
        for sign, one in ((1.0, record.conditions), (-1.0, before))
    )
    return record, tuple(_moved(one, shift) if one.mapped else one for one in measured)


def _moved(position: PositionResult, shift_mm: float) -> PositionResult:
    normal, encoder = position.normal_backlash_mm, position.encoder_backlash_mm
    return replace(
        position,
        normal_backlash_mm=None if normal is None else normal + shift_mm,
        encoder_backlash_mm=None if encoder is None else encoder + shift_mm,
    )


def _roll_of(
    rocks: tuple[PositionResult, PositionResult],
    measured: Sequence[PositionResult],
    lash_map: LashMap,
    record: TestRecord,
) -> RollSeen:
    """What two rocks a third of a pitch away say, against the map and the angles of whole engagements."""
    whole = np.array([one.engagement for one in rocks], dtype=np.int64)
    predicted = lash_map.predict(whole)
    # The map holds what positions were corrected by for their roll; the two rocks were not corrected.
    at_whole = correction_mm(record.gear_set, record.indicator, record.conditions, of={ROLL})
    back, forward = (
        (one.normal_backlash_mm or 0.0) - (float(level) - at_whole)
        for one, level in zip(rocks, predicted.backlash_mm, strict=True)
    )
    # Where the other rocks stood within their pitch: the marks may have been brought together off a crest.
    offset = float(np.median([_in_pitches(one, record.gear_set) for one in measured if one.mapped]))
    first, other = (_in_pitches(one, record.gear_set) - offset for one in rocks)
    # Another pair of teeth may carry a third of a pitch away.
    setting = BELIEVED_MM if lash_map.setting is None else lash_map.setting.root_mean_square_mm
    scatter = hypot(setting, lash_map.tooth_scatter_mm)
    of_back, of_forward = (hypot(one.standard_uncertainty_mm or 0.0, scatter) for one in rocks)
    recorded = record.conditions.roll_variation_mm
    return roll_seen(
        (first, other),
        (back, forward),
        (of_back, of_forward),
        float(predicted.standard_uncertainty_mm.max()),
        variation_mm=VARIATION_MM if recorded is None else recorded,
    )


def _in_pitches(position: PositionResult, gear_set: GearSet) -> float:
    """How far the gear stood past the whole engagement."""
    return position.gear_angle_deg / gear_set.gear_angle_deg(1) - position.engagement
