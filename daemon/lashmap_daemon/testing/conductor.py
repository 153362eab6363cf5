"""The conductor leads one test: samples and commands in, events out.

It holds no port, file, screen or clock: `tick` is given the time and the bytes, so that a live test, a test
in virtual time and a benchmark run the same code. The sequence decides about order, the analysis about
numbers; here they meet.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Any, ClassVar

import numpy as np
from lashmap_analysis.cycle.checks import CycleFlagName
from lashmap_analysis.gears.tooth_names import teeth_met
from lashmap_analysis.judge.settling import looks, may_stop
from lashmap_analysis.lash_map.lash_map import LashMapError
from lashmap_analysis.record.record import ROLLED, PassTrace, Shaft
from lashmap_analysis.rock.cross_check import stated_mm
from lashmap_analysis.uncertainty.mesh_state import shifts_of
from lashmap_drivers.readings import Chunk

from lashmap_daemon.errors import ReferenceDisproved, StandError
from lashmap_daemon.logbook.photograph import pieces_of
from lashmap_daemon.sequence import sequence
from lashmap_daemon.sequence.resume import Resumption, compare
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR
from lashmap_daemon.story import events, marks
from lashmap_daemon.story.cause import CHOICES, Found
from lashmap_daemon.story.recorded import ENCODERS
from lashmap_daemon.story.story import BEGINNING, Pass, Sweep, Target, apply, passes_of
from lashmap_daemon.story.wording import angle_text
from lashmap_daemon.testing.bench_sheet import check_turn
from lashmap_daemon.testing.channels import Absences, Channels, DamagedLines
from lashmap_daemon.testing.passes import CycleRun, engagements_of, predict_from_cycle
from lashmap_daemon.testing.prediction import (
    NO_PHASES,
    confirming_left,
    fitted,
    nearest,
    no_prediction,
    phases_to_rock,
    predict,
)
from lashmap_daemon.testing.watches import (
    WINDOW_S,
    RockWatch,
    StillLimits,
    SweepWatch,
    Swept,
    is_still,
    setting_of,
    still_limits,
    tip_rests,
    window_s,
)


def _begun(started: events.TestStarted, passes: tuple[events.PlannedPass, ...]) -> sequence.Step:
    return sequence.begin(
        started.planned,
        tries=started.box.plan.tries,
        sweeps=started.sweeps,
        passes=passes_of(passes),
    )


def _by_turn(
    of_pass: Callable[[Any, Pass], None], of_sweep: Callable[[Any, Sweep], None]
) -> Callable[[Any, sequence.AskTurn | sequence.KeepTurn], None]:
    """What is done for a turn, be it a pass or a sweep."""

    def act(conductor: Any, action: sequence.AskTurn | sequence.KeepTurn) -> None:  # noqa: ANN401 - defined below
        turn = action.turn
        of_pass(conductor, turn) if isinstance(turn, Pass) else of_sweep(conductor, turn)

    return act


FINDING_S = 3600.0  # for a cause to be found; then nobody is there, and the raw samples of hours say nothing
_QUARTER_TURN_DEG = 90.0  # less than that somebody turns who makes room for the indicator
_NOT_SET = "the indicator has not moved since the sweep was asked for: was it set on the member?"
_NOBODY: Mapping[str, str] = MappingProxyType({})


class Conductor:
    """One test from the first position to the closing record.

    Args:
        started: The start record; box, stand and plan come from it.
        channels: Decoded traces; `Channels.count_from` must have been called before the first tick.
        emit: Called with every event, in order; stamps it, and hands it on.
        keep: Called with every raw chunk before it is decoded.
        resumption: From where a test goes on that had ended early.
        go_on: The command that goes on with this test after it was closed, for messages.
        passes: Of a new test: the passes of its cycle run.
        recorded: Of a test that goes on: the passes that were recorded before.
        ready_before: How somebody confirmed beforehand that the box may turn for a cycle run, and that it is
            locked out again after that; empty where a person is asked at the stand.

    Attributes:
        state: What is awaited, and which positions are to come.
        story: What has happened so far.
        rock: The rock in hand.
        cycle_run: The passes so far.
        given_up_s: Seconds of samples that could not be held while the disk was full.
    """

    def __init__(
        self,
        started: events.TestStarted,
        channels: Channels,
        *,
        emit: Callable[[events.Event], events.Stamped],
        keep: Callable[[str, list[Chunk]], None],
        resumption: Resumption | None = None,
        go_on: str = "",
        passes: tuple[events.PlannedPass, ...] = (),
        recorded: Sequence[PassTrace] = (),
        ready_before: str = "",
    ) -> None:
        self._started, self.box = started, started.box
        self.channels = channels
        self.gear_set = started.box.gear_set_in_contact()
        self._indicator = started.box.indicator(started.stand)
        self._resolution_mm = self._indicator.resolution_mm
        self._stand = started.stand
        self._names = started.stand.channels
        self._wires = started.stand.wires
        # Of the shaft whose mark is looked for; without an encoder the gear's teeth are counted.
        self._member: Shaft = "gear" if started.stand.encoder is None else started.stand.encoder.shaft
        # Without an encoder: where the gear stands as the person said, and that it is where it was to go.
        self._counted_to, self._said_there = 0, False
        self._still = still_limits(self.gear_set, started.box.limits_for_analysis())
        self._rock_setting = setting_of(started, self._still)
        self._go_on = go_on or f"lashmap run STAND BOX --resume --test {started.test}"
        self._absences = Absences(
            channels,
            patience_s=started.stand.stand.reconnect_seconds,
            near_deg=self._still.near_deg,
            go_on=self._go_on,
        )
        self._stamped = emit
        self._keep = keep
        self._resumption = resumption
        self._now_s = self._read_since_s = self._asked_s = resumption.first_s if resumption else 0.0
        self._break_due = resumption is not None  # the record ended in the middle of whatever came
        self._paused_s = 0.0
        self._moved = False
        self._lines = DamagedLines(channels)
        self._said_of_cycle: set[CycleFlagName] = set()
        self._disagree = self._advised = False
        self.rock: RockWatch | None = None
        self.story = resumption.story if resumption else BEGINNING
        if channels.reference_is_assumed and self.story.newest is not None:
            self._counted_to = self.story.newest.engagement  # nobody found the marks again: where it was left
        self.given_up_s = 0.0
        self.sweep_watch: SweepWatch | None = None
        self.swept: Swept | None = None
        self.cycle_run = CycleRun(self.gear_set, channels, recorded)
        self._ready_before = self._ready_how = ready_before
        self.indicator_set = False
        self.state, self._pending = resumption.step if resumption else _begun(started, passes)

    def emit(self, event: events.Event) -> None:
        """Take an event of this test into its story and hand it on."""
        self.story = apply(self.story, self._stamped(event))

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

        All times are seconds since the test started; ``lost`` holds the instruments whose port does not work
        now, with the reason.

        Raises:
            StandError: When the stand cannot go on (an encoder that does not turn, or lost its reference).
            InstrumentError: When an instrument stayed away, or gave no readings, for too long.
        """
        self._now_s = now_s
        if self._break_due:
            chunks = {name: [Chunk(self._read_since_s, b""), *chunks.get(name, [])] for name in self._wires}
            self._break_due = False
        for name, some in chunks.items():
            self._keep(name, some)
            self.channels.feed(name, some)
        if self.closed:
            return
        for text in self._lines.news():
            self.note(text)
        self._refuse_jump()
        if self._pending:
            self._act(self._pending)
            self._pending = ()
        if self.state.phase is not Phase.PAUSED:
            self._watch_absences(lost)
        watch = self._WATCHES.get(self.state.phase)
        if watch is not None:
            watch(self)

    @property
    def is_counted(self) -> bool:
        """There is no encoder: a person counts the teeth and says where the gear is."""
        return self._stand.encoder is None

    def _refuse_jump(self) -> None:
        """An encoder that jumped does not know the teeth any more.

        Raises:
            StandError: When it did.
        """
        for name in ENCODERS:
            jump = self.channels.monitors[name].decoder.jump if name in self._names else None
            if jump is None:
                continue
            profile = self._stand.profile(name)
            may_begin_again = profile.unit == "deg" and profile.wraps_at_deg is None
            port = self.channels.port(name)
            raise StandError(marks.jumped(jump, port, may_begin_again=may_begin_again, go_on=self._go_on))

    def happen(self, happened: sequence.Input) -> None:
        """Take an input of the operator or of this object into the sequence."""
        self.state, actions = sequence.step(self.state, happened)
        self._act(actions)

    def note(self, text: str) -> None:
        """Keep the operator's words."""
        self.emit(events.NoteTaken(text=text))

    def keep_photo(self, event: events.PhotoTaken, data: bytes) -> None:
        """Keep a photograph that came in."""
        self._keep(event.channel, pieces_of(data, self._now_s))
        self.emit(event)

    def told_cause(self, found: Found) -> None:
        """A person says why rocks were refused: what was left out for it is asked for after all."""
        stuck = self.state.stuck
        if self.state.phase is not Phase.FINDING or stuck is None:
            return
        is_found = found.cause != "nothing"
        self.emit(
            events.CauseAnswered(
                number=stuck.number,
                refused=self.state.refused,
                cause=found.cause,
                words=found.words,
                again=tuple(one.number for one in self.state.given_up) if is_found else (),
            )
        )
        self.happen(sequence.CauseTold(is_found))

    def nobody_tells_cause(self, why: str) -> None:
        """Nobody will say why rocks were refused.

        Raises:
            StandError: While that is asked; the test ends, and can go on later with the same question.
        """
        stuck = self.state.stuck
        if self.state.phase is Phase.FINDING and stuck is not None:
            raise StandError(
                f"{self.state.refused} rocks in a row were refused, the last at position {stuck.number} "
                f"({stuck.reason}), and {why}. Look for the cause: is the pinion locked, are tip, holder and "
                f"base tight, do both flanks stop the gear? Then go on with: {self._go_on}"
            )

    def ready(self, how: str) -> None:
        """Somebody says that the box may turn, or that it is locked out again and can be rocked."""
        if self.state.phase is Phase.READYING:
            self._ready_how = how
            self.happen(sequence.Ready())

    def matched(self, answer: str = "matched") -> None:
        """Somebody says that the marked tooth stands in the mesh: compare the encoder with it.

        Raises:
            ReferenceDisproved: When they disagree, and did so before.
        """
        if self.state.phase is not Phase.CHECKING:
            return
        if self.is_counted:
            self._count_seen(answer, agrees=True)
            return
        since_s = self._now_s - window_s(self.channels.slowest_rate_hz(self._now_s))
        gear, shaft_deg = self.channels.gear_deg(since_s), self.channels.latest_shaft_deg
        if shaft_deg is None or len(gear) < 2 or np.ptp(gear.value) > self._still.gear_span_deg:
            self.note('The marks were not compared: hold the gear still before you enter "matched".')
            return
        found = marks.compared(
            self.gear_set,
            self._member,
            shaft_deg,
            answer=answer,
            attempt=self.state.marks_tries + 1,
        )
        self.emit(found)
        if found.agrees:
            self.happen(sequence.MarksSeen())
        elif not found.last:
            self.happen(sequence.MarksOff())
        else:
            text = marks.disagreement(found)
            raise ReferenceDisproved(
                f"{text[:1].upper()}{text[1:]}. {marks.REMEDY} What was recorded is kept."
            )

    def arrived(self) -> None:
        """Somebody who counts the teeth says that the gear is where it was asked to be, the tip on it.

        Not taken while the indicator shows that the gear was not turned: a key is easily pressed twice.
        Where a sweep is asked for, it says that the indicator sits on the member.
        """
        if self.state.phase is Phase.SWEEPING:
            self.indicator_set = True
            return
        target = self.state.target
        if not self.is_counted or self.state.phase is not Phase.TURNING or target is None:
            return
        if target.engagement != self._counted_to and not self._tip_was_off():
            self.note(
                "Not taken: the indicator moved no more than a rock since this position was asked for: the "
                "gear was not turned. Lift the tip, turn, set it down on its tooth, and say it then."
            )
            return
        self._said_there = True

    def _tip_was_off(self) -> bool:
        """Since the position was asked for the indicator moved by more than a rock explains.

        A turn of a tooth takes the tip off its tooth, or the gear away from the tip.
        """
        if self.channels.indicator_on_button:
            return True  # it shows nothing between two presses
        tip_mm = self.channels.indicator(self._asked_s).value
        newest = self.story.newest
        rock_mm = self._still.tip_span_mm / 2.0 if newest is None else newest.reading_mm
        return bool(len(tip_mm)) and not float(np.ptp(tip_mm)) <= 2.0 * rock_mm  # not a number counts as off

    def unmatched(self) -> None:
        """Somebody who counts the teeth says that the mark is not where the count has it.

        Raises:
            ReferenceDisproved: When it was not there before either.
        """
        if self.is_counted and self.state.phase is Phase.CHECKING:
            self._count_seen("no", agrees=False)

    def _count_seen(self, answer: str, *, agrees: bool) -> None:
        """What somebody saw where the count has the mark of the gear."""
        turns, turn = check_turn((self._counted_to,), self.gear_set.gear_teeth)
        self._counted_to += turn
        attempt = self.state.marks_tries + 1
        found = marks.by_count(self.gear_set, turns=turns, answer=answer, attempt=attempt, agrees=agrees)
        self.emit(found)
        if agrees:
            self.happen(sequence.MarksSeen())
        elif not found.last:
            self.happen(sequence.MarksOff())
        else:
            text = marks.precondition(found).detail
            raise ReferenceDisproved(f"{text[:1].upper()}{text[1:]}. What was recorded is kept.")

    def wire_notes(self) -> list[str]:
        """What was wrong on the wires over the whole test; for its end."""
        return self._lines.over_all()

    # What the samples say ------------------------------------------------------------------------------

    def _watch_absences(self, lost: Mapping[str, str]) -> None:
        for event in self._absences.update(self._now_s, lost, since_s=self._read_since_s):
            self.emit(event)
        why = self._absences.why
        if why and self.state.phase is Phase.PASSING:
            self.note("Stop the drive: nothing is recorded while an instrument is away.")
        if why and self.state.phase is not Phase.WAITING:
            self.happen(sequence.Lost(why))
        elif not why and self.state.phase is Phase.WAITING:
            self.happen(sequence.Back())

    def _watch_arrival(self) -> None:
        if self.is_counted:
            self._watch_tip()
            return
        back_s = window_s(self.channels.slowest_rate_hz(self._now_s))
        if self._now_s - self._asked_s < back_s:
            return
        since_s = self._now_s - back_s
        gear = self.channels.gear_deg(since_s)
        unseen = self.channels.indicator_on_button or INDICATOR not in self._names
        tip = None if unseen else self.channels.indicator(since_s)
        if is_still(gear, tip, self._target_deg(), self._still_at_target()):
            self.happen(sequence.Arrived())
            return
        if len(gear) and np.ptp(gear.value) > self._still.gear_span_deg:
            self._moved = True
        limit_s = self.box.plan.turn_seconds
        if not self._moved and self._now_s - self._asked_s > limit_s:
            port = self.channels.port(ENCODER)
            raise StandError(
                f"encoder on {port}: has not moved for {limit_s:.0f} s while the gear was to turn to "
                f"{angle_text(self._target_deg(), decimals=1)}. Either nobody turned the gear, or the "
                f"encoder does not turn with the {self._member}: check its coupling. "
                "plan.turn_seconds in the box file sets how long to wait."
            )

    def _watch_tip(self) -> None:
        """Somebody said that the gear is there: record once the tip rests on its tooth."""
        target = self.state.target
        if not self._said_there or target is None:
            return
        back_s = window_s(self.channels.slowest_rate_hz(self._now_s))
        tip = self.channels.indicator(self._now_s - back_s)
        if self.channels.indicator_on_button or tip_rests(tip, self._still):
            self._said_there, self._counted_to = False, target.engagement
            self.happen(sequence.Arrived())

    def _watch_rock(self) -> None:
        if self.rock is None:
            return
        happened = self.rock.update(self._now_s)
        if self.rock.advice and happened is None and not self._advised and self.state.target is not None:
            self._advised = True
            self.note(f"Position {self.state.target.number}, while it is rocked: {self.rock.advice}")
        if isinstance(happened, sequence.RockGood):
            happened = sequence.RockGood(settled=self._settles())
        if happened is not None:
            self.happen(happened)

    def _settles(self) -> bool:
        """Whether the rock that is good now, with those accepted before it, settles the verdict."""
        target = self.state.target
        if not self.box.plan.stop_when_settled or target is None or target.purpose != "planned":
            return False
        if self.story.passed:  # rocks tie the level of the passes
            return False
        before = (one for one in self.story.mapped if one.number != target.number)
        done = (*before, self._accepted(target))
        if not looks(len(done)):
            return False
        limits = self.box.limits_for_analysis()
        try:
            return may_stop(fitted(self.gear_set, done), self._indicator, self.box.conditions(), limits)
        except LashMapError:
            return False

    def _accepted(self, target: Target) -> events.RockAccepted:
        """The rock in hand as it is kept, its reading as normal backlash."""
        rock = self.rock
        if rock is None or rock.reading is None or rock.beside is None:
            raise RuntimeError("a rock was accepted that was not measured")
        reading, flags = rock.reading, (*rock.reading.flags, *rock.beside.flags)
        return events.RockAccepted(
            number=target.number,
            engagement=target.engagement,
            purpose=target.purpose,
            attempt=target.attempt,
            start_s=rock.begins_s,
            end_s=rock.end_s,
            reading_mm=reading.reading_mm,
            normal_backlash_mm=stated_mm(
                reading, self.gear_set, self._indicator, self.box.conditions(), of=shifts_of(target.purpose)
            ),
            standard_uncertainty_mm=rock.beside.standard_uncertainty_mm,
            reversals=reading.reversals,
            flags=tuple(flag.name.value for flag in flags),
            gear_deg=rock.gear_deg,
        )

    def _watch_for_cause(self) -> None:
        if self._now_s - self._asked_s > FINDING_S:
            self.nobody_tells_cause(f"nobody said why within {FINDING_S / 60.0:.0f} minutes")

    def _watch_for_answer(self) -> None:
        if self._now_s - self._asked_s > FINDING_S:
            raise StandError(
                f"nobody said within {FINDING_S / 60.0:.0f} minutes that the stand is ready. What was "
                f"recorded is kept. Go on with: {self._go_on}"
            )

    def _watch_pass(self) -> None:
        turn = self.state.turn
        if not isinstance(turn, Pass):
            return
        turned = self.cycle_run.update(turn, self._now_s)
        watch, limit_s = self.cycle_run.watch, self.box.plan.turn_seconds
        if turned is not None:
            refused = turned.samples is None
            self.happen(sequence.TurnBad((turned.reason,)) if refused else self._good_pass(turn))
        elif watch is not None and not watch.begun and self._now_s - self._asked_s > limit_s:
            self.happen(sequence.TurnBad((f"the pinion was not turned that way within {limit_s:.0f} s",)))

    def _good_pass(self, turn: Pass) -> sequence.TurnGood:
        """After the last pass: whether a slower pair has to show that the gear did not fly."""
        if self.state.passes:
            return sequence.TurnGood()
        slower, why = self.cycle_run.slower(turn, planned=len(self.state.planned_passes))
        if slower:
            self.note(f"A slower pair of passes is asked for. {why}")
        return sequence.TurnGood(slower)

    def _begin_passes(self, action: sequence.BeginPasses) -> None:
        self.cycle_run.begin_anew()
        planned = tuple(
            events.PlannedPass(direction=one.direction, brake_nm=one.brake_nm) for one in action.passes
        )
        self.emit(events.PassesPlanned(passes=planned))

    def _ask_ready(self, action: sequence.AskReady) -> None:
        self._asked_s, self.rock = self._now_s, None
        if action.what == "rock" and (refusal := self.cycle_run.refusal):
            self.note(f"The passes give no lash: {refusal}")
        self.emit(events.ReadyAsked(what=action.what))
        if self._ready_before:
            self.ready(self._ready_before)

    def _say_ready(self, action: sequence.SayReady) -> None:
        self.emit(events.ReadyConfirmed(what=action.what, how=self._ready_how))

    def _ask_pass(self, turn: Pass) -> None:
        self._asked_s = self._now_s
        self.cycle_run.begin(turn, self._now_s)
        self.emit(
            events.PassAsked(
                number=turn.number,
                direction=turn.direction,
                engagements=engagements_of(self.gear_set),
                attempt=turn.attempt,
                reason=turn.reason,
                other_speed=any(
                    one.direction == turn.direction and number != turn.number
                    for number, one in self.story.passed.items()
                ),
                most_deg_per_s=turn.most_deg_per_s,
            )
        )

    def _keep_pass(self, turn: Pass) -> None:
        turned = self.cycle_run.keep(turn)
        self.emit(
            events.PassRecorded(
                number=turn.number,
                direction=turn.direction,
                attempt=turn.attempt,
                start_s=turned.start_s,
                end_s=turned.end_s,
                brake_nm=turn.brake_nm,
                engagements=engagements_of(self.gear_set),
                pinion_deg_per_s=turned.pinion_deg_per_s,
            )
        )

    def _refuse_turn(self, action: sequence.RefuseTurn) -> None:
        turn, reasons = action.turn, action.reasons
        if isinstance(turn, Sweep):
            self.emit(events.SweepRefused(member=turn.member, attempt=turn.attempt, reasons=reasons))
            return
        self.emit(
            events.PassRefused(
                number=turn.number, direction=turn.direction, attempt=turn.attempt, reasons=reasons
            )
        )

    def _watch_for_marks(self) -> None:
        """While the marks are waited for: nobody answers for a gear that has not moved for so long."""
        if self.is_counted:
            return  # whoever counts needs time
        gear = self.channels.gear_deg(self._now_s - WINDOW_S)
        if len(gear) and np.ptp(gear.value) > self._still.gear_span_deg:
            self._asked_s = self._now_s
        limit_s = self.box.plan.turn_seconds
        if self._now_s - self._asked_s > limit_s:
            self._leave_marks(f"no answer within {limit_s:.0f} s")
            self.happen(sequence.MarksSeen())

    def _leave_marks(self, why: str) -> None:
        attempt = self.state.marks_tries + 1
        self.emit(marks.not_seen(self.gear_set, self._member, answer=why, attempt=attempt))

    def _ask_marks(self, action: sequence.AskMarks) -> None:
        self._asked_s, self.rock = self._now_s, None
        passes = 0 if self.is_counted else self.channels.monitors[ENCODER].parser.index_passes
        if passes:
            self.emit(marks.by_index(self.gear_set, self._member, passes=passes))
        if passes or self.channels.reference_is_assumed:  # of an assumed one no mark is known
            self.happen(sequence.MarksSeen())
        elif self.is_counted:
            turns, turn = check_turn((self._counted_to,), self.gear_set.gear_teeth)
            self.emit(events.CountAsked(turn_teeth=turn, turns=turns, attempt=action.attempt))
        else:
            self.emit(events.MarksAsked(member=self._member, attempt=action.attempt))

    def _watch_sweep(self) -> None:
        watch = self.sweep_watch
        if watch is None:
            return
        if not self.indicator_set and self._tip_was_off():
            self._listen_to_sweep(watch.member)
            return
        self.swept = watch.update(self._now_s)
        if not self.indicator_set and not self._moved and watch.turned_deg > _QUARTER_TURN_DEG:
            self._moved = True
            self.note(f"{_NOT_SET} Set it there, or press Enter where it sits there.")
        if self.swept is not None and not self.indicator_set:
            self.happen(sequence.TurnBad((_NOT_SET,)))
        elif self.swept is not None:
            refused = self.swept.sweep is None
            reasons = (self.swept.reason, *self._lines.since_begun("during this sweep"))
            self.happen(sequence.TurnBad(reasons) if refused else sequence.TurnGood())
        elif not watch.turned_deg and self._now_s - self._asked_s > self.box.plan.turn_seconds:
            self.happen(sequence.TurnBad(("the shaft was not turned",)))

    def _listen_to_sweep(self, member: Shaft) -> None:
        """Begin to listen now: the indicator moved by more than a rock, as when it is set elsewhere."""
        self.indicator_set = True
        self._lines.begin()
        self.sweep_watch = SweepWatch(
            member,
            turns=self.box.runout.turns,
            channels=self.channels,
            gear_set=self.gear_set,
            since_s=self._now_s,
            resolution_mm=self._resolution_mm,
        )

    # What the sequence wants ---------------------------------------------------------------------------

    def _act(self, actions: Iterable[sequence.Action]) -> None:
        for action in actions:
            self._ACTS[type(action)](self, action)

    def _ask(self, action: sequence.Ask) -> None:
        target, pitch_deg = action.target, self.gear_set.gear_angle_deg(1)
        self._asked_s, self._moved, self.rock, self._said_there = self._now_s, False, None, False
        turn = target.place - self._place_now()
        self.emit(
            events.PositionAsked(
                number=target.number,
                engagement=target.engagement,
                gear_angle_deg=target.place * pitch_deg,
                turn_teeth=int(turn) if turn.is_integer() else 0,
                turn_deg=turn * pitch_deg,
                purpose=target.purpose,
                attempt=target.attempt,
                reason=target.reason,
            )
        )

    def _accept(self, action: sequence.Accept) -> None:
        accepted = self._accepted(action.target)
        self.emit(accepted)
        self._note_disagreement(accepted.number)
        self._check(accepted)

    def _refuse(self, action: sequence.Refuse) -> None:
        target = action.target
        self.emit(
            events.RockRefused(
                number=target.number,
                engagement=target.engagement,
                attempt=target.attempt,
                start_s=self.rock.started_s if self.rock else self._now_s,
                end_s=self._now_s,
                reasons=action.reasons,
            )
        )

    def _ask_cause(self, action: sequence.AskCause) -> None:
        self._asked_s, self.rock = self._now_s, None
        number, engagement = action.target.number, action.target.engagement
        self.emit(
            events.CauseAsked(number=number, engagement=engagement, refused=action.refused, choices=CHOICES)
        )

    def _leave_out(self, action: sequence.LeaveOut) -> None:
        number, engagement = action.target.number, action.target.engagement
        self.emit(events.PositionSkipped(number=number, engagement=engagement, reason=action.reason))
        if self.is_counted and engagement != self._counted_to:
            place = teeth_met(self.gear_set, self._counted_to)
            self.note(
                f"The count goes on from {place}, where the gear was last said to stand: go back there."
            )

    def _spare(self, action: sequence.Spare) -> None:
        count = len(action.targets)
        spared = "planned position is" if count == 1 else "planned positions are"
        self.emit(events.PositionsSpared(numbers=tuple(one.number for one in action.targets)))
        self.note(f"{count} {spared} not needed: the readings settle the tight spot against its limits.")

    def _pause(self, action: sequence.Pause) -> None:
        self._paused_s, self.rock = self._now_s, None
        self.emit(events.RecordingPaused(reason=action.reason))

    def _go_on_recording(self, _: sequence.GoOn) -> None:
        given_up_s, self.given_up_s, self._read_since_s = self.given_up_s, 0.0, self._now_s
        self.emit(events.RecordingGoesOn(paused_s=self._now_s - self._paused_s, given_up_s=given_up_s))

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
        if resumption is None or resumption.check is None or resumption.check_of is None:
            return
        if again.number == resumption.check.number:
            self.emit(
                compare(
                    resumption.check_of,
                    again,
                    resolution_mm=self._resolution_mm * self._indicator.normal_per_reading(self.gear_set),
                    pitch_deg=360.0 / self.gear_set.gear_teeth,
                    same_reference=resumption.same_reference,
                )
            )

    def _begin_rock(self, action: sequence.BeginRock) -> None:
        self._advised = False
        self.rock = RockWatch(
            replace(self._rock_setting, still=self._still_at_target()),
            channels=self.channels,
            target_deg=self._target_deg(),
            started_s=self._now_s,
        )
        number, engagement = action.target.number, action.target.engagement
        self.emit(events.RockStarted(number=number, engagement=engagement, start_s=self._now_s))

    def _keep_sweep(self, sweep: Sweep) -> None:
        if self.swept is None or self.swept.sweep is None:
            raise RuntimeError("a sweep was kept that was not measured")
        self.emit(
            events.SweepRecorded(
                member=sweep.member,
                start_s=self.swept.start_s,
                end_s=self.swept.end_s,
                fim_mm=self.swept.sweep.fim_mm,
                fim_uncertainty_mm=self.swept.sweep.fim_uncertainty_mm,
            )
        )

    def _ask_sweep(self, sweep: Sweep) -> None:
        turns = self.box.runout.turns
        self._asked_s, self._moved, self.rock = self._now_s, False, None
        self._listen_to_sweep(sweep.member)
        self.indicator_set = sweep.attempt > 1  # it sits there from the try before
        self.emit(
            events.SweepAsked(member=sweep.member, turns=turns, attempt=sweep.attempt, reason=sweep.reason)
        )

    def _predict(self, _: sequence.Predict) -> None:
        accepted = self.story.mapped
        most, near = confirming_left(self.story, self.box.plan.confirming_positions), self._engagement_now()
        if self._predict_from_cycle(most, near):
            return
        try:
            predicted = predict(self.gear_set, accepted, most=most, near=near)
        except LashMapError as error:
            self.note(no_prediction(len(accepted), error))
            self.happen(sequence.Confirm((), mapped=False))
            return
        if not self.story.rolled:  # rocks at other phases of the roll change nothing in the map
            self.emit(predicted)
        self.happen(sequence.Confirm(predicted.ask) if predicted.ask else self._roll_on(predicted, near))

    def _roll_on(self, predicted: events.TightSpotPredicted, near: int) -> sequence.Confirm:
        """Ask for the next phase of the roll at the tight spot, if one is left."""
        asked = phases_to_rock(self._started)
        if self.box.plan.roll_phases is not None and not asked:
            self.note(NO_PHASES)
        left = [one for one in asked if one not in self.story.rolled]
        if not left:
            return sequence.Confirm(())
        engagement = nearest(predicted.engagement, near, self.gear_set.mesh_cycle)
        return sequence.Confirm((engagement,), purpose=left[0])

    def _predict_from_cycle(self, most: int, near: int) -> bool:
        """Whether the cycle run says where the tight spot is: it has seen every engagement."""
        accepted = self.story.mapped
        tied = self.cycle_run.tied(accepted, self._indicator, self.box.conditions())
        if tied is None:
            return False
        fit, curve = tied
        for flag in fit.flags:
            # Beside what refuses a run, nothing that its rocks say of it means anything.
            if flag.name not in self._said_of_cycle and (fit.good or flag.disabling):
                self._said_of_cycle.add(flag.name)
                self.note(f"Cycle run: {flag.sentence}")
        if curve is None:
            return False
        known = [one.engagement for one in accepted if one.purpose == "confirming"]
        predicted = predict_from_cycle(curve, near=near, known=known, most=most)
        self.emit(predicted)
        self.happen(sequence.Confirm(predicted.ask))
        return True

    def _close(self, action: sequence.Close) -> None:
        self.emit(events.TestClosed(outcome=action.outcome, reason=action.reason))

    _ACTS: ClassVar[dict[type[sequence.Action], Callable[[Any, Any], None]]] = {
        sequence.Ask: _ask,
        sequence.BeginRock: _begin_rock,
        sequence.Accept: _accept,
        sequence.Refuse: _refuse,
        sequence.AskCause: _ask_cause,
        sequence.LeaveOut: _leave_out,
        sequence.Spare: _spare,
        sequence.Predict: _predict,
        sequence.AskMarks: _ask_marks,
        sequence.LeaveMarks: lambda self, _: self._leave_marks("left out by the operator"),
        sequence.BeginPasses: _begin_passes,
        sequence.AskReady: _ask_ready,
        sequence.SayReady: _say_ready,
        sequence.AskTurn: _by_turn(_ask_pass, _ask_sweep),
        sequence.KeepTurn: _by_turn(_keep_pass, _keep_sweep),
        sequence.RefuseTurn: _refuse_turn,
        sequence.Pause: _pause,
        sequence.GoOn: _go_on_recording,
        sequence.Close: _close,
    }

    _WATCHES: ClassVar[dict[Phase, Callable[[Any], None]]] = {
        Phase.TURNING: _watch_arrival,
        Phase.ROCKING: _watch_rock,
        Phase.FINDING: _watch_for_cause,
        Phase.CHECKING: _watch_for_marks,
        Phase.SWEEPING: _watch_sweep,
        Phase.READYING: _watch_for_answer,
        Phase.PASSING: _watch_pass,
    }

    def _engagement_now(self) -> int:
        if self.is_counted:
            return self._counted_to
        latest = self.channels.latest_gear_deg
        return round(latest[1] / 360.0 * self.gear_set.gear_teeth) if latest else 0

    def _target_deg(self) -> float:
        target = self.state.target
        return target.place * self.gear_set.gear_angle_deg(1) if target else 0.0

    def _still_at_target(self) -> StillLimits:
        """How near the gear must stay; of a phase of the roll a sixth of a pitch: it is taken as it was."""
        target = self.state.target
        if target is None or target.purpose not in ROLLED:
            return self._still
        return replace(self._still, near_deg=self.gear_set.gear_angle_deg(1) / 6.0)

    def _place_now(self) -> float:
        """In gear teeth past the matched teeth; to a third of a tooth once the pair was rolled on."""
        latest = self.channels.latest_gear_deg
        if not self.story.rolled or latest is None:
            return float(self._engagement_now())
        return round(3.0 * latest[1] / self.gear_set.gear_angle_deg(1)) / 3.0
