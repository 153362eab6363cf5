"""What is said about an instrument that gives no reading."""

from __future__ import annotations

from pathlib import Path

import pytest
from daemon.virtual_time import CONFIGS
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_daemon.setup.stand_file import Stand, load_stand
from lashmap_daemon.testing.channels import Channels
from lashmap_drivers.errors import InstrumentGarbled, InstrumentSilent, InstrumentWithoutReading
from lashmap_drivers.readings import Chunk

INDICATOR = """kind = "ascii line"
pattern = '(?P<value>[+-]\\d+\\.\\d+)|(?P<status>OL)'
status = { overload = ["OL"] }
"""
ENCODER = """kind = "counter board"
pattern = '(?P<count>\\d+)'
wraps_at = 65536
"""
GEARS = GearSet(
    pinion_teeth=13,
    gear_teeth=40,
    outer_module_mm=4.0,
    face_width_mm=25.0,
    normal_pressure_angle_deg=20.0,
    mean_spiral_angle_deg=35.0,
    shaft_angle_deg=90.0,
)


@pytest.fixture
def channels(tmp_path: Path) -> Channels:
    (tmp_path / "indicator.toml").write_text(INDICATOR, "utf-8")
    (tmp_path / "encoder.toml").write_text(ENCODER, "utf-8")
    text = (CONFIGS / "stands" / "bench.toml").read_text("utf-8")
    text = text.replace("../instruments/indicator-line-mm", "indicator")
    text = text.replace("../instruments/encoder-line", "encoder")
    (tmp_path / "stand.toml").write_text(text, "utf-8")
    stand: Stand = load_stand(tmp_path / "stand.toml")
    return Channels(stand.recorded(), GEARS)


def say(channels: Channels, name: str, line: bytes, until_s: float) -> None:
    """The same line ten times a second."""
    start = round(10 * (until_s - 5.0))
    channels.feed(name, [Chunk(0.1 * tick, line) for tick in range(start, start + 50)])


def test_what_was_said_before_the_newest_sample_explains_nothing(channels: Channels) -> None:
    say(channels, "indicator", b"OL\r\n", 5.0)
    say(channels, "indicator", b"+1.5\r\n", 10.0)
    say(channels, "indicator", b"?#\r\n", 15.0)
    failure = channels.failure("indicator", 15.0, 0.0)
    assert isinstance(failure, InstrumentWithoutReading)
    assert failure.said == ()  # bad lines, and no overload of long ago: look at the cable, not at the display
    assert "The last bad frame was b'?#'. Check cable and plug" in str(failure)


def test_an_overload_is_no_silence(channels: Channels) -> None:
    say(channels, "indicator", b"+1.5\r\n", 5.0)
    assert channels.failure("indicator", 5.0, 0.0) is None
    say(channels, "indicator", b"OL\r\n", 10.0)
    failure = channels.failure("indicator", 10.0, 0.0)
    assert isinstance(failure, InstrumentWithoutReading)
    assert failure.said == ("overload",)
    assert "no reading for 5.1 s (overload). Look at its display" in str(failure)


def test_a_lost_count_says_what_to_do(channels: Channels) -> None:
    say(channels, "encoder", b"100\r\n", 5.0)
    channels.feed("encoder", [Chunk(5.0, b"")])  # the cable was out
    say(channels, "encoder", b"101\r\n", 10.0)
    failure = channels.failure("encoder", 10.0, 0.0)
    assert isinstance(failure, InstrumentWithoutReading)
    assert "bring the marked teeth together" in str(failure)


def test_rubbish_after_good_lines_is_told_with_a_sample(channels: Channels) -> None:
    say(channels, "indicator", b"+1.5\r\n", 5.0)
    say(channels, "indicator", b"+#.5\r\n", 10.0)
    failure = channels.failure("indicator", 10.0, 0.0)
    assert isinstance(failure, InstrumentWithoutReading)
    assert failure.sample == b"+#.5"


def test_silence_and_rubbish_from_the_start_stay_what_they_were(channels: Channels) -> None:
    say(channels, "indicator", b"#\r\n", 5.0)
    assert isinstance(channels.failure("indicator", 5.0, 0.0), InstrumentGarbled)
    say(channels, "encoder", b"100\r\n", 5.0)
    assert isinstance(channels.failure("encoder", 20.0, 0.0), InstrumentSilent)
