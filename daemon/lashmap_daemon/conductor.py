"""The conductor leads one test: samples and commands in, events out.

It holds no port, file, screen or clock: `tick` is told the time and given the bytes, so that a live test, a
test in virtual time and a benchmark run the same code. Decisions about order are the sequence's, decisions
about numbers the analysis's; here they meet.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from lashmap_analysis.flags import FlagName
from lashmap_analysis.rock import RockReading, measure_rock
from lashmap_drivers.readings import Chunk

from lashmap_daemon import arrival, events, sequence
from lashmap_daemon.channels import Channels
from lashmap_daemon.errors import StandError
from lashmap_daemon.finding import Measured, find_tight_spot
from lashmap_daemon.sequence import Phase
from lashmap_daemon.stand_file import ENCODER, INDICATOR

CHECK_S = 0.25  # how often the rock in hand is measured
# These do not heal by rocking on: once seen in a long enough rock, it is better to begin again.
_LASTING = {FlagName.SLIP, FlagName.OUT_OF_RANGE, FlagName.GAP_IN_SAMPLES}
_COUNTS_TO_SEE = 4  # an encoder that should have seen this many counts and saw none is not turning


@dataclass(frozen=True, kw_only=True)
class RockInHand:
    """The rock being recorded, as last measured."""

    started_s: float
    checked_s: float
    reading: RockReading | None


class Conductor:
    """One test from the first position to the closing record.

    Args:
        started: The start record; box, stand and plan come from it.
        channels: Decoded traces; `Channels.matched_encoder_deg` must be set before the first tick.
        emit: Called with every event, in order.
        keep: Called with every raw chunk before it is decoded.
    """

    def __init__(
        self,
        started: events.TestStarted,
        channels: Channels,
        *,
        emit: Callable[[events.Event], None],
        keep: Callable[[str, list[Chunk]], None],
    ) -> None:
        self.box = started.box
        self.channels = channels
        self.gear_set = started.box.gear_set.gear_set()
        self._resolution_mm = started.stand.file.indicator.resolution_mm
        indicator = started.box.indicator(started.stand.file)
        self._normal_per_reading = indicator.normal_per_reading(self.gear_set)
        self._arc_per_normal = indicator.arc_per_reading(self.gear_set) / self._normal_per_reading
        self._stand = started.stand
        self._still = arrival.still_limits(self.gear_set, started.box.limits_for_analysis())
        self._emit = emit
        self._keep = keep
        self._now_s = 0.0
        self._asked_s = 0.0
        self._moved = False
        self.rock: RockInHand | None = None
        self.accepted: dict[int, events.RockAccepted] = {}
        self.predicted: events.TightSpotPredicted | None = None
        self.state, self._pending = sequence.begin(started.planned, tries=started.box.plan.tries)

    @property
    def closed(self) -> bool:
        """True once the closing record was emitted."""
        return self.state.phase is Phase.CLOSED

    def tick(self, now_s: float, chunks: dict[str, list[Chunk]]) -> None:
        """Take what came since the last tick and act on it.

        Args:
            now_s: Seconds since the test started.
            chunks: Raw chunks by channel, arrival times in the same seconds.

        Raises:
            StandError: When the stand cannot go on (an encoder that does not turn).
            InstrumentError: When an instrument fell silent.
        """
        self._now_s = now_s
        for name, some in chunks.items():
            self._keep(name, some)
            self.channels.feed(name, some)
        if self.closed:
            return
        if self._pending:
            self._act(self._pending)
            self._pending = ()
        for name in (INDICATOR, ENCODER):
            failure = self.channels.failure(name, now_s, 0.0)
            if failure:
                raise failure
        if self.state.phase is Phase.TURNING:
            self._watch_arrival()
        elif self.state.phase is Phase.ROCKING:
            self._watch_rock()

    def happen(self, happened: sequence.Input) -> None:
        """Take an input of the operator or of this object into the sequence."""
        self.state, actions = sequence.step(self.state, happened)
        self._act(actions)

    def note(self, text: str) -> None:
        """Keep the operator's words."""
        self._emit(events.NoteTaken(text=text))

    # What the samples say ------------------------------------------------------------------------------

    def _watch_arrival(self) -> None:
        if self._now_s - self._asked_s < arrival.WINDOW_S:
            return
        since_s = self._now_s - arrival.WINDOW_S
        gear = self.channels.gear_deg(since_s)
        if arrival.is_still(gear, self.channels.indicator(since_s), self._target_deg(), self._still):
            self.happen(sequence.Arrived())
            return
        if len(gear) and np.ptp(gear.value) > self._still.gear_span_deg:
            self._moved = True
        limit_s = self.box.plan.turn_seconds
        if not self._moved and self._now_s - self._asked_s > limit_s:
            port = self.channels.port(ENCODER)
            raise StandError(
                f"encoder on {port}: has not moved for {limit_s:.0f} s while the gear was to turn to "
                f"{self._target_deg():.1f}°. Check that its shaft turns with the "
                f"{self._stand.file.encoder.shaft} and that its cable is whole; plan.turn_seconds in the box "
                "file sets how long to wait."
            )

    def _watch_rock(self) -> None:
        rock = self.rock
        if rock is None or self._now_s - rock.checked_s < CHECK_S:
            return
        gear = self.channels.gear_deg(self._now_s - arrival.WINDOW_S)
        if len(gear) and not arrival.is_near(gear, self._target_deg(), self._still):
            self.happen(sequence.Left())
            return
        trace = self.channels.indicator(rock.started_s)
        reading = measure_rock(trace.time_s, trace.value, resolution_mm=self._resolution_mm)
        self.rock = RockInHand(started_s=rock.started_s, checked_s=self._now_s, reading=reading)
        enough = reading.reversals >= self.box.plan.reversals
        disabling = [flag for flag in reading.flags if flag.disabling]
        if reading.usable and enough:
            self._refuse_frozen_encoder(reading)
            self.happen(sequence.RockGood())
        elif enough and any(flag.name in _LASTING for flag in disabling):
            self.happen(sequence.RockBad(tuple(flag.sentence for flag in disabling)))
        elif self._now_s - rock.started_s > self.box.plan.rock_seconds:
            few = f"{reading.reversals} reversals in {self.box.plan.rock_seconds:.0f} s"
            wanted = f"{few}, {self.box.plan.reversals} are asked for; rock on evenly, flank to flank"
            self.happen(sequence.RockBad(tuple(flag.sentence for flag in disabling) or (wanted,)))

    def _refuse_frozen_encoder(self, reading: RockReading) -> None:
        """A gear-side encoder must see the rock that the indicator sees."""
        rock = self.rock
        if self._stand.file.encoder.shaft != "gear" or rock is None:
            return
        arc_mm = reading.reading_mm * self._normal_per_reading * self._arc_per_normal
        seen = self.channels.gear_deg(rock.started_s)
        expected_counts = (
            np.degrees(arc_mm / self.box.tip.touch_radius_mm)
            / 360.0
            * self._stand.file.encoder.counts_per_turn
        )
        if expected_counts >= _COUNTS_TO_SEE and len(seen) and np.ptp(seen.value) == 0.0:
            raise StandError(
                f"encoder on {self.channels.port(ENCODER)}: has not moved by a count while the indicator "
                f"saw the gear rock by {expected_counts:.0f} counts. Check its coupling to the gear "
                "shaft, and encoder.shaft in the stand file."
            )

    # What the sequence wants ---------------------------------------------------------------------------

    def _act(self, actions: Iterable[sequence.Action]) -> None:
        for action in actions:
            match action:
                case sequence.Ask(target):
                    self._asked_s = self._now_s
                    self._moved = False
                    self.rock = None
                    turn_teeth = target.engagement - self._engagement_now()
                    self._emit(
                        events.PositionAsked(
                            number=target.number,
                            engagement=target.engagement,
                            gear_angle_deg=self.gear_set.gear_angle_deg(target.engagement),
                            turn_teeth=turn_teeth,
                            turn_deg=self.gear_set.gear_angle_deg(turn_teeth),
                            purpose=target.purpose,
                            attempt=target.attempt,
                            reason=target.reason,
                        )
                    )
                case sequence.BeginRock(target):
                    self.rock = RockInHand(started_s=self._now_s, checked_s=self._now_s, reading=None)
                    self._emit(
                        events.RockStarted(
                            number=target.number, engagement=target.engagement, start_s=self._now_s
                        )
                    )
                case sequence.Accept(target):
                    self._accept(target)
                case sequence.Refuse(target, reasons):
                    self._emit(
                        events.RockRefused(
                            number=target.number,
                            engagement=target.engagement,
                            attempt=target.attempt,
                            start_s=self.rock.started_s if self.rock else self._now_s,
                            end_s=self._now_s,
                            reasons=reasons,
                        )
                    )
                case sequence.LeaveOut(target, reason):
                    self.accepted.pop(target.number, None)
                    self._emit(
                        events.PositionSkipped(
                            number=target.number, engagement=target.engagement, reason=reason
                        )
                    )
                case sequence.Predict():
                    self._predict()
                case sequence.Close(outcome, reason):
                    self._emit(events.TestClosed(outcome=outcome, reason=reason))

    def _accept(self, target: sequence.Target) -> None:
        rock = self.rock
        if rock is None or rock.reading is None:
            raise RuntimeError("a rock was accepted that was not measured")
        reading = rock.reading
        accepted = events.RockAccepted(
            number=target.number,
            engagement=target.engagement,
            purpose=target.purpose,
            attempt=target.attempt,
            start_s=rock.started_s,
            end_s=rock.checked_s,
            reading_mm=reading.reading_mm,
            normal_backlash_mm=reading.reading_mm * self._normal_per_reading,
            standard_uncertainty_mm=reading.standard_uncertainty_mm * self._normal_per_reading,
            reversals=reading.reversals,
            flags=tuple(flag.name.value for flag in reading.flags),
        )
        self.accepted[target.number] = accepted
        self._emit(accepted)

    def _predict(self) -> None:
        found = find_tight_spot(
            self.gear_set,
            [
                Measured(
                    engagement=done.engagement,
                    purpose=done.purpose,
                    backlash_mm=done.normal_backlash_mm,
                    standard_uncertainty_mm=done.standard_uncertainty_mm,
                )
                for done in self.accepted.values()
            ],
            most=self.box.plan.confirming_positions,
            near=self._engagement_now(),
        )
        if found is None:
            self.note("The measured positions do not allow a lash map; no tight spot was predicted.")
            self.happen(sequence.Confirm(()))
            return
        self.predicted = events.TightSpotPredicted(
            engagement=found.tight_spot.engagement,
            gear_angle_deg=self.gear_set.gear_angle_deg(found.tight_spot.engagement),
            normal_backlash_mm=found.tight_spot.backlash_mm,
            low_mm=found.tight_spot.band_mm[0],
            high_mm=found.tight_spot.band_mm[1],
            ask=found.ask,
        )
        self._emit(self.predicted)
        self.happen(sequence.Confirm(found.ask))

    def _engagement_now(self) -> int:
        latest = self.channels.latest_gear_deg
        return round(latest[1] / 360.0 * self.gear_set.gear_teeth) if latest else 0

    def _target_deg(self) -> float:
        target = self.state.target
        return self.gear_set.gear_angle_deg(target.engagement) if target else 0.0
