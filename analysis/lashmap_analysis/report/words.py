"""The report's standing words: cautions, how to read it, and why a part is missing.

Limits, torque values and acceptance come from the box's drawing; none of them is stated here.
"""

from __future__ import annotations

from lashmap_analysis.assessment import Assessment

CAUTIONS = (
    "Isolate and lock out the drive and release stored energy before hands go near the mesh.",
    "Keep clear of pinch points. Rock lightly, by hand or bar. Refit guards before power.",
    "lashmap is not a safety device: it never starts or stops a drive.",
    "Limits, torque values and acceptance come from the box's drawing and the people licensed to sign.",
    "Local codes and the maker's instructions come first.",
)

HOW_TO_READ = (
    "Backlash is normal backlash: play perpendicular to the flank, at the outer end of the teeth.",
    "An engagement counts gear teeth past the matched teeth. The same teeth meet again after one mesh cycle.",
    "The reading is the mean step between settled dwells, on the indicator's own line of action.",
    "Tip radius and direction turn the reading into normal backlash.",
    "Conforming: the whole 95 % interval lies inside the limits and every precondition is proven.",
    "Nonconforming: the whole interval lies outside. Between them: not proven (ISO 14253-1).",
    "u is a standard uncertainty, U an expanded one at 95 %. The interval judged is not value ± U.",
    "In the table of positions u holds the random part only; the budget holds all of it.",
)


def why_no_map(assessment: Assessment) -> str:
    """Say why there is no lash map; empty when there is one."""
    if assessment.lash_map is not None:
        return ""
    count = len(assessment.positions)
    usable = sum(p.normal_backlash_mm is not None for p in assessment.positions)
    if count == 0:
        return "No position was recorded, so there is no lash map and no tight spot."
    if usable == 0:
        return (
            f"None of the {count} recorded positions gave a usable reading, so there is no lash map. "
            "The traces below show what was recorded."
        )
    return (
        f"{usable} of {count} recorded positions gave a usable reading; no lash map could be fitted to them."
    )
