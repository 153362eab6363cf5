"""The model of a lash map: what each tooth brings, and what is believed about it before measuring.

Backlash at engagement k is ``G[k mod z2] + P[k mod z1]``: the *gear pattern* G (the constant is kept in it)
and the *pinion pattern* P.  Each pattern is once-per-turn + twice-per-turn + a deviation that neighbouring
teeth share + an own deviation of every tooth, all taken as normal with scales that are themselves uncertain.
Decided here: the model, its scales and their priors.  Not decided here: how the scales are integrated out
(`lash_map/posterior.py`).

Micrometres inside this model, so that its numbers are near one; millimetres everywhere outside.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from lashmap_analysis.gears.mesh_cycle import MeshCycle


Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

KERNELS = (
    "gear once per turn",
    "pinion once per turn",
    "gear twice per turn",
    "pinion twice per turn",
    "gear tooth",
    "pinion tooth",
    "gear neighbours",
    "pinion neighbours",
)
"""The scales of the patterns, in the order used by every array here.

Two more follow them: the factor on the stated uncertainties of the readings, and the standard deviation
between settings of the tip."""

FACTOR, SETTING = 8, 9

WAVES = 2
"""Waves per turn with scales of their own; what neighbouring teeth share has more waves per turn."""


@dataclass(frozen=True, kw_only=True)
class Priors:
    """What is believed about the scales before measuring: log-normal, as (median, standard deviation of ln).

    Wide on purpose, widest for what teeth differ by.  Only a few repeats tell tooth from setting: a belief
    that teeth must differ by a micrometre or more would make teeth of what settings scatter, and the least
    of many teeth too small.  The other medians are what a lapped or ground set of ordinary quality shows
    (common practice, no source); with some twenty positions the data outweigh them, with five the band shows
    them.

    Attributes:
        once_um: Of each of the two coefficients (cosine, sine) of a once-per-turn term, µm of backlash.
        twice_um: The same for twice per turn.
        tooth_um: Standard deviation of a tooth's own deviation, µm, geometric mean of both members; 95 % of
            the belief from hardly any (0.03) to a rough set (9.5).  Chosen by `bench_coverage.py`.
        tooth_ratio: Square root of the ratio of the gear's to the pinion's: members of one set are cut and
            lapped to about one quality.
        neighbour_um: Standard deviation of what neighbouring teeth share (`neighbour_roots`), µm, geometric
            mean of both members; the same ratio holds.
        reading: Factor on the stated standard uncertainties of the readings.  A standard deviation from n
            repeats is itself uncertain by 1/√(2(n−1)), JCGM 100:2008 E.4.3: 30 % at six or seven repeats.
        setting_um: Standard deviation from one setting of the tip to the next, µm, which no single rock sees:
            tip set anew, torque, roll phase, 1 to 3 µm together (common practice, no source).  Readings of
            one engagement that was set anew tell it; where there are few the prior speaks.
        bad_tooth: Chance that a touched tooth is off by far more than the others (nick, burr, bad pitch), and
            the standard deviation of how far, µm (both from memory, no source).
        constant_um: Standard deviation of the constant about the middle of the readings, µm; not uncertain.
    """

    once_um: tuple[float, float] = (10.0, 1.0)
    twice_um: tuple[float, float] = (1.5, 1.0)
    tooth_um: tuple[float, float] = (0.5, 1.5)
    tooth_ratio: tuple[float, float] = (1.0, 0.4)
    neighbour_um: tuple[float, float] = (1.0, 1.0)
    reading: tuple[float, float] = (1.0, 0.3)
    setting_um: tuple[float, float] = (2.0, 1.0)
    bad_tooth: tuple[float, float] = (0.01, 10.0)
    constant_um: float = 100.0

    def scaled(self, factor: float) -> Priors:
        """The same belief in a unit `factor` times smaller (lengths times `factor`)."""
        return Priors(
            once_um=(self.once_um[0] * factor, self.once_um[1]),
            twice_um=(self.twice_um[0] * factor, self.twice_um[1]),
            tooth_um=(self.tooth_um[0] * factor, self.tooth_um[1]),
            tooth_ratio=self.tooth_ratio,
            neighbour_um=(self.neighbour_um[0] * factor, self.neighbour_um[1]),
            reading=self.reading,
            setting_um=(self.setting_um[0] * factor, self.setting_um[1]),
            bad_tooth=(self.bad_tooth[0], self.bad_tooth[1] * factor),
            constant_um=self.constant_um * factor,
        )

    def log_scales(self) -> tuple[Floats, Floats]:
        """Means and standard deviations of the nine logarithms, shape (9,) each; see `scales_of`."""
        pairs = (
            self.once_um,
            self.once_um,
            self.twice_um,
            self.twice_um,
            self.tooth_um,
            self.tooth_ratio,
            self.neighbour_um,
            self.reading,
            self.setting_um,
        )
        return np.log([median for median, _ in pairs]), np.array([spread for _, spread in pairs])

    def typical(self) -> Floats:
        """Scales at their medians, shape (1, 10)."""
        return scales_of(self.log_scales()[0][np.newaxis])


def scales_of(points: Floats) -> Floats:
    """Scales, in the order of `KERNELS`, `FACTOR`, `SETTING`, shape (s, 10), from logarithms, shape (s, 9).

    The logarithms are once and twice per turn of either member, own deviation of a tooth, ratio of the
    members, what neighbours share, factor, setting.  The ratio is added for the gear and taken away for the
    pinion.
    """
    waves, tooth, ratio, neighbour, rest = np.split(points, [4, 5, 6, 7], axis=1)
    members = [tooth + ratio, tooth - ratio, neighbour + ratio, neighbour - ratio]
    return np.asarray(np.exp(np.concatenate([waves, *members, rest], axis=1)))


@dataclass(frozen=True, kw_only=True)
class PatternModel:
    """Covariances of the stacked pattern T = (G, P), shape m = z2 + z1.

    Attributes:
        cycle: The mesh cycle.
        constant_um: Standard deviation of the constant.
        features: Shape (m, q): T = features · coefficients, coefficients independent.  The last m are the own
            deviations of the teeth, one a tooth.
        feature_scale: Shape (q,): index into `KERNELS` for each feature, −1 for the constant.
        kernels: Shape (8, m, m): covariance of T for a scale of one, in the order of `KERNELS`.
    """

    cycle: MeshCycle
    constant_um: float
    features: Floats
    feature_scale: Integers
    kernels: Floats

    @classmethod
    def of(cls, cycle: MeshCycle, constant_um: float) -> PatternModel:
        """Build features and kernels for a mesh cycle."""
        teeth = (cycle.gear_teeth, cycle.pinion_teeth)
        size = sum(teeth)
        columns: list[Floats] = [np.concatenate([np.ones(teeth[0]), np.zeros(teeth[1])])[:, np.newaxis]]
        scale = [-1]
        for order in range(1, WAVES + 1):
            for member, count in enumerate(teeth):
                block = np.zeros((size, 2))
                first = member * teeth[0]
                block[first : first + count] = turn_waves(count, order)
                columns.append(block)
                scale += [2 * (order - 1) + member] * 2
        for member, count in enumerate(teeth):
            block = np.zeros((size, count))
            first = member * teeth[0]
            block[first : first + count] = neighbour_roots(count)
            columns.append(block)
            scale += [6 + member] * count
        columns.append(np.eye(size))
        scale += [4] * teeth[0] + [5] * teeth[1]
        features, feature_scale = np.concatenate(columns, axis=1), np.array(scale, dtype=np.int64)
        groups = [features[:, feature_scale == kernel] for kernel in range(len(KERNELS))]
        kernels = np.stack([group @ group.T for group in groups])
        return cls(
            cycle=cycle,
            constant_um=constant_um,
            features=features,
            feature_scale=feature_scale,
            kernels=kernels,
        )

    def covariance(self, scales: Floats, special: Floats) -> Floats:
        """Prior covariance of T, shape (m, m), averaged over scales of shape (s, ≥ 8).

        `special` (m,) is extra variance of single teeth, in µm².
        """
        squares = np.square(scales[:, : len(KERNELS)]).mean(axis=0)
        constant = self.features[:, 0] * self.constant_um
        return np.tensordot(squares, self.kernels, axes=1) + np.outer(constant, constant) + np.diag(special)

    def covariance_with(self, gear: Integers, pinion: Integers, scales: Floats, special: Floats) -> Floats:
        """Prior covariance of T with backlash where teeth meet (indices into T): shape (s, m, n)."""
        count = len(gear)
        kernels = self.kernels[:, :, gear] + self.kernels[:, :, pinion]
        constant = np.outer(self.features[:, 0], np.full(count, self.constant_um**2))
        for tooth in (gear, pinion):
            constant[tooth, np.arange(count)] += special[tooth]
        return weighted_sums(np.square(scales[:, : len(KERNELS)]), kernels) + constant

    def pick(self, engagements: Integers) -> tuple[Integers, Integers]:
        """Indices into T of the gear and the pinion tooth at each engagement."""
        gear, pinion = self.cycle.teeth(engagements)
        return gear, pinion + self.cycle.gear_teeth


def turn_waves(teeth: int, order: int) -> Floats:
    """Cosine and sine of `order` waves per turn at every tooth, shape (teeth, 2)."""
    angle = 2.0 * np.pi * order * np.arange(teeth) / teeth
    return np.stack([np.cos(angle), np.sin(angle)], axis=1)


def neighbour_roots(teeth: int) -> Floats:
    """Square root of the covariance that neighbouring teeth of one member share, shape (teeth, teeth).

    The power falls as order^−4: the prior of a cubic smoothing spline closed round the member (Wahba, Spline
    Models for Observational Data, 1990, §2.1; *from memory*).  Orders up to `WAVES` are taken out, they have
    scales of their own; the rest has a variance of one.  Zero where a member has too few teeth for more.
    """
    order = np.arange(teeth // 2 + 1)
    spectrum = np.where(order > WAVES, np.maximum(order, 1.0) ** -4.0, 0.0)
    variance = np.fft.irfft(spectrum, teeth)[0]
    if variance <= 0.0:
        return np.zeros((teeth, teeth))
    root = np.fft.irfft(np.sqrt(spectrum / variance), teeth)
    return np.asarray(root[np.subtract.outer(np.arange(teeth), np.arange(teeth))])


def at_engagements(array: Floats, gear: Integers, pinion: Integers) -> Floats:
    """Backlash from patterns: the gear entry plus the pinion entry along the last axis."""
    return np.asarray(array[..., gear] + array[..., pinion])


def weighted_sums(weights: Floats, arrays: Floats) -> Floats:
    """Sums of arrays of shape (c, a, b) with weights of shape (s, c): shape (s, a, b).

    One small product a row: a single large one would be spread over threads, which costs four times the
    processor time here and far more on a busy machine.
    """
    flat = arrays.reshape(len(arrays), -1)
    return np.asarray((weights[:, np.newaxis, :] @ flat).reshape(len(weights), *arrays.shape[1:]))
