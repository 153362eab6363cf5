"""Figures of a stand that nobody can mean are refused with file, key, figure and remedy; real ones are taken.

The slips are those that people make: a decimal point, µm for mm, °F for °C, milliseconds for seconds, lines
typed into the wrong key. The bounds are common practice without a source; what must pass reaches over dial
gauges of 0.01 mm and 0.001 in, gauges with a glass scale of 10 nm, encoders of 100 lines and of 29 bits (from
memory).
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from daemon.virtual_time import CONFIGS, DEMO_BOX
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.gauge_file import GaugeFile
from lashmap_daemon.setup.stand_file import Stand, load_stand
from lashmap_daemon.testing.opening import check_plan

BENCH = (CONFIGS / "stands" / "bench.toml").read_text("utf-8")
CURVE = (
    "[indicator.correction]\nreadings_mm = [{0}]\ncorrections_mm = [0.0004, 0.0, -0.0003]\n"
    "uncertainties_mm = [{1}]\n\n[encoder]"
)
HANDS = '\n[hands_free]\ngestures = ["skip"]\nleast_teeth = {}\nmost_teeth = {}\n'


def stand_file(folder: Path, *changes: tuple[str, str], more: str = "", profile: str = "") -> Path:
    """The shipped stand with changes, its profiles beside it; ``profile`` is another indicator's."""
    shutil.copytree(CONFIGS / "instruments", folder / "instruments", dirs_exist_ok=True)
    text = BENCH.replace("../instruments", "instruments")
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    if profile:
        (folder / "instruments" / "indicator-line-mm.toml").write_text(profile, "utf-8")
    path = folder / "stand.toml"
    path.write_text(text + more, "utf-8")
    return path


def loaded(folder: Path, *changes: tuple[str, str], more: str = "", profile: str = "") -> Stand:
    return load_stand(stand_file(folder, *changes, more=more, profile=profile))


def refused(folder: Path, *changes: tuple[str, str], more: str = "", profile: str = "") -> list[str]:
    with pytest.raises(ConfigurationError) as caught:
        loaded(folder, *changes, more=more, profile=profile)
    return str(caught.value).replace(f"{folder}/", "").splitlines()


@pytest.mark.parametrize(
    ("old", "new", "key", "figure", "todo"),
    [
        ("resolution_mm = 0.0001", "resolution_mm = 1.0", "indicator.resolution_mm", "1 mm", "decimal point"),
        ("resolution_mm = 0.0001", "resolution_mm = 1e-6", "indicator.resolution_mm", "1e-06 mm", "unit"),
        ("resolution_mm = 0.0001", "resolution_in = 0.1", "indicator.resolution_in", "0.1 in is", "unit"),
        (
            "calibration_uncertainty_mm = 0.0005",
            "calibration_uncertainty_mm = 0.5",
            "indicator.calibration_uncertainty_mm",
            "0.5 mm",
            "Is it in µm? That would be 0.0005 mm.",
        ),
        ("hysteresis_mm = 0.0005", "hysteresis_mm = 0.5", "indicator.hysteresis_mm", "0.5 mm", "in µm?"),
        (
            "calibration_due = 2027-06-30",
            "calibration_due = 0027-06-30",
            "indicator.calibration_due",
            "0027",
            "as on the certificate",
        ),
        (
            "[encoder]",
            CURVE.format("-1.0, 0.0, 1.0", "0.5, 0.5, 0.5"),
            "indicator.correction.uncertainties_mm",
            "0.5 mm",
            "in µm?",
        ),
        ("counts_per_turn = 360000", "counts_per_turn = 3", "encoder.counts_per_turn", "120°", "data sheet"),
        ("= 360000", "= 3600000000", "encoder.counts_per_turn", "1e-07°", "data sheet"),
        (
            "counts_per_turn = 360000",
            "counts_per_turn = 360000\nstandard_uncertainty_deg = 10.0",
            "encoder.standard_uncertainty_deg",
            "10°",
            "seconds of arc? That would be 0.00278°",
        ),
        ('"/dev/ttyUSB1"', '"/dev/ttyUSB0"', "encoder.port", "/dev/ttyUSB0", "lashmap check with each"),
    ],
)  # fmt: skip
def test_a_figure_that_nobody_can_mean(  # noqa: PLR0917 - a table
    tmp_path: Path, old: str, new: str, key: str, figure: str, todo: str
) -> None:
    lines = refused(tmp_path, (old, new))
    assert any(
        line.startswith(f"stand.toml: {key}: ") and figure in line and todo in line for line in lines
    ), lines


def test_all_are_said_at_once(tmp_path: Path) -> None:
    changes = (("resolution_mm = 0.0001", "resolution_mm = 1.0"), ("= 360000", "= 3"))
    assert len(refused(tmp_path, *changes)) == 2


def test_a_gesture_that_no_turn_makes(tmp_path: Path) -> None:
    (line,) = refused(tmp_path, more=HANDS.format(8, 4))
    assert line.startswith("stand.toml: hands_free.least_teeth: 8 is more than most_teeth 4")
    loaded(tmp_path, more=HANDS.format(4, 4))


LINE = "kind = \"ascii line\"\npattern = '^(?P<value>[+-]\\d+\\.\\d+)'\n"
ASKED = LINE + 'sends = "when asked"\npolling = {{ request = "R", interval_s = {0}, timeout_s = {1} }}\n'
MODBUS = 'kind = "modbus rtu"\naddress = 0\ntype = "int32"\nunit = "{0}"\nscale = {1}\n'
MODBUS += 'sends = "when asked"\npolling = {{ interval_s = 0.02, timeout_s = 0.2 }}\n'


@pytest.mark.parametrize(
    ("profile", "key", "figure", "todo"),
    [
        (LINE + "port = { baud = 96000 }\n", "port.baud", "9600 with a slip", "menu or manual"),
        (LINE + "port = { baud = 11520 }\n", "port.baud", "115200 with a slip", "menu or manual"),
        (ASKED.format(20, 0.5), "polling.interval_s", "20 s", "That would be 0.02 s"),
        (
            "port = { baud = 300 }\n" + ASKED.format(0.1, 0.05),
            "polling.timeout_s",
            "0.05 s",
            "4 characters take 0.13 s; wait longer",
        ),
    ],
)
def test_a_pace_that_no_port_has(tmp_path: Path, profile: str, key: str, figure: str, todo: str) -> None:
    (line,) = refused(tmp_path, profile=profile)
    assert line.startswith(f"instruments/indicator-line-mm.toml: {key}: ")
    assert figure in line
    assert todo in line


@pytest.mark.parametrize(
    "profile",
    [
        *(LINE + f"port = {{ baud = {baud} }}\n" for baud in (300, 9600, 31250, 115200, 921600, 12_000_000)),
        ASKED.format(1.0, 0.5),
    ],
)
def test_a_pace_that_a_port_has(tmp_path: Path, profile: str) -> None:
    loaded(tmp_path, profile=profile)


def test_behind_a_device_server_the_speed_of_a_profile_says_nothing(tmp_path: Path) -> None:
    slow = "port = { baud = 300 }\n" + ASKED.format(0.1, 0.05)
    loaded(tmp_path, ('"/dev/ttyUSB0"', '"socket://host.example:4001"'), profile=slow)


@pytest.mark.parametrize(
    ("profile", "resolution_mm", "believed"),
    [
        (MODBUS.format("mm", "0.001"), 0.001, True),
        (MODBUS.format("mm", "0.001"), 0.0001, False),
        (MODBUS.format("um", "1.0"), 0.001, True),
        (MODBUS.format("in", "0.0001"), 0.00254, True),
        (MODBUS.format("in", "0.0001"), 0.0001, False),  # read as mm
        (MODBUS.format("mm", "0.0001"), 0.001, True),  # it shows fewer digits than it sends
    ],
)
def test_a_display_is_no_finer_than_what_comes_over_the_wire(
    tmp_path: Path, profile: str, resolution_mm: float, *, believed: bool
) -> None:
    change = ("resolution_mm = 0.0001", f"resolution_mm = {resolution_mm}")
    if believed:
        loaded(tmp_path, change, profile=profile)
    else:
        (line,) = refused(tmp_path, change, profile=profile)
        assert line.startswith("stand.toml: indicator.resolution_mm: ")
        assert "finer than the numbers that come over the wire" in line


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("resolution_mm = 0.0001", "resolution_mm = 0.01"),
        ("resolution_mm = 0.0001", "resolution_in = 0.001"),
        ("resolution_mm = 0.0001", "resolution_mm = 0.00001"),
        ("calibration_uncertainty_mm = 0.0005", "calibration_uncertainty_mm = 0.02"),
        ("counts_per_turn = 360000", "counts_per_turn = 400"),
        ("counts_per_turn = 360000", f"counts_per_turn = {2**29}"),
        ("counts_per_turn = 360000", "counts_per_turn = 360000\nstandard_uncertainty_deg = 0.05"),
    ],
)
def test_what_an_instrument_may_have_is_taken(tmp_path: Path, old: str, new: str) -> None:
    loaded(tmp_path, (old, new))


def box(*changes: tuple[str, str]) -> BoxFile:
    text = DEMO_BOX.read_text("utf-8")
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return toml_file.parse(text, "box.toml", BoxFile)


def together(stand: Stand, gearbox: BoxFile) -> list[str]:
    """What `run` and `serve` say before anything is asked; empty when both fit."""
    try:
        check_plan(gearbox, stand, box_name="box.toml", sweeps=())
    except ConfigurationError as error:
        return str(error).splitlines()
    return []


@pytest.mark.parametrize(
    ("old", "new", "key", "todo"),
    [
        (
            "[encoder]",
            CURVE.format("-0.05, 0.0, 0.05", "0.0005, 0.0005, 0.0005"),
            "indicator.correction.readings_mm",
            "copy the whole curve",
        ),
        ("counts_per_turn = 360000", "counts_per_turn = 120", "encoder.counts_per_turn", "a finer encoder"),
    ],
)
def test_a_stand_that_does_not_fit_the_box(tmp_path: Path, old: str, new: str, key: str, todo: str) -> None:
    """The demo box: 40 gear teeth, 0.18 mm at the most, which a rock shows as about as much."""
    (line,) = together(loaded(tmp_path, (old, new)), box())
    assert line.startswith(f"box.toml: {key} of the stand file: ")
    assert todo in line
    assert together(loaded(tmp_path), box()) == []


def test_an_indicator_that_is_too_coarse_for_the_box(tmp_path: Path) -> None:
    stand = loaded(tmp_path, ("resolution_mm = 0.0001", "resolution_mm = 0.05"))
    fine = box(("minimum_mm = 0.10\nmaximum_mm = 0.18", "minimum_mm = 0.03\nmaximum_mm = 0.08"))
    (line,) = together(stand, fine)
    assert line.startswith("box.toml: indicator.resolution_mm of the stand file: 0.05 mm")
    assert "take a finer indicator" in line
    assert together(stand, box()) == []
    for none_above in ("minimum_mm = 0.0", ""):  # no limit says how large the backlash may be
        assert together(stand, box(("minimum_mm = 0.10\nmaximum_mm = 0.18", none_above))) == []


@pytest.mark.parametrize(
    ("table", "key", "figure", "todo"),
    [
        (
            "housing_c = 68.0\ngears_c = 20.0",
            "temperature.housing_c",
            "68 °C",
            "in °F? That would be 20.0 °C.",
        ),
        ("housing_c = 20.0\ngears_c = 86.0", "temperature.gears_c", "86 °C", "That would be 30.0 °C."),
        ("housing_c = 22.0\ngears_c = 54.0", "temperature.gears_c", "54 °C beside", "Write both in °C"),
    ],
)
def test_a_temperature_that_hands_do_not_meet(table: str, key: str, figure: str, todo: str) -> None:
    text = DEMO_BOX.read_text("utf-8")
    before, found, after = text.partition("[temperature]\n")
    assert found
    rest = after[after.index("\n[") :]
    with pytest.raises(ConfigurationError) as caught:
        toml_file.parse(f"{before}{found}{table}\n{rest}", "box.toml", BoxFile)
    lines = str(caught.value).splitlines()
    assert any(line.startswith("box.toml: temperature") and figure in line and todo in line for line in lines)
    assert any(key in line for line in lines)


@pytest.mark.parametrize(
    ("old", "new", "key", "figure"),
    [
        ('direction = "normal"', 'direction = "normal"\nlever_deg = 90.0', "lever_deg", "60 degrees"),
        ("touch_radius_mm = 76.0", "touch_radius_mm = 760.0", "touch_radius_mm", "on the gear's teeth"),
    ],
)
def test_a_tip_that_cannot_be_there(old: str, new: str, key: str, figure: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        box((old, new))
    assert any(key in line and figure in line for line in str(caught.value).splitlines()), str(caught.value)


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("division_mm = 1.0", "gauge.division_mm"),
        ("division_in = 1.0", "gauge.division_in"),
        ("division_mm = 0.00001", "gauge.division_mm"),
        ("division_mm = 0.01\nhysteresis_mm = 3.0", "gauge.hysteresis_mm"),
    ],
)
def test_a_dial_gauge_that_nobody_reads(text: str, key: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        toml_file.parse(f"[gauge]\n{text}\n", "gauge.toml", GaugeFile)
    assert str(caught.value).startswith(f"gauge.toml: {key}: ")
    toml_file.parse("[gauge]\ndivision_in = 0.001\nhysteresis_mm = 0.01\n", "gauge.toml", GaugeFile)
