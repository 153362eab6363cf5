"""Whether the tight spot may be a gear that flew: thrown ahead of its flank by a tooth, in every pass.

A thick tooth throws the gear ahead, and while it flies lash looks smaller.  Flights that repeat in all passes
are no contact that was lost in one of them, and only the far ones are cut out (`cycle/cells.py`).  But a gear
flies further when it is turned quicker, and teeth do not change with speed: over all visits of a tooth, the
quickest pass of a flank is then ahead of the slowest.

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

# Robust standard deviations and length that are both passed: far, or little and beyond any scatter.
AHEAD = ((4.5, 0.0023), (6.5, 0.0010))
FEW_VISITS = 3  # of a tooth, below which no median leaves contact out that was lost by chance
NEAR = 2 * PHASES  # cells; a tooth throws the gear where contact comes to it and where it goes
WIDE = PHASES // 3  # cells that are averaged
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
            if cycle.length // teeth >= FEW_VISITS:
                ahead = max(ahead, _ahead_mm(quick, slow, teeth, tight))
    return flown_flag(ahead, tight // PHASES) if ahead else None


def _ahead_mm(quick: Cells, slow: Cells, teeth: int, tight: int) -> float:
    """How far the quick pass is ahead near a cell over all visits of its tooth; 0 when it may be chance."""
    ahead = (quick.advance_mm - slow.advance_mm) * (1.0 if quick.forward else -1.0)
    visits = ahead.reshape(-1, teeth * PHASES)
    seen = np.isfinite(visits).any(axis=0)
    usual = np.zeros(seen.size)
    usual[seen] = np.nanmedian(visits[:, seen], axis=0)
    usual[seen] -= np.median(usual[seen])
    wide = np.mean([np.roll(usual, step) for step in range(-(WIDE // 2), WIDE // 2 + 1)], axis=0)
    sigma = NORMAL_PER_MAD * float(np.median(np.abs(wide - np.median(wide))))
    most = float(np.take(wide, np.arange(tight - NEAR, tight + NEAR + 1), mode="wrap").max())
    return most if any(most > max(sigmas * sigma, least) for sigmas, least in AHEAD) else 0.0
