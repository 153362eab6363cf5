"""How the teeth of both members run and what gap that leaves between them, with the truth about the box."""

from __future__ import annotations

import json
from cmath import phase, rect
from dataclasses import asdict, dataclass, replace
from math import cos, degrees, floor, lcm, pi, radians, sqrt
from random import Random

from lashmap_daemon.simulated_stand.geometry import (
    MeshFrame,
    Tip,
    Vector,
    across,
    combine,
    dot,
    mesh_frame,
    turned,
)
from lashmap_daemon.simulated_stand.settings import Shaft, SimulatedBox, StandError

# How the pitch surface of one member runs: off the axis it turns about, wobbling, out of round, rough.
#
# Decided here: by which vector the surface at any place around a turning member has moved, seen from the
# place where a perfect one would be, and what an indicator square to the pitch cone makes of that. The mesh
# asks the same surface at its own place. Not decided here: what that does to backlash (`mesh`).
#
# Angles of a member count in its positive sense of turning. A point at body angle β is at place φ when the
# member has turned by θ = φ - β; the mesh is at place 0.


# Waves in a turn that roughness is made of: finer than anything a wrong setting makes, none of it in step
# with once or twice per turn, so that it blurs the runout without shifting its truth.
_FEWEST_WAVES, _MOST_WAVES, _ROUGH_PARTS = 5, 120, 16
_PLACES = 72


@dataclass(frozen=True, kw_only=True)
class PitchSurface:
    """The pitch surface of one member.

    Attributes:
        axis: Unit vector from the apex to the member's back.
        radial: Unit vector square to the axis, towards the mesh.
        normal: Unit vector square to the pitch cone at the mesh, out of the member's body.
        sense: 1.0 when positive turning is right-handed about the axis, -1.0 when it is left-handed.
        heel_radius_mm: From the axis to the heel.
        eccentricity_mm: Of the teeth's axis from the axis of turning.
        face_wobble_mm: Amplitude of the axial to and fro at the heel, of a body tilted about its axis there.
        out_of_round_mm: Amplitude of the radius, twice per turn.
        high_rad: Turn at which eccentricity and wobble have their high point at the mesh.
        oval_rad: Twice the turn at which the radius at the mesh is largest.
        rough: Waves per turn, amplitude in mm and phase of each part of the roughness.
    """

    axis: Vector
    radial: Vector
    normal: Vector
    sense: float
    heel_radius_mm: float
    eccentricity_mm: float
    face_wobble_mm: float
    out_of_round_mm: float
    high_rad: float
    oval_rad: float
    rough: tuple[tuple[int, float, float], ...]

    def moved(
        self, turn_rad: float, place_rad: float = 0.0, *, radius_share: float = 1.0, inside_mm: float = 0.0
    ) -> Vector:
        """Return by how much the surface at a place is off a perfect one there, in mm, roughness left out.

        Args:
            turn_rad: How far the member has turned.
            place_rad: Where around it one looks.
            radius_share: Radius of the point in question over that of the heel.
            inside_mm: How far along the axis it lies from the heel towards the apex.
        """
        passed = turn_rad - place_rad
        tilted_mm = -self.face_wobble_mm * cos(passed - self.high_rad)
        return combine(
            # The whole body is carried along; where one looks makes no difference to that.
            (self.eccentricity_mm, turned(self.radial, self.axis, self.sense * (turn_rad - self.high_rad))),
            (self.out_of_round_mm * cos(2.0 * passed - self.oval_rad), self._to(self.radial, place_rad)),
            # A body tilted about its axis at the heel: to and fro as the radius, sideways as it lies inside.
            # Across both, along the tangent, it moves too, which no gap between two flanks feels in sum.
            (tilted_mm * radius_share, self.axis),
            (tilted_mm * inside_mm / self.heel_radius_mm, self._to(self.radial, place_rad)),
        )

    def towards_indicator_mm(self, turn_rad: float, place_rad: float) -> float:
        """Return how far the surface has come towards an indicator square to the pitch cone at a place."""
        rough = sum(
            size * cos(waves * (turn_rad - place_rad) + shift) for waves, size, shift in self.rough if size
        )
        return dot(self.moved(turn_rad, place_rad), self._to(self.normal, place_rad)) + rough

    def once_per_turn(self, place_rad: float = 0.0) -> tuple[float, float]:
        """Return full indicator movement, in mm, and high point, in radians, of the once-per-turn part."""
        turns = [2.0 * pi * number / _PLACES for number in range(_PLACES)]
        aim = self._to(self.normal, place_rad)
        wave = sum(rect(2.0 / _PLACES, turn) * dot(self.moved(turn, place_rad), aim) for turn in turns)
        return 2.0 * abs(wave), phase(wave) % (2.0 * pi)

    def _to(self, at_mesh: Vector, place_rad: float) -> Vector:
        return turned(at_mesh, self.axis, self.sense * place_rad) if place_rad else at_mesh


def _surface_of(
    member: Shaft, box: SimulatedBox, frame: MeshFrame, *, chance: Random, seed: int
) -> PitchSurface:
    """Draw a member's surface; what a box leaves open comes from `chance`, roughness from the seed."""
    on_gear = member == "gear"
    axis = frame.gear_axis if on_gear else frame.pinion_axis
    # Meshing bodies turn against each other about axes that both point outwards.
    sense = 1.0 if on_gear else -1.0
    return PitchSurface(
        axis=axis,
        radial=across(frame.pitch_line, axis),
        normal=combine((sense, frame.towards_pinion)),
        sense=sense,
        heel_radius_mm=dot(frame.outer_point, across(frame.pitch_line, axis)),
        eccentricity_mm=box.gear_eccentricity_mm if on_gear else box.pinion_eccentricity_mm,
        face_wobble_mm=box.gear_face_wobble_mm if on_gear else box.pinion_face_wobble_mm,
        out_of_round_mm=box.out_of_round_mm,
        high_rad=_high_point(box.gear_high_point_deg if on_gear else box.pinion_high_point_deg, chance),
        oval_rad=chance.uniform(0.0, 2.0 * pi),
        rough=_rough(box.surface_roughness_mm, f"{seed}/{member} surface"),
    )


def _high_point(given_deg: float | None, chance: Random) -> float:
    drawn = chance.uniform(0.0, 2.0 * pi)
    return drawn if given_deg is None else radians(given_deg)


def _rough(deviation_mm: float, seed: str) -> tuple[tuple[int, float, float], ...]:
    chance = Random(seed)  # noqa: S311 - a simulation, not a secret
    # A cosine's standard deviation is its amplitude over √2; parts of different orders add as squares.
    size = deviation_mm * sqrt(2.0 / _ROUGH_PARTS)
    orders = chance.sample(range(_FEWEST_WAVES, _MOST_WAVES), _ROUGH_PARTS)
    return tuple((waves, size, chance.uniform(0.0, 2.0 * pi)) for waves in orders)


# The gaps between the flanks at every engagement, and with them the truth about the box.
#
# Each gap is measured along its flank's outward normal where the crowned flanks touch. It is half the mean
# backlash, less the metal that is too much on the two flanks that face each other there, less the way by
# which the gear's teeth have come towards the pinion's along that normal: eccentric, out of round, or set at
# a wrong mounting distance. Crowned flanks fall away from each other on both sides of the crests as a pair
# rolls through its pitch; the pair that leaves least decides. Backlash is the turn of the gear through both
# gaps, as the length that it makes along the normal at the heel.
#
# A rock meets the gaps where the pinion is locked, a pass meets them all, one after the other: they are the
# same, and a place between two engagements is a roll of one of them.


_Gap = tuple[float, float]
_Gaps = list[_Gap]
_PHASES = 32
_PLACES_A_PITCH = 64  # between them a straight line is good for some hundredths of a micrometre
_REFERENCE_C = 20.0  # ISO 1:2022, of all lengths


@dataclass(frozen=True, kw_only=True)
class TrueRunout:
    """The first harmonic of what one member does to the normal backlash.

    Attributes:
        amplitude_mm: Half its peak to peak over a turn.
        high_point_deg: Turn of the member past the matched teeth at which it takes most backlash away.
    """

    amplitude_mm: float
    high_point_deg: float


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What a perfect test of the box would find.

    Attributes:
        normal_backlash_mm: At the heel, for every engagement of the mesh cycle, from the matched teeth on. It
            is the least while a pair of teeth rolls through, at 20 °C, with no torque and no oil between.
        tight_spot_engagement: The first engagement with the least backlash.
        tight_spot_normal_backlash_mm: That backlash.
        gear: What the gear adds once per turn, its single tooth errors included.
        pinion: The same of the pinion.
        touch_radius_mm: Where the tip really touches.
        gear_runout_fim_mm: Full indicator movement of the once-per-turn part of the gear's pitch surface,
            perpendicular to the pitch cone at the outer end; single teeth do not count.
        pinion_runout_fim_mm: The same of the pinion.
    """

    normal_backlash_mm: tuple[float, ...]
    tight_spot_engagement: int
    tight_spot_normal_backlash_mm: float
    gear: TrueRunout
    pinion: TrueRunout
    touch_radius_mm: float
    gear_runout_fim_mm: float
    pinion_runout_fim_mm: float

    def to_json(self) -> str:
        """Return a JSON object: `tight_spot`, `runout`, `normal_backlash_mm` (a list) and further truths."""
        document = {
            "simulated": True,
            "mesh_cycle": len(self.normal_backlash_mm),
            "tight_spot": {
                "engagement": self.tight_spot_engagement,
                "normal_backlash_mm": self.tight_spot_normal_backlash_mm,
            },
            "runout": {"gear": asdict(self.gear), "pinion": asdict(self.pinion)},
            "touch_radius_mm": self.touch_radius_mm,
            "gear_runout_fim_mm": self.gear_runout_fim_mm,
            "pinion_runout_fim_mm": self.pinion_runout_fim_mm,
            "normal_backlash_mm": list(self.normal_backlash_mm),
        }
        return json.dumps(document)


@dataclass(frozen=True, kw_only=True)
class Seat:
    """How both members sit when the pinion is locked.

    Attributes:
        roll: How far the pair has rolled on, in pitches, from the whole engagement.
        gear_out_mm: By how much the gear sits farther from the apex than it was set.
        pinion_out_mm: The same of the pinion.
    """

    roll: float = 0.0
    gear_out_mm: float = 0.0
    pinion_out_mm: float = 0.0


_AS_SET = Seat()


class Mesh:
    """The meshing teeth of one box, its errors drawn from a seed."""

    def __init__(self, box: SimulatedBox, *, seed: int) -> None:
        """Draw the errors and resolve them along both flank normals.

        Raises:
            StandError: When the geometry is impossible or some engagement would have no backlash.
        """
        self.box = box
        self.frame = mesh_frame(box)
        chance = Random(f"{seed}/teeth")  # noqa: S311 - a simulation, not a secret
        # Drawn in this order for every seed: a box keeps its truth from one version to the next.
        gear = _surface_of("gear", box, self.frame, chance=chance, seed=seed)
        gear_metal = _flank_errors(box.gear_teeth, box.gear_tooth_error_mm, chance)
        pinion = _surface_of("pinion", box, self.frame, chance=chance, seed=seed)
        pinion_metal = _flank_errors(box.pinion_teeth, box.pinion_tooth_error_mm, chance)
        self._surfaces: dict[Shaft, PitchSurface] = {"gear": gear, "pinion": pinion}
        self._carried_at: dict[tuple[Shaft, float], _Gap] = {}
        self._metal: dict[Shaft, _Gaps] = {"gear": gear_metal, "pinion": pinion_metal}
        further = Random(f"{seed}/mesh")  # noqa: S311 - a simulation, not a secret
        drawn_roll, drawn_tooth = further.uniform(-0.5, 0.5), further.random()
        self.roll_at_marks = drawn_roll if box.roll_phase_at_marks is None else box.roll_phase_at_marks
        self._ripple_rad = tuple(further.uniform(0.0, 2.0 * pi) for _ in (0, 1))
        self._rolls = bool(box.roll_crowning_mm or box.profile_ripple_mm)
        self._limits_at: dict[int, tuple[float, float]] = {}
        self._spoil_a_tooth(drawn_tooth)
        # What is a length at the heel, and what is one where the flanks touch, for the same turn of the gear.
        self._heel_per_contact = self.frame.closing_mm_per_rad() / self.frame.closing_at_contact_mm_per_rad()
        self.tip = Tip(box, self.frame, seed=seed)
        self.mesh_cycle = lcm(box.pinion_teeth, box.gear_teeth)
        self._backlash_mm = self._least_over_roll()
        if min(self._backlash_mm) <= 0.0:
            expected = "enough for backlash at every engagement"
            raise StandError(
                what="mean_normal_backlash_mm", expected=expected, got=box.mean_normal_backlash_mm
            )

    def gaps_mm(self, engagement: int, seat: Seat = _AS_SET) -> tuple[float, float]:
        """Return the gaps ahead of and behind a gear tooth, along the flank normals where they touch."""
        roll = seat.roll if self._rolls else 0.0
        gear, pinion = self._carried("gear", engagement + roll), self._carried("pinion", engagement + roll)
        out = combine((seat.gear_out_mm, self.frame.gear_axis), (-seat.pinion_out_mm, self.frame.pinion_axis))
        sat = _closed_by(out, 1.0, self.frame)
        half = self.box.mean_normal_backlash_mm / 2.0 / self._heel_per_contact
        ahead, behind = (
            min(
                half
                + (gear[i] - self._metal_of("gear", engagement + on)[i])
                + (pinion[i] - self._metal_of("pinion", engagement + on)[i])
                + fall
                for on, fall in pairs
            )
            + sat[i]
            for i, pairs in enumerate(self._pairs(roll))
        )
        return ahead, behind

    def normal_backlash_mm(self, engagement: int, seat: Seat = _AS_SET) -> float:
        """Return the true normal backlash at the heel."""
        return sum(self.gaps_mm(engagement, seat)) * self._heel_per_contact

    def limits_rad(self, engagement: int, seat: Seat = _AS_SET) -> tuple[float, float]:
        """Return the gear angles, past the nominal one, at which the teeth touch behind and ahead."""
        ahead, behind = self.gaps_mm(engagement, seat)
        rate = self.frame.closing_at_contact_mm_per_rad()
        return -behind / rate, ahead / rate

    def limits_at_rad(self, place: float) -> tuple[float, float]:
        """Return the same at any place, in engagements past the matched teeth, with both members as set.

        It is on a straight line between places that are 1 / 64 of an engagement apart.
        """
        node = floor(place * _PLACES_A_PITCH)
        low, high = self._limits_of(node)
        next_low, next_high = self._limits_of(node + 1)
        share = place * _PLACES_A_PITCH - node
        return low + share * (next_low - low), high + share * (next_high - high)

    def sat_rad(self, seat: Seat) -> tuple[float, float]:
        """Return by how much both of these angles move when the members sit elsewhere."""
        as_set, sat = self.limits_rad(0), self.limits_rad(0, replace(seat, roll=0.0))
        return sat[0] - as_set[0], sat[1] - as_set[1]

    def normal_backlash_at_mm(self, place: float) -> float:
        """Return the true normal backlash at the heel, at any place, with both members as set."""
        engagement = round(place)
        return self.normal_backlash_mm(engagement, Seat(roll=place - engagement))

    def _limits_of(self, node: int) -> tuple[float, float]:
        node %= self.mesh_cycle * _PLACES_A_PITCH
        limits = self._limits_at.get(node)
        if limits is None:
            engagement = round(node / _PLACES_A_PITCH)
            roll = node / _PLACES_A_PITCH - engagement
            limits = self._limits_at[node] = self.limits_rad(engagement, Seat(roll=roll))
        return limits

    def grown_out_mm(self, time_s: float) -> tuple[float, float]:
        """Return by how much gear and pinion have moved out of the mesh, warm as all is at a time.

        The housing carries each member's locating face away from the axis of its mate; the body itself grows
        towards it. A cone that grows about its apex stays the same cone, so that nothing else is left.
        """
        box, frame = self.box, self.frame
        warmer_k = box.temperature_drift_k_per_h * time_s / 3600.0 - _REFERENCE_C
        share = 1e-6 * (
            box.housing_expansion_um_per_m_k * (box.housing_temperature_c + warmer_k)
            - box.gears_expansion_um_per_m_k * (box.gears_temperature_c + warmer_k)
        )
        gear_mm = box.gear_mounting_distance_mm or dot(frame.outer_point, frame.gear_axis)
        pinion_mm = box.pinion_mounting_distance_mm or dot(frame.outer_point, frame.pinion_axis)
        return share * gear_mm, share * pinion_mm

    def runout_mm(self, member: Shaft, turn_rad: float) -> float:
        """Return what the sweep's indicator reads on a member that has turned so far past the matched teeth.

        Its zero is a perfect surface; positive is towards the indicator.
        """
        place_rad = radians(self.box.runout_indicator_from_mesh_deg)
        return self._surfaces[member].towards_indicator_mm(turn_rad, place_rad)

    def truth(self) -> Truth:
        """Return what a perfect test would find."""
        backlash = self._backlash_mm
        tightest = min(range(self.mesh_cycle), key=backlash.__getitem__)
        return Truth(
            normal_backlash_mm=backlash,
            tight_spot_engagement=tightest,
            tight_spot_normal_backlash_mm=backlash[tightest],
            gear=self._first_harmonic("gear"),
            pinion=self._first_harmonic("pinion"),
            touch_radius_mm=self.tip.touch_radius_mm,
            gear_runout_fim_mm=self._surfaces["gear"].once_per_turn()[0],
            pinion_runout_fim_mm=self._surfaces["pinion"].once_per_turn()[0],
        )

    def _spoil_a_tooth(self, drawn: float) -> None:
        box = self.box
        metal = self._metal[box.bad_tooth_member]
        tooth = int(drawn * len(metal)) if box.bad_tooth is None else box.bad_tooth
        ahead, behind = metal[tooth]
        # Turned forward, the pinion pushes a gear tooth from behind.
        on_coast = {"both": 0.5, "drive": 0.0, "coast": 1.0}[box.bad_tooth_flank]
        metal[tooth] = ahead + box.bad_tooth_mm * on_coast, behind + box.bad_tooth_mm * (1.0 - on_coast)

    def _carried(self, member: Shaft, engagement: float) -> _Gap:
        """Return by how much both gaps grow because a member's body is where it is; a share is a roll."""
        box, frame, surface = self.box, self.frame, self._surfaces[member]
        teeth, error_mm, side = (
            (box.gear_teeth, box.gear_mounting_error_mm, 1.0)
            if member == "gear"
            else (box.pinion_teeth, box.pinion_mounting_error_mm, -1.0)
        )
        at = engagement % teeth
        if (known := self._carried_at.get((member, at))) is not None:
            return known
        inwards = combine((1.0, frame.outer_point), (-1.0, frame.contact_point))
        moved = surface.moved(
            2.0 * pi * at / teeth,
            radius_share=1.0 - dot(inwards, surface.radial) / surface.heel_radius_mm,
            inside_mm=dot(inwards, surface.axis),
        )
        carried = _closed_by(combine((1.0, moved), (error_mm, surface.axis)), side, frame)
        if at * _PLACES_A_PITCH % 1 == 0:  # these come again, any other share of a pitch hardly ever
            self._carried_at[member, at] = carried
        return carried

    def _pairs(self, roll: float) -> list[list[tuple[int, float]]]:
        """Return the pairs that may touch, counted from the engagement, and how far each falls away there.

        First those of the flanks ahead, which coast, then those behind.
        """
        if not self._rolls:
            return [[(0, 0.0)], [(0, 0.0)]]
        box = self.box
        # Half for either flank. Crests meet at whole engagements less the roll at the marks.
        crown_mm = box.roll_crowning_mm / 2.0 / self._heel_per_contact
        ripple_mm, waves = (
            box.profile_ripple_mm / self._heel_per_contact,
            2.0 * pi * box.profile_ripple_waves,
        )
        reach, pairs = box.contact_ratio / 2.0, []
        for before, start_rad in zip((box.coast_roll_phase, 0.0), self._ripple_rad, strict=True):
            rolled = roll + self.roll_at_marks + before
            touching = range(floor(rolled - reach) + 1, floor(rolled + reach) + 1)
            falls = [(on, 4.0 * crown_mm * (rolled - on) ** 2) for on in touching]
            if ripple_mm:
                falls = [
                    (on, fall + ripple_mm * cos(waves * (rolled - on) + start_rad)) for on, fall in falls
                ]
            pairs.append(falls)
        return pairs

    def _metal_of(self, member: Shaft, engagement: int) -> _Gap:
        metal = self._metal[member]
        return metal[engagement % len(metal)]

    def _least_over_roll(self) -> tuple[float, ...]:
        """Return the backlash of every engagement, least over the pitch around its crests."""
        if not self._rolls:
            return tuple(map(self.normal_backlash_mm, range(self.mesh_cycle)))
        rolls = [number / _PHASES - 0.5 - self.roll_at_marks for number in range(_PHASES + 1)]
        pairs = list(map(self._pairs, rolls))
        # Each member's bodies once for all engagements: they come again with its own teeth.
        gear, pinion = self._carried_over_roll("gear", rolls), self._carried_over_roll("pinion", rolls)

        def teeth_mm(engagement: int, number: int) -> float:
            return sum(
                min(
                    fall
                    - self._metal_of("gear", engagement + on)[flank]
                    - self._metal_of("pinion", engagement + on)[flank]
                    for on, fall in pairs[number][flank]
                )
                for flank in (0, 1)
            )

        def least_mm(k: int) -> float:
            carried = zip(gear[k % len(gear)], pinion[k % len(pinion)], strict=True)
            return min(a + b + teeth_mm(k, number) for number, (a, b) in enumerate(carried))

        mean_mm, heel = self.box.mean_normal_backlash_mm, self._heel_per_contact
        return tuple(mean_mm + heel * least_mm(k) for k in range(self.mesh_cycle))

    def _carried_over_roll(self, member: Shaft, rolls: list[float]) -> list[list[float]]:
        teeth = range(len(self._metal[member]))
        return [[sum(self._carried(member, tooth + roll)) for roll in rolls] for tooth in teeth]

    def _first_harmonic(self, member: Shaft) -> TrueRunout:
        teeth = len(self._metal[member])
        wave = sum(
            (sum(self._carried(member, k)) - sum(metal)) * rect(2.0 / teeth, 2.0 * pi * k / teeth)
            for k, metal in enumerate(self._metal[member])
        )
        amplitude_mm = abs(wave) * self._heel_per_contact
        return TrueRunout(amplitude_mm=amplitude_mm, high_point_deg=(degrees(phase(wave)) + 180.0) % 360.0)


def _closed_by(moved: Vector, side: float, frame: MeshFrame) -> _Gap:
    """Return by how much both gaps grow when a body moves; its side is 1 for the gear, -1 for the pinion."""
    ahead, behind = frame.contact_normals
    return -side * dot(moved, ahead), -side * dot(moved, behind)


def _flank_errors(teeth: int, thickness_error_mm: float, chance: Random) -> _Gaps:
    """Return the metal too much on both flanks of each tooth, less its mean, so that the mean gap stays."""
    # Two independent flanks make one thickness: variances add.
    one_flank = thickness_error_mm / sqrt(2.0)
    ahead = [chance.gauss(0.0, one_flank) for _ in range(teeth)]
    behind = [chance.gauss(0.0, one_flank) for _ in range(teeth)]
    mean_ahead, mean_behind = sum(ahead) / teeth, sum(behind) / teeth
    return [(a - mean_ahead, b - mean_behind) for a, b in zip(ahead, behind, strict=True)]
