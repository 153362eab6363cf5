"""Wrong files on purpose: each message names file, key or line, what was found and a remedy.

The list of mistakes that people make is our own, from common practice with files that people write by
hand; no source.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from daemon.virtual_time import CONFIGS, DEMO_BOX
from hypothesis import given
from hypothesis import strategies as st
from lashmap_daemon.commands.simulate import simulated_box
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.stand_file import StandFile, load_profile, load_stand
from lashmap_daemon.simulated_stand import Stand as SimulatedStand
from lashmap_daemon.testing.opening import lay_out
from lashmap_drivers.wire.checksums import Checksum

BOXES = sorted((CONFIGS / "boxes").glob("*.toml"))
DEMO = DEMO_BOX.read_text("utf-8")


def complaint(text: str, model: type = BoxFile) -> str:
    with pytest.raises(ConfigurationError) as caught:
        toml_file.parse(text, "my.toml", model)
    assert all(line.startswith("my.toml: ") for line in str(caught.value).splitlines())
    return str(caught.value)


def changed(old: str, new: str) -> str:
    assert old in DEMO
    return DEMO.replace(old, new)


@pytest.mark.parametrize("path", BOXES, ids=lambda path: path.stem)
def test_shipped_boxes_load_plan_and_simulate(path: Path) -> None:
    box = toml_file.load(path, BoxFile)
    gear_set = box.gear_set.gear_set()
    planned = lay_out(box.recorded())
    assert len(set(planned.tolist())) == (box.plan.positions or gear_set.gear_teeth)
    assert len(planned) == len(set(planned.tolist())) + box.plan.repeats
    assert "nvented" in box.box.remark
    truth = SimulatedStand(simulated_box(box), seed=1).truth
    assert len(truth.normal_backlash_mm) == gear_set.mesh_cycle
    assert min(truth.normal_backlash_mm) > 0.0


@pytest.mark.parametrize("path", sorted((CONFIGS / "stands").glob("*.toml")), ids=lambda path: path.stem)
def test_shipped_stands_load(path: Path) -> None:
    found = {"indicator", "encoder", *(() if path.stem == "bench" else ("pinion encoder",))}
    assert set(load_stand(path).recorded().decoders()) == found


def test_inches_are_read_as_inches() -> None:
    box = toml_file.load(CONFIGS / "boxes" / "spiral-15x45-inch.toml", BoxFile)
    # 25.4 mm an inch exactly; module = 25.4 / diametral pitch (definition of both).
    assert box.tip.touch_radius_mm == pytest.approx(3.60 * 25.4, rel=1e-15)
    assert box.gear_set.gear_set().outer_module_mm == pytest.approx(25.4 / 6.0, rel=1e-15)
    assert box.limits.minimum_mm == pytest.approx(0.1016, rel=1e-12)


def test_a_missing_file() -> None:
    with pytest.raises(ConfigurationError, match=r"nowhere\.toml: no such file"):
        toml_file.load(Path("nowhere.toml"), BoxFile)


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            "touch_radius_mm = 76.0",
            "touch_radus_mm = 76.0",
            "tip.touch_radus_mm: unknown key; did you mean touch_radius_mm?",
        ),
        ("touch_radius_mm = 76.0", "", "tip.touch_radius_mm: is missing"),
        (
            "touch_radius_mm = 76.0",
            "touch_radius_cm = 7.6",
            "tip.touch_radius_cm: unknown key; did you mean touch_radius_mm?",
        ),
        (
            "touch_radius_mm = 76.0",
            "touch_radius_mm = 76.0\ntouch_radius_in = 3.0",
            "touch_radius_mm is given too",
        ),
        (
            "touch_radius_mm = 76.0",
            'touch_radius_mm = "76"',
            "tip.touch_radius_mm: expected a number, got '76'",
        ),
        ("touch_radius_mm = 76.0", "touch_radius_mm = 7.6", "touch_radius_mm"),
        ("touch_radius_mm = 76.0", "touch_radius_mm = nan", "tip.touch_radius_mm: expected a finite number"),
        (
            "pinion_teeth = 13",
            "pinion_teeth = 13.5",
            "gear_set.pinion_teeth: expected a whole number, got 13.5",
        ),
        ("pinion_teeth = 13", "pinion_teeth = 50", "gear_set.pinion_teeth: "),
        ("face_width_mm = 25.0", "face_width_mm = 250.0", "gear_set.face_width_mm"),
        (
            "minimum_mm = 0.10",
            "minimum_mm = 0.20",
            "limits: minimum 0.2 mm (0.00787402 in) is not below maximum 0.18 mm (0.00708661 in)",
        ),
        ("positions = 26", "positions = 3", "plan.positions: expected 4 or more, got 3"),
        ("[tip]", "[tipp]", "tipp: unknown key; did you mean the table [tip]?"),
        ("[box]", "[box", "a table is written [box]"),
        ('type = "Right', 'units = "cm"\ntype = "Right', "box.units: expected 'mm' or 'in', got 'cm'"),
    ],
)
def test_wrong_keys_and_values_are_named(old: str, new: str, expected: str) -> None:
    assert expected in complaint(changed(old, new))


def test_all_problems_are_reported_at_once() -> None:
    text = changed("touch_radius_mm = 76.0", "").replace("positions = 26", 'positions = "many"')
    assert len(complaint(text).splitlines()) == 2


def test_a_stand_whose_profile_is_missing_or_of_the_wrong_kind(tmp_path: Path) -> None:
    text = (CONFIGS / "stands" / "bench.toml").read_text("utf-8")
    stand = tmp_path / "stand.toml"
    stand.write_text(text, "utf-8")
    with pytest.raises(ConfigurationError, match=r"indicator\.profile: no such file"):
        load_stand(stand)
    profiles = CONFIGS / "instruments"
    swapped = text.replace("../instruments/indicator-line-mm.toml", str(profiles / "encoder-line.toml"))
    stand.write_text(swapped, "utf-8")
    with pytest.raises(ConfigurationError, match="an indicator measures a length"):
        load_stand(stand)


def test_a_crc_may_be_given_by_its_parameters_in_a_file(tmp_path: Path) -> None:
    # reflect_in ends like a length in inches, and is none.
    profile = tmp_path / "crc.toml"
    profile.write_text(
        'kind = "ascii line"\n'
        "pattern = '(?P<value>[+-]\\d)(?P<checksum>[0-9A-F]{4})'\n"
        'checksum = { method = "crc", crc = { width = 16, polynomial = 0x8005, initial = 0xFFFF, '
        "reflect_in = true, reflect_out = true } }\n"
    )
    named = Checksum(method="crc", crc="CRC-16/MODBUS").compute()(b"+1")
    parser = load_profile(profile).make_parser()
    assert list(parser.feed(b"\r\n+1%04X\r\n" % named)) == [1.0]


def test_a_folder_and_a_file_of_other_bytes_are_named_without_the_systems_own_words(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="is a folder; name the file in it") as caught:
        toml_file.load(tmp_path, BoxFile)
    assert "Errno" not in str(caught.value)
    other = tmp_path / "box.toml"
    other.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ConfigurationError, match="is text in UTF-16"):
        toml_file.load(other, BoxFile)


BOX = (CONFIGS / "boxes" / "spiral-13x40.toml").read_text("utf-8")
STAND = (CONFIGS / "stands" / "bench.toml").read_text("utf-8")
FACE, BEARINGS, SERIAL = "face_width_mm = 25.0", "bearings_within_drawing = true", 'serial = "INV-1340-07"'

NOT_TOML = [
    (FACE, "face_width_mm = 25,0", "a comma where a decimal point stands; write face_width_mm = 25.0"),
    (FACE, "face_width_mm = 25,0  # from the drawing", "write face_width_mm = 25.0"),
    (FACE, "face_width_mm = 25 mm", "without its unit, which the key names; write face_width_mm = 25"),
    (FACE, "face_width_mm = 25.0mm", "write face_width_mm = 25.0"),
    (FACE, 'face_width_mm = 1.1"', "for inches the key ends in _in; write face_width_in = 1.1"),
    (FACE, "face_width_mm = .25", "a number begins with a digit; write face_width_mm = 0.25"),
    (FACE, "face_width_mm = 25.", "a number ends with a digit; write face_width_mm = 25.0"),
    (
        FACE,
        "face_width_mm = 025.0",
        "has no zero in front; write face_width_mm = 25.0",
    ),
    (FACE, "face_width_mm = \u221225.0", "a long dash is no minus; write face_width_mm = -25.0"),
    (FACE, "face_width_mm = \u201325.0", "a long dash is no minus; write face_width_mm = -25.0"),
    (FACE, "face_width_mm = 25.0;", "no semicolon at the end; write face_width_mm = 25.0"),
    (FACE, "face_width_mm =", "face_width_mm has no value; write one"),
    ("tolerance_mm = 0.02", "tolerance_mm =", "tolerance_mm has no value; write one, or remove the line"),
    (FACE, "face_width_mm: 25.0", "joined by =; write face_width_mm = 25.0"),
    (FACE, "face_width_mm 25.0", "a line holds a table in brackets, or a key, = and a value"),
    (FACE, "face_width_mm = twenty five", "face_width_mm is a number; write it"),
    (
        FACE,
        "face_width_mm = 25.0\nface_width_mm = 26.0",
        "face_width_mm stands twice in this table; keep one",
    ),
    (BEARINGS, "bearings_within_drawing = yes", "write bearings_within_drawing = true"),
    (BEARINGS, "bearings_within_drawing = No", "write bearings_within_drawing = false"),
    (BEARINGS, "bearings_within_drawing = on", "write bearings_within_drawing = true"),
    (BEARINGS, "bearings_within_drawing = True", "write it small: bearings_within_drawing = true"),
    (BEARINGS, "bearings_within_drawing = FALSE", "write it small: bearings_within_drawing = false"),
    (BEARINGS, "bearings_within_drawing = none", "leaving the line bearings_within_drawing out"),
    (SERIAL, "serial = \u201cINV-1340-07\u201d", 'quotes of a word processor; write straight ones: "…"'),
    (SERIAL, "serial = \u201eINV-1340-07\u201c", 'quotes of a word processor; write straight ones: "…"'),
    (SERIAL, "serial = \u00abINV-1340-07\u00bb", 'quotes of a word processor; write straight ones: "…"'),
    (SERIAL, "serial = INV-1340-07", 'a text stands in quotes; write serial = "INV-1340-07"'),
    (SERIAL, 'serial = "INV-1340-07', 'the text is not closed; end it with "'),
    (SERIAL, "serial = 'INV-1340-07", "the text is not closed; end it with '"),
    (SERIAL, 'serial = "C:\\users\\box"', "a backslash means something else between double quotes"),
    ("[gear_set]", "[gear_set", "a table is written [gear_set]"),
    ("[gear_set]", "(gear_set)", "a table is written [gear_set]"),
    ("[gear_set]", "<gear_set>", "a table is written [gear_set]"),
    ("[gear_set]", "[box]", "this table stands twice in the file; put its keys together"),
    ("[gear_set]", "gear_set", "a line holds a table in brackets, or a key, = and a value"),
]
OF_ANOTHER_KIND = [
    (
        SERIAL,
        "serial = 118",
        'box.serial: expected a text, got 118; a name stands in quotes: serial = "118"',
    ),
    (FACE, 'face_width_mm = "25.0"', "got '25.0'; write face_width_mm = 25.0, without quotes"),
    (FACE, 'face_width_mm = "25,0"', "got '25,0'; write face_width_mm = 25.0, without quotes"),
    (
        BEARINGS,
        'bearings_within_drawing = "yes"',
        "got 'yes'; write bearings_within_drawing = true, without quotes",
    ),
    (BEARINGS, 'bearings_within_drawing = "False"', "write bearings_within_drawing = false, without quotes"),
    (
        BEARINGS,
        "bearings_within_drawing = 1",
        "expected true or false, got 1; write bearings_within_drawing = true",
    ),
    ("pinion_teeth = 13", 'pinion_teeth = "13"', "got '13'; write pinion_teeth = 13, without quotes"),
    ("pinion_teeth = 13", "pinion_teeth = 13.0", "gear_set.pinion_teeth: expected a whole number, got 13.0"),
    ("pinion_teeth = 13", "pinion_teeth = -13", "gear_set.pinion_teeth: expected a whole number of teeth"),
    ("pinion_teeth = 13", "pinion_teeth = 40\n# swapped", "gear_set"),
    (
        "place = 0.6",
        'place = "middle"',
        "my.toml: contact.place: expected 'toe', 'mean' or 'heel', or a number, got 'middle'",
    ),
    ("place = 0.6", "place = 60", "contact.place: expected a part of the face width from 0 (toe) to 1"),
    (
        'housing_material = "steel"',
        'housing_material = "brass"',
        "temperature.housing_material: expected 'steel', 'cast iron' or 'aluminium', or a number",
    ),
    ("roll_variation_mm = 0.001", "roll_variation_mm = 1", "expected a variation from 0 to 0.1 mm"),
    ("[limits]", "[limit]", "limit: unknown key; did you mean the table [limits]?"),
    ("[gear_set]", "[gearset]", "gearset: unknown key; did you mean the table [gear_set]?"),
]


@pytest.mark.parametrize(("old", "new", "expected"), NOT_TOML, ids=[new for _, new, _ in NOT_TOML])
def test_a_line_that_is_not_toml_is_shown_with_what_to_write(old: str, new: str, expected: str) -> None:
    assert old in BOX
    text = BOX.replace(old, new, 1)
    said = complaint(text)
    assert expected in said
    at = text.rindex(new) if "stands twice in the file" in expected else text.index(new)
    number = text[:at].count("\n") + 1 + ("stands twice in this" in expected)
    assert f"my.toml: line {number}: " in said


@pytest.mark.parametrize(
    ("old", "new", "expected"), OF_ANOTHER_KIND, ids=[new for _, new, _ in OF_ANOTHER_KIND]
)
def test_a_value_of_another_kind_is_named_with_what_to_write(old: str, new: str, expected: str) -> None:
    assert old in BOX
    if "swapped" not in new:
        assert expected in complaint(BOX.replace(old, new, 1))
    else:
        text = BOX.replace("gear_teeth = 40", "gear_teeth = 13").replace(
            "pinion_teeth = 13", "pinion_teeth = 40"
        )
        assert "the pinion is the smaller member" in complaint(text)


def test_a_port_with_a_backslash_between_double_quotes() -> None:
    port = next(line for line in STAND.split("\n") if line.startswith("port = "))
    said = complaint(STAND.replace(port, 'port = "\\\\.\\COM12"', 1), StandFile)
    assert "a backslash means something else between double quotes; write port = '\\\\.\\COM12'" in said


def test_a_list_that_is_not_closed_is_found_where_it_begins() -> None:
    old = next(line for line in BOX.split("\n") if line.startswith("thicknesses_mm = ["))
    assert "the list is not closed; end it with ]" in complaint(BOX.replace(old, old.rstrip("]"), 1))


def test_box_and_stand_swapped() -> None:
    assert "is a stand file, and a box file is wanted here" in complaint(STAND, BoxFile)
    assert "is a box file, and a stand file is wanted here" in complaint(BOX, StandFile)


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    path = tmp_path / "box.toml"
    path.write_bytes(b"\xef\xbb\xbf" + BOX.encode())
    assert toml_file.load(path, BoxFile) == toml_file.parse(BOX, "box", BoxFile)


@given(st.text(max_size=40))
def test_whatever_a_line_holds_is_answered_in_words(line: str) -> None:
    """No traceback, and where the file is no TOML the answer names a line or what the parser said."""
    assert complaint(f"[box]\n{line}\n").startswith("my.toml: ")


WRITTEN = "0123456789.,-+/ °'\"µ±×xmiCF%~<>[]{}=:;#yesnoNaTZ\\\u201c\u00a0\u2212"


@given(
    st.sampled_from(
        [
            ("[gear_set]", "face_width_mm"),
            ("[mounting]", "bearings_within_drawing"),
            ("[plan]", "positions"),
            ("[contact]", "place"),
            ("[shims.gear]", "thicknesses_mm"),
            ("[matched_teeth]", "encoder_deg"),
            ("[temperature]", "housing_c"),
            ("[box]", "serial"),
            ("[plan]", "rock_seconds"),
        ]
    ),
    st.text(WRITTEN, max_size=16),
)
def test_whatever_a_value_is_written_like_is_answered_in_words(place: tuple[str, str], value: str) -> None:
    table, key = place
    assert complaint(f"{table}\n{key} = {value}\n").startswith("my.toml: ")


@given(st.text("0123456789./- ", min_size=1, max_size=12))
def test_whatever_a_date_is_written_like_is_answered_in_words(value: str) -> None:
    assert complaint(f"[indicator]\ncalibration_due = {value}\n", StandFile).startswith("my.toml: ")


def test_a_word_or_a_number_is_one_problem_and_a_whole_number_is_not_asked_for_in_quotes() -> None:
    assert complaint(BOX.replace("place = 0.6", 'place = "middle"')).count("contact.place") == 1
    said = complaint(BOX.replace("positions = 26", "positions = 26\nrepeats = 1.5"))
    assert "plan.repeats: expected a whole number, got 1.5" in said
    assert '"1.5"' not in said


def test_a_list_that_is_too_short_is_told_in_our_words() -> None:
    curve = (
        "[indicator.correction]\nreadings_mm = [1.0]\ncorrections_mm = [0.0]\nuncertainties_mm = [0.001]\n"
    )
    said = complaint(f"{curve}\n{STAND}".replace("[indicator]\n", "[indicator]\n", 1), StandFile)
    assert "indicator.correction.readings_mm: expected at least 2 values, not 1" in said


INCH_BOX = (CONFIGS / "boxes" / "spiral-15x45-inch.toml").read_text("utf-8")


def test_of_two_limits_each_is_answered_in_the_unit_it_was_written_in() -> None:
    words = complaint(INCH_BOX.replace("minimum_in = 0.004", "minimum_mm = 0.3"))
    assert "minimum 0.3 mm (0.011811 in) is not below maximum 0.2032 mm (0.008 in)" in words


@pytest.mark.parametrize(
    ("old", "new", "said"),
    # Outer cone distance by hand: 45 teeth of 6 per inch are 7.5 in of pitch diameter; half of it over
    # sin(atan2(45, 15)) is 3.9528 in. 5 mm are 0.19685 in.
    [
        ("face_width_in = 1.1", "face_width_in = 110", "gear_set.face_width_in: expected a face width"),
        ("face_width_in = 1.1", "face_width_in = 110", "outer cone distance of 3.9528 in; got 110"),
        ("cutter_radius_in = 3.0", "cutter_radius_in = -1.5", "a radius above 0 in, or nothing; got -1.5"),
        ("play_in = 0.0002", "play_in = 2", "gear_end_play_in: expected an end play from 0 to 0.19685 in"),
        ("pinion_set_in = 4.5004", "pinion_set_in = 45", "mounting.pinion_set_in: 45 in is no mounting"),
        ("minimum_in = 0.004", "minimum_in = 4", "minimum 4 in is not below maximum 0.008 in"),
        ("tolerance_in = 0.001", "tolerance_in = -0.001", "expected 0 or more, got -0.001"),
    ],
)
def test_what_was_written_in_inches_is_refused_in_inches(old: str, new: str, said: str) -> None:
    assert old in INCH_BOX
    words = complaint(INCH_BOX.replace(old, new))
    assert said in words.replace("3.95276", "3.9528")  # 100.4 mm, as the analysis says it, are 3.95276 in
    assert " mm" not in words
