"""The lash map: backlash as a function of engagement over the mesh cycle, and its tight spot."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.gear_set import GearSet

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class TightSpot:
    """The engagement with the least backlash.

    Attributes:
        engagement: In 0 … mesh cycle − 1.
        backlash_mm: Best estimate of the least backlash over the mesh cycle.
        standard_uncertainty_mm: Of that least value.
        band_mm: (low, high) at 95 %, honest for a minimum over all engagements.
    """

    engagement: int
    backlash_mm: float
    standard_uncertainty_mm: float
    band_mm: tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class Runout:
    """The once-per-turn part of the backlash that one member causes.

    Attributes:
        amplitude_mm: Of normal backlash (half its peak to peak over a turn).
        standard_uncertainty_mm: Of the amplitude.
        high_point_deg: Angle of that member past the matched teeth at which its runout takes most backlash
            away, 0 … 360.
        fim_mm: Full indicator movement perpendicular to the pitch cone that explains it, 2 F sin α_n.
    """

    amplitude_mm: float
    standard_uncertainty_mm: float
    high_point_deg: float
    fim_mm: float


@dataclass(frozen=True, kw_only=True)
class Separability:
    """Which once-per-turn terms the positions can tell apart.

    Attributes:
        gear: The gear's term stands by itself.
        pinion: The pinion's term stands by itself.
        sentence: What is merged with what, and why; empty when both stand.
        remedy: The measurement that would separate them; empty when both stand.
    """

    gear: bool
    pinion: bool
    sentence: str = ""
    remedy: str = ""


@dataclass(frozen=True, kw_only=True)
class Prediction:
    """Backlash predicted at some engagements: arrays of one shape.

    Attributes:
        backlash_mm: Best estimate.
        standard_uncertainty_mm: Of the backlash a measurement without error would find there (tooth-to-tooth
            scatter included).
    """

    backlash_mm: Floats
    standard_uncertainty_mm: Floats


@dataclass(frozen=True, kw_only=True)
class LashMap:
    """A fitted lash map.  To be completed: see the interface in the module text."""

    gear_set: GearSet
    engagements: Integers
    backlash_mm: Floats
    standard_uncertainty_mm: Floats
    terms: tuple[str, ...]
    mean_mm: float
    tight_spot: TightSpot
    loosest_mm: float
    variation_mm: float
    variation_uncertainty_mm: float
    gear_runout: Runout | None
    pinion_runout: Runout | None
    separable: Separability
    tooth_scatter_mm: float
    outliers: tuple[int, ...]
    cause: str

    def predict(self, engagements: Integers) -> Prediction:
        """Predict the backlash at whole engagements, shape (m,)."""
        raise NotImplementedError
