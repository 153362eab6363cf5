"""A stretch of a rock trace for a screen: every sample, or the extremes of as many pieces as it has room for.

Of each piece the smallest and the largest sample stay, so that no spike, bounce or gap is lost at any zoom
(tsdownsample, min-max). A gap in the samples is told as a sample that is no number.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from lashmap_analysis.charts.svg import stretches
from lashmap_analysis.record.lengths import in_units
from tsdownsample import MinMaxDownsampler

if TYPE_CHECKING:
    from lashmap_analysis.record.record import RockTrace
    from lashmap_drivers.readings import Floats
    from numpy.typing import NDArray

    from lashmap_daemon.desk.opened import Opened

MOST_POINTS = 8000
_DOWNSAMPLER = MinMaxDownsampler()  # type: ignore[no-untyped-call]  # as published


def channels_of(trace: RockTrace) -> dict[str, tuple[Floats, Floats]]:
    """Times and values of the instruments that saw a rock, in mm and degrees."""
    found = {
        "indicator": (trace.time_s, trace.indicator_mm),
        "encoder": (trace.encoder_time_s, trace.encoder_deg),
    }
    return {name: (time_s, values) for name, (time_s, values) in found.items() if time_s.size}


def thinned(time_s: Floats, values: Floats, *, start_s: float, end_s: float, points: int) -> NDArray[Any]:
    """What to draw of a stretch.

    Args:
        time_s: Shape (n,), increasing.
        values: Shape (n,); what is not finite is a gap.
        start_s: Of the stretch; the sample before it comes too, and that after its end.
        end_s: Of the stretch.
        points: About so many at most.

    Returns:
        Shape (2, m): times and values, with nan in both where a line is interrupted.
    """
    first = max(int(np.searchsorted(time_s, start_s)) - 1, 0)
    last = min(int(np.searchsorted(time_s, end_s, side="right")) + 1, time_s.size)
    times, some = np.ascontiguousarray(time_s[first:last]), np.ascontiguousarray(values[first:last])
    part = stretches(times, some)
    finite = np.isfinite(some)
    times, some, part = times[finite], some[finite], part[finite]
    if times.size > points:
        kept = _DOWNSAMPLER.downsample(times, some, n_out=max(points // 2 * 2, 2))
        times, some, part = times[kept], some[kept], part[kept]
    breaks = np.flatnonzero(np.diff(part)) + 1
    return np.stack([np.insert(times, breaks, np.nan), np.insert(some, breaks, np.nan)])


def stretch(
    opened: Opened, position: int, channel: str, *, start_s: float, end_s: float, points: int
) -> bytes:
    """A stretch as the page takes it: little-endian float64, times since the rock began, then values.

    Lengths are in the unit of the box's papers.

    Raises:
        KeyError: There is no such rock or channel.
    """
    trace = opened.traces[position]
    time_s, values = channels_of(trace)[channel]
    origin_s = float(trace.time_s[0])
    found = thinned(
        time_s, values, start_s=origin_s + start_s, end_s=origin_s + end_s, points=min(points, MOST_POINTS)
    )
    scale = in_units(1.0, opened.assessment.record.units) if channel == "indicator" else 1.0
    return np.stack([found[0] - origin_s, found[1] * scale]).astype("<f8").tobytes()
