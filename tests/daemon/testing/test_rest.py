"""The gear at rest: arrived at its position and still; and a rest beside a rock is no dwell of it."""

from __future__ import annotations

from typing import ClassVar, cast

import numpy as np
import pytest
from daemon.recordings import BY_ENCODER, ENCODER, HEAD
from daemon.virtual_time import DEMO_BOX, load_box
from hypothesis import given
from hypothesis import strategies as st
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.gears.indicator import Indicator
from lashmap_analysis.record.record import Encoder, Limits
from lashmap_analysis.rock.rock import measure_rock
from lashmap_daemon.exchange.rocks import rocks_at_rest
from lashmap_daemon.exchange.source import Signals
from lashmap_daemon.replay.wire_errors import WireTally
from lashmap_daemon.sequence.sequence import RockGood
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.mapping_file import Mapping
from lashmap_daemon.testing.channels import Channels
from lashmap_daemon.testing.watches import (
    RockSetting,
    RockWatch,
    is_near,
    is_still,
    rest_after,
    rest_before,
    still_limits,
)
from lashmap_drivers.readings import Floats, Samples

GEAR_SET = GearSet(pinion_teeth=13, gear_teeth=40, outer_module_mm=4.0, face_width_mm=25.0)
LIMITS = still_limits(GEAR_SET, Limits(maximum_mm=0.18))
TIME_S = np.linspace(0.0, 0.4, 200)


def trace(middle: float, swing: float) -> Samples:
    return Samples.of(TIME_S, middle + swing / 2.0 * np.sign(np.sin(2.0 * np.pi * 5.0 * TIME_S + 0.1)))


@pytest.mark.parametrize(
    ("gear", "indicator", "expected"),
    [
        (trace(90.05, 0.15), trace(0.0, 0.14), True),  # rocking at the position, 0.2 mm at radius 80 mm
        (trace(90.0, 0.0), trace(0.0, 0.0), True),  # at rest at the position
        (trace(99.0, 0.15), trace(0.0, 0.14), False),  # a whole tooth (9°) off
        (trace(90.0, 1.5), trace(0.0, 0.14), False),  # still turning
        (trace(90.0, 0.15), trace(0.0, 4.0), False),  # tip still coming down
        (Samples.joined([]), trace(0.0, 0.1), False),
        (trace(90.0, 0.15), Samples.joined([]), False),
    ],
)
def test_still(gear: Samples, indicator: Samples, expected: bool) -> None:  # noqa: FBT001 - a table
    assert is_still(gear, indicator, 90.0, LIMITS) is expected


def test_half_a_tooth_away_is_never_near() -> None:
    assert not is_near(trace(94.5, 0.1), 90.0, LIMITS)
    assert not is_near(trace(85.5, 0.1), 90.0, LIMITS)
    assert is_near(trace(91.0, 0.1), 90.0, LIMITS)


RATE_HZ, STEP_MM, RESOLUTION_MM = 200.0, 0.2, 0.0005


def rocked(before_s: float, after_s: float, *, at_mm: float = 0.02) -> tuple[Floats, Floats]:
    """A rock of eight reversals by construction, between two rests ``at_mm`` off the middle of the lash."""
    flank, way = round(0.25 * RATE_HZ), np.linspace(-0.5, 0.5, 14)[1:-1] * STEP_MM
    pieces = [np.full(round(before_s * RATE_HZ), at_mm)]
    for dwell in range(9):
        side = -1.0 if dwell % 2 == 0 else 1.0
        pieces += [np.full(flank, side * STEP_MM / 2), *([-side * way] if dwell < 8 else [])]
    value = np.concatenate([*pieces, np.full(round(after_s * RATE_HZ), at_mm)])
    value += np.random.default_rng(5).normal(0.0, 0.00025, len(value))
    return np.arange(len(value)) / RATE_HZ, np.round(value / RESOLUTION_MM) * RESOLUTION_MM


@pytest.mark.parametrize(("before_s", "after_s"), [(0.6, 0.0), (3.0, 2.0), (0.0, 0.4)])
def test_the_rock_without_its_rests_reads_the_step_it_was_made_with(before_s: float, after_s: float) -> None:
    time_s, value = rocked(before_s, after_s)
    assert not measure_rock(time_s, value, resolution_mm=RESOLUTION_MM).usable  # what the rests do to it
    first, behind = rest_before(time_s, value), rest_after(time_s, value)
    assert first == round(before_s * RATE_HZ)
    assert behind == round(after_s * RATE_HZ)
    kept = slice(first, len(value) - behind)
    reading = measure_rock(time_s[kept], value[kept], resolution_mm=RESOLUTION_MM)
    assert reading.usable
    assert reading.reversals == 8
    assert reading.reading_mm == pytest.approx(STEP_MM, abs=0.0002)


@given(st.floats(-0.1, 0.1), st.integers(0, 9), st.integers(0, 2**31))
def test_a_recording_that_begins_on_a_flank_or_never_moves_keeps_every_sample(
    at_mm: float, rests: int, seed: int
) -> None:
    time_s, value = rocked(0.0, 0.0)
    assert rest_before(time_s, value) == rest_after(time_s, value) == 0
    noise = np.random.default_rng(seed).normal(at_mm, 0.0005, 400)
    assert rest_before(time_s[:400], noise) < 0.2 * 400  # noise alone has no flanks to rest between
    assert rest_before(time_s[:rests], noise[:rests]) == 0


class _Heard:
    """The two traces that a watch asks for, of an encoder on the gear and a sound wire."""

    monitors: ClassVar = {"indicator": None, "encoder": None}

    def __init__(self, time_s: Floats, value: Floats, gear_deg: float) -> None:
        self._time_s, self._tip, self._gear = time_s, value, gear_deg + value / 60.0

    def indicator(self, start_s: float, end_s: float = np.inf) -> Samples:
        return self._cut(self._tip, start_s, end_s)

    def gear_deg(self, start_s: float, end_s: float = np.inf) -> Samples:
        return self._cut(self._gear, start_s, end_s)

    encoder_deg = gear_deg

    def pinion_deg(self, *_: float) -> Samples:
        return Samples.joined([])

    def tally(self, _: str) -> WireTally:
        return WireTally()

    def _cut(self, value: Floats, start_s: float, end_s: float) -> Samples:
        kept = (self._time_s >= start_s) & (self._time_s <= end_s)
        return Samples.of(self._time_s[kept], value[kept], 0.0)


def test_at_the_stand_a_hand_may_take_its_time_before_it_rocks() -> None:
    box = load_box()
    time_s, value = rocked(1.5, 0.0)
    setting = RockSetting(
        gear_set=box.gear_set.gear_set(),
        indicator=Indicator(direction="normal", touch_radius_mm=76.0, resolution_mm=RESOLUTION_MM),
        encoder=Encoder(shaft="gear", resolution_deg=0.001),
        pinion_encoder=None,
        reversals=8,
        longest_s=20.0,
        resolution_mm=RESOLUTION_MM,
        counts_per_mm=0.0,
        still=still_limits(box.gear_set.gear_set(), box.recorded().limits_for_analysis()),
    )
    heard = cast("Channels", _Heard(time_s, value, 18.0))
    watch = RockWatch(setting, channels=heard, target_deg=18.0, started_s=0.0)
    assert isinstance(watch.update(float(time_s[-1])), RockGood)
    assert watch.begins_s == pytest.approx(1.5, abs=1e-9)
    assert watch.reading is not None
    assert watch.reading.reading_mm == pytest.approx(STEP_MM, abs=0.0002)


def test_in_a_recording_rests_are_cut_from_the_rocks_that_the_encoder_finds() -> None:
    box = load_box()
    pitch_deg = 360.0 / box.gear_set.gear_teeth
    tip, gear = [np.full(400, 3.0)], [np.linspace(0.0, 2 * pitch_deg, 400)]
    for tooth in (2, 5):
        _, value = rocked(0.8, 0.5)
        tip += [value, np.full(400, 3.0)]
        gear += [np.full(len(value), tooth * pitch_deg) + value / 60.0]
        gear += [np.linspace(tooth, tooth + 3, 400) * pitch_deg]
    indicator = np.concatenate(tip)
    time_s = np.arange(len(indicator)) / RATE_HZ
    signals = Signals(
        time_s=time_s,
        indicator_mm=indicator,
        encoder_time_s=time_s,
        encoder_deg=np.concatenate(gear),
        pinion_time_s=np.empty(0),
        pinion_deg=np.empty(0),
    )
    text = HEAD.format(path="x.csv", box=DEMO_BOX, file="", time="", unit="mm") + ENCODER + BY_ENCODER
    found = rocks_at_rest(toml_file.parse(text, "x.toml", Mapping), box, signals, 0.0)
    assert [rock.engagement for rock in found] == [2, 5]
    for rock in found:
        kept = (time_s >= rock.start_s) & (time_s <= rock.end_s)
        reading = measure_rock(time_s[kept], indicator[kept], resolution_mm=RESOLUTION_MM)
        assert reading.usable
        assert reading.reading_mm == pytest.approx(STEP_MM, abs=0.0002)
