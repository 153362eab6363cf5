"""Axes: round ticks, the map from values to pixels, and the range a lash chart has to cover.

No shape is drawn here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def round_step(span: float, most: int) -> float:
    """Return the smallest of 1, 2, 5 times a power of ten that divides `span` into at most `most` parts."""
    if not (span > 0 and math.isfinite(span)):
        return 1.0
    rough = span / most
    power = 10.0 ** math.floor(math.log10(rough))
    # The tiny allowance keeps a span of exactly `most` steps from taking the next larger one.
    return next((f * power for f in (1.0, 2.0, 5.0) if f * power >= rough * (1 - 1e-9)), 10.0 * power)


def round_ticks(low: float, high: float, most: int) -> Floats:
    """Return the multiples of a round step from `low` to `high`, shape (n,), n at most `most` + 1.

    From `most` = 5 on there are at least two, since the step is at most 2.5 times a `most`-th of the range.
    """
    step = round_step(high - low, most)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return np.arange(first, last + 1, dtype=np.float64) * step


def tick_decimals(ticks: Floats) -> int:
    """Return how many digits after the point tell the ticks apart."""
    if ticks.size < 2:
        return 3
    step = float(ticks[1] - ticks[0])
    return max(0, -math.floor(math.log10(step) + 1e-9))


@dataclass(frozen=True, kw_only=True)
class Axis:
    """A straight axis.

    Attributes:
        low: Value at `start`.
        high: Value at `end`.
        start: Pixel of `low`.
        end: Pixel of `high`; smaller than `start` on an axis that grows upwards.
    """

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Return the pixel of a value."""
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)

    def at_all(self, values: Floats) -> Floats:
        """Return the pixels of values, shape (n,)."""
        scale = (self.end - self.start) / (self.high - self.low)
        return np.asarray(self.start + (values - self.low) * scale, dtype=np.float64)

    def reading(self, name: str) -> dict[str, float]:
        """Return what turns pixels back into values: value at pixel zero, and per pixel."""
        step = (self.high - self.low) / (self.end - self.start)
        return {f"{name}-zero": self.low - self.start * step, f"{name}-step": step}


@dataclass(frozen=True, kw_only=True)
class LashRange:
    """What a backlash axis covers.

    Attributes:
        low: Lower end.
        high: Upper end.
        beyond: Limits that lie so far away that showing them would flatten the map.
    """

    low: float
    high: float
    beyond: tuple[float, ...]


def lash_range(values: Iterable[float], limits: Iterable[float | None]) -> LashRange | None:
    """Choose the range of a backlash axis: all values, and each limit that is near enough to be worth seeing.

    Args:
        values: Backlashes with the ends of their error bars; not finite ones are passed over.
        limits: Limits in the same unit.

    Returns:
        None when there is neither a value nor a limit.
    """
    finite = [v for v in values if math.isfinite(v)]
    wanted = [v for v in limits if v is not None and math.isfinite(v)]
    if not finite:
        finite, wanted = wanted, []
    if not finite:
        return None
    low, high = min(finite), max(finite)
    # Common practice, no source: beyond three times the map's own span a limit tells less than it hides.
    reach = 3 * max(high - low, 0.02 * abs(high))
    near = [v for v in wanted if low - reach <= v <= high + reach]
    low, high = min([low, *near]), max([high, *near])
    pad = 0.07 * (high - low) or 0.1 * abs(high) or 1.0
    return LashRange(low=low - pad, high=high + pad, beyond=tuple(v for v in wanted if v not in near))
