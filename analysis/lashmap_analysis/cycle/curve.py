"""The lash of a cycle run as it is stated: every engagement at 20 °C, the least, and what each member brings.

Decided here: how a run that was turned at some temperature becomes the lash that is stated, and what of it is
the gear's, the pinion's, and the pair's own.  Not decided here: how the run is read (`cycle/cycle.py`) and
whether it is judged (`judge/cycle_run.py`).

**Parts.** Every engagement is known, so that a member's part is a mean: over all engagements at which its
tooth works, which meets every tooth of the mate alike in a hunting set.  Where the tooth counts have a common
factor, what repeats with it in both members stands with the gear.  Once-per-turn parts are the first Fourier
components over the mesh cycle, whose orders differ unless the set is 1:1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.cycle.cells import PHASES
from lashmap_analysis.gears.mesh_cycle import MeshCycle
from lashmap_analysis.lash_map.lash_map import Prediction
from lashmap_analysis.lash_map.once_per_turn import (
    ANY_ANGLE_DEG,
    Runout,
    Separability,
    beside_gear_order,
    separable_by_teeth,
)
from lashmap_analysis.lash_map.tight_spot import LEAST_DIP_UM, NOT_SETTLED, TightSpot

if TYPE_CHECKING:
    from lashmap_analysis.cycle.cycle import CycleFit
    from lashmap_analysis.gears.gear_set import GearSet

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class LashCurve:
    """Normal backlash of every engagement; what a `LashMap` has too goes by the same name.

    Attributes:
        gear_set: The gear set.
        backlash_mm: Shape (m,), as a rock at each engagement gives it; NaN where it is not known.
        standard_uncertainty_mm: Shape (m,), the level's included.
        shape_uncertainty_mm: Shape (m,), without the level's, which all engagements share.
        tight_spot: The least over all engagements and over the roll within each.
        mean_mm: Mean over the mesh cycle of `backlash_mm`.
        mean_uncertainty_mm: Its standard uncertainty.
        loosest_mm: Largest of `backlash_mm`.
        variation_mm: Least within each engagement: the largest of them less the smallest.
        variation_uncertainty_mm: Its standard uncertainty.
        least_draws_mm: Equally likely values of the least, shape (d,).
        variation_draws_mm: The same of the variation.
        gear_runout: None when merged with the pinion's or not known.
        pinion_runout: None when merged with the gear's or not known.
        merged_runout: In a 1:1 set the sum of both; else None.
        tooth_scatter_mm: Standard deviation about the once- and twice-per-turn parts of both members.
        ripple_mm: Peak to peak over the roll within an engagement, its mean over all engagements.
        cause: What makes the tight spot tight, in the phrases of `lash_map.tight_spot.cause_of`.
    """

    gear_set: GearSet
    backlash_mm: Floats
    standard_uncertainty_mm: Floats
    shape_uncertainty_mm: Floats
    tight_spot: TightSpot
    mean_mm: float
    mean_uncertainty_mm: float
    loosest_mm: float
    variation_mm: float
    variation_uncertainty_mm: float
    least_draws_mm: Floats = field(repr=False)
    variation_draws_mm: Floats = field(repr=False)
    gear_runout: Runout | None
    pinion_runout: Runout | None
    merged_runout: Runout | None
    tooth_scatter_mm: float
    ripple_mm: float
    cause: str

    @property
    def over_roll(self) -> bool:
        """The tight spot is the least over the roll within a pitch, too."""
        return True

    @property
    def whole(self) -> bool:
        """Every engagement is known."""
        return bool(np.all(np.isfinite(self.backlash_mm)))

    @property
    def separable(self) -> Separability:
        """Which once-per-turn parts stand by themselves."""
        return separable_by_teeth(self.gear_set.gear_teeth, self.gear_set.pinion_teeth)

    def predict(self, engagements: Integers) -> Prediction:
        """Backlash at whole engagements of any size and sign, shape (n,); NaN where it is not known."""
        at = engagements % self.backlash_mm.size
        return Prediction(
            backlash_mm=self.backlash_mm[at], standard_uncertainty_mm=self.standard_uncertainty_mm[at]
        )


def lash_curve(fit: CycleFit, shift_mm: float = 0.0) -> LashCurve | None:
    """State the lash of a cycle run; None when the run is refused.

    Args:
        fit: The run.
        shift_mm: What is added to every normal backlash, for the temperature at which it was turned.
    """
    spot = fit.tight_spot
    if spot is None:
        return None
    gear_set, per = fit.gear_set, fit.gear_set.normal_per_transverse
    level = per * fit.level_mm.standard_uncertainty
    backlash = fit.normal_mm + shift_mm
    shape = np.sqrt(np.maximum(fit.normal_uncertainty_mm**2 - level**2, 0.0))
    members = _members(gear_set, backlash, shape)
    least, variation = fit.least_draws_mm + shift_mm, fit.variation_draws_mm
    mean = float(np.nanmean(backlash))
    return LashCurve(
        gear_set=gear_set,
        backlash_mm=backlash,
        standard_uncertainty_mm=fit.normal_uncertainty_mm,
        shape_uncertainty_mm=shape,
        tight_spot=TightSpot(
            engagement=spot.engagement,
            backlash_mm=spot.backlash_mm + shift_mm,
            standard_uncertainty_mm=float(least.std()),
            band_mm=(spot.low_mm + shift_mm, spot.high_mm + shift_mm),
        ),
        mean_mm=mean,
        mean_uncertainty_mm=level,
        loosest_mm=float(np.nanmax(backlash)),
        variation_mm=float(np.median(variation)),
        variation_uncertainty_mm=float(variation.std()),
        least_draws_mm=least,
        variation_draws_mm=variation,
        gear_runout=members.runout(gear_set, "gear"),
        pinion_runout=members.runout(gear_set, "pinion"),
        merged_runout=members.runout(gear_set, "merged"),
        tooth_scatter_mm=members.scatter_mm,
        ripple_mm=per * _ripple(fit.lash_mm),
        cause=members.cause(gear_set, spot.engagement, backlash - mean),
    )


def _ripple(lash_mm: Floats) -> float:
    """Peak to peak of the roll within an engagement, averaged over those of which every phase is known."""
    whole = lash_mm[np.isfinite(lash_mm).all(axis=1)]
    if not len(whole):
        return math.nan
    # About its own middle, so that runout, which differs from engagement to engagement, is no ripple.
    return float(np.ptp((whole - whole[:, PHASES // 2 : PHASES // 2 + 1]).mean(axis=0)))


@dataclass(frozen=True, kw_only=True)
class _Members:
    """What the members bring; empty where part of the cycle is not known."""

    backlash_mm: Floats
    shape_mm: float
    gear_mm: Floats
    pinion_mm: Floats
    scatter_mm: float

    def runout(self, gear_set: GearSet, member: str) -> Runout | None:
        """Once-per-turn part of a member, or of both together in a 1:1 set."""
        one_to_one = gear_set.gear_teeth == gear_set.pinion_teeth
        if not self.backlash_mm.size or one_to_one is not (member == "merged"):
            return None
        teeth = gear_set.pinion_teeth if member == "pinion" else gear_set.gear_teeth
        turn = 2j * math.pi * np.arange(self.backlash_mm.size) / teeth
        part = 2.0 * complex(np.mean(self.backlash_mm * np.exp(turn)))
        amplitude = abs(part)
        # Errors are shared by all engagements of a tooth: there are as many as teeth.
        spread = self.shape_mm * math.sqrt(2.0 / teeth)
        angle = math.degrees(math.atan2(spread, amplitude)) if amplitude > 0.0 else ANY_ANGLE_DEG
        found = Runout(
            amplitude_mm=amplitude,
            standard_uncertainty_mm=spread,
            high_point_deg=(math.degrees(math.atan2(part.imag, part.real)) + 180.0) % 360.0,
            fim_mm=2.0 * amplitude / gear_set.lash_per_runout,
            high_point_uncertainty_deg=min(angle, ANY_ANGLE_DEG),
        )
        return beside_gear_order(found, gear_set) if member == "pinion" else found

    def cause(self, gear_set: GearSet, engagement: int, about_mean_mm: Floats) -> str:
        """The rule of `cause_of`, on parts that are known one by one."""
        if not self.backlash_mm.size:
            return NOT_SETTLED
        dip = -float(about_mean_mm[engagement])
        if dip < 1e-3 * LEAST_DIP_UM:
            return "none"
        if dip < 3.0 * self.shape_mm:
            return NOT_SETTLED
        parts = (self.gear_mm, self.pinion_mm)
        waves = -sum(float(_waves(part)[engagement % part.size]) for part in parts)
        if dip - waves > 0.5 * dip:
            return "tooth-to-tooth"
        if gear_set.gear_teeth == gear_set.pinion_teeth:
            return "not separable"
        shares = [-float(part[engagement % part.size]) for part in parts]
        named = zip(("gear side", "pinion side"), shares, strict=True)
        return next((side for side, share in named if share > 2 / 3 * dip), "both members")


def _members(gear_set: GearSet, backlash_mm: Floats, shape_mm: Floats) -> _Members:
    nothing = np.empty(0)
    if not np.all(np.isfinite(backlash_mm)):
        return _Members(
            backlash_mm=nothing, shape_mm=math.nan, gear_mm=nothing, pinion_mm=nothing, scatter_mm=math.nan
        )
    cycle = MeshCycle(pinion_teeth=gear_set.pinion_teeth, gear_teeth=gear_set.gear_teeth)
    teeth = cycle.teeth(cycle.engagements)
    about = backlash_mm - backlash_mm.mean()
    gear = np.bincount(teeth[0], about) / np.bincount(teeth[0])
    if cycle.common == cycle.pinion_teeth < cycle.gear_teeth:
        # A pinion tooth works with the same gear teeth alone: what repeats with its turn is taken for it.
        turn = _waves(gear.reshape(-1, cycle.pinion_teeth).mean(axis=0))
        gear = gear - np.tile(turn, cycle.gear_teeth // cycle.pinion_teeth)
    left = about - gear[teeth[0]]
    pinion = np.bincount(teeth[1], left) / np.bincount(teeth[1])
    waves = _waves(gear)[teeth[0]] + _waves(pinion)[teeth[1]]
    return _Members(
        backlash_mm=backlash_mm,
        shape_mm=float(np.median(shape_mm)),
        gear_mm=gear,
        pinion_mm=pinion,
        scatter_mm=float((about - waves).std()),
    )


def _waves(pattern_mm: Floats) -> Floats:
    """Once- and twice-per-turn parts of a member's pattern at every tooth, without its mean."""
    spectrum = np.fft.rfft(pattern_mm)
    spectrum[0], spectrum[3:] = 0.0, 0.0
    return np.asarray(np.fft.irfft(spectrum, pattern_mm.size))
