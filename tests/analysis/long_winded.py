"""An assessment with more to say than one page holds; invented."""

from __future__ import annotations

from dataclasses import replace

from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.record.record import Precondition


def long_winded(assessment: Assessment, count: int) -> Assessment:
    """Give `count` reasons, steps and preconditions; the last precondition failed."""
    sentence = (
        "The normal backlash at the tight spot is 0.1266 to 0.1279 mm (95 %), with the least allowed of "
        "0.1000 mm inside that span, so it is neither kept nor broken for certain. Reason {}."
    )
    verdict = replace(
        assessment.verdict,
        reasons=tuple(sentence.format(n) for n in range(count)),
        would_settle=tuple(
            f"Measure preload against the drawing and record it. Step {n}." for n in range(count)
        ),
    )
    conditions = tuple(
        Precondition(
            name=f"mounting distance {n}",
            state="failed" if n == count - 1 else "unproven",
            detail="nobody said where the marked teeth are; engagements count from where the test began",
            remedy="Measure the pinion's mounting distance and record it as mounting.pinion_mm in the file.",
        )
        for n in range(count)
    )
    return replace(assessment, verdict=verdict, record=replace(assessment.record, preconditions=conditions))
