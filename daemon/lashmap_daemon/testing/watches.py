"""A rock as it is recorded: measured a few times a second until it is good enough, or will never be.

What a rock gives is the analysis's (`measure_rock`); how long to wait for it is decided here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.gears.indicator import Indicator
from lashmap_analysis.record.record import Encoder, RockTrace, Shaft
from lashmap_analysis.rock.cross_check import as_rocked_mm, disagreement, encoder_view
from lashmap_analysis.rock.flags import Flag, FlagName
from lashmap_analysis.rock.rock import RockReading, measure_rock
from lashmap_analysis.runout.sweep import RunoutError, RunoutSweep, measure_runout
from lashmap_drivers.readings import Samples

from lashmap_daemon.errors import StandError
from lashmap_daemon.sequence.words import Left, RockBad, RockGood
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR
from lashmap_daemon.story import events
from lashmap_daemon.testing import arrival
from lashmap_daemon.testing.arrival import rest_before
from lashmap_daemon.testing.channels import Channels

PRESSES = 3  # samples of an indicator on its button that make a dwell; the analysis refuses fewer
CHECK_S = 0.25  # how often the rock in hand is measured
# These do not heal by rocking on: once seen in a long enough rock, it is better to begin again.
_LASTING = {
    FlagName.SLIP,
    FlagName.OUT_OF_RANGE,
    FlagName.GAP_IN_SAMPLES,
    FlagName.FLANK_NOT_REACHED,
}
_COARSE_S = 10.0  # before that, what moves by a step or two may be an indicator that flickers at rest
_FRESH_S = 0.5  # four samples of the slowest encoder this is meant for
_COUNTS_TO_SEE = 4  # an encoder that should have seen this many counts and saw none is not turning


@dataclass(frozen=True, kw_only=True)
class RockSetting:
    """What a rock must give.

    Attributes:
        reversals: Fewest reversals.
        longest_s: How long to wait for them.
        resolution_mm: Of the indicator.
        counts_per_mm: Encoder counts for a mm of reading; 0 when the encoder cannot see the rock.
        still: How far from its position the gear may be.
        gear_set: The gear set under test.
        indicator: Its set-up; turns a reading into backlash.
        encoder: Where it sits and how fine it is.
    """

    gear_set: GearSet
    indicator: Indicator
    encoder: Encoder
    reversals: int
    longest_s: float
    resolution_mm: float
    counts_per_mm: float
    still: arrival.StillLimits


def setting_of(started: events.TestStarted, still: arrival.StillLimits) -> RockSetting:
    """What the plan of a test asks of a rock, and what its encoder should see of it."""
    encoder, plan = started.stand.encoder, started.box.plan
    gear_set, indicator = started.box.gear_set.gear_set(), started.box.indicator(started.stand)
    arc_per_reading = indicator.arc_per_reading(gear_set)
    turn_mm = 2.0 * math.pi * started.box.tip.touch_radius_mm
    sees_rock = encoder.shaft == "gear"
    return RockSetting(
        gear_set=gear_set,
        indicator=indicator,
        encoder=started.stand.encoder_for_analysis(),
        reversals=plan.reversals,
        longest_s=plan.rock_seconds,
        resolution_mm=started.stand.indicator.resolution_mm,
        counts_per_mm=arc_per_reading / turn_mm * encoder.counts_per_turn if sees_rock else 0.0,
        still=still,
    )


class RockWatch:
    """Watches one rock.

    Args:
        setting: What it must give.
        channels: The traces.
        target_deg: Gear angle of the position.
        started_s: When recording began.
    """

    def __init__(
        self, setting: RockSetting, *, channels: Channels, target_deg: float, started_s: float
    ) -> None:
        self._setting = setting
        self._channels = channels
        self._target_deg = target_deg
        self.started_s = started_s
        self.begins_s = started_s  # of the rock itself: a rest between the flanks before it is no part of it
        self.checked_s = started_s
        self.end_s = (
            started_s  # newest sample that was measured: whoever decodes again must find the same ones
        )
        self.reading: RockReading | None = None
        self.gear_deg: float | None = None  # middle of its way, once the rock was found good
        self.disagreement: Flag | None = None  # of indicator and encoder, once the rock was found good
        self._before = {name: channels.tally(name) for name in (INDICATOR, ENCODER)}

    def look(self, now_s: float) -> RockGood | RockBad | Left | None:
        """Take what came; None while the rock goes on.

        Raises:
            StandError: When a gear-side encoder stands still while the indicator sees the gear rock.
        """
        if now_s - self.checked_s < CHECK_S:
            return None
        gear = self._channels.gear_deg(now_s - arrival.WINDOW_S)
        if len(gear) and not arrival.is_near(gear, self._target_deg, self._setting.still):
            return Left((self._left(gear), *self._wire_errors()))
        trace = self._channels.indicator(self.started_s)
        rested = rest_before(trace.time_s, trace.value)
        self.begins_s = float(trace.time_s[rested]) if rested else self.started_s
        reading = measure_rock(
            trace.time_s[rested:], trace.value[rested:], resolution_mm=self._setting.resolution_mm
        )
        self.reading, self.checked_s = reading, now_s
        self.end_s = float(trace.time_s[-1]) if len(trace) else now_s
        enough = reading.reversals >= self._setting.reversals
        if reading.usable and enough:
            return self._unless_unseen(now_s, reading.reading_mm)
        disabling = [flag for flag in reading.flags if flag.disabling]
        sentences = tuple(flag.sentence for flag in disabling)
        coarse_lasts = now_s - self.begins_s > _COARSE_S
        if enough and any(
            flag.name in _LASTING or (flag.name is FlagName.COARSE_INDICATOR and coarse_lasts)
            for flag in disabling
        ):
            return RockBad((*sentences, *self._wire_errors()))
        if now_s - self.started_s > self._setting.longest_s:
            if self._channels.indicator_on_button:
                others = (one.sentence for one in disabling if one.name is not FlagName.UNDERSAMPLED_DWELL)
                sentences = (self._of_presses(len(trace)), *others)
            return RockBad((*(sentences or (self._too_few(reading.reversals),)), *self._wire_errors()))
        return None

    def _left(self, gear: Samples) -> str:
        off_deg = gear.value - self._target_deg
        furthest_deg = float(off_deg[np.argmax(np.abs(off_deg))])
        return f"the gear left the position while the rock was recorded, by {abs(furthest_deg):.1f}°"

    def _wire_errors(self) -> tuple[str, ...]:
        """Bad lines within a refused rock: they come from the same seconds, so any of them counts."""
        said = (
            self._channels.wire_sentence(name, self._channels.tally(name).since(before), "during this rock")
            for name, before in self._before.items()
        )
        return tuple(text for text in said if text)

    def _unless_unseen(self, now_s: float, reading_mm: float) -> RockGood | None:
        """Good, unless the encoder is silent: whether the gear stayed is not known before it speaks again."""
        seen = self._channels.gear_deg(self.started_s)
        if not len(seen) or now_s - float(seen.time_s[-1]) > _FRESH_S:
            return None
        self._refuse_frozen_encoder(reading_mm)
        self.gear_deg = (float(np.max(seen.value)) + float(np.min(seen.value))) / 2.0
        self.disagreement = self._disagreement()
        return RockGood()

    def _disagreement(self) -> Flag | None:
        """What indicator and encoder say of the same rock, as the result will compare them."""
        setting, channels, reading = self._setting, self._channels, self.reading
        if reading is None:
            return None
        tip, shaft = (one(self.begins_s, self.end_s) for one in (channels.indicator, channels.encoder_deg))
        trace = RockTrace(
            position=0,
            engagement=0,
            purpose="planned",
            time_s=tip.time_s,
            indicator_mm=tip.value,
            encoder_time_s=shaft.time_s,
            encoder_deg=shaft.value,
            times_apart_uncertainty_s=math.hypot(
                tip.largest_time_uncertainty_s, shaft.largest_time_uncertainty_s
            ),
        )
        factor = setting.indicator.normal_per_reading(setting.gear_set)
        return disagreement(
            encoder_view(trace, reading, setting.encoder, setting.gear_set),
            backlash_mm=as_rocked_mm(reading, setting.gear_set, setting.indicator),
            standard_uncertainty_mm=factor * reading.standard_uncertainty_mm,
            gear_set=setting.gear_set,
            indicator=setting.indicator,
        )

    def _too_few(self, reversals: int) -> str:
        return (
            f"{reversals} reversals in {self._setting.longest_s:.0f} s, {self._setting.reversals} are asked "
            "for; rock on evenly, flank to flank"
        )

    def _of_presses(self, presses: int) -> str:
        """What a rock needs of an indicator that sends on its button."""
        asked, longest_s = self._setting.reversals + 1, self._setting.longest_s
        return (
            f"the indicator sends on its button, and {presses} presses came in {longest_s:.0f} s; hold the "
            f"gear on a flank and press {PRESSES} times or more, then on the other, {asked} flanks in all. "
            "plan.rock_seconds in the box file sets how long there is for it"
        )

    def _refuse_frozen_encoder(self, reading_mm: float) -> None:
        seen = self._channels.gear_deg(self.started_s)
        expected = reading_mm * self._setting.counts_per_mm
        if expected >= _COUNTS_TO_SEE and len(seen) and np.ptp(seen.value) == 0.0:
            raise StandError(
                f"encoder on {self._channels.port(ENCODER)}: has not moved by a count while the indicator "
                f"saw the gear rock by {expected:.0f} counts. Check its coupling to the gear shaft, and "
                "encoder.shaft in the stand file."
            )


# A runout sweep as it is turned: when it began, when it is complete, and whether it gives a runout.
#
# It begins where the shaft starts to turn, so that the indicator can be set in peace before; a pause in
# turning by hand is no end, a long rest begins it anew. What runout means is the analysis's
# (`measure_runout`).


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

    def _member_deg(self, start_s: float, end_s: float = float("inf")) -> Samples:
        gear = self._channels.gear_deg(start_s, end_s)
        return replace(gear, value=gear.value * self._member_per_gear)
