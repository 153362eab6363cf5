"""What the person at the stand is to do now: one kind of deed, few words to be read from afar, and the rest.

Decided here: which of turn, rock, good, again, wait holds at a moment of a running test, and the words of
each flag of a rock as a person acts on it. How it looks is decided in `layout.py`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from lashmap_analysis.gears.tooth_names import teeth_met
from lashmap_analysis.record.lengths import format_length
from lashmap_analysis.record.record import ROLLED
from lashmap_analysis.rock.flags import FlagName

from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.story import events
from lashmap_daemon.story.wording import (
    cause_sentence,
    in_sentences,
    instruction,
    pass_sentence,
    place_text,
    ready_sentence,
    thirds_text,
)

if TYPE_CHECKING:
    from lashmap_daemon.testing.conductor import Conductor

_GOOD_S = 1.5  # so long it is said that a rock was good, with what comes next below it
_AGAIN_S = 4.0  # so long it is said that a rock is made again, from when the gear is still
_CLOSE = 1.0 / 12.0  # of a tooth: so near a phase of the roll the gear may stand
_HOLD = "hold the pinion, rock the gear lightly from flank to flank"
HINTS = {
    FlagName.TOO_FEW_REVERSALS: "rock on",
    FlagName.FLANK_NOT_SETTLED: "pause on each flank",
    FlagName.UNSTEADY_FLANK: "rock more lightly, with an even hand",
    FlagName.SLIP: "lock the pinion, clamp the base, rest on the flanks only",
    FlagName.OUT_OF_RANGE: "the indicator leaves its range: set it anew",
    FlagName.STUCK: "the indicator does not move: see to tip and plunger",
    FlagName.GAP_IN_SAMPLES: "samples are missing: see to cable and plugs",
    FlagName.UNDERSAMPLED_DWELL: "stay longer on each flank",
    FlagName.SINGLE_FLANK: "rock to the other flank too",
    FlagName.FLANK_NOT_REACHED: "push on until the teeth stop the gear, on both flanks",
    FlagName.COARSE_INDICATOR: "the indicator's steps are too coarse for this lash",
    FlagName.SPIKES: "single wild values were left out",
    FlagName.HEAVY_ROCKING: "rock more lightly",
    FlagName.PINION_MOVED: "the pinion turned: lock it without play",
    FlagName.INSTRUMENTS_DISAGREE: "indicator and encoder disagree: see to tip and coupling",
}
# Teeth are counted: nobody but the person knows where the gear is.
_LIGHTLY = "hold the pinion, rock lightly from flank to flank"
_THERE = f"Enter (or the pedal), {_LIGHTLY}"
_BY_NAME = {name.value: hint for name, hint in HINTS.items()}


class Kind(StrEnum):
    """Kinds of deed; each has a shape and a colour of its own."""

    FORWARD = "forward"
    BACK = "back"
    TURN = "turn"
    ROCK = "rock"
    GOOD = "good"
    AGAIN = "again"
    WAIT = "wait"
    STOP = "stop"
    MARK = "mark"
    END = "end"


@dataclass(frozen=True, kw_only=True)
class Cue:
    """What to do now.

    Attributes:
        kind: Of the deed.
        words: Few, to be read from afar.
        details: Short lines below them.
        why: A longer text that must be read whole; empty when there is none.
    """

    kind: Kind
    words: str
    details: tuple[str, ...] = ()
    why: str = ""


def hint(name: str) -> str:
    """What to do about a flag, by its name; the name itself where nothing better is known."""
    return _BY_NAME.get(name, name)


def cue_of_phase(phase: Phase, text: str) -> Cue:
    """What is known of a test elsewhere, of which only phase and instruction are told."""
    kind, words = {
        Phase.TURNING: (Kind.TURN, "TURN"),
        Phase.ROCKING: (Kind.ROCK, "ROCK"),
        Phase.CHECKING: (Kind.MARK, "MARK IN MESH"),
        Phase.FINDING: (Kind.STOP, "FIND CAUSE"),
        Phase.SWEEPING: (Kind.TURN, "TURN"),
        Phase.READYING: (Kind.STOP, "MAKE READY"),
        Phase.PASSING: (Kind.TURN, "TURN PINION"),
        Phase.CLOSED: (Kind.END, "NO TEST"),
    }.get(phase, (Kind.WAIT, "WAIT"))
    return Cue(kind=kind, words=words, why=text)


def cue_of(conductor: Conductor, now_s: float) -> Cue:
    """What to do now in a running test; ``now_s`` counts from its start."""
    phase, awaited = conductor.state.phase, conductor.story.awaited
    units, teeth = conductor.box.box.units, conductor.box.gear_set
    text = "" if awaited is None else instruction(awaited, units, teeth)
    if phase is Phase.ROCKING:
        return _rocking(conductor, now_s)
    if phase is Phase.CLOSED:
        return _closed(awaited, text)
    after = _after(awaited, conductor)
    newest = conductor.story.newest
    just_now = newest is not None and now_s - newest.end_s < _GOOD_S
    if after is not None and newest is not None and just_now and not (after.why or _gone(newest, conductor)):
        return _good(newest, after, awaited, conductor)
    return after or cue_of_phase(phase, text)


def _after(awaited: object, conductor: Conductor) -> Cue | None:  # noqa: PLR0911 - a cue for each
    phase = conductor.state.phase
    if phase is Phase.READYING and isinstance(awaited, events.ReadyAsked):
        words = "BOX WILL TURN" if awaited.what == "turn" else "LOCK OUT AGAIN"
        details = ("read, then press y",)
        return Cue(kind=Kind.STOP, words=words, details=details, why=ready_sentence(awaited, between="\n"))
    if phase is Phase.PASSING and isinstance(awaited, events.PassAsked):
        return _passing(awaited, conductor)
    if phase is Phase.TURNING and isinstance(awaited, events.PositionAsked):
        return _turning(awaited, conductor)
    if phase is Phase.CHECKING and isinstance(awaited, events.MarksAsked):
        text = instruction(awaited, conductor.box.box.units, conductor.box.gear_set)
        return Cue(
            kind=Kind.MARK,
            words="MARK IN MESH",
            details=(f"marked tooth of the {awaited.member}, then hold still and press m",),
            why=text,
        )
    if phase is Phase.FINDING and isinstance(awaited, events.CauseAsked):
        return Cue(
            kind=Kind.STOP,
            words="FIND CAUSE",
            details=("press the number of what you found",),
            why=cause_sentence(awaited, between="\n"),
        )
    if phase is Phase.CHECKING and isinstance(awaited, events.CountAsked):
        text = instruction(awaited, conductor.box.box.units, conductor.box.gear_set)
        return Cue(kind=Kind.MARK, words="MARK THERE?", details=("m: it is there   x: it is not",), why=text)
    if phase is Phase.SWEEPING and isinstance(awaited, events.SweepAsked):
        return _sweeping(awaited, conductor)
    return None


def _passing(asked: events.PassAsked, conductor: Conductor) -> Cue:
    watch = conductor.cycle_run.watch
    kind = Kind.FORWARD if asked.direction == "forward" else Kind.BACK
    way = asked.direction.upper()
    if watch is None or not watch.begun:
        details = ("steadily, against the brake, without a stop",)
        return Cue(kind=kind, words=f"TURN PINION {way}", details=details, why=pass_sentence(asked))
    left = max(asked.engagements - watch.teeth, 0.0)
    speed = f"{watch.deg_per_s:.0f} °/s"
    left_s = left / (watch.deg_per_s / 360.0 * conductor.gear_set.pinion_teeth) if watch.deg_per_s > 0 else 0
    time_left = f", about {left_s:.0f} s left" if left_s else ""
    details = (f"pinion at {speed}; {watch.teeth:.0f} of {asked.engagements} teeth done{time_left}",)
    return Cue(kind=kind, words=f"{way} {left:.0f} TEETH", details=details)


def _sweeping(awaited: events.SweepAsked, conductor: Conductor) -> Cue:
    text = instruction(awaited, conductor.box.box.units, conductor.box.gear_set)
    watch = conductor.sweep_watch
    if watch is None or not conductor.indicator_set:
        where = f"on the {awaited.member}; where it sits there already: Enter"
        return Cue(kind=Kind.WAIT, words="SET TIP", details=(where,), why=text)
    words = f"TURN ON {watch.turned_deg:.0f}°" if watch.turned_deg else f"TURN {awaited.member.upper()}"
    return Cue(kind=Kind.TURN, words=words, details=("steadily, one way, without a stop",), why=text)


def _gone(accepted: events.RockAccepted, conductor: Conductor) -> bool:
    """The gear has left the position that was accepted: whoever turns it needs to know how far."""
    teeth = _teeth_to(accepted.engagement, conductor)
    return teeth is not None and teeth != 0


def _teeth_to(engagement: int, conductor: Conductor) -> int | None:
    """Whole teeth from where the gear is now to an engagement, forward above zero; None when not known."""
    gear = conductor.channels.latest_gear_deg
    if gear is None:
        return None
    return engagement - round(gear[1] / 360.0 * conductor.gear_set.gear_teeth)


def _turning(asked: events.PositionAsked, conductor: Conductor) -> Cue:
    way = _teeth_to(asked.engagement, conductor)
    way = asked.turn_teeth if way is None else way
    teeth = abs(way)
    # One line of 80 columns, so that the deed has the next one.
    place = place_text(asked.engagement, asked.gear_angle_deg, conductor.box.gear_set)
    if asked.engagement < 0:  # an angle before the matched teeth takes a line of its own
        place = f"{teeth_met(conductor.box.gear_set, asked.engagement)} (engagement {asked.engagement})"
    if asked.turn_deg and not asked.turn_teeth:
        return _rolling_on(asked, conductor, place)
    why = asked.reason if asked.attempt > 1 else ""
    details = (
        f"{'confirm' if asked.purpose == 'confirming' else 'to'} {place}",
        f"then {_THERE if conductor.is_counted else _HOLD}",
    )
    if not teeth:
        if why:
            return Cue(kind=Kind.AGAIN, words="AGAIN", details=(_HOLD,), why=_again(asked))
        return Cue(kind=Kind.ROCK, words="STAY", details=details)
    kind, name = (Kind.FORWARD, "FORWARD") if way > 0 else (Kind.BACK, "BACK")
    words = f"{name} {teeth} {'TOOTH' if teeth == 1 else 'TEETH'}"
    return Cue(kind=kind, words=words, details=details, why=_again(asked) if why else "")


def _rolling_on(asked: events.PositionAsked, conductor: Conductor, place: str) -> Cue:
    """A part of a tooth is to go: whole teeth would not say how far."""
    gear, pitch_deg = conductor.channels.latest_gear_deg, conductor.gear_set.gear_angle_deg(1)
    left_deg = asked.turn_deg if gear is None else asked.gear_angle_deg - gear[1]
    what = "roll phase: " if asked.purpose in ROLLED else ""
    why = _again(asked) if asked.attempt > 1 else ""
    # A low terminal has room for two lines: the place gives way first.
    details = (f"then set the tip again, {_LIGHTLY}", f"{what}to {place}")
    if abs(left_deg) < pitch_deg * _CLOSE:
        return Cue(kind=Kind.ROCK, words="STAY", details=details, why=why)
    kind, name = (Kind.FORWARD, "FORWARD") if left_deg > 0 else (Kind.BACK, "BACK")
    by = thirds_text(left_deg, conductor.gear_set)
    return Cue(kind=kind, words=f"{name} {abs(left_deg):.1f}°", details=(f"gear {by}", *details), why=why)


def _again(asked: events.PositionAsked) -> str:
    return f"Try {asked.attempt}. {in_sentences(asked.reason)}"


def _rocking(conductor: Conductor, now_s: float) -> Cue:
    rock, awaited = conductor.rock, conductor.story.awaited
    again = isinstance(awaited, events.PositionAsked) and awaited.attempt > 1 and awaited
    if rock is None:
        return Cue(kind=Kind.ROCK, words="ROCK", details=(_HOLD,))
    how = _HOLD
    if conductor.channels.indicator_on_button:
        how = "hold the gear on a flank and press three times or more, then on the other"
    if again and now_s - rock.started_s < _AGAIN_S:
        return Cue(kind=Kind.AGAIN, words="AGAIN", details=(how,), why=_again(again))
    reading, wanted = rock.reading, conductor.box.plan.reversals
    words = f"ROCK {reading.reversals}/{wanted}" if reading and reading.reversals else "ROCK"
    flags = reading.flags if reading and reading.reversals else ()
    # A rock that has just begun lacks everything; only what rocking on does not mend is worth a word.
    hints = dict.fromkeys(HINTS[one.name] for one in flags if one.name is not FlagName.TOO_FEW_REVERSALS)
    return Cue(kind=Kind.ROCK, words=words, details=("; ".join(hints) or how,))


def _good(accepted: events.RockAccepted, after: Cue, awaited: object, conductor: Conductor) -> Cue:
    lash = format_length(accepted.normal_backlash_mm, conductor.box.box.units)
    following = f"next: {after.words}"
    if isinstance(awaited, events.PositionAsked):
        following += f" to {teeth_met(conductor.box.gear_set, awaited.engagement)}"
    return Cue(kind=Kind.GOOD, words="GOOD", details=(f"normal backlash {lash}", following))


def _closed(awaited: object, text: str) -> Cue:
    outcome = awaited.outcome if isinstance(awaited, events.TestClosed) else "completed"
    words = "DONE" if outcome == "completed" else outcome.upper()
    return Cue(kind=Kind.END, words=words, details=("working out the result",), why=text)
