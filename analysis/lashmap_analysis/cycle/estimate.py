"""What differences in speed, time and brake tell: skew between the streams, drift and wind-up.

Decided here: how each is found, and with what uncertainty.  Not decided here: what lash is left when they
are taken out (`cycle/cycle.py`, which has the model).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot, inf, sqrt

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.cycle.cells import FEW_VISITS, Cells, ToothSum

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

BLOCKS = 40
"""Parts of a cycle within which errors may be alike."""
# What a pass as a whole may be off by, beside skew, torque and drift: friction that differs from one pass to
# the next (from memory).
PASS_MM = 0.0005
LEAST_RIPPLE = 0.01  # of the speed, beside what repeats with the teeth: with less, one pass tells no skew
DIFFERS = 1e-9  # of a column's power that has to lie between the passes of a flank
TOLD_APART = 1e-3  # of a column's power that the columns before it must leave


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """A figure with its standard uncertainty; infinite where it could not be estimated."""

    value: float
    standard_uncertainty: float

    @property
    def known(self) -> bool:
        """Whether there is an estimate."""
        return self.standard_uncertainty < inf


NONE = Estimate(value=0.0, standard_uncertainty=0.0)
UNKNOWN = Estimate(value=0.0, standard_uncertainty=inf)


class Passes:
    """All passes of a run in cells: arrays of shape (passes, m, PHASES), 0 where nothing was seen.

    Attributes:
        flank: Shape (passes,), 0 for drive and 1 for coast.
        weight: One over the variance of each cell, 1/mm².
        advance_mm: As in `Cells`.
        speed_mm_per_s: As in `Cells`.
        time_s: About its mean.
        torque_nm: Of the brake, negative forward, as it winds up: the gear trails.
        gear_turn: Shape (m, PHASES), angle of the gear, in radians.
        brakes_known: Whether every pass has one.
    """

    def __init__(self, passes: Sequence[Cells], flank: Integers, teeth: ToothSum) -> None:
        self.flank, self.teeth = flank, teeth
        self.weight: Floats = np.stack([one.weight for one in passes])
        seen = self.weight > 0
        self.advance_mm = np.where(seen, np.stack([one.advance_mm for one in passes]), 0.0)
        self.speed_mm_per_s = np.where(seen, np.stack([one.speed_mm_per_s for one in passes]), 0.0)
        time = np.stack([one.time_s for one in passes])
        self.time_s = np.where(seen, time - time[seen].mean(), 0.0)
        brakes = [(-1.0 if one.forward else 1.0) * (one.brake_nm or 0.0) for one in passes]
        self.torque_nm = np.where(seen, np.array(brakes)[:, np.newaxis, np.newaxis], 0.0)
        self.gear_turn = teeth.gear_turn
        self.brakes_known = all(one.brake_nm is not None for one in passes)

    @property
    def typical_speed_mm_per_s(self) -> float:
        """Mean of the gear's speed, in either direction."""
        return float((np.abs(self.speed_mm_per_s) * self.weight).sum() / self.weight.sum())

    @property
    def typical_torque_nm(self) -> float:
        """Mean of the brake's torque, in either direction."""
        return float((np.abs(self.torque_nm) * self.weight).sum() / self.weight.sum())

    def mean_time_s(self, flank: int) -> float:
        """When a flank was seen, on average."""
        rows = self.flank == flank
        return float((self.time_s[rows] * self.weight[rows]).sum() / self.weight[rows].sum())

    def within(self, values: Floats) -> Floats:
        """Values in each cell less their mean over the passes of the flank, 0 where none or one saw it."""
        left = np.zeros_like(values)
        for side in (0, 1):
            rows = self.flank == side
            weight = self.weight[rows]
            mean = (weight * values[rows]).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-300)
            several = (weight > 0) & ((weight > 0).sum(axis=0) > 1)
            left[rows] = np.where(several, values[rows] - mean, 0.0)
        return left

    def beside_teeth(self, values: Floats) -> Floats:
        """Values less what two teeth add up to within each pass, 0 where nothing was seen."""
        return np.stack(
            [
                np.where(weight > 0, one - self.teeth.fit(one, weight), 0.0)
                for one, weight in zip(values, self.weight, strict=True)
            ]
        )


@dataclass(frozen=True, kw_only=True)
class Disturbances:
    """What is taken out of the advance before two flanks are compared.

    Attributes:
        skew_s: By how much the gear's times are late; exactly none for counts that were latched together.
        skew_ways_apart: How many of their standard uncertainties the two ways of finding the skew differ by.
        drift_mm_per_s: Of the advance.
        wind_up_mm_per_nm: Trailing of the gear for each N m.
        swing_mm_per_nm: What of that changes with the gear's angle, as of a brake out of true: cosine and
            sine parts of once a turn.
        packet_s: Distance between packets whose time stands for that of all angles in them; 0 where each
            angle has a time of its own. Where in its packet an angle lies is in the uncertainty of the skew.
        moved_s: Standard uncertainty of the skew of a single pass, as far as it differs from pass to pass.
        in_step: Deliveries of a stream kept step with its samples, which is why.
    """

    skew_s: Estimate
    skew_ways_apart: float
    drift_mm_per_s: Estimate
    wind_up_mm_per_nm: Estimate
    swing_mm_per_nm: tuple[Estimate, Estimate]
    packet_s: float = 0.0
    moved_s: float = 0.0
    in_step: bool = False

    def with_skew(self, already_s: float, packet_s: float, *, in_step: bool) -> Disturbances:
        """The same with a skew that was taken out before, of streams that came in packets or in step."""
        # Rectangular, in both streams; packets may keep step with the samples, so that no mean helps.
        own = hypot(self.skew_s.standard_uncertainty, packet_s * sqrt(2 / 12))
        skew = Estimate(value=self.skew_s.value + already_s, standard_uncertainty=own)
        return replace(self, skew_s=skew, packet_s=packet_s, in_step=in_step)

    def taken_out(self, passes: Passes) -> Floats:
        """The advance without them, mm."""
        return (
            passes.advance_mm
            + passes.speed_mm_per_s * self.skew_s.value
            - passes.time_s * self.drift_mm_per_s.value
            - passes.torque_nm * self.wind_up_mm_per_nm.value
            - passes.torque_nm
            * (
                self.swing_mm_per_nm[0].value * np.cos(passes.gear_turn)
                + self.swing_mm_per_nm[1].value * np.sin(passes.gear_turn)
            )
        )


def find_disturbances(passes: Passes, *, latched: bool, moved_s: float = 0.0) -> Disturbances:
    """Find skew, drift and wind-up.

    Args:
        passes: All of them.
        latched: Whether both counts were taken together, so that there is no skew.
        moved_s: As in `Disturbances`.
    """
    columns: dict[str, Floats] = {} if latched else {"skew": -passes.speed_mm_per_s}
    columns["drift"] = passes.time_s
    if passes.brakes_known:
        columns["wind-up"] = passes.torque_nm
        columns["cosine"] = passes.torque_nm * np.cos(passes.gear_turn)
        columns["sine"] = passes.torque_nm * np.sin(passes.gear_turn)
    within = {name: passes.within(column) for name, column in columns.items()}
    # Passes that do not differ leave rounding alone.
    within = {
        name: column
        for name, column in within.items()
        if float((passes.weight * column**2).sum())
        > DIFFERS * float((passes.weight * columns[name] ** 2).sum())
    }
    found = dict.fromkeys(("skew", "drift", "wind-up", "cosine", "sine"), UNKNOWN)
    chosen = _told_apart(within, passes.weight)
    if chosen:
        design = np.stack([within[name] for name in chosen])
        blocks = passes.flank[:, np.newaxis] * BLOCKS + _blocks(passes.weight.shape[1])
        left = passes.within(passes.advance_mm)
        values, covariance = _clustered(design, left, passes.weight, blocks)
        covariance = covariance + _pass_scatter(design, passes, moved_s)
        for name, value, variance in zip(chosen, values, np.diag(covariance), strict=True):
            found[name] = Estimate(value=float(value), standard_uncertainty=sqrt(float(variance)))
    skew, apart = (NONE, 0.0) if latched else _both(found["skew"], _skew_within_passes(passes, moved_s))
    return Disturbances(
        skew_s=skew,
        skew_ways_apart=apart,
        drift_mm_per_s=found["drift"],
        wind_up_mm_per_nm=found["wind-up"],
        swing_mm_per_nm=(found["cosine"], found["sine"]),
        moved_s=moved_s,
    )


def _skew_within_passes(passes: Passes, moved_s: float) -> Estimate:
    """Skew from the variation of speed within each pass, against what two teeth add up to."""
    if passes.teeth.visits < FEW_VISITS:
        return UNKNOWN
    speed = passes.beside_teeth(-passes.speed_mm_per_s)
    ripple = sqrt(float((passes.weight * speed**2).sum() / passes.weight.sum()))
    if ripple < LEAST_RIPPLE * passes.typical_speed_mm_per_s:
        return UNKNOWN
    design = np.stack([speed, passes.beside_teeth(passes.time_s)])
    blocks = np.arange(len(passes.flank))[:, np.newaxis] * BLOCKS + _blocks(passes.weight.shape[1])
    values, covariance = _clustered(design, passes.beside_teeth(passes.advance_mm), passes.weight, blocks)
    # No mean over passes helps: what stamped them may have been off alike in most.
    return Estimate(value=float(values[0]), standard_uncertainty=hypot(sqrt(covariance[0, 0]), moved_s))


def _both(one: Estimate, other: Estimate) -> tuple[Estimate, float]:
    """Weighted mean of two ways, and how many standard uncertainties they differ by.

    Where they differ by more than two, the mean's uncertainty grows with it.
    """
    ways = [way for way in (one, other) if way.known]
    if not ways:
        return UNKNOWN, 0.0
    weights = np.array([1 / way.standard_uncertainty**2 for way in ways])
    value = float(weights @ [way.value for way in ways] / weights.sum())
    apart = 0.0
    if len(ways) > 1:
        apart = abs(one.value - other.value) / hypot(one.standard_uncertainty, other.standard_uncertainty)
    spread = max(apart / 2, 1.0) / sqrt(float(weights.sum()))
    return Estimate(value=value, standard_uncertainty=spread), apart


def _blocks(length: int) -> Integers:
    """Block of each engagement, shape (length,)."""
    blocks: Integers = np.arange(length) * BLOCKS // length
    return blocks


def _told_apart(columns: dict[str, Floats], weight: Floats) -> list[str]:
    """Columns that vary, each by more than those before it explain."""
    chosen: list[str] = []
    for name, column in columns.items():
        power = float((weight * column**2).sum())
        rest = column
        if chosen:
            design = np.stack([columns[one] for one in chosen])
            along = np.linalg.solve(_normal(design, weight), _projected(design, weight, column))
            rest = column - np.einsum("a,apmc->pmc", along, design)
        if float((weight * rest**2).sum()) > TOLD_APART * power:
            chosen.append(name)
    return chosen


def _normal(design: Floats, weight: Floats) -> Floats:
    return np.asarray(np.einsum("apmc,pmc,bpmc->ab", design, weight, design))


def _projected(design: Floats, weight: Floats, values: Floats) -> Floats:
    return np.asarray(np.einsum("apmc,pmc,pmc->a", design, weight, values))


def _clustered(design: Floats, values: Floats, weight: Floats, blocks: Integers) -> tuple[Floats, Floats]:
    """Weighted least squares, with a covariance that allows errors to be alike within blocks.

    The covariance is the sandwich with its small-sample factor G / (G − 1) (Liang & Zeger, Biometrika 73,
    1986, 13–22; *from memory*).

    Args:
        design: Shape (parameters, passes, m, PHASES).
        values: Shape (passes, m, PHASES).
        weight: Of the same shape.
        blocks: Shape (passes, m).
    """
    bread = np.linalg.inv(_normal(design, weight))
    found = bread @ _projected(design, weight, values)
    left = values - np.einsum("a,apmc->pmc", found, design)
    by_engagement = (weight * design * left).sum(axis=3)
    scores = np.stack([np.bincount(blocks.ravel(), row.ravel()) for row in by_engagement])
    used = int(np.count_nonzero(np.abs(scores).sum(axis=0)))
    meat = scores @ scores.T * (used / max(used - 1, 1))
    return np.asarray(found), np.asarray(bread @ meat @ bread)


def _pass_scatter(design: Floats, passes: Passes, moved_s: float) -> Floats:
    """Covariance of the parameters when each pass as a whole is off by `PASS_MM`, its skew by `moved_s`."""
    bread = np.linalg.inv(_normal(design, passes.weight))
    shift = np.einsum("apmc,pmc->pa", design, passes.weight) * PASS_MM
    by_skew = np.einsum("apmc,pmc->pa", design, passes.weight * passes.speed_mm_per_s) * moved_s
    return np.asarray(bread @ (shift.T @ shift + by_skew.T @ by_skew) @ bread)
