"""The sequence of a test as a pure state machine: ``(state, input) -> (state, actions)``.

It knows positions, tries, runout sweeps and what comes next; no clock, port, file or screen. `TABLE` holds
every input that a phase acts on; a phase ignores all others.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from lashmap_analysis.record.record import Shaft

from lashmap_daemon.sequence.words import (
    Accept,
    Action,
    Arrived,
    Ask,
    AskMarks,
    AskSweep,
    Back,
    BeginRock,
    Close,
    Confirm,
    Full,
    GoOn,
    Input,
    KeepSweep,
    LeaveMarks,
    LeaveOut,
    Left,
    Lost,
    MarksOff,
    MarksSeen,
    Pause,
    Phase,
    Predict,
    Refuse,
    RefuseSweep,
    Repeat,
    RockBad,
    RockGood,
    Skip,
    Space,
    Spare,
    State,
    Step,
    Stop,
    Sweep,
    SweepBad,
    SweepGood,
    Target,
)
from lashmap_daemon.story.story import SKIPPED


def next_sweep(state: State, *before: Action) -> Step:
    """Ask for the next member's sweep; close the test when there is none."""
    if not state.sweeps:
        closed = replace(state, phase=Phase.CLOSED, sweep=None)
        return closed, (*before, Close("completed", "all positions done"))
    member, *rest = state.sweeps
    sweep = Sweep(member=member)
    return (
        replace(state, phase=Phase.SWEEPING, sweep=sweep, sweeps=tuple(rest)),
        (*before, AskSweep(sweep)),
    )


def sweep_of(state: State) -> Sweep:
    """The sweep asked for now."""
    if state.sweep is None:
        raise RuntimeError(f"phase {state.phase} without a sweep")
    return state.sweep


def sweep_good(state: State, _: Input) -> Step:
    """Keep it and go on."""
    return next_sweep(state, KeepSweep(sweep_of(state)))


def sweep_again(state: State, reasons: tuple[str, ...]) -> Step:
    """Refuse it and ask for it again."""
    sweep = sweep_of(state)
    again = replace(sweep, attempt=sweep.attempt + 1, reason="; ".join(reasons))
    return replace(state, sweep=again), (RefuseSweep(sweep, reasons), AskSweep(again))


def sweep_bad(state: State, happened: Input) -> Step:
    """Ask again until the tries are used up."""
    reasons = happened.reasons if isinstance(happened, SweepBad) else ()
    if sweep_of(state).attempt < state.tries:
        return sweep_again(state, reasons)
    return next_sweep(state, RefuseSweep(sweep_of(state), reasons))


def sweep_repeat(state: State, _: Input) -> Step:
    """Ask again because the operator wants it."""
    return sweep_again(state, ("repeated by the operator",))


def sweep_skip(state: State, _: Input) -> Step:
    """Give it up because the operator wants it."""
    return next_sweep(state, RefuseSweep(sweep_of(state), (SKIPPED,)))


_DISK_FULL = "the disk was full"


def begin(engagements: tuple[int, ...], *, tries: int, sweeps: tuple[Shaft, ...] = ()) -> Step:
    """The first step of a test over ``engagements``, in that order of travel, and then ``sweeps``.

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
    )
    return _next(state)


def resume(state: State, *, check: Target | None, sweeping: bool) -> Step:
    """The first step of a test that goes on.

    Args:
        state: As the record left it, in no phase yet: ``queue`` holds every position that is not settled,
            the one asked for last first; ``sweep`` the sweep asked for last when it is not settled.
        check: A position to measure first, to see whether anything moved; numbered after all others.
        sweeping: The positions were done.
    """
    if sweeping:
        if state.sweep is None:
            return next_sweep(state)
        return replace(state, phase=Phase.SWEEPING), (AskSweep(state.sweep),)
    if check is not None:
        state = replace(state, queue=(check, *state.queue), asked=check.number)
    return _next(state)


def step(state: State, happened: Input) -> Step:
    """What follows from ``happened``; the state itself and nothing to do when the phase ignores it."""
    handler = TABLE.get((state.phase, type(happened)))
    return handler(state, happened) if handler else (state, ())


def _next(state: State, *before: Action) -> Step:
    if not state.queue:
        return replace(state, phase=Phase.PREDICTING, target=None), (*before, Predict())
    target, *rest = state.queue
    if target.purpose == "confirming" and not state.marks_seen:
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
    return _next(seen) if seen.queue else next_sweep(seen)


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


def _good(state: State, happened: Input) -> Step:
    target = _target(state)
    state = replace(state, last_accepted=target)
    spared = tuple(one for one in state.queue if one.purpose == "planned")
    if not (spared and isinstance(happened, RockGood) and happened.settled):
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


def _left(state: State, happened: Input) -> Step:
    return _again(state, happened.reasons if isinstance(happened, Left) else ())


def _bad(state: State, happened: Input) -> Step:
    reasons = happened.reasons if isinstance(happened, RockBad) else ()
    target = _target(state)
    if target.attempt < state.tries:
        return _again(state, reasons)
    text = f"refused {target.attempt} times, last because: {'; '.join(reasons)}"
    return _next(state, Refuse(target, reasons), LeaveOut(target, text))


def _repeat_recording(state: State, _: Input) -> Step:
    return _again(state, ("repeated by the operator",))


def _repeat_last(state: State, _: Input) -> Step:
    last = state.last_accepted
    if last is None:
        return state, ()
    again = replace(last, attempt=last.attempt + 1, reason="repeated by the operator")
    return (
        replace(state, target=again, queue=(_target(state), *state.queue), last_accepted=None),
        (Ask(again),),
    )


def _skip(state: State, _: Input) -> Step:
    target = _target(state)
    return _next(state, LeaveOut(target, "skipped by the operator"))


def _confirm(state: State, happened: Input) -> Step:
    engagements = happened.engagements if isinstance(happened, Confirm) else ()
    if not engagements:
        rests_on_marks = isinstance(happened, Confirm) and happened.mapped
        return _ask_marks(state) if rests_on_marks and not state.marks_seen else next_sweep(state)
    queue = tuple(
        Target(number=state.asked + offset, engagement=engagement, purpose="confirming")
        for offset, engagement in enumerate(engagements, start=1)
    )
    return _next(replace(state, queue=queue, asked=state.asked + len(queue)))


def _lost(state: State, _: Input) -> Step:
    return replace(state, phase=Phase.WAITING), ()


def _lost_in_rock(state: State, happened: Input) -> Step:
    again, (refuse, _) = _again(state, _reason_of(happened))
    return replace(again, phase=Phase.WAITING), (refuse,)


def _lost_in_sweep(state: State, happened: Input) -> Step:
    again, (refuse, _) = sweep_again(state, _reason_of(happened))
    return replace(again, phase=Phase.WAITING), (refuse,)


def _full(state: State, happened: Input) -> Step:
    return replace(state, phase=Phase.PAUSED), tuple(Pause(reason) for reason in _reason_of(happened))


def _full_in_rock(state: State, happened: Input) -> Step:
    waiting, refused = _lost_in_rock(state, Full(_DISK_FULL))
    paused, pause = _full(waiting, happened)
    return paused, (*refused, *pause)


def _full_in_sweep(state: State, happened: Input) -> Step:
    waiting, refused = _lost_in_sweep(state, Full(_DISK_FULL))
    paused, pause = _full(waiting, happened)
    return paused, (*refused, *pause)


def _space(state: State, happened: Input) -> Step:
    """As when an instrument is back; one that is still away is found out at once."""
    return (back := _back(state, happened))[0], (GoOn(), *back[1])


def _reason_of(happened: Input) -> tuple[str, ...]:
    return (happened.reason,) if isinstance(happened, Lost | Full) else ()


def _back(state: State, _: Input) -> Step:
    if state.sweep is not None:
        return replace(state, phase=Phase.SWEEPING), (AskSweep(state.sweep),)
    if state.target is None:
        return _ask_marks(state)
    return replace(state, phase=Phase.TURNING), (Ask(_target(state)),)


def _stop(state: State, happened: Input) -> Step:
    outcome, reason = (
        (happened.outcome, happened.reason) if isinstance(happened, Stop) else ("stopped", "stopped")
    )
    closed = replace(state, phase=Phase.CLOSED, target=None, queue=(), sweep=None, sweeps=())
    return closed, (Close(outcome, reason),)


TABLE: dict[tuple[Phase, type[Input]], Callable[[State, Input], Step]] = {
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
    (Phase.ROCKING, Full): _full_in_rock,
    (Phase.ROCKING, Repeat): _repeat_recording,
    (Phase.ROCKING, Skip): _skip,
    (Phase.ROCKING, Stop): _stop,
    (Phase.PREDICTING, Confirm): _confirm,
    (Phase.PREDICTING, Stop): _stop,
    (Phase.CHECKING, MarksSeen): _marks_seen,
    (Phase.CHECKING, MarksOff): _marks_off,
    (Phase.CHECKING, Lost): _lost,
    (Phase.CHECKING, Full): _full,
    (Phase.CHECKING, Skip): _skip_marks,
    (Phase.CHECKING, Stop): _stop,
    (Phase.SWEEPING, SweepGood): sweep_good,
    (Phase.SWEEPING, SweepBad): sweep_bad,
    (Phase.SWEEPING, Lost): _lost_in_sweep,
    (Phase.SWEEPING, Full): _full_in_sweep,
    (Phase.SWEEPING, Repeat): sweep_repeat,
    (Phase.SWEEPING, Skip): sweep_skip,
    (Phase.SWEEPING, Stop): _stop,
    (Phase.WAITING, Back): _back,
    (Phase.WAITING, Full): _full,
    (Phase.WAITING, Stop): _stop,
    (Phase.PAUSED, Space): _space,
    (Phase.PAUSED, Stop): _stop,
}
