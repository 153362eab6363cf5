"""Vectors of three plain floats, for the geometry of the simulated mesh; nothing here knows gears."""

from __future__ import annotations

import json
from cmath import phase, rect
from dataclasses import asdict, dataclass, replace
from math import atan2, cos, degrees, hypot, lcm, pi, radians, sin, sqrt
from random import Random

from lashmap_daemon.simulated_stand.settings import Shaft, SimulatedBox, StandError

Vector = tuple[float, float, float]


def dot(a: Vector, b: Vector) -> float:
    """Return the scalar product."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def cross(a: Vector, b: Vector) -> Vector:
    """Return the vector product a × b."""
    return (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])


def combine(*terms: tuple[float, Vector]) -> Vector:
    """Return the sum of factor times vector over the terms."""
    return (
        sum(factor * v[0] for factor, v in terms),
        sum(factor * v[1] for factor, v in terms),
        sum(factor * v[2] for factor, v in terms),
    )


def unit(a: Vector) -> Vector:
    """Return the vector of length 1 in the direction of a."""
    length = sqrt(dot(a, a))
    return (a[0] / length, a[1] / length, a[2] / length)


def across(a: Vector, axis: Vector) -> Vector:
    """Return the unit vector of the part of a that is perpendicular to a unit axis."""
    return unit(combine((1.0, a), (-dot(a, axis), axis)))


def turned(a: Vector, axis: Vector, angle_rad: float) -> Vector:
    """Return a turned about a unit axis, right-handed (Rodrigues' rotation)."""
    c, s = cos(angle_rad), sin(angle_rad)
    return combine((c, a), (s, cross(axis, a)), ((1.0 - c) * dot(axis, a), axis))


# The place where the teeth meet, as vectors: axes, pitch line, tooth trace, flank normals, the tip.
#
# Both axes leave the common apex towards the backs of the members. The pitch line is where the two bodies
# do not slide on each other: the direction of z2·a1 + z1·a2. The tooth trace lies in the pitch plane; a
# face mill cuts it as a circle in the crown gear's plane, and its tangent is found on that circle. Angles
# are never computed from tooth counts or spiral-angle formulas, so that a mistake there cannot hide here.


@dataclass(frozen=True, kw_only=True)
class MeshFrame:
    """Directions and points of the mesh, lengths in mm.

    Attributes:
        gear_axis: Unit vector from the apex to the back of the gear.
        pinion_axis: The same of the pinion.
        pitch_line: Unit vector from the apex outwards along the line where the pitch cones touch.
        tangent: Unit vector of a point of the pitch line when the gear turns positively.
        towards_pinion: Unit vector square to the pitch plane, out of the gear's body.
        outer_point: Heel end of the pitch line.
        outer_normals: Outward normals of both flanks of a gear tooth at the heel; turning the gear positively
            brings the first towards its mate.
    """

    gear_axis: Vector
    pinion_axis: Vector
    pitch_line: Vector
    tangent: Vector
    towards_pinion: Vector
    outer_point: Vector
    outer_normals: tuple[Vector, Vector]

    def closing_mm_per_rad(self) -> float:
        """Return how fast turning the gear closes the gap along the flank normal at the heel."""
        return dot(cross(self.gear_axis, self.outer_point), self.outer_normals[0])


def mesh_frame(box: SimulatedBox) -> MeshFrame:
    """Set up the frame of a box.

    Raises:
        StandError: When the spiral cannot be cut, the face is wider than the cone is long, or the gear would
            be an internal one.
    """
    shaft_angle = radians(box.shaft_angle_deg)
    gear_axis: Vector = (0.0, 0.0, 1.0)
    pinion_axis: Vector = (sin(shaft_angle), 0.0, cos(shaft_angle))
    pitch_line = unit(combine((box.gear_teeth, pinion_axis), (box.pinion_teeth, gear_axis)))
    if dot(pitch_line, gear_axis) < 0.0:
        expected = "an angle at which the gear's pitch cone does not turn inside out"
        raise StandError(what="shaft_angle_deg", expected=expected, got=box.shaft_angle_deg)
    outer_radius = box.outer_module_mm * box.gear_teeth / 2.0
    outer_point = combine((_cone_distance(gear_axis, pitch_line, outer_radius), pitch_line))
    frame = MeshFrame(
        gear_axis=gear_axis,
        pinion_axis=pinion_axis,
        pitch_line=pitch_line,
        tangent=unit(cross(gear_axis, outer_point)),
        towards_pinion=across(pinion_axis, pitch_line),
        outer_point=outer_point,
        outer_normals=(gear_axis, gear_axis),
    )
    normals = _flank_normals(box, frame, sqrt(dot(outer_point, outer_point)))
    return replace(frame, outer_normals=normals)


def tip_mm_per_rad(
    box: SimulatedBox,
    frame: MeshFrame,
    *,
    touch_radius_mm: float,
    side_rad: float,
    off_deg: float,
    lever_deg: float,
) -> float:
    """Return how much the indicator reads when the gear turns, in mm per radian.

    The surface under the tip is taken as a plane with normal n that moves by d = axis × r. A tip that is
    guided along u stays on that plane when it travels by (d·n) / (u·n). A plunger tilted by γ to any side of
    n, and a lever whose tip moves on its own circle, tilted ε, both have u off n: they read too large.

    Raises:
        StandError: When the tip touches no flank.
    """
    distance = _cone_distance(frame.gear_axis, frame.pitch_line, touch_radius_mm)
    moved = cross(frame.gear_axis, combine((distance, frame.pitch_line)))
    if box.on_arm:
        surface = frame.tangent
    else:
        _check_on_tooth(box, frame, distance)
        surface = _flank_normals(box, frame, distance)[0]
    aim = surface if box.direction == "normal" else frame.tangent
    aside = turned(across(frame.towards_pinion, aim), aim, side_rad)
    guided = turned(aim, aside, radians(off_deg))
    guided = turned(guided, cross(guided, aside), radians(lever_deg))
    return dot(moved, surface) / dot(guided, surface)


def _check_on_tooth(box: SimulatedBox, frame: MeshFrame, distance_mm: float) -> None:
    outer = sqrt(dot(frame.outer_point, frame.outer_point))
    # A ball tip may hang over an end of the tooth by a little.
    over = 0.1 * box.face_width_mm
    if not outer - box.face_width_mm - over <= distance_mm <= outer + over:
        expected = "a radius within the face width of the gear, or on_arm"
        raise StandError(what="touch_radius_mm", expected=expected, got=box.touch_radius_mm)


def _cone_distance(gear_axis: Vector, pitch_line: Vector, radius_mm: float) -> float:
    sideways = cross(gear_axis, pitch_line)
    return radius_mm / sqrt(dot(sideways, sideways))


def _flank_normals(box: SimulatedBox, frame: MeshFrame, cone_distance_mm: float) -> tuple[Vector, Vector]:
    outer = sqrt(dot(frame.outer_point, frame.outer_point))
    along, aside = _trace_direction(box, outer - box.face_width_mm / 2.0, cone_distance_mm)
    # In the pitch plane and square to the trace; the flank leans over by the pressure angle.
    across_tooth = combine((-aside, frame.pitch_line), (along, frame.tangent))
    pressure = radians(box.normal_pressure_angle_deg)
    return (
        combine((cos(pressure), across_tooth), (sin(pressure), frame.towards_pinion)),
        combine((-cos(pressure), across_tooth), (sin(pressure), frame.towards_pinion)),
    )


def _trace_direction(box: SimulatedBox, mean_mm: float, distance_mm: float) -> tuple[float, float]:
    """Return the trace's direction at a cone distance: parts along the cone and along the circumference."""
    if mean_mm <= box.face_width_mm / 2.0:
        expected = "less than the outer cone distance"
        raise StandError(what="face_width_mm", expected=expected, got=box.face_width_mm)
    spiral = radians(box.mean_spiral_angle_deg)
    if box.cutter_radius_mm is None:
        return cos(spiral), sin(spiral)
    radius = box.cutter_radius_mm
    centre_x, centre_y = mean_mm - radius * sin(spiral), radius * cos(spiral)
    turn = _on_cutter_circle(centre_x, centre_y, radius, distance_mm)
    x, y = centre_x + radius * cos(turn), centre_y + radius * sin(turn)
    radial_x, radial_y = x / hypot(x, y), y / hypot(x, y)
    trace_x, trace_y = -sin(turn), cos(turn)
    return radial_x * trace_x + radial_y * trace_y, radial_x * trace_y - radial_y * trace_x


def _on_cutter_circle(centre_x: float, centre_y: float, radius: float, distance_mm: float) -> float:
    """Return where on the cutter's circle, in radians, a point lies that far from the apex, by halving."""
    high = atan2(centre_y, centre_x)
    low = high - pi

    def excess(turn: float) -> float:
        return hypot(centre_x + radius * cos(turn), centre_y + radius * sin(turn)) - distance_mm

    if not excess(low) < 0.0 < excess(high):
        expected = f"a circle that reaches the cone distance of {distance_mm:.3f} mm"
        raise StandError(what="cutter_radius_mm", expected=expected, got=radius)
    for _ in range(60):
        middle = (low + high) / 2.0
        if excess(middle) < 0.0:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0


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
        eccentricity_mm: Of the teeth's axis from the axis of turning.
        face_wobble_mm: Amplitude of the axial to and fro.
        out_of_round_mm: Amplitude of the radius, twice per turn.
        high_rad: Turn at which eccentricity and wobble have their high point at the mesh.
        oval_rad: Twice the turn at which the radius at the mesh is largest.
        rough: Waves per turn, amplitude in mm and phase of each part of the roughness.
    """

    axis: Vector
    radial: Vector
    normal: Vector
    sense: float
    eccentricity_mm: float
    face_wobble_mm: float
    out_of_round_mm: float
    high_rad: float
    oval_rad: float
    rough: tuple[tuple[int, float, float], ...]

    def moved(self, turn_rad: float, place_rad: float = 0.0) -> Vector:
        """Return by how much the surface at a place is off a perfect one there, in mm, roughness left out."""
        passed = turn_rad - place_rad
        return combine(
            # The whole body is carried along; where one looks makes no difference to that.
            (self.eccentricity_mm, turned(self.radial, self.axis, self.sense * (turn_rad - self.high_rad))),
            (self.out_of_round_mm * cos(2.0 * passed - self.oval_rad), self._to(self.radial, place_rad)),
            (-self.face_wobble_mm * cos(passed - self.high_rad), self.axis),
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
        return turned(at_mesh, self.axis, self.sense * place_rad)


def gear_surface(box: SimulatedBox, frame: MeshFrame, *, chance: Random, seed: int) -> PitchSurface:
    """Draw the gear's surface; what a box leaves open comes from `chance`, roughness from the seed."""
    return PitchSurface(
        axis=frame.gear_axis,
        radial=across(frame.pitch_line, frame.gear_axis),
        normal=frame.towards_pinion,
        sense=1.0,
        eccentricity_mm=box.gear_eccentricity_mm,
        face_wobble_mm=box.gear_face_wobble_mm,
        out_of_round_mm=box.out_of_round_mm,
        high_rad=_high_point(box.gear_high_point_deg, chance),
        oval_rad=chance.uniform(0.0, 2.0 * pi),
        rough=_rough(box.surface_roughness_mm, f"{seed}/gear surface"),
    )


def pinion_surface(box: SimulatedBox, frame: MeshFrame, *, chance: Random, seed: int) -> PitchSurface:
    """Draw the pinion's surface, as `gear_surface` does."""
    return PitchSurface(
        axis=frame.pinion_axis,
        radial=across(frame.pitch_line, frame.pinion_axis),
        normal=combine((-1.0, frame.towards_pinion)),
        # Meshing bodies turn against each other about axes that both point outwards.
        sense=-1.0,
        eccentricity_mm=box.pinion_eccentricity_mm,
        face_wobble_mm=box.pinion_face_wobble_mm,
        out_of_round_mm=box.out_of_round_mm,
        high_rad=_high_point(box.pinion_high_point_deg, chance),
        oval_rad=chance.uniform(0.0, 2.0 * pi),
        rough=_rough(box.surface_roughness_mm, f"{seed}/pinion surface"),
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
# Each gap is measured along its flank's outward normal at the heel. It is half the mean backlash, less the
# metal that is too much on the two flanks that face each other there, less the way by which the gear's
# teeth have come towards the pinion's along that normal: eccentric, out of round, or set at a wrong
# mounting distance. Backlash is the sum of the two gaps of a tooth.


_Gaps = list[tuple[float, float]]


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
        normal_backlash_mm: At the heel, for every engagement of the mesh cycle, from the matched teeth on.
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
        gear = gear_surface(box, self.frame, chance=chance, seed=seed)
        metal = _flank_errors(box.gear_teeth, box.gear_tooth_error_mm, chance)
        self._gear = _gaps(gear, self.frame, metal, side=1.0, mounting_error_mm=box.gear_mounting_error_mm)
        pinion = pinion_surface(box, self.frame, chance=chance, seed=seed)
        metal = _flank_errors(box.pinion_teeth, box.pinion_tooth_error_mm, chance)
        self._pinion = _gaps(
            pinion, self.frame, metal, side=-1.0, mounting_error_mm=box.pinion_mounting_error_mm
        )
        self._surfaces: dict[Shaft, PitchSurface] = {"gear": gear, "pinion": pinion}
        tip = Random(f"{seed}/tip")  # noqa: S311 - a simulation, not a secret
        self.touch_radius_mm = tip.gauss(box.touch_radius_mm, box.touch_radius_uncertainty_mm)
        self.tip_mm_per_rad = tip_mm_per_rad(
            box,
            self.frame,
            touch_radius_mm=self.touch_radius_mm,
            side_rad=tip.uniform(0.0, 2.0 * pi),
            off_deg=tip.gauss(box.off_normal_deg, box.angle_uncertainty_deg),
            lever_deg=0.0 if box.lever_deg is None else tip.gauss(box.lever_deg, box.angle_uncertainty_deg),
        )
        self.mesh_cycle = lcm(box.pinion_teeth, box.gear_teeth)
        least = min(map(self.normal_backlash_mm, range(self.mesh_cycle)))
        if least <= 0.0:
            expected = "enough for backlash at every engagement"
            raise StandError(
                what="mean_normal_backlash_mm", expected=expected, got=box.mean_normal_backlash_mm
            )

    def gaps_mm(self, engagement: int) -> tuple[float, float]:
        """Return the gaps ahead of and behind a gear tooth, along the flank normals at the heel."""
        gear = self._gear[engagement % self.box.gear_teeth]
        pinion = self._pinion[engagement % self.box.pinion_teeth]
        half = self.box.mean_normal_backlash_mm / 2.0
        return half + gear[0] + pinion[0], half + gear[1] + pinion[1]

    def normal_backlash_mm(self, engagement: int) -> float:
        """Return the true normal backlash at the heel."""
        return sum(self.gaps_mm(engagement))

    def limits_rad(self, engagement: int) -> tuple[float, float]:
        """Return the gear angles, past the nominal one, at which the teeth touch behind and ahead."""
        ahead, behind = self.gaps_mm(engagement)
        rate = self.frame.closing_mm_per_rad()
        return -behind / rate, ahead / rate

    def runout_mm(self, member: Shaft, turn_rad: float) -> float:
        """Return what the sweep's indicator reads on a member that has turned so far past the matched teeth.

        Its zero is a perfect surface; positive is towards the indicator.
        """
        place_rad = radians(self.box.runout_indicator_from_mesh_deg)
        return self._surfaces[member].towards_indicator_mm(turn_rad, place_rad)

    def truth(self) -> Truth:
        """Return what a perfect test would find."""
        backlash = tuple(map(self.normal_backlash_mm, range(self.mesh_cycle)))
        tightest = min(range(self.mesh_cycle), key=backlash.__getitem__)
        return Truth(
            normal_backlash_mm=backlash,
            tight_spot_engagement=tightest,
            tight_spot_normal_backlash_mm=backlash[tightest],
            gear=_first_harmonic(self._gear),
            pinion=_first_harmonic(self._pinion),
            touch_radius_mm=self.touch_radius_mm,
            gear_runout_fim_mm=self._surfaces["gear"].once_per_turn()[0],
            pinion_runout_fim_mm=self._surfaces["pinion"].once_per_turn()[0],
        )


def _gaps(
    surface: PitchSurface, frame: MeshFrame, metal: _Gaps, *, side: float, mounting_error_mm: float
) -> _Gaps:
    """Return what one member adds to both gaps of each of its teeth; its side is 1 for the gear, -1 else."""
    gaps = []
    for tooth, too_much in enumerate(metal):
        moved = combine(
            (1.0, surface.moved(2.0 * pi * tooth / len(metal))), (mounting_error_mm, surface.axis)
        )
        gaps.append(_closed_by(moved, side, too_much, frame))
    return gaps


def _closed_by(
    moved: Vector, side: float, metal: tuple[float, float], frame: MeshFrame
) -> tuple[float, float]:
    """Return by how much both gaps grow when a body moves; its side is 1 for the gear, -1 for the pinion."""
    ahead, behind = frame.outer_normals
    return -side * dot(moved, ahead) - metal[0], -side * dot(moved, behind) - metal[1]


def _flank_errors(teeth: int, thickness_error_mm: float, chance: Random) -> _Gaps:
    """Return the metal too much on both flanks of each tooth, less its mean, so that the mean gap stays."""
    # Two independent flanks make one thickness: variances add.
    one_flank = thickness_error_mm / sqrt(2.0)
    ahead = [chance.gauss(0.0, one_flank) for _ in range(teeth)]
    behind = [chance.gauss(0.0, one_flank) for _ in range(teeth)]
    mean_ahead, mean_behind = sum(ahead) / teeth, sum(behind) / teeth
    return [(a - mean_ahead, b - mean_behind) for a, b in zip(ahead, behind, strict=True)]


def _first_harmonic(gaps: _Gaps) -> TrueRunout:
    teeth = len(gaps)
    wave = sum(
        (ahead + behind) * rect(2.0 / teeth, 2.0 * pi * k / teeth) for k, (ahead, behind) in enumerate(gaps)
    )
    return TrueRunout(amplitude_mm=abs(wave), high_point_deg=(degrees(phase(wave)) + 180.0) % 360.0)
