"""What an import looks at and what it finds: the samples, and the stretches of them that mean something."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from lashmap_analysis.record import Shaft
from lashmap_drivers.readings import Floats


@dataclass(frozen=True, kw_only=True)
class Signals:
    """Both instruments' samples as numbers, as the decoders of the logbook give them.

    Attributes:
        time_s: Indicator's times, shape (n,).
        indicator_mm: Shape (n,).
        encoder_time_s: Shape (m,); empty without an encoder.
        encoder_deg: Shape (m,), of its shaft, its own zero.
    """

    time_s: Floats
    indicator_mm: Floats
    encoder_time_s: Floats
    encoder_deg: Floats


@dataclass(frozen=True, kw_only=True)
class Rock:
    """A stretch of the recording.

    Attributes:
        engagement: Whole gear teeth past the matched teeth.
        start_s: First moment, seconds since the recording began.
        end_s: Last moment.
    """

    engagement: int
    start_s: float
    end_s: float


@dataclass(frozen=True, kw_only=True)
class Sweep:
    """A stretch of the recording in which a member was turned with the indicator on it.

    Attributes:
        member: The member that was turned.
        start_s: First moment, seconds since the recording began.
        end_s: Last moment.
    """

    member: Shaft
    start_s: float
    end_s: float


@dataclass(frozen=True, kw_only=True)
class Found:
    """The rocks, the runout sweeps, and the encoder's angle with the matched teeth together."""

    rocks: tuple[Rock, ...]
    sweeps: tuple[Sweep, ...]
    matched_deg: float


def stretches(values: Floats) -> list[tuple[int, int]]:
    """First and last index of every stretch of equal values."""
    edges = np.flatnonzero(values[1:] != values[:-1]) + 1  # infinite ones are equal
    firsts, lasts = np.r_[0, edges], np.r_[edges, len(values)] - 1
    return list(zip(firsts.tolist(), lasts.tolist(), strict=True))
