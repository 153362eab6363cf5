"""What the checks of a rock look at, and what they say: every refusal and warning is one of these names.

A flag is *disabling* when no lash may be taken from the trace; otherwise it is a warning that travels with
the reading into the table, the record and the report.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from lashmap_analysis.rock.dwells import Settled
    from lashmap_analysis.rock.flanks import Booleans, Floats, Stays
    from lashmap_analysis.rock.steps import Lash


class FlagName(StrEnum):
    """What can be wrong with a rock, in the words of the bench."""

    TOO_FEW_REVERSALS = "too few reversals"
    FLANK_NOT_SETTLED = "flank not settled"
    UNSTEADY_FLANK = "unsteady flank"
    SLIP = "slip"
    OUT_OF_RANGE = "out of range"
    STUCK = "stuck"
    GAP_IN_SAMPLES = "gap in samples"
    UNDERSAMPLED_DWELL = "undersampled dwell"
    SINGLE_FLANK = "single flank"
    FLANK_NOT_REACHED = "flank not reached"
    COARSE_INDICATOR = "coarse indicator"
    SPIKES = "spikes"
    HEAVY_ROCKING = "heavy rocking"
    PINION_MOVED = "pinion moved"
    INSTRUMENTS_DISAGREE = "indicator and encoder disagree"
    READ_BY_EYE = "read by eye"
    TOO_FEW_ROCKS = "too few rocks"
    UNEVEN_ROCKS = "uneven rocks"


@dataclass(frozen=True, kw_only=True)
class Flag:
    """One named refusal or warning.

    Attributes:
        name: Which one.
        disabling: True when the reading must not be used.
        sentence: What happened and what to do next, for the technician.
        numbers: The figures behind it; units stand in the keys (``spread_mm``, ``longest_gap_s``).
    """

    name: FlagName
    disabling: bool
    sentence: str
    numbers: Mapping[str, float] = field(default_factory=dict)


class Evidence(NamedTuple):
    """A finite trace of n samples with m ≥ 2 stays on the flanks, spikes left out.

    Attributes:
        time_s: Shape (n,).
        indicator_mm: Shape (n,).
        stays: Its stays, and the trace less mid level and drift.
        settled: Their settled parts.
        lash: Mean step.
        gaps_s: Lengths of the gaps that could hide a dwell.
        high: Shape (m,), true on the high flank.
    """

    time_s: Floats
    indicator_mm: Floats
    stays: Stays
    settled: Settled
    lash: Lash
    gaps_s: Floats
    high: Booleans

    @property
    def resolution_mm(self) -> float:
        """Least step of the indicator."""
        return self.settled.resolution_mm

    @property
    def noise_mm(self) -> float:
        """Standard deviation of a single sample within the dwells."""
        return self.settled.noise_mm

    @property
    def few(self) -> bool:
        """True when the stays have few samples."""
        return self.settled.middles.few

    @property
    def typical_samples(self) -> float:
        """Median number of samples in a stay on the flank that is left sooner."""
        return min(self.settled.middles.typical_samples)
