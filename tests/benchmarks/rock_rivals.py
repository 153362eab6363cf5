"""General ways to find steps in a trace, made into a rock measurement as a practitioner would.

Each gives change points; what follows is the same for all: stretches of at least `LEAST` samples, the median
of their middle half, the mean of those steps between neighbours that are larger than half of the largest. The
least stretch and the penalty are set with the lash in mind, which the measurement has to find out.
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np
import ruptures
from scipy.signal import find_peaks

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Rival = Callable[[Floats], list[int]]

LEAST = 20
"""Samples in a dwell; known to the rivals, not to the measurement that they are compared with."""


def penalty(value: Floats) -> float:
    """A change must gain as much as a quarter of the lash over the least stretch does."""
    low, high = np.percentile(value, [5, 95])
    return LEAST * float(high - low) ** 2 / 16


def kernel(value: Floats) -> list[int]:
    search = ruptures.KernelCPD(kernel="linear", min_size=LEAST).fit(value)
    return [int(at) for at in search.predict(pen=penalty(value))]


def pelt(value: Floats) -> list[int]:
    search = ruptures.Pelt(model="l2", min_size=LEAST, jump=5).fit(value)
    return [int(at) for at in search.predict(pen=penalty(value))]


def binary(value: Floats) -> list[int]:
    search = ruptures.Binseg(model="l2", min_size=LEAST, jump=5).fit(value)
    return [int(at) for at in search.predict(pen=penalty(value))]


def gradient(value: Floats) -> list[int]:
    slope = np.abs(np.gradient(np.convolve(value, np.ones(9) / 9, "same")))
    peaks = find_peaks(slope, height=0.3 * slope[9:-9].max(), distance=LEAST)[0]
    return [*peaks.tolist(), value.size]


def hysteresis(value: Floats) -> list[int]:
    low, high = np.percentile(value, [5, 95])
    quarter = 0.25 * (high - low)
    state = np.where(value > high - quarter, 1, np.where(value < low + quarter, -1, 0))
    known = np.flatnonzero(state)
    changes = known[1:][state[known[1:]] != state[known[:-1]]]
    return [*changes.tolist(), value.size]


RIVALS: dict[str, Rival] = {
    "KernelCPD, linear kernel": kernel,
    "PELT, jump 5": pelt,
    "binary segmentation": binary,
    "peaks of the gradient": gradient,
    "hysteresis and median": hysteresis,
}


def lash_of(value: Floats, changes: list[int]) -> tuple[float, int]:
    """Mean step and number of steps from change points; NaN and 0 when there are none."""
    bounds = [0, *changes]
    stretches = [(i, j) for i, j in itertools.pairwise(bounds) if j - i >= LEAST]
    levels = np.array([np.median(value[i + (j - i) // 4 : j - (j - i) // 4]) for i, j in stretches])
    steps = np.abs(np.diff(levels))
    if not steps.size:
        return float("nan"), 0
    steps = steps[steps > 0.5 * steps.max()]
    return float(steps.mean()), int(steps.size)
