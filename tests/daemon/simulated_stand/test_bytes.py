"""The simulated stand's bytes: form of the lines, and what they hold."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from math import cos, radians
from statistics import median, pstdev

import pytest
from daemon.simulated_boxes import COARSE, ENCODER_LINE, INDICATOR_LINE, PLAIN_BOX, rocked, values
from hypothesis import given, settings
from hypothesis import strategies as st
from lashmap_daemon.simulated_stand import SimulatedDrive, SimulatedInstruments, Stand, StandError

BOX = replace(
    PLAIN_BOX,
    gear_eccentricity_mm=0.03,
    pinion_eccentricity_mm=0.01,
    gear_tooth_error_mm=0.0005,
    pinion_tooth_error_mm=0.0005,
)


def step_between_plateaus(shown: list[float]) -> float:
    middle = (min(shown) + max(shown)) / 2.0
    return median(v for v in shown if v > middle) - median(v for v in shown if v < middle)


def middle_of_plateaus(shown: list[float]) -> float:
    middle = (min(shown) + max(shown)) / 2.0
    return (median(v for v in shown if v > middle) + median(v for v in shown if v < middle)) / 2.0


@pytest.mark.parametrize("engagement", [0, 7, 39, 111, -5])
@pytest.mark.parametrize("seed", [1, 2])
def test_plain_medians_of_the_plateaus_give_the_true_backlash(engagement: int, seed: int) -> None:
    stand = Stand(BOX, seed=seed)
    wire = rocked(stand, engagement)
    truth = stand.truth.normal_backlash_mm
    # The truth list; 0.2 µm is two steps of the display, above noise and elastic deflection.
    assert step_between_plateaus(values(wire.indicator_lines)) == pytest.approx(
        truth[engagement % len(truth)], abs=2e-4
    )


@pytest.mark.parametrize("engagement", [0, 25, 85])
def test_encoder_shows_engagement_and_rock(engagement: int) -> None:
    stand = Stand(BOX, drive=SimulatedDrive(position_error_deg=0.0), seed=4)
    angles = [count * 360.0 / 360_000 for count in values(rocked(stand, engagement).encoder_lines)]
    # Counting: engagement k has the gear k / z2 turns past the matched teeth; eccentricity moves the middle
    # by up to twice its length at the pitch radius, on both members.
    moved_deg = 2.0 * (0.03 + 0.01) / 80.0 / radians(1.0) / cos(radians(35.0))
    assert (min(angles) + max(angles)) / 2.0 == pytest.approx(12.5 + engagement * 9.0, abs=moved_deg)
    # ISO 23509:2016 cl. 7.8: arc at the heel = normal backlash / (cos α_n cos β).
    arc = stand.truth.normal_backlash_mm[engagement] / cos(radians(20.0)) / cos(radians(35.0))
    assert radians(step_between_plateaus(angles)) * 80.0 == pytest.approx(arc, abs=0.002)


def test_middle_of_the_rock_at_the_matched_teeth_is_where_the_encoder_was_set() -> None:
    stand = Stand(BOX, drive=SimulatedDrive(position_error_deg=0.0), seed=4)
    counts = values(rocked(stand, 0).encoder_lines)
    assert (min(counts) + max(counts)) / 2.0 == pytest.approx(12_500, abs=5)


def test_encoder_on_the_pinion_turns_with_the_ratio_and_does_not_see_the_rock() -> None:
    instruments = SimulatedInstruments(encoder_shaft="pinion")
    stand = Stand(BOX, instruments, SimulatedDrive(position_error_deg=0.0), seed=4)
    counts = set(values(rocked(stand, 20).encoder_lines))
    # Half a turn of the gear is z2 / z1 / 2 turns of the pinion.
    assert counts == {12_500 + round(360_000 * 20 / 13)}


def test_lines_are_well_formed_and_come_at_the_stated_rate() -> None:
    wire = rocked(Stand(BOX, seed=1), 3, seconds=5.0)
    assert all(INDICATOR_LINE.fullmatch(line) for line in wire.indicator_lines)
    assert all(ENCODER_LINE.fullmatch(line) for line in wire.encoder_lines)
    assert len(wire.indicator_lines) == 5000
    assert len(wire.encoder_lines) == 2500
    assert wire.indicator == b"".join(wire.indicator_lines)
    gaps = [b - a for a, b in zip(wire.indicator_times_s, wire.indicator_times_s[1:], strict=False)]
    assert min(gaps) == pytest.approx(0.001)
    assert max(gaps) == pytest.approx(0.001)


@pytest.mark.parametrize(
    ("resolution_mm", "unit", "pattern"),
    [
        (0.001, "mm", rb"[+-]\d{3}\.\d{3}\r\n"),
        (0.0005, "mm", rb"[+-]\d{3}\.\d{3}[05]\r\n"),
        (0.00254, "in", rb"[+-]\d{3}\.\d{4}\r\n"),
        (0.00127, "in", rb"[+-]\d{3}\.\d{4}[05]\r\n"),
    ],
)
def test_resolution_and_unit_make_the_decimals(resolution_mm: float, unit: str, pattern: bytes) -> None:
    instruments = SimulatedInstruments(indicator_resolution_mm=resolution_mm, indicator_unit=unit)  # type: ignore[arg-type]  # cases are of the right words
    stand = Stand(BOX, instruments, seed=1)
    lines = rocked(stand, 3).indicator_lines
    assert all(re.fullmatch(pattern, line) for line in lines)
    # An inch is 25.4 mm by definition.
    lash_mm = step_between_plateaus(values(lines)) * (25.4 if unit == "in" else 1.0)
    assert lash_mm == pytest.approx(stand.truth.normal_backlash_mm[3], abs=resolution_mm)


def test_same_seed_same_bytes_and_another_seed_others() -> None:
    first, again, other = (rocked(Stand(BOX, seed=seed), 9) for seed in (1, 1, 2))
    assert first == again
    assert first.indicator != other.indicator


@settings(max_examples=15, deadline=None)
@given(cuts=st.lists(st.integers(1, 399), max_size=12, unique=True))
def test_bytes_do_not_depend_on_how_time_is_cut(cuts: list[int]) -> None:
    whole = Stand(BOX, COARSE, seed=6)
    whole.ask(4)
    expected = whole.advance(400 / 256)
    stand, parts, last = Stand(BOX, COARSE, seed=6), [], 0
    stand.ask(4)
    for cut in [*sorted(cuts), 400]:
        parts.append(stand.advance((cut - last) / 256))
        last = cut
    assert b"".join(part.indicator for part in parts) == expected.indicator
    assert b"".join(part.encoder for part in parts) == expected.encoder


def test_tip_is_lifted_while_the_gear_turns_and_set_down_at_another_zero() -> None:
    stand = Stand(BOX, COARSE, seed=1)
    levels = []
    for engagement in (0, 10, 20):
        stand.ask(engagement)
        turning = stand.advance(0.3)
        angles = values(turning.encoder_lines)
        moving = [b != a for a, b in itertools.pairwise(angles)]
        if engagement:
            # Every second indicator sample falls on an encoder sample.
            shown = values(turning.indicator_lines)[1::2][1:]
            assert any(moving)
            assert all(v < -3.0 for v, moves in zip(shown, moving, strict=True) if moves and v < -1.0)
            assert min(shown) < -3.9
        stand.advance(1.0)
        levels.append(median(values(stand.advance(1.0).indicator_lines)))
    assert all(abs(level) < 1.0 for level in levels)
    assert len({round(level, 2) for level in levels}) == 3


def test_asking_again_for_the_same_engagement_goes_on_rocking() -> None:
    one, two = Stand(BOX, COARSE, seed=1), Stand(BOX, COARSE, seed=1)
    one.ask(5)
    two.ask(5)
    one.advance(2.0)
    two.advance(2.0)
    two.ask(5)
    assert one.advance(1.0) == two.advance(1.0)


@pytest.mark.parametrize("asked_after_s", [0.02, 0.15, 0.3, 0.45, 0.9])
def test_another_target_on_the_way_is_reached_all_the_same(asked_after_s: float) -> None:
    stand = Stand(BOX, COARSE, seed=1)
    stand.ask(30)
    stand.advance(asked_after_s)
    wire = rocked(stand, 10)
    assert median(values(wire.encoder_lines)) / 1000.0 == pytest.approx(12.5 + 90.0, abs=0.2)
    assert step_between_plateaus(values(wire.indicator_lines)) == pytest.approx(
        stand.truth.normal_backlash_mm[10], abs=5e-4
    )


@pytest.mark.parametrize("rested_after_s", [0.02, 0.15, 0.3, 0.9])
def test_rest_lifts_the_tip_and_stops_the_gear(rested_after_s: float) -> None:
    stand = Stand(BOX, COARSE, seed=1)
    stand.ask(10)
    stand.advance(rested_after_s)
    stand.rest()
    stand.advance(1.0)
    wire = stand.advance(1.0)
    assert max(values(wire.indicator_lines)) < -3.9
    assert len(set(wire.encoder_lines)) == 1


def test_rhythm_is_about_the_asked_one_and_not_regular() -> None:
    stand = Stand(BOX, drive=SimulatedDrive(rocks_per_s=3.0), seed=1)
    wire = rocked(stand, 3, seconds=20.0)
    shown = values(wire.indicator_lines)
    middle = (min(shown) + max(shown)) / 2.0
    times = wire.indicator_times_s
    rises = [t for t, a, b in zip(times[1:], shown, shown[1:], strict=False) if a < middle <= b]
    periods = [b - a for a, b in itertools.pairwise(rises)]
    assert len(periods) / sum(periods) == pytest.approx(3.0, rel=0.06)
    assert pstdev(periods) > 0.005


def test_indicator_creeps_at_about_the_stated_rate() -> None:
    # From the middle of the plateaus; the rate is the greatest, so less is allowed but not nothing.
    instruments = replace(COARSE, drift_mm_per_s=1e-4, indicator_noise_mm=0.0)
    stand = Stand(BOX, instruments, seed=2)
    first = rocked(stand, 0).indicator_lines
    stand.advance(58.0)
    last = stand.advance(2.0).indicator_lines
    crept = abs(middle_of_plateaus(values(last)) - middle_of_plateaus(values(first))) / 60.0
    assert 1e-6 < crept <= 1.1e-4


def test_time_does_not_run_backwards() -> None:
    with pytest.raises(StandError, match="seconds"):
        Stand(BOX, seed=1).advance(-0.1)
