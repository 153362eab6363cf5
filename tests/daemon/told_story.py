"""A test as its events tell it, without samples, stand or time; it can be broken off anywhere and go on."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

from daemon.virtual_time import load_box, set_up, simulated_stand_file
from lashmap_analysis.record.record import Shaft
from lashmap_daemon.sequence import resume, sequence
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.simulated_stand import SimulatedInstruments
from lashmap_daemon.story import events, marks
from lashmap_daemon.story.cause import CHOICES
from lashmap_daemon.story.story import Pass, Sweep, passes_of, story_of

BOX = load_box()
with TemporaryDirectory() as folder:
    STAND = simulated_stand_file(Path(folder), SimulatedInstruments())
Place = tuple[int, str]  # engagement and purpose: a check takes a number, so later numbers may differ
CONFIRMING = ((7,), (), (3, 9), ())  # what the lash map asks for, one answer for each time it is asked


@dataclass
class Story:
    """A test as its events tell it, without samples."""

    started: events.TestStarted
    state: sequence.State | None = None
    stream: list[events.Stamped] = field(default_factory=list)
    checks: set[int] = field(default_factory=set)

    def begin(self, passes: tuple[events.PlannedPass, ...] = ()) -> None:
        self.tell(self.started)
        if passes:
            self.tell(events.PassesPlanned(passes=passes))
        self.state, actions = sequence.begin(
            self.started.planned,
            tries=3,
            sweeps=self.started.sweeps,
            passes=passes_of(passes),
        )
        self.act(actions)

    def go_on(self) -> None:
        """What a new process does with the record of a dead one."""
        self.resumption = resume.plan(story_of(self.stream), end_s=float(len(self.stream)), tries=3)
        check, of = self.resumption.check, self.resumption.check_of
        if check is not None:
            self.checks.add(check.number)
        self.tell(
            events.TestResumed(
                operator="Ada",
                version="0",
                first_s=self.resumption.first_s,
                gap_s=1.0,
                check=check.number if check else None,
                check_of=of.number if of else None,
            )
        )
        self.state, actions = self.resumption.step
        self.act(actions)

    def happen(self, happened: sequence.Input) -> None:
        assert self.state is not None
        if self.state.phase is Phase.CHECKING and isinstance(
            happened, sequence.MarksSeen | sequence.MarksOff
        ):
            apart_deg = 0.1 if isinstance(happened, sequence.MarksSeen) else 27.0
            compared = marks.compared(BOX.gear_set.gear_set(), "gear", apart_deg, answer="matched", attempt=1)
            self.tell(compared)
        if self.state.phase is Phase.FINDING and isinstance(happened, sequence.CauseTold):
            given_up = tuple(one.number for one in self.state.given_up) if happened.found else ()
            self.tell(events.CauseAnswered(number=1, refused=4, cause="tip", words="", again=given_up))
        self.state, actions = sequence.step(self.state, happened)
        self.act(actions)

    def tell(self, event: events.Event) -> None:
        self.stream.append(
            events.Stamped(time_s=float(len(self.stream)), utc="2026-11-25T08:00:00Z", event=event)
        )

    def of(self, kind: type[events.Event]) -> list[events.Event]:
        return [stamped.event for stamped in self.stream if isinstance(stamped.event, kind)]

    def act(self, actions: tuple[sequence.Action, ...]) -> None:
        for action in actions:
            match action:
                case sequence.Predict():
                    ask = CONFIRMING[min(self.maps, len(CONFIRMING) - 1)]
                    self.tell(predicted(ask))
                    self.happen(sequence.Confirm(ask))
                case _:
                    event = told(action)
                    if event is not None:
                        self.tell(event)

    @property
    def maps(self) -> int:
        """How many lash maps there were: the same positions give the same one, however often it is made."""
        count, settled = 0, True
        for stamped in self.stream:
            match stamped.event:
                case events.TightSpotPredicted():
                    count, settled = count + settled, False
                case events.RockAccepted(number=number) | events.PositionSkipped(number=number):
                    settled |= number not in self.checks
        return count if settled else count - 1

    def to_the_end(self) -> None:
        """All goes well from here on."""
        for _ in range(200):
            assert self.state is not None
            match self.state.phase:
                case Phase.READYING:
                    self.happen(sequence.Ready())
                case Phase.PASSING | Phase.SWEEPING:
                    self.happen(sequence.TurnGood())
                case Phase.TURNING:
                    self.happen(sequence.Arrived())
                case Phase.ROCKING:
                    self.happen(sequence.RockGood())
                case Phase.FINDING:
                    self.happen(sequence.CauseTold(found=True))
                case Phase.CHECKING:
                    self.happen(sequence.MarksSeen())
                case Phase.WAITING:
                    self.happen(sequence.Back())
                case Phase.PAUSED:
                    self.happen(sequence.Space())
                case Phase.CLOSED:
                    return
        raise AssertionError(f"no end in sight: {self.state}")

    def outcome(self) -> tuple[set[Place], set[Place], list[Shaft]]:
        """Accepted and left out positions without checks, and recorded sweeps."""
        accepted: set[int] = set()
        left_out: set[int] = set()
        places: dict[int, Place] = {}
        for stamped in self.stream:
            match stamped.event:
                case events.PositionAsked(number=number) as asked:
                    places[number] = (asked.engagement, asked.purpose)
                case events.RockAccepted(number=number):
                    accepted.add(number)
                    left_out.discard(number)
                case events.PositionSkipped(number=number):
                    left_out.add(number)
                    accepted.discard(number)
        swept = [one.member for one in self.of(events.SweepRecorded) if isinstance(one, events.SweepRecorded)]
        return (
            {places[number] for number in accepted - self.checks},
            {places[number] for number in left_out - self.checks},
            swept,
        )


def predicted(ask: tuple[int, ...]) -> events.TightSpotPredicted:
    return events.TightSpotPredicted(
        engagement=0, gear_angle_deg=0.0, normal_backlash_mm=0.1, low_mm=0.1, high_mm=0.1, ask=ask
    )


def told(action: sequence.Action) -> events.Event | None:  # noqa: PLR0911 - a table
    """The event that a conductor would write."""
    match action:
        case sequence.Ask(target):
            return events.PositionAsked(
                number=target.number,
                engagement=target.engagement,
                gear_angle_deg=0.0,
                turn_teeth=0,
                turn_deg=0.0,
                purpose=target.purpose,
                attempt=target.attempt,
                reason=target.reason,
            )
        case sequence.BeginRock(target):
            return events.RockStarted(number=target.number, engagement=target.engagement, start_s=0.0)
        case sequence.Accept(target):
            return events.RockAccepted(
                number=target.number,
                engagement=target.engagement,
                purpose=target.purpose,
                attempt=target.attempt,
                start_s=0.0,
                end_s=1.0,
                reading_mm=0.1,
                normal_backlash_mm=0.1,
                standard_uncertainty_mm=0.001,
                reversals=8,
                flags=(),
            )
        case sequence.Refuse(target, reasons):
            return events.RockRefused(
                number=target.number,
                engagement=target.engagement,
                attempt=target.attempt,
                start_s=0.0,
                end_s=1.0,
                reasons=reasons,
            )
        case sequence.AskCause(target, refused):
            return events.CauseAsked(
                number=target.number, engagement=target.engagement, refused=refused, choices=CHOICES
            )
        case sequence.LeaveOut(target, reason):
            return events.PositionSkipped(number=target.number, engagement=target.engagement, reason=reason)
        case sequence.Pause(reason):
            return events.RecordingPaused(reason=reason)
        case sequence.Close(outcome, reason):
            return events.TestClosed(outcome=outcome, reason=reason)
        case sequence.AskMarks(attempt):
            return events.MarksAsked(member="gear", attempt=attempt)
        case sequence.LeaveMarks():
            return marks.not_seen(BOX.gear_set.gear_set(), "gear", answer="left out", attempt=1)
        case _:
            return told_of_sweeps(action)


def told_of_sweeps(action: sequence.Action) -> events.Event | None:
    match action:
        case sequence.AskTurn(Sweep() as sweep):
            return events.SweepAsked(member=sweep.member, turns=2, attempt=sweep.attempt, reason=sweep.reason)
        case sequence.KeepTurn(Sweep() as sweep):
            return events.SweepRecorded(
                member=sweep.member, start_s=0.0, end_s=1.0, fim_mm=0.01, fim_uncertainty_mm=0.001
            )
        case sequence.RefuseTurn(Sweep() as sweep, reasons):
            return events.SweepRefused(member=sweep.member, attempt=sweep.attempt, reasons=reasons)
    return told_of_passes(action)


def told_of_passes(action: sequence.Action) -> events.Event | None:  # noqa: PLR0911 - as above
    match action:
        case sequence.BeginPasses(passes):
            planned = (events.PlannedPass(direction=one.direction, brake_nm=one.brake_nm) for one in passes)
            return events.PassesPlanned(passes=tuple(planned))
        case sequence.AskReady(what):
            return events.ReadyAsked(what=what)
        case sequence.SayReady(what):
            return events.ReadyConfirmed(what=what, how="at the stand")
        case sequence.AskTurn(Pass() as turn):
            return events.PassAsked(
                number=turn.number,
                direction=turn.direction,
                engagements=524,
                attempt=turn.attempt,
                reason=turn.reason,
                other_speed=False,
            )
        case sequence.KeepTurn(Pass() as turn):
            return events.PassRecorded(
                number=turn.number,
                direction=turn.direction,
                attempt=turn.attempt,
                start_s=0.0,
                end_s=1.0,
                brake_nm=turn.brake_nm,
                engagements=524,
                pinion_deg_per_s=360.0,
            )
        case sequence.RefuseTurn(Pass() as turn, reasons):
            return events.PassRefused(
                number=turn.number, direction=turn.direction, attempt=turn.attempt, reasons=reasons
            )
    return None


def started_with(planned: tuple[int, ...], sweeps: tuple[Shaft, ...]) -> events.TestStarted:
    return events.TestStarted(
        test="t", operator="Ada", setup=set_up(BOX, STAND), planned=planned, version="0", sweeps=sweeps
    )
