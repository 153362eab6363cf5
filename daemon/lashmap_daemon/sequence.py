"""The sequence of a test as a pure state machine: ``(state, input) -> (state, actions)``.

It knows positions, tries and what comes next; it knows no clock, port, file or screen. The table at the end
is complete: every phase meets every input, and what is ignored is listed as ignored.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TypeAlias

from lashmap_analysis.record import Purpose

from lashmap_daemon.events import Outcome


class Phase(StrEnum):
    """What the test is waiting for."""

    TURNING = "turning to the position"
    ROCKING = "recording the rock"
    PREDICTING = "finding the tight spot"
    CLOSED = "closed"


@dataclass(frozen=True, kw_only=True)
class Target:
    """A position that is asked for."""

    number: int
    engagement: int
    purpose: Purpose
    attempt: int = 1
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class State:
    """Where the test stands.

    Attributes:
        phase: What is awaited.
        target: The position asked for now; None outside `TURNING` and `ROCKING`.
        queue: Positions to come.
        last_accepted: The position a *repeat* goes back to.
        asked: How many positions were numbered so far.
        tries: Refusals after which a position is skipped.
    """

    phase: Phase
    target: Target | None
    queue: tuple[Target, ...]
    last_accepted: Target | None
    asked: int
    tries: int


# Inputs -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Arrived:
    """The gear is at the position and still."""


@dataclass(frozen=True)
class Left:
    """The gear left the position while the rock was recorded."""


@dataclass(frozen=True)
class RockGood:
    """The rock gave a usable reading."""


@dataclass(frozen=True)
class RockBad:
    """The rock gave none in the time allowed."""

    reasons: tuple[str, ...]


@dataclass(frozen=True)
class Confirm:
    """The lash map asks for these engagements; none when the tight spot needs no (more) confirming."""

    engagements: tuple[int, ...]


@dataclass(frozen=True)
class Repeat:
    """The operator wants a position again: the one being recorded, otherwise the last accepted."""


@dataclass(frozen=True)
class Skip:
    """The operator leaves the position out."""


@dataclass(frozen=True)
class Stop:
    """The test ends here."""

    outcome: Outcome
    reason: str


Input: TypeAlias = Arrived | Left | RockGood | RockBad | Confirm | Repeat | Skip | Stop

# Actions ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Ask:
    """Show this position to the technician."""

    target: Target


@dataclass(frozen=True)
class BeginRock:
    """Record from now on."""

    target: Target


@dataclass(frozen=True)
class Accept:
    """Keep the recorded rock as this position's."""

    target: Target


@dataclass(frozen=True)
class Refuse:
    """Give up the recorded rock."""

    target: Target
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class LeaveOut:
    """Note that this position stays unmeasured."""

    target: Target
    reason: str


@dataclass(frozen=True)
class Predict:
    """Fit the lash map and answer with `Confirm`."""


@dataclass(frozen=True)
class Close:
    """The test is over."""

    outcome: Outcome
    reason: str


Action: TypeAlias = Ask | BeginRock | Accept | Refuse | LeaveOut | Predict | Close
Step: TypeAlias = tuple[State, tuple[Action, ...]]


def begin(engagements: tuple[int, ...], *, tries: int) -> Step:
    """The first step of a test over ``engagements``, in that order of travel.

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
        phase=Phase.PREDICTING, target=None, queue=queue, last_accepted=None, asked=len(queue), tries=tries
    )
    return _next(state)


def step(state: State, happened: Input) -> Step:
    """What follows from ``happened``; the state itself and nothing to do when the phase ignores it."""
    handler = TABLE.get((state.phase, type(happened)))
    return handler(state, happened) if handler else (state, ())


def _next(state: State, *before: Action) -> Step:
    if not state.queue:
        return replace(state, phase=Phase.PREDICTING, target=None), (*before, Predict())
    target, *rest = state.queue
    return (
        replace(state, phase=Phase.TURNING, target=target, queue=tuple(rest)),
        (*before, Ask(target)),
    )


def _target(state: State) -> Target:
    if state.target is None:
        raise RuntimeError(f"phase {state.phase} without a target")
    return state.target


def _arrived(state: State, _: Input) -> Step:
    return replace(state, phase=Phase.ROCKING), (BeginRock(_target(state)),)


def _good(state: State, _: Input) -> Step:
    target = _target(state)
    return _next(replace(state, last_accepted=target), Accept(target))


def _again(state: State, reasons: tuple[str, ...]) -> Step:
    target = _target(state)
    again = replace(target, attempt=target.attempt + 1, reason=reasons[0] if reasons else "")
    return (
        replace(state, phase=Phase.TURNING, target=again),
        (Refuse(target, reasons), Ask(again)),
    )


def _left(state: State, _: Input) -> Step:
    return _again(state, ("the gear left the position while the rock was recorded",))


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
        return replace(state, phase=Phase.CLOSED), (Close("completed", "all positions done"),)
    queue = tuple(
        Target(number=state.asked + offset, engagement=engagement, purpose="confirming")
        for offset, engagement in enumerate(engagements, start=1)
    )
    return _next(replace(state, queue=queue, asked=state.asked + len(queue)))


def _stop(state: State, happened: Input) -> Step:
    outcome, reason = (
        (happened.outcome, happened.reason) if isinstance(happened, Stop) else ("stopped", "stopped")
    )
    return replace(state, phase=Phase.CLOSED, target=None, queue=()), (Close(outcome, reason),)


TABLE: dict[tuple[Phase, type[Input]], Callable[[State, Input], Step]] = {
    (Phase.TURNING, Arrived): _arrived,
    (Phase.TURNING, Repeat): _repeat_last,
    (Phase.TURNING, Skip): _skip,
    (Phase.TURNING, Stop): _stop,
    (Phase.ROCKING, Left): _left,
    (Phase.ROCKING, RockGood): _good,
    (Phase.ROCKING, RockBad): _bad,
    (Phase.ROCKING, Repeat): _repeat_recording,
    (Phase.ROCKING, Skip): _skip,
    (Phase.ROCKING, Stop): _stop,
    (Phase.PREDICTING, Confirm): _confirm,
    (Phase.PREDICTING, Stop): _stop,
}

IGNORED: frozenset[tuple[Phase, type[Input]]] = frozenset(
    {
        (Phase.TURNING, Left),  # it is on its way
        (Phase.TURNING, RockGood),
        (Phase.TURNING, RockBad),
        (Phase.TURNING, Confirm),
        (Phase.ROCKING, Arrived),
        (Phase.ROCKING, Confirm),
        (Phase.PREDICTING, Arrived),
        (Phase.PREDICTING, Left),
        (Phase.PREDICTING, RockGood),
        (Phase.PREDICTING, RockBad),
        (Phase.PREDICTING, Repeat),
        (Phase.PREDICTING, Skip),
        *((Phase.CLOSED, kind) for kind in (Arrived, Left, RockGood, RockBad, Confirm, Repeat, Skip, Stop)),
    }
)
