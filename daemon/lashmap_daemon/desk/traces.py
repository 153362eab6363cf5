"""The traces of a test, and a stretch of one for a screen: every sample, or extremes where they are too many.

Rocks, runout sweeps and passes are shown alike, each under a key. Of each piece the smallest and the largest
sample stay, so that no spike, bounce or gap is lost at any zoom (tsdownsample, min-max). A gap in the samples
is told as a sample that is no number.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from lashmap_analysis.charts.svg import stretches
from lashmap_analysis.record.lengths import in_units
from tsdownsample import MinMaxDownsampler

if TYPE_CHECKING:
    from lashmap_analysis.record.record import RockTrace, RunoutTrace, TestRecord, Units
    from lashmap_drivers.readings import Floats
    from numpy.typing import NDArray

MOST_POINTS = 8000
_DOWNSAMPLER = MinMaxDownsampler()  # type: ignore[no-untyped-call]  # as published
INDICATOR = "indicator"  # the channel of lengths; all others are angles


@dataclass(frozen=True, kw_only=True)
class Trace:
    """What instruments saw of a rock, a sweep or a pass.

    Attributes:
        about: What it is of, as the page is told.
        channels: Times and values by instrument, in mm and degrees; each has samples.
        origin_s: Where its times begin.
    """

    about: dict[str, Any]
    channels: dict[str, tuple[Floats, Floats]]
    origin_s: float

    @classmethod
    def of(cls, about: dict[str, Any], channels: dict[str, tuple[Floats, Floats]]) -> Self:
        """Without the channels that have no samples; its time begins with the first that has some."""
        seen = {name: (time_s, values) for name, (time_s, values) in channels.items() if time_s.size}
        first_s, _ = next(iter(seen.values()))
        return cls(about=about, channels=seen, origin_s=float(first_s[0]))


def traces_of(record: TestRecord) -> dict[str, Trace]:
    """All traces with samples, by key: rocks by their position, then sweeps, then passes."""
    found: dict[str, Trace] = {}
    for rock in record.traces:
        if rock.time_s.size:
            found[str(rock.position)] = Trace.of(
                {"kind": "rock", "position": rock.position}, _indicated(rock)
            )
    for sweep in record.sweeps:
        if sweep.time_s.size:
            found[f"sweep {sweep.member}"] = Trace.of(
                {"kind": "sweep", "member": sweep.member}, _indicated(sweep)
            )
    for one in record.passes:
        if one.pinion_time_s.size or one.gear_time_s.size:
            found[f"pass {one.number}"] = Trace.of(
                {"kind": "pass", "number": one.number, "direction": one.direction},
                {"pinion": (one.pinion_time_s, one.pinion_deg), "gear": (one.gear_time_s, one.gear_deg)},
            )
    return found


def _indicated(trace: RockTrace | RunoutTrace) -> dict[str, tuple[Floats, Floats]]:
    return {
        INDICATOR: (trace.time_s, trace.indicator_mm),
        "encoder": (trace.encoder_time_s, trace.encoder_deg),
    }


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


def stretch(trace: Trace, channel: str, units: Units, *, start_s: float, end_s: float, points: int) -> bytes:
    """A stretch as the page takes it: little-endian float64, times since the trace began, then values.

    Lengths are in ``units``, those of the box's papers.

    Raises:
        KeyError: There is no such channel.
    """
    time_s, values = trace.channels[channel]
    origin_s = trace.origin_s
    found = thinned(
        time_s, values, start_s=origin_s + start_s, end_s=origin_s + end_s, points=min(points, MOST_POINTS)
    )
    scale = in_units(1.0, units) if channel == INDICATOR else 1.0
    return np.stack([found[0] - origin_s, found[1] * scale]).astype("<f8").tobytes()
