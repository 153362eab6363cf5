"""How the gear is rocked: light, alternating, never quite regular; or wrongly, when a fault says so.

Decided here: torque against time, half rock by half rock. What the gear makes of it is `rocking`.
"""

from __future__ import annotations

from collections import deque
from random import Random
from typing import TYPE_CHECKING

from lashmap_daemon.simulated_stand.rocking import Push, RockingMass
from lashmap_daemon.simulated_stand.settings import Fault, SimulatedDrive

if TYPE_CHECKING:
    from lashmap_daemon.simulated_stand.mesh_frame import MeshFrame

_TURNOVER_S = 0.012
_TORQUE_SPREAD = 0.1
_FLANK_TIMES = 4.0
# Leaning on the gear, as force on the flanks: enough to press steel teeth together by micrometres.
_LEAN_N = (500.0, 2000.0)
_SLIP_MM = (0.01, 0.04)


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

    def restart(self) -> None:
        """Forget what was left of the half rock in hand."""
        self._queue.clear()

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
        even_s = max(0.5 / drive.rocks_per_s, _FLANK_TIMES * self._mass.flank_time_s)
        length_s = even_s * (1.0 + max(-0.5, chance.gauss(0.0, drive.rhythm_jitter)))
        turnover, length = int(_TURNOVER_S * per_s), int(length_s * per_s)
        hold = length - turnover
        pushes = [Push(steps=turnover, torque=torque)]
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
        else:
            pushes += [Push(steps=hold, torque=torque)]
        return pushes
