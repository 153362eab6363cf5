"""Flags: every refusal and warning about a trace is one of these names, with the numbers behind it.

A flag is *disabling* when no lash may be taken from the trace; otherwise it is a warning that travels with
the reading into the table, the record and the report.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


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
    INSTRUMENTS_DISAGREE = "indicator and encoder disagree"


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
