"""Whether the tight spot may be a gear that flew: thrown ahead of its flank by a tooth, in every pass.

A thick tooth throws the gear ahead, and while it flies lash looks smaller.  Flights that repeat in all
passes are no contact that was lost in one of them, and only the far ones are cut out (`cycle/cells.py`).
But teeth do not change with speed, and a flight does: thrown from one place, the gear falls back by a
t²/2, and a quick pass has less time for an engagement (derived).  So the quickest pass of a flank is ahead
of the slowest there: in a cell or two, and not at each visit of a tooth, since the tooth of the mate
decides with it whether it flies.

Decided here: how far ahead is too far, and when speeds are too alike to tell.  All limits were found on our
own simulated stand alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.cycle.cells import NORMAL_PER_MAD, PHASES, Cells
from lashmap_analysis.cycle.checks import CycleFlag, flown_flag, speeds_alike_flag

if TYPE_CHECKING:
    from lashmap_analysis.gears.mesh_cycle import MeshCycle

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

# Robust standard deviations and length that are both passed. Of 35 boxes without a thick tooth none passed
# 5.6, of 79 that flew each 8.
AHEAD_SIGMAS, AHEAD_MM = 6.5, 0.002
FEW_VISITS, WIDE = 4, PHASES // 3  # where a tooth comes by so rarely, cells are averaged over so many instead
# Of the visits of a tooth so many may have flown by chance, but never more than half are left out for it:
# where teeth meet once or twice in a cycle, contact lost by chance at the tightest place is named as well.
BY_CHANCE, AT_LEAST, AT_MOST = 2.5, 0.5, 0.75
NEAR = PHASES // 2  # cells: those that smoothing puts into the tightest one, and two more
ALIKE = 1.2  # of the quickest over the slowest
# Thick beside its neighbours: plain boxes have some µm, and a tooth of 20 µm threw nothing off.
THICK_MM, NEIGHBOURS = 0.025, 6 * PHASES


def thrown_flag(
    cycle: MeshCycle, lash_mm: Floats, cells: Sequence[Cells], flank: Integers
) -> CycleFlag | None:
    """Say that the gear may have flown at the tightest place, or that no speed tells.

    Args:
        cycle: The mesh cycle.
        lash_mm: Shape (m, PHASES), NaN where it is not known.
        cells: Of each pass, before anything was cut out as lost contact.
        flank: Shape (passes,), 0 for drive and 1 for coast.
    """
    tight = int(np.nanargmin(lash_mm))
    sides = [[one for one, side in zip(cells, flank, strict=True) if side == at] for at in (0, 1)]
    speeds = [[float(np.nanmedian(np.abs(one.speed_mm_per_s))) for one in side] for side in sides]
    pairs = [(max(one), min(one)) for one in speeds]
    if min(quick / slow for quick, slow in pairs) < ALIKE:
        around = np.take(lash_mm.ravel(), np.arange(tight - NEIGHBOURS, tight + NEIGHBOURS), mode="wrap")
        thick = float(np.nanmedian(around)) - float(lash_mm.flat[tight])
        return speeds_alike_flag(thick, tight // PHASES) if thick > THICK_MM else None
    ahead = 0.0
    for side, speed in zip(sides, speeds, strict=True):
        quick, slow = side[int(np.argmax(speed))], side[int(np.argmin(speed))]
        for teeth in (cycle.gear_teeth, cycle.pinion_teeth):
            ahead = max(ahead, _ahead_mm(quick, slow, teeth, tight))
    return flown_flag(ahead, tight // PHASES) if ahead else None


def _ahead_mm(quick: Cells, slow: Cells, teeth: int, tight: int) -> float:
    """How far the quick pass is ahead near a cell at a quarter of the visits of its tooth; 0 if by chance."""
    ahead = (quick.advance_mm - slow.advance_mm).ravel() * (1.0 if quick.forward else -1.0)
    visits = ahead.reshape(-1, teeth * PHASES)
    if len(visits) < FEW_VISITS:
        beside = [np.roll(ahead, step) for step in range(-(WIDE // 2), WIDE // 2 + 1)]
        visits = np.mean(beside, axis=0).reshape(visits.shape)
    share = min(max(1.0 - BY_CHANCE / len(visits), AT_LEAST), AT_MOST)
    often = _quantile(visits, share)
    often = np.where(np.isfinite(often), often - np.nanmedian(often), 0.0)
    sigma = NORMAL_PER_MAD * float(np.median(np.abs(often)))
    most = float(np.take(often, np.arange(tight - NEAR, tight + NEAR + 1), mode="wrap").max())
    return most if most > max(AHEAD_SIGMAS * sigma, AHEAD_MM) else 0.0


def _quantile(visits: Floats, share: float) -> Floats:
    """As numpy's ``nanquantile`` over the first axis, which goes through the columns one by one."""
    ordered = np.sort(visits, axis=0)  # what was not seen comes last
    last = np.maximum(np.isfinite(ordered).sum(axis=0) - 1, 0)
    below = np.floor(share * last).astype(np.int64)
    above = np.minimum(below + 1, last)
    low, high = (np.take_along_axis(ordered, at[np.newaxis], axis=0)[0] for at in (below, above))
    return np.asarray(low + (share * last - below) * (high - low))
