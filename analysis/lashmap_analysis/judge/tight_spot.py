"""A tight spot with its whole uncertainty: what repeats and what the set-up puts into every reading alike.

Decided here: how the lash map's band, which need not be symmetric, and the set-up's contributions make one
interval; when a confirming position confirms; and how probably each limit is kept (JCGM 106:2012). Not
decided here: the band itself (`lash_map/lash_map.py`).
"""

from __future__ import annotations

from dataclasses import replace
from math import erf, hypot, inf, sqrt

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.gears.indicator import Indicator
from lashmap_analysis.gears.tooth_names import teeth_met
from lashmap_analysis.judge.assessment import Conformance, Lash, PositionResult, TightSpotResult
from lashmap_analysis.judge.verdict import Interval
from lashmap_analysis.lash_map.lash_map import LashMap
from lashmap_analysis.record.conditions import Conditions
from lashmap_analysis.record.record import Limits, TestRecord, Units
from lashmap_analysis.uncertainty.backlash import budget
from lashmap_analysis.uncertainty.budget import Budget, combine, coverage_factor, degrees_of_freedom_of
from lashmap_analysis.uncertainty.mesh_state import SHIFTS
from lashmap_analysis.uncertainty.set_up import SPIRAL, spiral_relative_half_width_transverse

Floats = NDArray[np.float64]
CONFIRMING_LEVEL = 0.99
ONE_SIDED_95 = 1.644854  # normal distribution, one-sided 95 %
NORMAL_95 = 1.959964  # normal distribution, two-sided 95 % (GUM table G.2, last row)


def from_lash_map(
    lash_map: Lash, indicator: Indicator, conditions: Conditions, *, units: Units = "mm"
) -> tuple[TightSpotResult, Budget]:
    """State the tight spot of a lash map, or of the curve of a cycle run.

    The budget's first line carries the map's standard uncertainty with the degrees of freedom at which
    Student's t is as wide as the map's 95 % band. The interval widens each side of that band by the set-up's
    expanded uncertainty in quadrature, so that it keeps the band's skewness.

    Args:
        lash_map: A fitted map of normal backlash, or the curve.
        indicator: The indicator that measured it, for the set-up's contributions.
        conditions: How the box was when it was tested; the map's backlash is corrected for it already.
        units: Unit the figures in the budget are written in.

    Returns:
        The tight spot and the budget of its backlash.
    """
    spot = lash_map.tight_spot
    low, high = spot.band_mm
    scatter = spot.standard_uncertainty_mm
    freedom = degrees_of_freedom_of((high - low) / 2 / scatter) if scatter > 0 else inf
    total = budget(
        gear_set=lash_map.gear_set,
        indicator=indicator,
        conditions=conditions,
        normal_backlash_mm=spot.backlash_mm,
        random_standard_uncertainty_mm=scatter,
        random_degrees_of_freedom=freedom,
        units=units,
        over_roll=lash_map.over_roll,
    )
    result = TightSpotResult(
        engagement=spot.engagement,
        teeth=teeth_met(lash_map.gear_set, spot.engagement),
        gear_angle_deg=lash_map.gear_set.gear_angle_deg(spot.engagement),
        normal_backlash_mm=spot.backlash_mm,
        standard_uncertainty_mm=total.combined_mm,
        expanded_uncertainty_mm=total.expanded_mm,
        interval_mm=two_sided(lash_map, total),
    )
    return result, total


def budget_against(limits: Limits, total: Budget, lash_map: Lash, indicator: Indicator) -> Budget:
    """The budget of a tight spot as far as it is held against the drawing's limits, still as normal backlash.

    That of `from_lash_map`, unless the drawing means transverse backlash: what is not known of the spiral
    angle makes another part of that.
    """
    if limits.kind == "normal":
        return total
    half_width = spiral_relative_half_width_transverse(lash_map.gear_set, indicator)
    size_mm = _as_rocked_mm(lash_map, total) * half_width / sqrt(3)
    return combine(
        replace(line, standard_uncertainty_mm=size_mm) if line.quantity == SPIRAL else line
        for line in total.lines
    )


def two_sided(lash_map: Lash, total: Budget) -> Interval:
    """(low, high) of the tight spot at 95 %, the set-up of a budget included."""
    spot = lash_map.tight_spot
    return widened(spot.band_mm, spot.backlash_mm, NORMAL_95 * set_up_mm(total))


def one_sided(lash_map: Lash, total: Budget) -> Interval | None:
    """(low, high) of the tight spot, each end passed on its own side with a chance of 5 % only.

    As for `from_lash_map`, with 1.645 set-up uncertainties; None for a map made by hand.
    """
    if not len(lash_map.least_draws_mm):
        return None
    low, high = np.quantile(lash_map.least_draws_mm, [0.05, 0.95])
    value = lash_map.tight_spot.backlash_mm
    return widened((float(low), float(high)), value, ONE_SIDED_95 * set_up_mm(total))


def from_position(
    position: PositionResult, gear_set: GearSet, indicator: Indicator, conditions: Conditions
) -> TightSpotResult | None:
    """State the backlash measured at one position; None when its rock is not usable."""
    backlash, scatter = position.normal_backlash_mm, position.with_setting_mm
    within = position.standard_uncertainty_mm
    if backlash is None or scatter is None or within is None:
        return None
    # Welch–Satterthwaite: the rock's part has few degrees of freedom, the setting's has its doubt inside.
    share = within / scatter if scatter > 0 else 1.0
    total = budget(
        gear_set=gear_set,
        indicator=indicator,
        conditions=conditions,
        normal_backlash_mm=backlash,
        random_standard_uncertainty_mm=scatter,
        random_degrees_of_freedom=_freedom(position) / share**4 if share > 0 else inf,
    )
    engagement = position.engagement % gear_set.mesh_cycle
    return TightSpotResult(
        engagement=engagement,
        teeth=teeth_met(gear_set, engagement),
        gear_angle_deg=gear_set.gear_angle_deg(engagement),
        normal_backlash_mm=backlash,
        standard_uncertainty_mm=total.combined_mm,
        expanded_uncertainty_mm=total.expanded_mm,
        interval_mm=(backlash - total.expanded_mm, backlash + total.expanded_mm),
    )


def confirms(position: PositionResult, before: LashMap) -> bool | None:
    """Whether a position bears out the tight spot of the map fitted to what was recorded before it.

    A reading is compared with the prediction at its own engagement, since the least over a whole mesh cycle
    is less than what any one place is expected to read. Only what differs between two readings counts: the
    set-up sits in both alike, the setting of the tip does not. Agreement is asked at 99 %, because 95 % would
    leave one good box in twenty unconfirmed.

    Args:
        position: A usable position.
        before: The map without it and without all that came after it.

    Returns:
        None when the position does not lie where the predicted backlash cannot be told from the least, so
        that it says nothing about the tight spot.
    """
    if not may_be_tightest(position.engagement, before):
        return None
    return _reads_as_predicted(position, before)


def _reads_as_predicted(position: PositionResult, before: LashMap) -> bool:
    backlash, scatter = position.normal_backlash_mm, position.standard_uncertainty_mm
    if backlash is None or scatter is None:
        return False
    predicted, spread = _predicted(position.engagement, before)
    setting = 0.0 if before.setting is None else before.setting.root_mean_square_mm
    allowed = hypot(
        coverage_factor(inf, CONFIRMING_LEVEL) * hypot(spread, setting),
        coverage_factor(_freedom(position), CONFIRMING_LEVEL) * scatter,
    )
    return abs(backlash - predicted) <= allowed


def may_be_tightest(engagement: int, before: Lash) -> bool:
    """Whether the predicted backlash of an engagement cannot be told from the least, at 95 %."""
    spot = before.tight_spot
    if engagement % before.gear_set.mesh_cycle == spot.engagement:
        return True
    predicted, spread = _predicted(engagement, before)
    allowed = coverage_factor(inf) * hypot(spread, spot.standard_uncertainty_mm)
    return predicted - spot.backlash_mm <= allowed


def _predicted(engagement: int, before: Lash) -> tuple[float, float]:
    prediction = before.predict(np.array([engagement], dtype=np.int64))
    return float(prediction.backlash_mm[0]), float(prediction.standard_uncertainty_mm[0])


def set_up_mm(total: Budget) -> float:
    """Standard uncertainty of all lines but the first, which is what repeats."""
    return hypot(*(line.standard_uncertainty_mm for line in total.lines[1:]))


def scaling_mm(total: Budget) -> float:
    """The same without the lines that shift every engagement alike: what scales differences too."""
    lines = [line for line in total.lines[1:] if line.quantity not in SHIFTS]
    return hypot(*(line.standard_uncertainty_mm for line in lines))


def relative_scaling(lash_map: Lash, total: Budget) -> float:
    """The same as a part of the backlash, which is that of every difference between engagements."""
    return scaling_mm(total) / (_as_rocked_mm(lash_map, total) or 1.0)


def _as_rocked_mm(lash_map: Lash, total: Budget) -> float:
    """Size of the tight spot before its corrections, with which the set-up's lines scale."""
    return abs(lash_map.tight_spot.backlash_mm - sum(line.correction_mm for line in total.lines))


def widened(band_mm: Interval, value_mm: float, expanded_mm: float) -> Interval:
    """Widen each side of a band about a value by an independent expanded uncertainty, in quadrature."""
    low, high = band_mm
    below = hypot(max(value_mm - low, 0.0), expanded_mm)
    above = hypot(max(high - value_mm, 0.0), expanded_mm)
    return value_mm - below, value_mm + above


def variation_interval(lash_map: Lash, budget: Budget, factor: float = NORMAL_95) -> Interval:
    """Of loosest minus tightest, for a coverage factor; what scales every reading scales it with them."""
    size = lash_map.variation_mm
    expanded = factor * hypot(lash_map.variation_uncertainty_mm, relative_scaling(lash_map, budget) * size)
    return max(size - expanded, 0.0), size + expanded


def _freedom(position: PositionResult) -> float:
    """Degrees of freedom of a reading; 1, the least there is, when the rock could not say."""
    given = position.rock.degrees_of_freedom
    return given if given >= 1 else 1.0


def conformance(lash_map: Lash, budget: Budget, record: TestRecord) -> Conformance:
    """Probability that each limit is kept: a figure beside the verdict that decides nothing.

    Args:
        lash_map: Its equally likely least backlashes and variations are the posterior.
        budget: Of its tight spot as it is held against the limits.
        record: The test record, for the limits. Teeth that no position touched are not in it.
    """
    draws = lash_map.least_draws_mm
    if not len(draws):
        return Conformance()
    allowed, set_up = record.limits.normal_mm(record.gear_set), set_up_mm(budget)
    # What scales every reading scales the variation with them; what shifts them all alike does not.
    scaled = relative_scaling(lash_map, budget) * abs(lash_map.variation_mm)
    chances = {}
    for name, limit_mm in allowed.items():
        values, deviation = (lash_map.variation_draws_mm, scaled) if name == "variation" else (draws, set_up)
        side = {"low": limit_mm} if name == "minimum" else {"high": limit_mm}
        chances[name] = kept(values, deviation, **side)
    return Conformance(**chances)


def kept(draws: Floats, deviation: float, *, low: float | None = None, high: float | None = None) -> float:
    """Probability that a quantity lies within a tolerance.

    JCGM 106:2012, 7.2 to 7.4: the integral of its density over the tolerance interval, Φ((T_U − y) / u) −
    Φ((T_L − y) / u) for a normal one; here its mean over equally likely values, each with a normal deviation.

    Args:
        draws: Equally likely values, shape (d,).
        deviation: Standard deviation of an independent normal error that all share; may be 0.
        low: Lower limit, or None.
        high: Upper limit, or None.
    """
    above = 1.0 if high is None else _mean_below(high - draws, deviation)
    return above - (0.0 if low is None else _mean_below(low - draws, deviation))


def _mean_below(room: Floats, deviation: float) -> float:
    if deviation <= 0.0:
        return float(np.mean(room >= 0.0))
    return float(np.mean([0.5 * (1.0 + erf(one / deviation / sqrt(2.0))) for one in room.tolist()]))
