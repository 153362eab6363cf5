"""Passes of the simulated stand: they meet the teeth that a rock meets; how they are made; faults."""

from __future__ import annotations

from dataclasses import replace
from math import cos, hypot, pi, radians, sin

import numpy as np
import pytest
from daemon.simulated_boxes import values
from daemon.simulated_stand.passes import BOX, FINE, QUICK, Sent, gear_at, made, sent
from daemon.simulated_stand.test_bytes import step_between_plateaus
from hypothesis import given, settings
from hypothesis import strategies as st
from lashmap_daemon.simulated_stand import (
    Fault,
    PassOrder,
    SimulatedBox,
    SimulatedDrive,
    SimulatedInstruments,
    Stand,
    StandError,
)
from lashmap_daemon.simulated_stand.mesh import Mesh

PITCH_DEG = 360.0 / BOX.pinion_teeth
# ISO 23509:2016 cl. 7.8: normal backlash at the heel = arc · cos α_n · cos β, arc = r · angle.
NORMAL_MM_PER_DEG = 80.0 * radians(1.0) * cos(radians(20.0)) * cos(radians(35.0))


def lash_mm(forward: Sent, back: Sent, engagements: np.ndarray) -> np.ndarray:
    """What the gear turns between both flanks with the pinion at the same angle, as normal backlash."""
    at = engagements * PITCH_DEG
    return (gear_at(back, at) - gear_at(forward, at)) * NORMAL_MM_PER_DEG


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"bad_tooth_mm": 0.016, "bad_tooth_flank": "drive", "bad_tooth": 3},
        {"bad_tooth_mm": 0.012, "bad_tooth_flank": "coast", "bad_tooth_member": "pinion"},
        {"profile_ripple_mm": 0.001, "profile_ripple_waves": 3, "contact_ratio": 2.4},
        {"shaft_angle_deg": 75.0, "mean_spiral_angle_deg": 35.0, "gear_face_wobble_mm": 0.008},
    ],
)
def test_two_flanks_at_the_same_pinion_angle_are_the_true_lash_apart(changes: dict[str, object]) -> None:
    box = replace(BOX, **changes)  # type: ignore[arg-type]  # one case each
    stand = Stand(box, FINE, replace(QUICK, brake_nm=2.0), seed=3)
    forward, back = made(stand, 1), made(stand, 2)
    engagements = np.arange(1, 141)
    mesh = Mesh(box, seed=3)
    truth = np.array([mesh.normal_backlash_mm(int(one)) for one in engagements])
    # The teeth give way by some 0.1 µm under the brake; the rest is interpolation between samples.
    off_mm = lash_mm(forward, back, engagements) - truth
    assert np.abs(off_mm).max() < 0.0006
    assert np.sqrt(np.mean(off_mm**2)) < 0.0003


def test_the_least_of_all_places_is_the_truth_of_the_box() -> None:
    stand = Stand(BOX, FINE, QUICK, seed=3)
    forward, back = made(stand, 1), made(stand, 2)
    places = np.arange(1.0, 141.0, 1 / 32)
    lash = lash_mm(forward, back, places)
    truth = stand.truth
    assert lash.min() == pytest.approx(truth.tight_spot_normal_backlash_mm, abs=0.0005)
    apart = abs(places[lash.argmin()] - truth.tight_spot_engagement) % 140.0
    assert min(apart, 140.0 - apart) <= 1.0


@pytest.mark.parametrize("engagement", [4, 77])
def test_a_rock_reads_what_the_passes_have_there(engagement: int) -> None:
    box = replace(BOX, bad_tooth_mm=0.016, bad_tooth=4, bad_tooth_flank="coast", tip_height_error_mm=0.0)
    instruments = replace(FINE, indicator_rate_hz=500.0)
    stand = Stand(box, instruments, replace(QUICK, position_error_deg=0.0), seed=5)
    forward, back = made(stand, 1), made(stand, 2)
    stand.ask(engagement)
    stand.advance(4.0)
    reading = step_between_plateaus(values(stand.advance(2.0).indicator_lines))
    # The tip stands at the heel and along the normal: it reads the normal backlash.
    assert reading == pytest.approx(lash_mm(forward, back, np.array([engagement]))[0], abs=0.0006)


def test_a_bad_tooth_on_one_flank_is_felt_in_one_direction() -> None:
    bad = replace(BOX, bad_tooth_mm=0.016, bad_tooth=4)
    at = np.arange(1, 141) * PITCH_DEG
    plain = Stand(BOX, FINE, QUICK, seed=3)
    usual = [gear_at(made(plain, number), at) for number in (1, 2)]
    for flank, felt in (("drive", 0), ("coast", 1)):
        box = replace(bad, bad_tooth_flank=flank)  # type: ignore[arg-type]
        stand = Stand(box, FINE, QUICK, seed=3)
        moved_mm = [
            np.abs(gear_at(made(stand, number), at) - usual[number - 1]).max() * NORMAL_MM_PER_DEG
            for number in (1, 2)
        ]
        # The zero of the encoder is the middle of the rock at the matched teeth, far from this tooth.
        assert moved_mm[felt] > 0.009
        assert moved_mm[1 - felt] < 0.001


def test_the_brake_winds_the_gear_up_on_either_flank() -> None:
    soft = replace(BOX, flank_compliance_mm_per_nm=0.001)
    opened = []
    for torque_nm in (2.0, 6.0):
        stand = Stand(soft, FINE, replace(QUICK, brake_nm=torque_nm, brake_variation=0.25), seed=3)
        opened.append(lash_mm(made(stand, 1), made(stand, 2), np.arange(1, 141)))
    more = opened[1] - opened[0]
    # Hooke: 4 N·m more, on each of two flanks; a quarter of it comes and goes with each turn of the gear.
    assert more.mean() == pytest.approx(2 * 4.0 * 0.001, rel=0.1)
    wave = 2.0 * np.abs(np.mean(more * np.exp(2j * pi * np.arange(140) / 20)))
    assert wave == pytest.approx(0.25 * 2 * 4.0 * 0.001, rel=0.1)


def test_speed_gathers_swings_with_the_pinion_and_is_another_in_the_second_pair() -> None:
    drive = replace(QUICK, pass_turn_ripple=0.2, pass_mesh_ripple=0.0, pass_wander=0.0, pass_speed_spread=0.0)
    stand = Stand(BOX, FINE, drive, seed=3)
    turned = []
    for number, mean in ((1, 720.0), (2, -720.0), (3, 500.0), (4, -500.0), (5, 720.0)):
        one = made(stand, number)
        speed = np.gradient(one.pinion_deg, one.pinion_s)
        turned.append(one.pinion_deg[-1] - one.pinion_deg[0])
        assert speed[0] == speed[-1] == 0.0
        way = np.abs(one.pinion_deg - one.pinion_deg[0]) / 360.0
        even = (way > 2.0) & (way < 16.0)
        # Fourteen whole turns, so that what swings in a turn does not count.
        assert 14.0 * 360.0 / np.ptp(one.pinion_s[even]) == pytest.approx(abs(mean), rel=0.002)
        assert speed[even].mean() * mean > 0.0
        assert np.abs(speed[even]).max() / abs(mean) == pytest.approx(1.2, abs=0.01)
    # Asked for, and some of a tooth more, as who turns by hand does.
    beyond = np.abs(turned) / PITCH_DEG - 142
    assert np.all((beyond > 0.15) & (beyond < 0.85))


def test_jerks_stop_the_pinion_again_and_again() -> None:
    drive = SimulatedDrive(stick_slip=0.5, stick_slip_teeth=0.25, pass_deg_per_s=60.0)
    one = made(Stand(BOX, FINE, drive, seed=3), 1, engagements=5)
    counts = np.round(one.pinion_deg / PITCH_DEG / 0.25, 3)
    stands = counts[np.isclose(np.gradient(one.pinion_deg), 0.0)]
    # At every fourth of an engagement.
    assert set(np.arange(1, 20)) <= set(np.round(stands - counts[0]).astype(int))
    assert np.all(np.diff(one.pinion_deg) >= 0.0)


def test_a_gear_thrown_off_its_flank_gets_to_the_other_and_comes_back() -> None:
    drive = replace(QUICK, contact_losses=12.0)
    steady, thrown = Stand(BOX, FINE, QUICK, seed=3), Stand(BOX, FINE, drive, seed=3)
    at = np.arange(PITCH_DEG, 140 * PITCH_DEG, 0.5)
    forward, back = made(steady, 1), made(steady, 2)
    lost = made(thrown, 1)
    room = gear_at(back, at) - gear_at(forward, at)
    ahead = (gear_at(lost, at) - gear_at(forward, at)) / room
    assert ahead.max() == pytest.approx(1.0, abs=0.02)
    assert ahead.min() > -0.02
    assert 0.01 < np.mean(ahead > 0.1) < 0.3
    # On its flank again afterwards.
    assert np.median(np.abs(ahead)) < 0.01


def test_without_a_brake_both_passes_are_on_one_flank() -> None:
    stand = Stand(BOX, FINE, QUICK, seed=3, fault=Fault.NO_BRAKE)
    forward, back = made(stand, 1), made(stand, 2)
    # Where the gear turns back it has to fall to that flank first.
    assert np.abs(lash_mm(forward, back, np.arange(1, 135))).max() < 0.0005


def test_a_slipped_tooth_is_in_the_gears_count_from_half_a_pass_on() -> None:
    sound, slipped = (Stand(BOX, FINE, QUICK, seed=3, fault=fault) for fault in (None, Fault.SLIPPED_TOOTH))
    off_deg = made(slipped, 1).gear_deg - made(sound, 1).gear_deg
    assert off_deg[0] == 0.0
    assert off_deg[-1] == pytest.approx(360.0 / 20, abs=1e-4)
    assert np.count_nonzero(np.diff(off_deg) > 1.0) == 1


def test_warmer_members_close_the_lash_from_pass_to_pass() -> None:
    warming = replace(
        BOX,
        temperature_drift_k_per_h=90.0,
        gears_expansion_um_per_m_k=23.0,
        housing_expansion_um_per_m_k=11.5,
    )
    stand = Stand(warming, FINE, QUICK, seed=3)
    passes = {number: made(stand, number) for number in (1, 2, 5, 6)}
    at = np.arange(1, 141)
    closed_mm = np.mean(lash_mm(passes[1], passes[2], at) - lash_mm(passes[5], passes[6], at))
    # 90 K/h, from the middle of one pair to that of the other, on the cones' lengths from apex to heel:
    # the handbook relation 2 ΔA sin α_n sin δ of both members (memory).
    grown = 11.5e-6 * 90.0 / 3600.0 * (passes[5].gear_s[0] - passes[1].gear_s[0])
    members = ((80.0 * 7 / 20, 20.0), (80.0, 7.0))
    expected = sum(2.0 * grown * far * sin(radians(20.0)) * z / hypot(7.0, 20.0) for far, z in members)
    assert closed_mm == pytest.approx(expected, rel=0.1)


def test_an_order_is_obeyed_once_and_a_new_try_is_a_new_order() -> None:
    stand = Stand(BOX, FINE, QUICK, seed=3)
    order = PassOrder(number=1, direction="forward", engagements=5)
    stand.make_pass(order)
    before = stand.pass_is_over
    stand.advance(4.0)
    stand.make_pass(order)
    assert (before, stand.pass_is_over) == (False, True)
    assert len(set(stand.advance(4.0).encoder_lines)) == 1
    stand.make_pass(replace(order, attempt=2))
    assert len(set(stand.advance(4.0).encoder_lines)) > 100


def test_what_comes_after_a_pass_goes_on_from_where_it_ended() -> None:
    stand = Stand(BOX, FINE, QUICK, seed=3)
    stand.make_pass(PassOrder(number=1, direction="forward", engagements=60))
    parts = [sent(stand, 3.0, FINE)]  # in mid-pass …
    stand.make_pass(PassOrder(number=2, direction="back", engagements=10))
    parts.append(sent(stand, 3.5, FINE))
    stand.sweep("pinion")
    parts.append(sent(stand, 3.0, FINE))
    stand.ask(33)
    parts.append(sent(stand, 3.0, FINE))
    stand.see_mark("gear")
    parts.append(sent(stand, 3.0, FINE))
    for name in ("pinion_deg", "gear_deg"):
        # No faster than the quickest of it: turning to a position, at half as much again as on average.
        most_deg = 1.6 * 80.0 * (PITCH_DEG if name == "pinion_deg" else 18.0) / 500.0
        assert np.abs(np.diff(np.concatenate([getattr(part, name) for part in parts]))).max() < most_deg
    assert parts[0].pinion_deg[-1] > parts[1].pinion_deg[-1]


@settings(deadline=None, max_examples=5)
@given(cuts=st.lists(st.floats(0.001, 1.5), min_size=1, max_size=8))
def test_the_same_bytes_however_the_time_is_cut_up(cuts: list[float]) -> None:
    two = replace(FINE, encoders="apart", encoder_late_s=0.003, adapter_s=0.005, pinion_rate_hz=300.0)
    whole, cut = (Stand(BOX, two, replace(QUICK, contact_losses=5.0), seed=2) for _ in range(2))
    for stand in (whole, cut):
        stand.make_pass(PassOrder(number=1, direction="forward", engagements=15))
    parts = [cut.advance(seconds) for seconds in cuts]
    once = whole.advance(cut.time_s)
    assert once.encoder == b"".join(part.encoder for part in parts)
    assert once.pinion == b"".join(part.pinion for part in parts)
    assert once.pinion_times_s == sum((part.pinion_times_s for part in parts), ())


@pytest.mark.parametrize(
    ("field", "value"), [("direction", "up"), ("number", 0), ("engagements", 0), ("attempt", 0)]
)
def test_orders_that_nobody_can_obey_are_refused(field: str, value: object) -> None:
    order = {"number": 1, "direction": "forward", "engagements": 5} | {field: value}
    with pytest.raises(StandError, match=field):
        PassOrder(**order)  # type: ignore[arg-type]  # what is wrong is the test


@pytest.mark.parametrize(
    ("part", "changes"),
    [
        (SimulatedDrive, {"stick_slip": 0.9}),
        (SimulatedDrive, {"brake_nm": 0.0}),
        (SimulatedDrive, {"pass_deg_per_s": 0.0}),
        (SimulatedDrive, {"pass_turn_ripple": 0.5}),
        (SimulatedInstruments, {"encoders": "latched", "encoder_shaft": "pinion"}),
        (SimulatedInstruments, {"encoder_wraps_at": 3}),
        (SimulatedInstruments, {"adapter_s": -0.1}),
    ],
)
def test_settings_that_cannot_be_are_refused(part: type, changes: dict[str, object]) -> None:
    with pytest.raises(StandError, match=next(reversed(changes))):
        part(**changes)


@pytest.mark.parametrize(
    "changes", [{"contact_ratio": 0.9}, {"profile_ripple_waves": 0}, {"coast_roll_phase": 0.6}]
)
def test_teeth_that_cannot_be_are_refused(changes: dict[str, float]) -> None:
    with pytest.raises(StandError, match=next(iter(changes))):
        replace(BOX, **changes)  # type: ignore[arg-type]  # of one kind each


def test_a_box_without_roll_has_the_same_lash_all_through_an_engagement() -> None:
    flat = SimulatedBox(
        pinion_teeth=7,
        gear_teeth=20,
        outer_module_mm=8.0,
        face_width_mm=25.0,
        touch_radius_mm=80.0,
        mean_normal_backlash_mm=0.15,
        gear_tooth_error_mm=0.001,
    )
    mesh = Mesh(flat, seed=1)
    for place in (3.0, 3.3, 2.6):
        assert mesh.normal_backlash_at_mm(place) == mesh.normal_backlash_mm(3)
