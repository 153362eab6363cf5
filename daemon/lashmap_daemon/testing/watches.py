"""The gear watched: has it arrived and stands still, is its rock good, is its runout sweep complete.

The gear is still when, in a short window, it moved by no more than a rock explains, and so did the tip (it
touches its tooth). The rock itself may already be going on. What a rock gives is the analysis's
(`measure_rock`); how long to wait for it is decided here.

Friction holds a gear anywhere in its lash. A rest between the flanks, before or after the rock, is left out:
taken for a dwell it looks as if a flank had moved. Leaving it out hides nothing: what remains is a rock that
began later, or ended earlier. A rest in the midst of a rock stays, for the analysis to judge.

A sweep begins where the shaft starts to turn, so that the indicator can be set in peace before; a pause in
turning by hand is no end, a long rest begins it anew. What runout means is the analysis's (`measure_runout`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.gears.indicator import Indicator
from lashmap_analysis.record.record import Encoder, Limits, RockTrace, Shaft
from lashmap_analysis.rock.cross_check import Beside, beside_encoders, of_encoder, seen_by_encoders
from lashmap_analysis.rock.flags import Flag, FlagName
from lashmap_analysis.rock.rock import RockReading, measure_rock
from lashmap_analysis.runout.sweep import RunoutError, RunoutSweep, measure_runout
from lashmap_drivers.readings import Floats, Samples

from lashmap_daemon.errors import StandError
from lashmap_daemon.replay.wire_errors import without_lone
from lashmap_daemon.sequence.sequence import Left, RockBad, RockGood
from lashmap_daemon.setup.stand_file import ENCODER
from lashmap_daemon.story import events
from lashmap_daemon.testing.channels import Channels

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
    return indicator is None or tip_rests(indicator, limits)


def tip_rests(indicator: Samples, limits: StillLimits) -> bool:
    """True when the tip rests on its tooth, which may be rocked already; false with too few samples."""
    if len(indicator) < _FEWEST_SAMPLES:
        return False
    tip_mm = without_lone(indicator.time_s, indicator.value, limits.tip_span_mm)
    return float(np.ptp(tip_mm)) <= limits.tip_span_mm


def is_near(gear_deg: Samples, target_deg: float, limits: StillLimits) -> bool:
    """True while the gear has not left the position."""
    middle = (float(np.max(gear_deg.value)) + float(np.min(gear_deg.value))) / 2.0
    return abs(middle - target_deg) <= limits.near_deg


PRESSES = 3  # samples of an indicator on its button that make a dwell; the analysis refuses fewer
CHECK_S = 0.25  # how often the rock in hand is measured
# These do not heal by rocking on: once seen in a long enough rock, it is better to begin again.
_LASTING = {
    FlagName.SLIP,
    FlagName.OUT_OF_RANGE,
    FlagName.GAP_IN_SAMPLES,
    FlagName.FLANK_NOT_REACHED,
}
# Rocking on as before does not mend these: said at once, while rocking otherwise may still mend the rock.
_ADVISED = _LASTING | {FlagName.FLANK_NOT_SETTLED, FlagName.UNSTEADY_FLANK}
_ADVISE_S = 1.5  # so long one of them lasts before it is said: the first dwells settle meanwhile
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
        encoder: Where it sits and how fine it is; None where teeth are counted.
        pinion_encoder: The second one, on the pinion; None on a stand with one.
    """

    gear_set: GearSet
    indicator: Indicator
    encoder: Encoder | None
    pinion_encoder: Encoder | None
    reversals: int
    longest_s: float
    resolution_mm: float
    counts_per_mm: float
    still: StillLimits


def setting_of(started: events.TestStarted, still: StillLimits) -> RockSetting:
    """What the plan of a test asks of a rock, and what its encoder should see of it."""
    encoder, on_pinion, plan = started.stand.encoder, started.stand.pinion_encoder, started.box.plan
    gear_set, indicator = started.box.gear_set.gear_set(), started.box.indicator(started.stand)
    arc_per_reading = indicator.arc_per_reading(gear_set)
    turn_mm = 2.0 * math.pi * started.box.tip.touch_radius_mm
    counts_per_turn = encoder.counts_per_turn if encoder is not None and encoder.shaft == "gear" else 0
    return RockSetting(
        gear_set=gear_set,
        indicator=indicator,
        encoder=started.stand.encoder_for_analysis(),
        pinion_encoder=None if on_pinion is None else on_pinion.for_analysis(),
        reversals=plan.reversals,
        longest_s=plan.rock_seconds,
        resolution_mm=indicator.resolution_mm,
        counts_per_mm=arc_per_reading / turn_mm * counts_per_turn,
        still=still,
    )


class RockWatch:
    """Watches one rock."""

    def __init__(
        self, setting: RockSetting, *, channels: Channels, target_deg: float, started_s: float
    ) -> None:
        self._setting = setting
        self._channels = channels
        self._target_deg = target_deg
        self.started_s = started_s
        self.begins_s = started_s  # of the rock itself: a rest between the flanks before it is no part of it
        self.checked_s = started_s
        self.end_s = started_s  # newest sample measured: whoever decodes again must find the same ones
        self.reading: RockReading | None = None
        self.gear_deg: float | None = None  # middle of its way, once the rock was found good
        self.beside: Beside | None = None  # what the encoders say of it, once the rock was found good
        self.advice = ""  # what to do otherwise, once it can be told that this rock will be refused
        self._flagged_s: dict[FlagName, float] = {}
        self._before = {name: channels.tally(name) for name in channels.monitors}

    def update(self, now_s: float) -> RockGood | RockBad | Left | None:
        """Take what came; None while the rock goes on.

        Raises:
            StandError: When a gear-side encoder stands still while the indicator sees the gear rock.
        """
        if now_s - self.checked_s < CHECK_S:
            return None
        gear = self._channels.gear_deg(now_s - WINDOW_S)
        if len(gear) and not is_near(gear, self._target_deg, self._setting.still):
            off_deg = float(np.max(np.abs(gear.value - self._target_deg)))
            left = f"the gear left the position while the rock was recorded, by {off_deg:.1f}°"
            return Left((left, *self._wire_errors()))
        trace = self._channels.indicator(self.started_s)
        rested = rest_before(trace.time_s, trace.value)
        self.begins_s = float(trace.time_s[rested]) if rested else self.started_s
        reading = measure_rock(
            trace.time_s[rested:], trace.value[rested:], resolution_mm=self._setting.resolution_mm
        )
        reading = of_encoder(reading) if self._setting.indicator.is_encoder else reading
        self.reading, self.checked_s = reading, now_s
        self.end_s = float(trace.time_s[-1]) if len(trace) else now_s
        enough = reading.reversals >= self._setting.reversals
        if reading.usable and enough:
            return self._unless_unseen(now_s, reading)
        disabling = [flag for flag in reading.flags if flag.disabling]
        self._advise(disabling, now_s)
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
            too_few = (
                f"{reading.reversals} reversals in {self._setting.longest_s:.0f} s, "
                f"{self._setting.reversals} are asked for; rock on evenly, flank to flank"
            )
            return RockBad((*(sentences or (too_few,)), *self._wire_errors()))
        return None

    def _advise(self, disabling: list[Flag], now_s: float) -> None:
        self._flagged_s = {flag.name: self._flagged_s.get(flag.name, now_s) for flag in disabling}
        lasting = (
            flag.sentence
            for flag in disabling
            if flag.name in _ADVISED and now_s - self._flagged_s[flag.name] >= _ADVISE_S
        )
        self.advice = self.advice or next(lasting, "")

    def _wire_errors(self) -> tuple[str, ...]:
        """Bad lines within a refused rock: they come from the same seconds, so any of them counts."""
        said = (
            self._channels.wire_sentence(name, self._channels.tally(name).since(before), "during this rock")
            for name, before in self._before.items()
        )
        return tuple(text for text in said if text)

    @property
    def disagreement(self) -> Flag | None:
        """Of indicator and encoder, once the rock was found good."""
        flags = () if self.beside is None else self.beside.flags
        return next((one for one in flags if one.name is FlagName.INSTRUMENTS_DISAGREE), None)

    def _unless_unseen(self, now_s: float, reading: RockReading) -> RockGood | RockBad | None:
        """Good, unless an encoder saw the pinion turn.

        While the encoder is silent, whether the gear stayed is not known before it speaks again.
        """
        self.beside = self._beside(reading)
        if self._setting.encoder is None:  # nobody but the person knows where the gear is
            return RockGood()
        seen = self._channels.gear_deg(self.started_s)
        if not len(seen) or now_s - float(seen.time_s[-1]) > _FRESH_S:
            return None
        expected = reading.reading_mm * self._setting.counts_per_mm
        if expected >= _COUNTS_TO_SEE and np.ptp(seen.value) == 0.0:
            raise StandError(
                f"encoder on {self._channels.port(ENCODER)}: has not moved by a count while the indicator "
                f"saw the gear rock by {expected:.0f} counts. Check its coupling to the gear shaft, and "
                "encoder.shaft in the stand file."
            )
        self.gear_deg = (float(np.max(seen.value)) + float(np.min(seen.value))) / 2.0
        against = tuple(flag.sentence for flag in self.beside.flags if flag.disabling)
        return RockBad((*against, *self._wire_errors())) if against else RockGood()

    def _beside(self, reading: RockReading) -> Beside:
        """What the encoders say of the same rock, as the result will say it."""
        setting, channels = self._setting, self._channels
        tip, shaft, pinion = (
            one(self.begins_s, self.end_s)
            for one in (channels.indicator, channels.encoder_deg, channels.pinion_deg)
        )
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
            pinion_time_s=pinion.time_s,
            pinion_deg=pinion.value,
        )
        view = seen_by_encoders(
            trace,
            reading,
            gear_set=setting.gear_set,
            indicator=setting.indicator,
            encoder=setting.encoder,
            pinion_encoder=setting.pinion_encoder,
        )
        return beside_encoders(view, reading, gear_set=setting.gear_set, indicator=setting.indicator)

    def _of_presses(self, presses: int) -> str:
        """What a rock needs of an indicator that sends on its button."""
        asked, longest_s = self._setting.reversals + 1, self._setting.longest_s
        return (
            f"the indicator sends on its button, and {presses} presses came in {longest_s:.0f} s; hold the "
            f"gear on a flank and press {PRESSES} times or more, then on the other, {asked} flanks in all. "
            "plan.rock_seconds in the box file sets how long there is for it"
        )


SETTLED_S = 0.5  # so long the shaft rests before a sweep can begin
_REST_S = 3.0  # a longer pause than anyone needs to move a hand along
_MOVED_DEG = 3.0  # more than a rock, less than anyone would miss of a turn
_RAGGED_DEG = 10.0  # turned further than asked, so that whole turns are left between ragged ends


@dataclass(frozen=True, kw_only=True)
class Swept:
    """A complete sweep.

    ``reason`` says why there is no runout.
    """

    start_s: float
    end_s: float
    sweep: RunoutSweep | None
    reason: str = ""


class SweepWatch:
    """Watches one sweep.

    ``member`` is turned, by ``turns`` whole turns, and touched.
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
        self.member = member
        self._channels = channels
        self._resolution_mm = resolution_mm
        self._member_per_gear = gear_set.gear_teeth / gear_set.pinion_teeth if member == "pinion" else 1.0
        self._wanted_deg = 360.0 * turns + _RAGGED_DEG
        self._since_s = since_s
        self._rest_deg: float | None = None  # where the shaft rested before the sweep; None until it did
        self._moving_s = since_s
        self._start_s: float | None = None
        self.turned_deg = 0.0

    def update(self, now_s: float) -> Swept | None:
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
        sweep, reason = None, ""
        if not len(angle) or not len(indicator):
            reason = "an instrument gave no samples while the shaft was turned"
        else:
            # Beyond the encoder's samples the angle is not known; the analysis leaves those out likewise.
            seen = (indicator.time_s >= angle.time_s[0]) & (indicator.time_s <= angle.time_s[-1])
            at_samples = np.interp(indicator.time_s[seen], angle.time_s, angle.value)
            try:
                sweep = measure_runout(at_samples, indicator.value[seen], resolution_mm=self._resolution_mm)
            except RunoutError as error:
                reason = str(error)
        return Swept(start_s=start_s, end_s=end_s, sweep=sweep, reason=reason)

    def _member_deg(self, start_s: float, end_s: float = float("inf")) -> Samples:
        gear = self._channels.gear_deg(start_s, end_s)
        return replace(gear, value=gear.value * self._member_per_gear)
