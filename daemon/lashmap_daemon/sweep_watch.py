"""A runout sweep as it is turned: when it began, when it is complete, and whether it gives a runout.

It begins where the shaft starts to turn, so that the indicator can be set in peace before; a pause in turning
by hand is no end, a long rest begins it anew. What runout means is the analysis's (`measure_runout`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from lashmap_analysis.gear_set import GearSet
from lashmap_analysis.record import Shaft
from lashmap_analysis.runout import RunoutError, RunoutSweep, measure_runout
from lashmap_drivers.readings import Batch

from lashmap_daemon.channels import Channels

SETTLED_S = 0.5  # so long the shaft rests before a sweep can begin
_REST_S = 3.0  # a longer pause than anyone needs to move a hand along
_MOVED_DEG = 3.0  # more than a rock, less than anyone would miss of a turn
_RAGGED_DEG = 10.0  # turned further than asked, so that whole turns are left between ragged ends


@dataclass(frozen=True, kw_only=True)
class Swept:
    """A complete sweep.

    Attributes:
        start_s: Its first moment.
        end_s: Its last.
        sweep: The runout; None when there is none.
        reason: Why there is none.
    """

    start_s: float
    end_s: float
    sweep: RunoutSweep | None
    reason: str = ""


class SweepWatch:
    """Watches one sweep.

    Args:
        member: The member that is turned and touched.
        turns: Whole turns wanted.
        channels: The traces.
        gear_set: For the ratio.
        since_s: When it was asked for.
        resolution_mm: Of the indicator.
    """

    def __init__(
        self,
        member: Shaft,
        *,
        turns: int,
        channels: Channels,
        gear_set: GearSet,
        since_s: float,
        resolution_mm: float,
    ) -> None:
        self._channels = channels
        self._resolution_mm = resolution_mm
        self._member_per_gear = gear_set.gear_teeth / gear_set.pinion_teeth if member == "pinion" else 1.0
        self._wanted_deg = 360.0 * turns + _RAGGED_DEG
        self._since_s = since_s
        self._rest_deg: float | None = None  # where the shaft rested before the sweep; None until it did
        self._moving_s = since_s
        self._start_s: float | None = None
        self.turned_deg = 0.0

    def look(self, now_s: float) -> Swept | None:
        """Take what came; the complete sweep once the shaft has turned far enough."""
        recent = self._member_deg(max(now_s - SETTLED_S, self._since_s))
        if not len(recent):
            return None
        newest = float(recent.value[-1])
        moving = bool(np.ptp(recent.value) > _MOVED_DEG)
        if moving:
            self._moving_s = now_s
        if self._start_s is None:
            self._await_start(now_s, newest, moving=moving)
        elif now_s - self._moving_s > _REST_S:
            self._start_s, self._rest_deg, self.turned_deg = None, newest, 0.0
        elif self._rest_deg is not None:
            self.turned_deg = abs(newest - self._rest_deg)
            if self.turned_deg >= self._wanted_deg:
                return self._measure(self._start_s, self._channels.complete_until_s or now_s)
        return None

    def _await_start(self, now_s: float, newest: float, *, moving: bool) -> None:
        """A sweep starts from rest: what still turns when it is asked for is an older movement."""
        if not moving and now_s - max(self._moving_s, self._since_s) >= SETTLED_S:
            self._rest_deg = newest
        elif moving and self._rest_deg is not None:
            self._start_s, self._rest_deg = now_s, newest

    def _measure(self, start_s: float, end_s: float) -> Swept:
        angle = self._member_deg(start_s, end_s)
        indicator = self._channels.indicator(start_s, end_s)
        if not len(angle) or not len(indicator):
            reason = "an instrument gave no samples while the shaft was turned"
            return Swept(start_s=start_s, end_s=end_s, sweep=None, reason=reason)
        try:
            # Beyond the encoder's samples the angle is not known; the analysis leaves those out likewise.
            seen = (indicator.time_s >= angle.time_s[0]) & (indicator.time_s <= angle.time_s[-1])
            at_samples = np.interp(indicator.time_s[seen], angle.time_s, angle.value)
            sweep = measure_runout(at_samples, indicator.value[seen], resolution_mm=self._resolution_mm)
        except RunoutError as error:
            return Swept(start_s=start_s, end_s=end_s, sweep=None, reason=str(error))
        return Swept(start_s=start_s, end_s=end_s, sweep=sweep)

    def _member_deg(self, start_s: float, end_s: float = float("inf")) -> Batch:
        gear = self._channels.gear_deg(start_s, end_s)
        return replace(gear, value=gear.value * self._member_per_gear)
