"""All that the checks on one rock trace look at, and what is seen first: resolution and spikes."""

from __future__ import annotations

from dataclasses import dataclass
from math import log
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from lashmap_analysis.rock.dwells import Settled
    from lashmap_analysis.rock.flanks import Stays
    from lashmap_analysis.rock.stays import Booleans, Floats
    from lashmap_analysis.rock.steps import Lash


@dataclass(frozen=True, kw_only=True)
class Evidence:
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


SPIKE_NOISE = 10.37
"""Median change between samples; a spike leaves both its neighbours, on the same side, by more than so many.

No whole number, so that rounded values are not just on the limit.
"""

SPIKE_CODES = 3.37
"""The same in resolutions."""

SPIKE_SHARE = 0.25
"""The same as a share of what lies between the tenths of all samples, about the lash."""

MOST_SPIKES = (2, 0.04)
"""So many samples, or that share of all: where more stand alone, it is the gear that moves too fast to be
seen.
"""


ENOUGH = 256
"""Samples from which a median is taken, spread over the trace."""


def find_spikes(indicator_mm: Floats, resolution_mm: float) -> Booleans | None:
    """Samples that leave both their neighbours alike, shape (n,); None when there are none or too many."""
    change = indicator_mm[1:] - indicator_mm[:-1]
    size = np.abs(change)
    if size.size < 3:
        return None
    some = np.sort(size[:: size.size // ENOUGH + 1])
    limit = max(SPIKE_NOISE * float(some[some.size // 2]), SPIKE_CODES * resolution_mm)
    if not (size > limit).any():
        return None
    # a rebound from the flank is no spike, however few samples see it
    spread = np.sort(indicator_mm[:: indicator_mm.size // ENOUGH + 1])
    span = float(spread[-1 - spread.size // 10] - spread[spread.size // 10])
    limit = max(limit, SPIKE_SHARE * span)
    jumps = (size > limit).nonzero()[0]
    if jumps.size < 2:
        return None
    # a jump and at once one back
    pairs = jumps[:-1][(jumps[1:] == jumps[:-1] + 1) & (change[jumps[:-1]] * change[jumps[1:]] < 0)]
    if not pairs.size or pairs.size > max(MOST_SPIKES[0], MOST_SPIKES[1] * indicator_mm.size):
        return None
    # neighbours of a spike jump as well: the middle of each run is the spike, every second sample of a longer
    # one
    wild = np.zeros(indicator_mm.size, dtype=np.bool_)
    last = -2
    for at in pairs.tolist():
        if at > last + 1:
            wild[at + 1] = True
            last = at
    return wild


# The resolution that a trace shows, where that is coarser than the one stated for its indicator.
#
# Decided here: what least step the values of a trace are made of, and when that is no accident. A profile
# that promises a tenth of a micrometre for a dial that sends hundredths of a millimetre would make
# uncertainties far too small; the coarser of both is used for everything.


CLEARLY_COARSER = 1.5
"""Least ratio of shown and stated resolution; a scale in other units may make them differ by a little."""

LOG_CHANCE = 9.0
"""One in eight thousand: two values set the grid, each further one lies on it by chance once in the ratio."""

ON_GRID = 0.02
"""Distance from the grid, as a share of its step, that counts as on it."""


def shown_resolution(indicator_mm: Floats, stated_mm: float) -> float:
    """The coarser of the stated resolution and of the grid on which all values lie.

    Args:
        indicator_mm: Shape (n,), finite.
        stated_mm: As stated for the indicator.

    Returns:
        Resolution in mm; the stated one unless the values contradict it.
    """
    change = np.abs(indicator_mm[1:] - indicator_mm[:-1])
    change = change[change > 1e-6 * stated_mm]
    if not change.size or float(change.min()) < CLEARLY_COARSER * stated_mm:
        return stated_mm
    values = np.unique(indicator_mm)
    apart = np.diff(values)
    # one value, written in two ways
    values = values[np.append(True, apart > 1e-6 * stated_mm)]
    if values.size < 3:
        return stated_mm
    above = values[1:] - values[0]
    least = float(np.diff(values).min())
    for part in (1, 2, 3):
        grid = least / part
        steps = above / grid
        if float(np.abs(steps - np.round(steps)).max()) < ON_GRID:
            coarser = grid >= CLEARLY_COARSER * stated_mm
            sure = coarser and (values.size - 2) * log(grid / stated_mm) > LOG_CHANCE
            return grid if sure else stated_mm
    return stated_mm
