"""Student's t: its quantiles, and the degrees of freedom at which a quantile has a given value.

Written here because every judgement needs one number of it, and the library that has it takes a third of a
second to load: longer than the judgement. The tests hold it against that library and the tables of the GUM.
"""

from __future__ import annotations

from functools import cache
from math import asinh, exp, expm1, inf, isfinite, lgamma, pi, sinh, sqrt
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

_NODES = 64  # more than double precision needs from half a degree of freedom to a million, out to t = 1000
_MOST_STEPS = 100
_FEWEST = 0.5
_RATIO = (1, -1 / 8, 1 / 128, 5 / 1024, -21 / 32768, -399 / 262144)  # in powers of 1/x
_FREEDOM = (1.0, 1e6)  # searched; at a million the quantile is the normal's to five places


def probability(t: float, degrees_of_freedom: float) -> float:
    """P(T ≤ t) of Student's t.

    With t = √ν sinh u the density (GUM C.3.8) becomes c cosh⁻ᵛ u: smooth and without a slow tail, so that
    Gauss-Legendre quadrature of it is exact to rounding.

    Args:
        t: Zero or more, finite.
        degrees_of_freedom: ν, at least 0.5 and finite.
    """
    return _probability(asinh(t / sqrt(degrees_of_freedom)), degrees_of_freedom)


def quantile(probability_below: float, degrees_of_freedom: float) -> float:
    """The t below which Student's t lies with this probability; the normal's for infinite ν.

    Args:
        probability_below: At least 0.5, below 1.
        degrees_of_freedom: ν, at least 0.5; may be infinite.

    Raises:
        ValueError: An argument lies outside that.
    """
    if not 0.5 <= probability_below < 1 or not degrees_of_freedom >= _FEWEST:
        raise ValueError(
            f"expected a probability from 0.5 to below 1, and {_FEWEST} degrees of freedom or more"
        )
    normal = NormalDist().inv_cdf(probability_below)
    if not isfinite(degrees_of_freedom):
        return normal
    # The normal's quantile is too small, and the integral over u is concave: Newton's steps from there never
    # go too far and come nearer each time, until rounding ends them.
    u = asinh(normal / sqrt(degrees_of_freedom))
    for _ in range(_MOST_STEPS):
        missing = probability_below - _probability(u, degrees_of_freedom)
        step = missing / float(_scale(degrees_of_freedom) * _power(np.array(u), degrees_of_freedom))
        if step <= 1e-15 * u:
            break
        u += step
    return sqrt(degrees_of_freedom) * sinh(u)


def freedom_of(probability_below: float, t: float) -> float:
    """Degrees of freedom at which t is that quantile; infinite at or below the normal's, never below 1.

    Args:
        probability_below: Above 0.5, below 1.
        t: Finite.
    """
    low, high = _FREEDOM
    if t <= quantile(probability_below, high):
        return inf
    if probability(t, low) >= probability_below:
        return low
    while high / low > 1 + 1e-12:  # the probability below t grows with the degrees of freedom
        middle = sqrt(low * high)
        low, high = (middle, high) if probability(t, middle) < probability_below else (low, middle)
    return low


def _probability(u: float, freedom: float) -> float:
    # Beyond where the density has fallen by e⁻⁴⁰ nothing is added but nodes that miss where it is.
    u = min(u, asinh(sqrt(expm1(min(80 / freedom, 700)))))
    nodes, weights = _quadrature()
    return 0.5 + _scale(freedom) * u * float(weights @ _power(u * nodes, freedom))


def _power(u: NDArray[np.float64], freedom: float) -> NDArray[np.float64]:
    power: NDArray[np.float64] = np.exp(-freedom / 2 * np.log1p(np.sinh(u) ** 2))  # exact for small u too
    return power


def _scale(freedom: float) -> float:
    """The factor c = Γ((ν + 1)/2) / (√π Γ(ν/2)) of the density."""
    half = freedom / 2
    if half < 50:
        return exp(lgamma(half + 0.5) - lgamma(half)) / sqrt(pi)
    # Differences of great logarithms lose their digits: the ratio's expansion (DLMF 5.11.13) keeps them.
    series = np.polynomial.polynomial.polyval(1 / half, _RATIO)
    return sqrt(half / pi) * float(series)


@cache
def _quadrature() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    return (nodes + 1) / 2, weights / 2
