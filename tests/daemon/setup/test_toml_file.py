"""Wrong files on purpose: each message names file, key, what was found and what to do."""

from __future__ import annotations

from pathlib import Path

import pytest
from daemon.virtual_time import CONFIGS, DEMO_BOX
from lashmap_daemon.commands.simulate import simulated_box
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.profile_file import load_profile
from lashmap_daemon.setup.stand_file import load_stand
from lashmap_daemon.simulated_stand import Stand as SimulatedStand
from lashmap_daemon.testing.opening import lay_out
from lashmap_drivers.wire.checksums import Checksum

BOXES = sorted((CONFIGS / "boxes").glob("*.toml"))
DEMO = DEMO_BOX.read_text("utf-8")


def complaint(text: str) -> str:
    with pytest.raises(ConfigurationError) as caught:
        toml_file.parse(text, "box.toml", BoxFile)
    assert all(line.startswith("box.toml: ") for line in str(caught.value).splitlines())
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
    stand = load_stand(path)
    assert set(stand.decoders()) == {"indicator", "encoder"}


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
            "tip.touch_radius_mm: expected a valid number, got '76'",
        ),
        ("touch_radius_mm = 76.0", "touch_radius_mm = 7.6", "touch_radius_mm"),
        ("touch_radius_mm = 76.0", "touch_radius_mm = nan", "tip.touch_radius_mm: expected a finite number"),
        (
            "pinion_teeth = 13",
            "pinion_teeth = 13.5",
            "gear_set.pinion_teeth: expected a valid integer, got 13.5",
        ),
        ("pinion_teeth = 13", "pinion_teeth = 50", "gear_set: "),
        ("face_width_mm = 25.0", "face_width_mm = 250.0", "gear_set: face_width_mm"),
        (
            "minimum_mm = 0.10",
            "minimum_mm = 0.20",
            "limits: minimum 0.2 mm (0.00787402 in) is not below maximum 0.18 mm (0.00708661 in)",
        ),
        ("positions = 26", "positions = 3", "plan.positions: expected greater than or equal to 4, got 3"),
        ("[tip]", "[tipp]", "tipp: unknown key; did you mean tip?"),
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
    with pytest.raises(ConfigurationError, match="is no TOML file in UTF-8"):
        toml_file.load(other, BoxFile)
