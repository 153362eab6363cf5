"""The assessment: one test record becomes everything that may be said about the box.

Decided here: the order of the steps, and that every record gives an assessment, if only a *not proven* with
its reason. What each step does is decided in the module it calls.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf
from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.assessment import Assessment
from lashmap_analysis.cause import cause_sentence
from lashmap_analysis.doubts import cautions_of, doubts_of
from lashmap_analysis.lash_map import LashMapError, fit_lash_map
from lashmap_analysis.position_result import position_result
from lashmap_analysis.settling import confirm_step, narrowing_steps
from lashmap_analysis.sweep_result import sweep_result
from lashmap_analysis.tight_spot_result import confirms, from_lash_map, from_position, set_up_mm
from lashmap_analysis.uncertainty import coverage_factor
from lashmap_analysis.verdict import Evidence, judge

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lashmap_analysis.assessment import PositionResult, TightSpotResult
    from lashmap_analysis.gear_set import GearSet
    from lashmap_analysis.lash_map import LashMap
    from lashmap_analysis.record import TestRecord
    from lashmap_analysis.uncertainty import Budget
    from lashmap_analysis.verdict import Interval


def assess(record: TestRecord) -> Assessment:
    """Conclude from a test record whatever it allows.

    Args:
        record: The test record. An open-ended record (a test that was stopped, no usable position at all) is
            as welcome as a complete one.

    Returns:
        The assessment. What could not be concluded is None and named in the verdict's reasons.

    Raises:
        IndicatorError: The tip touches no tooth of this gear set, so that no reading means anything.
    """
    record.indicator.check_on(record.gear_set)
    measured = tuple(position_result(trace, record) for trace in record.traces)
    fit = _fit(measured, record)
    positions = _with_outliers(measured, fit.lash_map)
    verdict = judge(
        _evidence(record, positions, fit),
        record.limits,
        record.preconditions,
        gear_set=record.gear_set,
        units=record.units,
    )
    lash_map = fit.lash_map
    return Assessment(
        record=record,
        positions=positions,
        lash_map=lash_map,
        measured=_measured(positions, record),
        predicted=fit.predicted,
        stated=fit.stated,
        confirmed=fit.confirmed,
        budget=fit.budget,
        verdict=verdict,
        cause=cause_sentence(lash_map, units=record.units) if lash_map is not None else fit.missing,
        version=_version(),
        sweeps=tuple(sweep_result(trace, record, lash_map) for trace in record.sweeps),
    )


@dataclass(frozen=True, kw_only=True)
class _Fit:
    """The lash map with and without the confirming positions, and what is stated from them."""

    lash_map: LashMap | None = None
    predicted: TightSpotResult | None = None
    stated: TightSpotResult | None = None
    budget: Budget | None = None
    confirmed: bool = False
    missing: str = ""


def _fit(positions: Sequence[PositionResult], record: TestRecord) -> _Fit:
    usable = _usable(positions)
    try:
        lash_map = _fit_map(usable, record.gear_set)
    except LashMapError as error:
        return _Fit(missing=_why_no_map(positions, usable, error))
    stated, budget = from_lash_map(lash_map, record.indicator, units=record.units)
    before = _map_before_confirming(usable, lash_map, record.gear_set)
    return _Fit(
        lash_map=lash_map,
        predicted=from_lash_map(before, record.indicator)[0] if before is not None else None,
        stated=stated,
        budget=budget,
        confirmed=_is_confirmed(usable, before, record.gear_set),
    )


def _fit_map(positions: Sequence[PositionResult], gear_set: GearSet) -> LashMap:
    return fit_lash_map(
        gear_set,
        np.array([one.engagement for one in positions], dtype=np.int64),
        np.array([one.normal_backlash_mm for one in positions], dtype=np.float64),
        np.array([one.standard_uncertainty_mm for one in positions], dtype=np.float64),
    )


def _map_before_confirming(
    usable: Sequence[PositionResult], lash_map: LashMap, gear_set: GearSet
) -> LashMap | None:
    """The map that predicted the tight spot; the whole one when nothing was confirmed."""
    planned = [one for one in usable if one.purpose == "planned"]
    if len(planned) == len(usable):
        return lash_map
    try:
        return _fit_map(planned, gear_set)
    except LashMapError:
        return None


def _is_confirmed(usable: Sequence[PositionResult], before: LashMap | None, gear_set: GearSet) -> bool:
    """The latest confirming position at the tight spot, as then known, reads as was predicted.

    An earlier one that did not has moved the tight spot since, and is part of the later prediction.
    """
    planned = [one for one in usable if one.purpose == "planned"]
    for index in range(len(usable) - 1, -1, -1):
        if usable[index].purpose != "confirming":
            continue
        try:
            known = before if before and usable[:index] == planned else _fit_map(usable[:index], gear_set)
        except LashMapError:
            return False
        answer = confirms(usable[index], known)
        if answer is not None:
            return answer
    return False


def _why_no_map(
    positions: Sequence[PositionResult], usable: Sequence[PositionResult], error: LashMapError
) -> str:
    if not positions:
        return "No tight spot was found: no position was recorded."
    if not usable:
        return f"No tight spot was found: none of the {len(positions)} recorded positions is usable."
    share = f"{len(usable)} of {len(positions)} recorded positions are usable"
    return f"No tight spot was found: {share}; a lash map needs {error.expected}."


def _evidence(record: TestRecord, positions: Sequence[PositionResult], fit: _Fit) -> Evidence:
    if fit.lash_map is None or fit.stated is None or fit.budget is None:
        return Evidence(
            missing=fit.missing,
            doubts=doubts_of(record, positions, None),
            narrow=("Record more positions whose rocks are usable.",),
            cautions=cautions_of(record, positions, None),
        )
    return Evidence(
        interval_mm=fit.stated.interval_mm,
        variation_interval_mm=_variation_interval(fit.lash_map, fit.budget),
        confirmed=fit.confirmed,
        doubts=doubts_of(record, positions, fit.stated),
        narrow=narrowing_steps(fit.lash_map, fit.budget, fit.stated.interval_mm, record),
        confirm=confirm_step(fit.lash_map),
        cautions=cautions_of(record, positions, fit.lash_map),
    )


def _variation_interval(lash_map: LashMap, budget: Budget) -> Interval:
    """Of loosest minus tightest; what scales every reading scales the variation with them."""
    size = lash_map.variation_mm
    relative = set_up_mm(budget) / abs(lash_map.tight_spot.backlash_mm or 1.0)
    factor = coverage_factor(inf)
    expanded = factor * float(np.hypot(lash_map.variation_uncertainty_mm, relative * size))
    return max(size - expanded, 0.0), size + expanded


def _measured(positions: Sequence[PositionResult], record: TestRecord) -> TightSpotResult | None:
    """The tightest confirming position, or the tightest of all when none was confirmed."""
    usable = _usable(positions)
    tightest = _tightest(_confirming(usable) or usable)
    return None if tightest is None else from_position(tightest, record.gear_set, record.indicator)


def _usable(positions: Sequence[PositionResult]) -> list[PositionResult]:
    return [one for one in positions if one.normal_backlash_mm is not None]


def _confirming(usable: Sequence[PositionResult]) -> list[PositionResult]:
    return [one for one in usable if one.purpose == "confirming"]


def _tightest(positions: Sequence[PositionResult]) -> PositionResult | None:
    return min(positions, key=lambda one: one.normal_backlash_mm or 0.0, default=None)


def _with_outliers(
    positions: tuple[PositionResult, ...], lash_map: LashMap | None
) -> tuple[PositionResult, ...]:
    """Mark the positions that the lash map named outliers; it counts the usable ones only."""
    if lash_map is None or not lash_map.outliers:
        return positions
    usable = _usable(positions)
    named = {usable[index].position for index in lash_map.outliers}
    return tuple(replace(one, outlier=True) if one.position in named else one for one in positions)


def _version() -> str:
    from importlib.metadata import PackageNotFoundError, version  # noqa: PLC0415 - reads files; not on import

    try:
        return version("lashmap")
    except PackageNotFoundError:
        return "unknown (not installed)"
