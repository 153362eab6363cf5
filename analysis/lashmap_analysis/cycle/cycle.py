"""Lash at every engagement of the mesh cycle, from passes on the drive and on the coast flanks.

Decided here: how the passes are put together, how rocks tie the level, and what uncertainty is left.  Not
decided here: what a limit makes of it (`judge/`).

**Model.** In a cell c of flank f, pass i sees the advance

    R_ic = F_fc − V_ic s + (t_i − t̄) d − σ_i T_i w

with the flank's own advance F, the gear's speed V at the pitch circle, the skew s of the gear's times
against the pinion's, the drift d of one encoder against the other, the direction σ = ±1, the brake's torque
T and the wind-up w that a torque makes.  The lash is F_coast − F_drive (derived: the brake holds the gear
back in both directions, so that the pinion pushes it by the drive flanks forward and by the coast flanks
back).  Two passes of a flank differ in V, t and T but not in F, so that differences between passes give s,
d and w without any model of the teeth; the variation of speed within a pass gives s once more, against what
two teeth add up to.

**What no pass can tell** is a wind-up that is the same in all of them, and every constant of the encoders'
mounts. Rocks at a few engagements, made without the brake, tie the level of the whole curve; without them a
wind-up from memory stays in the uncertainty.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from math import ceil, floor, hypot, inf, nan, pi, sqrt
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.cycle.cells import (
    FEW_VISITS,
    LEAST_VARIANCE_MM2,
    LOST_LEAST_MM,
    LOST_OWN_MM,
    PHASES,
    Cells,
    ToothSum,
    cells_of,
    thrown_off,
    without_lost_contact,
)
from lashmap_analysis.cycle.checks import (
    CycleFlag,
    CycleFlagName,
    contact_flag,
    drift_flag,
    encoder_fault,
    jump,
    lash_flags,
    missing_flag,
    not_closed,
    repeat_flags,
    skew_flag,
    teeth_flag,
    times_flag,
    too_quick_flag,
    turns_flag,
    unrepeated_flag,
)
from lashmap_analysis.cycle.estimate import (
    PASS_MM,
    UNKNOWN,
    Disturbances,
    Estimate,
    Passes,
    find_disturbances,
)
from lashmap_analysis.cycle.pace import EvenPace, at_even_pace
from lashmap_analysis.cycle.passes import Advance, CycleError, CyclePass, advance_of, packet_s
from lashmap_analysis.cycle.smoothing import Kept, Smoother, bridged, explained, kept, smoothed_variance
from lashmap_analysis.cycle.thrown import thrown_flag
from lashmap_analysis.cycle.ties import Level, TiedRock, tie
from lashmap_analysis.gears.mesh_cycle import MeshCycle

if TYPE_CHECKING:
    from lashmap_analysis.gears.gear_set import GearSet

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Booleans = NDArray[np.bool_]

CUT_ROUNDS = 3
TELLING_SAMPLES, MOST_THINNED = 50_000, 4  # of a pass, to find its skew before it is taken out
SLOWER_PASSES = 2  # of a flank, at two speeds: fewer do not show whether the gear flew
DRAWS = 200
TAILS = (0.025, 0.975)
LEAST_FREE = 0.05
# A light brake opens lash by up to this, both flanks together, where no rock and no second torque tell
# (from memory; a light rock by hand is taken to open 1 µm).
WIND_UP_MM = 0.006
BRAKE_SWING = 0.2  # as a part of a brake's torque, what changes with the gear's angle (from memory)
UNKNOWN_LEVEL_MM = 1.0  # nothing is known of it: as much as any lash
DRIFT_MM_PER_S = 2e-5  # about 1 µm a minute, of encoders on a stand that warms up (from memory)


@dataclass(frozen=True, kw_only=True)
class CycleSpot:
    """The tightest place of the cycle.

    Attributes:
        engagement: Before or after the place, whichever a rock finds tighter; 0 … mesh cycle − 1.
        place: In engagements past the matched teeth, with its part of one.
        backlash_mm: Outer normal backlash there.
        low_mm: Lower end of the 95 % band of the least backlash.
        high_mm: Its upper end.
    """

    engagement: int
    place: float
    backlash_mm: float
    low_mm: float
    high_mm: float


@dataclass(frozen=True, kw_only=True)
class CycleFit:
    """What a cycle run says; lengths are at the outer pitch circle, NaN where nothing can be said.

    Attributes:
        gear_set: The set.
        flags: Refusals and warnings.
        drive_mm: Shape (m, PHASES), advance on the drive flanks without skew, drift, wind-up and noise.
        coast_mm: The same on the coast flanks.
        lash_mm: Shape (m, PHASES), transverse lash.
        standard_uncertainty_mm: Shape (m, PHASES), of the lash of a cell, the level's included.
        seen: Shape (m,), engagements with samples on both flanks.
        normal_mm: Shape (m,), outer normal backlash as a rock at each engagement gives it.
        normal_uncertainty_mm: Shape (m,), its standard uncertainty.
        tight_spot: The least over all cells; None when the run is refused.
        roll_mm: How far the least within an engagement lies below the place of a rock on average, normal.
        disturbances: What was taken out of the advance; None when the run is refused for its streams.
        level_mm: What was added to the transverse lash of all cells to agree with the rocks.
        setting_mm: Standard deviation between settings of the tip, root mean square of what the rocks beside
            the curve leave of it, transverse; 0 without rocks.
        rocks_apart: How far each of the given rocks lies from the others beside the curve, in deviations of
            a normal distribution of the same chance; NaN where the curve says nothing, 0 without others.
        repeatability_mm: Standard deviation of one cell of one pass.
        lost: Part of all cells that was cut out as lost contact.
        least_draws_mm: Equally likely values of the least normal backlash, shape (d,); empty when refused.
        variation_draws_mm: The same of the variation: the least within each engagement, the largest of them
            less the smallest.
    """

    gear_set: GearSet
    flags: tuple[CycleFlag, ...]
    drive_mm: Floats
    coast_mm: Floats
    lash_mm: Floats
    standard_uncertainty_mm: Floats
    seen: Booleans
    normal_mm: Floats
    normal_uncertainty_mm: Floats
    tight_spot: CycleSpot | None
    roll_mm: float = nan
    disturbances: Disturbances | None = None
    level_mm: Estimate = UNKNOWN
    setting_mm: float = 0.0
    rocks_apart: Floats = field(default_factory=lambda: np.empty(0), repr=False)
    repeatability_mm: float = nan
    lost: float = nan
    least_draws_mm: Floats = field(default_factory=lambda: np.empty(0), repr=False)
    variation_draws_mm: Floats = field(default_factory=lambda: np.empty(0), repr=False)

    @property
    def good(self) -> bool:
        """Whether lash may be taken from the run."""
        return not any(flag.disabling for flag in self.flags)

    @property
    def missing(self) -> Integers:
        """Engagements that were not seen on both flanks."""
        return np.flatnonzero(~self.seen)

    @property
    def place(self) -> Floats:
        """Shape (m, PHASES), middle of each cell in engagements past the matched teeth."""
        return places(len(self.lash_mm))


def places(length: int) -> Floats:
    """Place of the middle of each cell, in engagements; shape (length, PHASES)."""
    inside = (np.arange(PHASES) - PHASES // 2) / PHASES
    return np.arange(length)[:, np.newaxis] + inside


def fit_cycle(
    gear_set: GearSet,
    drive: Sequence[CyclePass],
    coast: Sequence[CyclePass],
    *,
    rocks: Sequence[TiedRock] = (),
    rocks_share_mm: float = 0.0,
) -> CycleFit:
    """Find the lash of every engagement in a cycle run.

    Args:
        gear_set: The gear set.
        drive: Passes forward, the pinion turning the braked gear; at least one.
        coast: Passes back; at least one.
        rocks: Rocks at some engagements, without the brake.
        rocks_share_mm: Standard uncertainty that sits in the transverse lash of all rocks alike, such as that
            of the indicator's set-up. It is allowed for before rocks and passes are said to disagree, and is
            not in the uncertainties of the result.

    Returns:
        The lash with its uncertainty, or the flags that say why there is none.

    Raises:
        CycleError: No pass, a pass in the wrong direction, or arrays that cannot be what they are said to be.
    """
    fit = _fit(gear_set, drive, coast, (rocks, rocks_share_mm))
    left_out = 0
    while _thrown(fit) and min(len(drive), len(coast)) > SLOWER_PASSES:
        # Where a slower pair was turned, the quick ones are left out for as long as the gear flew in them.
        drive, coast = _without_quickest(drive), _without_quickest(coast)
        left_out += 2
        fit = _fit(gear_set, drive, coast, (rocks, rocks_share_mm))
    if not left_out or not fit.good or _thrown(fit):
        return fit
    arc_mm_per_deg = pi * gear_set.outer_module_mm * gear_set.pinion_teeth / 360.0
    quickest = max(one.pinion_deg_per_s for one in (*drive, *coast))
    return replace(fit, flags=(*fit.flags, too_quick_flag(left_out, quickest * arc_mm_per_deg)))


def _thrown(fit: CycleFit) -> bool:
    return any(flag.name is CycleFlagName.THROWN for flag in fit.flags)


def _without_quickest(passes: Sequence[CyclePass]) -> list[CyclePass]:
    quickest = max(range(len(passes)), key=lambda number: passes[number].pinion_deg_per_s)
    return [one for number, one in enumerate(passes) if number != quickest]


def _fit(
    gear_set: GearSet,
    drive: Sequence[CyclePass],
    coast: Sequence[CyclePass],
    ties: tuple[Sequence[TiedRock], float],
) -> CycleFit:
    """The fit of these passes, none of which is left out.

    Raises:
        CycleError: As `fit_cycle`.
    """
    cycle = MeshCycle(pinion_teeth=gear_set.pinion_teeth, gear_teeth=gear_set.gear_teeth)
    latched = all(one.latched for one in (*drive, *coast))
    pace = EvenPace(passes=[*drive, *coast]) if latched else at_even_pace([*drive, *coast])
    # Of two streams only the skew is looked for at first, and a part of the samples tells it well enough.
    passes = pace.passes if latched else [_thinned(one) for one in pace.passes]
    advances = _advances(gear_set, passes[: len(drive)], passes[len(drive) :])
    if isinstance(advances, CycleFlag):
        return _refused(gear_set, cycle, advances)
    times = times_flag(pace, advances)
    if times is not None:
        return _refused(gear_set, cycle, times)
    flank = np.array([0] * len(drive) + [1] * len(coast))
    teeth = ToothSum(cycle)
    first = [cells_of(cycle, advance) for advance in advances]
    skew_s = 0.0
    if not latched:
        # Speed that varies makes skew look like movement: it is taken out before anything is called one.
        skew_s = find_disturbances(Passes(first, flank, teeth), latched=False).skew_s.value
        advances = _without_skew(gear_set, pace.passes, skew_s)
        first = [cells_of(cycle, advance) for advance in advances]
    moved = next(filter(None, (jump(teeth, cells, latched=latched) for cells in first)), None)
    if moved is not None:
        return _refused(gear_set, cycle, moved)
    kept = _in_contact(cycle, teeth, advances, first, flank)
    run = Passes(kept, flank, teeth)
    left = find_disturbances(run, latched=latched, moved_s=pace.uncertainty_s)
    found = left.with_skew(skew_s, max(packet_s(one) for one in pace.passes), in_step=pace.in_step)
    opened = not_closed(cycle, advances, found, latched=latched)
    if opened is not None:
        return _refused(gear_set, cycle, opened)
    if not _flanks(run, left.taken_out(run))[1].all(axis=0).any():
        nowhere = np.zeros(cycle.length, dtype=np.bool_)
        return _refused(gear_set, cycle, *filter(None, (missing_flag(nowhere, nowhere),)))
    fit = _put_together(gear_set, kept, run, (left, found), ties)
    thrown = thrown_flag(cycle, fit.lash_mm, first, flank) if fit.good else None
    return fit if thrown is None else replace(fit, flags=(*fit.flags, thrown))


def _thinned(one: CyclePass) -> CyclePass:
    """The pass with fewer angles of the pinion, at which those of the gear are asked for."""
    step = min(max(np.size(one.pinion_deg) // TELLING_SAMPLES, 1), MOST_THINNED)
    return replace(one, pinion_time_s=one.pinion_time_s[::step], pinion_deg=one.pinion_deg[::step])


def _without_skew(gear_set: GearSet, passes: Sequence[CyclePass], skew_s: float) -> list[Advance]:
    """Advances with the skew taken out."""
    # Out of the times themselves: speed swings in less than the time over which it is smoothed.
    return [
        advance_of(gear_set, replace(one, gear_time_s=np.asarray(one.gear_time_s) - skew_s)) for one in passes
    ]


def _advances(
    gear_set: GearSet, drive: Sequence[CyclePass], coast: Sequence[CyclePass]
) -> list[Advance] | CycleFlag:
    """Advances of the drive passes, then of the coast passes; or what an encoder is that it should not be.

    Raises:
        CycleError: As `fit_cycle`.
    """
    advances: list[Advance] = []
    for name, passes, forward in (("drive", drive, True), ("coast", coast, False)):
        if not passes:
            raise CycleError(name, 0, "at least one pass")
        for one in passes:
            advance = advance_of(gear_set, one)
            fault = encoder_fault(gear_set, advance)
            if fault is not None:
                return fault
            if advance.forward != forward:
                raise CycleError(name, "a pass the other way", "drive passes forward and coast passes back")
            advances.append(advance)
    return advances


def _refused(gear_set: GearSet, cycle: MeshCycle, *flags: CycleFlag) -> CycleFit:
    cells, engagements = np.full((cycle.length, PHASES), nan), np.full(cycle.length, nan)
    return CycleFit(
        gear_set=gear_set,
        flags=flags,
        drive_mm=cells,
        coast_mm=cells,
        lash_mm=cells,
        standard_uncertainty_mm=cells,
        seen=np.zeros(cycle.length, dtype=np.bool_),
        normal_mm=engagements,
        normal_uncertainty_mm=engagements,
        tight_spot=None,
    )


def _in_contact(
    cycle: MeshCycle, teeth: ToothSum, advances: list[Advance], first: list[Cells], flank: Integers
) -> list[Cells]:
    """Cells without the moments at which the gear had left the flank.

    Other passes of the flank say where it should be; where there is none, what two teeth add up to. Where it
    was lost in both directions, something throws the gear off there, less at another speed but every time:
    then no pass is believed.
    """
    kept = first
    thrown = [thrown_off(teeth, cells) for cells in first]
    for _ in range(CUT_ROUNDS):
        lost = [np.any([kept[one].lost for one in np.flatnonzero(flank == side)], axis=0) for side in (0, 1)]
        thrown = [one | (lost[0] & lost[1]) for one in thrown]
        again = []
        for number, advance in enumerate(advances):
            others = [kept[other] for other in np.flatnonzero(flank == flank[number]) if other != number]
            least_mm = LOST_LEAST_MM if others else LOST_OWN_MM
            if others:
                expected = _least_ahead(others)
            elif teeth.visits >= FEW_VISITS:
                weights = np.where(kept[number].lost, 0.0, first[number].weight)
                fitted = teeth.fit_robustly(first[number].advance_mm, weights)
                expected = fitted, np.zeros_like(fitted)
            else:
                again.append(first[number])
                continue
            again.append(
                without_lost_contact(
                    cycle, advance, first[number], expected, thrown=thrown[number], least_mm=least_mm
                )
            )
        same = all(np.array_equal(one.lost, before.lost) for one, before in zip(again, kept, strict=True))
        kept = again
        if same:
            break
    return kept


def _least_ahead(passes: list[Cells]) -> tuple[Floats, Floats]:
    """Of passes of one flank about their medians, the one in which the gear ran ahead least; its variance."""
    sign = 1.0 if passes[0].forward else -1.0
    levels = np.stack([sign * (one.advance_mm - np.nanmedian(one.advance_mm)) for one in passes])
    variances = np.stack([np.where(one.seen, one.variance_mm2, 0.0) for one in passes])
    return sign * np.asarray(np.fmin.reduce(levels)), variances.max(axis=0)


def _put_together(
    gear_set: GearSet,
    cells: list[Cells],
    passes: Passes,
    disturbances: tuple[Disturbances, Disturbances],
    ties: tuple[Sequence[TiedRock], float],
) -> CycleFit:
    """Make the result of the passes; of the disturbances, the first are still in them, the second all."""
    left, found = disturbances
    cycle = MeshCycle(pinion_teeth=gear_set.pinion_teeth, gear_teeth=gear_set.gear_teeth)
    corrected = left.taken_out(passes)
    flanks, known = _flanks(passes, corrected)
    noise = _Noise.of(passes, corrected, flanks)
    both = known[0] & known[1]
    weight = np.where(both, 1 / np.maximum(noise.smoothed_mm2, LEAST_VARIANCE_MM2), 0.0)
    raw = bridged(flanks[1] - flanks[0], both)
    smoother = Smoother.of(passes.teeth, raw, weight, noise.cell_mm**2)
    found_lash = kept(passes.teeth, smoother.apply(raw), weight, noise.smoothed_mm2)
    # Before rocks lift it: passes on one flank tied to rocks would look like a lash.
    untied = np.where(both, found_lash.values, nan)
    alone = [_flank_alone(passes, noise, flanks, side) for side in (0, 1)]
    per = gear_set.normal_per_transverse
    level_mm = _level_mm(passes, found)
    tied = tie(untied[:, PHASES // 2], level_mm, ties[0], share_mm=ties[1], normal_per_transverse=per)
    lash = found_lash.values + tied.level.estimate.value
    swing = _swing_mm(passes, found, None if np.isnan(tied.apart).all() else tied.level.estimate)
    spread = _Spread.of(smoother, lash, (found_lash.share, noise), (tied.level, swing))
    seen = np.all([(passes.weight[passes.flank == side] > 0).any(axis=(0, 2)) for side in (0, 1)], axis=0)
    doubts = (
        contact_flag(cells),
        *_doubts(passes, noise, found, untied, (cycle, alone)),
        missing_flag(seen, both[:, PHASES // 2]),
        tied.flag,
    )
    fit = CycleFit(
        gear_set=gear_set,
        flags=tuple(flag for flag in doubts if flag is not None),
        drive_mm=np.where(known[0], alone[0].values, nan),
        coast_mm=np.where(known[1], alone[1].values, nan),
        lash_mm=np.where(both, lash, nan),
        standard_uncertainty_mm=np.where(both, spread.cell_mm, nan),
        seen=seen,
        normal_mm=per * np.where(both, lash, nan)[:, PHASES // 2],
        normal_uncertainty_mm=per * np.where(both, spread.cell_mm, nan)[:, PHASES // 2],
        tight_spot=_spot(spread, lash, both, per),
        roll_mm=per * _roll_mm(lash, both),
        disturbances=found,
        level_mm=tied.level.estimate,
        setting_mm=tied.setting_mm,
        rocks_apart=tied.apart,
        repeatability_mm=noise.repeatability_mm,
        lost=float(np.mean([one.lost.mean() for one in cells])),
        least_draws_mm=per * spread.least_mm,
        variation_draws_mm=per * spread.variation_mm,
    )
    return fit if fit.good else replace(fit, tight_spot=None)


def _doubts(
    passes: Passes,
    noise: _Noise,
    found: Disturbances,
    lash: Floats,
    flanks: tuple[MeshCycle, Sequence[Kept]],
) -> Iterator[CycleFlag | None]:
    """What speaks against a run: of its lash before any rock, and of both flanks by themselves."""
    yield None if noise.repeats else unrepeated_flag()
    yield skew_flag(found, passes)
    yield drift_flag(found)
    yield from lash_flags(lash)
    latched = found.skew_s.standard_uncertainty == 0.0
    unsteady = tuple(repeat_flags(noise.between_mm, noise.repeatability_mm, latched=latched))
    yield from unsteady
    if passes.teeth.visits >= FEW_VISITS and not unsteady:
        cycle, alone = flanks
        yield turns_flag(passes.teeth, cycle, alone) or teeth_flag(alone)


def _flanks(passes: Passes, corrected: Floats) -> tuple[Floats, Booleans]:
    """Advance of both flanks, shape (2, m, PHASES), and where it is known; from the teeth where not seen."""
    flanks, known = [], []
    for side in (0, 1):
        rows = passes.flank == side
        weight = passes.weight[rows].sum(axis=0)
        mean = (passes.weight[rows] * corrected[rows]).sum(axis=0) / np.maximum(weight, 1e-300)
        flanks.append(np.where(weight > 0, mean, passes.teeth.fit(mean, weight)))
        known.append((weight > 0) | passes.teeth.known(weight > 0))
    return np.stack(flanks), np.stack(known)


@dataclass(frozen=True, kw_only=True)
class _Noise:
    """Scatter of the lash, the mean over all passes of both flanks.

    Attributes:
        cell_mm: Shape (m, PHASES), of each cell by itself.
        engagement_mm: What all cells of an engagement share beside it.
        between_mm: The same of a single pass.
        repeatability_mm: Standard deviation of a usual cell of one pass.
        repeats: Something was seen more than once, so that the figures are of more than the counts.
    """

    cell_mm: Floats
    engagement_mm: float
    between_mm: float
    repeatability_mm: float
    repeats: bool

    @property
    def smoothed_mm2(self) -> Floats:
        """Variance of a cell after smoothing, shape (m, PHASES)."""
        return smoothed_variance(self.cell_mm**2) + self.engagement_mm**2

    @classmethod
    def of(cls, passes: Passes, corrected: Floats, flanks: Floats) -> _Noise:
        """From passes of the same flank; from what two teeth do not explain where there is but one.

        The counts' variance is taken with a factor, never below one, that makes it agree with the scatter.
        """
        counts = np.array([int((passes.flank == side).sum()) for side in (0, 1)])
        total = np.stack([passes.weight[passes.flank == side].sum(axis=0) for side in (0, 1)])
        if counts.min() > 1:
            off = np.where(passes.weight > 0, corrected - flanks[passes.flank], 0.0)
            # A residual has the variance of its pass less that of the mean.
            free = 1.0 - passes.weight / np.maximum(total[passes.flank], 1e-300)
        else:
            off = passes.beside_teeth(corrected)
            free = np.full(off.shape, max(1.0 - passes.teeth.parameters / passes.weight[0].size, 0.05))
        usable = (passes.weight > 0) & (free > LEAST_FREE)
        repeats = bool(usable.any())
        factor = 1.0
        if repeats:
            factor = max(float(np.mean(off[usable] ** 2 * passes.weight[usable] / free[usable])), 1.0)
        whole = usable.all(axis=2)
        share = passes.weight / np.maximum(passes.weight.sum(axis=2, keepdims=True), 1e-300)
        together = (share * off / np.sqrt(np.maximum(free, LEAST_FREE))).sum(axis=2)
        by_cells = factor / np.maximum(passes.weight.sum(axis=2), 1e-300)
        shared = max(float(np.mean(together[whole] ** 2 - by_cells[whole])), 0.0) if whole.any() else 0.0
        variance = factor * (1 / np.maximum(total, 1e-300)).sum(axis=0)
        # Cells that nobody saw: what their teeth add up to is as good as a usual cell.
        usual = float(np.median(variance[(total > 0).all(axis=0)])) if (total > 0).all(axis=0).any() else 0.0
        return cls(
            cell_mm=np.sqrt(np.where((total > 0).all(axis=0), variance, usual)),
            engagement_mm=sqrt(shared * float((1 / counts).sum())),
            between_mm=sqrt(shared),
            repeatability_mm=sqrt(factor / float(np.median(passes.weight[passes.weight > 0]))),
            repeats=repeats,
        )


def _flank_alone(passes: Passes, noise: _Noise, flanks: Floats, side: int) -> Kept:
    """Advance on one flank, as far as it is more than noise.

    Not smoothed over the roll, so that the orders of the tooth mesh stay what they are.
    """
    spread = [1 / np.maximum(passes.weight[passes.flank == one].sum(axis=0), 1e-300) for one in (0, 1)]
    variance = noise.cell_mm**2 * spread[side] / (spread[0] + spread[1]) + noise.engagement_mm**2 / 2
    seen = passes.weight[passes.flank == side].sum(axis=0) > 0
    weight = np.where(seen, 1 / np.maximum(variance, LEAST_VARIANCE_MM2), 0.0)
    return kept(passes.teeth, flanks[side], weight, variance)


def _level_mm(passes: Passes, found: Disturbances) -> float:
    """Standard uncertainty of the lash's level before any rock."""
    by_skew = 0.0
    if found.skew_s.standard_uncertainty > 0.0:
        by_skew = 2 * passes.typical_speed_mm_per_s * found.skew_s.standard_uncertainty
    opened = WIND_UP_MM / sqrt(3)
    if found.wind_up_mm_per_nm.known:
        opened = 2 * passes.typical_torque_nm * found.wind_up_mm_per_nm.standard_uncertainty
    # What drifts between the flanks: known from passes of one flank, or from memory.
    drift = found.drift_mm_per_s.standard_uncertainty if found.drift_mm_per_s.known else DRIFT_MM_PER_S
    between_s = passes.mean_time_s(1) - passes.mean_time_s(0)
    return min(hypot(by_skew, opened, drift * between_s, sqrt(2) * PASS_MM), UNKNOWN_LEVEL_MM)


def _swing_mm(passes: Passes, found: Disturbances, tied: Estimate | None) -> float:
    """Standard uncertainty of either part, cosine and sine, of what a brake out of true opens and closes.

    Args:
        passes: The passes.
        found: What two torques tell.
        tied: What rocks say that the brake opens; None without rocks.
    """
    both = 2 * passes.typical_torque_nm
    cosine, sine = found.swing_mm_per_nm
    if cosine.known and sine.known:
        return both * max(cosine.standard_uncertainty, sine.standard_uncertainty)
    opened = WIND_UP_MM
    if found.wind_up_mm_per_nm.known:
        opened = both * (abs(found.wind_up_mm_per_nm.value) + found.wind_up_mm_per_nm.standard_uncertainty)
    elif tied is not None:
        opened = min(abs(tied.value) + tied.standard_uncertainty, WIND_UP_MM)
    # An amplitude that may be anything up to the bound, at any angle.
    return BRAKE_SWING * opened / sqrt(6)


@dataclass(frozen=True, kw_only=True)
class _Spread:
    """What could be as well: standard uncertainty of each cell, least lash and variation in each draw."""

    cell_mm: Floats
    least_mm: Floats
    variation_mm: Floats

    @classmethod
    def of(
        cls,
        smoother: Smoother,
        lash: Floats,
        own: tuple[Floats, _Noise],
        alike: tuple[Level, float],
    ) -> _Spread:
        weight, (keep, noise), (level, swing_mm) = smoother.weight, own, alike
        once_a_turn = np.cos(smoother.teeth.gear_turn), np.sin(smoother.teeth.gear_turn)
        rng = np.random.default_rng(20)
        shown = np.where(weight > 0, lash, inf)
        own_mm = np.sqrt(keep * noise.smoothed_mm2 + smoother.hidden_mm2)
        known = np.flatnonzero((weight > 0).any(axis=1))
        least, variation, power = np.empty(DRAWS), np.empty(DRAWS), np.zeros_like(lash)
        for number in range(DRAWS):
            scatter = smoother.apply(noise.cell_mm * rng.standard_normal(lash.shape))
            scatter += noise.engagement_mm * rng.standard_normal((len(lash), 1))
            error = explained(smoother.teeth, scatter, weight) + own_mm * rng.standard_normal(lash.shape)
            cosine, sine = swing_mm * rng.standard_normal(2)
            error += cosine * once_a_turn[0] + sine * once_a_turn[1]
            power += error**2
            tightest = (shown + error).min(axis=1)[known]
            least[number] = tightest.min(initial=inf)
            variation[number] = tightest.max(initial=-inf) - least[number]
        # What was found, with scatter once more, has its least below the least of what was found: by 31 µm
        # where a cell scatters by 17 (15:45, 500 Hz, 360 °/s); that itself, shrunk, is right within 1.2.
        found = shown[known].min(axis=1, initial=inf)
        least += found.min(initial=inf) - np.median(least)
        variation += (np.ptp(found) if found.size else 0.0) - np.median(variation)
        least += level.draws_about_mean(DRAWS, rng)
        return cls(
            cell_mm=np.sqrt(power / DRAWS + level.estimate.standard_uncertainty**2),
            least_mm=least,
            variation_mm=variation,
        )


def _spot(spread: _Spread, lash: Floats, both: Booleans, per: float) -> CycleSpot:
    tight = int(np.where(both, lash, inf).argmin())
    place = float(places(len(lash)).ravel()[tight])
    # A bad tooth carries beyond its own engagement: of the two beside the place, the tighter one is named.
    beside = np.array([floor(place), ceil(place)]) % len(lash)
    rocked = np.where(both, lash, inf)[beside, PHASES // 2]
    low, high = np.quantile(spread.least_mm, TAILS)
    return CycleSpot(
        engagement=int(beside[rocked.argmin()]),
        place=place,
        backlash_mm=per * float(np.where(both, lash, inf).min()),
        low_mm=per * float(low),
        high_mm=per * float(high),
    )


def _roll_mm(lash: Floats, both: Booleans) -> float:
    whole = lash[both.all(axis=1)]
    return float(np.mean(whole[:, PHASES // 2] - whole.min(axis=1))) if len(whole) else nan
