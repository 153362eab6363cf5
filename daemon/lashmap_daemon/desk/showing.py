"""What the page shows of an open test, and of two that are compared: parts of the report, as JSON."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np
from lashmap_analysis.record.lengths import in_units
from lashmap_analysis.render.parts import report_parts

from lashmap_daemon.clean_text import visible
from lashmap_daemon.desk.traces import INDICATOR, Trace

if TYPE_CHECKING:
    from lashmap_analysis.judge.assessment import PositionResult
    from lashmap_analysis.record.record import Units

    from lashmap_daemon.desk.opened import Opened


def shown(opened: Opened) -> dict[str, Any]:
    """A test, whole but for the samples of its traces."""
    assessment, story = opened.assessment, opened.story
    parts = report_parts(assessment)
    plain = {"box": visible(parts.box), "remark": visible(parts.remark)}
    rocks = {one.position: one for one in assessment.positions}
    return {
        "key": opened.key,
        "test": visible(opened.test),
        "seen": opened.events,
        "units": assessment.record.units,
        "parts": {**asdict(parts), **plain},
        "traces": {
            key: _trace(trace, rocks.get(trace.about.get("position", 0)), assessment.record.units)
            for key, trace in opened.traces.items()
        },
        "build": "" if story.build is None else visible(story.build.build),
        "closed": story.closed is not None,
        "exclusions": [
            {
                "number": one.number,
                "what": visible(one.what),
                "reason": visible(one.reason),
                "by": visible(one.by),
                "holds": one.undone is None,
            }
            for one in story.exclusions.values()
        ],
    }


def _trace(trace: Trace, rock: PositionResult | None, units: Units) -> dict[str, Any]:
    """What stands around the samples, times in seconds since it began; ``rock`` only where it is of one."""
    origin_s, scale = trace.origin_s, in_units(1.0, units)
    _, lengths_mm = trace.channels.get(INDICATOR, (None, np.empty(0)))
    finite = lengths_mm[np.isfinite(lengths_mm)]
    return {
        **trace.about,
        "duration": max(float(time_s[-1]) for time_s, _ in trace.channels.values()) - origin_s,
        "samples": max(int(time_s.size) for time_s, _ in trace.channels.values()),
        "low": float(finite.min()) * scale if finite.size else 0.0,
        "high": float(finite.max()) * scale if finite.size else 0.0,
        "channels": list(trace.channels),
        "dwells": [
            [one.start_s - origin_s, one.end_s - origin_s, one.level_mm * scale, one.high]
            for one in (rock.rock.dwells if rock else ())
        ],
        "flags": [
            {"name": flag.name.value, "sentence": visible(flag.sentence), "disabling": flag.disabling}
            for flag in (rock.flags if rock else ())
        ],
    }
