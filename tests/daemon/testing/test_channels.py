"""Both instruments as decoded traces, and how much of them is kept."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Literal

import numpy as np
import pytest
from daemon.virtual_time import CONFIGS, simulated_stand_file
from hypothesis import given
from hypothesis import strategies as st
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_daemon.setup.stand_file import Stand, load_stand
from lashmap_daemon.simulated_stand import SimulatedInstruments
from lashmap_daemon.testing.channels import Channels, TraceBuffer
from lashmap_daemon.testing.monitor import InstrumentMonitor
from lashmap_drivers.errors import InstrumentGarbled, InstrumentSilent, InstrumentWithoutReading
from lashmap_drivers.readings import Chunk, Samples

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


def filled(uncertainties_s: list[float]) -> TraceBuffer:
    """One batch a second, of four samples each."""
    buffer = TraceBuffer(keep_s=60.0)
    for second, uncertainty_s in enumerate(uncertainties_s):
        buffer.append(
            Samples.of(second + np.array([0.0, 0.25, 0.5, 0.75]), np.full(4, second), uncertainty_s)
        )
    return buffer


def test_a_window_states_the_largest_time_uncertainty_in_it() -> None:
    buffer = filled([0.1, 0.003, 0.004, 0.002])
    assert buffer.window(1.0, 4.0).largest_time_uncertainty_s == 0.004
    assert buffer.window(0.5, 1.5).largest_time_uncertainty_s == 0.1
    assert len(buffer.window(0.5, 1.5)) == 5
    assert buffer.time_uncertainty_s == 0.002


def test_a_window_with_anything_unknown_in_it_is_unknown() -> None:
    assert math.isnan(filled([0.1, math.nan, 0.004]).window(0.0).largest_time_uncertainty_s)
    assert filled([0.1, math.inf]).window(0.0).largest_time_uncertainty_s == math.inf
    assert len(filled([0.1]).window(5.0)) == 0


@given(st.lists(st.integers(1, 700), min_size=1, max_size=40), st.floats(0.0, 30.0), st.floats(0.0, 10.0))
def test_windows_are_those_of_all_samples_as_long_as_they_are_kept(
    sizes: list[int], start_s: float, span_s: float
) -> None:
    # By construction: the samples themselves, cut by numpy's own comparison.
    buffer = TraceBuffer(keep_s=40.0)
    time_s = np.arange(sum(sizes)) / 1000.0
    value = np.sin(time_s)
    at = 0
    for size in sizes:
        buffer.append(Samples.of(time_s[at : at + size], value[at : at + size], 0.001))
        at += size
    inside = (time_s >= start_s) & (time_s <= start_s + span_s)
    window = buffer.window(start_s, start_s + span_s)
    assert np.array_equal(window.time_s, time_s[inside])
    assert np.array_equal(window.value, value[inside])
    assert buffer.count(start_s) == np.count_nonzero(time_s >= start_s)
    assert buffer.latest == (time_s[-1], value[-1])


def test_what_is_too_old_is_let_go_and_memory_stays_as_it_is() -> None:
    buffer = TraceBuffer(keep_s=2.0)
    sizes = set()
    for second in range(600):
        buffer.append(Samples.of(second + np.arange(1000) / 1000.0, np.full(1000, float(second))))
        window = buffer.window(second - 1.0)
        assert np.array_equal(np.unique(window.value), np.unique([max(second - 1, 0), second]))
        sizes.add(buffer._rows.shape[1])
    assert max(sizes) == 4096


def test_a_window_that_was_given_stays_as_it_was() -> None:
    buffer = filled([0.1])
    window = buffer.window(0.0)
    for second in range(1, 2000):
        buffer.append(Samples.of(second + np.array([0.0, 0.5]), np.full(2, 9.0)))
    assert window.value.tolist() == [0.0] * 4


@pytest.mark.parametrize("unit", ["mm", "in"])
def test_a_reading_is_shown_in_the_unit_of_its_instrument(tmp_path: Path, unit: Literal["mm", "in"]) -> None:
    stand = simulated_stand_file(tmp_path, SimulatedInstruments(indicator_unit=unit))
    monitor = InstrumentMonitor(stand.recorded(), "indicator")
    monitor.feed(Chunk(0.0, b"+000.1250\r\n"), Chunk(0.01, b"+000.1250\r\n"))
    assert monitor.reading.startswith("+0.125")
    assert monitor.reading.endswith(unit)
