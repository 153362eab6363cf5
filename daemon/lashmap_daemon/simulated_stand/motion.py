"""How evenly a shaft is turned for a runout sweep: it gathers speed, then goes on a little unevenly.

Decided here: the swept member's angle against time. Which member, from where and how it ends is `motion`.
"""

from __future__ import annotations

from enum import Enum, auto
from math import cos, pi, radians, sin
from random import Random
from typing import TYPE_CHECKING

from lashmap_daemon.simulated_stand.mesh import Seat
from lashmap_daemon.simulated_stand.passes import BrakedGear, PassOrder, Turning, draw_brake
from lashmap_daemon.simulated_stand.rocking import Rhythm, RockingGear, rocking_mass
from lashmap_daemon.simulated_stand.settings import Fault

if TYPE_CHECKING:
    from lashmap_daemon.simulated_stand.mesh import Mesh
    from lashmap_daemon.simulated_stand.settings import Shaft, SimulatedDrive


# Share of the mean speed, and times per second, of the two swings in it.
_SWINGS = ((0.08, 0.37), (0.04, 1.3))
_GATHER_S = 0.4


class SweepSpeed:
    """One sweep's turning, always forward."""

    def __init__(self, turns_per_s: float, *, chance: Random) -> None:
        """Draw where in its swings the speed begins."""
        self._rad_per_s = 2.0 * pi * turns_per_s
        self._swings = [(share, 2.0 * pi * per_s, chance.uniform(0.0, 2.0 * pi)) for share, per_s in _SWINGS]

    def angle_rad(self, seconds: float) -> float:
        """Return how far the member has been turned since the sweep began."""
        run = _run_s(seconds)
        swung = sum(
            share * (sin(rate * run + start) - sin(start)) / rate for share, rate, start in self._swings
        )
        return self._rad_per_s * (run + swung)

    def speed_rad_per_s(self, seconds: float) -> float:
        """Return how fast it turns then."""
        run = _run_s(seconds)
        swing = sum(share * cos(rate * run + start) for share, rate, start in self._swings)
        return self._rad_per_s * (1.0 + swing) * min(1.0, seconds / _GATHER_S)


def _run_s(seconds: float) -> float:
    """Return the time at full speed that covers the same way."""
    if seconds < _GATHER_S:
        return seconds**2 / (2.0 * _GATHER_S)
    return seconds - _GATHER_S / 2.0


# What the stand does: rests, turns to the engagement it is asked for, sets the tip down, rocks or sweeps; or
# makes a pass with the tip lifted.
#
# Decided here: the order and length of these phases, and the angles of both shafts and the lift of the tip
# at any step. Turning happens with the tip lifted off the tooth; the pinion is locked again on arrival, not
# quite where it should be, and the gear then rocks between the flanks that meet there. For a runout sweep
# the tip goes to the swept member's pitch surface instead, and both shafts, free now, are turned on from
# where they are. For a pass the brake is put on the gear, and the pinion turned on from where it is.


_LIFT_S = 0.08
_STILL_S = 0.06
_LOWER_S = 0.12
_SETTLE_S = 0.15
_POISED_S = 1.0
_BRAKING_S = 1.0
_SHORTEST_TURN_S = 0.12
# Seen to be together, the marks are said so without hands: a knock, as the recording program takes it.
_STANDS_S = 1.4
_KNOCK_TEETH = 3
_TURNS_BACK_S = 0.1


class Phase(Enum):
    """What the stand is doing."""

    REST = auto()
    LIFTING = auto()
    TURNING = auto()
    STILL = auto()
    LOWERING = auto()
    SETTLING = auto()
    ROCKING = auto()
    STANDING = auto()
    POISED = auto()
    SWEEPING = auto()
    BRAKING = auto()
    PASSING = auto()


_TO_ROCK = {
    Phase.LIFTING: Phase.TURNING,
    Phase.TURNING: Phase.STILL,
    Phase.STILL: Phase.LOWERING,
    Phase.LOWERING: Phase.SETTLING,
    Phase.SETTLING: Phase.ROCKING,
}
# A turn that is under way when a sweep is asked for is finished first.
_TO_SWEEP = {
    Phase.LIFTING: Phase.STILL,
    Phase.TURNING: Phase.STILL,
    Phase.STILL: Phase.LOWERING,
    Phase.LOWERING: Phase.POISED,
    Phase.POISED: Phase.SWEEPING,
}
_TO_PASS = {
    Phase.LIFTING: Phase.BRAKING,
    Phase.TURNING: Phase.BRAKING,
    Phase.BRAKING: Phase.PASSING,
    Phase.PASSING: Phase.REST,
}
_LASTING_S = {
    Phase.LIFTING: _LIFT_S,
    Phase.STILL: _STILL_S,
    Phase.LOWERING: _LOWER_S,
    Phase.SETTLING: _SETTLE_S,
    Phase.POISED: _POISED_S,
    Phase.BRAKING: _BRAKING_S,
}
_TIP_DOWN = {Phase.SETTLING, Phase.ROCKING, Phase.POISED, Phase.SWEEPING}


class Motion:
    """The phases of the stand, counted in steps from its start.

    Attributes:
        next_change: Step at which the phase in hand is over; None when it lasts until something is asked.
    """

    def __init__(self, mesh: Mesh, drive: SimulatedDrive, *, seed: int) -> None:
        """Rest at the matched teeth, tip lifted."""
        self._mesh = mesh
        self._drive = drive
        mass = rocking_mass(mesh.box, mesh.frame, flank_time_s=drive.flank_time_s)
        self.steps_per_s = mass.steps_per_s
        self._gear = RockingGear(mass)
        self._rhythm = Rhythm(drive, mass, mesh.frame, seed=seed)
        self._chance = Random(f"{seed}/stops")  # noqa: S311 - a simulation, not a secret
        self._sweeps = Random(f"{seed}/sweeps")  # noqa: S311 - a simulation, not a secret
        self.phase = Phase.REST
        self._rocking = self._tip_down = False  # as the phase says; asked for with every line
        self.touchdowns = 0
        self.touched: Shaft | None = None
        self._target: int | None = None
        self._rolled = self._arrived_rolled = 0.0  # pitches past the whole engagement: asked for, and there
        self._member: Shaft | None = None
        self._order: PassOrder | None = None
        self._braked: BrakedGear | None = None
        self._passes = Random(f"{seed}/passes")  # noqa: S311 - a simulation, not a secret
        self._phases_rad = [self._passes.uniform(0.0, 2.0 * pi) for _ in range(3)]
        self._walk: list[tuple[int, float]] = []  # engagements to stand at, and how long
        self._speed = SweepSpeed(drive.sweep_turns_per_s, chance=self._sweeps)
        self._swept_rad = self._swept_rad_per_s = 0.0
        self._heading = self._engagement = 0
        self._locked_rad = 0.0
        self._seats = Random(f"{seed}/seats")  # noqa: S311 - a simulation, not a secret
        self._tip_mm_per_rad = mesh.tip.mm_per_rad
        self._step = self._since = 0
        low, high = mesh.limits_rad(0)
        # The encoder was set where the middle of the rock at the matched teeth was found.
        self._matched_rad = (low + high) / 2.0
        self._arrive()
        self.next_change: int | None = None
        self._lift_from = 1.0
        self._turn_from = (0.0, 0.0)

    @property
    def fault(self) -> Fault:
        """The fault of the hand that rocks; those of the instruments do not matter here."""
        return self._rhythm.fault

    @fault.setter
    def fault(self, fault: Fault) -> None:
        self._rhythm.fault = fault

    def ask(self, engagement: int, rolled: float = 0.0) -> None:
        """Go to an engagement, rolled on by so many pitches, and rock; go on when that is being done."""
        if (engagement, rolled) == (self._target, self._rolled):
            return
        self._target, self._rolled, self._member, self._order = engagement, rolled, None, None
        self._walk.clear()
        if self.phase is Phase.TURNING:
            self._enter(Phase.TURNING)
        elif self.phase is not Phase.LIFTING:
            self._enter(Phase.LIFTING)

    def rest(self) -> None:
        """Lift the tip and leave the gear alone; a turn that is under way is finished first."""
        in_hand = (self._target, self._member, self._order)
        if any(one is not None for one in in_hand) or self._walk:
            self._leave_off()

    def see_mark(self, member: Shaft) -> None:
        """Bring the marked tooth of a member into the mesh, at the nearest of its turns, and knock there.

        The teeth themselves are gone by, whatever an encoder says of them.
        """
        self._leave_off()
        teeth = self._mesh.box.gear_teeth if member == "gear" else self._mesh.box.pinion_teeth
        mark = teeth * round(self.gear_rad() / self._nominal_rad(1) / teeth)
        self._walk = [(mark, _STANDS_S), (mark + _KNOCK_TEETH, _TURNS_BACK_S), (mark, _STANDS_S)]
        if self.phase is Phase.TURNING:
            self._enter(Phase.TURNING)

    def sweep(self, member: Shaft) -> None:
        """Set the tip on a member's pitch surface and turn it; go on as before when that is being done."""
        if member != self._member:
            self._leave_off()
            self._member = member

    def make_pass(self, order: PassOrder) -> None:
        """Turn the pinion one way against a brake on the gear, then rest; once for each order."""
        if order != self._order:
            self._leave_off()
            self._order = order

    @property
    def pass_is_over(self) -> bool:
        """Whether the pass that was asked for last has ended."""
        return self._order is not None and self.phase is Phase.REST

    @property
    def past_half(self) -> bool:
        """Whether the second half of a pass is in hand."""
        if self.phase is not Phase.PASSING or self.next_change is None:
            return False
        return 2 * (self._step - self._since) > self.next_change - self._since

    def _leave_off(self) -> None:
        self._target = self._member = self._order = None
        self._walk.clear()
        if self.phase not in {Phase.TURNING, Phase.LIFTING}:
            self._enter(Phase.LIFTING)

    def run_to(self, step: int) -> None:
        """Let time pass up to a step that is not beyond the next change, then change if it is due."""
        if self._rocking:
            self._gear.run(step - self._step, self._rhythm.next_push)
        self._step = step
        if step == self.next_change:
            if self.phase is Phase.TURNING:
                self._arrive()
            if self._target is not None:
                self._enter(_TO_ROCK[self.phase])
            elif self._walk:
                self._enter(Phase.STANDING if self.phase is Phase.TURNING else Phase.TURNING)
            elif self._order is not None:
                self._enter(_TO_PASS[self.phase])
            else:
                self._enter(Phase.REST if self._member is None else _TO_SWEEP[self.phase])

    def gear_rad(self) -> float:
        """Return how far the gear has turned past the matched teeth."""
        return self._shafts()[0]

    def pinion_rad(self) -> float:
        """Return how far the pinion has turned past the matched teeth, in its own angle."""
        return self._shafts()[1] * self._mesh.box.gear_teeth / self._mesh.box.pinion_teeth

    def tip_mm(self) -> float:
        """Return how far the tooth under the tip is past where it was nominally to go."""
        return (self._gear.angle_rad - self._arrived_rolled * self._nominal_rad(1)) * self._tip_mm_per_rad

    def lift(self) -> float:
        """Return how far the tip is off the tooth, from 0 on it to 1 out of reach."""
        if self._tip_down:
            return 0.0
        if self.phase is Phase.LIFTING:
            return self._lift_from + (1.0 - self._lift_from) * self._eased()
        if self.phase is Phase.LOWERING:
            return 1.0 - self._eased()
        return 1.0

    def _shafts(self) -> tuple[float, float]:
        """Return the angles of gear and pinion past the matched teeth, both as gear angle."""
        if self._braked is not None:
            return self._braked.shafts_rad((self._step - self._since) / self.steps_per_s)
        if self._rocking or self.phase is not Phase.TURNING:
            turned_on = self._swept_rad if self._rocking else self._turned_on()[0]
            base = self._nominal_rad(self._engagement) + turned_on
            return base + self._gear.angle_rad, base + self._locked_rad + self._gear.slipped_rad
        goal = self._nominal_rad(self._heading) + self._locked_rad
        done = self._eased()
        gear, pinion = self._turn_from
        return gear + (goal - gear) * done, pinion + (goal - pinion) * done

    def _turned_on(self) -> tuple[float, float]:
        """Return how far a sweep has turned the gear on from its engagement, and how fast it goes."""
        seconds = (self._step - self._since) / self.steps_per_s
        if self.phase is Phase.SWEEPING:
            box = self._mesh.box
            per_member = 1.0 if self.touched == "gear" else box.pinion_teeth / box.gear_teeth
            way = self._speed.angle_rad(seconds) * per_member
            return self._swept_rad + way, self._speed.speed_rad_per_s(seconds) * per_member
        if self.phase is Phase.PASSING:
            return self._swept_rad, self._swept_rad_per_s
        if self.phase is Phase.LIFTING and self.next_change is not None:
            # Braked evenly while the tip lifts.
            lasts_s = (self.next_change - self._since) / self.steps_per_s
            way = self._swept_rad_per_s * (seconds - seconds**2 / (2.0 * lasts_s))
            return self._swept_rad + way, self._swept_rad_per_s * (1.0 - seconds / lasts_s)
        return self._swept_rad, 0.0

    def _nominal_rad(self, engagement: int) -> float:
        return engagement * 2.0 * pi / self._mesh.box.gear_teeth

    def _eased(self) -> float:
        if self.next_change is None:
            return 1.0
        done = (self._step - self._since) / (self.next_change - self._since)
        return done * done * (3.0 - 2.0 * done)

    def _enter(self, phase: Phase) -> None:
        seconds = _LASTING_S.get(phase)
        if self._braked is not None:
            self._end_pass()
        if phase is Phase.LIFTING:
            self._lift_from = self.lift()
        elif phase is Phase.TURNING:
            seconds = self._set_out()
        elif phase is Phase.STANDING:
            seconds = self._walk.pop(0)[1]
        elif phase is Phase.LOWERING:
            self.touchdowns += 1
        elif phase is Phase.ROCKING:
            self._rhythm.restart()
        elif phase is Phase.SWEEPING:
            self._speed = SweepSpeed(self._drive.sweep_turns_per_s, chance=self._sweeps)
        elif phase is Phase.PASSING and self._order is not None:
            seconds = self._begin_pass(self._order)
        self._swept_rad, self._swept_rad_per_s = self._turned_on()
        if phase is Phase.LOWERING:
            self.touched = self._member
            if self.touched is None:
                self._tip_mm_per_rad = self._mesh.tip.set_down()
        self.phase, self._rocking, self._tip_down = phase, phase is Phase.ROCKING, phase in _TIP_DOWN
        self._since = self._step
        self.next_change = None if seconds is None else self._step + max(1, round(seconds * self.steps_per_s))

    def _set_out(self) -> float:
        """Start to turn from wherever the shafts are; return how long it takes, in seconds."""
        self._turn_from = self._shafts()
        if self._walk:  # held in the very place, so that whatever is asked next is as without it
            self._heading, self._locked_rad = self._walk[0][0], 0.0
        else:
            if self._target is not None:
                self._heading = self._target
            self._locked_rad = radians(self._chance.gauss(0.0, self._drive.position_error_deg))
            if self._target is not None:
                self._locked_rad += self._rolled * self._nominal_rad(1)
        way_rad = abs(self._nominal_rad(self._heading) - self._turn_from[0])
        return max(_SHORTEST_TURN_S, way_rad / self._nominal_rad(1) / self._drive.index_teeth_per_s)

    def _begin_pass(self, order: PassOrder) -> float:
        """Begin to turn the pinion against the brake; return how long it takes, in seconds."""
        mesh, drive, mass = self._mesh, self._drive, self._gear.mass
        gear_rad, pinion_rad = self._shafts()
        pitch_rad = self._nominal_rad(1)
        turning = Turning(
            order,
            drive,
            from_place=pinion_rad / pitch_rad,
            pinion_teeth=mesh.box.pinion_teeth,
            ripple_rad=(self._phases_rad[0], self._phases_rad[1]),
            chance=self._passes,
        )
        brake = draw_brake(
            order,
            drive,
            mass,
            forgotten=self.fault is Fault.NO_BRAKE,
            lasts_s=turning.lasts_s,
            phase_rad=self._phases_rad[2],
            chance=self._passes,
        )
        low_sat, high_sat = mesh.sat_rad(self._seat(self._passes))

        def limits_rad(place: float) -> tuple[float, float]:
            low, high = mesh.limits_at_rad(place)
            return low + low_sat - self._matched_rad, high + high_sat - self._matched_rad

        self._braked = BrakedGear(
            turning,
            brake,
            mass,
            limits_rad,
            forward=order.direction == "forward",
            pitch_rad=pitch_rad,
            gear_rad=gear_rad,
        )
        return turning.lasts_s

    def _end_pass(self) -> None:
        """Stand where the pass has got to; nothing has locked the pinion there."""
        gear_rad, pinion_rad = self._shafts()
        self._swept_rad_per_s = 0.0 if self._braked is None else self._braked.speed_rad_per_s
        self._braked = None
        self._engagement = round(pinion_rad / self._nominal_rad(1))
        self._locked_rad = self._gear.slipped_rad = 0.0
        self._swept_rad = pinion_rad - self._nominal_rad(self._engagement)
        self._gear.angle_rad = gear_rad - pinion_rad

    def _seat(self, chance: Random, roll: float = 0.0) -> Seat:
        """Draw how the members sit, as warm as all is now."""
        gear_mm, pinion_mm = self._mesh.grown_out_mm(self._step / self.steps_per_s)
        return Seat(
            roll=roll,
            gear_out_mm=gear_mm + chance.gauss(0.0, self._mesh.box.gear_seating_mm),
            pinion_out_mm=pinion_mm,
        )

    def _arrive(self) -> None:
        """Lock the pinion; how the members sit then holds until the next turn, as does their temperature."""
        self._engagement = self._heading
        self._arrived_rolled = 0.0 if self._target is None else self._rolled
        self._swept_rad = 0.0
        seat = self._seat(self._seats, roll=self._locked_rad / self._nominal_rad(1))
        low, high = self._mesh.limits_rad(self._engagement, seat)
        shift = self._locked_rad - self._matched_rad
        self._gear.place(low + shift, high + shift)
