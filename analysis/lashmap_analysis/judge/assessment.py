"""The assessment: what the analysis concluded from a test record, as values ready to show.

Only the shape is decided here; `judge/assess.py` fills it, the report and the result document read it. All
backlash is normal backlash at the outer pitch radius unless a name says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, nan
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.cycle.curve import LashCurve
from lashmap_analysis.cycle.cycle import CycleFit
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.gears.tooth_names import TeethMet
from lashmap_analysis.judge.verdict import Touched, Verdict, touched
from lashmap_analysis.lash_map.lash_map import LashMap, Prediction
from lashmap_analysis.lash_map.once_per_turn import Runout, Separability
from lashmap_analysis.lash_map.repeats import BELIEVED_MM
from lashmap_analysis.lash_map.tight_spot import TightSpot
from lashmap_analysis.record.record import (
    ROLLED,
    Exclusion,
    Purpose,
    Shaft,
    SignOff,
    StoredResult,
    TestRecord,
)
from lashmap_analysis.rock.flags import Flag
from lashmap_analysis.rock.rock import RockReading
from lashmap_analysis.runout.match import RunoutMatch
from lashmap_analysis.runout.sweep import RunoutSweep
from lashmap_analysis.uncertainty.budget import Budget

Floats = NDArray[np.float64]


class Lash(Protocol):
    """Backlash over the mesh cycle, from rocks (`LashMap`) or from a cycle run (`LashCurve`)."""

    @property
    def gear_set(self) -> GearSet: ...  # noqa: D102 - as in both
    @property
    def tight_spot(self) -> TightSpot: ...  # noqa: D102
    @property
    def over_roll(self) -> bool: ...  # noqa: D102
    @property
    def mean_mm(self) -> float: ...  # noqa: D102
    @property
    def mean_uncertainty_mm(self) -> float: ...  # noqa: D102
    @property
    def loosest_mm(self) -> float: ...  # noqa: D102
    @property
    def variation_mm(self) -> float: ...  # noqa: D102
    @property
    def variation_uncertainty_mm(self) -> float: ...  # noqa: D102
    @property
    def least_draws_mm(self) -> Floats: ...  # noqa: D102
    @property
    def variation_draws_mm(self) -> Floats: ...  # noqa: D102
    @property
    def gear_runout(self) -> Runout | None: ...  # noqa: D102
    @property
    def pinion_runout(self) -> Runout | None: ...  # noqa: D102
    @property
    def merged_runout(self) -> Runout | None: ...  # noqa: D102
    @property
    def separable(self) -> Separability: ...  # noqa: D102
    @property
    def tooth_scatter_mm(self) -> float: ...  # noqa: D102
    @property
    def cause(self) -> str: ...  # noqa: D102

    def predict(self, engagements: NDArray[np.int64]) -> Prediction:
        """Backlash at whole engagements, shape (n,)."""
        ...


@dataclass(frozen=True, kw_only=True)
class PositionResult:
    """One position, measured.

    Attributes:
        position: Number in the order of recording, from 1.
        engagement: Whole gear teeth past the matched teeth.
        purpose: Why it was asked for, and at which phase of the roll (`record.ROLLED`).
        attempt: Which try this is, from 1.
        gear_angle_deg: Middle of the two dwells as the encoder saw it, or the nominal angle without encoder
            samples; degrees past the matched teeth, not wrapped.
        rock: What was read from the trace, flags included.
        normal_backlash_mm: With all corrections (indicator's curve, temperature, torque, roll phase, the last
            not where the pair was rolled on); None when the rock is not usable.
        standard_uncertainty_mm: Of `normal_backlash_mm`, within the rock only (repeatability and
            resolution); None when the rock is not usable.
        encoder_backlash_mm: The same rock as the gear-side encoder saw it, corrected likewise; None without
            one.
        flags: The rock's flags and those found by comparing instruments.
        outlier: True when the lash map named this position an outlier.
        setting_mm: Standard deviation between settings of the tip: as the lash map found it, or as it is
            believed to be before measuring.
    """

    position: int
    engagement: int
    purpose: Purpose
    attempt: int
    gear_angle_deg: float
    rock: RockReading
    normal_backlash_mm: float | None
    standard_uncertainty_mm: float | None
    encoder_backlash_mm: float | None
    flags: tuple[Flag, ...]
    outlier: bool = False
    setting_mm: float = BELIEVED_MM

    @property
    def usable(self) -> bool:
        """Whether a backlash was taken from the rock."""
        return self.normal_backlash_mm is not None

    @property
    def mapped(self) -> bool:
        """Whether it counts in the lash map, which is of whole engagements."""
        return self.usable and self.purpose not in ROLLED

    @property
    def with_setting_mm(self) -> float | None:
        """Standard uncertainty of the reading, the setting of the tip included; None when not usable."""
        within = self.standard_uncertainty_mm
        return None if within is None else hypot(within, self.setting_mm)


@dataclass(frozen=True, kw_only=True)
class TightSpotResult:
    """A tight spot with its whole uncertainty.

    Attributes:
        engagement: Whole gear teeth past the matched teeth, within one mesh cycle.
        teeth: That meet there, counted from the marked ones.
        gear_angle_deg: Gear angle past the matched teeth.
        normal_backlash_mm: Least backlash.
        standard_uncertainty_mm: Combined.
        expanded_uncertainty_mm: At 95 %.
        interval_mm: (low, high) at 95 %; not always symmetric, since a minimum is not.
    """

    engagement: int
    teeth: TeethMet
    gear_angle_deg: float
    normal_backlash_mm: float
    standard_uncertainty_mm: float
    expanded_uncertainty_mm: float
    interval_mm: tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class SweepResult:
    """What a runout sweep says, and whether it explains what moved the tight spot.

    Attributes:
        member: The member that was turned.
        sweep: Its runout; None when the samples give none.
        refusal: Why they give none; empty otherwise.
        match: Comparison with the lash map's part of that member; None without a runout.
        tight_spot_part_mm: Normal backlash that this runout takes at the lash map's tight spot, negative
            where it gives; None without a lash map or when nobody recorded where the indicator sat.
        tight_spot_depth_mm: How far the lash map's tight spot lies below its mean; None without a lash map.
        sentence: All of it in words, lengths in the units of the paperwork; the refusal when there is none.
        turning_deg_per_s: Speed at which the member was turned, the mean over its angle.
        times_apart_uncertainty_s: Standard uncertainty of the indicator's times against the encoder's; nan
            when nobody has stated one.
    """

    member: Shaft
    sweep: RunoutSweep | None
    refusal: str
    match: RunoutMatch | None
    tight_spot_part_mm: float | None = None
    tight_spot_depth_mm: float | None = None
    sentence: str = ""
    turning_deg_per_s: float = nan
    times_apart_uncertainty_s: float = nan


@dataclass(frozen=True, kw_only=True)
class Review:
    """Everything that stands beside the assessment of what was recorded.

    Attributes:
        stored: The result stored when the test ran; None when none was.
        changes: What differs from it now and why, in sentences; one that says so when nothing does.
        exclusions: In the order of review, those that were taken back too.
        sign_offs: In order.
        reviewed: The assessment without what is excluded; None when nothing is.
        signed: What the last signature is worth now; empty without one.
        covers: True when the last signature covers the result that is shown.
    """

    stored: StoredResult | None
    changes: tuple[str, ...]
    exclusions: tuple[Exclusion, ...]
    sign_offs: tuple[SignOff, ...]
    reviewed: Assessment | None
    signed: str
    covers: bool

    @property
    def seen(self) -> bool:
        """Whether there is something that the first page must show: left out, signed or changed."""
        return bool(self.holding or self.sign_offs) or len(self.changes) > 1

    @property
    def holding(self) -> tuple[Exclusion, ...]:
        """Exclusions that hold."""
        return tuple(one for one in self.exclusions if one.undone is None)


@dataclass(frozen=True, kw_only=True)
class Conformance:
    """Probability of each limit to be kept, 0 to 1; None where the drawing has none or nothing is known.

    Attributes:
        minimum: That the least backlash is not below the least allowed.
        maximum: That the backlash at the tight spot is not above the most allowed.
        variation: That the variation is not above the most allowed.
    """

    minimum: float | None = None
    maximum: float | None = None
    variation: float | None = None


UNKNOWN = Conformance()


@dataclass(frozen=True, kw_only=True)
class RockOnCurve:
    """A usable position beside the lash of the cycle run, as normal backlash.

    Attributes:
        position: Number of the position.
        engagement: Folded into one mesh cycle.
        confirming: Whether it was asked for to confirm a tight spot.
        backlash_mm: Its rock, at 20 °C, at no torque, at the roll phase at which it was made.
        standard_uncertainty_mm: Of that, the setting of the tip included.
        off_mm: Less the curve at that engagement; NaN where the run says nothing there.
        apart: How far it lies from the other rocks beside the curve, in standard uncertainties; NaN as above.
    """

    position: int
    engagement: int
    confirming: bool
    backlash_mm: float
    standard_uncertainty_mm: float
    off_mm: float
    apart: float


@dataclass(frozen=True, kw_only=True)
class CycleRun:
    """What the passes of a cycle run say beside the rocks.

    Attributes:
        fit: The passes put together; None when no pair of passes could be used.
        curve: The lash as it is stated; None when the run is refused.
        rocks: Usable positions beside it; empty without a curve.
        used: Passes that went in.
        refusal: Why the run does not judge, in sentences; empty when it does.
        remarks: What travels with it: warnings, passes that were left out.
        disagree: Rocks and passes contradict each other, in a sentence; empty when they agree.
        confirmed: A confirming position at or near its tight spot reads as the others and the curve say.
    """

    fit: CycleFit | None
    curve: LashCurve | None
    rocks: tuple[RockOnCurve, ...]
    used: int
    refusal: str
    remarks: tuple[str, ...] = ()
    disagree: str = ""
    confirmed: bool = False

    @property
    def judges(self) -> bool:
        """Whether what is stated comes from it."""
        return not self.refusal

    @property
    def engagements(self) -> tuple[int, ...]:
        """Engagements whose teeth it touched on both flanks, where it judges; otherwise none."""
        if self.fit is None or not self.judges:
            return ()
        return tuple(np.flatnonzero(self.fit.seen).tolist())

    @property
    def every(self) -> bool:
        """Whether it judges and saw every engagement of the mesh cycle on both flanks."""
        return self.fit is not None and self.judges and bool(self.fit.seen.all())


@dataclass(frozen=True, kw_only=True)
class Assessment:
    """Everything concluded from one test record.

    Attributes:
        record: What it was concluded from.
        positions: One for each trace, in the order of recording.
        lash_map: None when the usable positions do not allow a fit.
        measured: The confirming position, or the tightest measured one when none was confirmed; None when
            nothing usable was measured.
        predicted: The tight spot of the lash map fitted without the confirming positions; None where a cycle
            run judges.
        stated: The tight spot of the lash that is judged: of the cycle run where it judges, else of the
            lash map fitted to all positions.
        confirmed: True when a confirming position agrees with the prediction within their uncertainties.
        budget: Uncertainty of `stated`, line by line.
        verdict: Outcome and reasons.
        cause: One sentence: where the tight spot lies (teeth, degrees) and what moved it there.
        version: Version of the analysis that concluded this.
        sweeps: What the runout sweeps say, in the order of recording.
        review: What was stored when the test ran and what reviewers did; None when nobody has looked.
        conformance: Probability of each limit to be kept.
        cycle_run: What the passes say; None in a test without passes.
    """

    record: TestRecord
    positions: tuple[PositionResult, ...]
    lash_map: LashMap | None
    measured: TightSpotResult | None
    predicted: TightSpotResult | None
    stated: TightSpotResult | None
    confirmed: bool
    budget: Budget | None
    verdict: Verdict
    cause: str
    version: str
    sweeps: tuple[SweepResult, ...] = ()
    review: Review | None = None
    conformance: Conformance = UNKNOWN
    cycle_run: CycleRun | None = None

    @property
    def cycle(self) -> CycleFit | None:
        """The passes put together; None without passes that could be used."""
        return None if self.cycle_run is None else self.cycle_run.fit

    @property
    def judged(self) -> Lash | None:
        """The lash that is judged: of the cycle run where it judges, else the lash map."""
        run = self.cycle_run
        return run.curve if run is not None and run.judges else self.lash_map

    @property
    def usable(self) -> int:
        """Number of positions that gave a backlash."""
        return sum(one.usable for one in self.positions)

    @property
    def touched(self) -> Touched:
        """Teeth that usable positions, and a cycle run that judges, touched."""
        usable = [one.engagement for one in self.positions if one.usable]
        passed = () if self.cycle_run is None else self.cycle_run.engagements
        return touched(self.record.gear_set, (*usable, *passed))
