"""The matched teeth of a test that goes on: found again by a person, compared with the record, never assumed.

The marks of both members meet once in a mesh cycle. An encoder that kept its count shows them where the
record has them, whole mesh cycles aside; where it then says otherwise, one of the two is wrong, and the test
says so. An encoder that began its count anew can say nothing: the marks alone give the new reference. Whether
it kept its count is believed only when it stands where the record ended.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from lashmap_analysis.gear_set import GearSet
from lashmap_analysis.record import Precondition, Shaft

from lashmap_daemon import events
from lashmap_daemon.opening import Person

QUESTION = 'Bring the marked teeth together again, then type "matched"; Enter = not known'
_ASKED = 2  # a person who says the same twice is believed to mean it
_NEAR = 0.25  # of a tooth


@dataclass(frozen=True, kw_only=True)
class FoundAgain:
    """What holds from here on.

    Attributes:
        matched: The reference.
        precondition: What it proves.
        contradiction: What the encoder says against it, for the person; empty when nothing.
    """

    matched: events.MatchedTeethSet
    precondition: Precondition
    contradiction: str = ""


@dataclass(frozen=True, kw_only=True)
class Reference:
    """What the record says.

    Attributes:
        encoder_deg: The encoder's own angle at engagement 0.
        end_deg: Its last recorded angle; None when there is none.
        gear_set: Under test.
        shaft: That carries the encoder.
    """

    encoder_deg: float
    end_deg: float | None
    gear_set: GearSet
    shaft: Shaft

    @property
    def pitch_deg(self) -> float:
        """One engagement, as the encoder's shaft turns."""
        teeth = self.gear_set.gear_teeth if self.shaft == "gear" else self.gear_set.pinion_teeth
        return 360.0 / teeth

    def moved_deg(self, now_deg: float) -> float | None:
        """How far the encoder stands from where the record ended."""
        return None if self.end_deg is None else now_deg - self.end_deg


def find_again(
    reference: Reference, person: Person, *, encoder_deg: Callable[[], float]
) -> tuple[FoundAgain, float | None]:
    """Have the marked teeth brought together again; also how far the encoder had moved before.

    Args:
        reference: What the record says.
        person: Who is asked.
        encoder_deg: Reads the encoder now.
    """
    moved_deg = reference.moved_deg(encoder_deg())
    found = None
    for _ in range(_ASKED):
        if person.ask(QUESTION).strip().strip('"').casefold() != "matched":
            return not_found(reference), moved_deg
        found = judge(reference, encoder_deg(), moved_deg=moved_deg)
        if not found.contradiction:
            break
        person.show(found.contradiction)
    return found or not_found(reference), moved_deg


def not_found(reference: Reference) -> FoundAgain:
    """Nobody said where the marked teeth are: the recorded reference is taken, and nothing proven."""
    return FoundAgain(
        matched=events.MatchedTeethSet(encoder_deg=reference.encoder_deg, how="assumed", moved_deg=0.0),
        precondition=Precondition(
            name="matched teeth",
            state="unproven",
            detail="the test was resumed and nobody brought the marked teeth together again; engagements "
            "count from a reference that is assumed",
            remedy="Test again with the marked teeth brought together, or resume and say so.",
        ),
    )


def judge(reference: Reference, found_deg: float, *, moved_deg: float | None) -> FoundAgain:
    """Compare where the marked teeth were found with the record.

    Args:
        reference: What the record says.
        found_deg: The encoder's own angle with the marked teeth together.
        moved_deg: How far it stood from where the record ended before anyone turned the gear to the marks.
    """
    away_deg = found_deg - reference.encoder_deg
    matched = events.MatchedTeethSet(encoder_deg=found_deg, how="set at the stand", moved_deg=away_deg)
    cycle_deg = reference.gear_set.mesh_cycle * reference.pitch_deg
    off_deg = math.remainder(away_deg, cycle_deg)
    near_deg = _NEAR * reference.pitch_deg
    if abs(off_deg) <= near_deg:
        detail = f"brought together again when the test was resumed, {off_deg:+.2f}° from the record"
        return FoundAgain(matched=matched, precondition=_proven(detail))
    if moved_deg is None or abs(moved_deg) > near_deg:
        stood = "" if moved_deg is None else f", which stood {moved_deg:+.1f}° from where the record ended"
        detail = (
            "brought together again when the test was resumed; the encoder could not confirm it"
            f"{stood}: its count began anew, or the gear was turned"
        )
        return FoundAgain(matched=matched, precondition=_proven(detail))
    teeth = off_deg / reference.pitch_deg
    turns = reference.gear_set.mesh_cycle // reference.gear_set.gear_teeth
    what = (
        f"the encoder stood where the record ended, and by its count the marked teeth are {abs(teeth):.1f} "
        "teeth from here"
    )
    return FoundAgain(
        matched=matched,
        precondition=Precondition(
            name="matched teeth",
            state="failed",
            detail=f"when the test was resumed {what}",
            remedy="Look at the marks of both members, and test again from the start.",
        ),
        contradiction=f"{what[:1].upper()}{what[1:]}. Look at both marks: pinion and gear meet there once in "
        f"{turns} {'turn' if turns == 1 else 'turns'} of the gear.",
    )


def _proven(detail: str) -> Precondition:
    return Precondition(name="matched teeth", state="proven", detail=detail)
