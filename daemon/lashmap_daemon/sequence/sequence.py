"""The sequence of a test as a pure state machine: ``(state, input) -> (state, actions)``.

It knows positions, tries, passes of a cycle run, runout sweeps and what comes next; no clock, port, file or
screen. `TABLE` holds every input that a phase acts on; a phase ignores all others.

Passes come first: for them the box turns and the indicator is away; the rocks after them tie their level.
A person says that the stand is ready before the box turns, and again before hands go near the mesh.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, TypeAlias

from lashmap_analysis.record.record import Purpose, Shaft

from lashmap_daemon.story.events import Outcome, Readiness
from lashmap_daemon.story.story import GIVEN_UP, SKIPPED, Pass, Sweep, Target, after_all

Turn: TypeAlias = Pass | Sweep
"""What a shaft is turned for, in tries, while its samples are kept."""

FIND_CAUSE = 4  # refused rocks in a row: it is no longer one bad rock (common practice, no source)


class Phase(StrEnum):
    """What the test is waiting for."""

    READYING = "making the stand ready"
    PASSING = "turning the pinion for a pass"
    TURNING = "turning to the position"
    ROCKING = "recording the rock"
    FINDING = "waiting for the cause of refused rocks"
    PREDICTING = "finding the tight spot"
    CHECKING = "seeing the marks once more"
    SWEEPING = "turning for the runout sweep"
    WAITING = "waiting for an instrument"
    PAUSED = "paused: the disk is full"
    CLOSED = "closed"


@dataclass(frozen=True, kw_only=True)
class State:
    """Where the test stands.

    Attributes:
        phase: What is awaited.
        target: The position asked for now; None outside `TURNING` and `ROCKING`, and what interrupted them.
        queue: Positions to come.
        last_accepted: The position a *repeat* goes back to.
        asked: How many positions were numbered so far.
        tries: Refusals after which a position is skipped.
        sweeps: Members whose sweeps are still to come.
        marks_seen: The marks were seen once more, or nobody is to be asked (again).
        marks_tries: How often that was asked for in vain.
        refused: Rocks that gave no reading, in a row: what a person had repeated, and what a lost instrument
            or a full disk broke off, counts neither for it nor against it.
        given_up: Positions left out in this row.
        stuck: Position of the last of them while its cause is asked for; None when nothing is asked.
        ready_for: What the stand is made ready for while that is asked; None otherwise.
        turn: The pass or sweep asked for now; None outside `PASSING`, `SWEEPING` and what interrupted them.
        passes: Passes of the cycle run that are still to come.
        planned_passes: All of them; made anew from the first where anything came between them.
    """

    phase: Phase
    target: Target | None
    queue: tuple[Target, ...]
    last_accepted: Target | None
    asked: int
    tries: int
    sweeps: tuple[Shaft, ...] = ()
    marks_seen: bool = False
    marks_tries: int = 0
    refused: int = 0
    given_up: tuple[Target, ...] = ()
    stuck: Target | None = None
    ready_for: Readiness | None = None
    turn: Turn | None = None
    passes: tuple[Pass, ...] = ()
    planned_passes: tuple[Pass, ...] = ()


# Inputs -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Input:
    """What happens to a test."""


@dataclass(frozen=True)
class Arrived(Input):
    """The gear is at the position and still."""


@dataclass(frozen=True)
class Left(Input):
    """The gear left the position while the rock was recorded."""

    reasons: tuple[str, ...] = ("the gear left the position while the rock was recorded",)


@dataclass(frozen=True)
class RockGood(Input):
    """The rock gave a usable reading.

    ``settled`` is True when the readings so far settle the verdict: no further planned position is needed.
    """

    settled: bool = False


@dataclass(frozen=True)
class RockBad(Input):
    """The rock gave none in the time allowed."""

    reasons: tuple[str, ...]


@dataclass(frozen=True)
class CauseTold(Input):
    """A person said why rocks were refused; ``found`` is False where nothing was found."""

    found: bool


@dataclass(frozen=True)
class Confirm(Input):
    """The lash map asks for these engagements; none when the tight spot needs no (more) rocks.

    ``purpose`` says what for; ``mapped`` is False when there is no lash map, so that nothing rests on the
    marks.
    """

    engagements: tuple[int, ...]
    mapped: bool = True
    purpose: Purpose = "confirming"


@dataclass(frozen=True)
class MarksSeen(Input):
    """All that is to be known of the marks is recorded: the test goes on."""


@dataclass(frozen=True)
class MarksOff(Input):
    """Mark and encoder disagree: the technician checks once more."""


@dataclass(frozen=True)
class Ready(Input):
    """A person says that the stand is ready for what was asked."""


@dataclass(frozen=True)
class TurnGood(Input):
    """The pass or sweep is complete; ``slower`` are passes that it takes beside the planned ones."""

    slower: tuple[Pass, ...] = ()


@dataclass(frozen=True)
class TurnBad(Input):
    """The pass or sweep gave nothing."""

    reasons: tuple[str, ...]


@dataclass(frozen=True)
class Lost(Input):
    """An instrument is away."""

    reason: str


@dataclass(frozen=True)
class Back(Input):
    """Every instrument is there again."""


@dataclass(frozen=True)
class Full(Input):
    """Nothing more can be written: the disk is full."""

    reason: str


@dataclass(frozen=True)
class Space(Input):
    """All that waited has been written."""


@dataclass(frozen=True)
class Repeat(Input):
    """The operator wants a position again: the one being recorded, otherwise the last accepted."""


@dataclass(frozen=True)
class Skip(Input):
    """The operator leaves the position out."""


@dataclass(frozen=True)
class Stop(Input):
    """The test ends here."""

    outcome: Outcome
    reason: str


# Actions ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Action:
    """What is to be done."""


@dataclass(frozen=True)
class Ask(Action):
    """Show this position to the technician."""

    target: Target


@dataclass(frozen=True)
class BeginRock(Action):
    """Record from now on."""

    target: Target


@dataclass(frozen=True)
class Accept(Action):
    """Keep the recorded rock as this position's."""

    target: Target


@dataclass(frozen=True)
class Refuse(Action):
    """Give up the recorded rock."""

    target: Target
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class AskCause(Action):
    """Ask a person why so many rocks in a row were refused, ``target`` the last of them."""

    target: Target
    refused: int


@dataclass(frozen=True)
class LeaveOut(Action):
    """Note that this position stays unmeasured."""

    target: Target
    reason: str


@dataclass(frozen=True)
class Spare(Action):
    """Note that these positions need not be measured, since the verdict is settled without them."""

    targets: tuple[Target, ...]


@dataclass(frozen=True)
class Predict(Action):
    """Fit the lash map and answer with `Confirm`."""


@dataclass(frozen=True)
class AskMarks(Action):
    """Ask the technician to bring the marks to the mesh once more."""

    attempt: int


@dataclass(frozen=True)
class LeaveMarks(Action):
    """Note that nobody saw the marks again."""


@dataclass(frozen=True)
class BeginPasses(Action):
    """Passes made so far no longer count: the cycle run begins anew with these."""

    passes: tuple[Pass, ...]


@dataclass(frozen=True)
class AskReady(Action):
    """Show what must be true before the box turns, or before it is rocked, and wait for an answer."""

    what: Readiness


@dataclass(frozen=True)
class SayReady(Action):
    """Keep that answer."""

    what: Readiness


@dataclass(frozen=True)
class AskTurn(Action):
    """Ask the technician to turn the pinion for a pass, or a member for its runout."""

    turn: Turn


@dataclass(frozen=True)
class KeepTurn(Action):
    """Keep the recorded pass or sweep."""

    turn: Turn


@dataclass(frozen=True)
class RefuseTurn(Action):
    """Give up the recorded pass or sweep."""

    turn: Turn
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class Pause(Action):
    """Say that the test pauses, and why."""

    reason: str


@dataclass(frozen=True)
class GoOn(Action):
    """Say that the pause is over."""


@dataclass(frozen=True)
class Close(Action):
    """The test is over."""

    outcome: Outcome
    reason: str


Step: TypeAlias = tuple[State, tuple[Action, ...]]
"""What follows: the state, and what is to be done in this order."""


def _next_sweep(state: State, *before: Action) -> Step:
    """Ask for the next member's sweep; close the test when there is none."""
    if not state.sweeps:
        closed = replace(state, phase=Phase.CLOSED, turn=None)
        return closed, (*before, Close("completed", "all positions done"))
    member, *rest = state.sweeps
    sweep = Sweep(member=member)
    return (
        replace(state, phase=Phase.SWEEPING, turn=sweep, sweeps=tuple(rest)),
        (*before, AskTurn(sweep)),
    )


def _ask_ready(state: State, what: Readiness, *before: Action) -> Step:
    asking = replace(state, phase=Phase.READYING, ready_for=what, turn=None, target=None)
    return asking, (*before, AskReady(what))


def _ready(state: State, _: Ready) -> Step:
    what = state.ready_for
    if what is None:
        raise RuntimeError("a stand was made ready for nothing")
    state = replace(state, ready_for=None)
    return _next_pass(state, SayReady(what)) if what == "turn" else _begin_rocks(state, SayReady(what))


def _begin_rocks(state: State, *before: Action) -> Step:
    return _next(state, *before) if state.stuck is None else _ask_cause(state, state.stuck, *before)


def _skip_passes(state: State, _: Skip) -> Step:
    """The operator leaves the cycle run out before the box turned; a lock-out is never left out."""
    if state.ready_for != "turn":
        return state, ()
    left = tuple(RefuseTurn(one, (SKIPPED,)) for one in state.passes)
    return _begin_rocks(replace(state, ready_for=None, passes=()), *left)


def _repeat_passes(state: State, _: Repeat) -> Step:
    """The operator wants the passes again, while the bench may still be as it was."""
    return _passes_anew(state) if state.ready_for == "rock" else (state, ())


def _passes_anew(state: State) -> Step:
    """From the first pass on: what came between may have moved an encoder's times or its place.

    The box stood meanwhile, and somebody may have been at it.
    """
    anew = replace(state, passes=state.planned_passes)
    return _ask_ready(anew, "turn", BeginPasses(state.planned_passes))


def _next_pass(state: State, *before: Action) -> Step:
    """Ask for the next pass; with none left the stand is made ready to be rocked."""
    if not state.passes:
        return _ask_ready(state, "rock", *before)
    turn, *rest = state.passes
    asking = replace(state, phase=Phase.PASSING, turn=turn, passes=tuple(rest))
    return asking, (*before, AskTurn(turn))


def _turn_of(state: State) -> Turn:
    """The pass or sweep asked for now."""
    if state.turn is None:
        raise RuntimeError(f"phase {state.phase} without a pass or sweep")
    return state.turn


def _next_turn(state: State, *before: Action) -> Step:
    return (_next_pass if isinstance(state.turn, Pass) else _next_sweep)(state, *before)


def _turn_good(state: State, happened: TurnGood) -> Step:
    more = replace(state, passes=(*state.passes, *happened.slower))
    return _next_turn(more, KeepTurn(_turn_of(state)))


def _turn_again(state: State, reasons: tuple[str, ...]) -> Step:
    """Refuse it and ask for it again."""
    turn = _turn_of(state)
    again = replace(turn, attempt=turn.attempt + 1, reason="; ".join(reasons))
    return replace(state, turn=again), (RefuseTurn(turn, reasons), AskTurn(again))


def _turn_bad(state: State, happened: TurnBad) -> Step:
    """Ask again until the tries are used up."""
    turn, reasons = _turn_of(state), happened.reasons
    if turn.attempt < state.tries:
        return _turn_again(state, reasons)
    if isinstance(turn, Pass):
        reasons = (f"{GIVEN_UP} {turn.attempt} {'try' if turn.attempt == 1 else 'tries'}", *reasons)
    return _left_out(state, reasons)


def _left_out(state: State, reasons: tuple[str, ...]) -> Step:
    """Go on without it; half of a slower pair settles nothing, so that its other half is not asked for."""
    turn = _turn_of(state)
    if isinstance(turn, Pass) and turn.most_deg_per_s is not None:
        state = replace(state, passes=())
    return _next_turn(state, RefuseTurn(turn, reasons))


def _turn_repeat(state: State, _: Repeat) -> Step:
    return _turn_again(state, (_REPEATED,))


def _turn_skip(state: State, _: Skip) -> Step:
    return _left_out(state, (SKIPPED,))


def _lost_in_turn(state: State, happened: Lost | Full) -> Step:
    again, (refuse, _) = _turn_again(state, (happened.reason,))
    return replace(again, phase=Phase.WAITING), (refuse,)


_REPEATED = "repeated by the operator"
_DISK_FULL = "the disk was full"


def begin(
    engagements: tuple[int, ...],
    *,
    tries: int,
    sweeps: tuple[Shaft, ...] = (),
    passes: tuple[Pass, ...] = (),
) -> Step:
    """The first step of a test: ``passes``, ``engagements`` in that order of travel, and then ``sweeps``.

    Raises:
        ValueError: When there are none, or tries is below 1.
    """
    if not engagements or tries < 1:
        raise ValueError("a test needs at least one position and one try")
    queue = tuple(
        Target(number=number, engagement=engagement, purpose="planned")
        for number, engagement in enumerate(engagements, start=1)
    )
    state = State(
        phase=Phase.PREDICTING,
        target=None,
        queue=queue,
        last_accepted=None,
        asked=len(queue),
        tries=tries,
        sweeps=sweeps,
        passes=passes,
        planned_passes=passes,
    )
    return _ask_ready(state, "turn") if passes else _next(state)


def resume(state: State, *, check: Target | None, sweeping: bool) -> Step:
    """The first step of a test that goes on.

    Args:
        state: As the record left it, in no phase yet: ``queue`` holds every position that is not settled,
            the one asked for last first; ``turn`` the sweep asked for last when it is not settled;
            ``passes`` every pass that is not settled, ``planned_passes`` all;
            ``ready_for`` what was not said before the test ended.
        check: A position to measure first, to see whether anything moved; numbered after all others.
        sweeping: The positions were done.
    """
    if sweeping:
        if state.turn is None:
            return _next_sweep(state)
        return replace(state, phase=Phase.SWEEPING), (AskTurn(state.turn),)
    if check is not None:
        state = replace(state, queue=(check, *state.queue), asked=check.number)
    if state.passes:
        return _passes_anew(state)
    return _begin_rocks(state) if state.ready_for is None else _ask_ready(state, state.ready_for)


def step(state: State, happened: Input) -> Step:
    """What follows from ``happened``; the state itself and nothing to do when the phase ignores it."""
    handler = TABLE.get((state.phase, type(happened)))
    return handler(state, happened) if handler else (state, ())


def _next(state: State, *before: Action) -> Step:
    if not state.queue:
        return replace(state, phase=Phase.PREDICTING, target=None), (*before, Predict())
    target, *rest = state.queue
    if target.purpose != "planned" and not state.marks_seen:
        return _ask_marks(state, *before)
    return (
        replace(state, phase=Phase.TURNING, target=target, queue=tuple(rest)),
        (*before, Ask(target)),
    )


def _ask_marks(state: State, *before: Action) -> Step:
    """Before the tight spot is confirmed, the reference of all readings is compared with the marks."""
    return (
        replace(state, phase=Phase.CHECKING, target=None),
        (*before, AskMarks(state.marks_tries + 1)),
    )


def _marks_seen(state: State, _: Input) -> Step:
    seen = replace(state, marks_seen=True)
    return _next(seen) if seen.queue else _next_sweep(seen)


def _marks_off(state: State, _: Input) -> Step:
    return _ask_marks(replace(state, marks_tries=state.marks_tries + 1))


def _skip_marks(state: State, happened: Input) -> Step:
    after, actions = _marks_seen(state, happened)
    return after, (LeaveMarks(), *actions)


def _target(state: State) -> Target:
    if state.target is None:
        raise RuntimeError(f"phase {state.phase} without a target")
    return state.target


def _arrived(state: State, _: Input) -> Step:
    return replace(state, phase=Phase.ROCKING), (BeginRock(_target(state)),)


def _good(state: State, happened: RockGood) -> Step:
    target = _target(state)
    state = replace(state, last_accepted=target, refused=0, given_up=())
    spared = tuple(one for one in state.queue if one.purpose == "planned")
    if not (spared and happened.settled):
        return _next(state, Accept(target))
    kept = tuple(one for one in state.queue if one.purpose != "planned")
    return _next(replace(state, queue=kept), Accept(target), Spare(spared))


def _again(state: State, reasons: tuple[str, ...]) -> Step:
    target = _target(state)
    again = replace(target, attempt=target.attempt + 1, reason="; ".join(reasons))
    return (
        replace(state, phase=Phase.TURNING, target=again),
        (Refuse(target, reasons), Ask(again)),
    )


def _left(state: State, happened: Left) -> Step:
    state = replace(state, refused=state.refused + 1)
    return _again(state, happened.reasons) if state.refused < FIND_CAUSE else _stuck(state, happened.reasons)


def _bad(state: State, happened: RockBad) -> Step:
    target, reasons = _target(state), happened.reasons
    state = replace(state, refused=state.refused + 1)
    if state.refused >= FIND_CAUSE:
        return _stuck(state, reasons)
    if target.attempt < state.tries:
        return _again(state, reasons)
    text = f"refused {target.attempt} times, last because: {'; '.join(one.rstrip('.') for one in reasons)}"
    state = replace(state, given_up=(*state.given_up, target))
    return _next(state, Refuse(target, reasons), LeaveOut(target, text))


def _stuck(state: State, reasons: tuple[str, ...]) -> Step:
    """The position comes again, however often it was tried, but only when the cause is known."""
    again, (refuse, _) = _again(state, reasons)
    stuck = _target(again)
    return _ask_cause(replace(again, target=None, queue=(stuck, *again.queue)), stuck, refuse)


def _ask_cause(state: State, stuck: Target, *before: Action) -> Step:
    return (
        replace(state, phase=Phase.FINDING, stuck=stuck),
        (*before, AskCause(stuck, state.refused)),
    )


def _cause_told(state: State, happened: CauseTold) -> Step:
    """With a cause that is mended, what was left out for it is measured after all."""
    stuck = state.stuck
    if stuck is None:
        raise RuntimeError("a cause was told that nobody asked for")
    more = tuple(after_all(one) for one in state.given_up) if happened.found else ()
    # Behind the position itself; where a test that goes on has others first, they stay first.
    places = (place for place, one in enumerate(state.queue, start=1) if one.number == stuck.number)
    at = next(places, 1)
    queue = (*state.queue[:at], *more, *state.queue[at:])
    return _next(replace(state, queue=queue, stuck=None, refused=0, given_up=()))


def _repeat_recording(state: State, _: Repeat) -> Step:
    return _again(state, (_REPEATED,))


def _repeat_last(state: State, _: Input) -> Step:
    last = state.last_accepted
    if last is None:
        return state, ()
    again = replace(last, attempt=last.attempt + 1, reason=_REPEATED)
    return (
        replace(state, target=again, queue=(_target(state), *state.queue), last_accepted=None),
        (Ask(again),),
    )


def _skip(state: State, _: Skip) -> Step:
    return _next(replace(state, refused=0, given_up=()), LeaveOut(_target(state), SKIPPED))


def _confirm(state: State, happened: Confirm) -> Step:
    if not happened.engagements:
        return _ask_marks(state) if happened.mapped and not state.marks_seen else _next_sweep(state)
    queue = tuple(
        Target(number=state.asked + offset, engagement=engagement, purpose=happened.purpose)
        for offset, engagement in enumerate(happened.engagements, start=1)
    )
    return _next(replace(state, queue=queue, asked=state.asked + len(queue)))


def _lost(state: State, _: Input) -> Step:
    return replace(state, phase=Phase.WAITING), ()


def _lost_in_rock(state: State, happened: Lost | Full) -> Step:
    again, (refuse, _) = _again(state, (happened.reason,))
    return replace(again, phase=Phase.WAITING), (refuse,)


def _full(state: State, happened: Full) -> Step:
    return replace(state, phase=Phase.PAUSED), (Pause(happened.reason),)


def _full_after(lost: Callable[[State, Full], Step]) -> Callable[[State, Full], Step]:
    """What is being recorded is given up first, as when an instrument is lost."""

    def full(state: State, happened: Full) -> Step:
        waiting, refused = lost(state, Full(_DISK_FULL))
        paused, pause = _full(waiting, happened)
        return paused, (*refused, *pause)

    return full


def _space(state: State, _: Space) -> Step:
    """As when an instrument is back; one that is still away is found out at once."""
    after, actions = _back(state, Back())
    return after, (GoOn(), *actions)


def _back(state: State, _: Input) -> Step:
    if state.ready_for is not None:
        return _ask_ready(state, state.ready_for)
    if isinstance(state.turn, Pass):
        return _passes_anew(state)
    if state.stuck is not None:
        return _ask_cause(state, state.stuck)
    if state.turn is not None:
        return replace(state, phase=Phase.SWEEPING), (AskTurn(state.turn),)
    if state.target is None:
        return _ask_marks(state)
    return replace(state, phase=Phase.TURNING), (Ask(_target(state)),)


def _stop(state: State, happened: Stop) -> Step:
    closed = replace(
        state,
        phase=Phase.CLOSED,
        target=None,
        queue=(),
        sweeps=(),
        stuck=None,
        ready_for=None,
        turn=None,
        passes=(),
    )
    return closed, (Close(happened.outcome, happened.reason),)


TABLE: dict[tuple[Phase, type[Input]], Callable[[State, Any], Step]] = {
    (Phase.READYING, Ready): _ready,
    (Phase.READYING, Lost): _lost,
    (Phase.READYING, Full): _full,
    (Phase.READYING, Repeat): _repeat_passes,
    (Phase.READYING, Skip): _skip_passes,
    (Phase.READYING, Stop): _stop,
    (Phase.PASSING, TurnGood): _turn_good,
    (Phase.PASSING, TurnBad): _turn_bad,
    (Phase.PASSING, Lost): _lost_in_turn,
    (Phase.PASSING, Full): _full_after(_lost_in_turn),
    (Phase.PASSING, Repeat): _turn_repeat,
    (Phase.PASSING, Skip): _turn_skip,
    (Phase.PASSING, Stop): _stop,
    (Phase.TURNING, Arrived): _arrived,
    (Phase.TURNING, Lost): _lost,
    (Phase.TURNING, Full): _full,
    (Phase.TURNING, Repeat): _repeat_last,
    (Phase.TURNING, Skip): _skip,
    (Phase.TURNING, Stop): _stop,
    (Phase.ROCKING, Left): _left,
    (Phase.ROCKING, RockGood): _good,
    (Phase.ROCKING, RockBad): _bad,
    (Phase.ROCKING, Lost): _lost_in_rock,
    (Phase.ROCKING, Full): _full_after(_lost_in_rock),
    (Phase.ROCKING, Repeat): _repeat_recording,
    (Phase.ROCKING, Skip): _skip,
    (Phase.ROCKING, Stop): _stop,
    (Phase.FINDING, CauseTold): _cause_told,
    (Phase.FINDING, Lost): _lost,
    (Phase.FINDING, Full): _full,
    (Phase.FINDING, Stop): _stop,
    (Phase.PREDICTING, Confirm): _confirm,
    (Phase.PREDICTING, Stop): _stop,
    (Phase.CHECKING, MarksSeen): _marks_seen,
    (Phase.CHECKING, MarksOff): _marks_off,
    (Phase.CHECKING, Lost): _lost,
    (Phase.CHECKING, Full): _full,
    (Phase.CHECKING, Skip): _skip_marks,
    (Phase.CHECKING, Stop): _stop,
    (Phase.SWEEPING, TurnGood): _turn_good,
    (Phase.SWEEPING, TurnBad): _turn_bad,
    (Phase.SWEEPING, Lost): _lost_in_turn,
    (Phase.SWEEPING, Full): _full_after(_lost_in_turn),
    (Phase.SWEEPING, Repeat): _turn_repeat,
    (Phase.SWEEPING, Skip): _turn_skip,
    (Phase.SWEEPING, Stop): _stop,
    (Phase.WAITING, Back): _back,
    (Phase.WAITING, Full): _full,
    (Phase.WAITING, Stop): _stop,
    (Phase.PAUSED, Space): _space,
    (Phase.PAUSED, Stop): _stop,
}
