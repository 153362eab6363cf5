"""The simulated gear as a mass between two flanks: energy, bounces, rest."""

from __future__ import annotations

import itertools
from dataclasses import replace
from math import atan2, exp, pi, sqrt

import pytest
from lashmap_daemon.simulated_stand import SimulatedBox, SimulatedDrive
from lashmap_daemon.simulated_stand.mesh import Mesh
from lashmap_daemon.simulated_stand.rocking import Push, Rhythm, RockingGear, RockingMass, rocking_mass

BOX = SimulatedBox(
    pinion_teeth=13,
    gear_teeth=40,
    outer_module_mm=4.0,
    face_width_mm=25.0,
    mean_spiral_angle_deg=35.0,
    touch_radius_mm=76.0,
    mean_normal_backlash_mm=0.15,
)
MESH = Mesh(BOX, seed=1)
MASS = rocking_mass(BOX, MESH.frame, flank_time_s=0.022)


def gear_in_gap(mass: RockingMass) -> RockingGear:
    gear = RockingGear(mass)
    gear.place(*MESH.limits_rad(0))
    return gear


def steady(torque: float) -> Push:
    return Push(steps=1_000_000, torque=torque)


def test_an_undamped_gear_keeps_its_energy_between_the_flanks() -> None:
    # Conservation of energy: no friction, no damping, no torque.
    gear = gear_in_gap(replace(MASS, friction=0.0, damping=0.0))
    gear.speed = 0.1
    start, low, high = gear.energy(), 0.0, 0.0
    for _ in range(2000):
        gear.run(13, lambda: steady(0.0))
        low, high = min(low, gear.angle_rad), max(high, gear.angle_rad)
        assert gear.energy() == pytest.approx(start, rel=0.2)
    assert low < gear.low_rad < gear.high_rad < high


def test_damping_and_friction_only_take_energy() -> None:
    gear = gear_in_gap(MASS)
    gear.speed = 0.2
    energies = [gear.energy()]
    for _ in range(400):
        gear.run(50, lambda: steady(0.0))
        energies.append(gear.energy())
    # Within a step a semi-implicit spring trades a little energy to and fro; across contacts it only loses.
    assert all(later <= before * 1.05 + 1e-15 for before, later in itertools.pairwise(energies))
    assert energies[-1] == 0.0


def test_rebound_is_that_of_a_damped_spring_that_cannot_pull() -> None:
    # Restitution of a spring and dashpot that let go when their force is zero, with β = ζ ω0 and
    # ω² = ω0² - β²: exp(-β/ω (π - atan(2 β ω / (ω² - β²)))), for ζ < 1/√2 (Schwager, Pöschel 2007; memory).
    mass = replace(MASS, friction=0.0)
    gear = gear_in_gap(mass)
    gear.speed = 0.1
    while gear.speed > 0.0:
        gear.run(1, lambda: steady(0.0))
    while gear.angle_rad > gear.high_rad:
        gear.run(1, lambda: steady(0.0))
    zeta = mass.damping / (2.0 * sqrt(mass.stiffness * mass.inertia))
    omega = sqrt(1.0 - zeta**2)
    expected = exp(-zeta / omega * (pi - atan2(2.0 * zeta * omega, omega**2 - zeta**2)))
    assert -gear.speed / 0.1 == pytest.approx(expected, rel=0.1)


def test_bounces_are_over_in_twenty_milliseconds_and_the_gear_rests_on_the_flank() -> None:
    gear = gear_in_gap(MASS)
    gear.angle_rad = gear.low_rad
    steps, touched, last_moved = 0, None, 0
    while steps < MASS.steps_per_s // 10:
        gear.run(1, lambda: Push(steps=1_000_000_000, torque=MASS.torque))
        gear.torque = MASS.torque
        steps += 1
        if touched is None and gear.angle_rad > gear.high_rad:
            touched = steps
        if gear.speed != 0.0:
            last_moved = steps
    assert touched is not None
    assert touched / MASS.steps_per_s == pytest.approx(0.022, rel=0.15)
    assert 0.003 < (last_moved - touched) / MASS.steps_per_s < 0.020
    pressed_mm = (gear.angle_rad - gear.high_rad) * MESH.tip.mm_per_rad
    # Hooke: no more than torque over stiffness, no less than what friction cannot carry.
    most = MASS.torque / MASS.stiffness * MESH.tip.mm_per_rad
    least = (MASS.torque - MASS.friction) / MASS.stiffness * MESH.tip.mm_per_rad
    assert least * 0.99 <= pressed_mm <= most * 1.5
    assert pressed_mm < 5e-5


def test_skipping_the_steps_of_a_resting_gear_changes_nothing() -> None:
    pushes = [Push(steps=600, torque=MASS.torque), Push(steps=5400, torque=MASS.torque)]
    pushes += [Push(steps=600, torque=-MASS.torque), Push(steps=5400, torque=-MASS.torque)]

    def angle_after(steps: int, chunk: int) -> float:
        gear, queue = gear_in_gap(MASS), list(pushes)
        for done in range(0, steps, chunk):
            gear.run(min(chunk, steps - done), lambda: queue.pop(0))
        return gear.angle_rad

    for steps in (3000, 6000, 6900, 12000):
        assert angle_after(steps, steps) == angle_after(steps, 1) == angle_after(steps, 777)


def test_a_pinion_that_slips_takes_the_gap_with_it() -> None:
    gear = gear_in_gap(MASS)
    queue = [Push(steps=8000, torque=MASS.torque), Push(steps=8000, torque=MASS.torque, slip_rad=2e-4)]
    gear.run(8000, lambda: queue.pop(0))
    before, gap = gear.angle_rad, gear.high_rad - gear.low_rad
    gear.run(8000, lambda: queue.pop(0))
    assert gear.angle_rad - before == pytest.approx(2e-4, abs=1e-6)
    assert gear.high_rad - gear.low_rad == pytest.approx(gap)
    assert gear.slipped_rad == 2e-4


@pytest.mark.parametrize(
    ("module_mm", "teeth", "face_mm"), [(1.0, 20, 5.0), (4.0, 40, 25.0), (10.0, 50, 60.0)]
)
def test_steps_are_short_beside_the_contact_for_small_and_large_gears(
    module_mm: float, teeth: int, face_mm: float
) -> None:
    box = replace(BOX, outer_module_mm=module_mm, gear_teeth=teeth, face_width_mm=face_mm)
    box = replace(box, direction="plane of rotation", on_arm=True)
    mass = rocking_mass(box, Mesh(box, seed=1).frame, flank_time_s=0.022)
    # Semi-implicit steps of a spring are stable for ω h < 2 (textbook); a factor of eight is kept.
    assert sqrt(mass.stiffness / mass.inertia) / mass.steps_per_s <= 0.25
    assert mass.steps_per_s % 1000 == 0
    # Hooke, at the heel: a light rock presses a flank in by 0.05 µm at most, however heavy the gear.
    pressed_rad = mass.torque / mass.stiffness
    assert pressed_rad * Mesh(box, seed=1).frame.closing_mm_per_rad() < 5.001e-5


def driven(drive: SimulatedDrive, mass: RockingMass, seconds: float) -> list[float]:
    """Where the gear is, as share of the gap from the middle of it (±0.5 on the flanks), each millisecond."""
    gear = gear_in_gap(mass)
    rhythm = Rhythm(drive, mass, MESH.frame, seed=2)
    middle, gap = (gear.low_rad + gear.high_rad) / 2.0, gear.high_rad - gear.low_rad
    found = []
    for _ in range(round(1000.0 * seconds)):
        gear.run(mass.steps_per_s // 1000, rhythm.next_push)
        found.append((gear.angle_rad - middle) / gap)
    return found


def test_shafts_that_give_way_are_a_spring_in_line_with_the_teeth() -> None:
    box = replace(BOX, flank_compliance_mm_per_nm=0.0005)
    soft = rocking_mass(box, MESH.frame, flank_time_s=0.022)
    mm_per_rad = MESH.frame.closing_mm_per_rad()
    # Compliances of springs in line add (Hooke).
    assert mm_per_rad / soft.stiffness == pytest.approx(mm_per_rad / MASS.stiffness + 0.0005, rel=1e-9)
    # Two newton metres press the flank in by 1 µm and what the teeth give, less or more by friction.
    gear = gear_in_gap(soft)
    gear.run(soft.steps_per_s // 2, lambda: Push(steps=soft.steps_per_s // 20, torque=2.0))
    pressed_mm = (gear.angle_rad - gear.high_rad) * mm_per_rad
    friction_mm = soft.friction * mm_per_rad / soft.stiffness
    assert pressed_mm == pytest.approx(2.0 * mm_per_rad / soft.stiffness, abs=friction_mm)
    assert 0.00085 < pressed_mm < 0.0013


def test_a_press_comes_after_the_light_way_across_and_holds() -> None:
    soft = rocking_mass(replace(BOX, flank_compliance_mm_per_nm=0.0005), MESH.frame, flank_time_s=0.022)
    light, firm = (
        sorted(driven(SimulatedDrive(rocks_per_s=1.0, press_torque_nm=torque), soft, 6.0))
        for torque in (0.0, 3.0)
    )
    # Half of the time on either flank is spent pressed, whatever a bounce did for some milliseconds before.
    most, least = -len(firm) // 6, len(firm) // 6
    wider = (firm[most] - firm[least] - light[most] + light[least]) * BOX.mean_normal_backlash_mm
    # Hooke at both ends, from the light torque on; the friction of the bearings holds a part of either.
    expected = 2.0 * (3.0 - soft.torque) * MESH.frame.closing_mm_per_rad() / soft.stiffness
    assert wider == pytest.approx(expected, rel=0.15)


def test_oil_on_a_flank_goes_with_its_time_constant_and_comes_back() -> None:
    mass = rocking_mass(replace(BOX, oil_film_mm=0.002, oil_film_s=0.05), MESH.frame, flank_time_s=0.022)
    gear = gear_in_gap(mass)
    bare = MESH.limits_rad(0)[1]
    assert bare - gear.high_rad == pytest.approx(mass.film_rad)
    per_ms, found = mass.steps_per_s // 1000, []
    for _ in range(300):
        gear.run(per_ms, lambda: Push(steps=per_ms, torque=mass.torque))
        found.append((bare - gear.angle_rad) / mass.film_rad)
    # Exponential decay from some time after contact on: a factor e in each 50 ms (definition of τ).
    assert found[120] / found[170] == pytest.approx(exp(1.0), rel=0.15)
    assert abs(found[299]) < 0.05
    gear.run(400 * per_ms, lambda: Push(steps=per_ms, torque=-mass.torque))
    assert bare - gear.high_rad == pytest.approx(mass.film_rad, rel=0.01)
    assert gear.low_rad == pytest.approx(MESH.limits_rad(0)[0], abs=0.01 * mass.film_rad)


def test_oil_does_not_depend_on_how_time_is_cut() -> None:
    mass = rocking_mass(replace(BOX, oil_film_mm=0.002), MESH.frame, flank_time_s=0.022)

    def angle_after(chunk: int) -> float:
        gear, rhythm = gear_in_gap(mass), Rhythm(SimulatedDrive(), mass, MESH.frame, seed=1)
        for done in range(0, 40_000, chunk):
            gear.run(min(chunk, 40_000 - done), rhythm.next_push)
        return gear.angle_rad

    assert angle_after(40_000) == angle_after(1) == angle_after(777)


@pytest.mark.parametrize("share", [0.1, 0.25, 0.4])
def test_a_gear_that_is_eased_off_leaves_its_flank_slowly(share: float) -> None:
    drive = SimulatedDrive(
        rocks_per_s=1.0, rhythm_jitter=0.0, slow_departure=0.4, slow_departure_gap_share=share
    )
    found = driven(drive, MASS, 4.0)
    # Each half rock of 0.5 s: 0.2 s at an even speed over that share of the gap, then across.
    for half in range(1, 7):
        begun, side = 500 * half, -1.0 if found[500 * half - 1] > 0.0 else 1.0
        left = [side * (place - found[begun]) for place in found[begun : begun + 500]]
        assert left[200] == pytest.approx(share, abs=0.05)
        assert left[100] == pytest.approx(share / 2.0, abs=0.05)
        assert left[300] == pytest.approx(1.0, abs=0.05)


def test_dwells_can_be_longer_on_one_flank() -> None:
    drive = SimulatedDrive(rocks_per_s=2.0, rhythm_jitter=0.0, forward_dwell_share=0.7)
    found = driven(drive, MASS, 8.0)
    ahead = sum(place > 0.48 for place in found) / len(found)
    behind = sum(place < -0.48 for place in found) / len(found)
    # Of half a second 0.35 s go to the forward half and 0.15 s to the other, less 40 ms each to settle.
    assert ahead == pytest.approx((0.35 - 0.04) / 0.5, abs=0.05)
    assert behind == pytest.approx((0.15 - 0.04) / 0.5, abs=0.05)
