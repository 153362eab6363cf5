"""Which words and which scale go with each small picture of a rock trace."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from lashmap_analysis.assessment import Assessment, PositionResult
from lashmap_analysis.lengths import DECIMALS, format_length, in_units
from lashmap_analysis.record import RockTrace, Units
from lashmap_analysis.report.charts_trace import TraceView, trace_chart


@dataclass(frozen=True, kw_only=True)
class TraceFigure:
    """A small picture with its words."""

    heading: str
    reading: str
    detail: str
    reversals: str
    flags: tuple[str, ...]
    refused: bool
    picture: Markup


def trace_figures(assessment: Assessment) -> tuple[TraceFigure, ...]:
    """Picture every trace that was recorded, all usable ones on one scale."""
    units = assessment.record.units
    traces = {trace.position: trace for trace in assessment.record.traces}
    shared_mm = _shared_span_mm(assessment, traces)
    return tuple(
        _figure(position, traces[position.position], shared_mm, units)
        for position in assessment.positions
        if position.position in traces
    )


def _span_mm(trace: RockTrace) -> float:
    finite = trace.indicator_mm[np.isfinite(trace.indicator_mm)]
    return float(np.ptp(finite)) if finite.size else 0.0


def _shared_span_mm(assessment: Assessment, traces: Mapping[int, RockTrace]) -> float:
    spans = [
        _span_mm(traces[p.position])
        for p in assessment.positions
        if p.normal_backlash_mm is not None and p.position in traces
    ]
    return 1.08 * max(spans, default=0.0)


def _figure(position: PositionResult, trace: RockTrace, shared_mm: float, units: Units) -> TraceFigure:
    rock = position.rock
    refused = position.normal_backlash_mm is None
    span_mm = _span_mm(trace)
    own = span_mm > shared_mm
    height_mm = 1.08 * span_mm if own else shared_mm
    # A dead flat trace still needs a height to be drawn in.
    height_mm = height_mm or 0.01
    reading = "refused" if refused else format_length(rock.reading_mm, units)
    scale = in_units(1.0, units)
    height = format_length(height_mm, units, decimals=DECIMALS[units] - 1)
    label = f"own scale, {height}" if own else f"height {height}"
    picture = trace_chart(
        TraceView(
            name=f"trace-{position.position}",
            title=f"Rock trace of position {position.position}",
            description=(
                f"Indicator against time at engagement {position.engagement}: {reading}, "
                f"{len(rock.dwells)} settled dwells marked."
            ),
            time_s=trace.time_s,
            indicator=trace.indicator_mm * scale,
            dwells=rock.dwells,
            scale=scale,
            span=height_mm * scale,
            units=units,
            label=label,
            refused=refused,
        )
    )
    return TraceFigure(
        heading=f"{position.position}",
        reading=reading,
        detail=f"engagement {position.engagement}",
        flags=tuple(flag.name.value for flag in position.flags),
        reversals="no reading" if refused else f"{rock.reversals} reversals",
        refused=refused,
        picture=picture,
    )
