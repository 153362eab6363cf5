"""A gear at rest: has it arrived at its position, and which rest beside a rock is no dwell.

The gear is still when, in a short window, it moved by no more than a rock explains, and so did the tip (it
touches its tooth). The rock itself may already be going on.

Friction holds a gear anywhere in its lash. A rest between the flanks, before or after the rock, is left out:
taken for a dwell it looks as if a flank had moved. Leaving it out hides nothing: what remains is a rock that
began later, or ended earlier. A rest in the midst of a rock stays, for the analysis to judge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.record.record import Limits
from lashmap_drivers.readings import Floats, Samples

from lashmap_daemon.replay.wire_errors import without_lone

LEAST_S = 0.1
"""A shorter stay is part of a travel."""
_FROM_FLANKS = 0.15  # of the whole span, at least that far from both of its ends
_STILL = 0.1  # of the whole span, at most that far from where the rest began
_BEGINNING = 5  # samples whose median says where that was


def rest_before(time_s: Floats, value: Floats) -> int:
    """Count the samples at the beginning in which the gear rests between the flanks.

    Args:
        time_s: Shape (n,), increasing.
        value: Shape (n,), of the indicator.

    Returns:
        How many samples precede the first that moves; 0 where the recording begins on a flank, on the way, or
        where nothing was rocked yet.
    """
    if len(value) == 0:
        return 0
    low, high = float(np.min(value)), float(np.max(value))
    span, begun = high - low, float(np.median(value[:_BEGINNING]))
    if not low + _FROM_FLANKS * span < begun < high - _FROM_FLANKS * span:
        return 0
    moved = np.flatnonzero(np.abs(value - begun) > _STILL * span)
    first = int(moved[0])  # there is one: both ends of the span lie farther away
    return first if time_s[first] - time_s[0] >= LEAST_S else 0


def rest_after(time_s: Floats, value: Floats) -> int:
    """Count the samples at the end in which the gear rests between the flanks; as `rest_before`."""
    return rest_before(-time_s[::-1], value[::-1])


WINDOW_S = 0.4
_LONGEST_WINDOW_S = 1.5
_FEWEST_SAMPLES = 4
_LASH_WITHOUT_LIMIT_MM = 1.0  # largest lash the rock is meant for


@dataclass(frozen=True, kw_only=True)
class StillLimits:
    """How much movement a rock explains.

    Attributes:
        near_deg: Largest distance of the gear from the position, half a tooth being the next engagement.
        gear_span_deg: Largest movement of the gear in the window.
        tip_span_mm: Largest movement of the indicator in the window.
    """

    near_deg: float
    gear_span_deg: float
    tip_span_mm: float


def still_limits(gear_set: GearSet, limits: Limits) -> StillLimits:
    """Generous limits from the tooth pitch and the largest backlash allowed."""
    lash_mm = 3.0 * limits.maximum_mm if limits.maximum_mm else _LASH_WITHOUT_LIMIT_MM
    pitch_deg = 360.0 / gear_set.gear_teeth
    # A transverse lash is at most some 1.4 times the normal one, and the tip may sit off the pitch circle.
    lash_deg = float(np.degrees(2.0 * lash_mm / gear_set.outer_gear_pitch_radius_mm))
    return StillLimits(
        near_deg=pitch_deg / 4.0,
        gear_span_deg=min(lash_deg, pitch_deg / 4.0),
        tip_span_mm=2.0 * lash_mm,
    )


def window_s(rate_hz: float) -> float:
    """Length of the window for the slower instrument's samples a second: long enough to hold some of them."""
    if rate_hz <= 0.0:
        return _LONGEST_WINDOW_S
    return min(max((_FEWEST_SAMPLES + 1) / rate_hz, WINDOW_S), _LONGEST_WINDOW_S)


def rests(gear_deg: Samples, limits: StillLimits) -> bool:
    """True when the gear stands still; false as well when too few samples say so."""
    return len(gear_deg) >= _FEWEST_SAMPLES and float(np.ptp(gear_deg.value)) <= limits.gear_span_deg


def is_still(gear_deg: Samples, indicator: Samples | None, target_deg: float, limits: StillLimits) -> bool:
    """True when the gear rests at ``target_deg`` with the tip on its tooth.

    Args:
        gear_deg: Gear angle past the matched teeth over the last `WINDOW_S` or more.
        indicator: Indicator over the same time, mm; None when it says nothing between presses of its button.
        target_deg: Gear angle of the position.
        limits: What counts as still.
    """
    if not rests(gear_deg, limits) or not is_near(gear_deg, target_deg, limits):
        return False
    if indicator is None:
        return True
    if len(indicator) < _FEWEST_SAMPLES:
        return False
    tip_mm = without_lone(indicator.time_s, indicator.value, limits.tip_span_mm)
    return float(np.ptp(tip_mm)) <= limits.tip_span_mm


def is_near(gear_deg: Samples, target_deg: float, limits: StillLimits) -> bool:
    """True while the gear has not left the position."""
    middle = (float(np.max(gear_deg.value)) + float(np.min(gear_deg.value))) / 2.0
    return abs(middle - target_deg) <= limits.near_deg
