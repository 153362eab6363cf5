"""The first page: what a busy person reads and signs.

Decided here: which figures stand on it, and how its words are cut to what one page can hold. Their words are
the sections', where they stand and how they are set is the templates'.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

from markupsafe import Markup

from lashmap_analysis.charts.lash_map import LashView, lash_view, map_chart, polar_chart, whole_cycle
from lashmap_analysis.charts.limits import limits_chart, seal
from lashmap_analysis.charts.qr_code import code_chart
from lashmap_analysis.charts.svg import MORE, cut_to, width
from lashmap_analysis.facts.cycle import cycle_lines
from lashmap_analysis.facts.given import limit_line, limit_words, serials
from lashmap_analysis.facts.in_words import without_keys
from lashmap_analysis.facts.lash_map import why_no_map
from lashmap_analysis.facts.review import ReviewOnFront, review_on_front
from lashmap_analysis.facts.section import Block
from lashmap_analysis.facts.sweeps import sweep_lines
from lashmap_analysis.facts.tight_spot import (
    MEASURAND,
    READ_BY_EYE,
    confirmation,
    interval_without,
    interval_words,
    spot_blocks,
)
from lashmap_analysis.facts.verdict import judged_line
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.judge.verdict import Outcome, Standing
from lashmap_analysis.record.lengths import format_length
from lashmap_analysis.record.record import Identity, Precondition, TestRecord, moment

# Most columns of each text on the first page, and most lines of a list: what fits at the smallest size. A
# review takes the room of two lines of each list; what the verdict leaves unused goes to the preconditions.
_IDENTITY = {"box": 90, "remark": 150}
_OTHER_IDENTITY = 44
_REASON, _REASONS = 260, 7
_STEP, _STEPS = 200, 6
_STATE_NAME, _DETAIL, _REMEDY, _STATES, _MORE_STATES = 48, 120, 120, 9, 3
_CAUSE, _LINE, _RUN = 400, 190, 300
_IN_CODE = 120  # a name, or the 64 digits of a seal


@dataclass(frozen=True, kw_only=True)
class Reason:
    """A sentence of the verdict; `standing` is empty when nobody said whether it speaks for or against."""

    words: str
    standing: Standing | Literal[""]


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """What the first page shows, as text and pictures.

    Attributes:
        identity: Who, what, where, when.
        reasons: Of the verdict, each with its standing: kept, broken or open.
        cells: Who, what, where and when, by name.
        would_settle: Of the verdict.
        closing: How the test ended, empty when it was completed.
        limits: The line about limits.
        judged: The decision rule, and the probability that the limits are kept.
        cause: Where the tight spot lies and what moved it there.
        told: What else was done, a line each: the cycle run, causes of refused rocks, runout sweeps.
        preconditions: As recorded.
        density: How full the page is.
        in_full: What was cut, as (name, whole text).
        outcome: Of the verdict.
        seal: Its sign.
        code: Test and seal for a reader of codes.
        code_name: What the code holds, in a few words.
        headline: Tightest backlash, without its unit; empty when none is stated.
        interval: Its 95 % interval in words; a minimum's is not symmetric, so no ± stands beside it.
        without: What that leaves out; empty when nothing.
        headline_name: What the headline is.
        measurand: The same in one whole sentence; of readings that were typed, what they do not prove.
        rail: Interval against limits; None without a figure.
        confirmation: Whether it was gone to and measured.
        spots: Stated, predicted, measured; nothing without any.
        polar: Lash map around the gear.
        straight: Lash map against engagement.
        beyond: Limits that the charts cannot show.
        no_map: Why there is no lash map.
        review: What reviewers did, in short; None when there is nothing to see.
    """

    identity: Identity
    reasons: tuple[Reason, ...]
    cells: tuple[tuple[str, str], ...]
    would_settle: tuple[str, ...]
    closing: str
    limits: str
    judged: str
    cause: str
    told: tuple[str, ...]
    preconditions: tuple[Precondition, ...]
    density: Literal["roomy", "dense", "tight"]
    in_full: tuple[tuple[str, str], ...]
    outcome: Outcome
    seal: Markup
    code: Markup
    code_name: str
    headline: str
    interval: str
    without: str
    headline_name: str
    measurand: str
    rail: Markup | None
    confirmation: str
    spots: tuple[Block, ...]
    polar: Markup | None
    straight: Markup | None
    beyond: tuple[str, ...]
    no_map: str
    review: ReviewOnFront | None


def sheet(assessment: Assessment) -> Sheet:
    """Gather the first page."""
    record, stated = assessment.record, assessment.stated
    units = record.units
    view = lash_view(assessment)
    words = _cut_words(assessment)
    described = _described(view) if view else ""
    straight = "Lash map against engagement over the mesh cycle"
    return Sheet(
        **words,
        outcome=assessment.verdict.outcome,
        seal=seal(assessment.verdict.outcome),
        code=code_chart(code_lines(record), name="code", title="QR code of test and seal"),
        code_name="test and seal" if record.identity.seal else "test, not sealed",
        headline=format_length(stated.normal_backlash_mm, units, with_unit=False) if stated else "",
        interval=interval_words(stated, units) if stated else "",
        without=interval_without(assessment),
        headline_name="Tightest normal backlash, outer end",
        measurand=f"{MEASURAND} {READ_BY_EYE}" if record.indicator.by_eye else MEASURAND,
        rail=_rail(view, assessment),
        confirmation=confirmation(assessment),
        spots=spot_blocks(assessment),
        polar=polar_chart(view, name="polar", title="Lash map around the gear", description=described)
        if view
        else None,
        straight=map_chart(view, whole_cycle(view), name="straight", title=straight, description=described)
        if view
        else None,
        beyond=_beyond(view) if view else (),
        no_map=why_no_map(assessment),
        review=review_on_front(assessment),
    )


def code_lines(record: TestRecord) -> tuple[str, ...]:
    """What the code of a test holds: its name and its seal, or that there is none, and what is not whole."""
    identity = record.identity
    seal_line = f"seal SHA-256 {cut_to(identity.seal, _IN_CODE)}" if identity.seal else "not sealed"
    ended = ("ended early",) if record.closing != "completed" else ()
    damaged = ("not as it was written",) if record.damage else ()
    return (f"lashmap test {cut_to(identity.test, _IN_CODE)}", seal_line, *ended, *damaged)


def _rail(view: LashView | None, assessment: Assessment) -> Markup | None:
    if view is None or view.spot is None or assessment.stated is None:
        return None
    units = assessment.record.units
    named = " and ".join(f"{name} {words}" for name, words in limit_words(assessment)[:2])
    return limits_chart(
        view.spot,
        view.limits,
        units,
        name="rail",
        description=f"95 % interval {interval_words(assessment.stated, units)}; {named}.",
    )


def _described(view: LashView) -> str:
    parts = [f"{len(view.points)} measured positions on a {view.pinion_teeth}:{view.gear_teeth} set."]
    if view.spot is not None:
        parts.append(
            f"Tight spot at engagement {view.spot.engagement}: {view.spot.backlash:.4g} {view.units}, "
            f"95 % interval {view.spot.low:.4g} to {view.spot.high:.4g}."
        )
    parts += [f"Limit: {limit.name} {limit.value:.4g} {view.units}." for limit in view.limits]
    if view.curve is None:
        parts.append("No curve could be fitted.")
    return " ".join(parts)


def _beyond(view: LashView) -> tuple[str, ...]:
    return tuple(
        f"The {limit.name}, {limit.value:.4g} {view.units}, lies outside the charts."
        for limit in view.limits
        if limit.value in view.range.beyond
    )


# Each text of the first page is cut to what one page can hold. Whatever is cut stands in full in the
# evidence, under the same name, and the signature lines stay on the page that is signed.


def _cut_words(assessment: Assessment) -> dict[str, Any]:
    """The texts of a `Sheet`, cut."""
    record, verdict, cut = assessment.record, assessment.verdict, _Cutter()
    names = (
        *("test", "box", "serial", "set_number", "stand", "operator", "started_utc", "remark"),
        *("indicator_serial", "encoder_serial"),
    )
    short = {
        name: cut(
            name.replace("_", " "), getattr(record.identity, name), _IDENTITY.get(name, _OTHER_IDENTITY)
        )
        for name in names
    }
    taken = 0 if assessment.review is None or not assessment.review.seen else 2
    said = tuple(map(without_keys, verdict.reasons))
    reasons = _reasons(cut.several("reason", said, _REASON, _REASONS - taken), verdict.standings)
    steps = tuple(map(without_keys, verdict.would_settle))
    would_settle = cut.several("what would settle it", steps, _STEP, _STEPS - taken)
    closing = (
        ""
        if record.closing == "completed"
        else cut("the test ended early", without_keys(record.closing), _LINE)
    )
    limits = cut("limits", limit_line(assessment), _LINE)
    judged = judged_line(assessment)  # never long
    cause = cut("tight spot", assessment.cause, _CAUSE)
    told = (
        *cut.several("cycle run", cycle_lines(assessment), _RUN, 1),
        *cut.several("cause named", record.causes, _LINE, 2),
        *cut.several("sweep", sweep_lines(assessment), _LINE, 3),
    )
    unused = _REASONS + _STEPS - 2 * taken - len(reasons) - len(would_settle)
    room = _STATES + min(_MORE_STATES, max(0, unused) // 2) - max(0, taken - unused)
    preconditions = _preconditions(record.preconditions, cut, room)
    lines = [*(one.words for one in reasons), *would_settle, closing, limits, judged, cause, *told]
    lines += [f"{one.name} {one.detail} {one.remedy}" for one in preconditions]
    lines += [""] * (4 * taken)  # the results side by side
    # How tightly the words must be set, by their length (measured on A4 and Letter).
    columns = sum(max(70, width(line)) for line in lines)
    identity = replace(record.identity, **short)
    return {
        "identity": identity,
        "cells": _cells(replace(record, identity=identity), cut_to(assessment.version, _OTHER_IDENTITY)),
        "reasons": reasons,
        "would_settle": would_settle,
        "closing": closing,
        "limits": limits,
        "judged": judged,
        "cause": cause,
        "told": told,
        "preconditions": preconditions,
        "density": "roomy" if columns < 1600 else "dense" if columns < 2400 else "tight",
        "in_full": tuple(cut.in_full),
    }


def _cells(record: TestRecord, version: str) -> tuple[tuple[str, str], ...]:
    identity = record.identity
    return (
        ("test", identity.test),
        ("serial", identity.serial),
        ("gear set", identity.set_number),
        ("stand", identity.stand),
        *serials(record),
        ("operator", identity.operator),
        ("analysis", version),
        ("started", moment(identity.started_utc, identity.started_local)),
    )


def _reasons(shown: tuple[str, ...], standings: tuple[Standing, ...]) -> tuple[Reason, ...]:
    """Give each reason its standing; the line that stands for those cut off has the worst of them."""
    if len(standings) < len(shown):
        return tuple(Reason(words=words, standing="") for words in shown)
    rest = standings[len(shown) - 1 :]
    order: tuple[Standing, ...] = ("broken", "open", "kept")
    last = min(rest, key=order.index, default=order[1])
    return tuple(
        Reason(words=words, standing=one)
        for words, one in zip(shown, (*standings[: len(shown) - 1], last), strict=True)
    )


class _Cutter:
    """Cuts texts and remembers what was cut."""

    def __init__(self) -> None:
        self.in_full: list[tuple[str, str]] = []

    def __call__(self, name: str, words: str, most: int) -> str:
        short = cut_to(words, most)
        if short.endswith(MORE) and not words.endswith(MORE):
            self.in_full.append((name, words))
        return short

    def several(self, name: str, lines: tuple[str, ...], most: int, count: int) -> tuple[str, ...]:
        shown = len(lines) if len(lines) <= count else count - 1
        short = [self(f"{name} {number}", line, most) for number, line in enumerate(lines[:shown], 1)]
        if shown < len(lines):
            self.in_full += [
                (f"{name} {number}", line) for number, line in enumerate(lines[shown:], shown + 1)
            ]
            short.append(f"And {len(lines) - shown} more, in full in the evidence.")
        return tuple(short)


def _preconditions(given: tuple[Precondition, ...], cut: _Cutter, most: int) -> tuple[Precondition, ...]:
    """Cut the preconditions; what is not proven comes first when not all of them have room."""
    many = len(given) > most
    ordered = sorted(given, key=lambda one: one.state == "proven") if many else list(given)
    shown = ordered[: most - 1] if many else ordered
    short = [
        replace(
            one,
            name=cut("name of a precondition", one.name, _STATE_NAME),
            detail=cut(cut_to(one.name, _STATE_NAME), without_keys(one.detail), _DETAIL),
            remedy=cut(f"{cut_to(one.name, _STATE_NAME)}, what to do", without_keys(one.remedy), _REMEDY),
        )
        for one in shown
    ]
    if many:
        rest = ordered[len(shown) :]
        cut.in_full += [(one.name, f"{one.state}: {one.detail} {one.remedy}".rstrip()) for one in rest]
        worst = min(rest, key=lambda one: ("failed", "unproven", "proven").index(one.state))
        words = f"{len(rest)} more, in full in the evidence"
        short.append(Precondition(name="others", state=worst.state, detail=words))
    return tuple(short)
