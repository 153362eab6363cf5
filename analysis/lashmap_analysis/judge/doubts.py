"""What speaks against a measurement, and what its reader must know.

Decided here: which findings bar any outcome (a doubt) and which only travel with it (a caution).
"""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot, radians, sqrt

from lashmap_analysis.cycle.checks import CycleFlagName
from lashmap_analysis.gears.tooth_names import teeth_met
from lashmap_analysis.judge.assessment import Assessment, CycleRun, PositionResult, TightSpotResult
from lashmap_analysis.judge.tight_spot import from_position
from lashmap_analysis.judge.verdict import MATCHED_AGAIN, Doubt
from lashmap_analysis.lash_map.lash_map import LashMap
from lashmap_analysis.lash_map.outliers import Finding
from lashmap_analysis.record.lengths import format_length
from lashmap_analysis.record.record import TestRecord, Units
from lashmap_analysis.rock.cross_check import AGREEMENT_FACTOR, above, coarse, likely_causes, tip_height_mm
from lashmap_analysis.rock.flags import FlagName
from lashmap_analysis.rock.steps import pool_flanks
from lashmap_analysis.uncertainty.mesh_state import correction_mm
from lashmap_analysis.uncertainty.set_up import against_angle_mm

ENCODER_ALONE = (
    "The lash was read from the encoder alone, as an angle: no second instrument saw the rock, and play or "
    "twist between the gear and the encoder is taken for lash."
)
_MISCOUNT = (
    "A miscount by a tooth leaves the readings as they are, but puts them, and the tight spot, on other "
    "teeth than those named here."
)
_COUNTED = "Teeth were counted by hand from the marks, without an encoder"
COUNTED_BY_HAND = f"{_COUNTED}. {_MISCOUNT}"
READ_BY_EYE = f"{_COUNTED}, and the readings were read by eye and typed. {_MISCOUNT}"
# The share: `tests/benchmarks/bench_lash_map.py`, 200 invented sets a row; our own model alone.
NOT_REPEATED = (
    "No engagement was measured twice, and none to confirm the tight spot: how well a setting of the tip "
    "repeats is believed and not measured, and the interval of the lash map may hold the truth in fewer "
    "tests than it says (from 87 of 100 on, not 95). Plan repeats, or confirm the tight spot."
)
# Positions without a rock that are named beside the verdict.
_MOST_LEFT_OUT = 4
# Positions with both instruments, below which their scatter is not known well enough to estimate an arm.
_FEWEST_COMPARED = 4
# How sure it is that one flank's levels scatter more over a whole test (one in two thousand by chance), what
# part of the stated interval's half-width that must be worth, and what share of the reading.
_SURE_UNLIKE, _WORTH, _LEAST_SHORT = 3.3, 0.25, 0.005
# The same where most rocks are too thin to tell (one in ten by chance, either flank being the one).
_SUSPECT_UNLIKE = 1.645


def doubts_of(
    record: TestRecord,
    positions: Sequence[PositionResult],
    stated: TightSpotResult | None,
    run: CycleRun | None = None,
) -> tuple[Doubt, ...]:
    """List what bars any outcome.

    Args:
        record: The test record.
        positions: Its positions, measured.
        stated: The tight spot that would be judged; None when there is none.
        run: What the passes of a cycle run say; None without passes.
    """
    found = [
        _not_as_written(record),
        _of_other_teeth(record),
        _systematic_disagreement(record, positions),
        _off_whole_teeth(record, positions),
        _beyond_the_curve(record, positions),
        _rocks_and_passes(run),
        _thrown(run),
    ]
    if stated is not None:
        found += [
            _disagreement_at(record, positions, stated),
            _tighter_than(record, positions, stated),
            _short_of_a_flank(record, positions, stated),
        ]
    return tuple(one for one in found if one is not None)


def cautions_of(
    record: TestRecord,
    positions: Sequence[PositionResult],
    lash_map: LashMap | None,
    run: CycleRun | None = None,
) -> tuple[str, ...]:
    """List what the reader must know beside the verdict's own cautions; arguments as of `doubts_of`."""
    notes = list(_of_cycle_run(run, lash_map))
    if lash_map is not None and not (run is not None and run.judges):
        notes += map_remarks(lash_map, positions, record)
        once = lash_map.setting is not None and lash_map.setting.degrees_of_freedom == 0
        if once and not any(one.usable and one.purpose == "confirming" for one in positions):
            notes.append(NOT_REPEATED)
    indicator = record.indicator
    if indicator.direction == "plane of rotation" and record.limits.kind == "normal":
        factor = record.gear_set.normal_per_transverse
        notes.append(
            "The indicator looks in the plane of rotation while the limits are normal backlash: at the same "
            f"radius its raw reading is {100 * (1 / factor - 1):.0f} % larger than normal backlash and must "
            "not be compared with the limits. The figures here are converted."
        )
    for name in (FlagName.INSTRUMENTS_DISAGREE, FlagName.HEAVY_ROCKING):
        flagged = [one.position for one in positions if any(flag.name is name for flag in one.flags)]
        if flagged:
            numbers = ", ".join(str(number) for number in flagged)
            notes.append(f"{name.value[0].upper()}{name.value[1:]} at position {numbers}.")
    if record.encoder is None:
        notes.append(READ_BY_EYE if record.indicator.by_eye else COUNTED_BY_HAND)
    if indicator.is_encoder:
        notes.append(ENCODER_ALONE)
    notes += _moment_arm(record, positions)
    notes += record.causes
    notes += _left_out(record)
    if record.closing != "completed":
        notes.append(f"The test ended early: {record.closing}.")
    return tuple(notes)


def _of_cycle_run(run: CycleRun | None, lash_map: LashMap | None) -> tuple[str, ...]:
    """Why a cycle run does not judge, unless the verdict says so for want of a map; and its warnings."""
    if run is None:
        return ()
    alone = "The lash map of the rocks is judged alone."
    refused = (f"{run.refusal} {alone}",) if run.refusal and lash_map is not None else ()
    return (*refused, *run.remarks)


def _rocks_and_passes(run: CycleRun | None) -> Doubt | None:
    """The two methods contradict each other."""
    if run is None or not run.disagree:
        return None
    return Doubt(
        sentence=run.disagree,
        remedy="Clean the teeth, rock again where rocks and passes differ, without the brake and with the "
        "pinion locked; then repeat the passes with the brake light and steady.",
    )


def _thrown(run: CycleRun | None) -> Doubt | None:
    """The gear may have flown where it is tightest, which no rock between engagements shows."""
    if run is None or run.fit is None or not run.judges:
        return None
    found = next((flag for flag in run.fit.flags if flag.name is CycleFlagName.THROWN), None)
    if found is None:
        return None
    return Doubt(
        sentence=f"Cycle run: {found.sentence}",
        remedy="Repeat the passes slower, at half the speed or less, with two speeds that differ by half.",
    )


def _of_other_teeth(record: TestRecord) -> Doubt | None:
    """Readings under wrong engagements make a wrong lash map, to either side of a limit."""
    for one in record.preconditions:
        if one.name == MATCHED_AGAIN and one.state == "failed":
            return Doubt(sentence=f"The lash map is not proven: {one.detail}.", remedy=one.remedy)
    return None


def _left_out(record: TestRecord) -> list[str]:
    """The first of the positions without a rock; all of them stand with the table of positions."""
    shown = (
        record.left_out if len(record.left_out) <= _MOST_LEFT_OUT else record.left_out[: _MOST_LEFT_OUT - 1]
    )
    others = len(record.left_out) - len(shown)
    return [*shown, f"And {others} more positions were left out."] if others else list(shown)


def _not_as_written(record: TestRecord) -> Doubt | None:
    """The record itself does not fit its digests: nothing that it says may be signed."""
    if not record.damage:
        return None
    others = len(record.damage) - 1
    more = f", and {others} more" if others else ""
    return Doubt(
        sentence=f"The record is not as it was written: {record.damage[0]}{more}.",
        remedy="Verify the logbook; judge from a copy that fits its seal, or test again.",
    )


def _compared(positions: Sequence[PositionResult]) -> list[tuple[float, float]]:
    """(indicator, encoder) normal backlash wherever both are known."""
    return [
        (one.normal_backlash_mm, one.encoder_backlash_mm)
        for one in positions
        if one.normal_backlash_mm is not None and one.encoder_backlash_mm is not None
    ]


def _systematic_disagreement(record: TestRecord, positions: Sequence[PositionResult]) -> Doubt | None:
    """Indicator and encoder differ on the whole by more than both set-ups explain."""
    pairs = _compared(positions)
    if not pairs:
        return None
    count = len(pairs)
    indicator = sum(pair[0] for pair in pairs) / count
    encoder = sum(pair[1] for pair in pairs) / count
    differences = [pair[0] - pair[1] for pair in pairs]
    mean = indicator - encoder
    scatter = hypot(*(one - mean for one in differences)) / count
    set_up = against_angle_mm(record.gear_set, record.indicator, indicator)
    allowed = AGREEMENT_FACTOR * hypot(scatter, set_up, _encoder_floor_mm(record))
    if abs(mean) <= allowed:
        return None
    shift = correction_mm(record.gear_set, record.indicator, record.conditions)
    causes = likely_causes(
        indicator - shift,
        encoder - shift,
        gear_set=record.gear_set,
        indicator=record.indicator,
        units=record.units,
    )
    means = f"{format_length(indicator, record.units)} and {format_length(encoder, record.units)}"
    return Doubt(
        sentence=f"Indicator and encoder disagree over all positions: mean normal backlash {means}. {causes}",
        remedy="Check touch radius, direction and tip, and the encoder's coupling; then repeat.",
    )


def _moment_arm(record: TestRecord, positions: Sequence[PositionResult]) -> list[str]:
    """Where the set-up explains the difference of the instruments: the moment arm that the encoder sees."""
    pairs = _compared(positions)
    if len(pairs) < _FEWEST_COMPARED or _systematic_disagreement(record, positions) is not None:
        return []
    count = len(pairs)
    # Both as rocked: what is added to either afterwards is no part of an arm.
    shift = correction_mm(record.gear_set, record.indicator, record.conditions)
    indicator, encoder = (sum(pair[side] for pair in pairs) / count - shift for side in (0, 1))
    apart = indicator - encoder
    scatter = hypot(*(pair[0] - pair[1] - apart for pair in pairs)) / count
    known_to = hypot(scatter, _encoder_floor_mm(record))
    if encoder <= 0 or abs(apart) <= AGREEMENT_FACTOR * known_to:
        return []
    gear_set, tip, ratio = record.gear_set, record.indicator, indicator / encoder
    given = tip.normal_arm_mm(gear_set) if tip.direction == "normal" else tip.touch_radius_mm
    spread = given * known_to / encoder
    height = tip_height_mm(ratio, gear_set=gear_set, indicator=tip)
    explained = (
        ""
        if height is None
        else f"; at the given radius the tip is {above(height, record.units)} the pitch cone"
    )
    arm, u_arm, known = (coarse(one, record.units) for one in (given * ratio, spread, given))
    seen = f"{arm} (u = {u_arm}) instead of {known}"
    difference = f"the indicator gives {ratio:.3f} times the backlash of the encoder"
    sentence = (
        f"Over all positions {difference}, within what the set-up leaves open: the encoder puts the moment "
        f"arm of the indicator's line at {seen}{explained}."
    )
    return [sentence]


def _disagreement_at(
    record: TestRecord, positions: Sequence[PositionResult], stated: TightSpotResult
) -> Doubt | None:
    """The two instruments disagree where the backlash is judged."""
    cycle = record.gear_set.mesh_cycle
    for one in positions:
        if one.engagement % cycle != stated.engagement or not one.usable:
            continue
        for flag in one.flags:
            if flag.name is FlagName.INSTRUMENTS_DISAGREE:
                return Doubt(
                    sentence=f"At the tight spot itself, position {one.position}: {flag.sentence}",
                    remedy=f"Repeat position {one.position} with the tip checked.",
                )
    return None


def _tighter_than(
    record: TestRecord, positions: Sequence[PositionResult], stated: TightSpotResult
) -> Doubt | None:
    """A position was read tighter than the stated tight spot, by more than both uncertainties."""
    for one in positions:
        own = from_position(one, record.gear_set, record.indicator, record.conditions)
        if own is not None and own.interval_mm[1] < stated.interval_mm[0]:
            reading = format_length(own.normal_backlash_mm, record.units)
            return Doubt(
                sentence=f"Position {one.position} reads {reading}, tighter than the stated tight spot: "
                "either this reading is wrong or its teeth are.",
                remedy=f"Repeat position {one.position} and look at its teeth.",
            )
    return None


def _short_of_a_flank(
    record: TestRecord, positions: Sequence[PositionResult], stated: TightSpotResult
) -> Doubt | None:
    """Over the whole test the gear stopped at scattered places at one end, at the other it did not."""
    read = [one.rock for one in positions if one.normal_backlash_mm is not None]
    rocks = [
        [((dwell.start_s + dwell.end_s) / 2, dwell.level_mm, dwell.high) for dwell in rock.dwells]
        for rock in read
    ]
    found = pool_flanks(rocks, record.indicator.resolution_mm)
    # where single rocks leave it open, less must do, and an interval that is wide for it does not settle it
    left_open = 2 * sum("unseen_mm" in flag.numbers for rock in read for flag in rock.flags) > len(read)
    if found is None or found.chance < (_SUSPECT_UNLIKE if left_open else _SURE_UNLIKE):
        return None
    short = found.short_mm * record.indicator.normal_per_reading(record.gear_set)
    low, high = stated.interval_mm
    worth = 0.0 if left_open else _WORTH * (high - low) / 2
    if short < max(worth, _LEAST_SHORT * stated.normal_backlash_mm):
        return None
    which, other = ("larger", "smaller") if found.high else ("smaller", "larger")
    seen, repeats = (format_length(one, record.units) for one in (found.scatter_mm, found.other_mm))
    return Doubt(
        sentence=f"Over all rocks the gear stopped at scattered places at the {which} readings (standard "
        f"deviation {seen}, at the {other} ones {repeats}): it may not reach that flank every time, and "
        f"backlash is then read too small by some {format_length(short, record.units)}.",
        remedy="Look for friction, then test again with about twice the torque: what grows was no flank.",
    )


def _off_whole_teeth(record: TestRecord, positions: Sequence[PositionResult]) -> Doubt | None:
    """The encoder's angles do not stay at one place within the tooth, though the tip rests on whole teeth."""
    pitch = 360.0 / record.gear_set.gear_teeth
    offsets = [
        one.gear_angle_deg - record.gear_set.gear_angle_deg(one.engagement) for one in positions if one.mapped
    ]
    wander = (max(offsets) - min(offsets)) / pitch if offsets else 0.0
    if wander <= 0.5:
        return None
    return Doubt(
        sentence=f"The gear angles of the positions wander by {wander:.2f} of a tooth against the "
        "engagements they are recorded for, so that the teeth may be miscounted.",
        remedy="Check the encoder's coupling and counting, bring the matched teeth together and repeat.",
    )


def _beyond_the_curve(record: TestRecord, positions: Sequence[PositionResult]) -> Doubt | None:
    """The indicator was read where its correction curve says nothing."""
    curve = record.indicator.correction
    if curve is None:
        return None
    levels = {one.position: [dwell.level_mm for dwell in one.rock.dwells] for one in positions if one.usable}
    beyond = [number for number, seen in levels.items() if not all(curve.covers(level) for level in seen)]
    if not beyond:
        return None
    ends = " to ".join(
        format_length(end, record.units) for end in (curve.readings_mm[0], curve.readings_mm[-1])
    )
    return Doubt(
        sentence=f"The indicator's correction curve covers {ends}, and position {beyond[0]}"
        f"{f' and {len(beyond) - 1} more' if len(beyond) > 1 else ''} was read outside it.",
        remedy="Set the indicator so that both flanks read within its correction curve, and repeat.",
    )


def _encoder_floor_mm(record: TestRecord) -> float:
    """Standard uncertainty that the encoder leaves, however many positions there are.

    Rounding does not average out: where a tooth is a whole number of counts, every position is rounded alike.
    """
    if record.encoder is None:
        return 0.0
    counts = record.encoder.resolution_deg / sqrt(6)
    angle = hypot(counts, record.encoder.standard_uncertainty_deg)
    return record.gear_set.normal_from_transverse(radians(angle) * record.gear_set.outer_gear_pitch_radius_mm)


# The map counts the readings that it was given, and knows neither positions nor the paperwork.

AGAIN = "clean the teeth and measure there again."


def map_remarks(
    lash_map: LashMap, positions: Sequence[PositionResult], record: TestRecord
) -> tuple[str, ...]:
    """Say which positions are outliers, what is merged and, unless that was done, how to separate it.

    Args:
        lash_map: The map.
        positions: All positions of the test; the map was fitted to those that count in it, in this order.
        record: The test record, for its sweeps and the unit of the figures.
    """
    units, swept = record.units, {sweep.member for sweep in record.sweeps}
    usable = [one for one in positions if one.mapped]
    found = {finding.index: finding for finding in lash_map.findings}
    outliers = [_sentence(usable[index], found.get(index), lash_map, units) for index in lash_map.outliers]
    separable = lash_map.separable
    # In a 1:1 set a sweep of either shaft is asked for, elsewhere one of the pinion. It has lines of its own.
    done = bool(swept) if lash_map.merged_runout is not None else "pinion" in swept
    remedy = "" if done and not separable.add_engagements else separable.remedy
    return (*outliers, *(text for text in (separable.sentence, remedy) if text))


def remarks_of(assessment: Assessment) -> tuple[str, ...]:
    """The remarks on an assessment's own map; none without a map."""
    if assessment.lash_map is None:
        return ()
    return map_remarks(assessment.lash_map, assessment.positions, assessment.record)


def _sentence(position: PositionResult, finding: Finding | None, lash_map: LashMap, units: Units) -> str:
    start = f"Position {position.position} at engagement {position.engagement}"
    if finding is None:  # a map made by hand names the outlier alone
        return f"{start} is not explained by the other positions: {AGAIN}"
    side = "above" if finding.residual_mm > 0 else "below"
    away = format_length(abs(finding.residual_mm), units)
    meaning = _meaning(position, finding, lash_map)
    return f"{start} lies {away} {side} what all other positions predict. {meaning}"


def _meaning(position: PositionResult, finding: Finding, lash_map: LashMap) -> str:
    if finding.suspect == "reading":
        stands = ", but stands as it was read until this engagement is measured again"
        return (
            "It is taken for a bad reading and does not shape the map"
            f"{stands if finding.stands else ''}: {AGAIN}"
        )
    teeth = teeth_met(lash_map.gear_set, position.engagement)
    tooth = teeth.gear_tooth if finding.suspect == "gear tooth" else teeth.pinion_tooth
    return f"It is taken for {finding.suspect} {tooth} itself (the marked one is 1): {AGAIN}"
