"""A cycle run beside the rocks: what may be taken from its passes, and when it judges.

Decided here: which passes go in, how rocks become ties, that three of them make the run's lash the one that
is judged, when a confirming rock bears it out, and what is said where it does not judge.  How the lash is
found is `cycle/cycle.py`; how it is held against limits, `judge/tight_spot.py` and `judge/verdict.py`.

The box is turned and rocked at the temperature it has: rocks tie the curve as they were made, torque taken
out, and what temperature changes is added to both afterwards.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot, inf
from typing import Protocol

import numpy as np

from lashmap_analysis.cycle.checks import CycleFlagName, encoder_fault
from lashmap_analysis.cycle.curve import LashCurve, lash_curve
from lashmap_analysis.cycle.cycle import CycleFit, fit_cycle
from lashmap_analysis.cycle.passes import CycleError, CyclePass, advance_of
from lashmap_analysis.cycle.ties import TiedRock
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.gears.indicator import Indicator
from lashmap_analysis.judge.assessment import CycleRun, PositionResult, RockOnCurve
from lashmap_analysis.judge.tight_spot import CONFIRMING_LEVEL, may_be_tightest
from lashmap_analysis.judge.verdict import numbers
from lashmap_analysis.record.conditions import Conditions
from lashmap_analysis.record.lengths import format_length
from lashmap_analysis.record.record import Direction, PassTrace, TestRecord
from lashmap_analysis.uncertainty.budget import coverage_factor
from lashmap_analysis.uncertainty.mesh_state import ROLL, TEMPERATURE, correction_mm
from lashmap_analysis.uncertainty.set_up import set_up_lines

LEAST_TIES = 3
"""Rocks at different engagements that a cycle run needs before it judges: one could be wrong unseen."""

_FAR = 3.0  # standard uncertainties, beyond which a rock is named as one that disagrees


def cycle_run(record: TestRecord, positions: Sequence[PositionResult]) -> CycleRun | None:
    """Put the passes of a record together, tied by its rocks; None in a record without passes.

    Args:
        record: The test record.
        positions: Its positions, measured.
    """
    if not record.passes:
        return None
    kept, left_out = _passes(record)
    drive, coast = ([one for way, one in kept if way == asked] for asked in ("forward", "back"))
    if not (drive and coast):
        lacking = " and no ".join(
            words for words, found in (("pass forward", drive), ("pass back", coast)) if not found
        )
        return CycleRun(
            fit=None,
            curve=None,
            rocks=(),
            used=len(kept),
            refusal=f"The cycle run gives no lash: no {lacking} can be used.",
            remarks=left_out,
        )
    rocks = [one for one in positions if one.usable]
    rocked = TyingRocks(rocks, record.gear_set, record.indicator, record.conditions)
    fit, curve = rocked.tie(drive, coast)
    beside = (
        ()
        if curve is None
        else tuple(
            _beside(one, rocked, curve, fit, float(apart))
            for one, apart in zip(rocks, fit.rocks_apart, strict=True)
        )
    )
    refusal = _refusal(fit, beside)
    return CycleRun(
        fit=fit,
        curve=curve,
        rocks=beside,
        used=len(kept),
        refusal=refusal,
        remarks=(*_warnings(fit), *left_out),
        disagree=_disagreement(fit, beside, record),
        confirmed=curve is not None and not refusal and _confirmed(beside, curve),
    )


def _passes(record: TestRecord) -> tuple[list[tuple[Direction, CyclePass]], tuple[str, ...]]:
    """Passes that can be used, with their directions; and a sentence for each that cannot."""
    kept: list[tuple[Direction, CyclePass]] = []
    left_out: list[str] = []
    for trace in record.passes:
        one = as_pass(trace)
        try:
            advance = advance_of(record.gear_set, one)
        except CycleError as error:
            left_out.append(
                f"Pass {trace.number} ({trace.direction}) cannot be used: needed is {error.expected}; "
                f"recorded is {error.got}."
            )
            continue
        # An encoder that is not what it is said to be is named as such, whichever way the pass seems to go.
        other_way = advance.forward is not (trace.direction == "forward")
        if other_way and encoder_fault(record.gear_set, advance) is None:
            left_out.append(
                f"Pass {trace.number} cannot be used: asked for was {trace.direction}, and the pinion turned "
                "the other way."
            )
            continue
        kept.append((trace.direction, one))
    return kept, tuple(left_out)


def as_pass(trace: PassTrace) -> CyclePass:
    """A pass for `fit_cycle`, without samples that are no numbers; counts taken together stay together."""
    one = CyclePass(
        pinion_time_s=trace.pinion_time_s,
        pinion_deg=trace.pinion_deg,
        gear_time_s=trace.gear_time_s,
        gear_deg=trace.gear_deg,
        brake_nm=trace.brake_nm,
        pinion_time_uncertainty_s=trace.pinion_time_uncertainty_s,
        gear_time_uncertainty_s=trace.gear_time_uncertainty_s,
    )
    pinion = np.isfinite(one.pinion_time_s) & np.isfinite(one.pinion_deg)
    gear = np.isfinite(one.gear_time_s) & np.isfinite(one.gear_deg)
    if pinion.all() and gear.all():
        return one
    if one.latched:
        pinion = gear = pinion & gear
    return replace(
        one,
        pinion_time_s=one.pinion_time_s[pinion],
        pinion_deg=one.pinion_deg[pinion],
        gear_time_s=one.gear_time_s[gear],
        gear_deg=one.gear_deg[gear],
    )


class StatedRock(Protocol):
    """A usable rock as it is stated: normal backlash at 20 °C, with the scatter within the rock alone."""

    @property
    def engagement(self) -> int:
        """Whole gear teeth past the matched teeth."""

    @property
    def normal_backlash_mm(self) -> float | None:
        """As `stated_mm` gives it."""

    @property
    def standard_uncertainty_mm(self) -> float | None:
        """Without the scatter between settings of the tip."""


@dataclass(frozen=True)
class TyingRocks:
    """Rocks that tie the level of a cycle run, live and in the result alike.

    Attributes:
        rocks: Usable ones.
        gear_set: The gear set under test.
        indicator: The indicator and its set-up.
        conditions: How the box was when it was turned and rocked.
    """

    rocks: Sequence[StatedRock]
    gear_set: GearSet
    indicator: Indicator
    conditions: Conditions

    def tie(
        self, drive: Sequence[CyclePass], coast: Sequence[CyclePass]
    ) -> tuple[CycleFit, LashCurve | None]:
        """Find the lash of passes on both flanks, and state it at 20 °C; no curve where the run is refused.

        Raises:
            CycleError: As `fit_cycle`.
        """
        fit = fit_cycle(
            self.gear_set,
            drive,
            coast,
            rocks=[self._tied(one) for one in self.rocks],
            rocks_share_mm=self._shared_mm(),
        )
        return fit, lash_curve(fit, self._correction_mm(TEMPERATURE))

    def at_its_phase_mm(self, rock: StatedRock, *, warm: bool = False) -> float:
        """Normal backlash at no torque and at its own roll phase, as `warm` as it was or at 20 °C."""
        taken_back = {ROLL, TEMPERATURE} if warm else {ROLL}
        return (rock.normal_backlash_mm or 0.0) - self._correction_mm(*taken_back)

    def _correction_mm(self, *of: str) -> float:
        return correction_mm(self.gear_set, self.indicator, self.conditions, of=of)

    def _tied(self, rock: StatedRock) -> TiedRock:
        per = self.gear_set.normal_per_transverse
        return TiedRock(
            engagement=rock.engagement,
            transverse_mm=self.at_its_phase_mm(rock, warm=True) / per,
            standard_uncertainty_mm=(rock.standard_uncertainty_mm or 0.0) / per,
        )

    def _shared_mm(self) -> float:
        """What the set-up of the indicator puts into all rocks alike, as transverse backlash."""
        if not self.rocks:
            return 0.0
        mean = sum(self.at_its_phase_mm(one, warm=True) for one in self.rocks) / len(self.rocks)
        lines = set_up_lines(self.gear_set, self.indicator, mean)
        return hypot(*(line.standard_uncertainty_mm for line in lines)) / self.gear_set.normal_per_transverse


def _beside(
    position: PositionResult, rocked: TyingRocks, curve: LashCurve, fit: CycleFit, apart: float
) -> RockOnCurve:
    setting = fit.gear_set.normal_per_transverse * fit.setting_mm
    engagement = position.engagement % fit.gear_set.mesh_cycle
    backlash = rocked.at_its_phase_mm(position)
    return RockOnCurve(
        position=position.position,
        engagement=engagement,
        confirming=position.purpose == "confirming",
        backlash_mm=backlash,
        standard_uncertainty_mm=hypot(position.standard_uncertainty_mm or 0.0, setting),
        off_mm=backlash - float(curve.backlash_mm[engagement]),
        apart=apart,
    )


def _refusal(fit: CycleFit, rocks: Sequence[RockOnCurve]) -> str:
    """Why the run does not judge; empty when it does."""
    if not fit.good:
        why = " ".join(flag.sentence for flag in fit.flags if flag.disabling)
        return f"The cycle run gives no lash. {why}"
    ties = len({one.engagement for one in rocks if np.isfinite(one.off_mm)})
    if ties >= LEAST_TIES:
        return ""
    tied = "no rock ties" if ties == 0 else f"rocks at {ties} place{'s' if ties > 1 else ''} tie"
    return (
        f"The cycle run is not judged: {tied} the level of its lash, and {LEAST_TIES} different places are "
        "needed, its tight spot among them. Rock there without the brake."
    )


def _warnings(fit: CycleFit) -> tuple[str, ...]:
    """What travels with a run that gives lash, apart from what is said of its rocks and bars it."""
    elsewhere = {CycleFlagName.NOT_TIED, CycleFlagName.ROCKS_DISAGREE, CycleFlagName.THROWN}
    told = [
        f"Cycle run: {flag.sentence}"
        for flag in fit.flags
        if not flag.disabling and flag.name not in elsewhere
    ]
    if fit.good and fit.missing.size:
        told.append(f"Not seen on both flanks: engagements {numbers(fit.missing.tolist(), most=12)}.")
    return tuple(told)


def _disagreement(fit: CycleFit, rocks: Sequence[RockOnCurve], record: TestRecord) -> str:
    """Rocks and curve do not go together, and by how much; empty when they do, or nothing is compared."""
    if not rocks or all(flag.name is not CycleFlagName.ROCKS_DISAGREE for flag in fit.flags):
        return ""
    units, per = record.units, fit.gear_set.normal_per_transverse
    compared = [one for one in rocks if np.isfinite(one.off_mm)]
    # The curve was moved to agree: what the rocks ask for in all is what they are off now and that.
    moved = per * fit.level_mm.value
    weights = np.array([one.standard_uncertainty_mm**-2 for one in compared])
    mean = float(weights @ [one.off_mm for one in compared] / weights.sum())
    apart = format_length(mean + moved, units, signed=True)
    far = [one for one in compared if one.apart > _FAR]
    named = "".join(
        f"; position {one.position} lies {format_length(one.off_mm - mean, units, signed=True)} off the rest"
        for one in sorted(far, key=lambda one: -one.apart)[:3]
    )
    return (
        f"Rocks and cycle run disagree beyond their uncertainties: the rocks lie {apart} (normal backlash) "
        f"from what the passes alone say{named}. One of the two methods is wrong."
    )


def _confirmed(rocks: Sequence[RockOnCurve], curve: LashCurve) -> bool:
    """The latest confirming rock at a place that cannot be told from the tightest reads as was predicted.

    Predicted is the curve at the level of all other rocks; agreement is asked at 99 %, as of a lash map.
    """
    asked = [one for one in rocks if one.confirming and np.isfinite(one.off_mm)]
    latest = next((one for one in reversed(asked) if may_be_tightest(one.engagement, curve)), None)
    return latest is not None and latest.apart <= coverage_factor(inf, CONFIRMING_LEVEL)
