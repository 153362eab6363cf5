"""Figures of a box, stand or profile file that can be written down but cannot be meant.

Decided here: bounds so wide that no gearbox and no instrument we know of is outside (common practice, no
source), and narrow enough that a slip of the decimal point, radians for degrees, inches for mm, µm for mm or
°F for °C is found; those of a box are measured by the set's own size. What is inside them is not thereby
right.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import replace
from itertools import pairwise
from math import degrees

from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.record.lengths import MM_PER_INCH
from lashmap_analysis.record.record import Shaft

from lashmap_daemon.story.recorded import (
    Box,
    Encoder,
    Indicator,
    Limits,
    Mounting,
    Shims,
    Stand,
    Temperature,
    Tip,
    Torque,
)
from lashmap_daemon.story.recorded import GearSet as RecordedGearSet

# Normal pressure angles of bevel sets run from 14.5° to 25°; 22.5° and 20° are usual.
LEAST_PRESSURE_DEG, MOST_PRESSURE_DEG = 10.0, 32.0
# Spiral angles are 0 (straight, or curved without a spiral) or from 10° on; 35° is usual.
LEAST_SPIRAL_DEG = 3.0
# Face widths are a quarter to a third of the outer cone distance, cutter radii from half of it to twice.
LEAST_FACE_WIDTH, MOST_FACE_WIDTH = 0.05, 0.6
MOST_CUTTER_RADIUS = 6.0
# Backlash as a part of the outer module: fine sets have 0.01, coarse and worn ones 0.1. No drawing limits it,
# or its variation, to less than these.
LEAST_LASH, MOST_LASH = 0.005, 0.25
LEAST_VARIATION = 0.001
# As parts of the outer cone distance.
NEAREST_FACE, FARTHEST_FACE = 0.1, 5.0  # from the locating face of a member to the axis of its mate
MOST_OFF = 0.03  # from the marked distance: more than shims and grinding ever make up for
LEAST_TOLERANCE, MOST_TOLERANCE = 5e-5, 0.005
MOST_END_PLAY = 0.005
MOST_COMPLIANCE = 100.0  # µm per N m: shafts, bearings and teeth give way by tenths of a µm to some µm
# Hands rock the gear: bare metal above 51 °C burns who holds it (ISO 13732-1, from memory).
COLDEST_C, WARMEST_C = -20.0, 55.0
MOST_APART_K = 30.0  # housing and gears of one box: more is a figure in °F beside one in °C

# Display steps of indicators: 10 nm of a gauge with a glass scale, 0.01 mm or 0.001 in of a dial.
FINEST_MM, COARSEST_MM = 1e-5, 0.05
FINEST_DIVISION_MM = 0.0005
MOST_CERTIFICATE_MM = 0.1  # uncertainty or hysteresis: a worn dial gauge has some hundredths
# Counts of a turn: a disk of 25 lines, four counts each, and what interpolation makes of the finest.
FEWEST_COUNTS, MOST_COUNTS = 100, 2**30
MOST_ENCODER_DEG = 1.0  # standard uncertainty: a coupling of a workshop has hundredths
FIRST_YEAR, LAST_YEAR = 2000, 2099  # of a calibration that is due
COUNTS_PER_TOOTH = 4  # fewer, and nobody knows to a quarter of a tooth where the gear stands
STEPS_IN_LASH = 2  # of the display, in the largest backlash that is allowed
STEP_AGREES = 1.01  # a scale of six digits is 1/25.4 to a part in a million
SLOWEST_S = 2.0  # from request to request: a dwell of a rock would have one sample
LEAST_EXCHANGE = 4  # characters of the shortest request with its reply
BITS_OF_CHARACTER = 10
USUAL_BAUD = frozenset(
    {300, 600, 1200, 2400, 4800, 9600, 14400, 19200, 28800, 38400, 56000, 57600, 76800, 115200, 128000}
    | {230400, 250000, 256000, 460800, 500000, 921600, 1000000}
)
_OF_KEYS = ": keys that end in _mm are in millimetres, in _in in inches"
LEAST_SHIM_MM = 0.005  # the thinnest foil that is sold
COARSEST_STEP = 0.005  # of packs, as a part of the outer cone distance: coarser ones set no mounting distance
LEAST_SETTING_MM = 0.01  # no tip is set on a flank to less by hand
MOST_SETTING, USUAL_SETTING_MM = 0.5, 0.2  # of the tip: in modules, and what is taken when nothing is said


def implausible(box: Box) -> Iterator[str]:
    """Say which figures cannot be meant: key, figure, what would be believed, and what the slip may be."""
    gear_set = box.gear_set.gear_set()
    yield from _angles(box.gear_set)
    yield from _teeth(box.gear_set, gear_set)
    yield from _tip(box.tip, gear_set)
    yield from _limits(box.limits, gear_set)
    yield from _mounting(box.mounting, gear_set)
    yield from _shims(box.shims, gear_set)
    yield from _temperature(box.temperature)
    yield from _torque(box.torque)


def _angles(given: RecordedGearSet) -> Iterator[str]:
    pressure_deg, spiral_deg = given.normal_pressure_angle_deg, given.mean_spiral_angle_deg
    if not LEAST_PRESSURE_DEG <= pressure_deg <= MOST_PRESSURE_DEG:
        in_radians = degrees(pressure_deg)
        radians = _if_radians(in_radians) if LEAST_PRESSURE_DEG <= in_radians <= MOST_PRESSURE_DEG else ""
        yield (
            f"gear_set.normal_pressure_angle_deg: {pressure_deg:g}° is no pressure angle of a bevel set "
            f"({LEAST_PRESSURE_DEG:g}° to {MOST_PRESSURE_DEG:g}°); take it from the drawing.{radians}"
        )
    if 0.0 < abs(spiral_deg) < LEAST_SPIRAL_DEG:
        radians = _if_radians(degrees(spiral_deg))
        yield (
            f"gear_set.mean_spiral_angle_deg: {spiral_deg:g}° is no spiral angle (0 for straight teeth, "
            f"or {LEAST_SPIRAL_DEG:g}° and more); take it from the drawing.{radians}"
        )


def _if_radians(angle_deg: float) -> str:
    return f" Is it in radians? That would be {angle_deg:.1f}°."


def _teeth(given: RecordedGearSet, gear_set: GearSet) -> Iterator[str]:
    cone_mm = gear_set.outer_cone_distance_mm
    of = f"a set of outer cone distance {_shown(cone_mm)}"
    least, most = LEAST_FACE_WIDTH * cone_mm, MOST_FACE_WIDTH * cone_mm
    if not least <= given.face_width_mm <= most:
        why = f"is no face width of {of}: believed is {_shown(least)} to {_shown(most)}"
        yield _sentence("gear_set.face_width", given.face_width_mm, why)
    if given.cutter_radius_mm is not None and given.cutter_radius_mm > MOST_CUTTER_RADIUS * cone_mm:
        why = f"is no cutter radius of {of}: believed is at most {_shown(MOST_CUTTER_RADIUS * cone_mm)}"
        yield _sentence("gear_set.cutter_radius", given.cutter_radius_mm, why)


def _tip(tip: Tip, gear_set: GearSet) -> Iterator[str]:
    most = max(MOST_SETTING * gear_set.outer_module_mm, USUAL_SETTING_MM)
    known_mm = tip.touch_radius_uncertainty_mm
    if not LEAST_SETTING_MM <= known_mm <= most and not tip.on_arm:
        why = (
            f"is not how well the place of a tip on a flank is known: believed is {_shown(LEAST_SETTING_MM)} "
            f"to {_shown(most)}"
        )
        yield _sentence("tip.touch_radius_uncertainty", known_mm, why)


def _limits(limits: Limits, gear_set: GearSet) -> Iterator[str]:
    module_mm = gear_set.outer_module_mm
    least_mm, most_mm = LEAST_LASH * module_mm, MOST_LASH * module_mm
    figures = {
        "minimum": (limits.minimum_mm, least_mm, "0, or "),
        "maximum": (limits.maximum_mm, least_mm, ""),
        "variation": (limits.variation_mm, LEAST_VARIATION * module_mm, ""),
    }
    of = f"a set of outer module {_shown(module_mm)}"
    for name, (value_mm, low_mm, nothing) in figures.items():
        if value_mm is not None and not (low_mm <= value_mm <= most_mm or (nothing and value_mm == 0.0)):
            believed = f"{nothing}{_shown(low_mm)} to {_shown(most_mm)}"
            yield _sentence(f"limits.{name}", value_mm, f"is no backlash of {of}: believed is {believed}")


def _mounting(mounting: Mounting, gear_set: GearSet) -> Iterator[str]:
    cone_mm = gear_set.outer_cone_distance_mm
    of = f"a set of outer cone distance {_shown(cone_mm)}"
    least, most = NEAREST_FACE * cone_mm, FARTHEST_FACE * cone_mm
    for member in ("pinion", "gear"):
        given = {key: getattr(mounting, f"{member}_{key}_mm") for key in ("marked", "set", "end_play")}
        marked, actual, play = given.values()
        wrong = [key for key in ("marked", "set") if given[key] and not least <= given[key] <= most]
        for key in wrong:
            why = f"is no mounting distance of {of}: believed is {_shown(least)} to {_shown(most)}"
            yield _sentence(f"mounting.{member}_{key}", given[key], why)
        if not wrong and marked and actual and abs(actual - marked) > MOST_OFF * cone_mm:
            why = (
                f"is {_shown(abs(actual - marked))} from the marked {_shown(marked)}, and no shim of {of} "
                f"makes up for more than {_shown(MOST_OFF * cone_mm)}; one of the two is mistyped"
            )
            yield _sentence(f"mounting.{member}_set", actual, why)
        if play and play > MOST_END_PLAY * cone_mm:
            why = f"is no end play of {of}: believed is 0 to {_shown(MOST_END_PLAY * cone_mm)}"
            yield _sentence(f"mounting.{member}_end_play", play, why)
    smallest, largest = LEAST_TOLERANCE * cone_mm, MOST_TOLERANCE * cone_mm
    if mounting.tolerance_mm is not None and not smallest <= mounting.tolerance_mm <= largest:
        believed = f"{_shown(smallest)} to {_shown(largest)}"
        why = f"is no tolerance of a mounting distance of {of}: believed is {believed}"
        yield _sentence("mounting.tolerance", mounting.tolerance_mm, why)


def implausible_distance(box: Box, member: Shaft, distance_mm: float) -> Iterator[str]:
    """Why a mounting distance that was measured on this box cannot be meant."""
    if member == "pinion":
        mounting = replace(box.mounting, pinion_set_mm=distance_mm)
    else:
        mounting = replace(box.mounting, gear_set_mm=distance_mm)
    for one in _mounting(mounting, box.gear_set.gear_set()):
        key, _, why = one.partition("_mm: ")
        if key == f"mounting.{member}_set":
            yield why.partition(_OF_KEYS)[0] + "."


def _shims(shims: Shims, gear_set: GearSet) -> Iterator[str]:
    coarsest = COARSEST_STEP * gear_set.outer_cone_distance_mm
    for member in ("pinion", "gear"):
        shim = getattr(shims, member)
        if shim is None:
            continue
        key, there = f"shims.{member}.thicknesses", sorted(shim.thicknesses_mm)
        steps = [there[0], *(high - low for low, high in pairwise(there) if high > low)]
        if there[0] < LEAST_SHIM_MM:
            why = f"is thinner than any shim: believed is {_shown(LEAST_SHIM_MM)} and more"
            yield _sentence(key, there[0], why)
        elif min(steps) > coarsest:
            why = (
                f"is the finest step of these shims, and none coarser than {_shown(coarsest)} sets a "
                "mounting distance of this set"
            )
            yield _sentence(key, min(steps), why)


def _torque(torque: Torque) -> Iterator[str]:
    found = torque.compliance()
    if found is not None and abs(found) > MOST_COMPLIANCE:
        keys = "compliance_um_per_nm" if torque.compliance_um_per_nm is not None else "second_adds_mm"
        yield (
            f"torque.{keys}: a reading that grows by {found:.4g} µm for each N m is no compliance of a "
            f"gearbox: believed is 0 to {MOST_COMPLIANCE:g} µm. Look at the decimal point, and at the unit."
        )


def _temperature(temperature: Temperature) -> Iterator[str]:
    given = {"housing": temperature.housing_c, "gears": temperature.gears_c}
    wrong = [name for name, value in given.items() if value is not None and not _can_be_held(value)]
    for name in wrong:
        value = given[name] or 0.0
        meant = (("°F", (value - 32.0) / 1.8), ("kelvin", value - 273.15))
        slips = [
            f" Is it in {unit}? That would be {in_c:.1f} °C." for unit, in_c in meant if _can_be_held(in_c)
        ]
        slip = slips[0] if slips else ""
        yield (
            f"temperature.{name}_c: {value:g} °C is no temperature of a gearbox that hands rock "
            f"({COLDEST_C:g} to {WARMEST_C:g} °C); measure it, in °C.{slip}"
        )
    housing, gears = given.values()
    if not wrong and housing is not None and gears is not None and abs(housing - gears) > MOST_APART_K:
        yield (
            f"temperature.gears_c: {gears:g} °C beside a housing of {housing:g} °C is more than "
            f"{MOST_APART_K:g} K; is one of them in °F? Write both in °C, and let the box stand until it is "
            "even."
        )


def _can_be_held(celsius: float) -> bool:
    return COLDEST_C <= celsius <= WARMEST_C


# A stand ----------------------------------------------------------------------------------------------------


def implausible_indicator(indicator: Indicator) -> Iterator[str]:
    """Say which figures of a stand's indicator cannot be meant, as `implausible` does."""
    step_mm = indicator.resolution_mm
    if not FINEST_MM <= step_mm <= COARSEST_MM:
        believed = f"{_shown(FINEST_MM)} to {_shown(COARSEST_MM)}"
        why = f"is no step of an indicator's display: believed is {believed}"
        yield _sentence("indicator.resolution", step_mm, why)
    certificate = "indicator.calibration_uncertainty", "indicator.hysteresis"
    yield from implausible_certificate(
        dict(zip(certificate, (indicator.calibration_uncertainty_mm, indicator.hysteresis_mm), strict=True))
    )
    if indicator.correction is not None:
        most_mm = max(indicator.correction.uncertainties_mm)
        yield from implausible_certificate({"indicator.correction.uncertainties": most_mm})
    yield from _due("indicator", indicator.calibration_due)


def implausible_division(division_mm: float) -> Iterator[str]:
    """Say that one division of a dial gauge cannot be meant."""
    if not FINEST_DIVISION_MM <= division_mm <= COARSEST_MM:
        believed = f"{_shown(FINEST_DIVISION_MM)} to {_shown(COARSEST_MM)}"
        why = f"is no division of a dial gauge that is read by eye: believed is {believed}"
        yield _sentence("gauge.division", division_mm, why)


def implausible_certificate(figures_mm: Mapping[str, float | None]) -> Iterator[str]:
    """Say which figures of an indicator's certificate cannot be meant, by key without its unit."""
    for key, value in figures_mm.items():
        if value is not None and value > MOST_CERTIFICATE_MM:
            in_mm = value / 1000.0
            slip = f" Is it in µm? That would be {in_mm:g} mm." if in_mm <= MOST_CERTIFICATE_MM else ""
            why = f"is on no certificate of an indicator: believed is 0 to {_shown(MOST_CERTIFICATE_MM)}"
            yield f"{_sentence(key, value, why)}{slip}"


def implausible_encoder(encoder: Encoder, name: str = "encoder") -> Iterator[str]:
    """Say which figures of a stand's encoder, in the table ``name``, cannot be meant, as `implausible`."""
    counts, spread_deg = encoder.counts_per_turn, encoder.standard_uncertainty_deg
    if not FEWEST_COUNTS <= counts <= MOST_COUNTS:
        yield (
            f"{name}.counts_per_turn: {counts} counts of {360.0 / counts:.4g}° make no encoder of a test "
            f"stand ({FEWEST_COUNTS} to {MOST_COUNTS}); take the counts of one whole turn, after "
            "interpolation, from its data sheet or its counter."
        )
    if spread_deg > MOST_ENCODER_DEG:
        in_deg = spread_deg / 3600.0
        yield (
            f"{name}.standard_uncertainty_deg: {spread_deg:g}° is more than an encoder on a shaft is ever "
            f"off (0 to {MOST_ENCODER_DEG:g}°); write half of what the certificate states for k = 2, in "
            f"degrees. Is it in seconds of arc? That would be {in_deg:.3g}°."
        )
    yield from _due(name, encoder.calibration_due)


def _due(role: str, day: dt.date | None) -> Iterator[str]:
    if day is not None and not FIRST_YEAR <= day.year <= LAST_YEAR:
        yield (
            f"{role}.calibration_due: {day} is no day on which a calibration is due "
            f"({FIRST_YEAR} to {LAST_YEAR}); write it as on the certificate, such as 2031-05-17."
        )


def implausible_port(
    baud: int, *, interval_s: float | None, timeout_s: float | None, on_network: bool
) -> Iterator[str]:
    """Say what of an instrument's port and pace cannot be meant.

    Args:
        baud: Bits a second.
        interval_s: From one request to the next; None for an instrument that is not asked.
        timeout_s: Until a reply counts as missing; None for one that is not asked.
        on_network: A device server has the port: its speed is set there.
    """
    right = next((one for one in USUAL_BAUD if baud in {10 * one, one / 10}), None)
    if right is not None and baud not in USUAL_BAUD:
        yield (
            f"port.baud: {baud} bits a second is {right} with a slip of the decimal point; take it from the "
            "instrument's menu or manual."
        )
    if interval_s is not None and interval_s > SLOWEST_S:
        yield (
            f"polling.interval_s: {interval_s:g} s from request to request leaves a rock without samples "
            f"(believed is up to {SLOWEST_S:g} s); ask as often as the instrument answers. Is it in "
            f"milliseconds? That would be {interval_s / 1000.0:g} s."
        )
    least_s = LEAST_EXCHANGE * BITS_OF_CHARACTER / baud
    if timeout_s is not None and timeout_s < least_s and not on_network:
        yield (
            f"polling.timeout_s: {timeout_s:g} s is over before the shortest reply is there: at {baud} baud "
            f"{LEAST_EXCHANGE} characters take {least_s:.2g} s; wait longer, or set the port faster."
        )


def implausible_step(step_mm: float, resolution_mm: float) -> Iterator[str]:
    """Say that a display cannot step finer than its numbers do; both in mm."""
    if resolution_mm * STEP_AGREES < step_mm:
        yield (
            f"indicator.resolution_mm: {_shown(resolution_mm)} is finer than the numbers that come over the "
            f"wire, which step by {_shown(step_mm)} as the profile has it; correct it, or the profile's "
            "scale, unit or decimal places."
        )


def unfit(box: Box, stand: Stand) -> Iterator[str]:
    """Say what of a stand does not fit a box: key of the stand file, figure, why, and what to do."""
    gear_set, indicator = box.gear_set_in_contact(), box.indicator(stand)
    limits_mm = box.limits_for_analysis().normal_mm(gear_set)
    most_mm = limits_mm.get("maximum", limits_mm.get("minimum"))
    if most_mm:
        reads_mm = most_mm / indicator.normal_per_reading(gear_set)
        allowed = f"a rock at the largest backlash that the limits name reads {_shown(reads_mm)}"
        step_mm, curve = indicator.resolution_mm, indicator.correction
        if step_mm * STEPS_IN_LASH > reads_mm:
            yield (
                f"indicator.resolution_mm of the stand file: {_shown(step_mm)} is too coarse, since "
                f"{allowed}; take a finer indicator, or correct the figure that is wrong."
            )
        if curve is not None and (span_mm := curve.readings_mm[-1] - curve.readings_mm[0]) < reads_mm:
            yield (
                f"indicator.correction.readings_mm of the stand file: they span {_shown(span_mm)}, and "
                f"{allowed}, which the curve would not cover; copy the whole curve of the certificate, in mm."
            )
    for encoder in (stand.encoder, stand.pinion_encoder):
        if encoder is not None:
            yield from _too_few_counts(encoder, gear_set, two=stand.pinion_encoder is not None)


def _too_few_counts(encoder: Encoder, gear_set: GearSet, *, two: bool) -> Iterator[str]:
    teeth = gear_set.gear_teeth if encoder.shaft == "gear" else gear_set.pinion_teeth
    counts = encoder.counts_per_turn
    if counts < COUNTS_PER_TOOTH * teeth:
        yield (
            f"encoder.{f'{encoder.shaft}.' if two else ''}counts_per_turn of the stand file: {counts} counts "
            f"make {counts / teeth:.2g} on each tooth of the {encoder.shaft}, and {COUNTS_PER_TOOTH} are "
            "needed to know which tooth is in the mesh; take the counts after interpolation, or a finer "
            "encoder."
        )


def _sentence(key: str, value_mm: float, why: str) -> str:
    return f"{key}_mm: {_shown(value_mm)} {why}. Look at the decimal point, and at the unit{_OF_KEYS}."


def _shown(length_mm: float) -> str:
    """In both units: which of them the file has is not known here."""
    return f"{length_mm:.4g} mm ({length_mm / MM_PER_INCH:.4g} in)"
