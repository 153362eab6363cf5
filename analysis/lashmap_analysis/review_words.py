"""What a review says: what changed against the stored result and why, and what a signature is worth now."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lashmap_analysis.lengths import format_length

if TYPE_CHECKING:
    from lashmap_analysis.assessment import Assessment, TightSpotResult
    from lashmap_analysis.record import Units
    from lashmap_analysis.review_record import Exclusion, SignOff, StoredResult

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
