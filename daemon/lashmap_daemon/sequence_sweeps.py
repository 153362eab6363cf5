"""What the sequence does with runout sweeps, which come after the last position: one member after another."""

from __future__ import annotations

from dataclasses import replace

from lashmap_daemon.sequence_words import (
    Action,
    AskSweep,
    Close,
    Input,
    KeepSweep,
    Phase,
    RefuseSweep,
    State,
    Step,
    Sweep,
    SweepBad,
)

SKIPPED = "skipped by the operator"


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
