"""What both pictures of the lash map show, gathered once and in the unit of the paperwork.

Positions are folded into one mesh cycle here, since the same teeth meet again after it. How the map is
drawn is decided by the charts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.assessment import Assessment, PositionResult, TightSpotResult
from lashmap_analysis.lengths import in_units
from lashmap_analysis.record import TestRecord, Units
from lashmap_analysis.report.charts_axes import LashRange, lash_range

Floats = NDArray[np.float64]
# 97.5 % point of the normal distribution; the report says that band and bars are this many uncertainties.
BAND = 1.96


@dataclass(frozen=True, kw_only=True)
class Point:
    """A measured position.

    Attributes:
        engagement: Folded into 0 … mesh cycle − 1.
        backlash: In the paper's unit.
        bar: Half the length of its error bar.
        kind: Name of its mark.
    """

    engagement: int
    backlash: float
    bar: float
    kind: Literal["planned", "confirming", "outlier"]


@dataclass(frozen=True, kw_only=True)
class Spot:
    """The tight spot with its interval, in the paper's unit."""

    engagement: int
    backlash: float
    low: float
    high: float


@dataclass(frozen=True, kw_only=True)
class Limit:
    """A limit as normal backlash in the paper's unit, with its name."""

    value: float
    name: Literal["minimum", "maximum"]


@dataclass(frozen=True, kw_only=True)
class LashView:
    """What the pictures show.

    Attributes:
        units: The paper's unit.
        pinion_teeth: z1.
        gear_teeth: z2.
        cycle: Engagements until the same teeth meet again.
        curve: Predicted backlash at engagements 0 … cycle − 1, shape (cycle,); None without a lash map.
        half_band: Half width of its band, shape (cycle,).
        points: Usable positions.
        refused: Folded engagements of positions that gave no backlash.
        spot: The tight spot that is stated; None when none is.
        limits: Of the tightest point.
        range: Of the backlash axis.
    """

    units: Units
    pinion_teeth: int
    gear_teeth: int
    cycle: int
    curve: Floats | None
    half_band: Floats | None
    points: tuple[Point, ...]
    refused: tuple[int, ...]
    spot: Spot | None
    limits: tuple[Limit, ...]
    range: LashRange


def lash_view(assessment: Assessment) -> LashView | None:
    """Gather what the pictures show; None when there is neither a measured position nor a lash map."""
    record = assessment.record
    gear_set, units = record.gear_set, record.units
    cycle = math.lcm(gear_set.pinion_teeth, gear_set.gear_teeth)
    curve = half_band = None
    if assessment.lash_map is not None:
        prediction = assessment.lash_map.predict(np.arange(cycle, dtype=np.int64))
        curve = prediction.backlash_mm * in_units(1.0, units)
        half_band = BAND * prediction.standard_uncertainty_mm * in_units(1.0, units)
    points = tuple(_point(p, cycle, units) for p in assessment.positions if p.normal_backlash_mm is not None)
    spot = _spot(assessment.stated, cycle, units)
    limits = _limits(record)
    reach = [p.backlash + side * p.bar for p in points for side in (-1, 1)]
    if curve is not None and half_band is not None:
        reach += [float(np.min(curve - half_band)), float(np.max(curve + half_band))]
    if spot is not None:
        reach += [spot.low, spot.high]
    covered = lash_range(reach, [limit.value for limit in limits]) if reach else None
    if covered is None:
        return None
    return LashView(
        units=units,
        pinion_teeth=gear_set.pinion_teeth,
        gear_teeth=gear_set.gear_teeth,
        cycle=cycle,
        curve=curve,
        half_band=half_band,
        points=points,
        refused=tuple(p.engagement % cycle for p in assessment.positions if p.normal_backlash_mm is None),
        spot=spot,
        limits=limits,
        range=covered,
    )


def normal_limits_mm(record: TestRecord) -> tuple[float | None, float | None]:
    """Return the drawing's minimum and maximum as normal backlash, in mm."""
    low, high = record.limits.minimum_mm, record.limits.maximum_mm
    if record.limits.kind == "transverse":
        convert = record.gear_set.normal_from_transverse
        return (None if low is None else float(convert(low)), None if high is None else float(convert(high)))
    return low, high


def _limits(record: TestRecord) -> tuple[Limit, ...]:
    low, high = normal_limits_mm(record)
    limits = []
    if low is not None:
        limits.append(Limit(value=in_units(low, record.units), name="minimum"))
    if high is not None:
        limits.append(Limit(value=in_units(high, record.units), name="maximum"))
    return tuple(limits)


def _point(position: PositionResult, cycle: int, units: Units) -> Point:
    kind: Literal["planned", "confirming", "outlier"] = position.purpose
    if position.outlier:
        kind = "outlier"
    return Point(
        engagement=position.engagement % cycle,
        backlash=in_units(position.normal_backlash_mm or math.nan, units),
        bar=in_units(BAND * (position.standard_uncertainty_mm or 0.0), units),
        kind=kind,
    )


def _spot(stated: TightSpotResult | None, cycle: int, units: Units) -> Spot | None:
    if stated is None:
        return None
    low, high = stated.interval_mm
    return Spot(
        engagement=stated.engagement % cycle,
        backlash=in_units(stated.normal_backlash_mm, units),
        low=in_units(low, units),
        high=in_units(high, units),
    )
