"""The sheet of a build: its steps in the order of work, what is recorded of each, and what comes next.

The order is that of the work: the pinion's position governs the contact pattern where the ratio is above one,
so it comes first and the pattern after it; the gear's position governs the backlash, and comes before the
test at the tight spot. A step is ``done``, ``open``, or wants a ``look``: what was entered is outside its
limits, not settled by its uncertainty, or does not hold any more.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

from lashmap_analysis.builds.mounting_chain import Reached, what_to_look_at
from lashmap_analysis.builds.pattern import directions
from lashmap_analysis.record.record import Shaft, Units

from lashmap_daemon.builds import events
from lashmap_daemon.builds.build import (
    Build,
    TestOfBuild,
    bearing_decision,
    decision,
    expanded_mm,
    pattern_of,
)
from lashmap_daemon.builds.wording import (
    bearing_text,
    length_text,
    pack_text,
    share_text,
    spread_text,
    when_text,
)

StepKey = Literal[
    "job",
    "pinion shims",
    "pinion distance",
    "pinion bearings",
    "pattern",
    "gear shims",
    "gear distance",
    "gear bearings",
    "acceptance",
    "backlash",
    "decision",
]
State = Literal["done", "open", "look"]
_PRACTICE = "Common practice, no source; the box's drawing and instructions come first."
_DECISION_WORDS = {
    "inside": "inside the tolerance",
    "outside": "OUTSIDE THE TOLERANCE",
    "not settled": "NOT SETTLED: the interval reaches over the tolerance",
    "no limits": "no tolerance is recorded",
    "no mark": "no marked distance is recorded",
}


@dataclass(frozen=True, kw_only=True)
class Row:
    """A step as it stands.

    Attributes:
        key: Which.
        title: What it is called.
        state: Whether it is done.
        lines: What is recorded, and what is to be looked at.
    """

    key: StepKey
    title: str
    state: State
    lines: tuple[str, ...]


def rows(build: Build, tests: Iterable[TestOfBuild] = ()) -> tuple[Row, ...]:
    """All steps in the order of work.

    Args:
        build: Its state.
        tests: Those that name it.
    """
    tested = tuple(tests)
    steps: tuple[tuple[StepKey, str, Callable[[], tuple[State, list[str]]]], ...] = (
        ("job", "Job", lambda: _job(build)),
        ("pinion shims", "Pinion position: shims", lambda: _shims(build, "pinion")),
        ("pinion distance", "Pinion position: distance", lambda: _distance(build, "pinion")),
        ("pinion bearings", "Pinion bearings", lambda: _bearings(build, "pinion")),
        ("pattern", "Contact pattern", lambda: _pattern(build)),
        ("gear shims", "Gear position: shims", lambda: _shims(build, "gear")),
        ("gear distance", "Gear position: distance", lambda: _distance(build, "gear")),
        ("gear bearings", "Gear bearings", lambda: _bearings(build, "gear")),
        ("acceptance", "Pattern accepted", lambda: _acceptance(build)),
        ("backlash", "Backlash at the tight spot", lambda: _backlash(tested)),
        ("decision", "Box accepted after the test", lambda: _decision(build, tested)),
    )
    found = []
    for key, title, make in steps:
        state, lines = make()
        found.append(Row(key=key, title=title, state=state, lines=tuple(lines)))
    return tuple(found)


def next_step(made: Iterable[Row]) -> Row | None:
    """The first step that is open; None when none is."""
    return next((row for row in made if row.state == "open"), None)


def order_text(build: Build) -> str:
    """Why the steps stand in this order."""
    if build.governing == ("pinion",):
        return (
            "Order of work: the pinion's position governs the contact pattern, the gear's the backlash "
            f"({_ratio_text(build)}). {_PRACTICE}"
        )
    return (
        "Order of work: at a ratio of one both members move pattern and backlash alike; look at the pattern "
        f"after each move. {_PRACTICE}"
    )


def _ratio_text(build: Build) -> str:
    given = build.given
    return "" if given is None else f"{given.pinion.teeth}:{given.gear.teeth} teeth"


def _units(build: Build) -> Units:
    return "mm" if build.given is None else build.given.units


def _job(build: Build) -> tuple[State, list[str]]:
    job = build.job
    if job is None:
        return "open", ["work order, drawing, part and serial numbers, temperature: not recorded"]
    named = (
        ("work order", job.work_order),
        ("customer's reference", job.customer_reference),
        (
            "drawing",
            " ".join(text for text in (job.drawing, job.revision and f"rev. {job.revision}") if text),
        ),
        ("pinion", _numbers(job.pinion_part, job.pinion_serial)),
        ("gear", _numbers(job.gear_part, job.gear_serial)),
        ("temperature", "" if job.temperature_c is None else f"{job.temperature_c:g} °C"),
    )
    return "done", ["; ".join(f"{what} {text or 'not recorded'}" for what, text in named), _by(job)]


def _numbers(part: str, serial: str) -> str:
    named = (("part", part), ("serial", serial))
    return ", ".join(f"{what} {text}" for what, text in named if text)


def _by(event: events.Event) -> str:
    return f"entered by {event.by}, {event.local}"


def reached_text(found: Reached, marked_mm: float, units: Units) -> str:
    """The distance that a pack leads to, with its uncertainty, against the mark."""
    distance, marked = length_text(found.distance_mm, units), length_text(marked_mm, units)
    off, spread = length_text(found.deviation_mm, units, signed=True), found.budget.expanded_mm
    return (
        f"{distance}, {off} from the marked {marked}, U = {spread_text(spread, units)} (95 %, "
        f"k = {found.budget.coverage_factor:.2f}): {_DECISION_WORDS[found.decision]}"
    )


def budget_lines(found: Reached, units: Units) -> list[str]:
    """The parts of a distance and how well each is known, one line each."""
    return [
        f"  {one.quantity}: {one.value}, u = {spread_text(one.standard_uncertainty_mm, units)}, {one.source}"
        for one in found.budget.lines
    ]


def _shims(build: Build, member: Shaft) -> tuple[State, list[str]]:
    units, chain = _units(build), build.chain(member)
    fitted, proposed, computed = build.fitted.get(member), build.proposed(member), build.computed(member)
    lines: list[str] = []
    if chain is None:
        lacking = _lacking(build, member)
        lines.append(f"no pack can be worked out: the box file has no {lacking}")
    elif proposed is not None:
        lines.append(
            f"the parts ask for {length_text(chain.needed_mm, units)}; nearest of the stock: "
            f"{pack_text(proposed.pack_mm, units)}, which brings "
            f"{reached_text(proposed, chain.marked_mm, units)}"
        )
    if fitted is None:
        if chain is not None and proposed is not None:
            lines += what_to_look_at(chain, proposed, units)
        return "open", [*lines, "not fitted yet"]
    lines.append(f"fitted: {pack_text(fitted.pieces_mm, units)}; {_by(fitted)}")
    looks: tuple[str, ...] = ()
    if chain is not None and computed is not None:
        lines.append(f"by the parts that is {reached_text(computed, chain.marked_mm, units)}")
        looks = what_to_look_at(chain, computed, units)
    return ("look" if looks else "done"), [*lines, *looks]


def _lacking(build: Build, member: Shaft) -> str:
    given = None if build.given is None else build.given.member(member)
    if given is None:
        return "box"
    needs = (
        (f"mounting.{member}_marked_{_units(build)}", given.marked_mm is not None),
        (f"[parts.{member}]", bool(given.parts)),
        (f"[shims.{member}]", given.stock is not None),
    )
    return ", ".join(what for what, there in needs if not there)


def _distance(build: Build, member: Shaft) -> tuple[State, list[str]]:
    units, found = _units(build), build.distances.get(member)
    gone = build.withdrawn.get(f"distance {member}")
    if found is None:
        return "open", [gone or "not measured yet"]
    if isinstance(found, events.DistanceNotMeasurable):
        lines = [f"cannot be measured here: {found.reason}; {_by(found)}"]
        if build.accepted is None:
            return "look", [*lines, "so a contact pattern accepted by name is needed for conforming"]
        return "done", lines
    judged = decision(build, found)
    marked = None if build.given is None else build.given.member(member).marked_mm
    off = (
        ""
        if marked is None
        else f", {length_text(found.distance_mm - marked, units, signed=True)} from the mark"
    )
    spread = spread_text(expanded_mm(found), units)
    figure = f"{length_text(found.distance_mm, units)}{off}, U = {spread} (95 %)"
    lines = [
        f"measured {figure}: {_DECISION_WORDS[judged]}",
        f"{found.how}, {found.instrument}; {_by(found)}",
    ]
    computed = build.computed(member)
    if computed is not None:
        lines += _agreement(found, computed, units)
    return ("done" if judged == "inside" else "look"), lines


def _agreement(found: events.DistanceMeasured, computed: Reached, units: Units) -> list[str]:
    """Whether measured distance and parts agree within their uncertainties (both expanded, in quadrature)."""
    apart = found.distance_mm - computed.distance_mm
    allowed = (expanded_mm(found) ** 2 + computed.budget.expanded_mm**2) ** 0.5
    if abs(apart) <= allowed:
        return []
    said = f"measured and computed from the parts are {length_text(abs(apart), units)} apart, "
    said += f"{length_text(allowed, units)} can be explained"
    return [f"{said}: look at the parts, the seating and the pieces of the pack"]


def _bearings(build: Build, member: Shaft) -> tuple[State, list[str]]:
    units, found = _units(build), build.bearings_of(member)
    if not found:
        return "open", ["rolling torque, preload or end play: not measured yet"]
    lines, state = list[str](), "done"
    words = {
        "inside": "inside",
        "outside": "OUTSIDE THE LIMITS",
        "no limits": "no limit, so it proves nothing",
        "not settled": "NOT PROVEN: a limit is within its uncertainty",
        "not stated": "inside as read, NOT PROVEN: nobody stated the uncertainty",
    }
    for one in found:
        judged = bearing_decision(build, one)
        state = state if judged == "inside" else "look"
        lines.append(f"{bearing_text(one, units)}: {words.get(judged, judged)}; {_by(one)}")
    return ("done" if state == "done" else "look"), lines


def _pattern(build: Build) -> tuple[State, list[str]]:
    gone = build.withdrawn.get("pattern")
    if not build.patterns:
        return "open", [*([gone] if gone else []), "neither side looked at yet"]
    lines = []
    for flank in ("drive", "coast"):
        seen = build.patterns.get(flank)
        if seen is None:
            lines.append(f"{flank} side: not looked at yet")
            continue
        names = ", ".join(f"photograph {number}" for number in seen.photos) or "no photograph"
        said = f"; {seen.remark}" if seen.remark else ""
        lines.append(
            f"{flank} side: {seen.along}, {seen.up}, {share_text(seen.length)} of the face long, "
            f"{share_text(seen.height)} of the depth high; {names}{said}; {_by(seen)}"
        )
    place = build.contact_from_toe
    if place is not None:
        lines.append(f"place of contact for the analysis: {share_text(place)} of the face from the toe")
    lines += directions(pattern_of(one) for one in build.patterns.values())
    return ("done" if len(build.patterns) == 2 else "open"), lines


def _acceptance(build: Build) -> tuple[State, list[str]]:
    judged, gone = build.judged, build.withdrawn.get("judgement")
    if judged is None:
        return "open", [gone] if gone else ["nobody accepted the contact pattern yet"]
    remark = f": {judged.remark}" if judged.remark else ""
    how = "accepted" if judged.accepted else "NOT ACCEPTED"
    return ("done" if judged.accepted else "look"), [f"{how} by {judged.judge}{remark}; {_by(judged)}"]


def _backlash(tests: tuple[TestOfBuild, ...]) -> tuple[State, list[str]]:
    if not tests:
        return "open", [
            "not tested yet: lashmap run STAND BOX with the same logbook takes this build by itself"
        ]
    return "done", [f"test {one.test}: {one.result}" for one in tests]


def newest_result(tests: Iterable[TestOfBuild]) -> TestOfBuild | None:
    """The newest test that has a verdict."""
    return next((one for one in reversed(tuple(tests)) if one.outcome), None)


def decided_text(build: Build) -> str:
    """What was decided after a test and still holds; empty when nothing."""
    found = build.decided
    if found is None:
        return ""
    if found.accepted:
        why = f": {found.remark}" if found.remark else ""
        return f"accepted on test {found.test} ({found.outcome}) by {found.judge}{why}"
    return f"NOT ACCEPTED on test {found.test} ({found.outcome}) by {found.judge}, next: {found.remark}"


def state_text(build: Build, tests: Iterable[TestOfBuild]) -> str:
    """How a build stands in one line: accepted, what must be done next, or that nobody decided yet."""
    newest, found = newest_result(tests), build.decided
    if newest is None:
        due = next_step(rows(build))
        return "not tested yet" if due is None else f"not tested yet, next: {due.title}"
    if found is not None and found.test == newest.test:
        return decided_text(build)
    return f"test {newest.test} ended {newest.outcome}, and nobody decided on it yet"


def _decision(build: Build, tests: tuple[TestOfBuild, ...]) -> tuple[State, list[str]]:
    found, newest, gone = build.decided, newest_result(tests), build.withdrawn.get("decision")
    if newest is None:
        return "open", ["no test of this build has a result yet"]
    if found is None:
        due = f"test {newest.test} ended {newest.outcome}: nobody accepted the box or said what is next"
        return "open", [*([gone] if gone else []), due]
    lines = [f"{decided_text(build)}; {_by(found)}"]
    if found.test != newest.test:
        return "open", [*lines, f"test {newest.test} came after it ({newest.outcome}): decide on that"]
    return ("done" if found.accepted else "look"), lines


def heading(name: str, build: Build, tests: Iterable[TestOfBuild] = ()) -> tuple[str, ...]:
    """What stands above the steps."""
    given, begun = build.given, build.begun
    if given is None or begun is None:
        return (name,)
    box = ", ".join(
        text
        for text in (given.type, f"serial {given.serial}", given.set_number and f"set {given.set_number}")
        if text
    )
    closed = build.closed
    ended = "open" if closed is None else f"closed by {closed.by}, {closed.local}"
    last = "" if build.last is None else f"; last entry {when_text(build.last, build.last_utc)}"
    return (
        f"{name}: {ended}",
        box,
        f"state: {state_text(build, tests)}",
        f"begun by {begun.by}, {when_text(begun, build.begun_utc)}{last}",
        order_text(build),
    )
