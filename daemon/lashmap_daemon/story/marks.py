"""The marks seen once more, before the tight spot is confirmed: is the encoder still where the teeth are?

An encoder that jumps, or whose coupling creeps, takes along everybody who goes by its display: every reading
is then put down under a wrong engagement. So the technician is asked to bring a marked tooth back into the
mesh by the eye alone, with no angle and no difference shown. The mark of the member that carries the encoder
comes by once in each of its turns, so its angle past the matched teeth must then be whole turns.

What this cannot see: an encoder that is off by whole turns, and one that slips afterwards.
"""

from __future__ import annotations

import math
from typing import Literal

from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.judge.verdict import MATCHED_AGAIN
from lashmap_analysis.record.lengths import format_angle
from lashmap_analysis.record.record import Precondition, Shaft
from lashmap_drivers.timing.angles import Jump

from lashmap_daemon.story import events

ALLOWED_TEETH = 1.0 / 3.0  # lash and eye take a part of a tooth, a slip that matters is a whole one
ASKED = 2  # a person who sees the same mark twice is believed
REMEDY = "See to the encoder's coupling, cable and mounting, then test again from the start."


def pitch_deg(gear_set: GearSet, member: Shaft) -> float:
    """One tooth of a member, as its shaft turns."""
    return 360.0 / (gear_set.gear_teeth if member == "gear" else gear_set.pinion_teeth)


def compared(
    gear_set: GearSet, member: Shaft, encoder_deg: float, *, answer: str, attempt: int
) -> events.MarksCompared:
    """What the encoder says of a mark that stands in the mesh.

    Args:
        gear_set: Under test.
        member: That carries the encoder, and whose mark was seen.
        encoder_deg: Angle of its shaft past the matched teeth.
        answer: Of the technician.
        attempt: Which time the mark was asked for.
    """
    tooth_deg = pitch_deg(gear_set, member)
    off_deg = math.remainder(encoder_deg, 360.0)
    agrees = abs(off_deg) <= ALLOWED_TEETH * tooth_deg
    return events.MarksCompared(
        member=member,
        attempt=attempt,
        how="mark",
        answer=answer,
        encoder_deg=encoder_deg,
        turns=round((encoder_deg - off_deg) / 360.0),
        off_deg=off_deg,
        off_teeth=off_deg / tooth_deg,
        allowed_deg=ALLOWED_TEETH * tooth_deg,
        agrees=agrees,
        last=agrees or attempt >= ASKED,
    )


def not_seen(gear_set: GearSet, member: Shaft, *, answer: str, attempt: int) -> events.MarksCompared:
    """Nobody saw the mark; ``answer`` says why."""
    return _without_mark(gear_set, member, answer, attempt=attempt, how="not seen", agrees=None)


def by_index(gear_set: GearSet, member: Shaft, *, passes: int) -> events.MarksCompared:
    """The index pulse came at its count, turn after turn: nobody is asked."""
    answer = f"came back to its count in each turn, {passes} {'time' if passes == 1 else 'times'}"
    return _without_mark(gear_set, member, answer, attempt=1, how="index pulse", agrees=True)


def _without_mark(
    gear_set: GearSet,
    member: Shaft,
    answer: str,
    *,
    attempt: int,
    how: Literal["index pulse", "not seen"],
    agrees: bool | None,
) -> events.MarksCompared:
    return events.MarksCompared(
        member=member,
        attempt=attempt,
        how=how,
        answer=answer,
        encoder_deg=None,
        turns=None,
        off_deg=None,
        off_teeth=None,
        allowed_deg=ALLOWED_TEETH * pitch_deg(gear_set, member),
        agrees=agrees,
        last=True,
    )


def by_count(
    gear_set: GearSet, *, turns: int, answer: str, attempt: int, agrees: bool
) -> events.MarksCompared:
    """Teeth were counted by hand to where the gear's mark should be, ``turns`` of the gear from the start."""
    return events.MarksCompared(
        member="gear",
        attempt=attempt,
        how="counted by hand",
        answer=answer,
        encoder_deg=None,
        turns=turns,
        off_deg=None,
        off_teeth=None,
        allowed_deg=ALLOWED_TEETH * pitch_deg(gear_set, "gear"),
        agrees=agrees,
        last=agrees or attempt >= ASKED,
    )


def jumped(jump: Jump, port: str, *, may_begin_again: bool, go_on: str) -> str:
    """What an encoder did that no shaft does, and how the test goes on; a sentence each.

    Args:
        jump: Its step.
        port: Of the encoder.
        may_begin_again: It sends degrees and its profile says that they go on.
        go_on: The command that goes on with the test.
    """
    turns_a_s = abs(jump.step_deg) / 360.0 / max(jump.wait_s, 1e-3)
    # Another profile is another test: what was recorded with the old one cannot be mixed with it.
    hint = (
        " If its angle begins again each turn, write wraps_at_deg = 360 in its profile and begin a new test. "
        "Otherwise see to"
    )
    return (
        f"encoder on {port}: its angle went by {jump.step_deg:+.1f}° within {jump.wait_s * 1e3:.0f} ms and "
        f"stayed there. That is {turns_a_s:.0f} turns a second, more than a shaft at a stand makes: the "
        f"encoder jumped, and the matched teeth are no longer known. What was recorded is kept."
        f"{hint if may_begin_again else ' See to'} its coupling, cable and supply, bring the marked teeth "
        f"together again and go on with: {go_on}"
    )


def apart_text(found: events.MarksCompared) -> str:
    """How far the encoder is from the mark, in teeth and degrees; empty when nobody saw it."""
    if found.off_deg is None or found.off_teeth is None:
        return ""
    teeth = abs(found.off_teeth)
    return f"{teeth:.1f} {'tooth' if round(teeth, 1) == 1.0 else 'teeth'} ({abs(found.off_deg):.1f}°)"


def disagreement(found: events.MarksCompared) -> str:
    """What is wrong when mark and encoder disagree, without what to do."""
    return (
        f"the marked tooth of the {found.member} stood in the mesh, but by the encoder it was "
        f"{apart_text(found)} from there; the encoder jumped or its coupling slipped, and it is not known "
        "since when, so the readings may belong to other teeth"
    )


def precondition(found: events.MarksCompared) -> Precondition:
    """What the last comparison proves."""
    if found.agrees is None:
        return Precondition(
            name=MATCHED_AGAIN,
            state="unproven",
            detail=f"nobody saw the mark of the {found.member} again before the tight spot was confirmed "
            f"({found.answer})",
            remedy="Test again, and bring the marked tooth into the mesh when that is asked for.",
        )
    if found.how == "counted by hand":
        turns = abs(found.turns or 0)
        where = f"counted by hand, {turns} {'turn' if turns == 1 else 'turns'} of the gear from the start"
        if found.agrees:
            return Precondition(
                name=MATCHED_AGAIN,
                state="proven",
                detail=f"mark of the gear seen in the mesh where it was {where}",
            )
        return Precondition(
            name=MATCHED_AGAIN,
            state="failed",
            detail=f"the mark of the gear was not in the mesh where it was {where}: the count is off, and it "
            "is not known since when, so the readings may belong to other teeth",
            remedy="Bring the marked teeth together and test again from the start.",
        )
    if not found.agrees:
        return Precondition(name=MATCHED_AGAIN, state="failed", detail=disagreement(found), remedy=REMEDY)
    if found.how == "index pulse":
        return Precondition(
            name=MATCHED_AGAIN, state="proven", detail=f"the encoder's index pulse {found.answer}"
        )
    turns, off = abs(found.turns or 0), format_angle(found.off_deg, signed=True)
    return Precondition(
        name=MATCHED_AGAIN,
        state="proven",
        detail=f"mark of the {found.member} in the mesh, {turns} {'turn' if turns == 1 else 'turns'} from "
        f"the start: encoder {off} from it ({found.allowed_deg:.1f}° are allowed)",
    )
