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

from lashmap_daemon.screens.phrases import Phrase
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.story import events
from lashmap_daemon.story.wording import (
    cause_sentence,
    in_sentences,
    instruction,
    pass_sentence,
    ready_sentence,
    thirds_of,
    turn_and_angle,
)

if TYPE_CHECKING:
    from lashmap_daemon.testing.conductor import Conductor

_GOOD_S = 1.5  # so long it is said that a rock was good, with what comes next below it
_AGAIN_S = 4.0  # so long it is said that a rock is made again, from when the gear is still
_CLOSE = 1.0 / 12.0  # of a tooth: so near a phase of the roll the gear may stand
_HOLD = Phrase.of("cue.hold")
# Flags of typed rocks are not among them: nobody rocks while they are judged.
HINTS: dict[FlagName, Phrase] = {
    name: Phrase.of(f"flag.{name.value}")
    for name in FlagName
    if name not in {FlagName.READ_BY_EYE, FlagName.TOO_FEW_ROCKS, FlagName.UNEVEN_ROCKS}
}
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
    words: Phrase
    details: tuple[Phrase, ...] = ()
    why: str = ""


def hint(name: str) -> str:
    """What to do about a flag, by its name; the name itself where nothing better is known."""
    return _BY_NAME.get(name, name)


def cue_of_phase(phase: Phase, text: str) -> Cue:
    """What is known of a test elsewhere, of which only phase and instruction are told."""
    kind, words = {
        Phase.TURNING: (Kind.TURN, "turn"),
        Phase.ROCKING: (Kind.ROCK, "rock"),
        Phase.CHECKING: (Kind.MARK, "mark_in_mesh"),
        Phase.FINDING: (Kind.STOP, "find_cause"),
        Phase.SWEEPING: (Kind.TURN, "turn"),
        Phase.READYING: (Kind.STOP, "make_ready"),
        Phase.PASSING: (Kind.TURN, "turn_pinion"),
        Phase.CLOSED: (Kind.END, "no_test"),
    }.get(phase, (Kind.WAIT, "wait"))
    return Cue(kind=kind, words=Phrase.of(f"cue.{words}"), why=text)


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
        words = Phrase.of("cue.box_will_turn" if awaited.what == "turn" else "cue.lock_out_again")
        details = (Phrase.of("cue.read_then_y"),)
        return Cue(kind=Kind.STOP, words=words, details=details, why=ready_sentence(awaited, between="\n"))
    if phase is Phase.PASSING and isinstance(awaited, events.PassAsked):
        return _passing(awaited, conductor)
    if phase is Phase.TURNING and isinstance(awaited, events.PositionAsked):
        return _turning(awaited, conductor)
    if phase is Phase.CHECKING and isinstance(awaited, events.MarksAsked):
        text = instruction(awaited, conductor.box.box.units, conductor.box.gear_set)
        return Cue(
            kind=Kind.MARK,
            words=Phrase.of("cue.mark_in_mesh"),
            details=(Phrase.of(f"cue.mark_of_{awaited.member}"),),
            why=text,
        )
    if phase is Phase.FINDING and isinstance(awaited, events.CauseAsked):
        return Cue(
            kind=Kind.STOP,
            words=Phrase.of("cue.find_cause"),
            details=(Phrase.of("cue.press_number"),),
            why=cause_sentence(awaited, between="\n"),
        )
    if phase is Phase.CHECKING and isinstance(awaited, events.CountAsked):
        text = instruction(awaited, conductor.box.box.units, conductor.box.gear_set)
        words, details = Phrase.of("cue.mark_there"), (Phrase.of("cue.press_m_or_x"),)
        return Cue(kind=Kind.MARK, words=words, details=details, why=text)
    if phase is Phase.SWEEPING and isinstance(awaited, events.SweepAsked):
        return _sweeping(awaited, conductor)
    return None


def _passing(asked: events.PassAsked, conductor: Conductor) -> Cue:
    watch = conductor.cycle_run.watch
    kind = Kind.FORWARD if asked.direction == "forward" else Kind.BACK
    if watch is None or not watch.begun:
        words, details = Phrase.of(f"cue.turn_pinion_{kind}"), (Phrase.of("cue.against_brake"),)
        return Cue(kind=kind, words=words, details=details, why=pass_sentence(asked))
    left = max(asked.engagements - watch.teeth, 0.0)
    left_s = left / (watch.deg_per_s / 360.0 * conductor.gear_set.pinion_teeth) if watch.deg_per_s > 0 else 0
    detail = Phrase.of(
        "cue.pass_time_left" if left_s else "cue.pass_so_far",
        speed=f"{watch.deg_per_s:.0f}",
        done=f"{watch.teeth:.0f}",
        all=asked.engagements,
        seconds=f"{left_s:.0f}",
    )
    return Cue(kind=kind, words=Phrase.of(f"cue.pass_{kind}", teeth=f"{left:.0f}"), details=(detail,))


def _sweeping(awaited: events.SweepAsked, conductor: Conductor) -> Cue:
    text = instruction(awaited, conductor.box.box.units, conductor.box.gear_set)
    watch = conductor.sweep_watch
    if watch is None or not conductor.indicator_set:
        words, details = Phrase.of("cue.set_tip"), (Phrase.of(f"cue.tip_on_{awaited.member}"),)
        return Cue(kind=Kind.WAIT, words=words, details=details, why=text)
    words = Phrase.of(f"cue.turn_{awaited.member}")
    if watch.turned_deg:
        words = Phrase.of("cue.turn_on", degrees=f"{watch.turned_deg:.0f}")
    return Cue(kind=Kind.TURN, words=words, details=(Phrase.of("cue.steadily"),), why=text)


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
    place = _place(asked, conductor)
    if asked.turn_deg and not asked.turn_teeth:
        return _rolling_on(asked, conductor, place)
    why = asked.reason if asked.attempt > 1 else ""
    # Teeth are counted: nobody but the person knows where the gear is.
    details = (place, Phrase.of("cue.then_press_and_hold" if conductor.is_counted else "cue.then_hold"))
    if not teeth:
        if why:
            return Cue(kind=Kind.AGAIN, words=Phrase.of("cue.again"), details=(_HOLD,), why=_again(asked))
        return Cue(kind=Kind.ROCK, words=Phrase.of("cue.stay"), details=details)
    kind = Kind.FORWARD if way > 0 else Kind.BACK
    words = Phrase.of(f"cue.{kind}", n=teeth)
    return Cue(kind=kind, words=words, details=details, why=_again(asked) if why else "")


def _place(asked: events.PositionAsked, conductor: Conductor) -> Phrase:
    """Where to go: one line of 80 columns, so that the deed has the next one."""
    met = teeth_met(conductor.box.gear_set, asked.engagement)
    key = "cue.confirm_at" if asked.purpose == "confirming" else "cue.to_place"
    figures = {"gear": met.gear_tooth, "pinion": met.pinion_tooth, "engagement": asked.engagement}
    if (
        turn_and_angle(asked.gear_angle_deg, decimals=1)[0] < 0
    ):  # an angle before the matched teeth takes a line of its own
        return Phrase.of(f"{key}_before", **figures)
    return Phrase.of(key, **figures, angle=angle_phrase(asked.gear_angle_deg, decimals=1))


def angle_phrase(gear_deg: float, *, decimals: int) -> Phrase:
    """As `story.wording.angle_text` says it."""
    turn, angle_deg = turn_and_angle(gear_deg, decimals=decimals)
    key = "cue.angle_before" if turn < 0 else "cue.angle"
    return Phrase.of(key, degrees=f"{angle_deg:.{decimals}f}", turn=abs(turn))


def _rolling_on(asked: events.PositionAsked, conductor: Conductor, place: Phrase) -> Cue:
    """A part of a tooth is to go: whole teeth would not say how far."""
    gear, pitch_deg = conductor.channels.latest_gear_deg, conductor.gear_set.gear_angle_deg(1)
    left_deg = asked.turn_deg if gear is None else asked.gear_angle_deg - gear[1]
    why = _again(asked) if asked.attempt > 1 else ""
    # A low terminal has room for two lines: the place gives way first.
    where = Phrase.of("cue.roll_phase", place=place) if asked.purpose in ROLLED else place
    details = (Phrase.of("cue.then_set_tip"), where)
    if abs(left_deg) < pitch_deg * _CLOSE:
        return Cue(kind=Kind.ROCK, words=Phrase.of("cue.stay"), details=details, why=why)
    kind = Kind.FORWARD if left_deg > 0 else Kind.BACK
    words = Phrase.of(f"cue.roll_{kind}", degrees=f"{abs(left_deg):.1f}")
    whole, third, pinion_deg = thirds_of(left_deg, conductor.gear_set)
    part = Phrase.of(f"cue.thirds_of_tooth_{third}")
    if whole:
        part = Phrase.of("cue.teeth_and_thirds", n=whole, part=Phrase.of(f"cue.thirds_{third}"))
    by = Phrase.of("cue.roll_by", degrees=f"{abs(left_deg):.1f}", part=part, pinion=f"{pinion_deg:.1f}")
    return Cue(kind=kind, words=words, details=(by, *details), why=why)


def _again(asked: events.PositionAsked) -> str:
    return f"Try {asked.attempt}. {in_sentences(asked.reason)}"


def _rocking(conductor: Conductor, now_s: float) -> Cue:
    rock, awaited = conductor.rock, conductor.story.awaited
    again = isinstance(awaited, events.PositionAsked) and awaited.attempt > 1 and awaited
    if rock is None:
        return Cue(kind=Kind.ROCK, words=Phrase.of("cue.rock"), details=(_HOLD,))
    how = Phrase.of("cue.press_on_flanks") if conductor.channels.indicator_on_button else _HOLD
    if again and now_s - rock.started_s < _AGAIN_S:
        return Cue(kind=Kind.AGAIN, words=Phrase.of("cue.again"), details=(how,), why=_again(again))
    reading, wanted = rock.reading, conductor.box.plan.reversals
    words = Phrase.of("cue.rock")
    if reading and reading.reversals:
        words = Phrase.of("cue.rock_count", done=reading.reversals, wanted=wanted)
    flags = reading.flags if reading and reading.reversals else ()
    # A rock that has just begun lacks everything; only what rocking on does not mend is worth a word.
    hints = dict.fromkeys(HINTS[one.name] for one in flags if one.name is not FlagName.TOO_FEW_REVERSALS)
    return Cue(kind=Kind.ROCK, words=words, details=(Phrase.row(hints) if hints else how,))


def _good(accepted: events.RockAccepted, after: Cue, awaited: object, conductor: Conductor) -> Cue:
    lash = format_length(accepted.normal_backlash_mm, conductor.box.box.units)
    following = Phrase.of("cue.next", what=after.words)
    if isinstance(awaited, events.PositionAsked):
        met = teeth_met(conductor.box.gear_set, awaited.engagement)
        teeth = {"gear": met.gear_tooth, "pinion": met.pinion_tooth}
        following = Phrase.of("cue.next_to", what=after.words, **teeth)
    details = (Phrase.of("cue.lash_was", lash=lash), following)
    return Cue(kind=Kind.GOOD, words=Phrase.of("cue.good"), details=details)


def _closed(awaited: object, text: str) -> Cue:
    outcome = awaited.outcome if isinstance(awaited, events.TestClosed) else "completed"
    words, details = Phrase.of(f"cue.{outcome}"), (Phrase.of("cue.working_out"),)
    return Cue(kind=Kind.END, words=words, details=details, why=text)
