"""What the stand does: rests, turns to the engagement it is asked for, sets the tip down, rocks.

Decided here: the order and length of these phases, and the angles of both shafts and the lift of the tip at
any step. Turning happens with the tip lifted off the tooth; the pinion is locked again on arrival, not quite
where it should be, and the gear then rocks between the flanks that meet there.
"""

from __future__ import annotations

from enum import Enum, auto
from math import pi, radians
from random import Random
from typing import TYPE_CHECKING

from lashmap_daemon.simulated_stand.rhythm import Rhythm
from lashmap_daemon.simulated_stand.rocking import RockingGear, rocking_mass

if TYPE_CHECKING:
    from lashmap_daemon.simulated_stand.mesh import Mesh
    from lashmap_daemon.simulated_stand.settings import Fault, SimulatedDrive

_LIFT_S = 0.08
_STILL_S = 0.06
_LOWER_S = 0.12
_SETTLE_S = 0.15
_SHORTEST_TURN_S = 0.12


class Phase(Enum):
    """What the stand is doing."""

    REST = auto()
    LIFTING = auto()
    TURNING = auto()
    STILL = auto()
    LOWERING = auto()
    SETTLING = auto()
    ROCKING = auto()


_NEXT = {
    Phase.LIFTING: Phase.TURNING,
    Phase.TURNING: Phase.STILL,
    Phase.STILL: Phase.LOWERING,
    Phase.LOWERING: Phase.SETTLING,
    Phase.SETTLING: Phase.ROCKING,
}


class Motion:
    """The phases of the stand, counted in steps from its start."""

    def __init__(self, mesh: Mesh, drive: SimulatedDrive, *, seed: int) -> None:
        """Rest at the matched teeth, tip lifted."""
        self._mesh = mesh
        self._drive = drive
        mass = rocking_mass(mesh.box, mesh.frame, flank_time_s=drive.flank_time_s)
        self.steps_per_s = mass.steps_per_s
        self._gear = RockingGear(mass)
        self._rhythm = Rhythm(drive, mass, mesh.frame, seed=seed)
        self._chance = Random(f"{seed}/stops")  # noqa: S311 - a simulation, not a secret
        self.phase = Phase.REST
        self.touchdowns = 0
        self._target: int | None = None
        self._heading = self._engagement = 0
        self._locked_rad = 0.0
        low, high = mesh.limits_rad(0)
        # The encoder was set where the middle of the rock at the matched teeth was found.
        self._matched_rad = (low + high) / 2.0
        self._arrive()
        self._step = self._since = 0
        self._until: int | None = None
        self._lift_from = 1.0
        self._turn_from = (0.0, 0.0)

    @property
    def fault(self) -> Fault:
        """The fault of the hand that rocks; those of the instruments do not matter here."""
        return self._rhythm.fault

    @fault.setter
    def fault(self, fault: Fault) -> None:
        self._rhythm.fault = fault

    @property
    def next_change(self) -> int | None:
        """Step at which the phase in hand is over; None when it lasts until something is asked."""
        return self._until

    def ask(self, engagement: int) -> None:
        """Go to an engagement and rock there; go on as before when that is already being done."""
        if engagement == self._target:
            return
        self._target = engagement
        if self.phase is Phase.TURNING:
            self._enter(Phase.TURNING)
        elif self.phase is not Phase.LIFTING:
            self._enter(Phase.LIFTING)

    def rest(self) -> None:
        """Lift the tip and leave the gear alone; a turn that is under way is finished first."""
        if self._target is None:
            return
        self._target = None
        if self.phase not in {Phase.TURNING, Phase.LIFTING}:
            self._enter(Phase.LIFTING)

    def run_to(self, step: int) -> None:
        """Let time pass up to a step that is not beyond the next change, then change if it is due."""
        if self.phase is Phase.ROCKING:
            self._gear.run(step - self._step, self._rhythm.next_push)
        self._step = step
        if step == self._until:
            if self.phase is Phase.TURNING:
                self._arrive()
            given_up = self._target is None and self.phase in {Phase.LIFTING, Phase.TURNING}
            self._enter(Phase.REST if given_up else _NEXT[self.phase])

    def gear_rad(self) -> float:
        """Return how far the gear has turned past the matched teeth."""
        return self._shafts()[0]

    def pinion_rad(self) -> float:
        """Return how far the pinion has turned past the matched teeth, in its own angle."""
        return self._shafts()[1] * self._mesh.box.gear_teeth / self._mesh.box.pinion_teeth

    def tip_rad(self) -> float:
        """Return the gear angle that the tip feels, past the engagement's nominal one."""
        return self._gear.angle_rad

    def lift(self) -> float:
        """Return how far the tip is off the tooth, from 0 on it to 1 out of reach."""
        if self.phase is Phase.LIFTING:
            return self._lift_from + (1.0 - self._lift_from) * self._eased()
        if self.phase is Phase.LOWERING:
            return 1.0 - self._eased()
        return 0.0 if self.phase in {Phase.SETTLING, Phase.ROCKING} else 1.0

    def _shafts(self) -> tuple[float, float]:
        """Return the angles of gear and pinion past the matched teeth, both as gear angle."""
        nominal = self._nominal_rad(self._engagement)
        if self.phase is not Phase.TURNING:
            return nominal + self._gear.angle_rad, nominal + self._locked_rad + self._gear.slipped_rad
        goal = self._nominal_rad(self._heading) + self._locked_rad
        done = self._eased()
        gear, pinion = self._turn_from
        return gear + (goal - gear) * done, pinion + (goal - pinion) * done

    def _nominal_rad(self, engagement: int) -> float:
        return engagement * 2.0 * pi / self._mesh.box.gear_teeth

    def _eased(self) -> float:
        if self._until is None:
            return 1.0
        done = (self._step - self._since) / (self._until - self._since)
        return done * done * (3.0 - 2.0 * done)

    def _enter(self, phase: Phase) -> None:
        seconds: float | None = None
        if phase is Phase.LIFTING:
            self._lift_from, seconds = self.lift(), _LIFT_S
        elif phase is Phase.TURNING:
            seconds = self._set_out()
        elif phase is Phase.STILL:
            seconds = _STILL_S
        elif phase is Phase.LOWERING:
            self.touchdowns += 1
            seconds = _LOWER_S
        elif phase is Phase.SETTLING:
            seconds = _SETTLE_S
        else:
            self._rhythm.restart()
        self.phase = phase
        self._since = self._step
        self._until = None if seconds is None else self._step + max(1, round(seconds * self.steps_per_s))

    def _set_out(self) -> float:
        """Start to turn from wherever the shafts are; return how long it takes, in seconds."""
        self._turn_from = self._shafts()
        if self._target is not None:
            self._heading = self._target
        self._locked_rad = radians(self._chance.gauss(0.0, self._drive.position_error_deg))
        way_rad = abs(self._nominal_rad(self._heading) - self._turn_from[0])
        return max(_SHORTEST_TURN_S, way_rad / self._nominal_rad(1) / self._drive.index_teeth_per_s)

    def _arrive(self) -> None:
        self._engagement = self._heading
        low, high = self._mesh.limits_rad(self._engagement)
        shift = self._locked_rad - self._matched_rad
        self._gear.place(low + shift, high + shift)
