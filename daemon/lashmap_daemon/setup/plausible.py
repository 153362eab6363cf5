"""Figures of a box file that can be written down but cannot be meant, measured by the set's own size.

Decided here: bounds so wide that no gearbox we know of is outside (common practice, no source), and narrow
enough that a slip of the decimal point, radians for degrees or inches for mm is found. What is inside them is
not thereby right.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import degrees

from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.record.lengths import MM_PER_INCH

from lashmap_daemon.story.recorded import Box, Limits, Mounting, Torque

# Normal pressure angles of bevel sets run from 14.5° to 25°; 22.5° and 20° are usual.
LEAST_PRESSURE_DEG, MOST_PRESSURE_DEG = 10.0, 32.0
# Backlash as a part of the outer module: fine sets have 0.01, coarse and worn ones 0.1.
LEAST_LASH, MOST_LASH = 0.005, 0.25
# As parts of the outer cone distance.
NEAREST_FACE, FARTHEST_FACE = 0.1, 5.0  # from the locating face of a member to the axis of its mate
MOST_OFF = 0.03  # from the marked distance: more than shims and grinding ever make up for
MOST_TOLERANCE = 0.005
MOST_END_PLAY = 0.005
MOST_COMPLIANCE = 100.0  # µm per N m: shafts, bearings and teeth give way by tenths of a µm to some µm


def implausible(box: Box) -> Iterator[str]:
    """Say which figures cannot be meant: key, figure, what would be believed, and what the slip may be."""
    gear_set = box.gear_set.gear_set()
    yield from _pressure_angle(box.gear_set.normal_pressure_angle_deg)
    yield from _limits(box.limits, gear_set)
    yield from _mounting(box.mounting, gear_set)
    yield from _torque(box.torque)


def _pressure_angle(angle_deg: float) -> Iterator[str]:
    if LEAST_PRESSURE_DEG <= angle_deg <= MOST_PRESSURE_DEG:
        return
    in_radians = degrees(angle_deg)
    radians = LEAST_PRESSURE_DEG <= in_radians <= MOST_PRESSURE_DEG
    slip = f" Is it in radians? That would be {in_radians:.1f}°." if radians else ""
    yield (
        f"gear_set.normal_pressure_angle_deg: {angle_deg:g}° is no pressure angle of a bevel set "
        f"({LEAST_PRESSURE_DEG:g}° to {MOST_PRESSURE_DEG:g}°); take it from the drawing.{slip}"
    )


def _limits(limits: Limits, gear_set: GearSet) -> Iterator[str]:
    module_mm = gear_set.outer_module_mm
    least_mm, most_mm = LEAST_LASH * module_mm, MOST_LASH * module_mm
    figures = {
        "minimum": (limits.minimum_mm, 0.0),
        "maximum": (limits.maximum_mm, least_mm),
        "variation": (limits.variation_mm, 0.0),
    }
    of = f"a set of outer module {_shown(module_mm)}"
    for name, (value_mm, low_mm) in figures.items():
        if value_mm is not None and not low_mm <= value_mm <= most_mm:
            believed = f"{_shown(low_mm)} to {_shown(most_mm)}"
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
    largest = MOST_TOLERANCE * cone_mm
    if mounting.tolerance_mm is not None and mounting.tolerance_mm > largest:
        why = f"is no tolerance of a mounting distance of {of}: believed is 0 to {_shown(largest)}"
        yield _sentence("mounting.tolerance", mounting.tolerance_mm, why)


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
