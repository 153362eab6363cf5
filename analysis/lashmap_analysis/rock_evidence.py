"""All that the checks on a rock trace look at, gathered once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from lashmap_analysis.rock_dwells import Settled
    from lashmap_analysis.rock_flanks import Floats, Stays
    from lashmap_analysis.rock_steps import Lash


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """A finite trace and what was found in it.

    Attributes:
        time_s: Shape (n,).
        indicator_mm: Shape (n,), finite.
        resolution_mm: Least step of the indicator.
        stays: Stays on the flanks.
        settled: Their settled parts; only traces with at least two stays come this far.
        lash: Mean step.
        gaps_s: Lengths of the gaps that could hide a dwell.
    """

    time_s: Floats
    indicator_mm: Floats
    resolution_mm: float
    stays: Stays
    settled: Settled
    lash: Lash
    gaps_s: Floats
