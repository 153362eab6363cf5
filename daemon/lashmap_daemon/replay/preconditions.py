"""Preconditions of a verdict: nothing is assumed proven."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from lashmap_analysis.builds.mounting_chain import decide
from lashmap_analysis.record.lengths import format_length
from lashmap_analysis.record.record import Precondition, Units, moment
from lashmap_analysis.study import LEAST_BASELINE, StudyError, drift_chart

from lashmap_daemon.logbook.check import TestCheck
from lashmap_daemon.logbook.index import COMPLETED
from lashmap_daemon.story import marks
from lashmap_daemon.story.events import BuildNamed
from lashmap_daemon.story.recorded import (
    ENCODER,
    GEAR_TABLE,
    INDICATOR,
    PINION_ENCODER,
    PINION_TABLE,
    Box,
    Gauge,
    Mounting,
    Setup,
    Stand,
)
from lashmap_daemon.story.story import Part, Story, story_of

if TYPE_CHECKING:
    from lashmap_daemon.logbook.logbook import Logbook


MEMBERS: tuple[Literal["pinion", "gear"], ...] = ("pinion", "gear")
MatchedHow = Literal["box file", "set at the stand", "assumed", "counted by hand"]


def collect(
    box: Box,
    stand: Stand,
    *,
    matched: MatchedHow,
    today: dt.date,
    locked_out: bool,
    build: BuildNamed | None = None,
) -> tuple[Precondition, ...]:
    """Every precondition of a verdict with its state.

    Args:
        box: The box, completed by what the operator answered.
        stand: The stand and its instruments.
        matched: Where the matched-teeth reference came from.
        today: Date the calibrations are judged at.
        locked_out: The operator confirmed the cautions.
        build: The build that the box came from; None when none was named.
    """
    return (
        *(() if build is None else (_build_sheet(build),)),
        _mounting_distance("pinion", box.mounting, box.box.units, build),
        _mounting_distance("gear", box.mounting, box.box.units, build),
        _matched_teeth(matched, _ranges_in_cycle(box, stand), Setup.of(box, stand).unused_angle),
        _bearings(box.mounting),
        *_calibrations(stand, today),
        proven("cautions", "read and confirmed before the test") if locked_out else _NOT_CONFIRMED,
    )


def of_box(box: Box) -> tuple[Precondition, ...]:
    """The preconditions that a box file decides without a stand or a build, each with its state."""
    distances = (_mounting_distance(member, box.mounting, box.box.units, None) for member in MEMBERS)
    return (*distances, _bearings(box.mounting))


def collect_by_hand(
    box: Box,
    gauge: Gauge,
    *,
    matched: bool,
    today: dt.date,
    locked_out: bool,
    build: BuildNamed | None = None,
) -> tuple[Precondition, ...]:
    """The same of a test by hand: ``matched`` only where a person brought the marks together."""
    figure = gauge.calibration_uncertainty_mm is not None
    calibration = _calibration(INDICATOR, INDICATOR, gauge.calibration_due, today, figure=figure)
    remedy = calibration.remedy.replace("indicator.", "gauge.").replace("stand file", "gauge file")
    return (
        *(() if build is None else (_build_sheet(build),)),
        _mounting_distance("pinion", box.mounting, box.box.units, build),
        _mounting_distance("gear", box.mounting, box.box.units, build),
        _BY_HAND if matched else _matched_teeth("assumed", 0.0, ""),
        _bearings(box.mounting),
        replace(calibration, remedy=remedy),
        proven("cautions", "read and confirmed before the test") if locked_out else _NOT_CONFIRMED,
    )


def proven(name: str, detail: str) -> Precondition:
    """A precondition that holds."""
    return Precondition(name=name, state="proven", detail=detail)


def unproven(name: str, detail: str, remedy: str) -> Precondition:
    """A precondition of which nobody knows whether it holds."""
    return Precondition(name=name, state="unproven", detail=detail, remedy=remedy)


def failed(name: str, detail: str, remedy: str) -> Precondition:
    """A precondition that does not hold."""
    return Precondition(name=name, state="failed", detail=detail, remedy=remedy)


def record_intact(check: TestCheck) -> Precondition:
    """Whether the record of a test is as it was written, from a check of its digests."""
    name = "record intact"
    if check.problems:
        count = len(check.problems)
        detail = f"{count} deviation{'s' if count > 1 else ''} from its digests"
        return failed(
            name, detail, "Verify the logbook; judge from a copy that fits its seal, or test again."
        )
    if check.sealed is None:
        detail = "not sealed, since the test is not closed"
        return unproven(name, detail, "Close the test; one that was broken off can be resumed.")
    return proven(name, f"fits its seal {check.sealed.digest.hex()[:16]} …")


def index_in_place(slips: int) -> tuple[Precondition, ...]:
    """Whether the encoder's index pulse came where it belongs; nothing when it never came elsewhere."""
    if not slips:
        return ()
    detail = f"came {slips} time{'s' if slips > 1 else ''} at another count than before"
    remedy = "See to the encoder's coupling and cable, set the matched teeth anew, and test again."
    return (failed("encoder index", detail, remedy),)


_RANK = {"proven": 0, "unproven": 1, "failed": 2}


def all_preconditions(story: Story, units: Units) -> tuple[Precondition, ...]:
    """As recorded, the worst of all parts, and for a resumed test whether its checks agree."""
    again = [part for part in story.parts if part.resumed is not None and part.rocks]
    # The rest of a sheet was measured in one go with its beginning.
    checks = [] if story.sheets else [_check(part, units) for part in again]
    worst = sorted(checks, key=lambda one: _RANK[one.state])[-1:]
    seen = () if story.marks is None else (marks.precondition(story.marks),)
    return (*_typed_in_later(story), *story.preconditions.values(), *seen, *worst)


def _typed_in_later(story: Story) -> tuple[Precondition, ...]:
    """When and by whom a sheet was measured that was typed in: it bars nothing, and the page says it."""
    if not story.sheets:
        return ()
    typed_utc, first = story.sheets[0]
    later = "".join(f"; a line measured {moment(one.measured_utc)}" for _, one in story.sheets[1:])
    detail = (
        f"measured {moment(first.measured_utc)} by {first.measured_by} (sheet {first.sheet}); typed in "
        f"{moment(typed_utc)} by {first.typed_by}{later}"
    )
    return (proven("typed in from a sheet", detail),)


def _check(part: Part, units: Units) -> Precondition:
    name, found = "resumed test", part.checked
    if part.resumed is not None and part.resumed.check is None:
        return proven(name, "resumed before a reading that could be checked")
    if found is None:
        detail = "after it was resumed no earlier position was measured again"
        return unproven(name, detail, "Resume and let the check be measured, or test again.")
    shown = f"{format_length(found.difference_mm, units, signed=True)} against position {found.of}"
    if found.agrees:
        return proven(name, f"the check after it was resumed agrees: {shown}")
    angle = "" if found.difference_deg is None else f", {found.difference_deg:+.2f}° apart"
    return failed(
        name,
        f"the check after it was resumed disagrees: {shown}, {format_length(found.allowed_mm, units)} can be "
        f"explained{angle}; teeth, tip or matched-teeth reference may have moved",
        "Find out what moved, and test again from the start.",
    )


_NOT_CONFIRMED = unproven(
    "cautions", "not confirmed", "Read the cautions and confirm them at the start of the test."
)


_BY_HAND = proven(
    "matched teeth",
    "marked teeth brought together, as the operator said; teeth were counted by hand from there, without an "
    "encoder",
)


def _build_sheet(build: BuildNamed) -> Precondition:
    """That a build was named, and what was taken from it: it bars nothing, and the page says it."""
    taken = "; ".join(build.taken) or "no figure was taken from it"
    detail = f"{build.build}, {build.how}, entry {build.entries} ({build.digest[:16]} …): {taken}"
    return proven("build sheet", detail)


def _by_pattern(name: str, member: Literal["pinion", "gear"], why: str, build: BuildNamed) -> Precondition:
    """Of a mounting distance that cannot be measured: the contact pattern stands for it."""
    detail = f"cannot be measured here ({why})"
    if build.pattern_by:
        return proven(name, f"{detail}; contact pattern accepted by {build.pattern_by}")
    return unproven(
        name,
        f"{detail}, and nobody accepted a contact pattern that holds",
        f"Have the contact pattern accepted by name on the build's sheet, or measure the {member}'s "
        "mounting distance; then test again.",
    )


def _mounting_distance(
    member: Literal["pinion", "gear"], mounting: Mounting, units: Units, build: BuildNamed | None
) -> Precondition:
    why = dict(() if build is None else build.not_measurable).get(member)
    if why is not None and build is not None:
        return _by_pattern(f"mounting distance, {member}", member, why, build)
    measured = next((one for one in (build.distances if build else ()) if one.member == member), None)
    marked = mounting.pinion_marked_mm if member == "pinion" else mounting.gear_marked_mm
    actual = mounting.pinion_set_mm if member == "pinion" else mounting.gear_set_mm
    name = f"mounting distance, {member}"
    if marked is None or actual is None:
        words = (("as marked", marked), ("as set", actual))
        lacking = " and ".join(word for word, value in words if value is None)
        keys = f"mounting.{member}_marked_{units} and mounting.{member}_set_{units}"
        remedy = f"Measure the {member}'s mounting distance and record it as {keys}."
        return unproven(name, f"distance {lacking} not recorded", remedy)
    difference = actual - marked

    def shown(length_mm: float, *, signed: bool = False) -> str:
        return format_length(length_mm, units, decimals=3 if units == "mm" else 4, signed=signed)

    compared = f"marked {shown(marked)}, set {shown(actual)}, difference {shown(difference, signed=True)}"
    if mounting.tolerance_mm is None:
        detail = f"{compared}, but no tolerance was recorded to judge that by"
        return unproven(name, detail, f"Record mounting.tolerance_{units} from the drawing.")
    if measured is not None:
        compared += f", U = {shown(measured.expanded_mm)} (95 %; {measured.how})"
        decision = decide(difference, measured.expanded_mm, -mounting.tolerance_mm, mounting.tolerance_mm)
        if decision == "not settled":
            return unproven(
                name,
                f"{compared} reaches over the tolerance {shown(mounting.tolerance_mm)}",
                f"Measure the {member}'s mounting distance more finely, or bring it nearer to the marked "
                "value.",
            )
    # A micrometre of slack: marked values are written with two or three decimals.
    detail = f"{compared} (tolerance {shown(mounting.tolerance_mm)})"
    if abs(difference) <= mounting.tolerance_mm + 1e-6:
        return proven(name, detail)
    return failed(name, detail, f"Correct the {member}'s shim, then check the contact pattern.")


def _ranges_in_cycle(box: Box, stand: Stand) -> float:
    """How often the encoder's count begins again within a mesh cycle; 0 when it never does."""
    if stand.encoder is None:
        return 0.0
    range_deg = stand.decoders()[ENCODER].range_deg
    gear_set = box.gear_set.gear_set()
    teeth = gear_set.gear_teeth if stand.encoder.shaft == "gear" else gear_set.pinion_teeth
    return 0.0 if range_deg is None else gear_set.mesh_cycle * 360.0 / teeth / range_deg


def _matched_teeth(matched: MatchedHow, ranges_in_cycle: float, unused: str) -> Precondition:
    """``unused``: why the box file's angle was not used; empty when it was, or there is none."""
    name, but = "matched teeth", f"; {unused}" if unused else ""
    match matched:
        case "box file" if unused:
            return unproven(name, unused, _BRING)
        case "box file" if ranges_in_cycle > 1.0:
            return unproven(
                name,
                f"the encoder's count begins again {ranges_in_cycle:.1f} times in a mesh cycle, so the angle "
                "in the box file does not tell which teeth are together",
                "Leave matched_teeth.encoder_deg out, and bring the marked teeth together at the start.",
            )
        case "box file":
            return proven(name, "encoder angle recorded in the box file")
        case "counted by hand":
            return _BY_HAND
        case "set at the stand":
            return proven(name, f"marked teeth brought together at the stand{but}")
    nowhere = "nobody said where the marked teeth are; engagements count from where the test began"
    return unproven(name, nowhere + but, _BRING)


_BRING = (
    "Bring the marked teeth together at the start and say so; an angle in the box file "
    "(matched_teeth.encoder_deg) counts for an absolute encoder alone (encoder.absolute in the stand file)."
)


def _bearings(mounting: Mounting) -> Precondition:
    detail = mounting.bearings or "preload or end play not recorded"
    if mounting.bearings_within_drawing is None:
        keys = "mounting.bearings and mounting.bearings_within_drawing"
        remedy = f"Measure preload or end play against the drawing and record {keys}."
        if mounting.bearings:
            remedy = "Enter limits and uncertainty of each figure on the sheet of the build, or record "
            remedy += "mounting.bearings_within_drawing."
        return unproven("bearings", detail, remedy)
    if mounting.bearings_within_drawing:
        return proven("bearings", detail)
    return failed("bearings", detail, "Set the bearings as the drawing asks, then test again.")


_FIGURES = {INDICATOR: "calibration_uncertainty_mm", ENCODER: "standard_uncertainty_deg"}


def _calibrations(stand: Stand, today: dt.date) -> tuple[Precondition, ...]:
    """Of each instrument; a figure of its certificate is wanted of that which measures the lash."""
    indicator, encoder = stand.indicator, stand.encoder
    found = []
    if indicator is not None:
        figure = indicator.calibration_uncertainty_mm is not None or indicator.correction is not None
        found.append(_calibration(INDICATOR, INDICATOR, indicator.calibration_due, today, figure=figure))
    if encoder is not None:
        figure = indicator is not None or encoder.standard_uncertainty_deg > 0.0
        table = ENCODER if stand.pinion_encoder is None else GEAR_TABLE
        found.append(_calibration(ENCODER, table, encoder.calibration_due, today, figure=figure))
    if stand.pinion_encoder is not None:  # it sees passes and no rock: its date, and no figure
        due = stand.pinion_encoder.calibration_due
        found.append(_calibration(PINION_ENCODER, PINION_TABLE, due, today, figure=True))
    return tuple(found)


def _calibration(
    instrument: str, table: str, due: dt.date | None, today: dt.date, *, figure: bool
) -> Precondition:
    """Of an instrument whose ``table`` is that of the stand file."""
    name = f"calibration, {instrument}"
    if due is None:
        return unproven(name, "no date recorded", f"Record {table}.calibration_due in the stand file.")
    if today > due:
        return failed(
            name, f"was due {due.isoformat()}", f"Have the {instrument} calibrated, then test again."
        )
    if not figure:
        return unproven(
            name,
            f"due {due.isoformat()}, but no figure of its certificate recorded",
            f"Record {table}.{_FIGURES[instrument]} from the certificate in the stand file.",
        )
    return proven(name, f"due {due.isoformat()}")


# The check standard of a stand: which tests count, and when it is proven. The charts are the analysis's
# (`study/drift.py`). Values are those that were stated when each test ended, since a later version of the
# analysis must not move a stand that stood still.


NAME = "check standard"


@dataclass(frozen=True, kw_only=True)
class StatedValue:
    """What one test of the check standard stated.

    ``value_mm`` is the normal backlash at its tight spot.
    """

    test: str
    stand: str
    started_utc: str
    value_mm: float


def stated_values(logbook: Logbook, serial: str, stand: str | None = None) -> list[StatedValue]:
    """The completed tests of a serial number that stated a tight spot, oldest first.

    Args:
        logbook: Where the tests are; of several stands, perhaps.
        serial: Of the check standard.
        stand: Name of the stand whose tests count; None is the stand of the newest of them.

    Raises:
        LogbookError: A test cannot be read.
    """
    found = []
    for one in logbook.tests():
        if one.serial != serial or not one.closing.startswith(COMPLETED):
            continue
        story = story_of(logbook.events(one.test))
        stored, started = story.stored, story.started
        if started is None or stored is None or stored.normal_backlash_mm is None:
            continue
        found.append(
            StatedValue(
                test=one.test,
                stand=started.place[0],
                started_utc=one.started_utc,
                value_mm=stored.normal_backlash_mm,
            )
        )
    wanted = found[-1].stand if found and stand is None else stand
    return [one for one in found if one.stand == wanted]


def check_standard(
    logbook: Logbook, serial: str, *, stand: str, within_hours: float, box_serial: str, now: dt.datetime
) -> tuple[Precondition, ...]:
    """Whether the stand has measured its check standard lately, and steadily.

    Args:
        logbook: Of the stand; it may hold tests of other stands, which prove nothing of this one.
        serial: Of the check standard.
        stand: Name of the stand.
        within_hours: How old its newest test may be.
        box_serial: Of the box that is to be tested now: the check standard needs no other before it.
        now: The time, UTC.

    Returns:
        One precondition; none before a test of the check standard itself.

    Raises:
        LogbookError: A test cannot be read.
    """
    if box_serial == serial:
        return ()
    values = stated_values(logbook, serial, stand)
    lacking = _lacking(values, serial, within_hours, now)
    test_it = f"Test the check standard {serial} on this stand, the tip set as for the box."
    if lacking:
        return (unproven(NAME, lacking, test_it),)
    try:
        chart = drift_chart(np.array([one.value_mm for one in values]))
    except StudyError as error:
        return (unproven(NAME, f"no chart: expected {error.expected}", test_it),)
    if chart.steady:
        return (proven(NAME, f"{serial} steady over {len(values)} tests"),)
    newest = " and a ".join(one.kind for one in chart.signals if one.index == len(values) - 1)
    detail = f"the newest test of {serial} shows a {newest} of the stand"
    return (failed(NAME, detail, f"Find the cause first: lashmap study drift {serial} shows the chart."),)


def _lacking(values: list[StatedValue], serial: str, within_hours: float, now: dt.datetime) -> str:
    """What tests of the check standard are missing; empty when there are enough, the newest new enough."""
    if not values:
        return f"{serial} has no completed test on this stand in this logbook"
    age_h = (now - dt.datetime.fromisoformat(values[-1].started_utc)).total_seconds() / 3600.0
    if not 0.0 <= age_h <= within_hours:
        return f"{serial} was last tested {age_h:.1f} h ago, allowed are {within_hours:g} h"
    if len(values) < LEAST_BASELINE:
        return f"{serial} has {len(values)} completed tests, limits need {LEAST_BASELINE}"
    return ""
