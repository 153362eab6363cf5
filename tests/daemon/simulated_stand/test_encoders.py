"""Two encoders of the simulated stand: their lines, their errors, and what lies between them and a reader."""

from __future__ import annotations

import re
from dataclasses import replace
from math import pi, radians, sin

import numpy as np
import pytest
from daemon.simulated_boxes import ENCODER_LINE, PLAIN_BOX
from daemon.simulated_stand.passes import BOX, FINE, QUICK, made, sent
from lashmap_daemon.simulated_stand import PassOrder, SimulatedInstruments, Stand

PORTS = replace(FINE, encoders="apart", encoder_rate_hz=1000.0, pinion_rate_hz=1000.0)
ORDER = PassOrder(number=1, direction="forward", engagements=20)


def test_latched_counts_come_in_one_line_the_gears_first() -> None:
    instruments = SimulatedInstruments(
        encoders="latched", encoder_counts_per_turn=20_000, encoder_rate_hz=1000.0
    )
    stand = Stand(BOX, instruments, QUICK, seed=1)
    wire = stand.advance(1.0)
    assert len(wire.encoder_lines) == 1000
    assert wire.pinion_lines == ()
    assert all(re.fullmatch(rb"[+-]\d{7},[+-]\d{7}\r\n", line) for line in wire.encoder_lines)
    # At rest at the matched teeth: 12.5° and -7.5° of 20,000 counts.
    gear, pinion = map(int, wire.encoder_lines[-1].split(b","))
    assert (gear, pinion) == (round(20_000 * 12.5 / 360), round(-20_000 * 7.5 / 360))


def test_two_ports_have_whole_counts_and_instants_of_their_own() -> None:
    stand = Stand(BOX, PORTS, QUICK, seed=1)
    wire = stand.advance(20.0)
    assert all(ENCODER_LINE.fullmatch(line) for line in (*wire.encoder_lines[:9], *wire.pinion_lines[:9]))
    gear_s, pinion_s = np.array(wire.encoder_times_s), np.array(wire.pinion_times_s)
    assert len(gear_s) == 20_000
    # Nobody synchronised them: another phase, and a clock that is off by up to 50 millionths.
    phase = (pinion_s[0] - gear_s[0]) % 0.001
    assert 1e-5 < phase < 0.00099
    assert abs(np.median(np.diff(pinion_s)) / 0.001 - 1.0) < 5e-5
    assert np.ptp(np.diff(pinion_s)) < 1e-9


def test_one_encoder_is_as_before() -> None:
    one = Stand(PLAIN_BOX, replace(FINE, encoders="one"), seed=1)
    one.ask(3)
    wire = one.advance(3.0)
    assert wire.pinion_lines == ()
    assert not one.two_ports
    assert all(ENCODER_LINE.fullmatch(line) for line in wire.encoder_lines)


@pytest.mark.parametrize("late_s", [0.016, -0.007])
def test_a_late_encoder_speaks_of_an_earlier_instant(late_s: float) -> None:
    stands = [Stand(BOX, replace(PORTS, encoder_late_s=late), QUICK, seed=1) for late in (0.0, late_s)]
    prompt, late = (made(stand, 1, engagements=20, instruments=PORTS) for stand in stands)
    if late_s > 0.0:
        assert np.array_equal(late.gear_deg[:20_00], prompt.gear_deg[:20_00])
        assert late.gear_s[:2000] - prompt.gear_s[:2000] == pytest.approx(late_s)
        assert np.array_equal(late.pinion_s[:2000], prompt.pinion_s[:2000])
    else:
        assert late.pinion_s[:2000] - prompt.pinion_s[:2000] == pytest.approx(-late_s)
        assert np.array_equal(late.gear_s[:2000], prompt.gear_s[:2000])


def test_an_adapter_hands_on_bundles_never_early_and_in_order() -> None:
    plain, held = (Stand(BOX, replace(PORTS, adapter_s=every_s), QUICK, seed=1) for every_s in (0.0, 0.005))
    for stand in (plain, held):
        stand.make_pass(ORDER)
    at_once, bundled = plain.advance(20.0), held.advance(20.0)
    for name in ("encoder", "pinion"):
        lines, times = getattr(bundled, f"{name}_lines"), np.array(getattr(bundled, f"{name}_times_s"))
        assert lines == getattr(at_once, f"{name}_lines")[: len(lines)]
        waited = times - np.array(getattr(at_once, f"{name}_times_s")[: len(times)])
        assert waited.min() >= 0.0
        assert np.all(np.diff(times) >= 0.0)
        deliveries, sizes = np.unique(times, return_counts=True)
        # Mostly what came in 5 ms; now and then up to three deliveries are missed.
        assert np.median(sizes) == 5
        assert 0.015 < waited.max() < 0.0202
        assert 0.005 < np.mean(np.diff(deliveries) > 0.0051) < 0.05
    assert bundled.encoder_times_s[0] % 0.005 != pytest.approx(bundled.pinion_times_s[0] % 0.005, abs=1e-5)


def test_an_eccentric_encoder_errs_once_in_its_turn_and_not_at_the_matched_teeth() -> None:
    right, off = (
        Stand(BOX, replace(FINE, encoder_eccentric_deg=gear, pinion_eccentric_deg=pinion), QUICK, seed=1)
        for gear, pinion in ((0.0, 0.0), (0.02, 0.05))
    )
    assert sent(off, 0.1, FINE).gear_deg[0] == pytest.approx(0.0, abs=1e-4)
    sent(right, 0.1, FINE)
    one, other = made(right, 1), made(off, 1)
    for name, amplitude in (("gear_deg", 0.02), ("pinion_deg", 0.05)):
        turned, error = getattr(one, name), getattr(other, name) - getattr(one, name)
        assert error[0] == pytest.approx(0.0, abs=1e-4)
        waves = np.stack(
            [np.ones_like(turned), np.cos(np.radians(turned)), np.sin(np.radians(turned))], axis=1
        )
        fitted, *_ = np.linalg.lstsq(waves, error, rcond=None)
        assert np.hypot(*fitted[1:]) == pytest.approx(amplitude, rel=1e-3)
        assert np.abs(error - waves @ fitted).max() < 1e-4


def test_a_mount_that_turns_and_a_counter_that_starts_again() -> None:
    drifting = Stand(BOX, replace(FINE, encoder_drift_deg_per_h=3.6), QUICK, seed=1)
    shown = sent(drifting, 50.0, FINE)
    assert np.ptp(shown.pinion_deg) == 0.0
    assert np.ptp(shown.gear_deg) == pytest.approx(0.001 * 50.0, rel=0.01)
    stands = [
        Stand(BOX, replace(FINE, encoder_wraps_at=wraps_at), QUICK, seed=1) for wraps_at in (None, 65_536)
    ]
    for stand in stands:
        stand.make_pass(ORDER)
    endless, wrapped = (
        np.array([list(map(int, line.split(b","))) for line in stand.advance(4.0).encoder_lines])
        for stand in stands
    )
    assert endless.min() < 0
    assert np.array_equal(wrapped, endless % 65_536)


def test_the_gears_encoder_sees_the_rock_and_the_pinions_does_not() -> None:
    stand = Stand(BOX, FINE, QUICK, seed=1)
    stand.ask(8)
    sent(stand, 3.0, FINE)
    shown = sent(stand, 2.0, FINE)
    assert np.ptp(shown.pinion_deg) == 0.0
    # Definition: an angle of the gear times its radius, 0.15 mm of normal backlash and some of eccentricity.
    arc_mm = radians(np.ptp(shown.gear_deg)) * 80.0
    assert 0.15 < arc_mm * sin(pi / 2 - radians(20.0)) < 0.25
