"""How the pinion is turned over a mesh cycle, and how the braked gear follows on one flank, or loses it.

Decided here: the pinion's angle against time in one pass, and where the gear stands meanwhile: a mass with a
brake, between the two flanks that the teeth have at that very angle, which can push it and never pull. What
the flanks are is `mesh`; when a pass begins and what comes after is `motion`.

The gear is carried from one thousandth of a second to the next (speed first, as in `rocking`; a flank that
it would go through takes it along at once, without a rebound). At an instant between it is asked where it
would be by then. Places count engagements past the matched teeth, angles are those of the gear.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, floor, pi, sin
from typing import TYPE_CHECKING, Literal, TypeVar

from lashmap_daemon.simulated_stand.settings import StandError

if TYPE_CHECKING:
    from collections.abc import Callable
    from random import Random

    from lashmap_daemon.simulated_stand.rocking import RockingMass
    from lashmap_daemon.simulated_stand.settings import SimulatedDrive

Direction = Literal["forward", "back"]
_Setting = TypeVar("_Setting", float, float | None)
# Whoever turns stops some of a tooth too late, never too early.
_TOO_FAR = (0.2, 0.8)
# Swings per second of a speed that wanders; each has half of it.
_WANDERS = (0.21, 0.83)
_LIGHT_TORQUES = 5.0  # of the one that rocks the gear, in a brake that nobody has set
_ROUNDS = 40
_CARRIED_PER_S = 1000
_AT_ONCE_S = 1e-9
# What throws the gear off its flank: how long it lasts, and its torque over the brake's.
_THROWN_S = (0.02, 0.2)
_THROWN = (1.2, 3.0)
# The weight that hangs on a gear whose brake was forgotten, over what its bearings hold.
_HANGING = 3.0


@dataclass(frozen=True, kw_only=True)
class PassOrder:
    """What is asked for: the pinion turned one way.

    Attributes:
        number: Of the pass, from 1; numbers 1 and 2 are the first pair.
        direction: Of both shafts' angles.
        engagements: How far, in gear teeth.
        attempt: Which try at this pass, from 1.
        most_deg_per_s: Of the pinion; None where nobody says.
    """

    number: int
    direction: Direction
    engagements: int
    attempt: int = 1
    most_deg_per_s: float | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot be turned.

        Raises:
            StandError: Naming the field.
        """
        if self.direction not in {"forward", "back"}:
            raise StandError(what="direction", expected="'forward' or 'back'", got=self.direction)
        for name in ("number", "engagements", "attempt"):
            if getattr(self, name) < 1:
                raise StandError(what=name, expected="at least 1", got=getattr(self, name))

    @property
    def sign(self) -> float:
        """1.0 forward, -1.0 back."""
        return 1.0 if self.direction == "forward" else -1.0

    def of_pair(self, first: _Setting, second: float | None) -> _Setting:
        """Return a setting for the first pair and every other one from there, or for the second."""
        return first if second is None or (self.number - 1) // 2 % 2 == 0 else second


class Turning:
    """The pinion's place against time in one pass; it never turns back.

    Attributes:
        lasts_s: Until it stands still again.
    """

    def __init__(
        self,
        order: PassOrder,
        drive: SimulatedDrive,
        *,
        from_place: float,
        pinion_teeth: int,
        ripple_rad: tuple[float, float],
        chance: Random,
    ) -> None:
        """Draw how fast, how evenly and how far.

        Args:
            order: What is asked for.
            drive: Who turns.
            from_place: Where the pinion stands.
            pinion_teeth: Engagements in its turn.
            ripple_rad: Phases of the ripple of every turn and of every engagement, at the matched teeth.
            chance: To draw from.
        """
        asked = order.of_pair(drive.pass_deg_per_s, drive.second_pass_deg_per_s)
        if order.most_deg_per_s is not None:
            asked = min(asked, order.most_deg_per_s)
        spread = min(max(chance.gauss(1.0, drive.pass_speed_spread), 0.5), 1.5)
        self._per_s = asked * spread * pinion_teeth / 360.0
        self._from, self._sign = from_place, order.sign
        self._wander = [
            (drive.pass_wander / 2.0, 2.0 * pi * per_s, chance.uniform(0.0, 2.0 * pi)) for per_s in _WANDERS
        ]
        shares = (drive.pass_turn_ripple, drive.pass_mesh_ripple)
        self._ripple = [
            # A ripple belongs to the shaft's angle, whichever way it is turned.
            (share, 2.0 * pi / every, order.sign * (2.0 * pi * from_place / every + start))
            for share, every, start in zip(shares, (pinion_teeth, 1.0), ripple_rad, strict=True)
            if share
        ]
        self._stands, self._jerk = drive.stick_slip, drive.stick_slip_teeth
        far = order.engagements + chance.uniform(*_TOO_FAR) + (self._jerk if self._stands else 0.0)
        self._way = far
        for _ in range(_ROUNDS):
            self._way = far - self._rippled(self._way)
        self._run_up_s = min(drive.pass_run_up_s, self._way / self._per_s)
        self._even_s = self._way / self._per_s + self._run_up_s
        self.lasts_s = self._ends_s()

    def place(self, seconds: float) -> float:
        """Return where the pinion is, so long after the pass began."""
        way = self._evenly(self._run_s(seconds))
        way += self._rippled(way)
        return self._from + self._sign * (self._jerked(way) if self._stands else way)

    def _rippled(self, way: float) -> float:
        """Return how far a way is ahead of an even drive's."""
        return sum(
            share * (sin(rate * way + start) - sin(start)) / rate for share, rate, start in self._ripple
        )

    def _run_s(self, seconds: float) -> float:
        """Return the time that an even drive would have run by then."""
        return seconds + sum(
            share * (sin(rate * seconds + start) - sin(start)) / rate for share, rate, start in self._wander
        )

    def _evenly(self, run_s: float) -> float:
        if run_s >= self._even_s:
            return self._way
        up_s = self._run_up_s
        if run_s < up_s:
            return self._per_s * run_s**2 / (2.0 * up_s)
        left_s = self._even_s - run_s
        if left_s < up_s:
            return self._way - self._per_s * left_s**2 / (2.0 * up_s)
        return self._per_s * (run_s - up_s / 2.0)

    def _jerked(self, way: float) -> float:
        """Stand for a share of each jerk, then catch up."""
        jerk = floor(way / self._jerk)
        moved = max(0.0, way / self._jerk - jerk - self._stands) / (1.0 - self._stands)
        return self._jerk * (jerk + moved * moved * (3.0 - 2.0 * moved))

    def _ends_s(self) -> float:
        low_s, high_s = 0.0, 2.0 * self._even_s
        for _ in range(60):
            middle_s = (low_s + high_s) / 2.0
            low_s, high_s = (middle_s, high_s) if self._run_s(middle_s) < self._even_s else (low_s, middle_s)
        return high_s


@dataclass(frozen=True, kw_only=True)
class Brake:
    """What holds the gear back in one pass, N·m.

    Attributes:
        torque: On average.
        variation: Share of it by which it swings in a turn of the gear.
        phase_rad: Where in its turn.
        hangs: Torque of a weight that pulls the gear one way, whichever way it turns.
        thrown: From when to when, in seconds, and how hard the gear is thrown on.
    """

    torque: float
    variation: float
    phase_rad: float
    hangs: float
    thrown: tuple[tuple[float, float, float], ...]

    def at(self, gear_rad: float) -> float:
        """Return its torque at an angle of the gear."""
        return self.torque * (1.0 + self.variation * cos(gear_rad + self.phase_rad))

    def push(self, seconds: float) -> float:
        """Return what throws the gear on at a time."""
        return sum(
            most * sin(pi * (seconds - begin) / (end - begin))
            for begin, end, most in self.thrown
            if begin < seconds < end
        )


def draw_brake(
    order: PassOrder,
    drive: SimulatedDrive,
    mass: RockingMass,
    *,
    forgotten: bool,
    lasts_s: float,
    phase_rad: float,
    chance: Random,
) -> Brake:
    """Draw what the brake does in a pass that lasts so long."""
    set_nm = order.of_pair(drive.brake_nm, drive.second_brake_nm)
    torque = _LIGHT_TORQUES * mass.torque if set_nm is None else set_nm
    hangs = 0.0
    if forgotten:
        torque, hangs = mass.friction, -_HANGING * mass.friction
    thrown = []
    begin_s = chance.expovariate(drive.contact_losses / lasts_s) if drive.contact_losses else lasts_s
    while begin_s < lasts_s:
        end_s = begin_s + chance.uniform(*_THROWN_S)
        thrown.append((begin_s, end_s, order.sign * chance.uniform(*_THROWN) * torque))
        begin_s = end_s + chance.expovariate(drive.contact_losses / lasts_s)
    return Brake(
        torque=torque,
        variation=drive.brake_variation,
        phase_rad=phase_rad,
        hangs=hangs,
        thrown=tuple(thrown),
    )


class BrakedGear:
    """Gear and pinion in one pass, asked for at ever later times."""

    def __init__(
        self,
        turning: Turning,
        brake: Brake,
        mass: RockingMass,
        limits_rad: Callable[[float], tuple[float, float]],
        *,
        forward: bool,
        pitch_rad: float,
        gear_rad: float,
    ) -> None:
        """Begin with the gear at rest.

        Args:
            turning: Of the pinion.
            brake: On the gear.
            mass: Of the gear, and how stiff its teeth and shafts are.
            limits_rad: Gear angles past the pinion's at which the teeth touch behind and ahead, at a place.
            forward: Which way.
            pitch_rad: The gear's angle from tooth to tooth.
            gear_rad: Where the gear stands.
        """
        self._turning, self._brake, self._mass = turning, brake, mass
        self._limits_rad, self._forward, self._pitch_rad = limits_rad, forward, pitch_rad
        self._angle, self._speed = gear_rad, 0.0
        self._number = 0  # of the thousandth that was reached
        self._reached = gear_rad, turning.place(0.0) * pitch_rad

    def shafts_rad(self, seconds: float) -> tuple[float, float]:
        """Return the angles of gear and pinion, the pinion's too as angle of the gear."""
        number = floor((seconds + _AT_ONCE_S) * _CARRIED_PER_S)
        while self._number < number:
            self._number += 1
            self._reached = self._carried(self._number / _CARRIED_PER_S, 1.0 / _CARRIED_PER_S)
            self._speed = (self._reached[0] - self._angle) * _CARRIED_PER_S
            self._angle = self._reached[0]
        later_s = seconds - self._number / _CARRIED_PER_S
        return self._carried(seconds, later_s) if later_s > _AT_ONCE_S else self._reached

    @property
    def speed_rad_per_s(self) -> float:
        """How fast the gear turned last."""
        return self._speed

    def _carried(self, seconds: float, later_s: float) -> tuple[float, float]:
        """Return where the gear gets to in a moment that ends then, and where the pinion is."""
        place = self._turning.place(seconds)
        pinion = place * self._pitch_rad
        low, high = self._limits_rad(place)
        brake, per_inertia = self._brake, later_s / self._mass.inertia
        drag = brake.at(self._angle)
        # Teeth and shafts give way under what the brake holds, on the flank that drives.
        wound = (drag - (brake.hangs if self._forward else -brake.hangs)) / self._mass.stiffness
        if self._forward:
            low -= wound
        else:
            high += wound
        speed = self._speed + (brake.hangs + brake.push(seconds)) * per_inertia
        held = drag * per_inertia
        speed = speed - held if speed > held else speed + held if speed < -held else 0.0
        return min(max(self._angle + speed * later_s, pinion + low), pinion + high), pinion
