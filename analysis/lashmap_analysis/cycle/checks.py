"""What is wrong with a cycle run: every refusal and warning, with what to do next.

Decided here: the names, the limits and the sentences.  A flag is *disabling* when no lash may be taken from
the run; otherwise it is a warning that travels with the result.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from math import hypot, sqrt
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.cycle.cells import FEW_VISITS, PHASES, Cells, ToothSum, closing_mm
from lashmap_analysis.cycle.estimate import BLOCKS, Disturbances, Passes

if TYPE_CHECKING:
    from lashmap_analysis.cycle.pace import EvenPace
    from lashmap_analysis.cycle.passes import Advance
    from lashmap_analysis.cycle.smoothing import Kept
    from lashmap_analysis.gears.gear_set import GearSet
    from lashmap_analysis.gears.mesh_cycle import MeshCycle

Floats = NDArray[np.float64]
Booleans = NDArray[np.bool_]

# The ratio of two gears is exact, so that over a pass it is known far better than this.
RATIO_TOLERANCE = 2e-3
# A jump, or a movement of the level within a pass, that no temperature makes.
LEAST_JUMP_MM = 0.015
JUMP_SIGMAS = 6.0
LEAST_STEP_MM, STEP_MEDIANS = 0.1, 50
LEAST_OPEN_MM = 0.008
SKEW_MM = 0.004  # a skew whose uncertainty moves lash by more is unproven
USELESS_SKEW_MM = 0.020  # and by more than this leaves nothing to be said
TELLING_MOVE_S = 2e-5  # of times against their pace; less is said nowhere
WAYS_APART = 5.0  # standard uncertainties
MOST_LOST = 0.25  # of the cells of a pass
LEAST_LASH_MM = 0.005
UNSTEADY_MM = 0.010
SCATTER_MM = 0.015
ONE_FLANK_SHARE = 0.1  # of the typical lash
# A trough that runout does not make within a tooth and a half, and a bad tooth or a gear off its flank does.
DIP_MM, DIP_SHARE = 0.030, 0.2
DIP_CELLS = 3 * PHASES // 2
MOST_DRIFT_MM_PER_S = 5e-4  # 30 µm a minute
# What pairs have of their own of usual sets is 1 to 3 µm (brute force), and less than the teeth add up to.
OWN_MM, OWN_SHARE = 0.005, 0.3
# Of what two teeth do not explain, how much a stretched turn has to; and by how much it is stretched.
STRETCH_EXPLAINS, LEAST_STRETCH = 0.3, 0.003


class CycleFlagName(StrEnum):
    """What can be wrong with a cycle run, in the words of the bench."""

    WRONG_SENSE = "encoder counts backwards"
    SWAPPED = "encoders on each other's shaft"
    WRONG_COUNTS = "counts per turn wrong"
    OTHER_TEETH = "other teeth meet"
    JUMP = "angle jumped"
    NOT_CLOSED = "cycle does not close"
    ONE_FLANK = "both passes on one flank"
    DRIVEN_BY_GEAR = "gear drove the pinion"
    CONTACT_LOST = "contact lost"
    PART_OF_CYCLE = "part of the mesh cycle"
    SKEW_UNPROVEN = "time between the encoders unproven"
    NOT_TIED = "not tied to rocks"
    ROCKS_DISAGREE = "rocks disagree"
    UNSTEADY = "passes disagree"
    SCATTER = "angles scatter"
    NOT_OF_TEETH = "pattern not of the teeth"
    SUDDEN = "tight at one place"
    UNREPEATED = "passes not repeated"
    THROWN = "tight spot not settled"
    TOO_QUICK = "quick passes left out"


@dataclass(frozen=True, kw_only=True)
class CycleFlag:
    """One named refusal or warning.

    Attributes:
        name: Which one.
        disabling: True when no lash may be taken from the run.
        sentence: What happened and what to do next, for the technician.
        numbers: The figures behind it; units stand in the keys.
    """

    name: CycleFlagName
    disabling: bool
    sentence: str
    numbers: Mapping[str, float] = field(default_factory=dict)


_OF_TIMES = (
    " Or times of two streams that are held up differently: turn slower, or use a board that takes both "
    "counts together."
)


def encoder_fault(gear_set: GearSet, advance: Advance) -> CycleFlag | None:
    """Name what the encoders are, when gear and pinion do not turn in the ratio of the teeth."""
    ends = max(advance.place.size // 20, 1)

    def turned(place: Floats) -> float:
        return float(np.median(place[-ends:]) - np.median(place[:ends]))

    pinion = turned(advance.place)
    seen = turned(advance.gear_place) / pinion
    # Half a tooth of lash and of eccentric encoders is forgiven.
    tolerance = max(RATIO_TOLERANCE, 0.5 / abs(pinion))
    if abs(seen - 1.0) <= tolerance:
        return _other_teeth(advance)
    ratio = abs(seen) * gear_set.pinion_teeth / gear_set.gear_teeth
    told = (
        f"the gear turned {ratio:.4f} turns for each turn of the pinion, not "
        f"{gear_set.pinion_teeth}/{gear_set.gear_teeth}"
    )
    swapped = (gear_set.gear_teeth / gear_set.pinion_teeth) ** 2
    name = CycleFlagName.WRONG_COUNTS
    sentence = (
        f"The angles do not fit the teeth: {told}. Either the pinion's encoder has {1 / abs(seen):.5g} "
        f"times the counts per turn that are given, or the gear's has {abs(seen):.5g} times; or an "
        "encoder slips on its shaft, or the tooth counts are wrong."
    )
    if abs(seen + 1.0) <= tolerance:
        name = CycleFlagName.WRONG_SENSE
        sentence = (
            "One encoder counts backwards: gear and pinion turn in the right ratio, but opposite ways. "
            "Turn the sense of one of them in the stand file."
        )
    elif abs(abs(seen) / swapped - 1.0) <= 0.02:
        name = CycleFlagName.SWAPPED
        sentence = f"The encoders seem to be on each other's shaft: {told}. Exchange them in the stand file."
    return CycleFlag(
        name=name, disabling=True, sentence=sentence, numbers={"gear_turns_per_pinion_turn": ratio}
    )


def _other_teeth(advance: Advance) -> CycleFlag | None:
    """The right ratio, but not the teeth that are said to meet: tooth numbers would be wrong."""
    teeth = float(np.median(advance.advance_mm)) / advance.arc_mm
    if abs(teeth) <= 0.5:
        return None
    return CycleFlag(
        name=CycleFlagName.OTHER_TEETH,
        disabling=True,
        sentence=(
            f"The gear stands {teeth:+.1f} teeth from where the pinion's angle puts it. An encoder was set "
            "to zero at other teeth, or a coupling slipped since: bring the matched teeth together and set "
            "both anew."
        ),
        numbers={"teeth": teeth},
    )


def jump(teeth: ToothSum, cells: Cells, *, latched: bool) -> CycleFlag | None:
    """A level that moves within a pass and stays, which no tooth can do."""
    # In the order of time; a pass may begin anywhere in the cycle.
    seen = np.flatnonzero(cells.seen.ravel())
    in_time = seen[np.argsort(cells.time_s.ravel()[seen], kind="stable")]
    if teeth.visits < FEW_VISITS:
        return _step(cells.advance_mm.ravel()[in_time], in_time // PHASES, latched=latched)
    off = cells.advance_mm - teeth.fit_robustly(cells.advance_mm, cells.weight)
    parts = np.array_split(off.ravel()[in_time], min(BLOCKS, max(in_time.size // PHASES, 2)))
    level = np.array([float(np.median(part)) for part in parts])
    before = np.arange(1, level.size)
    after = level.size - before
    sums = np.cumsum(level)[:-1]
    shift = np.abs(sums / before - (level.sum() - sums) / after)
    sigma = 1.4826 * float(np.median(np.abs(np.diff(level)))) / sqrt(2)
    limit = np.maximum(JUMP_SIGMAS * sigma * np.sqrt(1 / before + 1 / after), LEAST_JUMP_MM)
    worst = int((shift / limit).argmax())
    if shift[worst] < limit[worst]:
        return None
    begins = min(sum(part.size for part in parts[: worst + 1]), in_time.size - 1)
    return _jump_flag(float(shift[worst]), int(in_time[begins]) // PHASES, latched=latched)


def not_closed(
    cycle: MeshCycle, advances: Sequence[Advance], found: Disturbances, *, latched: bool
) -> CycleFlag | None:
    """In most passes the gear stands elsewhere when the same teeth meet again after a whole cycle."""
    drift = found.drift_mm_per_s.value
    drift = drift if abs(drift) < MOST_DRIFT_MM_PER_S else 0.0  # else it is none
    ends = []
    for advance in advances:
        off, spread = closing_mm(cycle, advance)
        speed = float(np.median(advance.speed_mm_per_s))
        by_skew = abs(speed) * found.skew_s.standard_uncertainty  # whose speed is another at the end
        ends.append((abs(off - drift * cycle.length * advance.arc_mm / speed), hypot(spread, by_skew)))
    # What happened in one pass alone is seen by the others: the lower half has to be open too.
    off, spread = sorted(ends)[(len(ends) - 1) // 2]
    if off < max(LEAST_OPEN_MM, JUMP_SIGMAS * spread):
        return None
    return CycleFlag(
        name=CycleFlagName.NOT_CLOSED,
        disabling=True,
        sentence=(
            "After a whole mesh cycle the same teeth meet again, and the gear stands "
            f"{off:.3f} mm elsewhere at the pitch circle. Either both encoders have other counts per "
            "turn than are given, or the tooth counts are wrong, or a coupling slipped."
            f"{'' if latched else _OF_TIMES}"
        ),
        numbers={"off_mm": off},
    )


def _step(advance_mm: Floats, engagement: NDArray[np.int64], *, latched: bool) -> CycleFlag | None:
    """Where runout cannot be told from a movement: only a step that no tooth spacing makes is seen."""
    step = np.abs(np.diff(advance_mm))
    worst = int(step.argmax())
    if step[worst] < max(LEAST_STEP_MM, STEP_MEDIANS * float(np.median(step))):
        return None
    return _jump_flag(float(step[worst]), int(engagement[worst]), latched=latched)


def _jump_flag(jump_mm: float, engagement: int, *, latched: bool) -> CycleFlag:
    return CycleFlag(
        name=CycleFlagName.JUMP,
        disabling=True,
        sentence=(
            f"The gear's angle moved against the pinion's by {jump_mm:.3f} mm at the pitch circle about "
            f"engagement {engagement} and stayed there. An encoder or its coupling slipped, or counts "
            "were lost: tighten the couplings, look at the cables, and run the pass again."
            f"{'' if latched else _OF_TIMES}"
        ),
        numbers={"jump_mm": jump_mm, "engagement": float(engagement)},
    )


def times_flag(pace: EvenPace, advances: Sequence[Advance]) -> CycleFlag | None:
    """Say that times are known too badly for anything else to be looked for in such passes."""
    speed = float(np.mean([abs(np.median(one.speed_mm_per_s)) for one in advances]))
    moved_mm = 2 * speed * pace.uncertainty_s
    if moved_mm <= USELESS_SKEW_MM:
        return None
    return CycleFlag(
        name=CycleFlagName.SKEW_UNPROVEN,
        disabling=True,
        sentence=(
            "How late one encoder's angles come against the other's differs from pass to pass by "
            f"{1e3 * pace.uncertainty_s:.2f} ms (standard uncertainty), which moves lash by "
            f"{moved_mm:.3f} mm.{_of_moves(pace.uncertainty_s, in_step=pace.in_step)} Turn "
            "slower, or use a counter that takes both counts together."
        ),
        numbers={"moved_mm": moved_mm, "times_s": pace.uncertainty_s},
    )


def skew_flag(found: Disturbances, passes: Passes) -> CycleFlag | None:
    """Say that the time between the two streams is not known well enough, and by how much."""
    skew = found.skew_s
    moved_mm = 2 * passes.typical_speed_mm_per_s * skew.standard_uncertainty
    if not skew.known:
        words, disabling = "All passes have one steady speed, so that it cannot be found.", True
    elif found.skew_ways_apart > WAYS_APART:
        words, disabling = (
            "The difference between the passes and their own speeds contradict each other.",
            True,
        )
    elif moved_mm > SKEW_MM:
        words = (
            f"It is known to {1e3 * skew.standard_uncertainty:.3f} ms, which moves lash by {moved_mm:.4f} mm."
        )
        disabling = moved_mm > USELESS_SKEW_MM
    else:
        return None
    return CycleFlag(
        name=CycleFlagName.SKEW_UNPROVEN,
        disabling=disabling,
        sentence=(
            f"How late one encoder's angles come against the other's is unproven. {words} Run a second "
            "pair of passes at another, slower speed, or use a counter that takes both counts together."
            f"{_of_packets(found.packet_s)}{_of_moves(found.moved_s, in_step=found.in_step)}"
        ),
        numbers={} if not skew.known else {"moved_mm": moved_mm},
    )


def _of_packets(packet_s: float) -> str:
    if packet_s == 0.0:
        return ""
    return (
        f" Angles bear the time of the packet they came in, one every {1e3 * packet_s:.1f} ms: have the "
        "adapter send each by itself (latency timer), or give times that are the angles' own."
    )


def _of_moves(moved_s: float, *, in_step: bool) -> str:
    if in_step:
        return (
            " Deliveries keep step with the samples, so that nobody sees where within a sample a time lies: "
            "give the encoder another rate than its adapter's."
        )
    if moved_s < TELLING_MOVE_S:
        return ""
    return (
        f" Times moved against the even pace of the angles, and are known to {1e3 * moved_s:.2f} ms: reads "
        "came late now and then. Leave the computer alone while the box turns, and read more often."
    )


def contact_flag(kept: list[Cells]) -> CycleFlag | None:
    """Say how much of a pass was cut out because the gear had left the flank."""
    share = max(float(one.lost.sum() / max((one.seen | one.lost).sum(), 1)) for one in kept)
    if share == 0.0:
        return None
    too_much = share > MOST_LOST
    then = (
        " Brake it harder or turn more evenly, and run the pass again."
        if too_much
        else " Where it flew by less, play looks smaller than it is, by some µm: turn slower if that matters."
    )
    return CycleFlag(
        name=CycleFlagName.CONTACT_LOST,
        disabling=too_much,
        sentence=f"The gear left the flank in {100 * share:.2g} % of a pass; that was cut out.{then}",
        numbers={"share": share},
    )


def flown_flag(ahead_mm: float, engagement: int) -> CycleFlag:
    """Say that the gear flew further in the quicker pass at the tooth of the tightest place."""
    return CycleFlag(
        name=CycleFlagName.THROWN,
        disabling=False,
        sentence=(
            f"The tight spot is not settled: about engagement {engagement} the gear ran {ahead_mm:.4f} mm "
            "further ahead in the quicker pass, every time this tooth came by. A tooth that is too thick "
            "throws it off its flank, and play then looks smaller than it is, beside that tooth too."
        ),
        numbers={"ahead_mm": ahead_mm, "engagement": float(engagement)},
    )


def too_quick_flag(left_out: int, slower_mm_per_s: float) -> CycleFlag:
    """Say that quick passes were left out, since the gear flew in them."""
    return CycleFlag(
        name=CycleFlagName.TOO_QUICK,
        disabling=False,
        sentence=(
            f"{left_out} quick passes were left out: the gear flew off its flank in them where it is "
            f"tightest. The slower ones, up to {slower_mm_per_s:.0f} mm/s at the pitch circle, agree there."
        ),
        numbers={"left_out": float(left_out), "slower_mm_per_s": slower_mm_per_s},
    )


def speeds_alike_flag(thick_mm: float, engagement: int) -> CycleFlag:
    """Say that nobody can tell whether a thick tooth threw the gear."""
    return CycleFlag(
        name=CycleFlagName.THROWN,
        disabling=False,
        sentence=(
            f"The tight spot is not settled: about engagement {engagement} play is {thick_mm:.3f} mm less "
            "than around it, and a tooth so thick may throw the gear off its flank. All passes of a flank "
            "have much the same speed, so that this does not show."
        ),
        numbers={"thick_mm": thick_mm, "engagement": float(engagement)},
    )


def lash_flags(lash_mm: Floats) -> Iterator[CycleFlag]:
    """Lash that cannot be one, or that a gear off its flank would make.

    Args:
        lash_mm: Shape (m, PHASES), before any rock lifts it; NaN where it is not known.
    """
    typical = float(np.nanmedian(lash_mm))
    tight = int(np.nanargmin(lash_mm))
    least, engagement = float(lash_mm.flat[tight]), tight // PHASES
    if typical < -LEAST_LASH_MM:
        yield CycleFlag(
            name=CycleFlagName.DRIVEN_BY_GEAR,
            disabling=True,
            sentence=(
                "The lash comes out negative: the gear drove the pinion. Brake the gear and turn the "
                "pinion, in both directions."
            ),
            numbers={"typical_mm": typical},
        )
    elif typical < LEAST_LASH_MM:
        yield CycleFlag(
            name=CycleFlagName.ONE_FLANK,
            disabling=True,
            sentence=(
                f"Both directions ran on the same flank, or the set has no lash: {typical:.4f} mm. "
                "Is the brake on the gear's shaft, and closed?"
            ),
            numbers={"typical_mm": typical},
        )
    elif least < max(LEAST_LASH_MM, ONE_FLANK_SHARE * typical):
        yield CycleFlag(
            name=CycleFlagName.ONE_FLANK,
            disabling=True,
            sentence=(
                f"About engagement {engagement} both directions ran on the same flank, or there is no lash: "
                f"{least:.4f} mm, and {typical:.4f} mm elsewhere. Brake the gear harder, turn more evenly, "
                "and rock there."
            ),
            numbers={"least_mm": least, "engagement": float(engagement)},
        )
    elif (dip := _dip(lash_mm.ravel(), tight)) > max(DIP_MM, DIP_SHARE * typical):
        yield CycleFlag(
            name=CycleFlagName.SUDDEN,
            disabling=False,
            sentence=(
                f"About engagement {engagement} play is {dip:.3f} mm less than at the next teeth on either "
                "side: a tooth is off by that, or something lies on it, or the gear left its flank there in "
                "both directions. Rock there."
            ),
            numbers={"dip_mm": dip, "engagement": float(engagement)},
        )


def _dip(lash_mm: Floats, tight: int) -> float:
    """How far the tightest cell lies below the loosest of `DIP_CELLS` on either side."""
    before, after = (
        float(np.nanmax(np.take(lash_mm, np.arange(tight, tight + step * DIP_CELLS, step), mode="wrap")))
        for step in (-1, 1)
    )
    return min(before, after) - float(lash_mm[tight])


def repeat_flags(between_passes_mm: float, cell_mm: float, *, latched: bool) -> Iterator[CycleFlag]:
    """Passes that do not repeat, and angles that scatter.

    Args:
        between_passes_mm: Standard deviation of an engagement between passes of one flank.
        cell_mm: Of one cell of one pass.
        latched: Both counts were taken at the same instants, so that times are no cause.
    """
    if between_passes_mm > UNSTEADY_MM:
        yield CycleFlag(
            name=CycleFlagName.UNSTEADY,
            disabling=True,
            sentence=(
                f"Passes of the same flank differ by {between_passes_mm:.4f} mm at the same teeth. Is "
                f"the brake steady, and are couplings and bearings tight?{'' if latched else _OF_TIMES}"
            ),
            numbers={"deviation_mm": between_passes_mm},
        )
    elif cell_mm > SCATTER_MM:
        yield CycleFlag(
            name=CycleFlagName.SCATTER,
            disabling=True,
            sentence=(
                f"Angles scatter by {cell_mm:.4f} mm at the pitch circle where one pass sees a flank once: a "
                "gear off its flank would not show. Turn slower, or take more samples a second"
                f"{'.' if latched else ', or use a board that takes both counts together.'}"
            ),
            numbers={"deviation_mm": cell_mm},
        )


def drift_flag(found: Disturbances) -> CycleFlag | None:
    """Say that passes moved against each other by more than any temperature makes."""
    drift = found.drift_mm_per_s
    if not drift.known or abs(drift.value) < max(
        MOST_DRIFT_MM_PER_S, JUMP_SIGMAS * drift.standard_uncertainty
    ):
        return None
    return CycleFlag(
        name=CycleFlagName.JUMP,
        disabling=True,
        sentence=(
            f"From pass to pass the gear's angle moved against the pinion's, by {1e3 * drift.value:.2f} µm a "
            "second at the pitch circle. An encoder or its coupling slips, or counts are lost: tighten the "
            "couplings, look at the cables, and run all passes again."
        ),
        numbers={"drift_mm_per_s": drift.value},
    )


def teeth_flag(flanks: Sequence[Kept]) -> CycleFlag | None:
    """Say that what repeats does not go with the teeth."""
    worst = max(flanks, key=lambda one: one.own_mm)
    if worst.own_mm < max(OWN_MM, OWN_SHARE * worst.by_teeth_mm):
        return None
    return CycleFlag(
        name=CycleFlagName.NOT_OF_TEETH,
        disabling=True,
        sentence=(
            f"What the passes repeat does not go with the teeth: {worst.own_mm:.4f} mm at the pitch circle "
            "that no two teeth explain. Either both encoders have other counts per turn than are given, or "
            "the tooth counts are wrong, or the gear left its flank at the same angles in every pass."
        ),
        numbers={"own_mm": worst.own_mm},
    )


def turns_flag(teeth: ToothSum, cycle: MeshCycle, flanks: Sequence[Kept]) -> CycleFlag | None:
    """Say that what comes once a turn comes again after another angle than a turn, on either shaft.

    Both encoders with other counts than given, by the same factor, turn in the right ratio. But runout of the
    teeth and of the encoders' mounts then has a period of its own: cos((1 + e) w x) is cos(w x) less
    e w x sin(w x) for a small e (derived), and no teeth that come again make that.
    """
    advance = np.mean([one.values for one in flanks], axis=0)
    place = (np.arange(advance.size).reshape(advance.shape) / PHASES) - cycle.length / 2
    by_period = np.zeros_like(advance)
    for member in (cycle.pinion_teeth, cycle.gear_teeth):
        turn = np.exp(2j * np.pi * place / member)
        by_period += np.real(2 * np.mean(advance * np.conj(turn)) * 1j * turn) * 2 * np.pi * place / member
    even = np.ones_like(advance)
    left, column = (one - teeth.fit(one, even) for one in (advance, by_period))
    power = float((column**2).sum())
    stretch = float((left * column).sum()) / max(power, 1e-300)
    explains = stretch**2 * power / max(float((left**2).sum()), 1e-300)
    if abs(stretch) < LEAST_STRETCH or explains < STRETCH_EXPLAINS:
        return None
    return CycleFlag(
        name=CycleFlagName.WRONG_COUNTS,
        disabling=True,
        sentence=(
            f"What comes once a turn comes again after {100 / (1 + stretch):.1f} % of a turn on both shafts. "
            "Both encoders have other counts per turn than are given, by the same factor, or the tooth "
            "counts are wrong: look at the plates of the encoders and at the stand file."
        ),
        numbers={"turn_share": 1 / (1 + stretch)},
    )


def unrepeated_flag() -> CycleFlag:
    """Say that nothing was seen twice, so that scatter does not show."""
    return CycleFlag(
        name=CycleFlagName.UNREPEATED,
        disabling=True,
        sentence=(
            "Each pair of teeth of this set meets once in the mesh cycle, and was turned through once each "
            "way: nothing shows how well a pass repeats. Run a second pair of passes."
        ),
    )


def missing_flag(seen: Booleans, known: Booleans) -> CycleFlag | None:
    """Say how much of the mesh cycle was not turned through.

    Args:
        seen: Shape (m,), engagements seen on both flanks.
        known: Shape (m,), those of which a lash can be said.
    """
    missing, unknown = int((~seen).sum()), int((~known).sum())
    if not missing:
        return None
    if unknown == known.size:
        return CycleFlag(
            name=CycleFlagName.PART_OF_CYCLE,
            disabling=True,
            sentence=(
                "At no engagement are both flanks known: the passes forward and back met other teeth. "
                "Turn back over the engagements that were turned through forward."
            ),
            numbers={"missing": float(missing), "unknown": float(unknown)},
        )
    rest = (
        f"for {unknown} of them not even their teeth were met"
        if unknown
        else "their teeth were met elsewhere, and what they add up to is taken"
    )
    return CycleFlag(
        name=CycleFlagName.PART_OF_CYCLE,
        disabling=False,
        sentence=(
            f"{missing} of {seen.size} engagements were not seen on both flanks; {rest}. Turn on until "
            "the whole mesh cycle is seen."
        ),
        numbers={"missing": float(missing), "unknown": float(unknown)},
    )


def not_tied_flag() -> CycleFlag:
    """Say that no rock ties the level."""
    return CycleFlag(
        name=CycleFlagName.NOT_TIED,
        disabling=False,
        sentence=(
            "No rock ties the level of the lash: what the brake winds up is taken from memory. Rock at "
            "three to six places without the brake, the tight spot among them."
        ),
    )


def rocks_flag(mean_mm: float, farthest_mm: float) -> CycleFlag:
    """Say that rocks and curve do not go together."""
    return CycleFlag(
        name=CycleFlagName.ROCKS_DISAGREE,
        disabling=False,
        sentence=(
            f"Rocks and cycle run disagree: the rocks lie {mean_mm:+.4f} mm from the curve, the farthest "
            f"{farthest_mm:+.4f} mm. One of the two methods is wrong here; rock these places again."
        ),
        numbers={"apart_mm": mean_mm, "farthest_mm": farthest_mm},
    )
