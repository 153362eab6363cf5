"""The gear as a mass that rocks in the gap: inertia, bearing friction, two flanks that push and never pull.

One degree of freedom, the gear's angle past its nominal place, in small steps of fixed length, speed first
(semi-implicit, so that contact does not gain energy). Each flank is a spring and a damper; the teeth's oil
and the drive's own softness are in the damper, so that bounces die out in some 10 to 20 ms. Bearing friction
is dry: a gear at rest stays exactly at rest until the torque moves it, and those steps are skipped. Shafts
and bearings that give way are a softer spring in line with the teeth. Oil between the flanks is a layer on
each, which goes while the gear rests on it and comes back when the gear has left.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from functools import cached_property
from math import ceil, exp, pi, sqrt
from random import Random
from typing import TYPE_CHECKING

from lashmap_daemon.simulated_stand.settings import Fault, SimulatedDrive

if TYPE_CHECKING:
    from collections.abc import Callable

    from lashmap_daemon.simulated_stand.geometry import MeshFrame
    from lashmap_daemon.simulated_stand.settings import SimulatedBox


# Tooth pair of steel: some 14 N per micrometre and millimetre of face width (order of size, from memory).
_STIFFNESS_N_PER_M_PER_MM = 14e6
# Share of critical damping at a flank, chosen so that a rebound keeps about a third of the speed.
_DAMPING_RATIO = 0.4
# A disc of the pitch diameter, half as much again for hub and shaft.
_STEEL_KG_PER_MM3 = 7.85e-6
_SHAFT_FACTOR = 1.5
# Light means that neither flank is pressed in by more than this, along its normal.
_MOST_PRESSED_MM = 5e-5
# Torque of the drive over that which accelerates the gear; bearing friction takes the rest.
_TORQUE_TO_MOVE = 1.5
_FEWEST_STEPS_PER_S = 50_000
_RADIANS_PER_STEP = 0.25
_FILM_STEPS_PER_S = 1000
_FILM_COMES_BACK = 0.2  # of the time in which it goes
_ON_FILM = 0.05  # of its first thickness: as near as that the gear rests on it


@dataclass(frozen=True, kw_only=True)
class RockingMass:
    """Constants of the motion, for angles of the gear.

    Attributes:
        inertia: kg·m².
        stiffness: Of one flank, N·m per radian.
        damping: Of one flank, N·m·s per radian.
        friction: Dry torque of the bearings, N·m.
        torque: Light torque of the drive, friction included, N·m.
        flank_time_s: Time in which that torque carries the gear across the mean gap.
        gap_rad: The mean gap.
        film_rad: Thickness of the oil on a flank when the gear comes to it.
        film_s: Time constant with which it goes.
    """

    inertia: float
    stiffness: float
    damping: float
    friction: float
    torque: float
    flank_time_s: float
    gap_rad: float
    film_rad: float = 0.0
    film_s: float = 1.0

    @cached_property
    def steps_per_s(self) -> int:
        """Steps in a second, a multiple of 1000, fine enough for the contact to be stable and smooth."""
        wanted = sqrt(self.stiffness / self.inertia) / _RADIANS_PER_STEP
        return max(_FEWEST_STEPS_PER_S, 1000 * ceil(wanted / 1000.0))


def rocking_mass(box: SimulatedBox, frame: MeshFrame, *, flank_time_s: float) -> RockingMass:
    """Return the constants for a box, the torque being just enough to cross the mean gap in a given time.

    A gear too heavy for that is given more time, or it would be pressed on its flanks by the effort.
    """
    radius_mm = box.outer_module_mm * box.gear_teeth / 2.0
    disc_kg = _STEEL_KG_PER_MM3 * pi * radius_mm**2 * box.face_width_mm
    inertia = _SHAFT_FACTOR * disc_kg * (radius_mm * 1e-3) ** 2 / 2.0
    mm_per_rad = frame.closing_mm_per_rad()
    teeth = _STIFFNESS_N_PER_M_PER_MM * box.face_width_mm * (mm_per_rad * 1e-3) ** 2
    stiffness = teeth / (1.0 + teeth * box.flank_compliance_mm_per_nm / mm_per_rad)
    gap_rad = box.mean_normal_backlash_mm / mm_per_rad
    most_torque = teeth * _MOST_PRESSED_MM / mm_per_rad
    lightly_s = sqrt(_TORQUE_TO_MOVE * 2.0 * inertia * gap_rad / most_torque)
    flank_time_s = max(flank_time_s, lightly_s)
    to_move = 2.0 * inertia * gap_rad / flank_time_s**2
    return RockingMass(
        inertia=inertia,
        stiffness=stiffness,
        damping=2.0 * _DAMPING_RATIO * sqrt(stiffness * inertia),
        friction=(_TORQUE_TO_MOVE - 1.0) * to_move,
        torque=_TORQUE_TO_MOVE * to_move,
        flank_time_s=flank_time_s,
        gap_rad=gap_rad,
        film_rad=box.oil_film_mm / mm_per_rad,
        film_s=box.oil_film_s,
    )


@dataclass(frozen=True, kw_only=True)
class Push:
    """A stretch of the drive's torque, which changes evenly from what it was.

    Attributes:
        steps: Its length.
        torque: What it ends at, N·m.
        slip_rad: By how much the pinion gives way at its start, as gear angle.
        grip: How firmly a steadying hand holds back, N·m·s per radian.
    """

    steps: int
    torque: float
    slip_rad: float = 0.0
    grip: float = 0.0


class RockingGear:
    """Angle and speed of the gear between two flanks."""

    def __init__(self, mass: RockingMass) -> None:
        """Put the gear at rest at angle 0, with its flanks still to be set."""
        self.mass = mass
        self.angle_rad = 0.0
        self.speed = 0.0
        self.torque = 0.0
        self.low_rad = 0.0
        self.high_rad = 0.0
        self.slipped_rad = 0.0
        self._left = 0
        self._slope = self._grip = 0.0
        self._film_rad = [0.0, 0.0]  # on the flanks behind and ahead
        self._to_film = 0
        self._steps_a_film = mass.steps_per_s // _FILM_STEPS_PER_S

    def place(self, low_rad: float, high_rad: float) -> None:
        """Put the gear at rest in the middle of a new gap, with no torque on it."""
        self.low_rad, self.high_rad = low_rad, high_rad
        self.angle_rad = (low_rad + high_rad) / 2.0
        self.speed = self.torque = self._slope = self._grip = 0.0
        self.slipped_rad = 0.0
        self._left = 0
        self._film_rad = [0.0, 0.0]
        self._to_film = self._steps_a_film
        self._lay_film(0, self.mass.film_rad)
        self._lay_film(1, self.mass.film_rad)

    def run(self, steps: int, next_push: Callable[[], Push]) -> None:
        """Let time pass; ask for the next stretch of torque whenever one is over."""
        oiled = self.mass.film_rad > 0.0
        while steps > 0:
            if self._left == 0:
                self._begin(next_push())
            now = min(steps, self._left)
            if oiled:
                now = min(now, self._to_film)
            self._integrate(now)
            self._left -= now
            steps -= now
            if oiled:
                self._to_film -= now
                if self._to_film == 0:
                    self._squeeze()

    def energy(self) -> float:
        """Return kinetic and spring energy, in J."""
        inside = max(0.0, self.angle_rad - self.high_rad, self.low_rad - self.angle_rad)
        return (self.mass.inertia * self.speed**2 + self.mass.stiffness * inside**2) / 2.0

    def _begin(self, push: Push) -> None:
        self._left = push.steps
        self._slope = (push.torque - self.torque) / push.steps
        self._grip = push.grip
        self.slipped_rad += push.slip_rad
        self.low_rad += push.slip_rad
        self.high_rad += push.slip_rad

    def _squeeze(self) -> None:
        """Let the oil go from the flank that the gear rests on, and come back on the other, for a while."""
        self._to_film = self._steps_a_film
        full, near = self.mass.film_rad, _ON_FILM * self.mass.film_rad
        goes = exp(-1.0 / _FILM_STEPS_PER_S / self.mass.film_s)
        comes = exp(-1.0 / _FILM_STEPS_PER_S / self.mass.film_s / _FILM_COMES_BACK)
        rests = self.angle_rad < self.low_rad + near, self.angle_rad > self.high_rad - near
        for side, pressed in enumerate(rests):
            film = self._film_rad[side]
            self._lay_film(side, film * goes if pressed else full - (full - film) * comes)

    def _lay_film(self, side: int, film_rad: float) -> None:
        more = film_rad - self._film_rad[side]
        self._film_rad[side] = film_rad
        if side == 0:
            self.low_rad += more
        else:
            self.high_rad -= more

    def _integrate(self, steps: int) -> None:
        mass = self.mass
        step_s = 1.0 / mass.steps_per_s
        gain, drag = step_s / mass.inertia, mass.friction * step_s / mass.inertia
        back = -drag
        stiffness, damping = mass.stiffness, mass.damping
        low, high, slope, grip = self.low_rad, self.high_rad, self._slope, self._grip
        angle, speed, torque = self.angle_rad, self.speed, self.torque
        for _ in range(steps):
            torque += slope
            net = torque - grip * speed if grip else torque
            if angle > high:
                contact = stiffness * (angle - high) + damping * speed
                if contact > 0.0:
                    net -= contact
            elif angle < low:
                contact = stiffness * (low - angle) - damping * speed
                if contact > 0.0:
                    net += contact
            before = speed
            speed += net * gain
            if speed > drag:
                speed -= drag
            elif speed < back:
                speed += drag
            else:
                speed = 0.0
                if before == 0.0 and torque + slope == torque:
                    break  # nothing changes any more, to the last digit
                continue
            angle += speed * step_s
        self.angle_rad, self.speed, self.torque = angle, speed, torque


# How the gear is rocked: light, alternating, never quite regular; or wrongly, when a fault says so.
#
# Decided here: torque against time, half rock by half rock. What the gear makes of it is `rocking`.


_TURNOVER_S = 0.012
_TORQUE_SPREAD = 0.1
_FLANK_TIMES = 4.0
# Leaning on the gear, as force on the flanks: enough to press steel teeth together by micrometres.
_LEAN_N = (500.0, 2000.0)
_SLIP_MM = (0.01, 0.04)
_LOCK_PLAY_MM = 0.02  # along the flank normal
_HALF_WAY = 0.7  # of the time across, at an even push
_LEAN_ON_S = 0.03
# How soon the hand that eases the gear off its flank has it at its own slow speed.
_GRIP_S = 0.003


class Rhythm:
    """The endless row of pushes that rocks the gear."""

    def __init__(self, drive: SimulatedDrive, mass: RockingMass, frame: MeshFrame, *, seed: int) -> None:
        """Start with a push forward."""
        self.fault = Fault.NONE
        self._drive = drive
        self._mass = mass
        self._closing_mm_per_rad = frame.closing_mm_per_rad()
        self._chance = Random(f"{seed}/rhythm")  # noqa: S311 - a simulation, not a secret
        self._sign = -1.0
        self._queue: deque[Push] = deque()
        self._in_lock = 0.0  # where a pinion with play in its lock sits, from -1 to 1

    def restart(self) -> None:
        """Forget what was left of the half rock in hand."""
        self._queue.clear()
        self._in_lock = 0.0

    def next_push(self) -> Push:
        """Return the next stretch of torque."""
        if not self._queue:
            self._queue.extend(self._half_rock())
        return self._queue.popleft()

    def _half_rock(self) -> list[Push]:
        chance, drive, per_s = self._chance, self._drive, self._mass.steps_per_s
        self._sign = 1.0 if self.fault is Fault.ONE_FLANK else -self._sign
        torque = self._sign * self._mass.torque * chance.uniform(1.0 - _TORQUE_SPREAD, 1.0 + _TORQUE_SPREAD)
        # A heavy gear that needs longer from flank to flank is rocked more slowly.
        forward = drive.forward_dwell_share if self._sign > 0.0 else 1.0 - drive.forward_dwell_share
        across_s = _FLANK_TIMES * self._mass.flank_time_s / (1.0 - drive.slow_departure)
        even_s = max(forward / drive.rocks_per_s, across_s)
        length_s = even_s * (1.0 + max(-0.5, chance.gauss(0.0, drive.rhythm_jitter)))
        turnover, length = int(_TURNOVER_S * per_s), int(length_s * per_s)
        eased = int(drive.slow_departure * length)
        pushes = self._ease_off(eased)
        hold = length - eased - turnover
        pushes += [Push(steps=turnover, torque=torque)]
        if self.fault is Fault.HEAVY:
            lean = torque + self._sign * chance.uniform(*_LEAN_N) * self._closing_mm_per_rad * 1e-3
            thirds = hold // 3
            pushes += [Push(steps=thirds, torque=torque), Push(steps=thirds, torque=lean)]
            pushes += [Push(steps=hold - 2 * thirds, torque=torque)]
        elif self.fault is Fault.SLIP and chance.random() < 0.4:
            before = int(hold * chance.uniform(0.6, 0.8))
            slip_rad = self._sign * chance.uniform(*_SLIP_MM) / self._closing_mm_per_rad
            pushes += [Push(steps=before, torque=torque)]
            pushes += [Push(steps=hold - before, torque=torque, slip_rad=slip_rad)]
        elif self.fault is Fault.LOOSE_LOCK:
            # While the gear is on its way: it lands where the end of the play holds the pinion, at once.
            across = min(int(_HALF_WAY * self._mass.flank_time_s * per_s), hold // 2)
            moved = (self._sign - self._in_lock) * _LOCK_PLAY_MM / 2.0 / self._closing_mm_per_rad
            self._in_lock = self._sign
            pushes += [Push(steps=across, torque=torque)]
            pushes += [Push(steps=hold - across, torque=torque, slip_rad=moved)]
        elif drive.press_torque_nm > 0.0:
            pushes += self._press(hold, torque)
        else:
            pushes += [Push(steps=hold, torque=torque)]
        return pushes

    def _ease_off(self, steps: int) -> list[Push]:
        """Lead the gear slowly off the flank that it was on, at an even speed, for so many steps."""
        if steps == 0:
            return []
        mass = self._mass
        grip = mass.inertia / _GRIP_S
        speed = self._drive.slow_departure_gap_share * mass.gap_rad * mass.steps_per_s / steps
        torque = self._sign * (mass.friction + grip * speed)
        turnover = min(int(_TURNOVER_S * mass.steps_per_s), steps)
        pushes = [Push(steps=turnover, torque=torque, grip=grip)]
        if steps > turnover:
            pushes.append(Push(steps=steps - turnover, torque=torque, grip=grip))
        return pushes

    def _press(self, steps: int, torque: float) -> list[Push]:
        """Go across lightly, then hold the gear on its flank as firmly as the drive is said to."""
        per_s = self._mass.steps_per_s
        light = min(int(2.0 * self._mass.flank_time_s * per_s), steps // 2)
        lean = min(int(_LEAN_ON_S * per_s), (steps - light) // 2)
        spread = self._chance.uniform(1.0 - _TORQUE_SPREAD, 1.0 + _TORQUE_SPREAD)
        firm = self._sign * max(self._drive.press_torque_nm * spread, abs(torque))
        return [
            Push(steps=light, torque=torque),
            Push(steps=lean, torque=firm),
            Push(steps=steps - light - lean, torque=firm),
        ]
