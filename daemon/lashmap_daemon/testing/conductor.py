"""The conductor leads one test: samples and commands in, events out.

It holds no port, file, screen or clock: `tick` is given the time and the bytes, so that a live test, a test
in virtual time and a benchmark run the same code. The sequence decides about order, the analysis about
numbers; here they meet.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType

import numpy as np
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.gears.indicator import Indicator
from lashmap_analysis.lash_map.lash_map import LashMapError
from lashmap_analysis.record.record import Shaft
from lashmap_analysis.rock.cross_check import stated_mm
from lashmap_drivers.errors import FOR_GOOD
from lashmap_drivers.readings import Chunk

from lashmap_daemon.errors import ReferenceDisproved, StandError
from lashmap_daemon.replay.wire_errors import WireTally
from lashmap_daemon.sequence import sequence, words
from lashmap_daemon.sequence.resume import Resumption, compare
from lashmap_daemon.sequence.words import Phase, Sweep, Target
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR
from lashmap_daemon.story import events, marks
from lashmap_daemon.story.recorded import Box
from lashmap_daemon.story.wording import angle_text, mark_sentence
from lashmap_daemon.testing import arrival
from lashmap_daemon.testing.absences import Absences
from lashmap_daemon.testing.channels import Channels
from lashmap_daemon.testing.finding import Found, find_tight_spot, measured, settles
from lashmap_daemon.testing.watches import RockWatch, SweepWatch, Swept, setting_of


def position_asked(target: Target, gear_set: GearSet, stands_at: int) -> events.PositionAsked:
    """A position is asked for while the gear stands at engagement ``stands_at``."""
    turn_teeth = target.engagement - stands_at
    return events.PositionAsked(
        number=target.number,
        engagement=target.engagement,
        gear_angle_deg=gear_set.gear_angle_deg(target.engagement),
        turn_teeth=turn_teeth,
        turn_deg=gear_set.gear_angle_deg(turn_teeth),
        purpose=target.purpose,
        attempt=target.attempt,
        reason=target.reason,
    )


def rock_accepted(
    target: Target, rock: RockWatch | None, box: Box, indicator: Indicator
) -> events.RockAccepted:
    """A rock of ``box`` is kept, its reading as normal backlash."""
    if rock is None or rock.reading is None:
        raise RuntimeError("a rock was accepted that was not measured")
    reading = rock.reading
    flags = (*reading.flags, *([rock.disagreement] if rock.disagreement else []))
    gear_set = box.gear_set_in_contact()
    return events.RockAccepted(
        number=target.number,
        engagement=target.engagement,
        purpose=target.purpose,
        attempt=target.attempt,
        start_s=rock.begins_s,
        end_s=rock.end_s,
        reading_mm=reading.reading_mm,
        normal_backlash_mm=stated_mm(reading, gear_set, indicator, box.conditions()),
        standard_uncertainty_mm=indicator.normal_per_reading(gear_set) * reading.standard_uncertainty_mm,
        reversals=reading.reversals,
        flags=tuple(flag.name.value for flag in flags),
        gear_deg=rock.gear_deg,
    )


def rock_refused(
    target: Target, rock: RockWatch | None, reasons: tuple[str, ...], now_s: float
) -> events.RockRefused:
    """A rock is given up."""
    return events.RockRefused(
        number=target.number,
        engagement=target.engagement,
        attempt=target.attempt,
        start_s=rock.started_s if rock else now_s,
        end_s=now_s,
        reasons=reasons,
    )


def tight_spot_predicted(found: Found, gear_set: GearSet) -> events.TightSpotPredicted:
    """The lash map says where the tight spot is, and what to measure."""
    spot = found.tight_spot
    return events.TightSpotPredicted(
        engagement=spot.engagement,
        gear_angle_deg=gear_set.gear_angle_deg(spot.engagement),
        normal_backlash_mm=spot.backlash_mm,
        low_mm=spot.band_mm[0],
        high_mm=spot.band_mm[1],
        ask=found.ask,
    )


def sweep_recorded(sweep: Sweep, swept: Swept | None) -> events.SweepRecorded:
    """A sweep is kept."""
    if swept is None or swept.sweep is None:
        raise RuntimeError("a sweep was kept that was not measured")
    return events.SweepRecorded(
        member=sweep.member,
        start_s=swept.start_s,
        end_s=swept.end_s,
        fim_mm=swept.sweep.fim_mm,
        fim_uncertainty_mm=swept.sweep.fim_uncertainty_mm,
    )


_BOTH = (INDICATOR, ENCODER)
_NOBODY: Mapping[str, str] = MappingProxyType({})


class Conductor:
    """One test from the first position to the closing record.

    Args:
        started: The start record; box, stand and plan come from it.
        channels: Decoded traces; `Channels.count_from` must have been called before the first tick.
        emit: Called with every event, in order.
        keep: Called with every raw chunk before it is decoded.
        resumption: From where a test goes on that had ended early.
        go_on: The command that goes on with this test after it was closed, for messages.
    """

    def __init__(
        self,
        started: events.TestStarted,
        channels: Channels,
        *,
        emit: Callable[[events.Event], None],
        keep: Callable[[str, list[Chunk]], None],
        resumption: Resumption | None = None,
        go_on: str = "",
    ) -> None:
        self.box = started.box
        self.channels = channels
        self.gear_set = started.box.gear_set_in_contact()
        self._resolution_mm = started.stand.indicator.resolution_mm
        self._indicator = started.box.indicator(started.stand)
        self._stand = started.stand
        self._still = arrival.still_limits(self.gear_set, started.box.limits_for_analysis())
        self._rock_setting = setting_of(started, self._still)
        self._go_on = go_on or f"lashmap run STAND BOX --resume --test {started.test}"
        self._absences = Absences(
            channels,
            patience_s=started.stand.stand.reconnect_seconds,
            near_deg=self._still.near_deg,
            go_on=self._go_on,
        )
        self._emit = emit
        self._keep = keep
        self._resumption = resumption
        self._now_s = self._read_since_s = self._asked_s = resumption.first_s if resumption else 0.0
        self._break_due = resumption is not None  # the record ended in the middle of whatever came
        self._paused_s = 0.0
        self._moved = False
        self._marked: set[tuple[str, str]] = set()
        self._noted_wire: set[str] = set()
        self._disagree = False
        self._swept_from: dict[str, WireTally] = {}
        self.rock: RockWatch | None = None
        self.accepted: dict[int, events.RockAccepted] = dict(resumption.accepted) if resumption else {}
        self.predicted = resumption.predicted if resumption else None
        self.given_up_s = 0.0  # seconds of samples that could not be held while the disk was full
        self.sweep_watch: SweepWatch | None = None
        self.swept: Swept | None = None
        self.state, self._pending = (
            resumption.step
            if resumption
            else sequence.begin(started.planned, tries=started.box.plan.tries, sweeps=started.sweeps)
        )

    @property
    def closed(self) -> bool:
        """True once the closing record was emitted."""
        return self.state.phase is Phase.CLOSED

    @property
    def away(self) -> str:
        """Which instruments are away now, and why; empty when all are there."""
        return self._absences.why

    def tick(self, now_s: float, chunks: dict[str, list[Chunk]], lost: Mapping[str, str] = _NOBODY) -> None:
        """Take what came since the last tick and act on it.

        Args:
            now_s: Seconds since the test started.
            chunks: Raw chunks by channel, arrival times in the same seconds.
            lost: Instruments whose port does not work now, with the reason.

        Raises:
            StandError: When the stand cannot go on (an encoder that does not turn, or lost its reference).
            InstrumentError: When an instrument stayed away, or gave no readings, for too long.
        """
        self._now_s = now_s
        if self._break_due:
            chunks = {name: [Chunk(self._read_since_s, b""), *chunks.get(name, [])] for name in _BOTH}
            self._break_due = False
        for name, some in chunks.items():
            self._keep(name, some)
            self.channels.feed(name, some)
        if self.closed:
            return
        self._note_marks()
        if self.channels.jump is not None:
            goes_on = self._stand.profile(ENCODER).wraps_at_deg is None
            in_degrees = self._stand.profile(ENCODER).unit == "deg"
            raise StandError(
                marks.jumped(
                    self.channels.jump,
                    self.channels.port(ENCODER),
                    may_begin_again=in_degrees and goes_on,
                    go_on=self._go_on,
                )
            )
        self._note_wire_errors()
        if self._pending:
            self._act(self._pending)
            self._pending = ()
        if self.state.phase is not Phase.PAUSED:
            self._watch_absences(lost)
        if self.state.phase is Phase.TURNING:
            self._watch_arrival()
        elif self.state.phase is Phase.ROCKING:
            self._watch_rock()
        elif self.state.phase is Phase.CHECKING:
            self._watch_for_marks()
        elif self.state.phase is Phase.SWEEPING:
            self._watch_sweep()

    def happen(self, happened: words.Input) -> None:
        """Take an input of the operator or of this object into the sequence."""
        self.state, actions = sequence.step(self.state, happened)
        self._act(actions)

    def note(self, text: str) -> None:
        """Keep the operator's words."""
        self._emit(events.NoteTaken(text=text))

    def matched(self, answer: str = "matched") -> None:
        """Somebody says that the marked tooth stands in the mesh: compare the encoder with it.

        Args:
            answer: Of the technician.

        Raises:
            ReferenceDisproved: When they disagree, and did so before.
        """
        if self.state.phase is not Phase.CHECKING:
            return
        since_s = self._now_s - arrival.window_s(self.channels.slowest_rate_hz(self._now_s))
        gear, shaft_deg = self.channels.gear_deg(since_s), self.channels.latest_shaft_deg
        if shaft_deg is None or len(gear) < 2 or np.ptp(gear.value) > self._still.gear_span_deg:
            self.note('The marks were not compared: hold the gear still before you enter "matched".')
            return
        found = marks.compared(
            self.gear_set,
            self._marked_member,
            shaft_deg,
            answer=answer,
            attempt=self.state.marks_tries + 1,
        )
        self._emit(found)
        if found.agrees:
            self.happen(words.MarksSeen())
        elif not found.last:
            self.happen(words.MarksOff())
        else:
            text = marks.disagreement(found)
            raise ReferenceDisproved(
                f"{text[:1].upper()}{text[1:]}. {marks.REMEDY} What was recorded is kept."
            )

    def _note_marks(self) -> None:
        """The first of each kind goes into the record: a count of them alone would be seen by nobody."""
        for name in (INDICATOR, ENCODER):
            for mark, count in self.channels.marks(name).items():
                # A count that is lost for good ends the test, which says more.
                if count and mark not in FOR_GOOD and (name, mark) not in self._marked:
                    self._marked.add((name, mark))
                    self.note(mark_sentence(name, self.channels.port(name), mark))

    def _note_wire_errors(self) -> None:
        """Say once for each instrument that its lines are damaged, also while the test waits for the gear."""
        for name in _BOTH:
            if name not in self._noted_wire and (tally := self.channels.tally(name)).is_notable:
                self._noted_wire.add(name)
                self.note(self.channels.wire_sentence(name, tally, "so far"))

    def wire_notes(self) -> list[str]:
        """What was wrong on the wires over the whole test; for its end."""
        tallies = {name: self.channels.tally(name) for name in _BOTH}
        return [
            self.channels.wire_sentence(name, tally, "in the whole test")
            for name, tally in tallies.items()
            if tally.is_notable or name in self._noted_wire
        ]

    # What the samples say ------------------------------------------------------------------------------

    def _watch_absences(self, lost: Mapping[str, str]) -> None:
        for event in self._absences.update(self._now_s, lost, since_s=self._read_since_s):
            self._emit(event)
        why = self._absences.why
        if why and self.state.phase is not Phase.WAITING:
            self.happen(words.Lost(why))
        elif not why and self.state.phase is Phase.WAITING:
            self.happen(words.Back())

    def _watch_arrival(self) -> None:
        window_s = arrival.window_s(self.channels.slowest_rate_hz(self._now_s))
        if self._now_s - self._asked_s < window_s:
            return
        since_s = self._now_s - window_s
        gear = self.channels.gear_deg(since_s)
        tip = None if self.channels.indicator_on_button else self.channels.indicator(since_s)
        if arrival.is_still(gear, tip, self._target_deg(), self._still):
            self.happen(words.Arrived())
            return
        if len(gear) and np.ptp(gear.value) > self._still.gear_span_deg:
            self._moved = True
        limit_s = self.box.plan.turn_seconds
        if not self._moved and self._now_s - self._asked_s > limit_s:
            port = self.channels.port(ENCODER)
            raise StandError(
                f"encoder on {port}: has not moved for {limit_s:.0f} s while the gear was to turn to "
                f"{angle_text(self._target_deg(), decimals=1)}. Either nobody turned the gear, or the "
                f"encoder does not turn with the {self._stand.encoder.shaft}: check its coupling. "
                "plan.turn_seconds in the box file sets how long to wait."
            )

    def _watch_rock(self) -> None:
        if self.rock is None:
            return
        happened = self.rock.look(self._now_s)
        if isinstance(happened, words.RockGood):
            happened = words.RockGood(settled=self._settles())
        if happened is not None:
            self.happen(happened)

    def _settles(self) -> bool:
        """Whether the rock that is good now, with those accepted before it, settles the verdict."""
        target = self.state.target
        if not self.box.plan.stop_when_settled or target is None or target.purpose != "planned":
            return False
        done = {**self.accepted, target.number: rock_accepted(target, self.rock, self.box, self._indicator)}
        limits = self.box.limits_for_analysis()
        return settles(
            self.gear_set,
            self._indicator,
            self.box.conditions(),
            limits=limits,
            done=measured(done.values()),
        )

    @property
    def _marked_member(self) -> Shaft:
        """Whose mark comes by once in each turn of the encoder."""
        return self._stand.encoder.shaft

    def _watch_for_marks(self) -> None:
        """While the marks are waited for: nobody answers for a gear that has not moved for so long."""
        gear = self.channels.gear_deg(self._now_s - arrival.WINDOW_S)
        if len(gear) and np.ptp(gear.value) > self._still.gear_span_deg:
            self._asked_s = self._now_s
        limit_s = self.box.plan.turn_seconds
        if self._now_s - self._asked_s > limit_s:
            self._leave_marks(f"no answer within {limit_s:.0f} s")
            self.happen(words.MarksSeen())

    def _leave_marks(self, why: str) -> None:
        attempt = self.state.marks_tries + 1
        self._emit(marks.not_seen(self.gear_set, self._marked_member, answer=why, attempt=attempt))

    def _act_on_marks(self, action: words.AskMarks | words.LeaveMarks) -> None:
        if isinstance(action, words.LeaveMarks):
            self._leave_marks("left out by the operator")
            return
        self._asked_s = self._now_s
        self.rock = None
        passes = self.channels.index_passes
        if passes:
            self._emit(marks.by_index(self.gear_set, self._marked_member, passes=passes))
        if passes or self.channels.reference_is_assumed:  # of an assumed one no mark is known
            self.happen(words.MarksSeen())
        else:
            self._emit(events.MarksAsked(member=self._marked_member, attempt=action.attempt))

    def _watch_sweep(self) -> None:
        watch = self.sweep_watch
        if watch is None:
            return
        self.swept = watch.look(self._now_s)
        if self.swept is not None:
            refused = self.swept.sweep is None
            reasons = (self.swept.reason, *self._wire_errors_in_sweep())
            self.happen(words.SweepBad(reasons) if refused else words.SweepGood())
        elif not watch.turned_deg and self._now_s - self._asked_s > self.box.plan.turn_seconds:
            self.happen(words.SweepBad(("the shaft was not turned",)))

    def _wire_errors_in_sweep(self) -> list[str]:
        notes = (
            self.channels.wire_sentence(name, self.channels.tally(name).since(before), "during this sweep")
            for name, before in self._swept_from.items()
        )
        return [note for note in notes if note]

    # What the sequence wants ---------------------------------------------------------------------------

    def _act(self, actions: Iterable[words.Action]) -> None:
        for action in actions:
            match action:
                case words.Ask(target):
                    self._asked_s = self._now_s
                    self._moved = False
                    self.rock = None
                    self._emit(position_asked(target, self.gear_set, self._engagement_now()))
                case words.BeginRock(target):
                    self._begin_rock(target)
                case words.Accept(target):
                    accepted = rock_accepted(target, self.rock, self.box, self._indicator)
                    self.accepted[target.number] = accepted
                    self._emit(accepted)
                    self._note_disagreement(target.number)
                    self._check(accepted)
                case words.Refuse(target, reasons):
                    self._emit(rock_refused(target, self.rock, reasons, self._now_s))
                case words.LeaveOut() | words.Spare():
                    self._leave_out(action)
                case words.Predict():
                    self._predict()
                case words.AskSweep() | words.KeepSweep() | words.RefuseSweep():
                    self._act_on_sweep(action)
                case words.AskMarks() | words.LeaveMarks():
                    self._act_on_marks(action)
                case words.Pause() | words.GoOn():
                    self._act_on_pause(action)
                case words.Close(outcome, reason):
                    self._emit(events.TestClosed(outcome=outcome, reason=reason))

    def _leave_out(self, action: words.LeaveOut | words.Spare) -> None:
        if isinstance(action, words.Spare):
            count = len(action.targets)
            spared = "planned position is" if count == 1 else "planned positions are"
            self._emit(events.PositionsSpared(numbers=tuple(one.number for one in action.targets)))
            self.note(f"{count} {spared} not needed: the readings settle the tight spot against its limits.")
            return
        number, engagement = action.target.number, action.target.engagement
        self.accepted.pop(number, None)
        skipped = events.PositionSkipped(number=number, engagement=engagement, reason=action.reason)
        self._emit(skipped)

    def _act_on_pause(self, action: words.Pause | words.GoOn) -> None:
        now_s = self._now_s
        if isinstance(action, words.Pause):
            self._paused_s = now_s
            self.rock = None
            self._emit(events.RecordingPaused(reason=action.reason))
            return
        given_up_s, self.given_up_s, self._read_since_s = self.given_up_s, 0.0, now_s
        self._emit(events.RecordingGoesOn(paused_s=now_s - self._paused_s, given_up_s=given_up_s))

    def _note_disagreement(self, number: int) -> None:
        """Note it where it begins: at the end nobody can inspect tip and coupling as they were."""
        found = self.rock.disagreement if self.rock else None
        if found is not None and not self._disagree:
            self.note(f"Indicator and encoder disagree from position {number} on. {found.sentence}")
        elif found is None and self._disagree:
            self.note(f"Indicator and encoder agree again at position {number}.")
        self._disagree = found is not None

    def _check(self, again: events.RockAccepted) -> None:
        """Compare the first rock after a resumption with the one it repeats."""
        resumption = self._resumption
        if resumption is None or resumption.check is None or again.number != resumption.check.number:
            return
        if resumption.check_of is not None:
            self._emit(
                compare(
                    resumption.check_of,
                    again,
                    resolution_mm=self._resolution_mm * self._indicator.normal_per_reading(self.gear_set),
                    pitch_deg=360.0 / self.gear_set.gear_teeth,
                    same_reference=resumption.same_reference,
                )
            )

    def _begin_rock(self, target: words.Target) -> None:
        self.rock = RockWatch(
            self._rock_setting,
            channels=self.channels,
            target_deg=self._target_deg(),
            started_s=self._now_s,
        )
        number, engagement = target.number, target.engagement
        self._emit(events.RockStarted(number=number, engagement=engagement, start_s=self._now_s))

    def _act_on_sweep(self, action: words.AskSweep | words.KeepSweep | words.RefuseSweep) -> None:
        match action:
            case words.AskSweep(sweep):
                self._ask_sweep(sweep)
            case words.KeepSweep(sweep):
                self._emit(sweep_recorded(sweep, self.swept))
            case words.RefuseSweep(sweep, reasons):
                refused = events.SweepRefused(member=sweep.member, attempt=sweep.attempt, reasons=reasons)
                self._emit(refused)

    def _ask_sweep(self, sweep: words.Sweep) -> None:
        turns = self.box.runout.turns
        self._asked_s = self._now_s
        self.rock = None
        self._swept_from = {name: self.channels.tally(name) for name in _BOTH}
        self.sweep_watch = SweepWatch(
            sweep.member,
            turns=turns,
            channels=self.channels,
            gear_set=self.gear_set,
            since_s=self._now_s,
            resolution_mm=self._resolution_mm,
        )
        self._emit(
            events.SweepAsked(member=sweep.member, turns=turns, attempt=sweep.attempt, reason=sweep.reason)
        )

    def _predict(self) -> None:
        try:
            found = find_tight_spot(
                self.gear_set,
                measured(self.accepted.values()),
                most=self.box.plan.confirming_positions,
                near=self._engagement_now(),
            )
        except LashMapError as error:
            self.note(
                f"No tight spot is predicted, since the {len(self.accepted)} accepted positions give no lash "
                f"map: {error.expected}"
            )
            self.happen(words.Confirm((), mapped=False))
            return
        self.predicted = tight_spot_predicted(found, self.gear_set)
        self._emit(self.predicted)
        self.happen(words.Confirm(found.ask))

    def _engagement_now(self) -> int:
        latest = self.channels.latest_gear_deg
        return round(latest[1] / 360.0 * self.gear_set.gear_teeth) if latest else 0

    def _target_deg(self) -> float:
        target = self.state.target
        return self.gear_set.gear_angle_deg(target.engagement) if target else 0.0
