"""The rock: one indicator trace becomes a reading, its uncertainty, its dwells and its flags."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.flags import Flag

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Dwell:
    """One settled stay on a flank.

    Attributes:
        start_s: First settled sample, on the trace's own time axis.
        end_s: Last settled sample.
        level_mm: Indicator value of the dwell, drift not removed.
        high: True on the flank with the larger indicator value.
    """

    start_s: float
    end_s: float
    level_mm: float
    high: bool


@dataclass(frozen=True, kw_only=True)
class RockReading:
    """The lash that one rock gives, on the indicator's own line of action.

    Attributes:
        reading_mm: Mean step between neighbouring settled dwells, linear drift removed; NaN when there is none.
        standard_uncertainty_mm: Of `reading_mm`: repeatability and resolution; NaN when there is none.
        degrees_of_freedom: Effective, of that uncertainty.
        peak_to_peak_mm: The trade's reading: mean over rocks of extreme to extreme; NaN when there is none.
        spread_mm: Largest minus smallest step.
        reversals: Number of steps that entered the mean.
        drift_mm_per_s: Slope that was removed.
        dwells: Settled dwells in order of time.
        flags: Refusals and warnings.
    """

    reading_mm: float
    standard_uncertainty_mm: float
    degrees_of_freedom: float
    peak_to_peak_mm: float
    spread_mm: float
    reversals: int
    drift_mm_per_s: float
    dwells: tuple[Dwell, ...]
    flags: tuple[Flag, ...]

    @property
    def usable(self) -> bool:
        """True when no flag disables the reading."""
        return not any(flag.disabling for flag in self.flags)


def measure_rock(time_s: Floats, indicator_mm: Floats, *, resolution_mm: float) -> RockReading:
    """Measure the lash in one rock trace."""
    raise NotImplementedError
