"""What would settle an open verdict, in words, and whether the readings so far settle it already.

Decided here: what to confirm and what would narrow the interval most, by the share each line has in the
budget; how many positions would do is forecast in `lash_map/confirming.py`. And when a test may stop early:
every accepted position is a look at the figures, and many looks give chance many opportunities: therefore a
look asks for 99 % where the verdict asks for 95 %, and the first look waits until the map has enough
positions to know its own scales. What that costs in wrong verdicts is measured (`analysis/README.md`). The
confirming position comes in any case, and the verdict is reached anew.
"""

from __future__ import annotations

from collections.abc import Iterable

from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.gears.indicator import Indicator
from lashmap_analysis.gears.tooth_names import teeth_met
from lashmap_analysis.judge.assessment import Lash
from lashmap_analysis.judge.tight_spot import (
    NORMAL_95,
    budget_against,
    from_lash_map,
    may_be_tightest,
    set_up_mm,
    two_sided,
    variation_interval,
)
from lashmap_analysis.judge.verdict import Evidence, Interval, capital, settled, tooth_allowance_mm, touched
from lashmap_analysis.lash_map.confirming import positions_to_settle
from lashmap_analysis.lash_map.lash_map import LashMap, Runout
from lashmap_analysis.lash_map.once_per_turn import gear_order
from lashmap_analysis.record.conditions import Conditions
from lashmap_analysis.record.lengths import format_length
from lashmap_analysis.record.record import Limits, TestRecord, Units
from lashmap_analysis.uncertainty.budget import Budget

# Below a tenth of the variance a remedy changes the interval by less than a twentieth: not worth an evening.
WORTH_WHILE = 0.1


def narrowing_steps(
    lash_map: Lash, budget: Budget, interval_mm: Interval, record: TestRecord
) -> tuple[str, ...]:
    """List what would settle the tight spot against the limits.

    First how many more positions would do, if any number would; then what narrows the interval, the largest
    share of the variance first.

    Args:
        lash_map: The fitted map.
        budget: Of its tight spot.
        interval_mm: Of its tight spot, at 95 %.
        record: The test record, for limits and the indicator's resolution.

    Returns:
        Nothing when no limit on the tight spot lies within the interval.
    """
    total = budget.combined_mm**2
    allowed, (low, high) = record.limits.normal_mm(record.gear_set), interval_mm
    least, most = allowed.get("minimum"), allowed.get("maximum")
    if total <= 0 or not any(low < limit < high for limit in (least, most) if limit is not None):
        return ()
    steps = _more_positions(lash_map, budget, (least, most)) if isinstance(lash_map, LashMap) else []
    for line in sorted(budget.lines, key=lambda one: -one.standard_uncertainty_mm):
        share = line.standard_uncertainty_mm**2 / total
        if line.remedy and share >= WORTH_WHILE:
            steps.append(
                f"{capital(line.remedy)}: {line.quantity} makes {100 * share:.0f} % of the variance."
            )
            if line is budget.lines[0] and _is_coarse(lash_map, record):
                steps.append("Use an indicator with a finer resolution.")
    return tuple(steps)


def _more_positions(
    lash_map: LashMap, budget: Budget, limits_mm: tuple[float | None, float | None]
) -> list[str]:
    """Say how many more positions would do, or that none would."""
    count = positions_to_settle(lash_map, *limits_mm, set_up_mm(budget))
    if count:
        noun = "position" if count == 1 else "positions"
        return [f"About {count} more well-chosen {noun} would do, if they read as predicted."]
    if count is not None:
        return []
    narrows = budget.lines[0].standard_uncertainty_mm ** 2 / budget.combined_mm**2 >= WORTH_WHILE
    before = "More positions narrow the interval, but they" if narrows else "More positions"
    return [f"{before} alone will not do."]


def confirm_step(lash_map: Lash) -> str:
    """Say where to go to confirm the tight spot."""
    spot = lash_map.tight_spot.engagement
    where = place(lash_map.gear_set, spot)
    return f"Measure a confirming position at the tight spot: engagement {spot}, {where}."


def _is_coarse(lash_map: Lash, record: TestRecord) -> bool:
    """The display step, rectangular, is most of the map's own standard uncertainty."""
    step = record.indicator.resolution_mm * record.indicator.normal_per_reading(record.gear_set)
    return step / 12**0.5 > lash_map.tight_spot.standard_uncertainty_mm / 2


def cause_sentence(lash_map: Lash, *, seen: Iterable[int] = (), units: Units = "mm") -> str:
    """Say where the tight spot lies, in teeth and degrees from the matched teeth, and what moved it there.

    ``seen`` are engagements that are named as the tight spot elsewhere (predicted, measured): those that
    cannot be told from it are said to be as tight, so that one place alone is marked and worked on.
    """
    spot = lash_map.tight_spot.engagement
    where = place(lash_map.gear_set, spot)
    return (
        f"The tight spot lies {where}. {_as_tight(lash_map, seen)}{_what_moved_it(lash_map, units)}".strip()
    )


def _as_tight(lash_map: Lash, seen: Iterable[int]) -> str:
    others = sorted({one % lash_map.gear_set.mesh_cycle for one in seen} - {lash_map.tight_spot.engagement})
    equal = [str(one) for one in others if may_be_tightest(one, lash_map)]
    if not equal:
        return ""
    noun, verb = ("Engagement", "is") if len(equal) == 1 else ("Engagements", "are")
    spot = lash_map.tight_spot.engagement
    return f"{noun} {' and '.join(equal)} {verb} as tight within the uncertainties; mark and work on {spot}. "


def place(gear_set: GearSet, engagement: int) -> str:
    """Say where an engagement is: which teeth meet, and the shorter way from the matched teeth."""
    cycle = gear_set.mesh_cycle
    steps = (engagement + cycle // 2) % cycle - cycle // 2
    teeth = teeth_met(gear_set, engagement)
    if steps == 0:
        return f"at the matched teeth ({teeth})"
    way = "past" if steps > 0 else "before"
    count = abs(steps)
    noun = "engagement" if count == 1 else "engagements"
    gear = _on_member("gear", count, gear_set.gear_teeth)
    pinion = _on_member("pinion", count, gear_set.pinion_teeth)
    return f"at {teeth}, {count} {noun} {way} the matched teeth: {gear}, {pinion}"


def _on_member(member: str, count: int, teeth: int) -> str:
    turns, rest = divmod(count, teeth)
    whole = f"{turns} turn{'s' if turns > 1 else ''}" if turns else ""
    part = f"{rest} {'tooth' if rest == 1 else 'teeth'} ({rest * 360 / teeth:.1f}°)" if rest else ""
    return f"{member} {' and '.join(filter(None, (whole, part)))}"


def _what_moved_it(lash_map: Lash, units: Units) -> str:
    gear = _runout_text("gear", lash_map.gear_runout, units)
    pinion = _runout_text("pinion", lash_map.pinion_runout, units)
    scatter = format_length(lash_map.tooth_scatter_mm, units)
    separable = lash_map.separable
    order = gear_order(lash_map.gear_set.gear_teeth, lash_map.gear_set.pinion_teeth)
    alias = f" A gear out of round with {order} lobes would look the same." if order else ""
    match lash_map.cause:
        case "gear side" | "pinion side" as side:
            named = f"{gear}." if side == "gear side" else f"{pinion}.{alias}"
            return f"The {side} moved it there: {named}"
        case "both members":
            return f"Both members moved it there: {gear}; {pinion}.{alias}"
        case "tooth-to-tooth":
            return f"Single teeth moved it there: backlash scatters by {scatter} from tooth to tooth."
        case "none":
            return "Nothing stands out that moved it there: backlash varies little around the mesh cycle."
        case "not settled by these positions":
            runouts = {"gear": lash_map.gear_runout, "pinion": lash_map.pinion_runout}
            weak = [name for name, one in runouts.items() if one is not None and not one.stands_out]
            why = f"; too little is known of the {' and the '.join(weak)} runout to stand out from nothing"
            by = "this run" if lash_map.over_roll else "these positions"
            return f"What moved it there is not settled by {by}{why if weak else ''}."
    return separable.sentence or f"What moved it there: {lash_map.cause}."


def _runout_text(member: str, runout: Runout | None, units: Units) -> str:
    if runout is None:
        return f"the {member}'s part does not stand by itself"
    amplitude = format_length(runout.amplitude_mm, units)
    return (
        f"the {member}'s once-per-turn part has an amplitude of {amplitude} and takes most at "
        f"{runout.high_point_deg:.0f}° of its turn"
    )


FIRST_LOOK = 12  # positions
EACH_UNTIL, EVERY, LAST_LOOK = 48, 8, 120  # a map of many positions takes seconds to fit
NORMAL_99 = 2.575829  # normal distribution, two-sided 99 % (GUM table G.2, last row)


def looks(positions: int) -> bool:
    """Whether to look after so many accepted positions."""
    if not FIRST_LOOK <= positions <= LAST_LOOK:
        return False
    return positions <= EACH_UNTIL or positions % EVERY == 0


def may_stop(lash_map: LashMap, indicator: Indicator, conditions: Conditions, limits: Limits) -> bool:
    """Whether the verdict would be settled with the readings of this map.

    Args:
        lash_map: Of all positions accepted so far.
        indicator: The indicator and its set-up.
        conditions: How the box is while it is tested.
        limits: What the drawing allows.
    """
    if len(lash_map.engagements) < FIRST_LOOK or lash_map.outliers:  # an outlier is to be measured again
        return False
    stated, total = from_lash_map(lash_map, indicator, conditions)
    budget = budget_against(limits, total, lash_map, indicator)
    teeth = touched(lash_map.gear_set, lash_map.engagements.tolist())
    evidence = Evidence(
        interval_mm=_wider(stated.normal_backlash_mm, two_sided(lash_map, budget)),
        variation_interval_mm=_wider(lash_map.variation_mm, variation_interval(lash_map, budget)),
        untouched_mm=0.0 if teeth.every else tooth_allowance_mm(lash_map.gear_set, limits),
    )
    return settled(evidence, limits, lash_map.gear_set)


def _wider(middle_mm: float, interval_mm: Interval) -> Interval:
    """A 95 % interval as one of 99 %, each side as skewed as it was."""
    low, high = (middle_mm + NORMAL_99 / NORMAL_95 * (end - middle_mm) for end in interval_mm)
    return low, high
