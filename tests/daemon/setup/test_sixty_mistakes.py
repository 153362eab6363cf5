"""More than sixty mistakes that people make in box, stand and mapping files: what each is answered.

Each starts from a shipped example with one change, and goes through the command that a person would type.
The answer names file and line or key, says what was meant, and how to write it; where it proposes a line,
the file with that line is taken. The list is common practice, no source: what editors, tables and word
processors write, what drawings say otherwise, and what a hurried hand swaps.
"""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from daemon.command import in_process
from daemon.virtual_time import CONFIGS
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.mapping_file import Mapping
from lashmap_daemon.setup.stand_file import load_stand

BOX, INCH = "boxes/spiral-13x40.toml", "boxes/spiral-15x45-inch.toml"
STAND = "stands/bench.toml"
MAPPING, RECORDING = "imports/bench-recording.toml", "imports/bench-recording.csv"


@dataclass(frozen=True)
class Mistake:
    """One change of an example, and what has to be in the answer.

    Attributes:
        file: The example.
        old: What is in it.
        new: What somebody wrote in its place.
        says: Parts of the answer.
        right: A line that the answer proposes in place of ``new``; the file is taken with it.
        named: The file that the answer names, where it is another one.
    """

    file: str
    old: str
    new: str
    says: tuple[str, ...]
    right: str = ""
    named: str = field(default="", kw_only=True)


FACE, SERIAL, SPIRAL = "face_width_mm = 25.0", 'serial = "INV-1340-07"', "mean_spiral_angle_deg = 35.0"
BEARINGS, TOLERANCE, TOUCH = "bearings_within_drawing = true", "tolerance_mm = 0.02", "touch_radius_mm = 76.0"
LIMITS = "minimum_mm = 0.10\nmaximum_mm = 0.18"
SHIMS = "thicknesses_mm = [0.03, 0.05, 0.10, 0.20, 0.30, 0.50]"
PORT, COUNTS = 'port = "/dev/ttyUSB0"', "counts_per_turn = 360000"
DUE = "calibration_due = 2027-06-30   # leave out when there is no certificate: the verdict says so"
DUE_DATE = "calibration_due = 2027-06-30"
PROFILE, RECORDED = "../instruments/indicator-line-mm.toml", "recorded = 2026-03-02T09:30:00+01:00"
DECIMAL_POINT = "Look at the decimal point, and at the unit"

# How a value is written --------------------------------------------------------------------------------
FORM = {
    "decimal comma": Mistake(BOX, FACE, "face_width_mm = 25,0", ("line 12", "a decimal point"), FACE),
    "decimal comma in quotes": Mistake(BOX, FACE, 'face_width_mm = "25,0"', ("without quotes",), FACE),
    "unit behind the number": Mistake(BOX, FACE, "face_width_mm = 25.0 mm", ("without its unit",), FACE),
    "another unit behind it": Mistake(BOX, TOLERANCE, "tolerance_mm = 20 µm", ("line 23",), TOLERANCE),
    "inch mark under mm": Mistake(
        BOX, FACE, 'face_width_mm = 1.0"', ("for inches the key ends in _in",), "face_width_in = 1.0"
    ),
    "mm under inches": Mistake(
        INCH, "touch_radius_in = 3.60", "touch_radius_in = 91 mm", ("ends in _mm",), "touch_radius_mm = 91"
    ),
    "inches as a fraction": Mistake(
        INCH, "face_width_in = 1.1", "face_width_in = 1 1/8", ("no fraction",), "face_width_in = 1.125"
    ),
    "degrees and minutes": Mistake(
        BOX, SPIRAL, "mean_spiral_angle_deg = 34°30'", ("no minutes",), "mean_spiral_angle_deg = 34.5"
    ),
    "plus or minus": Mistake(BOX, TOLERANCE, "tolerance_mm = ±0.02", ("stands alone",), TOLERANCE),
    "number with its tolerance": Mistake(
        BOX, FACE, "face_width_mm = 25.0 ± 0.1", ("a key of its own",), FACE
    ),
    "range in place of two limits": Mistake(
        BOX, LIMITS, "minimum_mm = 0.10 - 0.18", ("not a range", "minimum_mm and maximum_mm")
    ),
    "point without a digit": Mistake(
        BOX, "minimum_mm = 0.10", "minimum_mm = .10", ("begins with a digit",), "minimum_mm = 0.10"
    ),
    "long dash for a minus": Mistake(
        BOX, "height_mm = 0.0", "height_mm = \u22120.5", ("a long dash",), "height_mm = -0.5"
    ),
    "semicolon at the end": Mistake(BOX, FACE, "face_width_mm = 25.0;", ("no semicolon",), FACE),
    "comment with slashes": Mistake(BOX, FACE, "face_width_mm = 25.0 // new", ("begins with #",), FACE),
    "colon for the sign": Mistake(BOX, FACE, "face_width_mm: 25.0", ("joined by =",), FACE),
    "spaces in a key": Mistake(BOX, FACE, "face width mm = 25.0", ("no spaces",), FACE),
    "space of a web page": Mistake(BOX, FACE, "face_width_mm\u00a0= 25.0", ("U+00A0",), FACE),
    "no value": Mistake(BOX, FACE, "face_width_mm =", ("has no value",)),
    "yes": Mistake(BOX, BEARINGS, "bearings_within_drawing = yes", ("line 25",), BEARINGS),
    "True": Mistake(BOX, BEARINGS, "bearings_within_drawing = True", ("write it small",), BEARINGS),
    "ok": Mistake(BOX, BEARINGS, "bearings_within_drawing = ok", ("line 25",), BEARINGS),
    "1 for yes": Mistake(BOX, BEARINGS, "bearings_within_drawing = 1", ("mounting.",), BEARINGS),
    "true in quotes": Mistake(
        BOX, BEARINGS, 'bearings_within_drawing = "true"', ("without quotes",), BEARINGS
    ),
    "number as serial": Mistake(BOX, SERIAL, "serial = 118", ("box.serial",), 'serial = "118"'),
    "number with zeros as serial": Mistake(BOX, SERIAL, "serial = 00118", ("line 4",), 'serial = "00118"'),
    "text without quotes": Mistake(BOX, SERIAL, "serial = INV-1340-07", ("in quotes",), SERIAL),
    "curly quotes": Mistake(BOX, SERIAL, "serial = \u201cINV-1340-07\u201d", ("straight ones",), SERIAL),
    "one curly quote": Mistake(BOX, SERIAL, 'serial = "INV-1340-07\u201d', ("straight ones",), SERIAL),
    "quote that is not closed": Mistake(BOX, SERIAL, 'serial = "INV-1340-07', ("not closed",)),
    "inch mark inside a text": Mistake(
        BOX, SERIAL, 'serial = "7 1/2" drive"', ("a quote ends the text",), "serial = '7 1/2\" drive'"
    ),
    "empty serial": Mistake(BOX, SERIAL, 'serial = ""', ("box.serial: expected something",)),
    "list with decimal commas": Mistake(
        BOX, SHIMS, "thicknesses_mm = [0,03; 0,05]", ("line 76",), "thicknesses_mm = [0.03, 0.05]"
    ),
    "list with decimal commas alone": Mistake(
        BOX, SHIMS, "thicknesses_mm = [0,5, 1,0]", ("thicknesses_mm.0", "a comma divides numbers")
    ),
    "list without brackets": Mistake(
        BOX, SHIMS, "thicknesses_mm = 0.05, 0.10", ("line 76",), "thicknesses_mm = [0.05, 0.10]"
    ),
    "one number for a list": Mistake(
        BOX, SHIMS, "thicknesses_mm = 0.05", ("a list stands in brackets",), "thicknesses_mm = [0.05]"
    ),
    "list that is not closed": Mistake(BOX, SHIMS, SHIMS.rstrip("]"), ("line 76", "end it with ]")),
    "teeth with a point": Mistake(BOX, "pinion_teeth = 13", "pinion_teeth = 13.0", ("without a point",)),
    "ratio for the teeth": Mistake(
        BOX, "gear_teeth = 40", "gear_teeth = 3.08", ("gear_set.gear_teeth", "a whole number")
    ),
    "percent": Mistake(BOX, "place = 0.6", "place = 60 %", ("line 43",), "place = 0.6"),
    "another word": Mistake(
        BOX, 'direction = "normal"', 'direction = "tangential"', ("'plane of rotation'",)
    ),
    "inch in words": Mistake(INCH, 'units = "in"', 'units = "inch"', ("box.units", "'mm' or 'in'")),
    "sense in a word": Mistake(STAND, "sense = 1  ", "sense = reverse  ", ("line 12", "sense = 1 or -1")),
    "date with points": Mistake(STAND, DUE, "calibration_due = 30.06.2027", ("line 15",), DUE_DATE),
    "date in quotes": Mistake(
        STAND,
        DUE,
        'calibration_due = "2027-06-30"',
        ("indicator.calibration_due",),
        DUE_DATE,
    ),
    "month first": Mistake(STAND, DUE, "calibration_due = 06/30/2027", ("line 15",), DUE_DATE),
    "day or month first": Mistake(STAND, DUE, "calibration_due = 06/07/2027", ("year-month-day, as in",)),
    "day that does not exist": Mistake(STAND, DUE, "calibration_due = 2027-06-31", ("no such day",)),
    "month in words": Mistake(STAND, DUE, "calibration_due = June 2027", ("year-month-day, as in",)),
    "comma between thousands": Mistake(
        STAND, COUNTS, "counts_per_turn = 360,000", ("stand together",), COUNTS
    ),
    "space between thousands": Mistake(
        STAND, COUNTS, "counts_per_turn = 360 000", ("stand together",), COUNTS
    ),
    "point between thousands": Mistake(STAND, COUNTS, "counts_per_turn = 360.000", ("without a point",)),
    "lines times four": Mistake(STAND, COUNTS, "counts_per_turn = 90000 x 4", ("worked out",), COUNTS),
    "minutes for seconds": Mistake(
        STAND,
        "# reconnect_seconds = 120",
        "reconnect_seconds = 2 min",
        ("line 5",),
        "reconnect_seconds = 120",
    ),
    "port without quotes": Mistake(STAND, PORT, "port = COM3", ("in quotes",), 'port = "COM3"'),
    "number of a port": Mistake(STAND, PORT, "port = 3", ("indicator.port",)),
    "backslash in a port": Mistake(
        STAND, PORT, 'port = "\\\\.\\COM12"', ("a backslash means",), "port = '\\\\.\\COM12'"
    ),
    "backslash that makes a line break": Mistake(
        STAND, PROFILE, "..\\new.toml", ("backslash", "single quotes")
    ),
    "moment without an offset": Mistake(
        MAPPING, RECORDED, "recorded = 2026-03-02T09:30:00", ("test.recorded", "offset from UTC")
    ),
    "moment with points": Mistake(
        MAPPING, RECORDED, "recorded = 02.03.2026 09:30", ("line 14", "year-month-day, T")
    ),
}

# Tables and keys --------------------------------------------------------------------------------
PLACES = {
    "misspelt key": Mistake(BOX, TOUCH, "touch_radus_mm = 76.0", ("tip.touch_radus_mm", "touch_radius_mm?")),
    "key in capitals": Mistake(BOX, FACE, "FACE_WIDTH_MM = 25.0", ("did you mean face_width_mm?",)),
    "key without its unit": Mistake(BOX, TOUCH, "touch_radius = 76.0", ("did you mean touch_radius_mm?",)),
    "inch written out": Mistake(BOX, TOUCH, "touch_radius_inch = 2.99", ("in inches is touch_radius_in",)),
    "key twice": Mistake(BOX, TOLERANCE, f"{TOLERANCE}\n{TOLERANCE}", ("line 24", "stands twice")),
    "both units": Mistake(BOX, TOUCH, f"{TOUCH}\ntouch_radius_in = 3", ("tip.touch_radius_in", "keep one")),
    "table twice": Mistake(BOX, "[tip]", "[mounting]", ("line 33", "stands twice in the file")),
    "table not closed": Mistake(BOX, "[tip]", "[tip", ("line 33",), "[tip]"),
    "table in round brackets": Mistake(BOX, "[tip]", "(tip)", ("line 33",), "[tip]"),
    "table with a colon": Mistake(BOX, "[tip]", "tip:", ("line 33",), "[tip]"),
    "table as a list": Mistake(BOX, "[tip]", "[[tip]]", ("write [tip] once",)),
    "table in capitals": Mistake(BOX, "[tip]", "[TIP]", ("TIP: unknown", "the table [tip]?")),
    "misspelt table": Mistake(BOX, "[limits]", "[limit]", ("did you mean the table [limits]?",)),
    "table inside another": Mistake(BOX, "[tip]", "[gear_set.tip]", ("gear_set.tip", "the table [tip]?")),
    "key in the wrong table": Mistake(
        BOX, TOLERANCE, f"{TOLERANCE}\nminimum_mm = 0.1", ("mounting.minimum_mm", "in the table [limits]")
    ),
    "table left out": Mistake(BOX, "[tip]", "", ("matched_teeth.touch_radius_mm", "in the table [tip]")),
    "member left out of a table": Mistake(
        BOX, "[shims.gear]", "[shims]", ("shims.thicknesses_mm", "[shims.gear] or [shims.pinion]")
    ),
    "tables of both instruments in one": Mistake(STAND, "[encoder]", "", ("line 28", "[encoder]")),
    "dial for indicator": Mistake(STAND, "[indicator]", "[dial]", ("did you mean the table [indicator]?",)),
    "one sweep as a table": Mistake(
        MAPPING,
        'find_by = "encoder"',
        'find_by = "encoder"\n[sweep]\nmember = "gear"\nfrom_s = 1\nto_s = 2',
        ("begin each of these tables with [[sweep]]",),
    ),
    "spiral angle left out": Mistake(BOX, SPIRAL, "", ("gear_set.mean_spiral_angle_deg", "0 for straight")),
    "pressure angle left out": Mistake(
        BOX, "normal_pressure_angle_deg = 20.0", "", ("gear_set.normal_pressure_angle_deg: is missing",)
    ),
    # The normal and the plane of rotation differ by 30 % on this set: neither is taken unsaid.
    "direction left out": Mistake(
        BOX, 'direction = "normal"', "", ("tip.direction: is missing", "along the flank normal")
    ),
    "resolution left out": Mistake(
        STAND, "resolution_mm = 0.0001", "", ("indicator.resolution_mm: is missing",)
    ),
    "one half of a pair": Mistake(BOX, "second_adds_mm = 0.0008", "", ("torque", "together")),
}

# What cannot be meant --------------------------------------------------------------------------------
MEANING = {
    "teeth swapped": Mistake(
        BOX,
        "pinion_teeth = 13\ngear_teeth = 40",
        "pinion_teeth = 40\ngear_teeth = 13",
        ("gear_set.pinion_teeth", "the pinion is the smaller member"),
    ),
    "limits swapped": Mistake(
        BOX, LIMITS, "minimum_mm = 0.18\nmaximum_mm = 0.10", ("limits", "is not below")
    ),
    "ten-fold limits": Mistake(
        BOX, LIMITS, "minimum_mm = 1.0\nmaximum_mm = 1.8", ("limits.maximum_mm", DECIMAL_POINT)
    ),
    "a tenth of the least": Mistake(
        BOX, "minimum_mm = 0.10", "minimum_mm = 0.010", ("limits.minimum_mm", DECIMAL_POINT)
    ),
    "limits in µm": Mistake(
        BOX, LIMITS, "minimum_mm = 100\nmaximum_mm = 180", ("limits.minimum_mm", DECIMAL_POINT)
    ),
    "limits in inches under mm": Mistake(
        INCH, "minimum_in", "minimum_mm", ("limits.minimum_mm", DECIMAL_POINT)
    ),
    "limits in mm under inches": Mistake(
        BOX, LIMITS, "minimum_in = 0.10\nmaximum_in = 0.18", ("limits.minimum_in", DECIMAL_POINT)
    ),
    "negative lash": Mistake(
        BOX, "minimum_mm = 0.10", "minimum_mm = -0.10", ("limits.minimum_mm: expected 0 or more",)
    ),
    "face width in inches under mm": Mistake(
        INCH, "face_width_in", "face_width_mm", ("gear_set.face_width_mm",)
    ),
    "face width in mm under inches": Mistake(
        BOX, FACE, "face_width_in = 25.0", ("gear_set.face_width_in", "got 25")
    ),
    "a tenth of the face width": Mistake(
        BOX, FACE, "face_width_mm = 2.5", ("gear_set.face_width_mm", DECIMAL_POINT)
    ),
    "module for diametral pitch": Mistake(
        BOX,
        "outer_module_mm = 4.0",
        "outer_diametral_pitch_per_inch = 4.0",
        ("tip.touch_radius_mm", "the gear's teeth"),
    ),
    "cutter radius in mm under inches": Mistake(
        BOX, "cutter_radius_mm = 75.0", "cutter_radius_in = 75.0", ("gear_set.cutter_radius_in", "75 in")
    ),
    "tip at its diameter": Mistake(
        BOX, TOUCH, "touch_radius_mm = 152.0", ("tip.touch_radius_mm", "56.22 to 80 mm")
    ),
    "tip in inches under mm": Mistake(
        INCH, "touch_radius_in = 3.60", "touch_radius_mm = 3.60", ("tip.touch_radius_mm",)
    ),
    "tip in mm under inches": Mistake(
        BOX, TOUCH, "touch_radius_in = 76.0", ("tip.touch_radius_in", "got 76")
    ),
    "its uncertainty in inches under mm": Mistake(
        INCH,
        "touch_radius_uncertainty_in",
        "touch_radius_uncertainty_mm",
        ("tip.touch_radius_uncertainty_mm", "0.006 mm"),
    ),
    "tolerance in inches under mm": Mistake(
        INCH, "tolerance_in", "tolerance_mm", ("mounting.tolerance_mm", DECIMAL_POINT)
    ),
    "distance of the other member": Mistake(
        BOX,
        "pinion_set_mm = 105.01",
        "pinion_set_mm = 62.39",
        ("mounting.pinion_set_mm", "one of the two is mistyped"),
    ),
    "shim for the distance": Mistake(
        BOX,
        "pinion_set_mm = 105.01",
        "pinion_set_mm = 0.01",
        ("mounting.pinion_set_mm", "no mounting distance"),
    ),
    "shims in inches under mm": Mistake(
        INCH, "thicknesses_in", "thicknesses_mm", ("shims.gear.thicknesses_mm",)
    ),
    "shims in mm under inches": Mistake(
        BOX, "thicknesses_mm", "thicknesses_in", ("shims.gear.thicknesses_in",)
    ),
    "pressure angle in radians": Mistake(
        BOX, "normal_pressure_angle_deg = 20.0", "normal_pressure_angle_deg = 0.349", ("in radians", "20.0°")
    ),
    "spiral angle in radians": Mistake(BOX, SPIRAL, "mean_spiral_angle_deg = 0.611", ("in radians", "35.0°")),
    "end play in µm": Mistake(
        BOX, "gear_end_play_mm = 0.004", "gear_end_play_mm = 4", ("mounting.gear_end_play_mm",)
    ),
    "degrees Fahrenheit": Mistake(
        BOX, "housing_c = 21.0", "housing_c = 70", ("temperature.housing_c", "21.1 °C")
    ),
    "second torque smaller": Mistake(
        BOX, "second_nm = 2.5", "second_nm = 0.05", ("torque", "second_nm must be more")
    ),
    "sample and every tooth": Mistake(
        BOX, "positions = 26", 'positions = 26\nteeth = "every"', ("plan", "give one of them")
    ),
    "both instruments on one port": Mistake(
        STAND, PORT, 'port = "/dev/ttyUSB1"', ("encoder.port", "/dev/ttyUSB1")
    ),
    "profiles swapped": Mistake(
        STAND, PROFILE, "../instruments/encoder-line.toml", ("indicator.profile", "measures a length")
    ),
    "profile in another folder": Mistake(
        STAND,
        PROFILE,
        "indicator-line-mm.toml",
        ("indicator.profile: no such file", "relative to the stand file"),
    ),
    "box for a profile": Mistake(
        STAND,
        PROFILE,
        "../boxes/spiral-13x40.toml",
        ("is a box file, and an instrument profile is wanted",),
        named="spiral-13x40.toml",
    ),
    "curve of two lengths": Mistake(
        STAND,
        "[encoder]",
        "[indicator.correction]\nreadings_mm = [-1.0, 1.0]\ncorrections_mm = [0.0, 0.0, 0.0]\n"
        "uncertainties_mm = [0.001, 0.001]\n\n[encoder]",
        ("indicator.correction", "as many of one as of another"),
    ),
    "least and most swapped": Mistake(
        STAND,
        "# [hands_free]\n",
        "[hands_free]\nleast_teeth = 6\nmost_teeth = 2\n",
        ("hands_free.least_teeth", "swap them"),
    ),
}

# Mapping and recording --------------------------------------------------------------------------------
IMPORTS = {
    "column in other letters": Mistake(
        MAPPING,
        'column = "time"',
        'column = "Time"',
        ("has no column 'Time'", "did you mean 'time'?"),
        named="recording.csv",
    ),
    "column that is not there": Mistake(
        MAPPING,
        'column = "dial"',
        'column = "probe"',
        ("has no column 'probe'", "time, dial, gear angle"),
        named="recording.csv",
    ),
    "wrong separator": Mistake(
        MAPPING, 'separator = ";"', 'separator = ","', ('write separator = ";"',), named="recording.csv"
    ),
    "separator in words": Mistake(
        MAPPING, 'separator = ";"', 'separator = "tab"', ("file.separator", "1 character")
    ),
    "separator left out": Mistake(
        MAPPING, 'separator = ";"', "", ('write separator = ";"',), named="recording.csv"
    ),
    "decimal point for a comma": Mistake(
        MAPPING,
        'decimal = ","',
        'decimal = "."',
        ("row 4, column dial", 'write decimal = ","'),
        named="recording.csv",
    ),
    "points in the recording": Mistake(
        RECORDING, "-2999,9", "-2999.9", ("row 5, column dial", 'write decimal = "."')
    ),
    "thousands in the recording": Mistake(
        RECORDING, "-2999,9", "-2.999,9", ("row 5, column dial", "is no number")
    ),
    "word in a cell": Mistake(RECORDING, "-2999,9", "n/a", ("row 5, column dial", "add it to file.missing")),
    "title taken for the columns": Mistake(
        MAPPING,
        "skip_lines = 1",
        "skip_lines = 0",
        ("row 2 names the columns", "write skip_lines = 1"),
        named="recording.csv",
    ),
    "units taken for samples": Mistake(
        MAPPING,
        "skip_after = 1",
        "skip_after = 0",
        ("row 3, column time", "write skip_after = 1"),
        named="recording.csv",
    ),
    "sample taken for units": Mistake(
        MAPPING,
        "skip_after = 1",
        "skip_after = 2",
        ("row 4 holds samples", "skip_after"),
        named="recording.csv",
    ),
    "ms called s": Mistake(
        MAPPING, 'unit = "ms"', 'unit = "s"', ("20 s apart", "time.unit"), named="recording.csv"
    ),
    "ms called µs": Mistake(
        MAPPING, 'unit = "ms"', 'unit = "us"', ("0.0198 s", "time.unit"), named="recording.csv"
    ),
    "unit of time in words": Mistake(MAPPING, 'unit = "ms"', 'unit = "milliseconds"', ("time.unit", "'ms'")),
    "µm called mm": Mistake(MAPPING, 'unit = "um"', 'unit = "mm"', ("indicator.unit", "none goes further")),
    "µm with its letter": Mistake(MAPPING, 'unit = "um"', 'unit = "µm"', ("indicator.unit", "'um'")),
    "degrees called counts": Mistake(
        MAPPING, 'unit = "deg"', 'unit = "count"', ("encoder.unit", 'unit = "deg"')
    ),
    "µm as the step of the display": Mistake(
        MAPPING,
        "resolution_mm = 0.0001",
        "resolution_mm = 0.1",
        ("indicator.resolution_mm: 0.1 mm",),
    ),
    "certificate in µm": Mistake(
        MAPPING,
        "calibration_uncertainty_mm = 0.0006",
        "calibration_uncertainty_mm = 0.6",
        ("indicator.calibration_uncertainty_mm", "Is it in µm? That would be 0.0006 mm"),
    ),
    "calibration of another century": Mistake(
        MAPPING,
        "calibration_due = 2027-01-31",
        "calibration_due = 1927-01-31",
        ("indicator.calibration_due",),
    ),
    "lines of a turn without a digit": Mistake(
        MAPPING,
        "counts_per_turn = 144000",
        "counts_per_turn = 14",
        ("encoder.counts_per_turn",),
    ),
    "recorded in days to come": Mistake(
        MAPPING, "2026-03-02T", "2062-03-02T", ("test.recorded: 2062-03-02", "has not come yet")
    ),
    "curve of an import with a point too many": Mistake(
        MAPPING,
        "hysteresis_mm = 0.0005",
        "hysteresis_mm = 0.0005\n[indicator.correction]\nreadings_mm = [0, 1]\ncorrections_mm = [0, 0, 0]\n"
        "uncertainties_mm = [0, 0]",
        ("indicator.correction", "as many of one as of another"),
    ),
    "matched teeth in counts": Mistake(
        MAPPING, "matched_deg = 37.25", "matched_deg = 1449000", ("encoder.matched_deg", "would be 3622.5°")
    ),
    "least time in ms": Mistake(
        MAPPING,
        'find_by = "encoder"',
        'find_by = "encoder"\nleast_seconds = 500',
        ("positions.least_seconds", "Is it in milliseconds?"),
    ),
    "two ways to find the rocks": Mistake(
        MAPPING,
        'find_by = "encoder"',
        'find_by = "encoder"\nengagement_column = "tooth"',
        ("positions", "give one of"),
    ),
    "origin of engagements left out": Mistake(
        MAPPING,
        'find_by = "encoder"',
        'engagement_column = "tooth"',
        ("positions.counted_from_matched_teeth: is missing", "say true or false"),
    ),
    "rock that ends before it begins": Mistake(
        MAPPING,
        'find_by = "encoder"',
        "counted_from_matched_teeth = true\n[[positions.rock]]\nengagement = 0\nfrom_s = 4\nto_s = 1",
        ("positions.rock.0", "is not before"),
    ),
    "rock in ms": Mistake(
        MAPPING,
        'find_by = "encoder"',
        "counted_from_matched_teeth = true\n[[positions.rock]]\nengagement = 0\nfrom_s = 1000\nto_s = 4000",
        ("the rows end 19.78 s", "from_s and to_s"),
        named="recording.csv",
    ),
    "matched teeth at another angle": Mistake(
        MAPPING,
        "matched_deg = 37.25",
        "matched_deg = 0",
        ("encoder.matched_deg", "off whole engagements"),
        named="recording.csv",
    ),
    "recording in another folder": Mistake(
        MAPPING, 'path = "bench', 'path = "../bench', ("file.path", "relative to the mapping file")
    ),
    "box in another folder": Mistake(
        MAPPING, '"../boxes/', '"', ("no such file",), named="spiral-13x40.toml"
    ),
    "stand for the box": Mistake(
        MAPPING,
        "../boxes/spiral-13x40.toml",
        "../stands/bench.toml",
        ("is a stand file, and a box file is wanted",),
        named="bench.toml",
    ),
}

MISTAKES = {**FORM, **PLACES, **MEANING, **IMPORTS}


@pytest.fixture
def configs(tmp_path: Path) -> Path:
    folder = tmp_path / "configs"
    for name in ("boxes", "stands", "instruments", "imports"):
        shutil.copytree(CONFIGS / name, folder / name)
    return folder


def command(configs: Path, file: str) -> tuple[str | Path, ...]:
    """What a person types who has changed this file."""
    if file in {MAPPING, RECORDING}:
        return ("import", configs / MAPPING, "--logbook", configs / "book")
    return ("check", configs / file)


def loaded(path: Path, file: str) -> object:
    """The file as it is taken.

    Raises:
        ConfigurationError: It is not.
    """
    if file == STAND:
        return load_stand(path)
    return toml_file.load(path, Mapping) if file == MAPPING else toml_file.load(path, BoxFile)


def refused(configs: Path, *words: str | Path) -> str:
    """What a command says that refuses a file: on standard error, with the status of a wrong file."""
    done = in_process(*words)
    assert done.exit_code == 2, (done.exit_code, done.stdout, done.stderr)
    assert isinstance(done.exception, SystemExit)
    assert all(line.startswith("lashmap: ") for line in done.stderr.splitlines())
    assert "conforming" not in done.stdout
    assert not (configs / "book").exists()
    return done.stderr


def test_there_are_sixty() -> None:
    assert len(MISTAKES) >= 60
    assert len({(one.file, one.old, one.new) for one in MISTAKES.values()}) == len(MISTAKES)


@pytest.mark.parametrize("mistake", MISTAKES.values(), ids=list(MISTAKES))
def test_a_mistake_is_answered_with_its_place_and_its_remedy(mistake: Mistake, configs: Path) -> None:
    path = configs / mistake.file
    text = path.read_text("utf-8")
    assert mistake.old in text
    path.write_text(text.replace(mistake.old, mistake.new, 1), "utf-8")
    said = refused(configs, *command(configs, mistake.file))
    assert (mistake.named or path.name) in said.splitlines()[0]
    for part in (*mistake.says, mistake.right):
        assert part in said, said
    assert re.search(
        r"line \d+: |row \d+|[a-z_]+\.[a-z_]+|[A-Za-z_]+: |column|is a \w+ file|no such file", said
    )
    if mistake.right:
        path.write_text(text.replace(mistake.old, mistake.right, 1), "utf-8")
        loaded(path, mistake.file)


# Whole files --------------------------------------------------------------------------------

BYTES = {
    "empty": (b"", "is empty"),
    "spaces": (b" \r\n\t\n", "is empty"),
    "Latin-1": (
        b'[box]\ntype = "Getriebe f\xfcr Versuche"\n',
        "line 2: the character behind ' \"Getriebe f' is",
    ),
    "UTF-16": ('[box]\ntype = "x"\n'.encode("utf-16"), "is text in UTF-16; save it as text in UTF-8"),
    "workbook": (b"PK\x03\x04\x14\x00\x06\x00" + bytes(range(256)), "is a workbook"),
    "old workbook": (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(40), "is a workbook"),
    "PDF": (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n", "is a PDF"),
    "RTF": (rb"{\rtf1\ansi [box]}", "is a word processor's file (RTF); save it as plain text"),
    "page": (b"<!DOCTYPE html>\n<html></html>", "is a page for a browser"),
    "logbook": (b"SQLite format 3\0" + bytes(84), "is a logbook"),
    "picture": (b"\x89PNG\r\n\x1a\n" + bytes(40), "is a picture"),
}


@pytest.mark.parametrize(("data", "says"), BYTES.values(), ids=list(BYTES))
@pytest.mark.parametrize("file", [BOX, STAND, MAPPING])
def test_another_file_under_the_right_name(file: str, data: bytes, says: str, configs: Path) -> None:
    (configs / file).write_bytes(data)
    with pytest.raises(ConfigurationError) as caught:
        loaded(configs / file, file)
    assert str(caught.value).startswith(f"{configs / file}: {says}")
    if says == "is a workbook":
        assert says in refused(configs, *command(configs, file))


@pytest.mark.parametrize(
    ("data", "says"),
    [*(BYTES[name] for name in ("UTF-16", "workbook", "PDF")), (b"a;b\n1;\xb5m\n", "line 2: the character")],
)
def test_another_file_for_the_recording(data: bytes, says: str, configs: Path) -> None:
    (configs / RECORDING).write_bytes(data)
    assert f"{configs / RECORDING}: {says}" in refused(configs, *command(configs, RECORDING))


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (
            ("run", BOX, STAND, "--logbook", "book"),
            "is a box file, and a stand file is wanted here; the order is",
        ),
        (("run", STAND, STAND, "--logbook", "book"), "is a stand file, and a box file is wanted here"),
        (("run", STAND, MAPPING, "--logbook", "book"), "is a mapping file, and a box file is wanted here"),
        (
            ("check", "instruments/encoder-line.toml"),
            "is an instrument profile, and a stand file is wanted here",
        ),
        (("check", "boxes"), "is a folder; name the file in it"),
        (("check", "boxes/spiral-13x04.toml"), "there is spiral-13x40.toml in that folder"),
        (("check", "boxes/spiral-13x40"), "there is spiral-13x40.toml in that folder"),
        (("import", BOX, "--logbook", "book"), "is a box file, and a mapping file is wanted here"),
        (("import", RECORDING, "--logbook", "book"), "line 1: 'invented recording"),
    ],
)
def test_a_file_in_the_place_of_another(
    words: tuple[str, ...], says: str, configs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(configs)
    assert says in refused(configs, *words)


@pytest.mark.parametrize(
    "change",
    [
        lambda data: b"\xef\xbb\xbf" + data,
        lambda data: data.replace(b"\n", b"\r\n"),
        lambda data: data.replace(b"\n", b"\r"),
        lambda data: data.replace(b" = ", b"\t=\t"),
        lambda data: data.replace(b"\n", b"   \n"),
        lambda data: data.rstrip(b"\n"),
    ],
    ids=[
        "byte-order mark",
        "Windows line ends",
        "old line ends",
        "tabs",
        "spaces at the end",
        "no last line end",
    ],
)
@pytest.mark.parametrize("file", [BOX, STAND, MAPPING])
def test_what_editors_do_is_no_mistake(file: str, change: object, configs: Path) -> None:
    assert callable(change)
    path = configs / file
    before = loaded(path, file)
    path.write_bytes(change(path.read_bytes()))
    assert loaded(path, file) == before
