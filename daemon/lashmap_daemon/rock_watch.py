"""A rock as it is recorded: measured a few times a second until it is good enough, or will never be.

What a rock gives is the analysis's (`measure_rock`); how long to wait for it is decided here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from lashmap_analysis.cross_check import disagreement, encoder_view
from lashmap_analysis.flags import Flag, FlagName
from lashmap_analysis.gear_set import GearSet
from lashmap_analysis.indicator import Indicator
from lashmap_analysis.record import Encoder, RockTrace
from lashmap_analysis.rock import RockReading, measure_rock
from lashmap_drivers.readings import Batch

from lashmap_daemon import arrival, events
from lashmap_daemon.channels import Channels
from lashmap_daemon.errors import StandError
from lashmap_daemon.rest_between import rest_before
from lashmap_daemon.sequence_words import Left, RockBad, RockGood
from lashmap_daemon.stand_file import ENCODER, INDICATOR

CHECK_S = 0.25  # how often the rock in hand is measured
# These do not heal by rocking on: once seen in a long enough rock, it is better to begin again.
_LASTING = {FlagName.SLIP, FlagName.OUT_OF_RANGE, FlagName.GAP_IN_SAMPLES}
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
    encoder, plan = started.stand.file.encoder, started.box.plan
    gear_set, indicator = started.box.gear_set.gear_set(), started.box.indicator(started.stand.file)
    arc_per_reading = indicator.arc_per_reading(gear_set)
    turn_mm = 2.0 * math.pi * started.box.tip.touch_radius_mm
    sees_rock = encoder.shaft == "gear"
    return RockSetting(
        gear_set=gear_set,
        indicator=indicator,
        encoder=started.stand.file.encoder_for_analysis(),
        reversals=plan.reversals,
        longest_s=plan.rock_seconds,
        resolution_mm=started.stand.file.indicator.resolution_mm,
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
        if enough and any(flag.name in _LASTING for flag in disabling):
            return RockBad((*sentences, *self._wire_errors()))
        if now_s - self.started_s > self._setting.longest_s:
            return RockBad((*(sentences or (self._too_few(reading.reversals),)), *self._wire_errors()))
        return None

    def _left(self, gear: Batch) -> str:
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
            times_apart_uncertainty_s=math.hypot(tip.time_uncertainty_s, shaft.time_uncertainty_s),
        )
        factor = setting.indicator.normal_per_reading(setting.gear_set)
        return disagreement(
            encoder_view(trace, reading, setting.encoder, setting.gear_set),
            backlash_mm=factor * reading.reading_mm,
            standard_uncertainty_mm=factor * reading.standard_uncertainty_mm,
            gear_set=setting.gear_set,
            indicator=setting.indicator,
        )

    def _too_few(self, reversals: int) -> str:
        return (
            f"{reversals} reversals in {self._setting.longest_s:.0f} s, {self._setting.reversals} are asked "
            "for; rock on evenly, flank to flank"
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
