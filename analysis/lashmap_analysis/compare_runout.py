"""What changed in a member's once-per-turn part of the backlash, as a vector.

Amplitudes alone would hide a high point that moved: the difference is taken of amplitude and angle together.
An amplitude of a difference is never negative, so chance alone makes some; whether it is shown is decided on
both components (chi-square with two degrees of freedom), not on the amplitude.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.lash_model import PatternModel
from lashmap_analysis.mesh_cycle import MeshCycle
from lashmap_analysis.once_per_turn import merged_functional
from lashmap_analysis.separability import wave_functional

if TYPE_CHECKING:
    from lashmap_analysis.compare import Build, Contribution
    from lashmap_analysis.lash_map import LashMap

Floats = NDArray[np.float64]
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
    one, other = first.assessment.lash_map, second.assessment.lash_map
    if one is None or other is None or one.posterior is None or other.posterior is None:
        return ()
    if one.merged_runout is not None and other.merged_runout is not None:
        return (_difference("both members", one, other, set_up),)
    members: tuple[Member, ...] = ("gear", "pinion")
    return tuple(
        _difference(member, one, other, set_up)
        for member in members
        if getattr(one.separable, member) and getattr(other.separable, member)
    )


def _difference(
    member: Member, one: LashMap, other: LashMap, set_up: tuple[Contribution, ...]
) -> RunoutDifference:
    (before, before_cov), (after, after_cov) = _vector(one, member), _vector(other, member)
    apart = [line for line in set_up if not line.common]
    scales = [
        math.hypot(*((getattr(line, side) or 0.0) for line in apart)) / abs(lash_map.mean_mm or 1.0)
        for side, lash_map in (("first_mm", one), ("second_mm", other))
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


def _vector(lash_map: LashMap, member: Member) -> tuple[Floats, Floats]:
    """Cosine and sine amplitude in mm, shape (2,), and their covariance, shape (2, 2)."""
    gear_set, patterns = lash_map.gear_set, lash_map.posterior
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
