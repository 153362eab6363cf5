"""Vectors of three plain floats, for the geometry of the simulated mesh; nothing here knows gears."""

from __future__ import annotations

from math import cos, sin, sqrt

Vector = tuple[float, float, float]


def dot(a: Vector, b: Vector) -> float:
    """Return the scalar product."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def cross(a: Vector, b: Vector) -> Vector:
    """Return the vector product a × b."""
    return (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])


def combine(*terms: tuple[float, Vector]) -> Vector:
    """Return the sum of factor times vector over the terms."""
    return (
        sum(factor * v[0] for factor, v in terms),
        sum(factor * v[1] for factor, v in terms),
        sum(factor * v[2] for factor, v in terms),
    )


def unit(a: Vector) -> Vector:
    """Return the vector of length 1 in the direction of a."""
    length = sqrt(dot(a, a))
    return (a[0] / length, a[1] / length, a[2] / length)


def across(a: Vector, axis: Vector) -> Vector:
    """Return the unit vector of the part of a that is perpendicular to a unit axis."""
    return unit(combine((1.0, a), (-dot(a, axis), axis)))


def turned(a: Vector, axis: Vector, angle_rad: float) -> Vector:
    """Return a turned about a unit axis, right-handed (Rodrigues' rotation)."""
    c, s = cos(angle_rad), sin(angle_rad)
    return combine((c, a), (s, cross(axis, a)), ((1.0 - c) * dot(axis, a), axis))
