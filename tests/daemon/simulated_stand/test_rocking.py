"""The simulated gear as a mass between two flanks: energy, bounces, rest."""

from __future__ import annotations

import itertools
from dataclasses import replace
from math import atan2, exp, pi, sqrt

import pytest
from lashmap_daemon.simulated_stand import SimulatedBox
from lashmap_daemon.simulated_stand.mesh import Mesh
from lashmap_daemon.simulated_stand.rocking import Push, RockingGear, RockingMass, rocking_mass

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
    pressed_mm = (gear.angle_rad - gear.high_rad) * MESH.tip_mm_per_rad
    # Hooke: no more than torque over stiffness, no less than what friction cannot carry.
    most = MASS.torque / MASS.stiffness * MESH.tip_mm_per_rad
    least = (MASS.torque - MASS.friction) / MASS.stiffness * MESH.tip_mm_per_rad
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
