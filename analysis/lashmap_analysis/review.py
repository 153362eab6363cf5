"""A review: what changed against the stored result, and what the result is without what a reviewer left out.

Nothing here changes the assessment of what was recorded; the reviewed one stands beside it. Who may review,
and where the review is kept, is not decided here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from lashmap_analysis.assess import assess
from lashmap_analysis.assessment import Assessment, Review
from lashmap_analysis.position_result import position_result
from lashmap_analysis.record import RockTrace, TestRecord
from lashmap_analysis.review_record import Exclusion, SignOff, StoredResult
from lashmap_analysis.review_words import changes, covers, worth


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
