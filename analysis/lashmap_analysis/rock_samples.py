"""Whether the samples can be trusted: enough of them, none missing, the indicator alive."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.flags import Flag, FlagName
from lashmap_analysis.rock_range import check_range

if TYPE_CHECKING:
    from collections.abc import Iterator

    from lashmap_analysis.rock_evidence import Evidence

LEAST_SAMPLES_PER_STAY = 3.0
"""Two agreeing samples and one on the way."""

MOST_LOST = 0.5
"""Share of the time that gaps may take."""


def check_samples(evidence: Evidence) -> Iterator[Flag]:
    """Yield what speaks against the samples."""
    if evidence.typical_samples < LEAST_SAMPLES_PER_STAY:
        yield undersampled(evidence.typical_samples)
    if evidence.gaps_s.size:
        yield _gap(evidence)
    yield from check_range(evidence)
    yield from _check_freeze(evidence)


def undersampled(samples: float) -> Flag:
    """The flag for a rock too fast for its indicator."""
    return Flag(
        name=FlagName.UNDERSAMPLED_DWELL,
        disabling=True,
        sentence="Too few samples on each flank: rock more slowly, or let the indicator send faster.",
        numbers={"samples_per_dwell": samples, "least_samples": LEAST_SAMPLES_PER_STAY},
    )


def _gap(evidence: Evidence) -> Flag:
    length, lost = float(evidence.time_s[-1] - evidence.time_s[0]), float(evidence.gaps_s.sum())
    grave = lost > MOST_LOST * length
    return Flag(
        name=FlagName.GAP_IN_SAMPLES,
        disabling=grave,
        sentence="Most of the rock is missing: check the cable, then repeat the rock."
        if grave
        else "Samples are missing; steps across a gap were left out.",
        numbers={
            "gaps": float(evidence.gaps_s.size),
            "longest_gap_s": float(evidence.gaps_s.max()),
            "lost_s": lost,
            "trace_s": length,
        },
    )


def _check_freeze(evidence: Evidence) -> Iterator[Flag]:
    """One value repeated far longer than any dwell while the indicator is alive elsewhere."""
    value = evidence.indicator_mm
    # a run longer than that covers two samples that are half of it apart
    sparse = value[:: max(int(max(10.0, 3 * evidence.typical_samples)) // 2, 1)]
    if not (sparse[1:] == sparse[:-1]).any():
        return
    changes = np.flatnonzero(value[1:] != value[:-1])
    ends = np.concatenate(([-1], changes, [value.size - 1]))
    longest = int((ends[1:] - ends[:-1]).max())
    if longest <= max(10.0, 3 * evidence.typical_samples):
        return
    start, stop = evidence.start[evidence.settled], evidence.stop[evidence.settled]
    inside = np.searchsorted(changes, stop - 1) - np.searchsorted(changes, start)
    alive = float(np.median(inside / np.maximum(stop - start - 1, 1))) if start.size else 0.0
    if alive > 0.25:
        yield Flag(
            name=FlagName.STUCK,
            disabling=True,
            sentence="The indicator repeated one value for longer than a dwell: check plunger and cable.",
            numbers={"same_value_samples": float(longest), "samples_per_dwell": evidence.typical_samples},
        )
