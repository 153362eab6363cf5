"""Assessments made up for the tests of the report and the result: invented boxes, people and numbers.

Nothing here is estimated from the traces: levels, dwells and uncertainties are put in by hand, so that a
test knows every figure that has to come out again.
"""

from __future__ import annotations

import math
from dataclasses import fields, is_dataclass, replace
from typing import Literal

import numpy as np
from analysis.made_positions import (
    READING_PER_BACKLASH,
    made_map,
    made_position,
    made_trace,
    refused,
    true_backlash_mm,
    warned,
)
from analysis.made_words import made_budget, made_preconditions, made_verdict
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.gears.indicator import Indicator
from lashmap_analysis.gears.tooth_names import teeth_met
from lashmap_analysis.judge.assessment import Assessment, PositionResult, SweepResult, TightSpotResult
from lashmap_analysis.judge.verdict import Verdict
from lashmap_analysis.lash_map.lash_map import LashMap
from lashmap_analysis.record.record import (
    Encoder,
    Identity,
    Limits,
    Precondition,
    RockTrace,
    TestRecord,
    Units,
)
from lashmap_analysis.rock.rock import Dwell
from lashmap_analysis.runout.match import match_runout, sweep_sentence
from lashmap_analysis.runout.sweep import measure_runout

HOSTILE = "<script>alert('x')</script>\"'><img src=http://example.invalid/x onerror=alert(1)>&amp;{{ 7*7 }}"
Scenario = Literal["conforming", "nonconforming", "not proven", "empty"]


def made_record(
    *, gear_set: GearSet, units: Units, traces: tuple[RockTrace, ...], proven: bool
) -> TestRecord:
    """Make the record of an invented box."""
    return TestRecord(
        identity=Identity(
            test="T-0042",
            box="Invented right-angle box 13:40",
            serial="INV-0007",
            set_number="S-1340-19",
            stand="stand 2 (simulated)",
            operator="A. Nobody",
            started_utc="2030-05-17T08:12:44Z",
            remark="Scenario and figures are invented.",
        ),
        gear_set=gear_set,
        indicator=Indicator(
            resolution_mm=0.0001, touch_radius_mm=72.0, direction="normal", calibration_uncertainty_mm=0.0012
        ),
        encoder=Encoder(shaft="gear", resolution_deg=0.0025, standard_uncertainty_deg=0.001),
        limits=Limits(
            minimum_mm=0.10,
            maximum_mm=0.18,
            variation_mm=0.06,
            kind="normal",
            source="drawing INV-1340, note 6",
        ),
        preconditions=made_preconditions(proven=proven),
        traces=traces,
        units=units,
        notes=(
            (95.0, "gear turned by hand past the oil groove"),
            (260.5, "position 9 repeated"),
        ),
    )


def made_assessment(
    scenario: Scenario = "conforming",
    *,
    units: Units = "mm",
    count: int = 24,
    pinion_teeth: int = 13,
    gear_teeth: int = 40,
    samples: int = 2000,
) -> Assessment:
    """Make an assessment of `count` planned positions and a confirming one (none when empty).

    Args:
        scenario: What was concluded.  ``empty`` means that the test was stopped before the first position.
        units: Units of the paperwork.
        count: Planned positions.
        pinion_teeth: z1.
        gear_teeth: z2.
        samples: Samples per trace, at 1 kHz.
    """
    gear_set = GearSet(
        pinion_teeth=pinion_teeth,
        gear_teeth=gear_teeth,
        outer_module_mm=4.0,
        face_width_mm=25.0,
        mean_spiral_angle_deg=35.0,
        contact_from_toe=1.0,
    )
    if scenario == "empty":
        return _empty(made_record(gear_set=gear_set, units=units, traces=(), proven=False))
    proven = scenario != "not proven"
    positions, traces = _measured(gear_set, count, samples)
    record = made_record(gear_set=gear_set, units=units, traces=traces, proven=proven)
    if scenario == "nonconforming":
        record = replace(record, limits=replace(record.limits, minimum_mm=0.145, maximum_mm=0.20))
    if scenario == "not proven":
        positions[3], positions[5] = refused(positions[3]), warned(positions[5])
        positions[8] = replace(positions[8], outlier=True)
    lash_map = made_map(gear_set, tuple(positions))
    stated = _stated(lash_map)
    turn, tooth = divmod(stated.engagement, gear_teeth)
    return Assessment(
        record=record,
        positions=tuple(positions),
        lash_map=lash_map,
        measured=replace(stated, normal_backlash_mm=positions[-1].normal_backlash_mm or math.nan),
        predicted=replace(stated, normal_backlash_mm=stated.normal_backlash_mm + 0.0004),
        stated=stated,
        confirmed=proven,
        budget=made_budget(),
        verdict=made_verdict(scenario),
        cause=f"The tight spot lies {tooth} gear teeth past the matched teeth in turn {turn + 1}; "
        "runout of both members put it there.",
        version="0.0.test",
        sweeps=made_sweeps(gear_set, lash_map, units) if scenario == "not proven" else (),
    )


def made_sweeps(gear_set: GearSet, lash_map: LashMap, units: Units = "mm") -> tuple[SweepResult, ...]:
    """Two turns of the gear before an indicator, and a sweep of the pinion that came too short."""
    angle_deg = np.arange(0.0, 730.0, 0.5)
    noise_mm = np.random.default_rng(4).normal(0.0, 0.0002, angle_deg.size)
    surface_mm = 0.004 * np.cos(np.radians(angle_deg - 140.0)) + 0.0006 * np.cos(np.radians(2 * angle_deg))
    sweep = measure_runout(angle_deg, surface_mm + noise_mm, resolution_mm=0.0001)
    match = match_runout(
        sweep,
        lash_map.gear_runout,
        gear_set=gear_set,
        shaft="gear",
        look="perpendicular to the pitch cone",
        units=units,
    )
    return (
        SweepResult(
            member="gear",
            sweep=sweep,
            refusal="",
            match=match,
            tight_spot_part_mm=0.0008,
            tight_spot_depth_mm=lash_map.mean_mm - lash_map.tight_spot.backlash_mm,
            sentence=f"{sweep_sentence(sweep, units)} {match.sentence}",
        ),
        SweepResult(
            member="pinion",
            sweep=None,
            refusal="less than one full turn",
            match=None,
            sentence="less than one full turn",
        ),
    )


def with_every_text(assessment: Assessment, words: str) -> Assessment:
    """Put `words` in the place of every text that a person, a file or a sentence builder may have written."""
    rewritten = _rewritten(assessment, words)
    assert isinstance(rewritten, Assessment)
    return rewritten


def _rewritten(value: object, words: str) -> object:
    """Replace texts in nested dataclasses and tuples, but not the words that stand for a choice."""
    choices = {"outcome", "state", "purpose", "direction", "kind", "units", "shaft", "name", "decision_rule"}
    # a dwell is a named tuple and holds no words
    if isinstance(value, tuple) and not isinstance(value, Dwell):
        return tuple(_rewritten(item, words) for item in value)
    if is_dataclass(value) and not isinstance(value, type):
        kept = choices - ({"name"} if isinstance(value, Precondition) else set())
        changes = {
            part.name: _rewritten(getattr(value, part.name), words)
            for part in fields(value)
            if part.init and part.name not in kept
        }
        return replace(value, **changes)
    return words if isinstance(value, str) else value


def _measured(
    gear_set: GearSet, count: int, samples: int
) -> tuple[list[PositionResult], tuple[RockTrace, ...]]:
    """Make planned positions over four gear turns, and a confirming one at the tight spot."""
    cycle = math.lcm(gear_set.pinion_teeth, gear_set.gear_teeth)
    curve = true_backlash_mm(gear_set, np.arange(cycle, dtype=np.float64))
    planned = np.round(np.linspace(0, min(cycle, 4 * gear_set.gear_teeth) - 7, count)).astype(int).tolist()
    results, traces = [], []
    for number, engagement in enumerate([*planned, int(np.argmin(curve))], start=1):
        backlash = float(curve[engagement % cycle]) + 0.0006 * math.sin(7.0 * number)
        trace = made_trace(
            number,
            engagement,
            backlash * READING_PER_BACKLASH,
            pitch_deg=360 / gear_set.gear_teeth,
            samples=samples,
        )
        if number == count + 1:
            trace = replace(trace, purpose="confirming")
        traces.append(trace)
        results.append(made_position(trace, gear_set, backlash))
    return results, tuple(traces)


def _stated(lash_map: LashMap) -> TightSpotResult:
    budget, spot = made_budget(), lash_map.tight_spot
    return TightSpotResult(
        engagement=spot.engagement,
        teeth=teeth_met(lash_map.gear_set, spot.engagement),
        gear_angle_deg=spot.engagement * 360.0 / lash_map.gear_set.gear_teeth,
        normal_backlash_mm=spot.backlash_mm,
        standard_uncertainty_mm=budget.combined_mm,
        expanded_uncertainty_mm=budget.expanded_mm,
        interval_mm=(spot.backlash_mm - 0.0036, spot.backlash_mm + 0.0031),
    )


def _empty(record: TestRecord) -> Assessment:
    return Assessment(
        record=replace(record, closing="stopped by the operator"),
        positions=(),
        lash_map=None,
        measured=None,
        predicted=None,
        stated=None,
        confirmed=False,
        budget=None,
        verdict=Verdict(
            outcome="not proven",
            reasons=("No position was recorded.",),
            would_settle=("Record at least eight positions.",),
        ),
        cause="",
        version="0.0.test",
    )
