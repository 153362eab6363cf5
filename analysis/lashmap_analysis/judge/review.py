"""A review: what changed against the stored result, and what the result is without what a reviewer left out.

Nothing here changes the assessment of what was recorded; the reviewed one stands beside it. Who may review,
and where the review is kept, is not decided here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from lashmap_analysis.judge.assess import assess, position_result
from lashmap_analysis.judge.assessment import Assessment, Review, TightSpotResult
from lashmap_analysis.record.lengths import format_length
from lashmap_analysis.record.record import Exclusion, RockTrace, SignOff, StoredResult, TestRecord, Units


class ReviewError(ValueError):
    """What was asked to be left out is not there; the message says what is."""


def review(
    assessment: Assessment,
    *,
    stored: StoredResult | None,
    exclusions: tuple[Exclusion, ...],
    sign_offs: tuple[SignOff, ...],
) -> Review:
    """Put a review together.

    Args:
        assessment: Of what was recorded, by today's analysis.
        stored: The result stored when the test ran.
        exclusions: In order, with those that were taken back.
        sign_offs: In order.
    """
    holding = [one for one in exclusions if one.undone is None]
    reviewed = _reviewed(assessment, holding) if holding else None
    last = sign_offs[-1] if sign_offs else None
    return Review(
        stored=stored,
        changes=changes(stored, assessment),
        exclusions=exclusions,
        sign_offs=sign_offs,
        reviewed=reviewed,
        signed="" if last is None else worth(last, assessment, reviewed or assessment, holding),
        covers=last is not None and covers(last, reviewed or assessment, holding),
    )


def _reviewed(assessment: Assessment, holding: list[Exclusion]) -> Assessment:
    """Assess what is left, and let its verdict say what was left out and by whom."""
    found = assess(without(assessment.record, holding))
    notes = tuple(f"Left out in review: {one.what}, by {one.by}: {one.reason}" for one in holding)
    verdict = replace(found.verdict, cautions=(*found.verdict.cautions, *notes))
    return replace(found, verdict=verdict)


def without(record: TestRecord, exclusions: Iterable[Exclusion]) -> TestRecord:
    """Return the record without what is excluded; the given one stays as it is."""
    positions: set[int] = set()
    windows: dict[int, list[tuple[float, float]]] = {}
    for one in exclusions:
        if one.reversal is None or one.window_s is None:
            positions.add(one.position)
        else:
            windows.setdefault(one.position, []).append(one.window_s)
    kept = (_without_reversals(trace, windows) for trace in record.traces if trace.position not in positions)
    return replace(record, traces=tuple(kept))


def _without_reversals(trace: RockTrace, windows: Mapping[int, list[tuple[float, float]]]) -> RockTrace:
    left_out = windows.get(trace.position)
    return replace(trace, left_out_s=(*trace.left_out_s, *left_out)) if left_out else trace


def window_of(assessment: Assessment, position: int, reversal: int | None) -> tuple[float, float] | None:
    """Find what is to be left out.

    Args:
        assessment: Of what was recorded.
        position: Number of a position.
        reversal: Number of a reversal from 1: the way from that settled dwell to the next; None for all.

    Returns:
        The time between the dwells of the reversal; None for a whole position.

    Raises:
        ReviewError: There is no such position or reversal.
    """
    found = next((one for one in assessment.positions if one.position == position), None)
    if found is None:
        known = ", ".join(str(one.position) for one in assessment.positions) or "none"
        raise ReviewError(f"no position {position} was recorded; there are: {known}")
    if reversal is None:
        return None
    dwells = found.rock.dwells
    if not 1 <= reversal < len(dwells):
        there = f"1 to {len(dwells) - 1}" if len(dwells) > 1 else "none"
        raise ReviewError(f"position {position} has no reversal {reversal}; there are: {there}")
    window = dwells[reversal - 1].end_s, dwells[reversal].start_s
    left = without(assessment.record, [_only(position, reversal, window)])
    trace = next(one for one in left.traces if one.position == position)
    if position_result(trace, left).rock.reversals == found.rock.reversals:
        raise ReviewError(
            f"position {position}, reversal {reversal}, is not part of the reading: "
            "a flank on its way was not settled"
        )
    return window


def _only(position: int, reversal: int, window_s: tuple[float, float]) -> Exclusion:
    """An exclusion to try out."""
    return Exclusion(
        number=0, position=position, reversal=reversal, window_s=window_s, reason="", by="", utc=""
    )


NOTHING_STORED = (
    "No result was stored when the test ran: it was recorded by an earlier version, or ended before its "
    "result. There is nothing to compare with."
)
SAME_VERSION = (
    "The version is the same, so the analysis does not explain it: the record is no longer the one that was "
    "judged, or the program was changed without a new version."
)
# What another kind of processor finds differs by a ten-thousandth of this (measured); the last digit that is
# shown is a hundred times as much.
_ROUNDING_MM = 1e-6
ROUNDED = (
    "A figure within a nanometre of the border between two last digits is written with the other one now: "
    "computers differ in how they round."
)
OTHER_VERSION = "The raw samples are the same; another version of the analysis reads them otherwise."
_FIGURES = ("stated backlash", "95 % interval", "tight spot at engagement")
_Figures = tuple[float | None, tuple[float, float] | None, int | None]


def changes(stored: StoredResult | None, now: Assessment) -> tuple[str, ...]:
    """Say what differs from the stored result, as far as it is shown, and why it may."""
    if stored is None:
        return (NOTHING_STORED,)
    units = now.record.units
    figures = (stored.normal_backlash_mm, stored.interval_mm, stored.engagement)
    kept, rounded = _kept_words(figures, now.stated, units)
    pairs = (
        ("verdict", stored.outcome, now.verdict.outcome),
        *zip(_FIGURES, kept, stated_words(now.stated, units), strict=True),
        ("confirmed", _yes(stored.confirmed), _yes(now.confirmed)),
        ("positions recorded", str(stored.positions), str(len(now.positions))),
        ("positions usable", str(stored.usable), str(now.usable)),
    )
    found = tuple(f"{name}: was {old}, is {new}" for name, old, new in pairs if old != new)
    same_version = stored.analysis_version == now.version
    versions = (
        f"stored by analysis {stored.analysis_version}, recomputed by the same version"
        if same_version
        else f"stored by analysis {stored.analysis_version}, recomputed by {now.version}"
    )
    if not found:
        same = f"The same result as stored when the test ran ({versions})."
        return (same, ROUNDED) if rounded else (same,)
    why = SAME_VERSION if same_version else OTHER_VERSION
    return (f"The result differs from the one stored when the test ran ({versions}).", *found, why)


def length_words(length_mm: float | None, units: Units) -> str:
    """A length, or ``none``."""
    return "none" if length_mm is None else format_length(length_mm, units)


def interval_words(interval_mm: tuple[float, float] | None, units: Units) -> str:
    """An interval, or ``none``."""
    if interval_mm is None:
        return "none"
    low, high = interval_mm
    return f"{format_length(low, units, with_unit=False)} to {format_length(high, units)}"


def _count(value: int | None) -> str:
    return "none" if value is None else str(value)


def _yes(value: bool) -> str:  # noqa: FBT001 - one value in, one word out
    return "yes" if value else "no"


def covers(last: SignOff, seen: Assessment, holding: list[Exclusion]) -> bool:
    """Whether a signature is for the exclusions, the outcome and the figures that are shown."""
    same = last.exclusions == tuple(one.number for one in holding)
    return same and last.outcome == seen.verdict.outcome and not _other_figures(last, seen)


def _other_figures(last: SignOff, seen: Assessment) -> str:
    """What was signed for and what is shown, when they differ as they are shown; empty when they do not."""
    if last.normal_backlash_mm is None:
        return ""  # none was stated, which the outcome tells, or an earlier version kept none
    units = seen.record.units
    signed, _ = _kept_words((last.normal_backlash_mm, last.interval_mm, last.engagement), seen.stated, units)
    now = stated_words(seen.stated, units)
    if signed == now:
        return ""
    return "signed was {} (95 %: {}) at engagement {}, it is {} (95 %: {}) at {} now".format(*signed, *now)


def worth(last: SignOff, recorded: Assessment, seen: Assessment, holding: list[Exclusion]) -> str:
    """Say whether the last signature covers the result that is shown."""
    name = f"Signed off by {last.by} on {last.utc[:10]} as {last.outcome}"
    if last.by.casefold() == recorded.record.identity.operator.casefold():
        name += ", the name that also ran the test"
    if last.outcome != last.recorded_outcome:
        name += f" (as recorded: {last.recorded_outcome})"
    if last.exclusions != tuple(one.number for one in holding):
        return f"{name}, but the exclusions have changed since: the signature does not cover this result."
    if last.outcome != seen.verdict.outcome:
        return f"{name}, but the result is {seen.verdict.outcome} now: the signature does not cover it."
    if other := _other_figures(last, seen):
        return f"{name}, but {other}: the signature does not cover this result."
    if last.analysis_version != seen.version:
        return (
            f"{name}, with analysis {last.analysis_version}; this is {seen.version}. The outcome is the same."
        )
    return f"{name}."


def _kept_words(kept: _Figures, now: TightSpotResult | None, units: Units) -> tuple[tuple[str, ...], bool]:
    """Figures that were kept, as text; what differs from now's in rounding alone is written like now's.

    Returns:
        Backlash, interval and engagement; and whether one would have been written otherwise.
    """
    backlash_mm, interval_mm, engagement = kept
    as_kept = (length_words(backlash_mm, units), interval_words(interval_mm, units), _count(engagement))
    if now is None or backlash_mm is None or interval_mm is None:
        return as_kept, False
    words = (
        length_words(_like(now.normal_backlash_mm, backlash_mm), units),
        interval_words(
            (_like(now.interval_mm[0], interval_mm[0]), _like(now.interval_mm[1], interval_mm[1])), units
        ),
        as_kept[2],
    )
    return words, words != as_kept


def _like(now_mm: float, kept_mm: float) -> float:
    return now_mm if abs(now_mm - kept_mm) < _ROUNDING_MM else kept_mm


def stated_words(spot: TightSpotResult | None, units: Units) -> tuple[str, str, str]:
    """Backlash, interval and engagement of a tight spot as text."""
    if spot is None:
        return "none", "none", "none"
    return (
        format_length(spot.normal_backlash_mm, units),
        interval_words(spot.interval_mm, units),
        str(spot.engagement),
    )
