"""The lash map's remarks in the words of a test: positions by their numbers, lengths in the paperwork's unit.

Decided here: words only; what is an outlier is decided in `outliers.py`. The map itself counts the readings
that it was given, and knows neither positions nor the paperwork.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from lashmap_analysis.lengths import format_length

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lashmap_analysis.assessment import Assessment, PositionResult
    from lashmap_analysis.lash_map import LashMap
    from lashmap_analysis.outliers import Finding
    from lashmap_analysis.record import Units

AGAIN = "clean the teeth and measure there again."


def map_remarks(lash_map: LashMap, positions: Sequence[PositionResult], units: Units) -> tuple[str, ...]:
    """Say which positions are outliers, what is merged and how to separate it.

    Args:
        lash_map: The map.
        positions: All positions of the test; the map was fitted to the usable ones, in this order.
        units: Unit of the figures.
    """
    usable = [one for one in positions if one.normal_backlash_mm is not None]
    found = {finding.index: finding for finding in lash_map.findings}
    outliers = [_sentence(usable[index], found.get(index), lash_map, units) for index in lash_map.outliers]
    separable = lash_map.separable
    return (*outliers, *(text for text in (separable.sentence, separable.remedy) if text))


def remarks_of(assessment: Assessment) -> tuple[str, ...]:
    """The remarks on an assessment's own map; none without a map."""
    if assessment.lash_map is None:
        return ()
    return map_remarks(assessment.lash_map, assessment.positions, assessment.record.units)


def _sentence(position: PositionResult, finding: Finding | None, lash_map: LashMap, units: Units) -> str:
    start = f"Position {position.position} at engagement {position.engagement}"
    if finding is None:  # a map made by hand names the outlier alone
        return f"{start} is not explained by the other positions: {AGAIN}"
    side = "above" if finding.residual_mm > 0 else "below"
    away = format_length(abs(finding.residual_mm), units)
    meaning = _meaning(position, finding, lash_map)
    return f"{start} lies {away} {side} what all other positions predict. {meaning}"


def _meaning(position: PositionResult, finding: Finding, lash_map: LashMap) -> str:
    if finding.suspect == "reading":
        stands = ", but stands as it was read until this engagement is measured again"
        return (
            "It is taken for a bad reading and does not shape the map"
            f"{stands if finding.stands else ''}: {AGAIN}"
        )
    member = "gear" if finding.suspect == "gear tooth" else "pinion"
    teeth = lash_map.gear_set.gear_teeth if member == "gear" else lash_map.gear_set.pinion_teeth
    tooth = position.engagement % teeth
    return f"It is taken for {member} tooth {tooth} itself (counted from the matched teeth): {AGAIN}"
