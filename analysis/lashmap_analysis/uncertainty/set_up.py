"""What the indicator's set-up contributes to the uncertainty of a backlash.

Decided here: one budget line each for calibration, hysteresis, touch radius, tip height, direction, lever and
spiral angle, as contributions to normal backlash at the outer pitch radius. All are type B and all scale with
the backlash, except the indicator's own; none becomes smaller with more positions, since each sits in every
reading alike.
"""

from __future__ import annotations

from dataclasses import replace
from math import cos, hypot, inf, radians, sin, sqrt, tan
from typing import TYPE_CHECKING

import numpy as np

from lashmap_analysis.gears.gear_set import sine_of_spiral_angle
from lashmap_analysis.record.lengths import format_length
from lashmap_analysis.uncertainty.budget import BudgetLine

if TYPE_CHECKING:
    from lashmap_analysis.gears.gear_set import GearSet
    from lashmap_analysis.gears.indicator import Indicator
    from lashmap_analysis.record.record import Units


# Without a cutter radius: three quarters of the mean cone distance is a small cutter, and there is no upper
# end (common practice, no source).
SMALLEST_CUTTER_PER_CONE_DISTANCE = 0.75
STEEPEST_SINE = sin(radians(75))  # no tooth is cut steeper anywhere on its face (common practice, no source)
# An indicator without a certificate's figure: two display steps, and no less than a micrometre (from memory).
UNCALIBRATED_STEPS, UNCALIBRATED_MM = 2.0, 0.001
# A hysteresis that the certificate does not give: two display steps, from half a micrometre to two (from
# memory).
HYSTERESIS_STEPS, HYSTERESIS_RANGE_MM = 2.0, (0.0005, 0.002)
HYSTERESIS_BY_EYE_MM = 0.003  # upper end of a plain dial gauge with hundredths (from memory)
CALIBRATION = "indicator calibration"
HYSTERESIS = "indicator hysteresis"
SCALE = "reading of the scale, common part"
SPIRAL = "spiral angle along the face"
GRADUATION = "encoder graduation"
REVERSAL = "encoder coupling, on reversal"
COUNTS = "counts of the encoder, common part"


def set_up_lines(
    gear_set: GearSet, indicator: Indicator, normal_backlash_mm: float, *, units: Units = "mm"
) -> tuple[BudgetLine, ...]:
    """List the set-up's contributions to a normal backlash.

    Args:
        gear_set: The gear set under test.
        indicator: The indicator and its set-up.
        normal_backlash_mm: The backlash they are worked out for.
        units: Unit the figures in the table are written in.

    Returns:
        Lines in the order they are shown.

    Raises:
        IndicatorError: The tip touches no tooth.
        GearSetError: The cutter's arc does not reach the touch radius.
    """
    size = abs(normal_backlash_mm)
    if indicator.is_encoder:
        return _angle_lines(gear_set, indicator, size, units)
    lines = [
        _calibration_line(gear_set, indicator, units),
        _hysteresis_line(gear_set, indicator, units),
        _radius_line(gear_set, indicator, size, units),
        *_height_lines(gear_set, indicator, size, units),
        _direction_line(gear_set, indicator, size),
    ]
    if indicator.by_eye and indicator.rounded_alike:
        lines.append(_scale_line(gear_set, indicator, units))
    if indicator.lever_deg is not None:
        lines.append(_lever_line(gear_set, indicator, size))
    if gear_set.cutter_radius_mm is None and gear_set.mean_spiral_angle_deg != 0:
        lines.append(_spiral_line(gear_set, indicator, size))
    return tuple(lines)


def _angle_lines(
    gear_set: GearSet, indicator: Indicator, size: float, units: Units
) -> tuple[BudgetLine, ...]:
    """The same of an encoder alone: graduation, coupling, counts; the arm of its angle is r_e2 by itself."""
    graduation = replace(
        _calibration_line(gear_set, indicator, units),
        quantity=GRADUATION,
        remedy="record encoder.standard_uncertainty_deg from the certificate, or use an encoder with less",
    )
    reversal = replace(
        _hysteresis_line(gear_set, indicator, units),
        quantity=REVERSAL,
        source="two counts (type B, from memory)",
        remedy="use a coupling without play, or an indicator beside the encoder",
    )
    step = indicator.normal_per_reading(gear_set) * indicator.resolution_mm
    counts = BudgetLine(
        quantity=COUNTS,
        value=f"one count is {format_length(step, units, decimals=5)}",
        distribution="triangular",
        # A level that stands between two counts is off by up to half of one however long it is watched, and
        # so is the other: rectangular, twice (GUM F.2.2.1). Where a tooth is a whole number of counts, every
        # position is rounded alike.
        standard_uncertainty_mm=step / sqrt(6),
        degrees_of_freedom=inf,
        source="half a count to either side on both flanks, not averaged over positions (type B)",
        remedy="use an encoder with more counts a turn",
    )
    lines = (graduation, reversal, counts)
    if gear_set.cutter_radius_mm is None and gear_set.mean_spiral_angle_deg != 0:
        return (*lines, _spiral_line(gear_set, indicator, size))
    return lines


def radius_sensitivity_per_mm(gear_set: GearSet, indicator: Indicator) -> float:
    """Relative change of the backlash with the touch radius, d ln(j_en) / d r_i, in 1/mm.

    j_en goes as 1 / r_i in the plane of rotation and as 1 / (R cos β(R)) along the normal, R being the cone
    distance of the tip's foot on the pitch cone; dβ/dR follows from ISO 23509:2016 eq. 193 by
    differentiation: cos β dβ/dR = 1 / r_c0 − sin β / R.
    """
    if indicator.direction != "normal":
        return -1 / indicator.touch_radius_mm
    pitch_sine = sin(gear_set.gear_pitch_angle_rad)
    distance = indicator.cone_distance_mm(gear_set)
    slope = -1 / (distance * pitch_sine)
    if gear_set.cutter_radius_mm is not None:
        angle = abs(gear_set.spiral_angle_rad(distance))
        turn = (1 / gear_set.cutter_radius_mm - sin(angle) / distance) / cos(angle)
        slope += tan(angle) * turn / pitch_sine
    return slope


def height_sensitivity_per_mm(gear_set: GearSet, indicator: Indicator) -> float:
    """Relative change of the backlash with the tip's height above the pitch cone, in 1/mm.

    Along the normal a tip that is higher by dh at the same radius has its foot nearer to the apex, as one at
    a radius smaller by cos δ2 dh; in the plane of rotation the height does not matter.
    """
    if indicator.direction != "normal":
        return 0.0
    return -cos(gear_set.gear_pitch_angle_rad) * radius_sensitivity_per_mm(gear_set, indicator)


def tilt_relative_uncertainty(angle_rad: float, uncertainty_rad: float, lean: float) -> float:
    """Relative standard uncertainty that an inclination leaves after its cosine is corrected.

    With the true inclination γ + θ, θ of standard uncertainty u, the correction is off by
    cos(γ + θ) / cos γ = cos θ − tan γ sin θ. Its first-order part is tan γ · u, zero at γ = 0, so that the
    second-order part counts (GUM 5.1.2 note): 1 − cos θ ≈ θ² / 2 has mean u² / 2 and standard deviation
    u² / √2 for normal θ (as in GUM F.2.4.4); the mean is not corrected, so its square is added.

    Args:
        angle_rad: γ, or ε of a lever.
        uncertainty_rad: u.
        lean: (w·n) / (t·n) at its largest: tan of the angle between motion and flank normal for a tip in the
            plane of rotation on a flank, else 0. The way of the tilt is not known, any is as likely as
            another, so the odd part has the variance lean² (tan² γ + u²) / 2 (see `Indicator`).

    Returns:
        Dimensionless.
    """
    first = tan(angle_rad) * uncertainty_rad
    second = sqrt(0.75) * uncertainty_rad**2
    odd = lean * sqrt((tan(angle_rad) ** 2 + uncertainty_rad**2) / 2)
    return sqrt(first**2 + second**2 + odd**2)


def spiral_relative_half_width(gear_set: GearSet, indicator: Indicator) -> float:
    """Largest relative change of the backlash for any usual cutter radius, when none was given.

    Along the normal j_en goes as cos β_e / cos β(R_i), so that only the turn of β between touch radius and
    outer end counts; in the plane of rotation it goes as cos β_e, from R_m, where β is known.
    """
    known = gear_set.mean_cone_distance_mm
    if indicator.direction == "normal":
        known = indicator.cone_distance_mm(gear_set)
    return _largest_turn(gear_set, gear_set.outer_cone_distance_mm, known)


def spiral_relative_half_width_transverse(gear_set: GearSet, indicator: Indicator) -> float:
    """The same of transverse backlash at the outer end, when no cutter radius was given.

    Along the normal j_et goes as 1 / cos β(R_i), from R_m, where β is known; cos β_e cancels. In the plane of
    rotation no spiral angle is needed.
    """
    if gear_set.cutter_radius_mm is not None or indicator.direction != "normal":
        return 0.0
    return _largest_turn(gear_set, gear_set.mean_cone_distance_mm, indicator.cone_distance_mm(gear_set))


def against_angle_mm(gear_set: GearSet, indicator: Indicator, normal_backlash_mm: float) -> float:
    """Standard uncertainty the set-up leaves when a reading is compared with the gear's angle, in mm.

    Both are turned into normal backlash by the same cos α_n cos β_e, which cancels; a reading along the
    normal still needs cos β(R_i), a reading in the plane of rotation no spiral angle at all.

    Raises:
        IndicatorError: The tip touches no tooth.
    """
    lines = set_up_lines(gear_set, indicator, normal_backlash_mm)
    shared = [line.standard_uncertainty_mm for line in lines if line.quantity != SPIRAL]
    if len(shared) < len(lines) and indicator.direction == "normal":
        reach = indicator.cone_distance_mm(gear_set)
        turn = _largest_turn(gear_set, reach, gear_set.mean_cone_distance_mm)
        shared.append(abs(normal_backlash_mm) * turn / sqrt(3))
    return hypot(*shared)


def _largest_turn(gear_set: GearSet, to_mm: float, from_mm: float) -> float:
    """Largest |cos β(to) / cos β(from) − 1| between the smallest usual cutter and an endless one.

    sin β is linear in 1 / r_c0 (ISO 23509:2016 eq. 193), so the ends of the range are the extremes.
    """
    distances = np.array([to_mm, from_mm])
    smallest = SMALLEST_CUTTER_PER_CONE_DISTANCE * gear_set.mean_cone_distance_mm
    changes = []
    for cutter in (smallest, 1e6 * smallest):
        sine = np.clip(sine_of_spiral_angle(gear_set, distances, cutter), -STEEPEST_SINE, STEEPEST_SINE)
        cosine = np.sqrt(1 - sine**2)
        changes.append(abs(float(cosine[0] / cosine[1]) - 1))
    return max(changes)


def _lean(gear_set: GearSet, indicator: Indicator) -> float:
    if indicator.direction == "normal" or indicator.on_arm:
        return 0.0
    cosine = indicator.motion_on_normal(gear_set)
    return sqrt(1 - cosine**2) / cosine


def _calibration_line(gear_set: GearSet, indicator: Indicator, units: Units) -> BudgetLine:
    curve, given = indicator.correction, indicator.calibration_uncertainty_mm
    source = "calibration certificate (type B)"
    if curve is not None:
        # Two points of the curve, each with its own uncertainty; the largest, since any two may be used.
        expanded = max(curve.uncertainties_mm)
        size, distribution = sqrt(2) * expanded / 2, "normal"
        text = f"corrected by the curve, U = {format_length(expanded, units)} (k = 2) at either flank"
    elif given is not None:
        size, distribution = given / 2, "normal"
        text = f"U = {format_length(given, units)} (k = 2)"
    else:
        half_width = max(UNCALIBRATED_STEPS * indicator.resolution_mm, UNCALIBRATED_MM)
        size, distribution = half_width / sqrt(3), "rectangular"
        text = f"not given, taken as \N{PLUS-MINUS SIGN}{format_length(half_width, units)}"
        source = "no certificate figure recorded (type B, from memory)"
    return BudgetLine(
        quantity=CALIBRATION,
        value=text,
        distribution=distribution,
        standard_uncertainty_mm=indicator.normal_per_reading(gear_set) * size,
        degrees_of_freedom=inf,
        source=source,
        remedy="use an indicator with a smaller calibration uncertainty",
    )


def _hysteresis_line(gear_set: GearSet, indicator: Indicator, units: Units) -> BudgetLine:
    """In full: the two flanks are approached from opposite sides, so that it does not cancel."""
    given = indicator.hysteresis_mm
    low, high = HYSTERESIS_RANGE_MM
    high = HYSTERESIS_BY_EYE_MM if indicator.by_eye else high
    size = min(max(HYSTERESIS_STEPS * indicator.resolution_mm, low), high) if given is None else given
    shown = format_length(size, units)
    return BudgetLine(
        quantity=HYSTERESIS,
        value=f"not given, taken as {shown}" if given is None else shown,
        distribution="rectangular",
        standard_uncertainty_mm=indicator.normal_per_reading(gear_set) * size / sqrt(3),
        degrees_of_freedom=inf,
        source="two display steps (type B, from memory)"
        if given is None
        else "calibration certificate (type B)",
        remedy="record the hysteresis of the certificate (indicator.hysteresis_mm)"
        if given is None
        else "use an indicator with less hysteresis",
    )


def _scale_line(gear_set: GearSet, indicator: Indicator, units: Units) -> BudgetLine:
    """Rounding that is alike at all positions, where a quiet gear and a dial set to 0 leave it so.

    Rectangular, half a step to either side (GUM 4.3.7): one of the two readings of a lash. What differs from
    position to position stands with each of them.
    """
    half_width = indicator.resolution_mm / 2
    return BudgetLine(
        quantity=SCALE,
        value=f"read by eye to {format_length(indicator.resolution_mm, units, decimals=4)}",
        distribution="rectangular",
        standard_uncertainty_mm=indicator.normal_per_reading(gear_set) * half_width / sqrt(3),
        degrees_of_freedom=inf,
        source="half a step to either side, not averaged over positions (type B)",
        remedy="use a dial gauge with a finer scale",
    )


def _radius_line(gear_set: GearSet, indicator: Indicator, size: float, units: Units) -> BudgetLine:
    spread = indicator.touch_radius_uncertainty_mm
    radius = format_length(indicator.touch_radius_mm, units, decimals=2 if units == "mm" else 3)
    width = format_length(spread, units, decimals=2 if units == "mm" else 3)
    return BudgetLine(
        quantity="touch radius",
        value=f"{radius}, u = {width}",
        distribution="normal",
        standard_uncertainty_mm=size * abs(radius_sensitivity_per_mm(gear_set, indicator)) * spread,
        degrees_of_freedom=inf,
        source="set-up of the indicator (type B)",
        remedy="measure the touch radius more closely",
    )


def _height_lines(
    gear_set: GearSet, indicator: Indicator, size: float, units: Units
) -> tuple[BudgetLine, ...]:
    """Along the normal only: the other directions do not see the height."""
    if indicator.direction != "normal":
        return ()
    spread = indicator.height_spread_mm(gear_set)
    decimals = 2 if units == "mm" else 3
    u = f"u = {format_length(spread, units, decimals=decimals)}"
    if indicator.height_mm is None and indicator.height_uncertainty_mm is None:
        value, source = f"not given, taken as 0, {u}", "half a module to either side (type B, from memory)"
    else:
        value = f"{format_length(indicator.height_mm or 0.0, units, decimals=decimals)}, {u}"
        source = "set-up of the indicator (type B)"
    line = BudgetLine(
        quantity="tip height above the pitch cone",
        value=value,
        distribution="rectangular" if indicator.height_mm is None else "normal",
        standard_uncertainty_mm=size * abs(height_sensitivity_per_mm(gear_set, indicator)) * spread,
        degrees_of_freedom=inf,
        source=source,
        remedy="measure how far above the pitch cone the tip touches (tip.height_mm), or look in the plane "
        "of rotation",
    )
    return (line,)


def _direction_line(gear_set: GearSet, indicator: Indicator, size: float) -> BudgetLine:
    spread = radians(indicator.angle_uncertainty_deg)
    lean = _lean(gear_set, indicator)
    relative = tilt_relative_uncertainty(radians(indicator.off_normal_deg), spread, lean)
    remedy = "set the plunger more closely along its direction"
    if lean > 0:
        remedy += "; along the flank normal, or on an arm, its tilt matters far less"
    aim = "the flank normal" if indicator.direction == "normal" else "the plane of rotation"
    return BudgetLine(
        quantity="indicator direction",
        value=f"{indicator.off_normal_deg:g}° off {aim}, u = {indicator.angle_uncertainty_deg:g}°",
        distribution="normal",
        standard_uncertainty_mm=size * relative,
        degrees_of_freedom=inf,
        source="set-up of the indicator (type B); cosine taken to second order",
        remedy=remedy,
    )


def _lever_line(gear_set: GearSet, indicator: Indicator, size: float) -> BudgetLine:
    angle = indicator.lever_deg or 0.0
    spread = radians(indicator.angle_uncertainty_deg)
    relative = tilt_relative_uncertainty(radians(angle), spread, _lean(gear_set, indicator))
    return BudgetLine(
        quantity="lever inclination",
        value=f"{angle:g}° to the flank, u = {indicator.angle_uncertainty_deg:g}°",
        distribution="normal",
        standard_uncertainty_mm=size * relative,
        degrees_of_freedom=inf,
        source="set-up of the indicator (type B); cosine taken to second order",
        remedy="lay the lever along the flank",
    )


def _spiral_line(gear_set: GearSet, indicator: Indicator, size: float) -> BudgetLine:
    half_width = spiral_relative_half_width(gear_set, indicator)
    return BudgetLine(
        quantity=SPIRAL,
        value=f"{abs(gear_set.mean_spiral_angle_deg):g}° mean, taken for the whole face",
        distribution="rectangular",
        standard_uncertainty_mm=size * half_width / sqrt(3),
        degrees_of_freedom=inf,
        source="no cutter radius given; any from three quarters of the mean cone distance upwards (type B)",
        remedy="give the cutter radius of the set"
        + ("" if indicator.direction != "normal" else ", or touch nearer to the outer end"),
    )
