"""The assessment: one test record becomes everything that may be said about the box.

Decided here: the order of the steps, and that every record gives an assessment, if only a *not proven* with
its reason. What each step does is decided in the module it calls.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import cos, hypot, isnan, radians

import numpy as np

from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.judge.assessment import (
    UNKNOWN,
    Assessment,
    CycleRun,
    Lash,
    PositionResult,
    SweepResult,
    TightSpotResult,
)
from lashmap_analysis.judge.cycle_run import cycle_run
from lashmap_analysis.judge.doubts import cautions_of, doubts_of
from lashmap_analysis.judge.roll_phases import with_roll
from lashmap_analysis.judge.settling import cause_sentence, confirm_step, narrowing_steps
from lashmap_analysis.judge.tight_spot import (
    NORMAL_95,
    ONE_SIDED_95,
    budget_against,
    confirms,
    conformance,
    from_lash_map,
    from_position,
    one_sided,
    two_sided,
    variation_interval,
)
from lashmap_analysis.judge.verdict import Evidence, Read, reach_verdict, tooth_allowance_mm, touched
from lashmap_analysis.lash_map.lash_map import LashMap, LashMapError, fit_lash_map
from lashmap_analysis.lash_map.repeats import BELIEVED_MM
from lashmap_analysis.record.record import ROLLED, Floats, RockTrace, RunoutTrace, Shaft, TestRecord
from lashmap_analysis.rock.cross_check import (
    EncoderView,
    beside_encoders,
    of_encoder,
    seen_by_encoders,
    stated_mm,
)
from lashmap_analysis.rock.rock import RockReading, measure_rock
from lashmap_analysis.rock.typed import measure_typed, rounded_alike
from lashmap_analysis.runout.match import RunoutMatch, match_runout, sweep_sentence, tight_spot_sentence
from lashmap_analysis.runout.sweep import RunoutError, measure_runout, time_sentence, turning_speed_deg_per_s
from lashmap_analysis.uncertainty.budget import Budget
from lashmap_analysis.uncertainty.mesh_state import correction_mm, shifts_of


def assess(record: TestRecord) -> Assessment:
    """Conclude from a test record whatever it allows.

    Args:
        record: The test record. An open-ended record (a test that was stopped, no usable position at all) is
            as welcome as a complete one.

    Returns:
        The assessment. What could not be concluded is None and named in the verdict's reasons.

    Raises:
        IndicatorError: The tip touches no tooth of this gear set, so that no reading means anything.
    """
    record.indicator.check_on(record.gear_set)
    record = _as_rounded(replace(record, conditions=replace(record.conditions, roll_seen=None)))
    measured = tuple(position_result(trace, record) for trace in record.traces)
    fit = _fit(measured, record)
    rolled = with_roll(record, measured, fit.lash_map)
    if rolled is not None:
        record, measured = rolled
        fit = _fit(measured, record)
    positions = _as_mapped(measured, fit.lash_map)
    fit = _with_cycle(fit, cycle_run(record, _usable(positions)), record)
    verdict = reach_verdict(
        _evidence(record, positions, fit),
        record.limits,
        record.preconditions,
        gear_set=record.gear_set,
        units=record.units,
    )
    lash, spot = fit.lash, _measured_spot(positions, record)
    seen = tuple(one.engagement for one in (spot, fit.predicted) if one is not None)
    return Assessment(
        record=record,
        positions=positions,
        lash_map=fit.lash_map,
        measured=spot,
        predicted=fit.predicted,
        stated=fit.stated,
        confirmed=fit.confirmed,
        budget=fit.budget,
        verdict=verdict,
        cause=fit.missing if lash is None else cause_sentence(lash, seen=seen, units=record.units),
        version=_version(),
        sweeps=tuple(sweep_result(trace, record, lash) for trace in record.sweeps),
        conformance=UNKNOWN
        if lash is None or fit.budget is None
        else conformance(lash, budget_against(record.limits, fit.budget, lash, record.indicator), record),
        cycle_run=fit.run,
    )


def _as_rounded(record: TestRecord) -> TestRecord:
    """Whether typed lashes differ enough from position to position to be rounded each in its own way."""
    typed = [one.typed for one in record.traces if one.typed is not None]
    if not (record.indicator.by_eye and typed):
        return record
    alike = rounded_alike(typed, record.indicator.resolution_mm)
    return replace(record, indicator=replace(record.indicator, rounded_alike=alike))


@dataclass(frozen=True, kw_only=True)
class _Fit:
    """The lash map with and without the confirming positions, the cycle run, and what is stated from them.

    `lash` is what is judged: the cycle run's where it judges, else the map.
    """

    lash_map: LashMap | None = None
    lash: Lash | None = None
    run: CycleRun | None = None
    predicted: TightSpotResult | None = None
    stated: TightSpotResult | None = None
    budget: Budget | None = None
    confirmed: bool = False
    missing: str = ""


def _fit(positions: Sequence[PositionResult], record: TestRecord) -> _Fit:
    usable = _usable(positions)
    try:
        lash_map = _fit_map(usable, record.gear_set)
    except LashMapError as error:
        return _Fit(missing=_why_no_map(positions, usable, error))
    stated, budget = from_lash_map(lash_map, record.indicator, record.conditions, units=record.units)
    before = _map_before_confirming(usable, lash_map, record.gear_set)
    return _Fit(
        lash_map=lash_map,
        lash=lash_map,
        predicted=from_lash_map(before, record.indicator, record.conditions)[0] if before else None,
        stated=stated,
        budget=budget,
        confirmed=_is_confirmed(usable, before, record.gear_set),
    )


def _with_cycle(fit: _Fit, run: CycleRun | None, record: TestRecord) -> _Fit:
    """What is stated once the passes are looked at: from them where they judge, else as the rocks say."""
    if run is None:
        return fit
    if run.curve is None or not run.judges:
        # Without a map either, both reasons count.
        return replace(fit, run=run, missing=f"{fit.missing} {run.refusal}" if fit.missing else "")
    stated, total = from_lash_map(run.curve, record.indicator, record.conditions, units=record.units)
    return replace(
        fit,
        run=run,
        lash=run.curve,
        stated=stated,
        predicted=None,  # that of a map of the rocks would be beside the point
        budget=total,
        confirmed=run.confirmed,
        missing="",
    )


def _fit_map(positions: Sequence[PositionResult], gear_set: GearSet) -> LashMap:
    return fit_lash_map(
        gear_set,
        np.array([one.engagement for one in positions], dtype=np.int64),
        np.array([one.normal_backlash_mm for one in positions], dtype=np.float64),
        np.array([one.standard_uncertainty_mm for one in positions], dtype=np.float64),
    )


def _map_before_confirming(
    usable: Sequence[PositionResult], lash_map: LashMap, gear_set: GearSet
) -> LashMap | None:
    """The map that predicted the tight spot; the whole one when nothing was confirmed."""
    planned = [one for one in usable if one.purpose == "planned"]
    if len(planned) == len(usable):
        return lash_map
    try:
        return _fit_map(planned, gear_set)
    except LashMapError:
        return None


def _is_confirmed(usable: Sequence[PositionResult], before: LashMap | None, gear_set: GearSet) -> bool:
    """The latest confirming position at the tight spot, as then known, reads as was predicted.

    An earlier one that did not has moved the tight spot since, and is part of the later prediction.
    """
    planned = [one for one in usable if one.purpose == "planned"]
    for index in range(len(usable) - 1, -1, -1):
        if usable[index].purpose != "confirming":
            continue
        try:
            known = before if before and usable[:index] == planned else _fit_map(usable[:index], gear_set)
        except LashMapError:
            return False
        answer = confirms(usable[index], known)
        if answer is not None:
            return answer
    return False


def _why_no_map(
    positions: Sequence[PositionResult], usable: Sequence[PositionResult], error: LashMapError
) -> str:
    if not positions:
        return "No tight spot was found: no position was recorded."
    if not usable:
        return f"No tight spot was found: none of the {len(positions)} recorded positions is usable."
    share = f"{len(usable)} of {len(positions)} recorded positions are usable"
    return f"No tight spot was found: {share}; a lash map needs {error.expected}."


def _evidence(record: TestRecord, positions: Sequence[PositionResult], fit: _Fit) -> Evidence:
    read: Read = "encoder" if record.indicator.is_encoder else "indicator"
    if fit.lash is None or fit.stated is None or fit.budget is None:
        more = "Record more positions whose rocks are usable."
        return Evidence(
            read=read,
            missing=fit.missing,
            doubts=doubts_of(record, positions, None, fit.run),
            narrow=(more,)
            if fit.run is None
            else (more, "Or repeat the cycle run, and rock at three places."),
            cautions=cautions_of(record, positions, None, fit.run),
        )
    budget = budget_against(record.limits, fit.budget, fit.lash, record.indicator)
    interval = two_sided(fit.lash, budget)
    sided = one_sided(fit.lash, budget)
    passed = () if fit.run is None else fit.run.engagements
    teeth = touched(record.gear_set, (*(one.engagement for one in _usable(positions)), *passed))
    return Evidence(
        read=read,
        interval_mm=interval,
        variation_interval_mm=variation_interval(fit.lash, budget, NORMAL_95),
        one_sided_mm=sided,
        variation_one_sided_mm=variation_interval(fit.lash, budget, ONE_SIDED_95),
        confirmed=fit.confirmed,
        doubts=doubts_of(record, positions, fit.stated, fit.run),
        narrow=narrowing_steps(
            fit.lash,
            budget,
            sided if sided and record.limits.decision_rule == "one-sided" else interval,
            record,
        ),
        confirm=confirm_step(fit.lash),
        cautions=cautions_of(record, positions, fit.lash_map, fit.run),
        untouched_mm=0.0 if teeth.every else tooth_allowance_mm(record.gear_set, record.limits),
        untouched=teeth.left,
        touch=teeth.remedy,
    )


def _measured_spot(positions: Sequence[PositionResult], record: TestRecord) -> TightSpotResult | None:
    """The tightest confirming position, or the tightest of all when none was confirmed."""
    usable = _usable(positions)
    confirming = [one for one in usable if one.purpose == "confirming"]
    tightest = min(confirming or usable, key=lambda one: one.normal_backlash_mm or 0.0, default=None)
    if tightest is None:
        return None
    return from_position(tightest, record.gear_set, record.indicator, record.conditions)


def _usable(positions: Sequence[PositionResult]) -> list[PositionResult]:
    """Positions that count in the lash map."""
    return [one for one in positions if one.mapped]


def _as_mapped(positions: tuple[PositionResult, ...], lash_map: LashMap | None) -> tuple[PositionResult, ...]:
    """Add what the lash map says of each position; it counts the usable ones only."""
    if lash_map is None:
        return positions
    usable = _usable(positions)
    named = {usable[index].position for index in lash_map.outliers}
    setting = BELIEVED_MM if lash_map.setting is None else lash_map.setting.root_mean_square_mm
    return tuple(replace(one, outlier=one.position in named, setting_mm=setting) for one in positions)


def _version() -> str:
    from importlib.metadata import PackageNotFoundError, version  # noqa: PLC0415 - reads files; not on import

    try:
        return version("lashmap")
    except PackageNotFoundError:
        return "unknown (not installed)"


def position_result(trace: RockTrace, record: TestRecord) -> PositionResult:
    """Measure one position.

    Args:
        trace: The samples of its rock.
        record: The test it belongs to, for gear set, indicator and encoder.

    Returns:
        The result; with a disabling flag, backlash and its uncertainty are None.

    Raises:
        IndicatorError: The tip touches no tooth of this gear set.
    """
    rock = _rock(trace, record)
    view = seen_by_encoders(
        trace,
        rock,
        gear_set=record.gear_set,
        indicator=record.indicator,
        encoder=record.encoder,
        pinion_encoder=record.pinion_encoder,
    )
    rolled = ROLLED.get(trace.purpose, 0.0)
    nominal = record.gear_set.gear_angle_deg(1) * (trace.engagement + rolled)
    blank = PositionResult(
        position=trace.position,
        engagement=trace.engagement,
        purpose=trace.purpose,
        attempt=trace.attempt,
        gear_angle_deg=nominal if view.gear_angle_deg is None else view.gear_angle_deg,
        rock=rock,
        normal_backlash_mm=None,
        standard_uncertainty_mm=None,
        encoder_backlash_mm=view.backlash_mm,
        flags=rock.flags,
    )
    return _measured(blank, view, record) if rock.usable else blank


def _rock(trace: RockTrace, record: TestRecord) -> RockReading:
    """The reading of a trace, or of what was typed instead."""
    step_mm = record.indicator.resolution_mm
    if trace.typed is None:
        rock = measure_rock(
            trace.time_s, trace.indicator_mm, resolution_mm=step_mm, left_out_s=trace.left_out_s
        )
        return of_encoder(rock) if record.indicator.is_encoder else rock
    others = [one.typed for one in record.traces if one.typed is not None and one.position != trace.position]
    return measure_typed(trace.typed, others, step_mm=step_mm, most_mm=record.gear_set.outer_module_mm / 2)


def _measured(blank: PositionResult, view: EncoderView, record: TestRecord) -> PositionResult:
    """Add the backlash, unless the encoders show that it is not the mesh's."""
    beside = beside_encoders(
        view, blank.rock, gear_set=record.gear_set, indicator=record.indicator, units=record.units
    )
    flagged = replace(blank, flags=(*blank.flags, *beside.flags))
    if any(flag.disabling for flag in beside.flags):
        return flagged
    of = shifts_of(blank.purpose)
    shift = correction_mm(record.gear_set, record.indicator, record.conditions, of=of)
    return replace(
        flagged,
        normal_backlash_mm=stated_mm(blank.rock, record.gear_set, record.indicator, record.conditions, of=of),
        standard_uncertainty_mm=beside.standard_uncertainty_mm,
        encoder_backlash_mm=None if view.backlash_mm is None else view.backlash_mm + shift,
    )


# Turned further than this between two encoder samples, the angle between them is not interpolated: the turn
# then has a hole, and a hole of 30 degrees is refused. A sweep turns about 200 degrees in a second, so that
# only a drop-out of the encoder comes near.
MOST_BETWEEN_DEG = 30.0


def sweep_result(trace: RunoutTrace, record: TestRecord, lash_map: Lash | None) -> SweepResult:
    """Measure one sweep.

    Args:
        trace: The sweep.
        record: The test record, for the gear set, encoder, resolution and units.
        lash_map: The lash that is judged, or None.

    Returns:
        The result; without a runout, only its refusal. Samples that are no number, or at which nobody knows
        the angle, are left out; a turn with too many left out is refused.
    """
    try:
        angle = member_angle_deg(trace, record)
        known = np.isfinite(angle) & np.isfinite(trace.indicator_mm)
        speed = turning_speed_deg_per_s(trace.time_s[known], angle[known])
        stated = trace.times_apart_uncertainty_s
        sweep = measure_runout(
            angle[known],
            trace.indicator_mm[known],
            resolution_mm=record.indicator.resolution_mm,
            angle_uncertainty_deg=0.0 if isnan(stated) or isnan(speed) else speed * stated,
        )
    except RunoutError as error:
        refusal = f"needed is {error.expected}; the sweep has {error.got}."
        return SweepResult(member=trace.member, sweep=None, refusal=refusal, match=None, sentence=refusal)
    members = {} if lash_map is None else {"gear": lash_map.gear_runout, "pinion": lash_map.pinion_runout}
    match = match_runout(
        sweep,
        members.get(trace.member),
        gear_set=record.gear_set,
        shaft=trace.member,
        look="perpendicular to the pitch cone",
        indicator_past_mesh_deg=trace.indicator_from_mesh_deg,
        merged=lash_map.merged_runout if lash_map is not None else None,
        units=record.units,
    )
    words = [sweep_sentence(sweep, record.units), match.sentence, time_sentence(stated, speed)]
    taken = depth = None
    if lash_map is not None:
        taken = _taken_mm(match, trace.member, lash_map)
        depth = lash_map.mean_mm - lash_map.tight_spot.backlash_mm
        if taken is not None and depth > 0:
            known_to = hypot(
                0.0 if isnan(lash_map.mean_uncertainty_mm) else lash_map.mean_uncertainty_mm,
                lash_map.tight_spot.standard_uncertainty_mm,
            )
            words.append(tight_spot_sentence(taken, depth, known_to, record.units))
    return SweepResult(
        member=trace.member,
        sweep=sweep,
        refusal="",
        match=match,
        tight_spot_part_mm=taken,
        tight_spot_depth_mm=depth,
        sentence=" ".join(word for word in words if word),
        turning_deg_per_s=speed,
        times_apart_uncertainty_s=stated,
    )


def member_angle_deg(trace: RunoutTrace, record: TestRecord) -> Floats:
    """Angle of the swept member past the matched teeth at each indicator sample, shape (n,).

    NaN before the encoder's first sample, after its last, and in its drop-outs.

    Raises:
        RunoutError: The encoder gave fewer than two samples during the sweep.
    """
    if record.encoder is None:
        raise RunoutError("encoder", None, "an angle encoder")
    usable = np.isfinite(trace.encoder_time_s) & np.isfinite(trace.encoder_deg)
    time_s = trace.encoder_time_s[usable]
    if len(time_s) < 2:
        raise RunoutError("encoder_deg", len(time_s), "at least two samples of the encoder during the sweep")
    teeth = {"gear": record.gear_set.gear_teeth, "pinion": record.gear_set.pinion_teeth}
    angle = trace.encoder_deg[usable] * (teeth[record.encoder.shaft] / teeth[trace.member])
    between = np.interp(trace.time_s, time_s, angle, left=np.nan, right=np.nan)
    after = np.clip(np.searchsorted(time_s, trace.time_s, side="left"), 1, len(time_s) - 1)
    between[np.abs(np.diff(angle))[after - 1] > MOST_BETWEEN_DEG] = np.nan
    return between


def _taken_mm(match: RunoutMatch, member: Shaft, lash_map: Lash) -> float | None:
    """Backlash that the measured runout takes at the tight spot: A cos(θ − φ), θ the member's angle there."""
    if match.mesh_high_point_deg is None:
        return None
    gear_set = lash_map.gear_set
    teeth = gear_set.gear_teeth if member == "gear" else gear_set.pinion_teeth
    angle = 360.0 * lash_map.tight_spot.engagement / teeth
    return match.predicted_amplitude_mm * cos(radians(angle - match.mesh_high_point_deg))
