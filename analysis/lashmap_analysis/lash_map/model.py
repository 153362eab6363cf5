"""The model of a lash map: what each tooth brings, and what is believed about it before measuring.

Backlash at engagement k is ``G[k mod z2] + P[k mod z1]``: the *gear pattern* G (the constant is kept in it)
and the *pinion pattern* P.  Each pattern is once-per-turn + twice-per-turn + an own deviation of every tooth,
all taken as normal with scales that are themselves uncertain.  Decided here: the model, its scales and their
priors.  Not decided here: how the scales are integrated out (`lash_map/posterior.py`).

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
)
"""The scales of the patterns, in the order used by every array here.

Two more follow them: the factor on the stated uncertainties of the readings, and the standard deviation
between settings of the tip."""

FACTOR, SETTING = 6, 7


@dataclass(frozen=True, kw_only=True)
class Priors:
    """What is believed about the scales before measuring: log-normal, as (median, standard deviation of ln).

    Wide on purpose: 95 % of the belief about tooth deviations spans a factor of fifty.  The medians are
    what a lapped or ground set of ordinary quality shows (common practice, no source); with some twenty
    positions the data outweigh them, with five the band shows them.

    Attributes:
        once_um: Of each of the two coefficients (cosine, sine) of a once-per-turn term, µm of backlash.
        twice_um: The same for twice per turn.
        tooth_um: Standard deviation of a tooth's own deviation, µm, geometric mean of both members.
        tooth_ratio: Square root of the ratio of the gear's to the pinion's: members of one set are cut and
            lapped to about one quality.
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
    tooth_um: tuple[float, float] = (1.5, 1.0)
    tooth_ratio: tuple[float, float] = (1.0, 0.4)
    reading: tuple[float, float] = (1.0, 0.3)
    setting_um: tuple[float, float] = (1.5, 1.0)
    bad_tooth: tuple[float, float] = (0.01, 10.0)
    constant_um: float = 100.0

    def scaled(self, factor: float) -> Priors:
        """The same belief in a unit `factor` times smaller (lengths times `factor`)."""
        return Priors(
            once_um=(self.once_um[0] * factor, self.once_um[1]),
            twice_um=(self.twice_um[0] * factor, self.twice_um[1]),
            tooth_um=(self.tooth_um[0] * factor, self.tooth_um[1]),
            tooth_ratio=self.tooth_ratio,
            reading=self.reading,
            setting_um=(self.setting_um[0] * factor, self.setting_um[1]),
            bad_tooth=(self.bad_tooth[0], self.bad_tooth[1] * factor),
            constant_um=self.constant_um * factor,
        )

    def log_scales(self) -> tuple[Floats, Floats]:
        """Means and standard deviations of the eight logarithms, shape (8,) each; see `scales_of`."""
        pairs = (
            self.once_um,
            self.once_um,
            self.twice_um,
            self.twice_um,
            self.tooth_um,
            self.tooth_ratio,
            self.reading,
            self.setting_um,
        )
        return np.log([median for median, _ in pairs]), np.array([spread for _, spread in pairs])

    def typical(self) -> Floats:
        """Scales at their medians, shape (1, 8)."""
        return scales_of(self.log_scales()[0][np.newaxis])


def scales_of(points: Floats) -> Floats:
    """Scales, in the order of `KERNELS`, `FACTOR`, `SETTING`, from logarithms: shape (s, 8).

    All but two are their own logarithms' exponentials; the fifth logarithm is that of both members' tooth
    deviations, the sixth is added for the gear and taken away for the pinion.
    """
    mixed = points.copy()
    mixed[:, 4] = points[:, 4] + points[:, 5]
    mixed[:, 5] = points[:, 4] - points[:, 5]
    return np.exp(mixed)


@dataclass(frozen=True, kw_only=True)
class PatternModel:
    """Covariances of the stacked pattern T = (G, P), shape m = z2 + z1.

    Attributes:
        cycle: The mesh cycle.
        constant_um: Standard deviation of the constant.
        features: Shape (m, q): T = features · coefficients, coefficients independent.
        feature_scale: Shape (q,): index into `KERNELS` for each feature, −1 for the constant.
        kernels: Shape (6, m, m): covariance of T for a scale of one, in the order of `KERNELS`.
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
        for order in (1, 2):
            for member, count in enumerate(teeth):
                block = np.zeros((size, 2))
                first = member * teeth[0]
                block[first : first + count] = turn_waves(count, order)
                columns.append(block)
                scale += [2 * (order - 1) + member] * 2
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
        """Prior covariance of T, shape (m, m), averaged over scales of shape (s, ≥ 6).

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
