"""Types of the sequence: phases, state, inputs, actions."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TypeAlias

from lashmap_analysis.record.record import Shaft

from lashmap_daemon.story.events import Outcome
from lashmap_daemon.story.story import Sweep, Target

__all__ = ["Sweep", "Target"]


class Phase(StrEnum):
    """What the test is waiting for."""

    TURNING = "turning to the position"
    ROCKING = "recording the rock"
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
        sweep: The runout sweep asked for now; None outside `SWEEPING` and what interrupted it.
        sweeps: Members whose sweeps are still to come.
        marks_seen: The marks were seen once more, or nobody is to be asked (again).
        marks_tries: How often that was asked for in vain.
    """

    phase: Phase
    target: Target | None
    queue: tuple[Target, ...]
    last_accepted: Target | None
    asked: int
    tries: int
    sweep: Sweep | None = None
    sweeps: tuple[Shaft, ...] = ()
    marks_seen: bool = False
    marks_tries: int = 0


# Inputs -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Arrived:
    """The gear is at the position and still."""


@dataclass(frozen=True)
class Left:
    """The gear left the position while the rock was recorded."""

    reasons: tuple[str, ...] = ("the gear left the position while the rock was recorded",)


@dataclass(frozen=True)
class RockGood:
    """The rock gave a usable reading.

    ``settled`` is True when the readings so far settle the verdict: no further planned position is needed.
    """

    settled: bool = False


@dataclass(frozen=True)
class RockBad:
    """The rock gave none in the time allowed."""

    reasons: tuple[str, ...]


@dataclass(frozen=True)
class Confirm:
    """The lash map asks for these engagements; none when the tight spot needs no (more) confirming.

    ``mapped`` is False when there is no lash map, so that nothing rests on the marks.
    """

    engagements: tuple[int, ...]
    mapped: bool = True


@dataclass(frozen=True)
class MarksSeen:
    """All that is to be known of the marks is recorded: the test goes on."""


@dataclass(frozen=True)
class MarksOff:
    """Mark and encoder disagree: the technician checks once more."""


@dataclass(frozen=True)
class SweepGood:
    """The sweep gave a runout."""


@dataclass(frozen=True)
class SweepBad:
    """The sweep gave none."""

    reasons: tuple[str, ...]


@dataclass(frozen=True)
class Lost:
    """An instrument is away."""

    reason: str


@dataclass(frozen=True)
class Back:
    """Every instrument is there again."""


@dataclass(frozen=True)
class Full:
    """Nothing more can be written: the disk is full."""

    reason: str


@dataclass(frozen=True)
class Space:
    """All that waited has been written."""


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


Input: TypeAlias = (
    Arrived
    | Left
    | RockGood
    | RockBad
    | Confirm
    | MarksSeen
    | MarksOff
    | SweepGood
    | SweepBad
    | Lost
    | Back
    | Full
    | Space
    | Repeat
    | Skip
    | Stop
)

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
class Spare:
    """Note that these positions need not be measured, since the verdict is settled without them."""

    targets: tuple[Target, ...]


@dataclass(frozen=True)
class Predict:
    """Fit the lash map and answer with `Confirm`."""


@dataclass(frozen=True)
class AskMarks:
    """Ask the technician to bring the marks to the mesh once more."""

    attempt: int


@dataclass(frozen=True)
class LeaveMarks:
    """Note that nobody saw the marks again."""


@dataclass(frozen=True)
class AskSweep:
    """Ask the technician to turn a member for its runout."""

    sweep: Sweep


@dataclass(frozen=True)
class KeepSweep:
    """Keep the recorded sweep."""

    sweep: Sweep


@dataclass(frozen=True)
class RefuseSweep:
    """Give up the recorded sweep."""

    sweep: Sweep
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class Pause:
    """Say that the test pauses, and why."""

    reason: str


@dataclass(frozen=True)
class GoOn:
    """Say that the pause is over."""


@dataclass(frozen=True)
class Close:
    """The test is over."""

    outcome: Outcome
    reason: str


Action: TypeAlias = (
    Ask
    | BeginRock
    | Accept
    | Refuse
    | LeaveOut
    | Spare
    | Predict
    | AskMarks
    | LeaveMarks
    | AskSweep
    | KeepSweep
    | RefuseSweep
    | Pause
    | GoOn
    | Close
)

Step: TypeAlias = tuple[State, tuple[Action, ...]]
"""What follows: the state, and what is to be done in this order."""
