"""Posterior of the tooth patterns: the scales integrated out, then patterns drawn.

For given scales the model of `lash_map/model.py` is linear and normal, so its posterior is exact (Rasmussen &
Williams, Gaussian Processes for Machine Learning, eqs 2.23–2.24, 2.30).  The seven scales are integrated by
importance sampling in three rounds, weighted against the mixture of all rounds (Owen & Zhou, Safe and
effective importance sampling, 2000; *from memory*), with fixed random numbers: the same readings give the
same map.  Not decided here: what is read off the draws.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.lash_map.model import PatternModel, at_engagements, scales_of, weighted_sums

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

ROUNDS = (256, 192, 192)
COMPONENTS = 96
DRAWS_EACH = 32
T_DEGREES = 7.0
SEED = 20_011
MOST_ENTRIES = 4_000_000  # numbers in one stack of covariances: 32 MB


@dataclass(frozen=True, kw_only=True)
class Readings:
    """Readings ready for the model: µm about their middle, in one fixed order.

    Attributes:
        gear: Index into the stacked pattern of the gear tooth, shape (n,).
        pinion: Index into the stacked pattern of the pinion tooth, shape (n,).
        value_um: Shape (n,).
        uncertainty_um: Shape (n,).
        free_um: Shape (n,): extra standard deviation of a reading that is not trusted, else 0.
    """

    gear: Integers
    pinion: Integers
    value_um: Floats
    uncertainty_um: Floats
    free_um: Floats


@dataclass(frozen=True, kw_only=True)
class PatternPosterior:
    """What the readings say about the stacked pattern T = (G, P), m = z2 + z1, about the readings' middle.

    Attributes:
        mean_um: Shape (m,).
        covariance_um2: Shape (m, m).
        draws_um: Equally likely patterns, shape (d, m).
        scales: Equally likely scales, shape (c, 7), in the order of `lash_model.KERNELS`, then the factor on
            the reading uncertainties.
    """

    mean_um: Floats
    covariance_um2: Floats
    draws_um: Floats
    scales: Floats


@lru_cache(maxsize=16)
def _normals(kind: str, *shape: int) -> Floats:
    seed = [SEED, *kind.encode(), *shape]
    values = np.random.default_rng(seed).standard_normal(shape)
    values.setflags(write=False)
    return np.asarray(values)


def data_covariance(model: PatternModel, readings: Readings, scales: Floats, special: Floats) -> Floats:
    """Covariance of the readings for scales of shape (s, 7): shape (s, n, n).

    `special` (m,) is extra variance of single teeth, in µm².
    """
    gear, pinion = readings.gear, readings.pinion
    rows = model.kernels[:, gear] + model.kernels[:, pinion]
    kernels = at_engagements(rows, gear, pinion)
    count = len(gear)
    fixed = np.full((count, count), model.constant_um**2)
    for tooth in (gear, pinion):
        fixed += special[tooth] * (tooth[:, np.newaxis] == tooth)
    fixed[np.diag_indices(count)] += np.square(readings.free_um)
    covariance: Floats = weighted_sums(np.square(scales[:, :6]), kernels) + fixed
    noise = np.square(scales[:, 6:7] * readings.uncertainty_um)
    covariance[:, np.arange(count), np.arange(count)] += noise
    return covariance


def _parts(total: int, count: int) -> list[slice]:
    """Slices of `total` scales, so that their covariances of `count` readings stay within memory."""
    step = max(1, MOST_ENTRIES // count**2)
    return [slice(first, first + step) for first in range(0, total, step)]


def log_likelihood(model: PatternModel, readings: Readings, scales: Floats, special: Floats) -> Floats:
    """Log marginal likelihood of the readings for scales of shape (s, 7), up to a constant: shape (s,).

    The readings are appended to the covariance as one more row; the last row of its Cholesky factor is then
    the whitened readings, so that one factorisation gives both determinant and square sum.
    """
    count = len(readings.value_um)
    parts = _parts(len(scales), count)
    if len(parts) > 1:
        return np.concatenate([log_likelihood(model, readings, scales[part], special) for part in parts])
    covariance = data_covariance(model, readings, scales, special)
    augmented = np.zeros((len(scales), count + 1, count + 1))
    augmented[:, :count, :count] = covariance
    augmented[:, count, :count] = readings.value_um
    least_variance = np.square(scales[:, 6] * readings.uncertainty_um.min())
    augmented[:, count, count] = 1.0 + 2.0 * np.sum(np.square(readings.value_um)) / least_variance
    factor = np.linalg.cholesky(augmented)
    diagonal = np.einsum("sii->si", factor)[:, :count]
    return np.asarray(-np.log(diagonal).sum(axis=1) - 0.5 * np.square(factor[:, count, :count]).sum(axis=1))


def _log_t_density(points: Floats, mean: Floats, factor: Floats) -> Floats:
    size = points.shape[1]
    square = np.square(np.linalg.solve(factor, (points - mean).T)).sum(axis=0)
    constant = math.lgamma((T_DEGREES + size) / 2) - math.lgamma(T_DEGREES / 2)
    constant -= 0.5 * size * math.log(T_DEGREES * math.pi) + float(np.log(np.diag(factor)).sum())
    return np.asarray(constant - 0.5 * (T_DEGREES + size) * np.log1p(square / T_DEGREES))


def _log_normal_density(points: Floats, mean: Floats, deviation: Floats) -> Floats:
    z = (points - mean) / deviation
    constant = -0.5 * len(mean) * math.log(2 * math.pi) - float(np.log(deviation).sum())
    return np.asarray(constant - 0.5 * np.square(z).sum(axis=1))


def _weights(log_weight: Floats, least_effective: float = 0.0) -> Floats:
    """Normalised weights, tempered until the effective number of points reaches `least_effective`."""
    power = 1.0
    while True:
        weight = np.exp(power * (log_weight - log_weight.max()))
        weight /= weight.sum()
        if 1.0 / np.square(weight).sum() >= least_effective:
            return np.asarray(weight)
        power *= 0.8


def sample_scales(
    model: PatternModel, readings: Readings, prior: tuple[Floats, Floats], special: Floats
) -> tuple[Floats, Floats]:
    """Points in the logarithms of the scales, shape (s, 7), and their posterior weights, shape (s,)."""
    mean, deviation = prior
    size = len(mean)
    points = mean + deviation * _normals("round 1", ROUNDS[0], size)
    likelihood = log_likelihood(model, readings, scales_of(points), special)
    proposals: list[tuple[Floats, Floats]] = []
    weight = _weights(likelihood, 24.0)
    total = sum(ROUNDS)
    for number, count in enumerate(ROUNDS[1:], start=2):
        centre = weight @ points
        spread = (points - centre).T @ (weight[:, np.newaxis] * (points - centre))
        factor = np.linalg.cholesky(spread + np.diag(0.02 * np.square(deviation)))
        normal = _normals(f"round {number}", count, size)
        chi = np.square(_normals(f"chi {number}", count, int(T_DEGREES))).sum(axis=1) / T_DEGREES
        fresh = centre + normal @ factor.T / np.sqrt(chi)[:, np.newaxis]
        proposals.append((centre, np.asarray(factor, dtype=np.float64)))
        points = np.concatenate([points, fresh])
        likelihood = np.concatenate([likelihood, log_likelihood(model, readings, scales_of(fresh), special)])
        prior_density = _log_normal_density(points, mean, deviation)
        parts = [prior_density + math.log(ROUNDS[0] / total)]
        parts += [
            _log_t_density(points, *proposal) + math.log(size_ / total)
            for proposal, size_ in zip(proposals, ROUNDS[1:], strict=False)
        ]
        mixture = np.logaddexp.reduce(np.stack(parts), axis=0)
        weight = _weights(likelihood + prior_density - mixture, 24.0 if number < len(ROUNDS) else 0.0)
    return points, weight


def posterior(
    model: PatternModel, readings: Readings, special: Floats, points: Floats, weight: Floats
) -> PatternPosterior:
    """Posterior of the patterns; `points` and `weight` as from `sample_scales` for the same readings."""
    comb = (np.arange(COMPONENTS) + 0.5) / COMPONENTS
    chosen = np.minimum(np.searchsorted(np.cumsum(weight), comb), len(weight) - 1)
    scales = scales_of(points[chosen])
    distinct, place = np.unique(chosen, return_inverse=True)
    some = scales_of(points[distinct])
    across = model.covariance_with(readings.gear, readings.pinion, some, special)
    gains = [
        across[part] @ np.linalg.inv(data_covariance(model, readings, some[part], special))
        for part in _parts(len(some), len(readings.value_um))
    ]
    across, gain = across[place], np.concatenate(gains)[place]
    means = gain @ readings.value_um
    mean = means.mean(axis=0)
    known = -(means - mean).T @ (means - mean)
    for one_gain, one_across in zip(gain, across, strict=True):
        known += one_gain @ one_across.T
    covariance = model.covariance(scales, special) - known / COMPONENTS
    return PatternPosterior(
        mean_um=mean,
        covariance_um2=covariance,
        draws_um=_draw(model, readings, scales, gain, special),
        scales=scales,
    )


def _draw(model: PatternModel, readings: Readings, scales: Floats, gain: Floats, special: Floats) -> Floats:
    """Draws by conditioning draws from the prior (Matheron's rule): shape (c DRAWS_EACH, m)."""
    size, features = model.features.shape
    deviation = np.where(model.feature_scale < 0, model.constant_um, scales[:, model.feature_scale])
    deviation[:, features - size :] = np.hypot(deviation[:, features - size :], np.sqrt(special))
    normal = _normals("draws", len(scales), DRAWS_EACH, features)
    patterns = (normal * deviation[:, np.newaxis, :]) @ model.features.T
    noise = _normals("noise", len(scales), DRAWS_EACH, len(readings.value_um))
    error = np.hypot(scales[:, 6:7] * readings.uncertainty_um, readings.free_um)
    simulated = at_engagements(patterns, readings.gear, readings.pinion) + noise * error[:, np.newaxis, :]
    patterns = patterns + (readings.value_um - simulated) @ gain.transpose(0, 2, 1)
    return np.asarray(patterns.reshape(-1, size))
