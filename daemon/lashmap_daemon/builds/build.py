"""The state of a build: one state, and one function that takes the next event into it.

What moves a member makes what was found before worthless: with another pack its mounting distance has to be
measured again, and a contact pattern that was accepted no longer is. The pinion governs the pattern where the
ratio is above one, so another pack of it also takes away the pattern itself; at a ratio of one both do.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import reduce
from typing import Literal, assert_never

from lashmap_analysis.builds.mounting_chain import (
    Chain,
    Decision,
    Reached,
    decide,
    guard,
    nearest_pack,
    reached,
)
from lashmap_analysis.builds.pattern import Flank, Pattern, contact_from_toe
from lashmap_analysis.record.record import DecisionRule, Shaft
from lashmap_analysis.uncertainty.budget import coverage_factor

from lashmap_daemon.builds import events

MEMBERS: tuple[Shaft, Shaft] = ("pinion", "gear")
_SAME_MM = 1e-6
_PATTERN, _JUDGEMENT, _DECISION = "pattern", "judgement", "decision"
Distance = events.DistanceMeasured | events.DistanceNotMeasurable
BearingKey = tuple[Shaft, events.Quantity]
# What is entered of the box itself: a decision on an earlier test says nothing of it.
_WORK = (
    events.ShimsFitted,
    events.DistanceMeasured,
    events.DistanceNotMeasurable,
    events.BearingsMeasured,
    events.PatternSeen,
    events.PatternJudged,
)


@dataclass(frozen=True, kw_only=True)
class Stamped:
    """An event and when it happened: seconds since the build was begun by the wall clock, and UTC."""

    time_s: float
    utc: str
    event: events.Event


@dataclass(frozen=True, kw_only=True)
class TestOfBuild:
    """A test that names the build.

    Attributes:
        test: Its name.
        result: How it ended, in words.
        outcome: Of its verdict, as stored when it ended; empty while it has none.
    """

    __test__ = False

    test: str
    result: str
    outcome: str = ""


@dataclass(frozen=True, kw_only=True)
class Build:
    """What is known of a build so far; nothing in it is changed, `apply` makes the next one.

    Attributes:
        begun: Its first event; None before it, and for a record without one.
        begun_utc: When that was.
        last: The last event; None before the first.
        last_utc: When that was.
        end_s: The newest time of an event.
        given: What the box file said when it was read last.
        job: As entered last.
        fitted: The pack of each member.
        distances: The mounting distance of each member with that pack.
        bearings: By member and quantity.
        patterns: The pattern of each side, as seen with the packs that are in.
        moved_since: Sides whose pattern was seen before the last move of a member.
        judged: Whether it was accepted, with the packs that are in.
        decided: What somebody decided after a test; None before it, and when something was entered since.
        withdrawn: What does not hold any more and was not entered anew, by what it was; why, as a sentence.
        photos: By number.
        notes: What the sheet has no place for.
        closed: The last event of all; None while the build is open.
    """

    begun: events.BuildBegun | None = None
    begun_utc: str = ""
    last: events.Event | None = None
    last_utc: str = ""
    end_s: float = 0.0
    given: events.Given | None = None
    job: events.JobRecorded | None = None
    fitted: Mapping[Shaft, events.ShimsFitted] = field(default_factory=dict)
    distances: Mapping[Shaft, Distance] = field(default_factory=dict)
    bearings: Mapping[BearingKey, events.BearingsMeasured] = field(default_factory=dict)
    patterns: Mapping[Flank, events.PatternSeen] = field(default_factory=dict)
    moved_since: frozenset[Flank] = frozenset()
    judged: events.PatternJudged | None = None
    decided: events.BuildDecided | None = None
    withdrawn: Mapping[str, str] = field(default_factory=dict)
    photos: Mapping[int, events.PhotoKept] = field(default_factory=dict)
    notes: tuple[events.NoteWritten, ...] = ()
    closed: events.BuildClosed | None = None

    @property
    def governing(self) -> tuple[Shaft, ...]:
        """Members whose position governs the contact pattern."""
        given = self.given
        if given is None or given.gear.teeth == given.pinion.teeth:
            return MEMBERS
        return ("pinion",)

    @property
    def accepted(self) -> events.PatternJudged | None:
        """Who accepted the pattern of the packs that are in; None when nobody did."""
        return self.judged if self.judged is not None and self.judged.accepted else None

    @property
    def contact_from_toe(self) -> float | None:
        """Where along the face the teeth touch, by the patterns that hold; None without one."""
        return contact_from_toe(pattern_of(one) for one in self.patterns.values())

    def chain(self, member: Shaft) -> Chain | None:
        """The measured parts of a member; None where mark, parts or shims are not given."""
        given = None if self.given is None else self.given.member(member)
        if self.given is None or given is None or given.marked_mm is None or given.stock is None:
            return None
        if not given.parts:
            return None
        return Chain(
            member=member,
            parts=tuple(one.part() for one in given.parts),
            stock=given.stock.stock(),
            marked_mm=given.marked_mm,
            tolerance_mm=self.given.tolerance_mm,
        )

    def proposed(self, member: Shaft) -> Reached | None:
        """The pack that the parts ask for; None where no chain is given."""
        chain = self.chain(member)
        return None if chain is None or self.given is None else nearest_pack(chain, self.given.units)

    def computed(self, member: Shaft) -> Reached | None:
        """The distance that the fitted pack leads to by the parts; None where either is not known."""
        chain, fitted = self.chain(member), self.fitted.get(member)
        if chain is None or fitted is None or self.given is None:
            return None
        return reached(chain, fitted.pieces_mm, self.given.units)

    def bearings_of(self, member: Shaft) -> tuple[events.BearingsMeasured, ...]:
        """What was measured of a member's bearings."""
        return tuple(one for (of, _), one in self.bearings.items() if of == member)


def expanded_mm(measured: events.DistanceMeasured) -> float:
    """Expanded uncertainty at 95 % of a measured distance, normal (GUM G.1.3)."""
    return coverage_factor(float("inf")) * measured.uncertainty_mm


def decision(build: Build, measured: events.DistanceMeasured) -> Decision | Literal["no mark"]:
    """Whether a measured distance is inside the tolerance of its mark (ISO 14253-1)."""
    given = build.given
    marked = None if given is None else given.member(measured.member).marked_mm
    if given is None or marked is None:
        return "no mark"
    tolerance = given.tolerance_mm
    low = None if tolerance is None else -tolerance
    return decide(measured.distance_mm - marked, expanded_mm(measured), low, tolerance)


def bearing_decision(build: Build, measured: events.BearingsMeasured) -> Decision | Literal["not stated"]:
    """Whether a bearing's figure is inside its limits, by the decision rule that the box's backlash goes by.

    Without an uncertainty nobody knows how far inside it would have to be: as read it can only be outside.
    """
    low, high = measured.low, measured.high
    if measured.uncertainty is None:
        as_read = decide(measured.value, 0.0, low, high)
        return "not stated" if as_read == "inside" else as_read
    rule: DecisionRule = "two-sided" if build.given is None else build.given.decision_rule
    return decide(measured.value, guard(measured.uncertainty, rule), low, high)


def pattern_of(seen: events.PatternSeen) -> Pattern:
    """A recorded pattern for the analysis."""
    return Pattern(flank=seen.flank, along=seen.along, up=seen.up, length=seen.length, height=seen.height)


def build_of(stream: Iterable[Stamped], before: Build | None = None) -> Build:
    """The state after a stream of events."""
    return reduce(apply, stream, before or Build())


def apply(build: Build, stamped: Stamped) -> Build:  # noqa: C901, PLR0911, PLR0912 - a line for each event
    """The build with the next event in it; ``build`` itself stays as it is."""
    event = stamped.event
    if isinstance(event, _WORK):
        build = _without_decision(build)
    build = replace(build, last=event, last_utc=stamped.utc, end_s=max(build.end_s, stamped.time_s))
    match event:
        case events.BuildBegun(given=given):
            return replace(build, begun=event, begun_utc=stamped.utc, given=given)
        case events.BoxRead(given=given):
            return replace(build, given=given)
        case events.JobRecorded():
            return replace(build, job=event)
        case events.ShimsFitted():
            return _fitted(build, event)
        case events.DistanceMeasured(member=member) | events.DistanceNotMeasurable(member=member):
            build = replace(build, distances={**build.distances, member: event})
            return _entered(build, f"distance {member}")
        case events.BearingsMeasured(member=member, quantity=quantity):
            return replace(build, bearings={**build.bearings, (member, quantity): event})
        case events.PhotoKept(number=number):
            return replace(build, photos={**build.photos, number: event})
        case events.PatternSeen(flank=flank):
            build = _without_judgement(build, f"the pattern of the {flank} side was looked at again")
            build = replace(
                build,
                patterns={**build.patterns, flank: event},
                moved_since=build.moved_since - {flank},
            )
            return _entered(build, _PATTERN)
        case events.PatternJudged() | events.BuildDecided():
            return _judged(build, event)
        case events.NoteWritten():
            return replace(build, notes=(*build.notes, event))
        case events.BuildClosed():
            return replace(build, closed=event)
        case _:
            assert_never(event)


def _fitted(build: Build, event: events.ShimsFitted) -> Build:
    member = event.member
    before = build.fitted.get(member)
    build = replace(build, fitted={**build.fitted, member: event})
    if before is not None and abs(sum(before.pieces_mm) - sum(event.pieces_mm)) < _SAME_MM:
        return build  # entered again, or other pieces of the same thickness
    why = f"another pack was fitted to the {member}"
    if member in build.distances:
        kept = {one: distance for one, distance in build.distances.items() if one != member}
        said = f"The {member}'s mounting distance does not hold any more: {why}."
        build = _withdrawn(replace(build, distances=kept), f"distance {member}", said)
    build = _without_judgement(build, why)
    if member in build.governing and build.patterns:
        said = f"The contact pattern does not hold any more: {why}, which governs it."
        build = _withdrawn(replace(build, patterns={}), _PATTERN, said)
    return replace(build, moved_since=frozenset(build.patterns))


def _judged(build: Build, event: events.PatternJudged | events.BuildDecided) -> Build:
    if isinstance(event, events.PatternJudged):
        return _entered(replace(build, judged=event), _JUDGEMENT)
    return _entered(replace(build, decided=event), _DECISION)


def _without_decision(build: Build) -> Build:
    if build.decided is None:
        return build
    said = f"What {build.decided.judge} decided on test {build.decided.test} does not hold any more: "
    said += "something was entered on the sheet since."
    return _withdrawn(replace(build, decided=None), _DECISION, said)


def _without_judgement(build: Build, why: str) -> Build:
    if build.judged is None:
        return build
    judged = build.judged
    how = "accepted" if judged.accepted else "not accepted"
    said = f"That {judged.judge} has {how} the contact pattern does not hold any more: {why}."
    return _withdrawn(replace(build, judged=None), _JUDGEMENT, said)


def _withdrawn(build: Build, what: str, said: str) -> Build:
    return replace(build, withdrawn={**build.withdrawn, what: said})


def _entered(build: Build, what: str) -> Build:
    return replace(build, withdrawn={one: said for one, said in build.withdrawn.items() if one != what})
