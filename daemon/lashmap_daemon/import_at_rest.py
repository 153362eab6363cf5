"""The rocks of a recording that nobody labelled: where gear and tip rest as the live test lets them.

Decided here: which stretch is a rock, by the live test's own limits.
"""

from __future__ import annotations

import numpy as np
from lashmap_analysis.gear_set import GearSet
from lashmap_drivers.readings import Floats
from numpy.typing import NDArray

from lashmap_daemon.arrival import StillLimits, still_limits, window_s
from lashmap_daemon.box_file import BoxFile
from lashmap_daemon.import_mapping import Mapping
from lashmap_daemon.import_stretch import Rock, Signals, stretches
from lashmap_daemon.rest_between import rest_after, rest_before


def rocks_at_rest(mapping: Mapping, box: BoxFile, signals: Signals, zero: float) -> tuple[Rock, ...]:
    """Stretches in which the gear stays at one engagement, moves no more than a rock, and so does the tip.

    The recording is cut into half windows of the length that the live test watches; two neighbouring halves
    together must be still, by the live test's own limits, and the rock begins after them, as it does there:
    before, the tip comes down on its tooth.
    """
    gear_set = box.gear_set.gear_set()
    limits = still_limits(gear_set, box.limits_for_analysis())
    gear_deg = _gear_deg(mapping, gear_set, signals.encoder_deg - zero)
    rate = min(
        len(t) / (t[-1] - t[0]) if len(t) > 1 else 0.0 for t in (signals.time_s, signals.encoder_time_s)
    )
    half_s = window_s(rate) / 2.0
    pieces = int(max(signals.time_s[-1], signals.encoder_time_s[-1]) / half_s) + 1
    gear, tip = (
        _extremes(times, values, half_s, pieces)
        for times, values in ((signals.encoder_time_s, gear_deg), (signals.time_s, signals.indicator_mm))
    )
    place = _place(gear, gear_set, limits)
    still = np.where(
        _together(gear, limits.gear_span_deg) & _together(tip, limits.tip_span_mm), place, np.inf
    )
    rocks = []
    for first, last in stretches(still):
        start, end = (first + 2) * half_s, (last + 2) * half_s - 1e-6  # the next piece begins there
        if np.isfinite(still[first]) and end - start >= mapping.positions.least_seconds:
            found = Rock(engagement=int(still[first]), start_s=start, end_s=end)
            found = _trimmed(found, signals.time_s, signals.indicator_mm)
            found = _trimmed(found, signals.encoder_time_s, gear_deg)
            rocks.append(_from_flank_to_flank(found, signals))
    return tuple(rocks)


def _trimmed(rock: Rock, times: Floats, values: Floats) -> Rock:
    """Without the beginning and end in which one instrument is still on its way.

    What a rock spans is seen in the middle three fifths of the stretch; the first and last fifths are cut
    after and before their last and first sample outside of that span, with a third of it as a margin.
    """
    first, last = np.searchsorted(times, [rock.start_s, rock.end_s]).tolist()
    inside, since = values[first:last], times[first:last]
    share = (since - rock.start_s) / (rock.end_s - rock.start_s)
    middle = inside[(share > 0.2) & (share < 0.8)]
    if not len(middle):
        return rock
    low, high = float(middle.min()), float(middle.max())
    margin = (high - low) / 3.0
    outside = (inside < low - margin) | (inside > high + margin)
    before, after = np.flatnonzero(outside & (share <= 0.2)), np.flatnonzero(outside & (share >= 0.8))
    return Rock(
        engagement=rock.engagement,
        start_s=float(since[before[-1] + 1]) if before.size else rock.start_s,
        end_s=float(since[after[0] - 1]) if after.size else rock.end_s,
    )


def _from_flank_to_flank(rock: Rock, signals: Signals) -> Rock:
    """Without a rest between the flanks at either end."""
    first, last = np.searchsorted(signals.time_s, [rock.start_s, np.nextafter(rock.end_s, np.inf)]).tolist()
    times, values = signals.time_s[first:last], signals.indicator_mm[first:last]
    before, after = rest_before(times, values), rest_after(times, values)
    return Rock(
        engagement=rock.engagement,
        start_s=float(times[before]) if before else rock.start_s,
        end_s=float(times[-1 - after]) if after else rock.end_s,
    )


def _extremes(times: Floats, values: Floats, step_s: float, pieces: int) -> tuple[Floats, Floats]:
    """Least and largest value in every piece of the recording; nan where it holds none."""
    piece = np.minimum((times / step_s).astype(np.int64), pieces - 1)
    low, high = np.full(pieces, np.inf), np.full(pieces, -np.inf)
    np.minimum.at(low, piece, values)
    np.maximum.at(high, piece, values)
    return np.where(np.isfinite(low), low, np.nan), np.where(np.isfinite(high), high, np.nan)


def _together(ends: tuple[Floats, Floats], span: float) -> NDArray[np.bool_]:
    """Whether a piece and the next stay within a span together; shape one less than the pieces."""
    low, high = np.minimum(ends[0][:-1], ends[0][1:]), np.maximum(ends[1][:-1], ends[1][1:])
    return np.asarray(high - low <= span)  # false where one is nan


def _place(gear: tuple[Floats, Floats], gear_set: GearSet, limits: StillLimits) -> Floats:
    """Engagement that a piece and the next rest at; infinite where they rest at none."""
    pitch = 360.0 / gear_set.gear_teeth
    low, high = np.minimum(gear[0][:-1], gear[0][1:]), np.maximum(gear[1][:-1], gear[1][1:])
    middle = (low + high) / 2.0
    whole = np.round(middle / pitch)
    return np.where(np.abs(middle - whole * pitch) <= limits.near_deg, whole, np.inf)


def _gear_deg(mapping: Mapping, gear_set: GearSet, shaft_deg: Floats) -> Floats:
    on_pinion = mapping.encoder is not None and mapping.encoder.shaft == "pinion"
    return np.asarray(shaft_deg / gear_set.ratio if on_pinion else shaft_deg)
