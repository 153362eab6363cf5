"""What reviewers did with a test, as tables of an export: beside what was recorded, never instead of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from lashmap_analysis.frame_table import Column, Kind, Table, text, whole
from lashmap_analysis.result_keys import KEYS

_TEST = text("test", KEYS["test"])

_REVIEWED: Mapping[str, Kind] = {
    "outcome": "string",
    "reasons": "string",
    "engagement": "integer",
    "normal_backlash_mm": "number",
    "standard_uncertainty_mm": "number",
    "expanded_uncertainty_mm": "number",
    "interval_low_mm": "number",
    "interval_high_mm": "number",
    "confirmed": "boolean",
    "positions": "integer",
    "usable": "integer",
}
_EXCLUSION: Mapping[str, Kind] = {
    "number": "integer",
    "position": "integer",
    "reversal": "integer",
    "start_s": "number",
    "end_s": "number",
    "reason": "string",
    "by": "string",
    "utc": "string",
    "holds": "boolean",
    "undone_by": "string",
    "undone_utc": "string",
    "undone_reason": "string",
}
_SIGNATURE: Mapping[str, Kind] = {
    "by": "string",
    "utc": "string",
    "analysis_version": "string",
    "outcome": "string",
    "recorded_outcome": "string",
    "exclusions": "string",
    "remark": "string",
    "engagement": "integer",
    "normal_backlash_mm": "number",
    "interval_low_mm": "number",
    "interval_high_mm": "number",
}


def _columns(kinds: Mapping[str, Kind], under: str) -> tuple[Column, ...]:
    always = {"number", "position", "confirmed", "positions", "usable", "holds"}
    return tuple(
        Column(
            name=name, kind=kind, meaning=KEYS[f"{under}.{name}"], required=kind == "string" or name in always
        )
        for name, kind in kinds.items()
    )


REVIEW_TABLES = (
    Table(
        name="reviewed_results",
        meaning="one test, when something is excluded: what is concluded without that",
        key=("test",),
        columns=(_TEST, *_columns(_REVIEWED, "review.reviewed")),
    ),
    Table(
        name="exclusions",
        meaning="one position or reversal that a reviewer left out; also what was taken back",
        key=("test", "number"),
        columns=(_TEST, *_columns(_EXCLUSION, "review.exclusions[]")),
    ),
    Table(
        name="signatures",
        meaning="one signature of a reviewer",
        key=("test", "line"),
        columns=(
            _TEST,
            whole("line", "its place among the signatures, from 1"),
            *_columns(_SIGNATURE, "review.sign_offs[]"),
        ),
    ),
)


def review_rows(review: Mapping[str, Any] | None) -> dict[str, list[dict[str, Any]]]:
    """The rows of these tables, from the result document's ``review``; none when nobody has looked."""
    found = review or {"reviewed": None, "exclusions": [], "sign_offs": []}
    reviewed = found["reviewed"]
    return {
        "reviewed_results": []
        if reviewed is None
        else [{**reviewed, "reasons": "\n".join(reviewed["reasons"])}],
        "exclusions": found["exclusions"],
        "signatures": [
            {**one, "line": line, "exclusions": "; ".join(map(str, one["exclusions"]))}
            for line, one in enumerate(found["sign_offs"], 1)
        ],
    }
