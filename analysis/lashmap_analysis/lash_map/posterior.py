"""Posterior of the tooth patterns: the scales integrated out, then patterns drawn.

For given scales the model of `lash_map/model.py` is linear and normal, so its posterior is exact (Rasmussen &
Williams, Gaussian Processes for Machine Learning, eqs 2.23–2.24, 2.30).  The scales are integrated by
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

from lashmap_analysis.lash_map.model import (
    FACTOR,
    KERNELS,
    SETTING,
    PatternModel,
    at_engagements,
    scales_of,
    weighted_sums,
)

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

ROUNDS = (256, 192, 192)
COMPONENTS = 96
DRAWS_EACH = 32
NEVER = 1e-300  # a chance whose logarithm is still a number
MOST_BAD = 8  # teeth weighed; all others have hardly more than their prior chance
GOLDEN = 0.6180339887498949
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
        scales: Equally likely scales, shape (c, 10), in the order of `lash_map.model.scales_of`.
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


def error_um(readings: Readings, scales: Floats) -> Floats:
    """Standard deviation of every reading about the truth, what nobody trusts left out: shape (s, n)."""
    within = scales[:, FACTOR, np.newaxis] * readings.uncertainty_um
    return np.hypot(within, scales[:, SETTING, np.newaxis])


def data_covariance(model: PatternModel, readings: Readings, scales: Floats, special: Floats) -> Floats:
    """Covariance of the readings for scales of shape (s, 10): shape (s, n, n).

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
    covariance: Floats = weighted_sums(np.square(scales[:, : len(KERNELS)]), kernels) + fixed
    covariance[:, np.arange(count), np.arange(count)] += np.square(error_um(readings, scales))
    return covariance


def _parts(total: int, count: int) -> list[slice]:
    """Slices of `total` scales, so that their covariances of `count` readings stay within memory."""
    step = max(1, MOST_ENTRIES // count**2)
    return [slice(first, first + step) for first in range(0, total, step)]


def log_likelihood(model: PatternModel, readings: Readings, scales: Floats, special: Floats) -> Floats:
    """Log marginal likelihood of the readings for scales of shape (s, 10), up to a constant: shape (s,).

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
    least_variance = np.square(error_um(readings, scales)).min(axis=1)
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
    """Points in the logarithms of the scales, shape (s, 9), and their posterior weights, shape (s,)."""
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
    model: PatternModel,
    readings: Readings,
    special: Floats,
    points: Floats,
    weight: Floats,
    *,
    bad_tooth: tuple[float, float] = (0.0, 1.0),
) -> PatternPosterior:
    """Posterior of the patterns; `points` and `weight` as from `sample_scales` for the same readings.

    `bad_tooth` is that of the priors: chance, and standard deviation in µm.
    """
    bad = BadTeeth.of(model, readings, special, (points, weight), bad_tooth)
    scales, place = scales_of(points[bad.points])[bad.place], bad.place
    some = scales_of(points[bad.points])
    across = model.covariance_with(readings.gear, readings.pinion, some, special)
    gain = across @ bad.precision
    means = gain @ readings.value_um
    # What a micrometre on one bad tooth moves: that tooth itself, less what the readings there then explain.
    moves = np.eye(len(model.features))[:, bad.teeth] - gain @ bad.touches.T
    first = np.einsum("smk,sk->sm", moves, bad.chance * bad.mean_um)
    second = bad.chance * (np.square(bad.mean_um) + np.square(bad.deviation_um))
    means = means + first
    mean = means[place].mean(axis=0)
    apart = means - mean
    share = np.bincount(place, minlength=len(means))
    known = (share * first.T) @ first - (share * apart.T) @ apart
    for index in np.flatnonzero(share):
        explained = gain[index] @ across[index].T - (moves[index] * second[index]) @ moves[index].T
        known += share[index] * explained
    covariance = model.covariance(scales, special) - known / COMPONENTS
    return PatternPosterior(
        mean_um=mean,
        covariance_um2=covariance,
        draws_um=_draw(model, readings, (scales, gain[place]), special, bad),
        scales=scales,
    )


@dataclass(frozen=True, kw_only=True)
class BadTeeth:
    """The chance, for each of a few equally likely scales, that one touched tooth is off by far more.

    Teeth are not normal: now and then one has a nick, a burr or a bad pitch.  A normal prior would share such
    a deviation out between tooth and setting.  Each touched tooth is off with the priors' chance, by a
    normal amount of variance v; at most one is (two are the outliers' business).  Adding v on a tooth with
    readings b changes the evidence by −½ ln(1 + v b'Qb) + ½ v (b'Qy)² / (1 + v b'Qb), Q the inverse
    covariance of the readings (matrix determinant lemma, Sherman–Morrison).

    Attributes:
        points: Index of each distinct scale, shape (s,).
        place: Which of them stands at each place of the comb of equally likely scales, shape (c,).
        precision: Inverse covariance of the readings for each, shape (s, n, n).
        teeth: Index into the stacked pattern of the teeth that may be off, the likeliest few, shape (k,).
        touches: 1 where a reading touches that tooth, shape (k, n).
        chance: That this tooth is off, shape (s, k).
        mean_um: Of its deviation if so, shape (s, k).
        deviation_um: Standard deviation of that, shape (s, k).
    """

    points: Integers
    place: Integers
    precision: Floats
    teeth: Integers
    touches: Floats
    chance: Floats
    mean_um: Floats
    deviation_um: Floats

    @classmethod
    def of(
        cls,
        model: PatternModel,
        readings: Readings,
        special: Floats,
        sampled: tuple[Floats, Floats],
        bad_tooth: tuple[float, float],
    ) -> BadTeeth:
        """Weigh every touched tooth against the readings; `sampled` are points and their weights."""
        points, weight = sampled
        chance, size_um = bad_tooth
        chosen, place = np.unique(_comb(weight), return_inverse=True)
        scales = scales_of(points[chosen])
        precision = np.concatenate(
            [
                np.linalg.inv(data_covariance(model, readings, scales[part], special))
                for part in _parts(len(scales), len(readings.value_um))
            ]
        )
        teeth = np.union1d(readings.gear, readings.pinion)
        touches = (readings.gear == teeth[:, np.newaxis]) | (readings.pinion == teeth[:, np.newaxis])
        touches = touches.astype(np.float64)
        square = 1.0 + size_um**2 * np.einsum("skn,kn->sk", touches @ precision, touches)
        pull = (precision @ readings.value_um) @ touches.T
        evidence = 0.5 * (np.square(size_um * pull) / square - np.log(square)) + math.log(max(chance, NEVER))
        likeliest = np.sort(np.argsort(-evidence.max(axis=0), kind="stable")[:MOST_BAD])
        evidence, pull, square = evidence[:, likeliest], pull[:, likeliest], square[:, likeliest]
        none = math.log(max(1.0 - chance * len(teeth), 0.5))
        total = np.logaddexp(none, np.logaddexp.reduce(evidence, axis=1))
        again = _comb(np.bincount(place) * np.exp(total - total.max()))
        return cls(
            points=chosen,
            place=again,
            precision=precision,
            teeth=teeth[likeliest],
            touches=touches[likeliest],
            chance=np.exp(evidence - total[:, np.newaxis]),
            mean_um=size_um**2 * pull / square,
            deviation_um=size_um / np.sqrt(square),
        )


def _comb(weight: Floats) -> Integers:
    """Indices of `COMPONENTS` equally likely points."""
    comb = (np.arange(COMPONENTS) + 0.5) / COMPONENTS
    total = np.cumsum(weight)
    return np.asarray(np.minimum(np.searchsorted(total / total[-1], comb), len(weight) - 1))


def _draw(
    model: PatternModel, readings: Readings, known: tuple[Floats, Floats], special: Floats, bad: BadTeeth
) -> Floats:
    """Draws by conditioning draws from the prior (Matheron's rule): shape (c DRAWS_EACH, m).

    `known` are scales (c, 10) and what each reading then adds to the patterns (c, m, n).
    """
    scales, gain = known
    size, features = model.features.shape
    deviation = np.where(model.feature_scale < 0, model.constant_um, scales[:, model.feature_scale])
    shared = features - size
    deviation[:, shared:] = np.hypot(deviation[:, shared:], np.sqrt(special))
    scaled = _normals("draws", len(scales), DRAWS_EACH, features) * deviation[:, np.newaxis, :]
    patterns = scaled[..., :shared] @ model.features[:, :shared].T + scaled[..., shared:]
    noise = _normals("noise", len(scales), DRAWS_EACH, len(readings.value_um))
    error = np.hypot(error_um(readings, scales), readings.free_um)
    simulated = at_engagements(patterns, readings.gear, readings.pinion) + noise * error[:, np.newaxis, :]
    which, depth = _drawn_bad(bad)
    value = readings.value_um - depth * np.concatenate([bad.touches, np.zeros_like(bad.touches[:1])])[which]
    patterns = patterns + (value - simulated) @ gain.transpose(0, 2, 1)
    teeth = np.append(bad.teeth, 0)[which]
    patterns += depth * (np.arange(size) == teeth[:, :, np.newaxis])
    return np.asarray(patterns.reshape(-1, size))


def _drawn_bad(bad: BadTeeth) -> tuple[Integers, Floats]:
    """Which tooth is off in every draw (k for none), shape (c, DRAWS_EACH), and by how much, with 1 more."""
    shares = np.cumsum(bad.chance[bad.place], axis=1)
    order = np.argsort(_normals("which", len(bad.place), DRAWS_EACH), axis=1)
    # Stratified within a component, and from component to component by the golden ratio.
    offset = (np.arange(len(order)) * GOLDEN % 1.0)[:, np.newaxis]
    uniform = (order + offset) / DRAWS_EACH
    which = (uniform[:, :, np.newaxis] > shares[:, np.newaxis, :]).sum(axis=2)
    none = np.zeros((len(bad.place), 1))
    mean = np.concatenate([bad.mean_um[bad.place], none], axis=1)
    deviation = np.concatenate([bad.deviation_um[bad.place], none], axis=1)
    normal = _normals("depth", len(bad.place), DRAWS_EACH)
    depth = np.take_along_axis(mean, which, axis=1) + normal * np.take_along_axis(deviation, which, axis=1)
    return which, depth[:, :, np.newaxis]
