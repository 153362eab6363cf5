"""A review: what changed against the stored result, and what the result is without what a reviewer left out.

Nothing here changes the assessment of what was recorded; the reviewed one stands beside it. Who may review,
and where the review is kept, is not decided here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from lashmap_analysis.assess import assess
from lashmap_analysis.assessment import Assessment, TightSpotResult
from lashmap_analysis.lengths import format_length
from lashmap_analysis.record import RockTrace, TestRecord, Units

NOTHING_STORED = (
    "No result was stored when the test ran: it was recorded by an earlier version, or ended before its "
    "result. There is nothing to compare with."
)
SAME_VERSION = (
    "The version is the same, so the analysis does not explain it: the record is no longer the one that was "
    "judged, or the program was changed without a new version."
)
OTHER_VERSION = "The raw samples are the same; another version of the analysis reads them otherwise."


class ReviewError(ValueError):
    """What was asked to be left out is not there; the message says what is."""


@dataclass(frozen=True, kw_only=True)
class StoredResult:
    """The result that was handed over when the test ran.

    Attributes:
        analysis_version: Version of the analysis that found it.
        outcome: Of the verdict.
        engagement: Of the stated tight spot; None, like its figures, when none was stated.
        normal_backlash_mm: Stated.
        interval_mm: Its interval at 95 %.
        confirmed: Whether the tight spot was confirmed.
        positions: Recorded.
        usable: How many gave a reading.
        utc: When it was stored.
    """

    analysis_version: str
    outcome: str
    engagement: int | None
    normal_backlash_mm: float | None
    interval_mm: tuple[float, float] | None
    confirmed: bool
    positions: int
    usable: int
    utc: str


@dataclass(frozen=True, kw_only=True)
class Exclusion:
    """A position, or one reversal of it, that a reviewer leaves out.

    Attributes:
        number: From 1, in the order of review.
        position: Number of the position.
        reversal: Number of the reversal within the rock, from 1; None for the whole position.
        window_s: Time between the two dwells of the reversal.
        reason: Why.
        by: Who.
        utc: When.
        undone: (who, when, why) it was taken back; None while it holds.
    """

    number: int
    position: int
    reversal: int | None
    window_s: tuple[float, float] | None
    reason: str
    by: str
    utc: str
    undone: tuple[str, str, str] | None = None

    @property
    def what(self) -> str:
        """What is left out, in words."""
        whole = f"position {self.position}"
        return whole if self.reversal is None else f"{whole}, reversal {self.reversal}"


@dataclass(frozen=True, kw_only=True)
class SignOff:
    """A reviewer's signature.

    Attributes:
        by: Who.
        utc: When.
        analysis_version: Version of the analysis that was looked at.
        outcome: Reviewed outcome that was signed for.
        recorded_outcome: Outcome of what was recorded, at that time.
        exclusions: Numbers of the exclusions that held.
        remark: What else was said.
    """

    by: str
    utc: str
    analysis_version: str
    outcome: str
    recorded_outcome: str
    exclusions: tuple[int, ...]
    remark: str = ""


@dataclass(frozen=True, kw_only=True)
class Review:
    """Everything that stands beside the assessment of what was recorded.

    Attributes:
        stored: The result stored when the test ran; None when none was.
        changes: What differs from it now and why, in sentences; one that says so when nothing does.
        exclusions: In the order of review, those that were taken back too.
        sign_offs: In order.
        reviewed: The assessment without what is excluded; None when nothing is.
        signed: What the last signature is worth now; empty without one.
        covers: True when the last signature covers the result that is shown.
    """

    stored: StoredResult | None
    changes: tuple[str, ...]
    exclusions: tuple[Exclusion, ...]
    sign_offs: tuple[SignOff, ...]
    reviewed: Assessment | None
    signed: str
    covers: bool

    @property
    def holding(self) -> tuple[Exclusion, ...]:
        """Exclusions that hold."""
        return tuple(one for one in self.exclusions if one.undone is None)


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
        changes=_changes(stored, assessment),
        exclusions=exclusions,
        sign_offs=sign_offs,
        reviewed=reviewed,
        signed="" if last is None else _signed(last, reviewed or assessment, holding),
        covers=last is not None and _covers(last, reviewed or assessment, holding),
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
    return dwells[reversal - 1].end_s, dwells[reversal].start_s


def _changes(stored: StoredResult | None, now: Assessment) -> tuple[str, ...]:
    """Say what differs from the stored result, as far as it is shown, and why it may."""
    if stored is None:
        return (NOTHING_STORED,)
    units = now.record.units
    backlash, interval, engagement = stated_words(now.stated, units)
    usable = sum(one.normal_backlash_mm is not None for one in now.positions)
    pairs = (
        ("verdict", stored.outcome, now.verdict.outcome),
        ("stated backlash", length_words(stored.normal_backlash_mm, units), backlash),
        ("95 % interval", interval_words(stored.interval_mm, units), interval),
        ("tight spot at engagement", _count(stored.engagement), engagement),
        ("confirmed", _yes(stored.confirmed), _yes(now.confirmed)),
        ("positions recorded", str(stored.positions), str(len(now.positions))),
        ("positions usable", str(stored.usable), str(usable)),
    )
    found = tuple(f"{name}: was {old}, is {new}" for name, old, new in pairs if old != new)
    same_version = stored.analysis_version == now.version
    versions = (
        f"stored by analysis {stored.analysis_version}, recomputed by the same version"
        if same_version
        else f"stored by analysis {stored.analysis_version}, recomputed by {now.version}"
    )
    if not found:
        return (f"The same result as stored when the test ran ({versions}).",)
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


def _covers(last: SignOff, seen: Assessment, holding: list[Exclusion]) -> bool:
    same = last.exclusions == tuple(one.number for one in holding)
    return same and last.outcome == seen.verdict.outcome


def _signed(last: SignOff, seen: Assessment, holding: list[Exclusion]) -> str:
    """Say whether the last signature covers the result that is shown."""
    name = f"Signed off by {last.by} on {last.utc[:10]} as {last.outcome}"
    if last.exclusions != tuple(one.number for one in holding):
        return f"{name}, but the exclusions have changed since: the signature does not cover this result."
    if last.outcome != seen.verdict.outcome:
        return f"{name}, but the result is {seen.verdict.outcome} now: the signature does not cover it."
    if last.analysis_version != seen.version:
        return (
            f"{name}, with analysis {last.analysis_version}; this is {seen.version}. The outcome is the same."
        )
    return f"{name}."


def stated_words(spot: TightSpotResult | None, units: Units) -> tuple[str, str, str]:
    """Backlash, interval and engagement of a tight spot as text."""
    if spot is None:
        return "none", "none", "none"
    return (
        format_length(spot.normal_backlash_mm, units),
        interval_words(spot.interval_mm, units),
        str(spot.engagement),
    )
