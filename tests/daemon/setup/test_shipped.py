"""Files that travel with the program: found in a clone, and laid out as in a wheel."""

from __future__ import annotations

from pathlib import Path

import pytest
from daemon.command import lashmap
from daemon.virtual_time import CONFIGS
from lashmap_daemon.commands.run import BOX, SHORT_BOX
from lashmap_daemon.errors import EXIT_CONFIGURATION, ConfigurationError
from lashmap_daemon.setup import shipped as module
from lashmap_daemon.setup import (
    stand_file,  # noqa: F401 - makes the daemon's own kinds known
    toml_file,
)
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.shipped import shipped
from lashmap_daemon.setup.stand_file import load_profile, load_stand
from lashmap_daemon.testing.opening import lay_out
from lashmap_drivers.profile import InstrumentProfile
from lashmap_drivers.wire.bcd import BcdProfile
from lashmap_drivers.wire.counter_board import CounterBoardProfile
from lashmap_drivers.wire.modbus import ModbusProfile


def test_in_a_clone() -> None:
    assert shipped("configs").samefile(CONFIGS)
    assert shipped("docs/schemas/result.schema.json").is_file()
    assert Path(lashmap("examples").stdout.strip()).samefile(CONFIGS)


def test_in_the_layout_of_the_wheel(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    package = tmp_path / "site-packages" / "lashmap_daemon"
    (package / "shipped" / "configs").mkdir(parents=True)
    monkeypatch.setattr(module, "files", lambda _: package)
    assert shipped("configs") == package / "shipped" / "configs"
    with pytest.raises(ConfigurationError, match="did not come with the program"):
        shipped("docs/schemas")


def test_the_short_demonstration_is_of_the_same_box() -> None:
    whole, short = (toml_file.load(shipped(name), BoxFile) for name in (BOX, SHORT_BOX))
    assert len(lay_out(short.recorded())) < len(lay_out(whole.recorded()))
    assert (short.gear_set, short.tip, short.limits) == (whole.gear_set, whole.tip, whole.limits)
    assert (short.mounting, short.simulated) == (whole.mounting, whole.simulated)


def test_a_box_cannot_be_shortened() -> None:
    done = lashmap("demo", shipped(BOX), "--short")
    assert done.returncode == EXIT_CONFIGURATION
    assert "--short: has a box file of its own" in done.stderr


INSTRUMENTS = CONFIGS / "instruments"
SHIPPED = sorted(INSTRUMENTS.glob("*.toml"))


def load(name: str) -> InstrumentProfile:
    return load_profile(INSTRUMENTS / f"{name}.toml")


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_every_shipped_profile_loads_and_shows_what_it_is(path: Path) -> None:
    profile = load_profile(path)
    assert profile.description or profile.kind == "logbook replay"
    assert path.read_text("utf-8").startswith("# ")
    if profile.kind != "logbook replay":  # that one only knows when it has seen its logbook
        assert profile.make_parser().good_frames == 0


@pytest.mark.parametrize(
    ("name", "wire", "value"),
    [
        ("indicator-line-mm", b"+000.1234\r\n", 0.1234),
        ("indicator-line-inch", b"-0.00125 in\r", -0.00125),
        # By hand: 2D ^ 20 ^ 31 ^ 32 ^ 2C ^ 33 ^ 34 ^ 35 ^ 36 ^ 20 ^ 6D ^ 6D ^ 20 ^ 4B = 6D.
        ("indicator-line-polled", b"- 12,3456 mm K*6D\r\n", -12.3456),
        ("indicator-line-button", b"-0012345\r", -1.2345),
        ("indicator-bcd", bytes.fromhex("FF FF 80 12 34 53 00"), -12.345),
        ("encoder-line", b"+0000123456\r\n", 123456.0),
        ("encoder-degrees", b"359.985\r\n", 359.985),
        # The check of A5 39 30 00 as pymodbus computes it.
        ("encoder-binary", bytes.fromhex("A5 39 30 00 E6 E5"), 12345.0),
        ("encoder-pair", b"+0000123456,-0000041984\r\n", 123456.0),
    ],
)
def test_the_example_on_the_wire(name: str, wire: bytes, value: float) -> None:
    profile = load(name)
    before = b"\r\n" if profile.sends == "by itself" and wire.endswith(b"\n") else b""
    before = b"\r" if wire.endswith(b" in\r") else before
    repeated = 4 if isinstance(profile, BcdProfile | CounterBoardProfile) else 1
    values = profile.make_parser().feed(before + wire * repeated)
    assert list(values) == pytest.approx([value] * repeated, rel=1e-15)


@pytest.mark.parametrize(
    ("name", "wire"),
    [
        ("indicator-line-mm", b"+00.00486\r\n"),  # the layout of the same dial in inches
        ("indicator-line-inch", b"-0.0318 mm\r"),
        ("indicator-line-polled", b"- 12,3456 cm K*63\r\n"),
        ("indicator-bcd", bytes.fromhex("FF FF 80 12 34 53 20")),  # unit 2 is none that the profile names
    ],
)
def test_a_unit_that_the_profile_does_not_know_is_never_read(name: str, wire: bytes) -> None:
    parser = load(name).make_parser()
    parser.feed(wire[-2:] + wire * 8)
    assert parser.good_frames == 0
    assert parser.bad_frames > 0


def test_the_unit_button_of_packed_digits_is_followed() -> None:
    one = load("indicator-bcd").make_parser()
    # 25.4 mm an inch exactly, by definition.
    values = one.feed(bytes.fromhex("FF FF 80 12 34 53 00") * 4 + bytes.fromhex("FF FF 80 12 34 53 10") * 2)
    assert list(values) == pytest.approx([-12.345] * 4 + [-12.345 * 25.4] * 2, rel=1e-15)


def test_the_shipped_registers() -> None:
    profile = load("indicator-modbus")
    assert isinstance(profile, ModbusProfile)
    # Function 3, address 0, two registers, device 1; the check as the specification's algorithm gives it.
    assert profile.request() == bytes.fromhex("01 03 00 00 00 02 C4 0B")


# The check of A5 40 E2 01 00 00 5C FF FF 00 as a loop over its bits gives it (0xA001, from 0xFFFF);
# the counts by hand: 0x0001E240, and 0xFFFF5C00 - 2**32.
@pytest.mark.parametrize(
    ("name", "wire"),
    [
        ("encoder-pair", b"\r\n+0000123456,-0000041984\r\n"),
        ("encoder-pair-binary", bytes.fromhex("A5 40 E2 01 00 00 5C FF FF 00 AB 97")),
    ],
)
def test_both_counts_of_a_board(name: str, wire: bytes) -> None:
    profile = load(name)
    second = profile.second()
    assert second is not None
    assert list(profile.make_parser().feed(wire)) == [123456.0]
    assert list(second.make_parser().feed(wire)) == [-41984.0]


@pytest.mark.parametrize("name", ["bench", "two-encoders", "latched-encoders"])
def test_every_shipped_stand_is_read(name: str) -> None:
    stand = load_stand(CONFIGS / "stands" / f"{name}.toml").recorded()
    assert stand.is_latched is (name == "latched-encoders")
    assert (stand.pinion_encoder is None) is (name == "bench")
    assert "invented" in stand.stand.remark
