"""Two tests beside each other: what changed, and how well that is known.

Decided here: the difference of two tight spots, of two mean backlashes, of two lash maps and of what moves
once per turn, with their uncertainty; and whether shims did what was predicted. Words are chosen in
`judge/comparison.py`.

What both tests have in common does not make their difference uncertain. With the difference d = j2 − j1 and
an input that enters both, GUM 5.2.2 (and F.1.2.3 for the covariance, F.1.2.4 for a common influence taken as
an input of its own; from memory) gives |c2 − c1| u instead of √(c1² + c2²) u. It is taken to be the same
input only where the records say so:

- *indicator calibration*: the same serial number, certificate date and figure. The error is taken to be the
  same for both readings; an indicator whose error changes along its travel repeats it less, so `independent`
  counts it apart;
- *indicator hysteresis*: as the calibration;
- *temperature, end play, rock torque, roll phase*: found anew in every test, so independent;
- *touch radius, tip height, direction, lever*: set anew for every test, so independent, unless somebody says
  that the indicator stayed as it was (`same_set_up`);
- *spiral angle along the face*: a property of the design, so common where both boxes have the same gear set
  data and the tip looks the same way.

What repeats (rocks, fit of the lash map) is always independent.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.cycle.curve import LashCurve
from lashmap_analysis.errors import FieldError
from lashmap_analysis.gears.mesh_cycle import MeshCycle
from lashmap_analysis.judge.assessment import Assessment, Lash
from lashmap_analysis.judge.shims import ShimAdvice, shift_mm, shift_uncertainty_mm
from lashmap_analysis.judge.tight_spot import NORMAL_95
from lashmap_analysis.lash_map.lash_map import LashMap
from lashmap_analysis.lash_map.model import PatternModel
from lashmap_analysis.lash_map.once_per_turn import merged_functional, wave_functional
from lashmap_analysis.uncertainty.backlash import fixed_lines, random_line
from lashmap_analysis.uncertainty.budget import BudgetLine, combine
from lashmap_analysis.uncertainty.mesh_state import ROLL, SHIFTS, correction_mm
from lashmap_analysis.uncertainty.set_up import CALIBRATION, HYSTERESIS, SPIRAL

Floats = NDArray[np.float64]


class CompareError(FieldError):
    """Tests that cannot be compared as asked."""


@dataclass(frozen=True, kw_only=True)
class Build:
    """One test, and what the analysis of one test alone need not know.

    Attributes:
        assessment: What was concluded.
        indicator: Names the indicator and its certificate; empty when the record does not.
        gear_at_mm: Mounting distance of the gear as set; None when not recorded.
        pinion_at_mm: That of the pinion.
        advice: Shim advice for this test, from the recorded stock; None without one.
    """

    assessment: Assessment
    indicator: str = ""
    gear_at_mm: float | None = None
    pinion_at_mm: float | None = None
    advice: ShimAdvice | None = None

    @property
    def test(self) -> str:
        """Name of the test."""
        return self.assessment.record.identity.test


@dataclass(frozen=True, kw_only=True)
class Common:
    """Which inputs two tests share, beside what repeats.

    Attributes:
        calibration: The same indicator with the same certificate.
        set_up: The indicator was not touched between the tests.
        spiral: The same gear set data, seen along the same direction.
    """

    calibration: bool
    set_up: bool
    spiral: bool

    def holds(self, quantity: str) -> bool:
        """Whether a line of the budget is the same input in both."""
        if quantity in (CALIBRATION, HYSTERESIS):
            return self.calibration
        if quantity in SHIFTS:
            return False
        return self.spiral if quantity == SPIRAL else self.set_up


@dataclass(frozen=True, kw_only=True)
class Contribution:
    """One line of the budget of a difference.

    Attributes:
        quantity: What is uncertain.
        first_mm: Standard uncertainty it gives the first test; None where that test has no such line.
        second_mm: The same for the second.
        common: True when both are the same input, so that only their difference counts.
        together_mm: What it gives the difference.
    """

    quantity: str
    first_mm: float | None
    second_mm: float | None
    common: bool
    together_mm: float


@dataclass(frozen=True, kw_only=True)
class Difference:
    """Second less first, in mm of normal backlash.

    Attributes:
        value_mm: The difference.
        standard_uncertainty_mm: Combined.
        interval_mm: (low, high) at 95 %.
        contributions: The budget.
    """

    value_mm: float
    standard_uncertainty_mm: float
    interval_mm: tuple[float, float]
    contributions: tuple[Contribution, ...]

    @property
    def shown(self) -> bool:
        """True when the interval does not hold zero."""
        return not self.interval_mm[0] <= 0.0 <= self.interval_mm[1]


@dataclass(frozen=True, kw_only=True)
class MapDifference:
    """Second less first at every engagement of the mesh cycle, engagement 0 being the matched teeth.

    Attributes:
        value_mm: Shape (mesh cycle,).
        standard_uncertainty_mm: Shape (mesh cycle,): both maps' own, and the set-up's part of the difference.
    """

    value_mm: Floats
    standard_uncertainty_mm: Floats


def common_inputs(first: Build, second: Build, *, independent: bool, same_set_up: bool) -> Common:
    """What two tests share.

    Raises:
        CompareError: The indicator is said not to have been touched, but the records differ.
    """
    one, other = first.assessment.record, second.assessment.record
    if same_set_up and (
        one.gear_set != other.gear_set
        or replace(one.indicator, resolution_mm=1e-3) != replace(other.indicator, resolution_mm=1e-3)
    ):
        expected = "two tests whose gear set, touch radius, direction and certificate were recorded alike"
        raise CompareError("same_set_up", f"{first.test} and {second.test}", expected)
    return Common(
        calibration=not independent and bool(first.indicator) and first.indicator == second.indicator,
        set_up=same_set_up and not independent,
        spiral=not independent
        and one.gear_set == other.gear_set
        and one.indicator.direction == other.indicator.direction,
    )


def tight_spot_difference(first: Build, second: Build, common: Common) -> Difference | None:
    """Difference of the stated tight spots; None when one test states none.

    The interval keeps the skewness of both bands: the low end of the second and the high end of the first
    make the low end of the difference.
    """
    ends = []
    for build in (first, second):
        stated, budget, lash_map = (
            build.assessment.stated,
            build.assessment.budget,
            build.assessment.judged,
        )
        if stated is None or budget is None or lash_map is None:
            return None
        value, band = lash_map.tight_spot.backlash_mm, lash_map.tight_spot.band_mm
        ends.append((value, max(value - band[0], 0.0), max(band[1] - value, 0.0), budget.lines))
    (low_value, low_below, low_above, low_lines), (value, below, above, lines) = ends
    contributions, combined = _together(low_lines, lines, common)
    set_up = NORMAL_95 * hypot(*(one.together_mm for one in contributions[1:]))
    difference = value - low_value
    return Difference(
        value_mm=difference,
        standard_uncertainty_mm=combined,
        interval_mm=(
            difference - hypot(below, low_above, set_up),
            difference + hypot(above, low_below, set_up),
        ),
        contributions=contributions,
    )


def whole_lash(build: Build) -> Lash | None:
    """The lash that is judged, where it is known over the whole mesh cycle."""
    lash = build.assessment.judged
    return None if isinstance(lash, LashCurve) and not lash.whole else lash


def mean_difference(first: Build, second: Build, common: Common) -> Difference | None:
    """Difference of the mean backlashes over the mesh cycle; None when one test has no lash map."""
    one, other = whole_lash(first), whole_lash(second)
    if one is None or other is None:
        return None
    contributions, combined = _together(_mean_lines(first, one), _mean_lines(second, other), common)
    difference = _mean_mm(second, other) - _mean_mm(first, one)
    expanded = NORMAL_95 * combined
    return Difference(
        value_mm=difference,
        standard_uncertainty_mm=combined,
        interval_mm=(difference - expanded, difference + expanded),
        contributions=contributions,
    )


def map_difference(first: Build, second: Build, mean: Difference) -> MapDifference | None:
    """Difference of the lash maps; None when the tooth numbers differ, or one test has no lash map.

    Args:
        first: The test to compare with.
        second: The test compared.
        mean: Difference of their means, for the set-up's part.
    """
    one, other = whole_lash(first), whole_lash(second)
    if one is None or other is None or not same_teeth(first, second):
        return None
    engagements = np.arange(one.gear_set.mesh_cycle, dtype=np.int64)
    before, after = one.predict(engagements), other.predict(engagements)
    set_up = hypot(*(line.together_mm for line in mean.contributions[1:]))
    return MapDifference(
        value_mm=after.backlash_mm - before.backlash_mm,
        standard_uncertainty_mm=np.sqrt(
            before.standard_uncertainty_mm**2 + after.standard_uncertainty_mm**2 + set_up**2
        ),
    )


def same_teeth(first: Build, second: Build) -> bool:
    """Whether both sets have the same numbers of teeth, so that their maps can be laid over each other."""
    one, other = first.assessment.record.gear_set, second.assessment.record.gear_set
    return (one.pinion_teeth, one.gear_teeth) == (other.pinion_teeth, other.gear_teeth)


def _mean_mm(build: Build, lash: Lash) -> float:
    """Mean over the mesh cycle at the least roll phase, which a cycle run was not corrected to."""
    record = build.assessment.record
    if not lash.over_roll:
        return lash.mean_mm
    return lash.mean_mm + correction_mm(record.gear_set, record.indicator, record.conditions, of={ROLL})


def _mean_lines(build: Build, lash: Lash) -> tuple[BudgetLine, ...]:
    record = build.assessment.record
    repeats = random_line(
        normal_backlash_mm=lash.mean_mm,
        standard_uncertainty_mm=lash.mean_uncertainty_mm,
        degrees_of_freedom=np.inf,
        units=record.units,
        over_roll=lash.over_roll,
    )
    return (repeats, *fixed_lines(record.gear_set, record.indicator, record.conditions, lash.mean_mm))


def _together(
    first: Sequence[BudgetLine], second: Sequence[BudgetLine], common: Common
) -> tuple[tuple[Contribution, ...], float]:
    """Lines of both budgets, paired by what is uncertain; what repeats comes first in each."""
    repeats = " / ".join(dict.fromkeys((first[0].quantity, second[0].quantity)))
    one, other = (
        {repeats: lines[0], **{line.quantity: line for line in lines[1:]}} for lines in (first, second)
    )
    contributions = []
    for number, quantity in enumerate({**one, **other}):
        before, after = one.get(quantity), other.get(quantity)
        shared = number > 0 and before is not None and after is not None and common.holds(quantity)
        sizes = [0.0 if line is None else line.standard_uncertainty_mm for line in (before, after)]
        contributions.append(
            Contribution(
                quantity=quantity,
                first_mm=None if before is None else sizes[0],
                second_mm=None if after is None else sizes[1],
                common=shared,
                together_mm=abs(sizes[1] - sizes[0]) if shared else hypot(*sizes),
            )
        )
    total = combine(
        BudgetLine(
            quantity=one.quantity,
            value="",
            distribution="normal",
            standard_uncertainty_mm=one.together_mm,
            degrees_of_freedom=np.inf,
            source="",
        )
        for one in contributions
    )
    return tuple(contributions), total.combined_mm


# What changed in a member's once-per-turn part of the backlash, as a vector.
#
# Amplitudes alone would hide a high point that moved: the difference is taken of amplitude and angle
# together. An amplitude of a difference is never negative, so chance alone makes some; whether it is shown
# is decided on both components (chi-square with two degrees of freedom), not on the amplitude.


Member = Literal["gear", "pinion", "both members"]
CHI_SQUARE_95 = 5.991  # two degrees of freedom (tables; scipy.stats.chi2.ppf(0.95, 2))


@dataclass(frozen=True, kw_only=True)
class RunoutDifference:
    """Second less first, of one member.

    Attributes:
        member: Which; ``both members`` in a 1:1 set, where only the sum is known.
        first_mm: Amplitude in the first test, of normal backlash.
        second_mm: In the second.
        first_deg: High point in the first: angle of the member past the matched teeth that takes most away.
        second_deg: In the second.
        amplitude_mm: Of the difference.
        standard_uncertainty_mm: Of that, along its direction.
        high_point_deg: Angle at which the change takes most backlash away.
        shown: True when the change is more than chance explains at 95 %.
    """

    member: Member
    first_mm: float
    second_mm: float
    first_deg: float
    second_deg: float
    amplitude_mm: float
    standard_uncertainty_mm: float
    high_point_deg: float
    shown: bool


def runout_differences(
    first: Build, second: Build, set_up: tuple[Contribution, ...]
) -> tuple[RunoutDifference, ...]:
    """Differences of the members that stand by themselves in both tests.

    Args:
        first: The test to compare with.
        second: The test compared.
        set_up: Contributions to the difference of the means without what repeats; those that are not common
            scale every reading of a test alike.

    Returns:
        Nothing when a test has no lash map, or no member stands by itself in both.
    """
    one, other = whole_lash(first), whole_lash(second)
    if one is None or other is None or any(_of_hand(lash) for lash in (one, other)):
        return ()
    rocked_mm = _rocked_mean_mm(first, one), _rocked_mean_mm(second, other)
    if one.merged_runout is not None and other.merged_runout is not None:
        return (_difference("both members", one, other, set_up, rocked_mm),)
    members: tuple[Member, ...] = ("gear", "pinion")
    return tuple(
        _difference(member, one, other, set_up, rocked_mm)
        for member in members
        if getattr(one.separable, member) and getattr(other.separable, member)
    )


def _of_hand(lash: Lash) -> bool:
    return isinstance(lash, LashMap) and lash.posterior is None


def _rocked_mean_mm(build: Build, lash_map: Lash) -> float:
    """Size of the mean backlash before its corrections, with which the set-up's lines scale."""
    record = build.assessment.record
    shift_mm = correction_mm(record.gear_set, record.indicator, record.conditions)
    return abs(lash_map.mean_mm - shift_mm) or 1.0


def _difference(
    member: Member,
    one: Lash,
    other: Lash,
    set_up: tuple[Contribution, ...],
    rocked_mm: tuple[float, float],
) -> RunoutDifference:
    (before, before_cov), (after, after_cov) = _vector(one, member), _vector(other, member)
    apart = [line for line in set_up if not line.common and line.quantity not in SHIFTS]
    scales = [
        math.hypot(*((getattr(line, side) or 0.0) for line in apart)) / size_mm
        for side, size_mm in zip(("first_mm", "second_mm"), rocked_mm, strict=True)
    ]
    covariance = before_cov + after_cov
    covariance = (
        covariance + scales[0] ** 2 * np.outer(before, before) + scales[1] ** 2 * np.outer(after, after)
    )
    change = after - before
    size = float(np.hypot(*change))
    along = change / size if size > 0.0 else np.array([1.0, 0.0])
    return RunoutDifference(
        member=member,
        first_mm=float(np.hypot(*before)),
        second_mm=float(np.hypot(*after)),
        first_deg=_high_point(before),
        second_deg=_high_point(after),
        amplitude_mm=size,
        standard_uncertainty_mm=math.sqrt(max(float(along @ covariance @ along), 0.0)),
        high_point_deg=_high_point(change),
        shown=bool(change @ np.linalg.solve(covariance, change) > CHI_SQUARE_95),
    )


def _vector(lash: Lash, member: Member) -> tuple[Floats, Floats]:
    """Cosine and sine amplitude in mm, shape (2,), and their covariance, shape (2, 2)."""
    if not isinstance(lash, LashMap):
        runouts = {"gear": lash.gear_runout, "pinion": lash.pinion_runout, "both members": lash.merged_runout}
        found = runouts[member]
        if found is None:
            raise ValueError("a cycle run that knows every engagement is needed")
        high = math.radians(found.high_point_deg)
        part = -found.amplitude_mm * np.array([math.cos(high), math.sin(high)])
        return part, found.standard_uncertainty_mm**2 * np.eye(2)
    gear_set, patterns = lash.gear_set, lash.posterior
    if patterns is None:
        raise ValueError("a map made by fit_lash_map is needed")
    cycle = MeshCycle(pinion_teeth=gear_set.pinion_teeth, gear_teeth=gear_set.gear_teeth)
    model = PatternModel.of(cycle, 1.0)
    if member == "both members":
        weights = merged_functional(model)
    else:
        weights = wave_functional(model, 0 if member == "gear" else 1, 1)
    covariance = weights.T @ patterns.covariance_um2 @ weights
    return 1e-3 * (weights.T @ patterns.mean_um), 1e-6 * np.asarray(covariance)


def _high_point(vector: Floats) -> float:
    return (math.degrees(math.atan2(vector[1], vector[0])) + 180.0) % 360.0


# Did the shims do what was predicted? The recorded move of the members against the change that was found.
#
# The mean over the mesh cycle is compared, since a move shifts every engagement alike and the mean is known
# best.


Answer = Literal["came true", "did not come true", "settles nothing", "not moved", "not recorded"]

# A mounting distance is recorded to a hundredth of a millimetre, and a move is a difference of two of them:
# rectangular, twice (GUM F.2.2.1; the hundredth is common practice, no source).
MOVE_UNCERTAINTY_MM = 0.01 / sqrt(12) * sqrt(2)
SAME_MOVE_MM = 2 * MOVE_UNCERTAINTY_MM
LEAST_MOVE_MM = 1e-4


@dataclass(frozen=True, kw_only=True)
class ShimCheck:
    """Prediction against finding.

    Attributes:
        answer: ``settles nothing`` where no change at all would agree as well.
        gear_move_mm: Move of the gear away from the apex between the tests; None when not recorded.
        pinion_move_mm: That of the pinion.
        predicted_mm: Change of normal backlash that these moves should make; None when not recorded.
        predicted_uncertainty_mm: Its standard uncertainty.
        found_mm: Change of the mean backlash that was found.
        found_uncertainty_mm: Its standard uncertainty.
        advised: True when the first test's advice was a move, and the recorded move is that one; False when
            it is another; None when there was no such advice.
    """

    answer: Answer
    gear_move_mm: float | None
    pinion_move_mm: float | None
    predicted_mm: float | None = None
    predicted_uncertainty_mm: float | None = None
    found_mm: float | None = None
    found_uncertainty_mm: float | None = None
    advised: bool | None = None


def shim_check(first: Build, second: Build, mean: Difference | None) -> ShimCheck:
    """Compare the change that the recorded moves predict with the one found."""
    gear, pinion = _move(first.gear_at_mm, second.gear_at_mm), _move(first.pinion_at_mm, second.pinion_at_mm)
    if mean is None or (gear is None and pinion is None):
        return ShimCheck(answer="not recorded", gear_move_mm=gear, pinion_move_mm=pinion)
    moves = np.array([gear or 0.0]), np.array([pinion or 0.0])
    spread = tuple(np.where(np.abs(one) > LEAST_MOVE_MM, MOVE_UNCERTAINTY_MM, 0.0) for one in moves)
    gear_set = second.assessment.record.gear_set
    predicted = float(shift_mm(gear_set, *moves)[0])
    uncertainty = float(shift_uncertainty_mm(gear_set, moves, (spread[0], spread[1]))[0])
    allowed = NORMAL_95 * hypot(uncertainty, mean.standard_uncertainty_mm)
    agrees = abs(mean.value_mm - predicted) <= allowed
    answer: Answer = "came true" if agrees else "did not come true"
    if max(abs(float(one[0])) for one in moves) <= LEAST_MOVE_MM:
        answer = "not moved"
    elif agrees and not mean.shown:
        answer = "settles nothing"
    return ShimCheck(
        answer=answer,
        gear_move_mm=gear,
        pinion_move_mm=pinion,
        predicted_mm=predicted,
        predicted_uncertainty_mm=uncertainty,
        found_mm=mean.value_mm,
        found_uncertainty_mm=mean.standard_uncertainty_mm,
        advised=_as_advised(first, gear, pinion),
    )


def _move(before: float | None, after: float | None) -> float | None:
    return None if before is None or after is None else after - before


def _as_advised(first: Build, gear: float | None, pinion: float | None) -> bool | None:
    if first.advice is None or first.advice.answer != "move":
        return None
    wanted = {move.member: move.move_mm for move in first.advice.moves}
    made = {"gear": gear or 0.0, "pinion": pinion or 0.0}
    return all(abs(wanted.get(member, 0.0) - made[member]) <= SAME_MOVE_MM for member in ("gear", "pinion"))
