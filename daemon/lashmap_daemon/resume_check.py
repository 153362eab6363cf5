"""After a resumption: does an earlier position, measured again, still give what it gave?

The same engagement brings the same two teeth together, so single tooth errors and runout cancel: what is left
is the uncertainty of two readings, the step of the indicator, and what a new placing of tip and gear does.
The angle at which the tip meets its tooth shows a reference that is off by a part of a tooth; one that is off
by whole teeth shows in the lash, where runout and tooth errors make it differ.
"""

from __future__ import annotations

import math

from lashmap_daemon import events

_COVERAGE = 3.0  # of the readings' standard uncertainties: few reversals have long tails
PLACING_MM = 0.001  # tip and gear placed anew, normal backlash (common practice, no source)
_PLACING_PITCH = 1.0 / 16.0  # of a tooth: the tip must come down on the same flank to give a reading at all


def compare(
    before: events.RockAccepted,
    again: events.RockAccepted,
    *,
    resolution_mm: float,
    pitch_deg: float,
    same_reference: bool,
) -> events.CheckedAgain:
    """Two rocks at one engagement, before and after.

    Args:
        before: As accepted before the interruption.
        again: As accepted now.
        resolution_mm: Of the indicator, as normal backlash.
        pitch_deg: One gear tooth.
        same_reference: The matched-teeth reference was carried over; one that was set anew may lie a part of
            a tooth elsewhere without anything being wrong.
    """
    uncertainty_mm = math.hypot(before.standard_uncertainty_mm, again.standard_uncertainty_mm)
    apart_deg = None
    if same_reference and before.gear_deg is not None and again.gear_deg is not None:
        apart_deg = again.gear_deg - before.gear_deg
    return events.CheckedAgain(
        number=again.number,
        of=before.number,
        difference_mm=again.normal_backlash_mm - before.normal_backlash_mm,
        allowed_mm=_COVERAGE * uncertainty_mm + resolution_mm + PLACING_MM,
        difference_deg=apart_deg,
        allowed_deg=_PLACING_PITCH * pitch_deg,
    )
