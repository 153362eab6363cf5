"""What the page shows of an open test, and of two that are compared: parts of the report, as JSON."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np
from lashmap_analysis.record.lengths import in_units
from lashmap_analysis.render.parts import report_parts

from lashmap_daemon.clean_text import visible
from lashmap_daemon.desk.traces import channels_of

if TYPE_CHECKING:
    from lashmap_analysis.judge.assessment import Assessment, PositionResult
    from lashmap_analysis.record.record import RockTrace

    from lashmap_daemon.desk.opened import Opened


def shown(opened: Opened) -> dict[str, Any]:
    """A test, whole but for the samples of its traces."""
    assessment, story = opened.assessment, opened.story
    parts = report_parts(assessment)
    plain = {"box": visible(parts.box), "remark": visible(parts.remark)}
    traces = opened.traces
    return {
        "key": opened.key,
        "test": visible(opened.test),
        "seen": opened.events,
        "units": assessment.record.units,
        "parts": {**asdict(parts), **plain},
        "traces": {
            one.position: _trace(one, traces[one.position], assessment)
            for one in assessment.positions
            if one.position in traces
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


def _trace(position: PositionResult, trace: RockTrace, assessment: Assessment) -> dict[str, Any]:
    """Of one rock: what stands around its samples; times are seconds since it began."""
    origin_s, scale = float(trace.time_s[0]), in_units(1.0, assessment.record.units)
    finite = trace.indicator_mm[np.isfinite(trace.indicator_mm)]
    ends = [float(one[-1]) for one, _ in channels_of(trace).values()]
    return {
        "duration": max(ends) - origin_s,
        "samples": int(trace.time_s.size),
        "low": float(finite.min()) * scale if finite.size else 0.0,
        "high": float(finite.max()) * scale if finite.size else 0.0,
        "channels": list(channels_of(trace)),
        "usable": position.usable,
        "dwells": [
            [one.start_s - origin_s, one.end_s - origin_s, one.level_mm * scale, one.high]
            for one in position.rock.dwells
        ],
        "flags": [
            {"name": flag.name.value, "sentence": visible(flag.sentence), "disabling": flag.disabling}
            for flag in position.flags
        ],
    }
