"""Figures of a box file that can be written down but cannot be meant, measured by the set's own size.

Decided here: bounds so wide that no gearbox we know of is outside (common practice, no source), and narrow
enough that a slip of the decimal point, radians for degrees or inches for mm is found. What is inside them is
not thereby right.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from math import degrees

from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.record.lengths import MM_PER_INCH

from lashmap_daemon.story.recorded import Box, Limits, Mounting, Shims, Temperature, Tip, Torque
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
COLDEST_C, WARMEST_C = -20.0, 60.0  # of a box with hands in it
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


def _temperature(temperature: Temperature) -> Iterator[str]:
    for key in ("housing_c", "gears_c"):
        value_c = getattr(temperature, key)
        if value_c is None or COLDEST_C <= value_c <= WARMEST_C:
            continue
        from_fahrenheit, from_kelvin = (value_c - 32.0) / 1.8, value_c - 273.15
        slip = next(
            (
                f" Is it in {unit}? That would be {meant:.1f} °C."
                for unit, meant in (("°F", from_fahrenheit), ("kelvin", from_kelvin))
                if COLDEST_C <= meant <= WARMEST_C
            ),
            "",
        )
        yield (
            f"temperature.{key}: {value_c:g} °C is no temperature of a box that is measured by hand: "
            f"believed is {COLDEST_C:g} to {WARMEST_C:g} °C.{slip}"
        )


def _torque(torque: Torque) -> Iterator[str]:
    found = torque.compliance()
    if found is not None and abs(found) > MOST_COMPLIANCE:
        keys = "compliance_um_per_nm" if torque.compliance_um_per_nm is not None else "second_adds_mm"
        yield (
            f"torque.{keys}: a reading that grows by {found:.4g} µm for each N m is no compliance of a "
            f"gearbox: believed is 0 to {MOST_COMPLIANCE:g} µm. Look at the decimal point, and at the unit."
        )


def _sentence(key: str, value_mm: float, why: str) -> str:
    return (
        f"{key}_mm: {_shown(value_mm)} {why}. Look at the decimal point, and at the unit: keys that end in "
        "_mm are in millimetres, in _in in inches."
    )


def _shown(length_mm: float) -> str:
    """In both units: which of them the file has is not known here."""
    return f"{length_mm:.4g} mm ({length_mm / MM_PER_INCH:.4g} in)"
