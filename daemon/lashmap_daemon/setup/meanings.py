"""What each key of a box and of a stand file means, and what it costs to leave it out.

One text for the questions of `lashmap new`, the comments it writes and `lashmap explain`. Keys of the table
``simulated`` are fields of the simulated stand and are explained there; `attributes` reads such a docstring.
"""

from __future__ import annotations

import re
from textwrap import dedent
from typing import NamedTuple


class Meaning(NamedTuple):
    """Of a key.

    Attributes:
        what: What it says; the unit stands in the key.
        without: What becomes of a test whose file leaves it out; empty where it has to be there.
    """

    what: str
    without: str = ""


_UNPROVEN = "asked at the stand; unanswered it is unproven, and nothing is conforming"
_SAID = "asked at the stand; unanswered it is unproven, and the verdict says so"
_PLAY = "0, unless the words on the bearings speak of end play: then some is allowed for"
_ANGLES_APART = "high points of sweep and lash map are not compared"

MEANINGS: dict[str, Meaning] = {
    # Box file.
    "box.type": Meaning("Which kind of gearbox it is, as the report names it"),
    "box.serial": Meaning("Serial number of this box; its tests are found by it"),
    "box.set_number": Meaning("Number of the lapped or matched gear set", "the report names no set"),
    "box.units": Meaning("Unit of lengths on screen and report: mm or in", "mm"),
    "box.remark": Meaning("Anything that whoever reads the report must know", "no remark"),
    "gear_set.pinion_teeth": Meaning("Teeth of the pinion, the smaller member"),
    "gear_set.gear_teeth": Meaning("Teeth of the gear, the larger member"),
    "gear_set.outer_module_mm": Meaning(
        "Outer transverse module, from the drawing", "the outer diametral pitch has to be given instead"
    ),
    "gear_set.outer_diametral_pitch_per_inch": Meaning(
        "Outer transverse diametral pitch: teeth to an inch of pitch diameter",
        "the outer module has to be given instead",
    ),
    "gear_set.face_width_mm": Meaning("Face width of the teeth, along the pitch cone"),
    "gear_set.normal_pressure_angle_deg": Meaning("Pressure angle in the normal section"),
    "gear_set.mean_spiral_angle_deg": Meaning("Spiral angle at the middle of the face; 0 for straight teeth"),
    "gear_set.shaft_angle_deg": Meaning("Angle between the two shafts", "90, a right-angle drive"),
    "gear_set.cutter_radius_mm": Meaning(
        "Radius of the cutter of a face-milled set, from its data sheet",
        "the spiral angle is taken as the mean one along the whole face, and the uncertainty says so",
    ),
    "mounting.pinion_marked_mm": Meaning("Mounting distance of the pinion, as marked on it", _UNPROVEN),
    "mounting.pinion_set_mm": Meaning("Mounting distance of the pinion, as set and measured", _UNPROVEN),
    "mounting.gear_marked_mm": Meaning("Mounting distance of the gear, as marked on it", _SAID),
    "mounting.gear_set_mm": Meaning("Mounting distance of the gear, as set and measured", _SAID),
    "mounting.tolerance_mm": Meaning(
        "By how much a mounting distance may be off the marked one, from the drawing",
        "both mounting distances are unproven, and nothing is conforming",
    ),
    "mounting.bearings": Meaning("Preload or end play of the bearings, as measured, in words", "no words"),
    "mounting.bearings_within_drawing": Meaning(
        "Whether preload or end play is within the drawing",
        "asked at the stand; unanswered the bearings are unproven, and nothing is conforming",
    ),
    "mounting.pinion_end_play_mm": Meaning(
        "Axial play of the pinion in its bearings; 0 when preloaded", _PLAY
    ),
    "mounting.gear_end_play_mm": Meaning("Axial play of the gear in its bearings; 0 when preloaded", _PLAY),
    "matched_teeth.encoder_deg": Meaning(
        "What the encoder shows with the marked teeth together; only for one that keeps its count",
        "the marked teeth are brought together at the start of the test",
    ),
    "tip.touch_radius_mm": Meaning("Distance of the tip's point of contact from the gear axis"),
    "tip.direction": Meaning(
        "Which way the plunger looks: along the flank normal, or in the plane of rotation"
    ),
    "tip.off_normal_deg": Meaning(
        "Angle of the plunger off that direction; the reading is then too large, and is corrected",
        "none: it looks along that direction",
    ),
    "tip.lever_deg": Meaning("Angle of a lever tip to the surface it touches", "the indicator has a plunger"),
    "tip.on_arm": Meaning(
        "Whether the tip bears on an arm clamped to the gear shaft instead of a tooth", "it bears on a tooth"
    ),
    "tip.touch_radius_uncertainty_mm": Meaning(
        "How well the touch radius is known, as a standard uncertainty", "0.2 mm (0.008 in)"
    ),
    "tip.angle_uncertainty_deg": Meaning(
        "How well the plunger's direction is known, as a standard uncertainty", "2 degrees"
    ),
    "tip.height_mm": Meaning(
        "Point of contact above the pitch cone, square to it; below is negative",
        "taken as within half a module of the cone, at a cost in uncertainty",
    ),
    "tip.height_uncertainty_mm": Meaning(
        "How well that height is known, as a standard uncertainty", "the program's own estimate"
    ),
    "contact.place": Meaning(
        "Where along the face the teeth touch: toe, mean, heel, or a part of the face width from the toe",
        "not known, at a cost in uncertainty",
    ),
    "contact.roll_variation_mm": Meaning(
        "Largest less smallest backlash while the pair rolls through one pitch",
        "a usual figure, from memory, goes into the uncertainty",
    ),
    "temperature.housing_c": Meaning("Temperature of the housing", "uncertain; the result is for 20 °C"),
    "temperature.gears_c": Meaning("Temperature of the gears", "uncertain; the result is for 20 °C"),
    "temperature.uncertainty_c": Meaning(
        "How well either temperature is known, as a standard uncertainty", "1 kelvin"
    ),
    "temperature.housing_material": Meaning(
        "Material of the housing, or its expansion in µm per metre and kelvin",
        "uncertain between the usual materials",
    ),
    "temperature.gears_material": Meaning(
        "Material of the gears, or its expansion in µm per metre and kelvin", "steel"
    ),
    "torque.rock_nm": Meaning(
        "Torque about the gear axis with which each flank is pressed",
        "taken from memory; more uncertainty",
    ),
    "torque.rock_uncertainty_nm": Meaning("How well that torque is known", "a fifth of it"),
    "torque.compliance_um_per_nm": Meaning(
        "What the reading grows by for each N m more, in µm",
        "found from second_nm and second_adds_mm, or uncertain",
    ),
    "torque.compliance_uncertainty_um_per_nm": Meaning("How well that is known", "a fifth of it"),
    "torque.second_nm": Meaning(
        "A second, larger torque, with which one position was rocked too", "no second torque"
    ),
    "torque.second_adds_mm": Meaning(
        "What the reading was larger by with the second torque", "no second torque"
    ),
    "limits.minimum_mm": Meaning("Least backlash allowed at the tightest point", "no least is judged"),
    "limits.maximum_mm": Meaning("Most backlash allowed at the tightest point", "no most is judged"),
    "limits.variation_mm": Meaning("Most allowed between tightest and loosest point", "it is not judged"),
    "limits.kind": Meaning("Whether the drawing's limits are of normal or of transverse backlash"),
    "limits.source": Meaning("Drawing and sheet the limits are from", "the report names no source"),
    "limits.untouched_tooth_mm": Meaning(
        "What a tooth that no position touched may take from the backlash",
        "from the accuracy grade below; without either, 0.016 mm (0.0006 in)",
    ),
    "limits.tooth_accuracy_grade": Meaning(
        "ISO 17485 accuracy grade of both members, 2 to 11", "untouched_tooth counts, or 0.016 mm (0.0006 in)"
    ),
    "limits.decision_rule": Meaning(
        "Two-sided: the whole 95 % interval inside the limits; one-sided: 95 % to the side of each limit",
        "two-sided",
    ),
    "plan.positions": Meaning("How many positions to rock, a sample", "24, or every tooth; see teeth"),
    "plan.teeth": Meaning(
        "Every tooth of both members, a sample of them, or whichever the limits need (auto)", "auto"
    ),
    "plan.repeats": Meaning("Positions measured again with the tip set anew", "3"),
    "plan.gear_turns": Meaning("Turns of the gear that the plan may take", "6"),
    "plan.reversals": Meaning("Reversals that a rock needs", "8"),
    "plan.confirming_positions": Meaning("At most so many positions at the predicted tight spot", "3"),
    "plan.roll_phases": Meaning(
        "3 has the tight spot rocked at three phases of the roll: a third of a pitch back and forward too, "
        "where an encoder shows that place",
        "one phase; a usual figure, from memory, goes into the uncertainty",
    ),
    "plan.rock_seconds": Meaning("How long a rock may last; about 60 with a button indicator", "20"),
    "plan.turn_seconds": Meaning("How long turning to the next position may take", "300"),
    "plan.tries": Meaning("How often a position is tried before it is left out", "3"),
    "plan.stop_when_settled": Meaning(
        "Whether to stop asking for positions once the readings settle the verdict", "true"
    ),
    "runout.turns": Meaning("Turns of a runout sweep", "2"),
    "runout.gear_indicator_from_mesh_deg": Meaning(
        "Where the indicator sits on the gear for a sweep: from the mesh, the way the gear turns",
        _ANGLES_APART,
    ),
    "runout.pinion_indicator_from_mesh_deg": Meaning(
        "Where the indicator sits on the pinion for a sweep: from the mesh, the way the pinion turns",
        _ANGLES_APART,
    ),
    "shims.thicknesses_mm": Meaning("Thicknesses of the shims at hand, with commas between them"),
    "shims.thicker_moves": Meaning(
        "Where a thicker pack moves the member: out is away from the axes' crossing"
    ),
    "shims.fitted_mm": Meaning("Thickness of the pack that is fitted now", "advice is a change, not a pack"),
    "shims.most_pieces": Meaning("At most so many shims in a pack", "2"),
    "shims.thickness_uncertainty_mm": Meaning(
        "How well the thickness of a shim is known, as a standard uncertainty", "0.002 mm (0.00008 in)"
    ),
    "parts.length_mm": Meaning("Length of a measured step of [parts.pinion.NAME] or [parts.gear.NAME]"),
    "parts.uncertainty_mm": Meaning("How well that length is known, as a standard uncertainty"),
    "parts.runs": Meaning("Which way the step runs: out, away from the axis of the mate, or in, back to it"),
    "parts.source": Meaning("Where the uncertainty comes from", "the sheet of the build names none"),
    # Stand file.
    "stand.name": Meaning("What the stand is called"),
    "stand.remark": Meaning("Anything that whoever reads the report must know of the stand", "no remark"),
    "stand.reconnect_seconds": Meaning(
        "How long a test waits for an instrument that was unplugged; 0 ends it at once", "120"
    ),
    "indicator.port": Meaning("Serial port of the indicator: /dev/ttyUSB0, COM3, usb:…, socket://host:port"),
    "indicator.profile": Meaning("Profile: the file that says what the indicator sends"),
    "indicator.sense": Meaning(
        "-1 when the value falls while the tip moves in the positive direction, else 1", "1"
    ),
    "indicator.resolution_mm": Meaning("Smallest step that the indicator shows"),
    "indicator.serial": Meaning(
        "Serial number of the indicator", "two tests do not share its certificate when they are compared"
    ),
    "indicator.calibration_due": Meaning(
        "Last day its calibration is valid, year-month-day",
        "its calibration is unproven, and nothing is conforming",
    ),
    "indicator.calibration_uncertainty_mm": Meaning(
        "Expanded uncertainty (k = 2) of a difference of two readings, from the certificate",
        "without it and without a correction curve its calibration is unproven, and nothing is conforming",
    ),
    "indicator.hysteresis_mm": Meaning(
        "Largest difference of two readings of one length, approached from either side; certificate",
        "taken as two display steps, at a cost in uncertainty",
    ),
    "indicator.correction.readings_mm": Meaning("Correction curve: what the display shows, increasing"),
    "indicator.correction.corrections_mm": Meaning("Correction curve: what is to be added there"),
    "indicator.correction.uncertainties_mm": Meaning(
        "Correction curve: expanded uncertainty (k = 2) of each"
    ),
    "encoder.port": Meaning("Serial port of the encoder: /dev/ttyUSB1, COM4, usb:…, socket://host:port"),
    "encoder.profile": Meaning("Profile: the file that says what the encoder sends"),
    "encoder.sense": Meaning(
        "-1 when the angle falls while its shaft turns in the positive direction, else 1", "1"
    ),
    "encoder.shaft": Meaning("Shaft that carries the encoder: gear or pinion", "gear"),
    "encoder.counts_per_turn": Meaning("Counts in one turn of its shaft, after interpolation"),
    "encoder.serial": Meaning("Serial number of the encoder", "the report names none"),
    "encoder.calibration_due": Meaning(
        "Last day its calibration is valid, year-month-day",
        "its calibration is unproven, and nothing is conforming",
    ),
    "encoder.standard_uncertainty_deg": Meaning("Standard uncertainty of an angle, certificate", "0"),
    "encoder.absolute": Meaning(
        "Whether it shows the same angle at the same place after it was switched off",
        "no: an angle of the matched teeth in a box file is not believed",
    ),
    "encoder.number": Meaning(
        "Of two encoders at one counter board: 1 for the count that stands first in its frames, else 2",
        "it has a port of its own",
    ),
    "prompts.file": Meaning("File that repeats what the technician is shown, for a second display"),
    "bus.broker": Meaning("Broker of the bus: mqtt://host:port or, encrypted, mqtts://host:port"),
    "bus.stand": Meaning("Name of the stand in topics", "made from the name of the stand"),
    "bus.root": Meaning("What all topics begin with", "lashmap"),
    "bus.user": Meaning("User at the broker", "nobody in particular"),
    "bus.password_file": Meaning("File with the password", "taken from LASHMAP_BUS_PASSWORD"),
    "bus.ca_file": Meaning(
        "Certificate of the authority that signed the broker's", "those that the system trusts"
    ),
    "bus.certificate_file": Meaning("Certificate that the stand shows to the broker", "none is shown"),
    "bus.key_file": Meaning("Key of that certificate", "none is shown"),
    "bus.live_hz": Meaning("Live values published in a second", "10"),
    "bus.commands": Meaning("Whether others may send commands over the bus", "false"),
    "bus.settle_seconds": Meaning(
        "How long the broker must have a record before it counts as delivered", "10"
    ),
    "page.host": Meaning(
        "Address or name of this computer at which the page of the stand is served", "127.0.0.1, itself alone"
    ),
    "page.port": Meaning("Port of the page; 0 takes one that is free", "8460"),
    "page.may": Meaning(
        "What a person may do on the page (repeat, skip, note, photo, stop), with commas between the words",
        "nothing: it is for looking",
    ),
    "page.names": Meaning(
        "Names by which others reach this computer, with commas between",
        "its addresses and its own name are taken",
    ),
    "page.token_file": Meaning(
        "File with the token that whoever looks has to know; made where it is missing",
        "made anew each time, and none is needed at this computer itself",
    ),
    "page.certificate_file": Meaning("Certificate of an encrypted page", "it is not encrypted"),
    "page.key_file": Meaning("Key of that certificate, without a passphrase", "it is not encrypted"),
    "page.lookers": Meaning("At most so many who look at a time", "16"),
    "hands_free.gestures": Meaning(
        "What the gear may say while both hands are in the machine, with commas between the words", "nothing"
    ),
    "hands_free.still_seconds": Meaning("How long it stands still before and after", "1"),
    "hands_free.least_teeth": Meaning("Least teeth to turn away", "2"),
    "hands_free.most_teeth": Meaning("Most teeth to turn away", "6"),
    "hands_free.within_seconds": Meaning("How long the whole gesture may take", "10"),
    "check_standard.serial": Meaning("Serial number of a box that does not change, which proves the stand"),
    "check_standard.within_hours": Meaning("How old its newest test may be", "24"),
}


def meaning(table: str, key: str) -> Meaning:
    """What a key means, in either unit.

    Args:
        table: As in the file, such as ``shims.gear``.
        key: As in the file; ``_in`` stands for ``_mm``.

    Raises:
        KeyError: Nothing is written down of it.
    """
    metric = f"{key.removesuffix('_in')}_mm" if key.endswith("_in") else key
    of_members, _, _ = table.partition(".")  # the same for both members, and for each part
    alike = of_members in {"shims", "parts", "encoder"}
    return MEANINGS[f"{of_members if alike else table}.{metric}"]


_ATTRIBUTE = re.compile(r"(?m)^    (\w+): (.+(?:\n {8}.+)*)")


def attributes(docstring: str) -> dict[str, str]:
    """The fields that a docstring explains under ``Attributes:``, each with its sentence."""
    _, _, rest = dedent(docstring.partition("\n")[2]).partition("Attributes:\n")
    return {name: " ".join(text.split()) for name, text in _ATTRIBUTE.findall(rest)}
