"""The matched teeth of a test that goes on: found again by a person, compared with the record, never assumed.

The marks of both members meet once in a mesh cycle. An encoder that kept its count shows them where the
record has them, whole mesh cycles aside. Where it says otherwise, it depends on where it stood before anyone
went to the marks. Where the record ended: it kept its count, so marks or count are wrong. At its own zero: it
was switched on anew and can say nothing, so the marks alone give the new reference, as they do for a new
test. Anywhere else: nobody knows which of the two it is, and nothing is proven. A record that ended because
the encoder jumped knows by how much: where that explains what the encoder shows, it is taken off.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.record.record import Precondition, Shaft

from lashmap_daemon.errors import GearTurns
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.preconditions import collect
from lashmap_daemon.replay.replay import end_of_encoder
from lashmap_daemon.sequence.resume import Unfinished
from lashmap_daemon.setup.stand_file import ENCODER
from lashmap_daemon.story import events
from lashmap_daemon.testing.live_test import Opening
from lashmap_daemon.testing.opening import Nobody, Person, ask_at_rest, is_matched, matched_teeth

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
        end_deg: Its last recorded angle, in the same count; None when there is none.
        gear_set: Under test.
        shaft: That carries the encoder.
        range_deg: After which the encoder's count begins again; None when it never does.
        jump_deg: By how much it jumped after that last angle; 0 when it did not.
    """

    encoder_deg: float
    end_deg: float | None
    gear_set: GearSet
    shaft: Shaft
    range_deg: float | None = None
    jump_deg: float = 0.0

    @property
    def pitch_deg(self) -> float:
        """One engagement, as the encoder's shaft turns."""
        teeth = self.gear_set.gear_teeth if self.shaft == "gear" else self.gear_set.pinion_teeth
        return 360.0 / teeth

    def before(self, now_deg: float) -> Before:
        """Whether the encoder kept its count, from ``now_deg`` before anyone goes to the marks."""
        if self.end_deg is None:
            return Before(now_deg=now_deg, moved_deg=None, in_record_deg=now_deg, count="began anew")
        # An encoder that jumped may have stayed there, or have come back since.
        moved_deg, jump_deg = min(
            (
                (self._within_range(now_deg - self.end_deg - jump_deg), jump_deg)
                for jump_deg in self.jumps_deg
            ),
            key=lambda one: abs(one[0]),
        )
        near_deg = _NEAR * self.pitch_deg
        if abs(moved_deg) <= near_deg:
            count: Count = "kept"
        else:
            count = "began anew" if abs(self._within_range(now_deg)) <= near_deg else "not known"
        return Before(
            now_deg=now_deg,
            moved_deg=moved_deg,
            in_record_deg=self.end_deg + moved_deg,
            count=count,
            jump_deg=jump_deg,
        )

    @property
    def jumps_deg(self) -> tuple[float, ...]:
        """What the encoder may show too much: nothing, or its jump."""
        return (0.0, self.jump_deg) if self.jump_deg else (0.0,)

    def off_deg(self, away_deg: float, *, followed: bool) -> float:
        """How far a turn is from whole mesh cycles; from the nearest whole range as well, unless followed."""
        cycle_deg = self.gear_set.mesh_cycle * self.pitch_deg
        ranges = 0 if followed or self.range_deg is None else math.ceil(cycle_deg / self.range_deg)
        offs = (
            math.remainder(away_deg + count * (self.range_deg or 0.0), cycle_deg)
            for count in range(-ranges, ranges + 1)
        )
        return min(offs, key=abs)

    def _within_range(self, turned_deg: float) -> float:
        return turned_deg if self.range_deg is None else math.remainder(turned_deg, self.range_deg)


Count = Literal["kept", "began anew", "not known"]


@dataclass(frozen=True, kw_only=True)
class Before:
    """Where the encoder stood before anyone went to the marks.

    Attributes:
        now_deg: As it is followed now.
        moved_deg: How far from where the record ended; None when it ended without an angle.
        in_record_deg: The same in the count of the record, had it kept that.
        count: Whether it kept its count.
        jump_deg: What was taken off for its jump.
    """

    now_deg: float
    moved_deg: float | None
    in_record_deg: float
    count: Count
    jump_deg: float = 0.0


def find_again(
    reference: Reference, person: Person, *, encoder_deg: Callable[[], float], followed: bool = True
) -> tuple[FoundAgain, float | None]:
    """Have the marked teeth brought together again; also how far the encoder had moved before.

    Args:
        reference: What the record says.
        person: Who is asked.
        encoder_deg: Reads the encoder now.
        followed: It followed a count that wraps from one call to the next.
    """
    before = reference.before(_at_rest(person, encoder_deg))
    found = None
    for _ in range(_ASKED):
        answer, found_deg = ask_at_rest(QUESTION, person, encoder_deg=encoder_deg)
        if not is_matched(answer):
            return not_found(reference, before), before.moved_deg
        found = judge(reference, before, found_deg, followed=followed)
        if not found.contradiction:
            break
        person.show(found.contradiction)
    return found or not_found(reference, before), before.moved_deg


def _at_rest(person: Person, encoder_deg: Callable[[], float]) -> float:
    """The encoder's angle before anybody goes to the marks; who turns the gear meanwhile is asked to wait."""
    try:
        return encoder_deg()
    except GearTurns:
        if isinstance(person, Nobody):
            raise
    return ask_at_rest(
        "The gear is turning. Hold it still, then press Enter", person, encoder_deg=encoder_deg
    )[1]


def not_found(reference: Reference, before: Before) -> FoundAgain:
    """The marked teeth were not brought together: the recorded reference is taken, and nothing proven."""
    return FoundAgain(
        matched=events.MatchedTeethSet(
            encoder_deg=reference.encoder_deg, how="assumed", moved_deg=0.0, seen_deg=before.in_record_deg
        ),
        precondition=Precondition(
            name="matched teeth",
            state="unproven",
            detail="the test was resumed and nobody brought the marked teeth together again; engagements "
            "count from a reference that is assumed",
            remedy="Test again with the marked teeth brought together, or resume and say so.",
        ),
    )


def judge(reference: Reference, before: Before, found_deg: float, *, followed: bool = True) -> FoundAgain:
    """Compare where the marked teeth were found with the record.

    Args:
        reference: What the record says.
        before: Where the encoder stood before.
        found_deg: The encoder's own angle with the marked teeth together.
        followed: The encoder was followed from there to here; a count that wraps is otherwise known but for
            whole ranges.
    """
    jump_deg = before.jump_deg
    away_deg = found_deg - before.now_deg + before.in_record_deg - reference.encoder_deg
    if before.count == "not known":  # the gear was turned meanwhile, perhaps: either may explain the marks
        away_deg, jump_deg = min(
            ((away_deg + jump_deg - one, one) for one in reference.jumps_deg),
            key=lambda one: abs(reference.off_deg(one[0], followed=followed)),
        )
    matched = events.MatchedTeethSet(
        encoder_deg=found_deg, how="set at the stand", moved_deg=away_deg + jump_deg, seen_deg=found_deg
    )
    off_deg = reference.off_deg(away_deg, followed=followed)
    again = "brought together again when the test was resumed"
    if abs(off_deg) <= _NEAR * reference.pitch_deg:
        jumped = (
            f"; the encoder had jumped by {jump_deg / reference.pitch_deg:+.1f} teeth" if jump_deg else ""
        )
        detail = f"{again}, {off_deg:+.2f}° from the record{jumped}"
        return FoundAgain(matched=matched, precondition=_proven(detail))
    if before.count == "began anew":
        detail = f"{again}; the encoder could not confirm it: its count began anew"
        return FoundAgain(matched=matched, precondition=_proven(detail))
    return _contradicted(reference, before, matched, off_deg, again)


def _contradicted(
    reference: Reference, before: Before, matched: events.MatchedTeethSet, off_deg: float, again: str
) -> FoundAgain:
    """Marks and count do not agree by ``off_deg``: failed when the count was kept, otherwise unproven."""
    turns = reference.gear_set.mesh_cycle // reference.gear_set.gear_teeth
    by_count = f"by its count the marked teeth are {abs(off_deg / reference.pitch_deg):.1f} teeth from here"
    remedy = (
        "Look at both marks: pinion and gear meet there once in "
        f"{turns} {'turn' if turns == 1 else 'turns'} of the gear."
    )
    if before.count == "kept":
        what = f"the encoder stood where the record ended, and {by_count}"
        return FoundAgain(
            matched=matched,
            precondition=Precondition(
                name="matched teeth",
                state="failed",
                detail=f"when the test was resumed {what}",
                remedy="Look at the marks of both members, and test again from the start.",
            ),
            contradiction=f"{what[:1].upper()}{what[1:]}. {remedy}",
        )
    stood = f"the encoder stood {before.moved_deg:+.1f}° from where the record ended, and {by_count}"
    return FoundAgain(
        matched=matched,
        precondition=Precondition(
            name="matched teeth",
            state="unproven",
            detail=f"{again}, but {stood}; whether it kept its count is not known",
            remedy="If the encoder was switched off, switch it off and on at the marked teeth, so that its "
            "count begins anew there, and resume; or test again from the start.",
        ),
        contradiction=f"{stood[:1].upper()}{stood[1:]}. {remedy} If the encoder was switched off meanwhile, "
        "stop here, switch it off and on once more and resume, so that its count begins at its own zero.",
    )


def _proven(detail: str) -> Precondition:
    return Precondition(name="matched teeth", state="proven", detail=detail)


def reference_of(unfinished: Unfinished, logbook: Logbook) -> Reference | None:
    """What the record says of the matched teeth; None when the test ended before there was a reference.

    Decodes the whole record of the encoder.

    Raises:
        LogbookError: When it cannot be read.
    """
    if unfinished.matched is None:
        return None
    started = unfinished.started
    reference_deg, end_deg, jump_deg = end_of_encoder(logbook, unfinished.test, unfinished.recorded.stand)
    return Reference(
        encoder_deg=reference_deg,
        end_deg=end_deg,
        gear_set=started.box.gear_set.gear_set(),
        shaft=started.stand.encoder.shaft,
        range_deg=started.stand.decoders()[ENCODER].range_deg,
        jump_deg=jump_deg,
    )


def open_again(
    unfinished: Unfinished,
    reference: Reference | None,
    *,
    person: Person,
    cautions: events.CautionsConfirmed,
    rates_hz: dict[str, float],
    encoder_deg: Callable[[], float],
    followed: bool,
    operator: str,
    version: str,
    now: dt.datetime,
) -> Opening:
    """Have the marked teeth brought together again and put together what the test goes on with.

    Args:
        unfinished: The test.
        reference: What its record says of the matched teeth (`reference_of`).
        person: Who is asked.
        cautions: Confirmed anew.
        rates_hz: Samples a second, by channel.
        encoder_deg: Reads the encoder now.
        followed: It follows a count that wraps from one call to the next.
        operator: Who goes on with it.
        version: Of this program.
        now: By the wall clock.
    """
    started = unfinished.started
    moved_deg: float | None = None
    proven: tuple[Precondition, ...] = ()
    if reference is None:
        how, matched = matched_teeth(started.box, person, encoder_deg=encoder_deg)
    else:
        found, moved_deg = find_again(reference, person, encoder_deg=encoder_deg, followed=followed)
        how, matched, proven = found.matched.how, found.matched, (found.precondition,)
    today = now.astimezone().date()
    others = collect(
        started.box, started.stand, matched=how, today=today, locked_out=True, build=unfinished.build
    )
    names = {one.name for one in proven}
    return Opening(
        started=started,
        cautions=cautions,
        preconditions=(*(one for one in others if one.name not in names), *proven),
        matched=matched,
        rates_hz=rates_hz,
        resumed=unfinished.resumed(operator=operator, version=version, now=now, encoder_moved_deg=moved_deg),
        resumption=replace(unfinished.resumption, same_reference=how == "assumed"),
    )
