"""Transmission error of either flank: its total, tooth to tooth, and its orders.

Decided here: what single-flank figures follow from the advance of a cycle run.  Not decided here: how the
advance is found (`cycle/cycle.py`).

Names and definitions of the single-flank figures are those of ISO 17485 as far as they are known *from
memory*: the total is the range over the whole mesh cycle, tooth to tooth the largest range within one
engagement.  The graduation errors of both encoders are in them; the lash is free of those, these figures
are not.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import gcd
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.cycle.cells import PHASES

if TYPE_CHECKING:
    from lashmap_analysis.cycle.cycle import CycleFit

Floats = NDArray[np.float64]

HARMONICS = 3  # of the tooth mesh that are named


@dataclass(frozen=True, kw_only=True)
class Order:
    """One order of the transmission error.

    Attributes:
        name: What turns that often; empty where nothing does.
        per_gear_turn: Its order, in cycles for each turn of the gear.
        amplitude_mm: Half of its peak to peak, at the outer pitch circle.
    """

    name: str
    per_gear_turn: float
    amplitude_mm: float


@dataclass(frozen=True, kw_only=True)
class TransmissionError:
    """Transmission error of one flank; lengths are arcs at the outer pitch circle.

    Attributes:
        curve_mm: Shape (m · PHASES,), advance of the gear over the ideal ratio, about its mean.
        total_mm: Range of the curve.
        tooth_to_tooth_mm: Largest range within one engagement.
        per_gear_turn: Shape (n,), orders of the spectrum in cycles for each turn of the gear.
        amplitude_mm: Shape (n,), amplitude of each.
        named: The orders of gear, pinion and tooth mesh.
        per_mm_urad: Turn of the gear for each mm of arc, µrad.
    """

    curve_mm: Floats
    total_mm: float
    tooth_to_tooth_mm: float
    per_gear_turn: Floats
    amplitude_mm: Floats
    named: tuple[Order, ...]
    per_mm_urad: float


def transmission_error(fit: CycleFit, *, coast: bool = False) -> TransmissionError | None:
    """Transmission error of the drive (or the coast) flanks; None where part of the cycle is not known."""
    cells = fit.coast_mm if coast else fit.drive_mm
    if not np.all(np.isfinite(cells)):
        return None
    gear_set = fit.gear_set
    curve = cells.ravel() - cells.mean()
    amplitude = 2 * np.abs(np.fft.rfft(curve)) / curve.size
    amplitude[0] = 0.0
    if curve.size % 2 == 0:
        amplitude[-1] /= 2
    turns = len(cells) // gear_set.gear_teeth  # of the gear in a mesh cycle
    named = [
        ("gear, once per turn", turns),
        ("pinion, once per turn", gear_set.gear_teeth // gcd(gear_set.gear_teeth, gear_set.pinion_teeth)),
        *((f"tooth mesh, {number}×", number * len(cells)) for number in range(1, HARMONICS + 1)),
    ]
    around = np.concatenate([curve[-PHASES:], curve, curve[:PHASES]])
    windows = np.lib.stride_tricks.sliding_window_view(around, PHASES + 1)
    return TransmissionError(
        curve_mm=curve,
        total_mm=float(np.ptp(curve)),
        tooth_to_tooth_mm=float(np.ptp(windows, axis=1).max()),
        per_gear_turn=np.arange(amplitude.size) / turns,
        amplitude_mm=amplitude,
        named=tuple(
            Order(name=name, per_gear_turn=index / turns, amplitude_mm=float(amplitude[index]))
            for name, index in named
            if index < amplitude.size
        ),
        per_mm_urad=2e6 / (gear_set.outer_module_mm * gear_set.gear_teeth),
    )
