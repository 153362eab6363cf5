"""The review as plain values for the result document; its keys are documented in `result_keys.py`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from lashmap_analysis.result_budget import budget_document

if TYPE_CHECKING:
    from lashmap_analysis.assessment import Assessment, Review
    from lashmap_analysis.review_record import Exclusion, SignOff, StoredResult

Json = dict[str, Any]


def review_document(review: Review | None) -> Json | None:
    """Turn a review into nested plain values; None when nobody has looked."""
    if review is None:
        return None
    return {
        "stored": _stored(review.stored),
        "changes": list(review.changes),
        "exclusions": [_exclusion(one) for one in review.exclusions],
        "reviewed": _reviewed(review.reviewed),
        "sign_offs": [_sign_off(one) for one in review.sign_offs],
        "signed": review.signed,
    }


def _stored(stored: StoredResult | None) -> Json | None:
    if stored is None:
        return None
    low, high = stored.interval_mm or (None, None)
    return {
        "analysis_version": stored.analysis_version,
        "utc": stored.utc,
        "outcome": stored.outcome,
        "engagement": stored.engagement,
        "normal_backlash_mm": stored.normal_backlash_mm,
        "interval_low_mm": low,
        "interval_high_mm": high,
        "confirmed": stored.confirmed,
        "positions": stored.positions,
        "usable": stored.usable,
    }


def _exclusion(one: Exclusion) -> Json:
    start_s, end_s = one.window_s or (None, None)
    by, utc, reason = one.undone or (None, None, None)
    return {
        "number": one.number,
        "position": one.position,
        "reversal": one.reversal,
        "start_s": start_s,
        "end_s": end_s,
        "reason": one.reason,
        "by": one.by,
        "utc": one.utc,
        "holds": one.undone is None,
        "undone_by": by,
        "undone_utc": utc,
        "undone_reason": reason,
    }


def _reviewed(reviewed: Assessment | None) -> Json | None:
    """The reviewed result in short; the document itself is that of what was recorded."""
    if reviewed is None:
        return None
    spot = reviewed.stated
    return {
        "outcome": reviewed.verdict.outcome,
        "reasons": list(reviewed.verdict.reasons),
        "engagement": spot.engagement if spot else None,
        "normal_backlash_mm": spot.normal_backlash_mm if spot else None,
        "standard_uncertainty_mm": spot.standard_uncertainty_mm if spot else None,
        "expanded_uncertainty_mm": spot.expanded_uncertainty_mm if spot else None,
        "interval_low_mm": spot.interval_mm[0] if spot else None,
        "interval_high_mm": spot.interval_mm[1] if spot else None,
        "confirmed": reviewed.confirmed,
        "positions": len(reviewed.positions),
        "usable": sum(one.normal_backlash_mm is not None for one in reviewed.positions),
        "budget": budget_document(reviewed.budget),
    }


def _sign_off(one: SignOff) -> Json:
    return {
        "by": one.by,
        "utc": one.utc,
        "analysis_version": one.analysis_version,
        "outcome": one.outcome,
        "recorded_outcome": one.recorded_outcome,
        "exclusions": list(one.exclusions),
        "remark": one.remark,
        "engagement": one.engagement,
        "normal_backlash_mm": one.normal_backlash_mm,
        "interval_low_mm": one.interval_mm[0] if one.interval_mm else None,
        "interval_high_mm": one.interval_mm[1] if one.interval_mm else None,
    }
